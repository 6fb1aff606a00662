"""The swab's shape: closed forms, filled cells, compiled loops against a plain numpy twin."""

import math
import time
from dataclasses import replace

import numpy as np
import pytest

from simulate.errors import InputError
from simulate.kernels import swab_shape
from simulate.swab.cell_fractions import (
    body_fraction,
    body_volume,
    conductivity_factor,
    extent,
    skirt_fraction,
    wet_volume,
    wire_fraction,
)
from simulate.swab.contact_patch import contact_area, contact_outline, contact_size
from simulate.swab.geometry import Bud, Pad

BUDS = [
    Bud(5e-3, 14e-3, 0.5e-3),
    Bud(5e-3, 14e-3, 0.5e-3, tilt=0.02, heading=0.4),
    Bud(5e-3, 14e-3, 0.5e-3, tilt=0.3, heading=2.0),
    Bud(5.5e-3, 12e-3, 0.8e-3, tilt=0.7, heading=-1.0),
    Bud(5e-3, 14e-3, 0.5e-3, tilt=math.pi / 2),
]


def cells(swab, h, shift=(0.0, 0.0, 0.0)):
    """Edges of cubes of side h around the wet body; the plate's face is a face of the cells."""
    west, east, south, north, top = extent(swab)
    x = np.arange(west - 2 * h + shift[0] * h, east + 2 * h, h)
    y = np.arange(south - 2 * h + shift[1] * h, north + 2 * h, h)
    return x, y, np.arange(-2 * h, top + 2 * h, h)


def volume(fraction, x, y, z):
    return float(np.einsum("kji,k,j,i", fraction, np.diff(z), np.diff(y), np.diff(x)))


def area_of(points):
    x, y = points.T
    return 0.5 * float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1)))


def capsule_twin(x, y, z, start, end, radius):
    """Slow twin of `swab_shape.fill_capsule`, whole arrays at a time."""
    low = np.maximum(z[:-1], 0.0)
    height = np.maximum(z[1:] - low, 0.0)
    centres = [0.5 * (x[:-1] + x[1:]), 0.5 * (y[:-1] + y[1:]), 0.5 * (low + z[1:])]
    grid = np.stack(np.meshgrid(*centres, indexing="ij"), axis=-1) - start
    axis = end - start
    along = grid @ axis / (axis @ axis) if axis @ axis > 0 else np.zeros(grid.shape[:-1])
    normal = grid - np.clip(along, 0, 1)[..., None] * axis
    r = np.linalg.norm(normal, axis=-1)
    size = np.stack(np.meshgrid(np.diff(x), np.diff(y), height, indexing="ij"), axis=-1)
    w = np.linalg.norm(normal * size, axis=-1) / np.where(r > 0, r, 1.0)
    w = np.where(r > 0, w, size[..., 2])
    with np.errstate(divide="ignore", invalid="ignore"):
        filled = np.clip(0.5 - (r - radius) / w, 0.0, 1.0)
    return np.where(size[..., 2] > 0, filled * size[..., 2] / np.diff(z), 0.0).transpose(2, 1, 0)


def test_lying_bud_has_the_closed_form_patch_and_volume():
    """On its side: a stadium of half-width sqrt(2 R p - p^2); a segment and a cap are lost."""
    radius, press, span = 2.5e-3, 0.5e-3, 9e-3
    bud = Bud(2 * radius, span + 2 * radius, press)
    half = math.sqrt(2 * radius * press - press**2)
    assert contact_size(bud) == pytest.approx((span + 2 * half, 2 * half), rel=1e-12)
    assert contact_area(bud) == pytest.approx(2 * half * span + math.pi * half**2, rel=1e-12)
    segment = radius**2 * math.acos(1 - press / radius) - (radius - press) * half
    cap = math.pi * press**2 * (3 * radius - press) / 3
    whole = math.pi * radius**2 * (span + 4 / 3 * radius)
    assert body_volume(bud) == pytest.approx(whole - segment * span - cap, rel=1e-12)


