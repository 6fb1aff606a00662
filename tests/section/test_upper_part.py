"""What stands above a wall: elimination is exact."""

from __future__ import annotations

import numpy as np
import pytest
from cavities import equal, laws

from simulate.field.grid import Grid
from simulate.field.polarisation import Linear
from simulate.field.potential import Electrode, solve_potential
from simulate.field.supply import Supply
from simulate.section.cut_cells import Ground
from simulate.section.moving_wall import Cavity, Field
from simulate.section.upper_part import UpperPart
from simulate.section.wall_curve import Wall
from simulate.section.wall_field import Circuit


@pytest.mark.parametrize("kind", ["section", "axisymmetric"])
@pytest.mark.parametrize("form", ["symmetric", "second-order"])
def test_over_a_flat_wall_the_field_is_that_of_the_solver_of_whole_cells(kind, form):
    """Half a cell of electrolyte over the metal: the same network, once whole, once reduced."""
    x, z = np.linspace(0.0, 2.0, 21), np.concatenate([np.linspace(0.0, 1.0, 11), [1.2, 1.5, 2.0]])
    below = -0.1
    kappa = np.full((z.size - 1, 20), 1.5)
    kappa[:2, 8:] = 0.0  # the mask
    kappa[4:, :] = 0.7
    cathode = np.zeros(kappa.shape, bool)
    cathode[-1] = cathode[6:, 15:] = True
    law, back = Linear(0.3), Linear(0.2)
    make = Grid.section if kind == "section" else Grid.axisymmetric
    plate = np.zeros((z.size, 20), bool)
    plate[0, :8] = True
    whole = np.vstack([np.ones((1, 20)), kappa])
    field = solve_potential(
        make(x, np.insert(z, 0, below)),
        whole[:, None],
        [
            Electrode("plate", plate[:, None], polarisation=law),
            Electrode("back", np.vstack([plate[:1] & False, cathode])[:, None], polarisation=back),
        ],
        Supply(2.0, 0.4),
        tolerance=1e-12,
        edges="plain",
    )
    upper = UpperPart(make(x, z), kappa, cathode)
    ground = Ground(x, np.append(np.linspace(-0.5, 0.0, 6), z[1]), 1.5, kappa[0], kind != "section")
    cavity = Cavity(ground, Circuit(laws(law, back), Supply(2.0, 0.4)), equal, upper, (), form)
    flat = np.column_stack([np.linspace(0.0, 0.8, 9), np.zeros(9)])
    solver = Field(cavity)
    found = solver.at((Wall(flat, ("upright", "upright"), kind != "section"),))
    assert found.field.current == pytest.approx(field.currents["plate"], rel=1e-8)
    assert found.field.voltage == pytest.approx(field.voltage, rel=1e-8)
    ports = found.field.phi[found.field.network.nodes - found.field.network.fixed :]
    inner = upper.potential(ports)
    known = field.potential[1:, 0]
    told = np.isfinite(inner)
    assert told.sum() == np.isfinite(known[~cathode]).sum()
    np.testing.assert_allclose(inner[told], known[told], atol=1e-7)


def test_the_reduced_matrix_is_symmetric_and_conserves():
    grid = Grid.section(np.linspace(0, 1, 9), np.linspace(0, 1, 7))
    kappa = np.ones((6, 8))
    kappa[0, 5:] = 0.0
    cathode = np.zeros((6, 8), bool)
    cathode[-1, 2:4] = True
    upper = UpperPart(grid, kappa, cathode)
    seen = upper.seen
    assert upper.ports.size == 5 + 2 + 2  # beside the cathode lie two below and two aside
    np.testing.assert_array_equal(seen, seen.T)
    assert np.abs(seen.sum(axis=1)).max() < 1e-14
    assert (np.linalg.eigvalsh(seen) > -1e-12).all()


def test_cells_that_hang_together_with_no_opening_are_left_out():
    kappa = np.ones((4, 5))
    kappa[1] = 0.0  # all above is cut off
    cathode = np.zeros((4, 5), bool)
    cathode[-1] = True
    upper = UpperPart(Grid.section(np.arange(6.0), np.arange(5.0)), kappa, cathode)
    assert (upper.number[2:] == -1).all()
    assert upper.faces[0].size == 0
