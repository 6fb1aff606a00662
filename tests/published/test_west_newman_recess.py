"""Electrodes at the bottom of an opening in a mask: why a thicker mask evens out the edge.

Source: West & Newman, J. Electrochem. Soc. 138 (1991) 1620 (the problem); numbers by the
symmetric Galerkin method of `simulate.exact.recess`, finite elements agree to 2e-8.

The mask's upper lip (270 degrees of electrolyte) is singular as r^-1/3, and a plain scheme
converges at order 4/3: the order is asserted with the value.
"""

from __future__ import annotations

import numpy as np
import pytest
from cells import REFERENCE, Opening, extrapolated_ring_means, observed_orders, ring_means

import simulate as sf
from simulate.exact.recess import disk_opening, strip_opening
from simulate.result.grid_convergence import grid_convergence

CASES = [
    *({"shape": "disk", **case} for case in REFERENCE["recessed_disk_in_cell"]["cases"]),
    *({"shape": "strip", **case} for case in REFERENCE["recessed_strip_in_cell"]["cases"]),
]


def opening(case: dict, fineness: int) -> Opening:
    return Opening(case["shape"], fineness, case["depth"], case["wall"], case["height"])


@pytest.mark.parametrize("case", CASES, ids=lambda c: f"{c['shape']} {c['depth']}")
def test_recess_converges_at_order_four_thirds_to_the_table(case):
    values = [opening(case, fineness).resistance() for fineness in (20, 40, 80)]
    assert values[1] == pytest.approx(case["resistance"], rel=0.004)
    orders = observed_orders(values, case["resistance"])
    assert orders == pytest.approx([4 / 3, 4 / 3], abs=0.04)
    extrapolated = grid_convergence(values[:0:-1], 2.0, order=4 / 3).extrapolated
    assert extrapolated == pytest.approx(case["resistance"], rel=1e-4)


@pytest.mark.parametrize(
    "case",
    [case for case in CASES if case["depth"] in (0.05, 0.1, 0.5)],
    ids=lambda c: f"{c['shape']} {c['depth']}",
)
def test_recess_has_the_tables_profile_up_to_the_edge(case):
    """Means of 20 rings, extrapolated at the order of the mask's lip."""
    solve = disk_opening if case["shape"] == "disk" else strip_opening
    exact = solve(case["depth"], cell=(case["wall"], case["height"]))
    edges = np.linspace(0.0, 1.0, 21)
    measure = edges**2 if case["shape"] == "disk" else edges
    means = np.diff(exact.cumulative(edges)) / np.diff(measure)
    cells = opening(case, 40), opening(case, 80)
    found = extrapolated_ring_means(cells, edges, order=4 / 3)
    assert found == pytest.approx(means, rel=0.0015)


@pytest.mark.parametrize(
    "case", REFERENCE["recess_with_kinetics"]["cases"], ids=lambda c: c["shape"]
)
def test_recess_with_kinetics_gives_the_table(case):
    law = sf.Linear(case["wagner"])
    cells = [opening(case, fineness) for fineness in (20, 40, 80)]
    values = [cell.resistance(law) for cell in cells]
    assert values[1] == pytest.approx(case["resistance"], rel=0.003)
    assert observed_orders(values, case["resistance"]) == pytest.approx([4 / 3, 4 / 3], abs=0.06)
    edges = np.array([0.0, *case["cumulative_at"]])
    measure = edges**2 if case["shape"] == "disk" else edges
    exact = np.diff(np.array([0.0, *case["cumulative"]])) / np.diff(measure)
    assert ring_means(cells[2].solve(law).faces("plate"), edges) == pytest.approx(exact, rel=0.002)


def test_a_thicker_mask_evens_out_the_edge_as_published():
    """Edge over centre falls steeply with the mask's depth: 3.8 at a/20, 1.03 at one radius."""
    edges = np.linspace(0.0, 1.0, 41)
    ratios = []
    for depth in (0.05, 0.1, 0.2, 0.5, 1.0):
        cells = Opening("disk", 40, depth), Opening("disk", 80, depth)
        means = extrapolated_ring_means(cells, edges, order=4 / 3)
        exact = disk_opening(depth, cell=(3.0, 3.0))
        exact_means = np.diff(exact.cumulative(edges)) / np.diff(edges**2)
        assert means[-1] / means[0] == pytest.approx(exact_means[-1] / exact_means[0], rel=0.004)
        ratios.append(means[-1] / means[0])
    assert ratios == sorted(ratios, reverse=True)
    assert ratios[0] > 3.4
    assert ratios[-1] < 1.03