def test_upright_bud_has_a_round_patch_and_loses_a_cap():
    radius, press = 2.5e-3, 0.5e-3
    bud = Bud(2 * radius, 14e-3, press, tilt=math.pi / 2)
    half = math.sqrt(2 * radius * press - press**2)
    assert contact_area(bud) == pytest.approx(math.pi * half**2, rel=1e-12)
    cap = math.pi * press**2 * (3 * radius - press) / 3
    whole = math.pi * radius**2 * (9e-3 + 4 / 3 * radius)
    assert body_volume(bud) == pytest.approx(whole - cap, rel=1e-12)


@pytest.mark.parametrize("bud", BUDS)
def test_outline_has_the_patch_area_and_its_points_lie_on_the_capsule(bud):
    outline = contact_outline(bud)
    assert area_of(outline) == pytest.approx(contact_area(bud), rel=1e-12)
    tip, end = axis_ends(bud)
    plan = np.column_stack([outline, np.zeros(len(outline))]) - tip
    axis = end - tip
    along = np.clip(plan @ axis / (axis @ axis), 0, 1)
    distance = np.linalg.norm(plan - along[:, None] * axis, axis=1)
    np.testing.assert_allclose(distance, 0.5 * bud.diameter, rtol=1e-3)


def axis_ends(bud):
    """Centres of the round ends, from the definition: the tip's lowest point at -press."""
    radius, span = 0.5 * bud.diameter, bud.length - bud.diameter
    direction = np.array(
        [
            math.cos(bud.tilt) * math.cos(bud.heading),
            math.cos(bud.tilt) * math.sin(bud.heading),
            math.sin(bud.tilt),
        ]
    )
    tip = np.array([0.0, 0.0, radius - bud.press])
    u = np.linspace(-2, 2, 400_001) * bud.length  # the patch along the heading, by brute force
    plan = np.column_stack([u * math.cos(bud.heading), u * math.sin(bud.heading), 0 * u]) - tip
    along = np.clip(plan @ direction, 0, span)
    inside = u[np.linalg.norm(plan - along[:, None] * direction, axis=1) <= radius]
    middle = 0.5 * (inside[0] + inside[-1])
    tip[:2] -= middle * np.array([math.cos(bud.heading), math.sin(bud.heading)])
    return tip, tip + span * direction


@pytest.mark.parametrize("bud", BUDS)
def test_patch_centre_is_the_plan_origin(bud):
    outline = contact_outline(bud)
    along = outline @ np.array([math.cos(bud.heading), math.sin(bud.heading)])
    assert along.max() + along.min() == pytest.approx(0.0, abs=1e-9)
    assert along.max() - along.min() == pytest.approx(contact_size(bud)[0], rel=1e-3)


@pytest.mark.parametrize("bud", BUDS)
def test_compiled_capsule_equals_its_numpy_twin(bud):
    x, y, z = cells(bud, 0.41e-3, (0.3, 0.7, 0.0))
    z = z + 0.13e-3  # a layer of cells is cut by the mask's face
    tip, end = axis_ends(bud)
    out = np.empty((len(z) - 1, len(y) - 1, len(x) - 1))
    swab_shape.fill_capsule(x, y, z, tip, end, 0.5 * bud.diameter, out)
    twin = capsule_twin(x, y, z, tip, end, 0.5 * bud.diameter)
    np.testing.assert_allclose(out, twin, atol=1e-12)
    np.testing.assert_allclose(body_fraction(bud, x, y, z), twin, atol=1e-3)


@pytest.mark.parametrize("bud", BUDS)
def test_cell_volume_converges_at_second_order(bud):
    exact = body_volume(bud)
    shifts = np.random.default_rng(71).random((16, 3))
    errors = []
    for h in (0.4e-3, 0.2e-3, 0.1e-3):
        total = [volume(body_fraction(bud, *(e := cells(bud, h, s))), *e) for s in shifts]
        errors.append(abs(np.mean(total) / exact - 1))
    assert errors[-1] < 4e-4
    order = math.log2(errors[0] / errors[-1]) / 2
    assert order > 1.7  # less than 2 where a straight flank runs along the cells' own axis


