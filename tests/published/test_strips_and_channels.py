"""Plane cells with flush strips: conformal maps by elliptic functions, and Tafel kinetics.

Sources: conformal map by sn; Newman & Thomas-Alyea, Electrochemical Systems, 3rd ed. 2004, ch. 18
(channel; from memory); Gupta et al., Microstrip Lines and Slotlines, 2nd ed. 1996, ch. 7 (coplanar
strips; from memory). The Tafel strip: reference table, computed.
"""

from __future__ import annotations

import numpy as np
import pytest
from cells import (
    REFERENCE,
    Body,
    Opening,
    extrapolated_ring_means,
    observed_orders,
    solve_plane,
)

import simulate as sf
from simulate.exact import conformal_maps as maps
from simulate.field.potential import Field
from simulate.result.grid_convergence import grid_convergence

BOX = REFERENCE["strip_in_box"]


def test_strip_in_a_box_converges_at_first_order_to_the_map():
    exact = BOX["resistance"]
    values = [Opening("strip", n, height=2.0).resistance() for n in (20, 40, 80)]
    assert values[1] == pytest.approx(exact, rel=0.005)
    assert observed_orders(values, exact) == pytest.approx([1.0, 1.0], abs=0.02)
    extrapolated = grid_convergence(values[:0:-1], 2.0, order=1.0).extrapolated
    assert extrapolated == pytest.approx(exact, rel=1e-4)


def test_strip_in_a_box_has_the_maps_current_in_every_tenth():
    """Means, extrapolated at the order of the flush edge; the last tenth holds the edge."""
    edges = np.array([0.0, *BOX["cumulative_at"]])
    exact = np.diff(np.array([0.0, *BOX["cumulative"]])) / np.diff(edges)
    cells = Opening("strip", 40, height=2.0), Opening("strip", 80, height=2.0)
    found = extrapolated_ring_means(cells, edges, order=1.0)
    assert found[:8] == pytest.approx(exact[:8], rel=5e-4)
    assert found[8:] == pytest.approx(exact[8:], rel=2e-3)


def channel(fineness: int, length: float, gap: float) -> Field:
    """Half of a channel that ends four gaps from the middle."""
    step = 1 / fineness
    across = np.arange(round(4 * gap * fineness) + 1) * step
    up = np.arange(-1, round(gap * fineness) + 2) * step
    return solve_plane(
        sf.Grid.section(across, up),
        lambda x, z: (z > 0) & (z < gap),
        Body("floor", lambda x, z: (z < 0) & (x < length / 2), 1.0),
        Body("ceiling", lambda x, z: (z > gap) & (x < length / 2)),
    )


@pytest.mark.parametrize("case", REFERENCE["channel"]["cases"], ids=lambda c: f"gap {c['gap']}")
def test_channel_converges_at_first_order_to_newmans_result(case):
    length, gap = case["length"], case["gap"]
    fineness = round(20 / min(1.0, gap))
    fields = [channel(n, length, gap) for n in (fineness, 2 * fineness)]
    values = [0.5 / field.currents["floor"] for field in fields]
    exact = case["resistance"]
    assert observed_orders(values, exact) == pytest.approx([1.0], abs=0.03)
    extrapolated = grid_convergence(values[::-1], 2.0, order=1.0).extrapolated
    assert extrapolated == pytest.approx(exact, rel=1e-4)


def test_channel_has_newmans_profile_away_from_the_edge():
    """Points shared by two grids after averaging pairs, extrapolated at first order."""
    length = gap = 2.0
    coarse, fine = (channel(fineness, length, gap).faces("floor").density for fineness in (40, 80))
    pairs = fine.reshape(-1, 2).mean(axis=1)
    found = 2 * pairs / pairs.mean() - coarse / coarse.mean()
    edges = np.linspace(0.0, 1.0, 41)
    exact = maps.channel_profile(0.5 * (edges[:-1] + edges[1:]), length, gap)
    assert found[:34] == pytest.approx(exact[:34], rel=0.002)


def test_coplanar_strips_in_a_box_converge_at_first_order_to_the_map():
    gap, width, half, height = 1.0, 1.0, 4.0, 2.0
    exact = maps.coplanar_strips_resistance(gap, width, box=(half, height))
    values = []
    for fineness in (20, 40, 80):
        step = 1 / fineness
        grid = sf.Grid.section(
            np.arange(round(2 * half * fineness) + 1) * step - half,
            np.arange(-1, round(height * fineness) + 1) * step,
        )
        found = solve_plane(
            grid,
            lambda x, z: z > 0,
            Body("right", lambda x, z: (z < 0) & (x > 0.5) & (x < 1.5), 1.0),
            Body("left", lambda x, z: (z < 0) & (x < -0.5) & (x > -1.5)),
        )
        values.append(1 / found.currents["right"])
    assert observed_orders(values, exact) == pytest.approx([1.0, 1.0], abs=0.03)
    extrapolated = grid_convergence(values[:0:-1], 2.0, order=1.0).extrapolated
    assert extrapolated == pytest.approx(exact, rel=1e-4)


def test_tafel_strip_gives_the_tables_mean_and_centre():
    table = REFERENCE["tafel_strip"]
    law = sf.Tafel(table["exchange"], table["slope"])
    means, centres = [], []
    for fineness in (20, 40, 80):
        field = Opening("strip", fineness, height=2.0).solve(law, table["voltage"])
        faces = field.faces("plate")
        means.append(field.currents["plate"])
        centres.append(faces.density[np.argmin(faces.x)])
    assert means[1] == pytest.approx(table["mean"], rel=0.002)
    assert centres[1] == pytest.approx(table["centre"], rel=0.002)
    assert grid_convergence(means[::-1], 2.0).extrapolated == pytest.approx(table["mean"], rel=5e-4)
    order = grid_convergence(means[::-1], 2.0).order
    assert 1.3 < order < 1.7
    centre = grid_convergence(centres[::-1], 2.0).extrapolated
    assert centre == pytest.approx(table["centre"], rel=2e-4)
