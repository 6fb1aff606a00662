"""The quick formula for the swab's resistance, held against the field solver and closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest

from simulate.field.multigrid import Hierarchy
from simulate.field.newton import solve_network
from simulate.field.polarisation import law_row
from simulate.field.supply import Supply
from simulate.run.window import Conductivities, Window, build_window
from simulate.stencil.measure import mean_width
from simulate.stencil.shapes import Circle, Rectangle, Stencil
from simulate.swab.contact_patch import contact_area
from simulate.swab.geometry import Bud, Pad
from simulate.swab.resistance import (
    FORMULA_ERROR,
    opening_load,
    resistance_factor,
)

FREE, WICK = 12.0, 9.0  # [S/m]


def slots(edges, width, period):
    """Open share of cells under slots of a width and a period, one slot about zero."""

    def open_to(x):
        turns = np.floor((x + 0.5 * width) / period)
        return turns * width + np.minimum(x + 0.5 * width - turns * period, width)

    return np.diff(open_to(edges)) / np.diff(edges)


def solved(swab, thickness, cell, slot=None):
    """Resistance by the field [ohm] between ideal electrodes, and the open share of the patch."""
    window = Window(swab, thickness, cell)
    wet = window.wet((0, 0))
    share = np.ones_like(wet.plan)
    if slot is not None:
        share *= slots(wet.grid.x, *slot)
    network, area = build_window(window, wet, share, Conductivities(FREE, WICK))
    ideal = np.array([law_row(None), law_row(None)])
    field = solve_network(
        network, ideal, Supply(1.0), tolerance=1e-6, hierarchy=Hierarchy(window.shape, (cell, cell))
    )
    current = field.current[network.faces.electrode == 0].sum()
    return 1.0 / current, float(area.sum()) / contact_area(swab)


def quick(swab, share, width, thickness):
    return float(resistance_factor(swab, share, width, thickness, WICK / FREE)) / WICK


def random_buds(count, seed=20261125):
    rng = np.random.default_rng(seed)
    buds = []
    while len(buds) < count:
        diameter = rng.uniform(4.5e-3, 7e-3)
        try:
            buds.append(
                Bud(
                    diameter,
                    rng.uniform(12e-3, 18e-3),
                    rng.uniform(0.08, 0.3) * diameter,
                    tilt=math.radians(rng.choice([0, 0, 3, 8, 15, 25, 35, 45, 60, 90])),
                    wire_diameter=rng.uniform(0.6e-3, 2e-3),
                    wire_gap=rng.uniform(1.5e-3, 5e-3),
                )
            )
        except ValueError:
            continue  # the wire would touch the plate
    return buds


def test_buds_of_any_tilt_agree_with_the_field_within_the_stated_error():
    ratio = []
    for bud in random_buds(20):
        resistance, share = solved(bud, 0.1e-3, 0.25e-3)
        assert share == pytest.approx(1.0, abs=0.01)
        ratio.append(quick(bud, share, 1e-3, 0.1e-3) / resistance)
    logs = np.log(ratio)
    assert math.sqrt(np.mean(logs**2)) < 0.15
    assert min(ratio) > 0.7
    assert max(ratio) < 1.35


@pytest.mark.parametrize("slot", [(1e-3, 2e-3), (1e-3, 4e-3), (2e-3, 8e-3)])
@pytest.mark.parametrize("tilt", [0.0, 45.0])
def test_a_bud_over_slots_agrees_with_the_field(slot, tilt):
    bud = Bud(5e-3, 14e-3, 0.8e-3, math.radians(tilt), 0.0, 1e-3, 2.5e-3)
    resistance, share = solved(bud, 0.2e-3, 0.2e-3, slot)
    assert quick(bud, share, slot[0], 0.2e-3) == pytest.approx(resistance, rel=0.25)


@pytest.mark.parametrize("slot", [(1e-3, 2e-3), (1e-3, 40e-3), (3e-3, 40e-3), (6e-3, 40e-3)])
@pytest.mark.parametrize("height", [2e-3, 6e-3])
def test_a_pad_over_slots_agrees_with_the_field(slot, height):
    pad = Pad(8e-3, 12e-3, height)
    resistance, share = solved(pad, 0.1e-3, 0.25e-3, slot)
    assert quick(pad, share, slot[0], 0.1e-3) == pytest.approx(resistance, rel=0.12)


def test_the_stated_error_covers_the_common_bud():
    bud = Bud(6.2e-3, 16e-3, 1.1e-3, math.radians(4), 0.0, 1.6e-3, 2.2e-3)
    resistance, share = solved(bud, 0.3e-3, 0.2e-3, (1e-3, 3e-3))
    ratio = quick(bud, share, 1e-3, 0.3e-3) / resistance
    assert FORMULA_ERROR.low < ratio < FORMULA_ERROR.high


def test_a_thin_wire_far_from_the_ends_gives_the_plane_problem():
    """Wire on the axis of a long cut cylinder: R' = ln(8 / (x a^2)) ... as the strip map gives it.

    For a small half angle a of the patch: R' kappa 2 pi = ln(4 R / (r a^2)) with an error of order
    a^2 (a source at the centre of an insulated circle and a short arc, from the logarithmic map).
    """
    radius, press, wire = 3e-3, 0.03e-3, 0.01e-3
    bud = Bud(2 * radius, 200e-3, press, 0.0, 0.0, 2 * wire, 0.1e-3)
    a = math.acos(1.0 - press / radius)
    expected = math.log(4.0 * radius / (wire * a * a)) / (2.0 * math.pi)
    found = float(resistance_factor(bud, 1.0, 1e-3, 1e-12)) * 200e-3
    assert found == pytest.approx(expected, rel=0.05)


def test_a_pad_with_all_open_is_a_slab_and_its_mask():
    pad = Pad(8e-3, 12e-3, 5e-3)
    assert quick(pad, 1.0, 1e-3, 0.2e-3) == pytest.approx(
        5e-3 / (WICK * 96e-6) + 0.2e-3 / (FREE * 96e-6), rel=1e-12
    )


def test_less_open_area_conducts_less_and_none_not_at_all():
    bud = Bud(5e-3, 14e-3, 0.8e-3)
    share = np.array([1.0, 0.6, 0.3, 0.1, 0.01, 0.0])
    factor = resistance_factor(bud, share, 1e-3, 0.15e-3)
    assert factor.shape == share.shape
    assert (np.diff(factor[:-1]) > 0).all()
    assert math.isinf(factor[-1])


def test_crowding_towards_slots_is_the_published_constriction():
    """(1/pi) ln(1/sin(pi s/2)) per slot: none when all is open, ln 2 / (2 pi) when half is."""
    assert float(opening_load(1.0, 1e-3, 0.0, 1.0)) == pytest.approx(0.0, abs=1e-18)
    half = float(opening_load(0.5, 1e-3, 0.0, 1.0))
    assert half == pytest.approx(2e-3 * math.log(2.0) / (2.0 * math.pi), rel=1e-12)


def test_the_width_of_openings_is_that_of_a_slot_and_the_radius_of_a_hole():
    long_slot = Stencil(1e-4, (Rectangle(0.0, 0.0, 1.0, 1e-3),))
    assert mean_width(long_slot) == pytest.approx(1e-3, rel=2e-3)
    assert mean_width(Stencil(1e-4, (Circle(0.0, 0.0, 4e-3),))) == pytest.approx(2e-3, rel=1e-3)