@pytest.mark.parametrize("swab", [*BUDS, Pad(8e-3, 15e-3, 4e-3, heading=0.5)])
def test_volume_varies_below_a_thousandth_as_the_swab_moves_within_a_cell(swab):
    h = 0.2e-3
    shifts = np.random.default_rng(72).random((8, 3))
    total = [volume(body_fraction(swab, *(e := cells(swab, h, s))), *e) for s in shifts]
    assert np.ptp(total) < 1e-3 * np.mean(total)


def test_filled_fraction_is_continuous_as_the_swab_moves():
    """A thousandth of a cell further, no cell changes by more than a few thousandths."""
    bud = BUDS[2]
    x, y, z = cells(bud, 0.3e-3)
    step = 3e-7
    before, after = body_fraction(bud, x, y, z), body_fraction(bud, x - step, y, z)
    assert 0 < np.abs(after - before).max() < 2e-3


def test_pad_is_exact_along_the_cells_and_converges_when_turned():
    pad = Pad(8e-3, 15e-3, 4e-3)
    x, y, z = cells(pad, 0.37e-3, (0.2, 0.4, 0.0))
    assert volume(body_fraction(pad, x, y, z), x, y, z) == pytest.approx(480e-9, rel=1e-12)
    turned = Pad(8e-3, 15e-3, 4e-3, heading=0.5)
    x, y, z = cells(turned, 0.2e-3)
    assert volume(body_fraction(turned, x, y, z), x, y, z) == pytest.approx(480e-9, rel=2e-4)


def test_pad_cathode_is_the_layer_above_its_back():
    pad = Pad(8e-3, 15e-3, 4e-3)
    x, y = np.array([-1e-3, 1e-3]), np.array([-1e-3, 1e-3])
    wire = wire_fraction(pad, x, y, np.array([0.0, 2e-3, 4e-3, 4.5e-3]))[:, 0, 0]
    np.testing.assert_allclose(wire, [0, 0, 1], atol=1e-14)
    assert wire_fraction(pad, x + 0.1, y, np.array([4e-3, 4.5e-3])).max() == 0


@pytest.mark.parametrize("bud", BUDS[:4])
def test_wire_volume_is_right_though_the_wire_is_four_cells_thick(bud):
    exact = 0.25 * math.pi * bud.wire_diameter**2 * (bud.length - bud.wire_gap)
    edges = cells(bud, 0.2e-3, (0.3, 0.6, 0.0))
    assert volume(wire_fraction(bud, *edges), *edges) == pytest.approx(exact, rel=5e-3)


def test_wire_loop_runs_the_same_as_plain_python():
    bud = BUDS[2]
    edges = cells(bud, 1.1e-3)
    compiled = wire_fraction(bud, *edges)
    tip, end = axis_ends(bud)
    axis = (end - tip) / np.linalg.norm(end - tip)
    start = tip + (bud.wire_gap - 0.5 * bud.diameter) * axis
    plain = np.empty_like(compiled)
    swab_shape.fill_cylinder.py_func(
        *edges, start, end + 0.5 * bud.diameter * axis, 0.5 * bud.wire_diameter, 3, plain
    )
    np.testing.assert_allclose(plain, compiled, atol=1e-4)


def test_wire_ends_the_gap_short_of_the_tip():
    bud = Bud(5e-3, 14e-3, 0.5e-3, wire_gap=3e-3)
    edges = cells(bud, 0.1e-3)
    wire = np.flatnonzero(wire_fraction(bud, *edges).sum(axis=(0, 1)) > 1e-9)
    body = np.flatnonzero(body_fraction(bud, *edges).sum(axis=(0, 1)) > 1e-9)
    x = edges[0]
    assert x[wire[0]] - x[body[0]] == pytest.approx(3e-3, abs=0.2e-3)
    assert x[wire[-1]] == pytest.approx(x[body[-1]], abs=0.2e-3)


