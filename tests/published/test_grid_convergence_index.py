"""Grid convergence index: published examples.

Sources: Roache, J. Fluids Eng. 116 (1994) 405; ASME V&V 20-2009 (from memory); the first example
is the NASA NPARC tutorial's, as quoted on a public page; the second Celik et al., J. Fluids Eng.
130 (2008) 078001 (table from memory).
"""

from __future__ import annotations

import pytest
from cells import REFERENCE, Opening

from simulate.uncertainty import grid_convergence

TABLE = REFERENCE["grid_convergence"]


def test_the_tutorials_three_grids_give_its_numbers():
    found = grid_convergence(TABLE["values"], TABLE["ratio"])
    assert found.order == pytest.approx(TABLE["order"], abs=1e-8)
    assert found.extrapolated == pytest.approx(TABLE["extrapolated"], abs=1e-8)
    assert found.index == pytest.approx(TABLE["fine_index"], rel=1e-6)
    coarse = found.coarse_uncertainty / TABLE["values"][1]
    assert coarse == pytest.approx(TABLE["coarse_index"], rel=1e-6)
    assert found.range_ratio == pytest.approx(TABLE["range_ratio"], rel=1e-6)


def test_celiks_unequal_grids_give_their_numbers_to_the_printed_digits():
    """Remembered as 1.53, 6.1685 and 2.2 %; the arithmetic gives 1.537, 6.1682 and 2.17 %."""
    found = grid_convergence([6.063, 5.972, 5.863], 1.5, 1.333)
    assert found.order == pytest.approx(1.53, abs=0.01)
    assert found.extrapolated == pytest.approx(6.1685, abs=5e-4)
    assert found.index == pytest.approx(0.022, abs=5e-4)


@pytest.mark.parametrize(
    "cell",
    [
        Opening("disk", 20),
        Opening("strip", 20, height=2.0),
        Opening("disk", 20, 0.1),
        Opening("disk", 20, 0.5),
        Opening("strip", 20, 0.1, height=2.0),
        Opening("strip", 20, 0.5, height=2.0),
    ],
    ids=lambda c: f"{c.shape} {c.depth}",
)
def test_the_stated_uncertainty_holds_the_exact_resistance_and_is_not_idle(cell):
    from dataclasses import replace

    from simulate.recess import disk_opening, strip_opening

    solve = disk_opening if cell.shape == "disk" else strip_opening
    exact = solve(cell.depth, cell=(cell.wall, cell.height)).resistance
    values = [replace(cell, fineness=n).resistance() for n in (80, 40, 20)]
    found = grid_convergence(values, 2.0)
    error = abs(found.value - exact)
    assert error < found.uncertainty < 2 * error
    assert found.range_ratio == pytest.approx(1.0, abs=0.02)