@pytest.mark.parametrize("swab", [BUDS[2], Pad(8e-3, 15e-3, 4e-3, heading=0.3)])
def test_skirt_is_the_ring_around_the_patch(swab):
    """Area of a convex patch grown by s less the patch: perimeter * s + pi s^2 (Steiner)."""
    width, film = 0.7e-3, 0.15e-3
    wet = replace(swab, skirt_width=width, skirt_thickness=film)
    x, y, _ = cells(wet, 0.3e-3)
    z = np.array([-0.2e-3, 0.0, 0.1e-3, 0.3e-3])
    outline = contact_outline(wet)
    perimeter = np.linalg.norm(np.roll(outline, -1, axis=0) - outline, axis=1).sum()
    ring = perimeter * width + math.pi * width**2
    fraction = skirt_fraction(wet, x, y, z)
    assert volume(fraction, x, y, z) == pytest.approx(ring * film, rel=1e-3)
    assert fraction[0].max() == 0
    np.testing.assert_allclose(fraction[2], 0.25 * fraction[1], atol=1e-14)


def test_extent_holds_every_wet_cell():
    bud = Bud(5e-3, 14e-3, 0.5e-3, tilt=0.3, heading=2.0, skirt_width=1e-3, skirt_thickness=1e-4)
    west, east, south, north, top = extent(bud)
    x, y, z = (np.linspace(-0.02, 0.02, 81), np.linspace(-0.02, 0.02, 81), np.linspace(0, 0.02, 41))
    wet = np.argwhere(body_fraction(bud, x, y, z) + skirt_fraction(bud, x, y, z) > 0)
    low, high = wet.min(axis=0), wet.max(axis=0) + 1
    h = 0.5e-3
    for edges, (a, b), k in ((x, (west, east), 2), (y, (south, north), 1), (z, (0.0, top), 0)):
        assert a - 1.5 * h < edges[low[k]] <= a + h
        assert b - h <= edges[high[k]] < b + 1.5 * h


def test_a_household_bud_holds_the_usual_volume_of_liquid():
    """research/domain.md 3.2: 0.15 mL (0.08 to 0.25), common practice."""
    assert 0.08e-6 < wet_volume(Bud(5e-3, 14e-3, 0.5e-3)) < 0.25e-6


def test_conductivity_factor_is_one_when_open_full_and_free_of_gas():
    assert conductivity_factor(1.0, 1.7) == 1.0
    assert conductivity_factor(0.86, 1.7) == pytest.approx(0.86**1.7)
    assert conductivity_factor(0.86, 1.7, 0.5, 0.2) == pytest.approx(
        0.25 * 0.86**1.7 * 0.8**1.5, rel=1e-14
    )


def test_all_faults_of_a_bud_are_reported_together():
    with pytest.raises(InputError) as caught:
        Bud(-5e-3, 14e-3, math.nan, porosity=1.2, skirt_width=-1.0)
    assert {fault.key for fault in caught.value.faults} == {
        "diameter",
        "press",
        "porosity",
        "skirt_width",
    }


@pytest.mark.parametrize(
    ("change", "key"),
    [
        ({"length": 4e-3}, "length"),
        ({"press": 3e-3}, "press"),
        ({"wire_gap": 20e-3}, "wire_gap"),
        ({"wire_diameter": 6e-3}, "wire_diameter"),
        ({"press": 2.3e-3}, "wire_gap"),
        ({"tilt": 2.0}, "tilt"),
    ],
)
def test_a_bud_that_cannot_be_is_refused_by_name(change, key):
    with pytest.raises(InputError) as caught:
        Bud(**{"diameter": 5e-3, "length": 14e-3, "press": 0.5e-3, **change})
    assert key in {fault.key for fault in caught.value.faults}


def test_a_pad_of_no_height_is_refused():
    with pytest.raises(InputError, match="height"):
        Pad(8e-3, 15e-3, 0.0)


def test_filling_a_window_takes_milliseconds():
    """100 x 100 x 40 cells; generous, for a shared machine."""
    x, z = np.linspace(-8e-3, 8e-3, 101), np.linspace(0, 5e-3, 41)
    body_fraction(BUDS[2], x, x, z)
    wire_fraction(BUDS[2], x, x, z)
    spent = []
    for _ in range(5):
        began = time.perf_counter()
        body_fraction(BUDS[2], x, x, z)
        wire_fraction(BUDS[2], x, x, z)
        spent.append(time.perf_counter() - began)
    assert min(spent) < 0.1
