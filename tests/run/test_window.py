"""The window around the swab: its cells, what fills them, and how smoothly all of it moves."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

import simulate as sf
from simulate.field.newton import solve_network
from simulate.field.polarisation import law_row
from simulate.run.window import (
    GROWTH,
    MASK_LAYERS,
    PHASES,
    Conductivities,
    Window,
    build_window,
    cathode_area,
    heights,
)
from simulate.swab.cell_fractions import body_volume, extent
from simulate.swab.contact_patch import contact_area
from simulate.swab.geometry import Bud, Pad

CELL = 2e-4  # m, what a case has when it does not say
MASK = 1.5e-4
LYING = Bud(4e-3, 7e-3, 0.6e-3, wire_diameter=1e-3, wire_gap=1.5e-3)
TILTED = Bud(
    4e-3,
    7e-3,
    0.6e-3,
    tilt=0.3,
    heading=0.5,
    wire_gap=2e-3,
    skirt_width=0.4e-3,
    skirt_thickness=0.1e-3,
)
UPRIGHT = Bud(4e-3, 7e-3, 0.6e-3, tilt=math.pi / 2, wire_diameter=1e-3, wire_gap=2e-3)
PAD = Pad(4e-3, 6e-3, 3e-3, heading=0.3, skirt_width=0.5e-3, skirt_thickness=0.1e-3)
SWABS = {"lying": LYING, "tilted": TILTED, "upright": UPRIGHT, "pad": PAD}

KAPPA = Conductivities(free=8.0, wick=5.0)
IDEAL = np.array([law_row(None), law_row(None)])

every_swab = pytest.mark.parametrize("swab", SWABS.values(), ids=SWABS)


def volumes(wet):
    return np.einsum("k,j,i->kji", *(np.diff(e) for e in (wet.grid.z, wet.grid.y, wet.grid.x)))


def open_plate(window, place):
    return np.ones(window.shape[1:])


def current_at(window, x, y, open_fraction=open_plate):
    """Current and the plate's own currents at one place of the swab, electrodes ideal."""
    place = window.place(x, y)
    wet = window.wet(place.phase)
    network, _ = build_window(window, wet, open_fraction(window, place), KAPPA)
    solution = solve_network(network, IDEAL, sf.Supply(5.0, 1.0), tolerance=1e-8)
    plate = network.faces.electrode == 0
    return float(solution.current[plate].sum()), solution.current[plate]


# ------------------------------------------------------------------------------------------ cells


@every_swab
@pytest.mark.parametrize("phase", [(0, 0), (3, 7)])
def test_a_window_has_the_shape_it_says(swab, phase):
    window = Window(swab, MASK, CELL)
    wet = window.wet(phase)
    assert wet.grid.shape == window.shape
    assert all(a.shape == window.shape for a in (wet.body, wet.skirt, wet.wire, wet.label))
    assert wet.plan.shape == window.shape[1:]
    assert np.diff(wet.grid.x) == pytest.approx(CELL)
    assert np.diff(wet.grid.y) == pytest.approx(CELL)


@every_swab
@pytest.mark.parametrize("phase", [(0, 0), (7, 7), (1, 6)])
def test_the_whole_swab_lies_within_its_window_in_every_phase(swab, phase):
    window = Window(swab, MASK, CELL)
    grid = window.wet(phase).grid
    x_min, x_max, y_min, y_max, top = extent(swab)
    assert grid.x[0] <= x_min
    assert grid.x[-1] >= x_max
    assert grid.y[0] <= y_min
    assert grid.y[-1] >= y_max
    assert grid.z[-1] >= top * (1 - 1e-12)


def test_a_margin_is_laid_round_the_swab_on_every_side():
    near, far = (Window(LYING, MASK, CELL, margin=m).wet((2, 5)).grid for m in (0.0, 1e-3))
    assert far.x[0] == pytest.approx(near.x[0] - 1e-3)
    assert far.x[-1] == pytest.approx(near.x[-1] + 1e-3)
    assert far.y[0] == pytest.approx(near.y[0] - 1e-3)
    assert far.y[-1] == pytest.approx(near.y[-1] + 1e-3)
    assert (far.z == near.z).all()


@pytest.mark.parametrize("cell", [1e-4, 2e-4, 5e-4])
@pytest.mark.parametrize("thickness", [2e-5, 1e-4, 1.1e-3])
def test_heights_fit_the_mask_and_the_swab_and_grow_gently(thickness, cell):
    edges = heights(thickness, 4e-3, cell, capped=False)
    mask = edges[(edges > -thickness - 1e-12) & (edges < 1e-12)]
    assert mask.size - 1 >= MASK_LAYERS
    assert edges[1] == pytest.approx(-thickness)  # below it lies the plate's one layer
    assert mask[-1] == pytest.approx(0.0, abs=1e-15)
    assert edges[-1] == pytest.approx(4e-3)
    sizes = np.diff(edges)
    assert (sizes > 0).all()
    above = sizes[mask.size :]
    assert (above[1:] <= GROWTH * above[:-1] * (1 + 1e-12)).all()
    assert above.max() <= 2 * cell
    inside = sizes[1 : mask.size]
    assert inside == pytest.approx(thickness / inside.size)
    assert inside.max() <= 0.5 * cell * (1 + 1e-9)


def test_a_cap_adds_one_layer_of_the_same_height_for_the_pads_back():
    open_top, capped = (heights(1e-4, 3e-3, 2e-4, capped=c) for c in (False, True))
    assert (capped[:-1] == open_top).all()
    assert capped[-1] - capped[-2] == pytest.approx(open_top[-1] - open_top[-2])


# ----------------------------------------------------------------------------------------- places


def test_a_place_is_the_nearest_eighth_of_a_cell():
    window = Window(LYING, MASK, CELL)
    rng = np.random.default_rng(17)
    for x, y in rng.uniform(-3e-3, 60e-3, (50, 2)):
        place = window.place(x, y)
        assert all(0 <= phase < PHASES for phase in place.phase)
        back = [
            (place.corner[n] + window.reach[n] + place.phase[n] / PHASES) * CELL for n in range(2)
        ]
        assert abs(back[0] - y) <= CELL / PHASES / 2 * (1 + 1e-9)
        assert abs(back[1] - x) <= CELL / PHASES / 2 * (1 + 1e-9)


def test_the_windows_edges_are_edges_of_the_plates_cells():
    window = Window(TILTED, MASK, CELL)
    place = window.place(7.33e-3, 4.21e-3)
    grid = window.wet(place.phase).grid
    centre = [
        (place.corner[n] + window.reach[n] + place.phase[n] / PHASES) * CELL for n in range(2)
    ]
    assert (grid.y[0] + centre[0]) / CELL == pytest.approx(place.corner[0], abs=1e-9)
    assert (grid.x[0] + centre[1]) / CELL == pytest.approx(place.corner[1], abs=1e-9)


def test_places_one_cell_apart_differ_by_their_corner_alone():
    window = Window(LYING, MASK, CELL)
    one, two = window.place(5e-3, 5e-3), window.place(5e-3 + CELL, 5e-3)
    assert one.phase == two.phase
    assert two.corner == (one.corner[0], one.corner[1] + 1)


# --------------------------------------------------------------------------------- what fills cells


@every_swab
@pytest.mark.parametrize("phase", [(0, 0), (3, 5)])
def test_body_skirt_and_air_share_each_cell(swab, phase):
    wet = Window(swab, MASK, CELL).wet(phase)
    assert (wet.body >= 0).all()
    assert (wet.skirt >= 0).all()
    assert (wet.body <= 1 + 1e-12).all()
    assert (wet.body + wet.skirt <= 1 + 1e-12).all()
    assert (wet.plan >= 0).all()
    assert (wet.plan <= 1 + 1e-12).all()


@every_swab
def test_nothing_of_the_swab_reaches_into_the_mask_or_the_plate(swab):
    window = Window(swab, MASK, CELL)
    wet = window.wet((4, 4))
    below = slice(0, 1 + window.mask_layers)
    for share in (wet.body, wet.skirt, wet.wire, wet.label):
        assert not share[below].any()
    assert wet.body[1 + window.mask_layers].any()


@every_swab
@pytest.mark.parametrize("phase", [(0, 0), (3, 5), (7, 1)])
def test_the_cells_hold_the_swabs_volume(swab, phase):
    wet = Window(swab, MASK, CELL).wet(phase)
    assert (wet.body * volumes(wet)).sum() == pytest.approx(body_volume(swab), rel=5e-3)


@every_swab
def test_the_plan_holds_the_contact_patch_and_the_skirt_to_round_off(swab):
    areas = [
        Window(replace(swab, skirt_thickness=0.0), MASK, CELL).wet(phase).plan.sum() * CELL**2
        for phase in ((0, 0), (3, 5))
    ]
    assert areas == pytest.approx([contact_area(swab)] * 2, rel=1e-9)
    if swab.skirt_thickness:
        outer = Window(swab, MASK, CELL).wet((3, 5)).plan.sum() * CELL**2
        assert outer > areas[0] + 2 * math.pi * swab.skirt_width**2


def test_the_skirts_volume_is_its_ring_times_its_thickness():
    """Where nothing overhangs it, as beside a pad."""
    wet = Window(PAD, MASK, CELL).wet((3, 5))
    ring = wet.plan.sum() * CELL**2 - contact_area(PAD)
    volume = (wet.skirt * volumes(wet)).sum()
    assert volume == pytest.approx(ring * PAD.skirt_thickness, rel=2e-2)


@every_swab
def test_the_cathode_is_the_metal_that_fills_most_of_a_cell(swab):
    wet = Window(swab, MASK, CELL).wet((2, 2))
    assert ((wet.label == 2) == (wet.wire > 0.5)).all()
    assert set(np.unique(wet.label)) == {0, 2}


def test_the_pads_cathode_lies_on_its_back_over_the_whole_outline():
    wet = Window(PAD, MASK, CELL).wet((0, 0))
    assert not (wet.label[:-1] == 2).any()
    count = (wet.label[-1] == 2).sum() * CELL**2
    assert count == pytest.approx(contact_area(PAD), rel=0.02)
    assert cathode_area(PAD) == PAD.width * PAD.length


def test_a_wires_surface_is_its_side_and_one_end():
    length = LYING.length - LYING.wire_gap
    r = 0.5 * LYING.wire_diameter
    assert cathode_area(LYING) == pytest.approx(math.pi * r * (2 * length + r))


# ------------------------------------------------------------------------------------- the network


def halves(window, place):
    """The plate is open on one side of its middle, and half open in one column."""
    ny, nx = window.shape[1:]
    share = np.zeros((ny, nx))
    share[:, : nx // 2] = 1.0
    share[:, nx // 2] = 0.5
    return share


@every_swab
def test_the_plates_faces_have_the_wet_open_area(swab):
    window = Window(swab, MASK, CELL)
    wet = window.wet((3, 5))
    share = halves(window, None)
    network, area = build_window(window, wet, share, KAPPA)
    plate = network.faces.electrode == 0
    j, i = network.faces.where[plate, 1], network.faces.where[plate, 2]
    assert area == pytest.approx(share * wet.plan * CELL**2)
    assert network.faces.area[plate] == pytest.approx(area[j, i], rel=1e-12)
    assert network.faces.area[plate].sum() == pytest.approx(area.sum(), rel=1e-12)
    assert (network.faces.where[plate, 3] == 0).all()  # only from above


@every_swab
def test_the_cathodes_faces_have_its_true_surface(swab):
    window = Window(swab, MASK, CELL)
    network, _ = build_window(window, window.wet((3, 5)), halves(window, None), KAPPA)
    wire = network.faces.electrode == 1
    assert network.faces.area[wire].sum() == pytest.approx(cathode_area(swab), rel=1e-12)


def test_an_openings_liquid_conducts_by_its_wet_open_share():
    """Conductance of a mask's column = kappa * share * area / thickness, half cells included."""
    window = Window(PAD, MASK, CELL)
    wet = window.wet((0, 0))
    ny, nx = window.shape[1:]
    for share in (1.0, 0.25):
        network, _ = build_window(window, wet, np.full((ny, nx), share), KAPPA)
        faces = network.faces
        under = (faces.electrode == 0) & (wet.plan[faces.where[:, 1], faces.where[:, 2]] > 1 - 1e-9)
        layer = MASK / window.mask_layers
        expected = KAPPA.free * share * CELL**2 / (0.5 * layer)
        assert faces.conductance[under] == pytest.approx(expected, rel=1e-9)


def test_openings_outside_the_swab_are_dry_unless_flooded():
    dry, flooded = (Window(UPRIGHT, MASK, CELL, margin=1e-3, flooded=f) for f in (False, True))
    area = {}
    for name, window in (("dry", dry), ("flooded", flooded)):
        wet = window.wet((0, 0))
        _, area[name] = build_window(window, wet, np.ones(window.shape[1:]), KAPPA)
    assert area["dry"].sum() == pytest.approx(contact_area(UPRIGHT), rel=1e-9)
    assert area["flooded"].sum() == pytest.approx(np.prod(dry.shape[1:]) * CELL**2)


def test_over_a_whole_mask_there_is_no_anode():
    window = Window(LYING, MASK, CELL)
    network, area = build_window(window, window.wet((0, 0)), np.zeros(window.shape[1:]), KAPPA)
    assert not (network.faces.electrode == 0).any()
    assert not area.any()


# ---------------------------------------------------------------------------------- how it moves


@pytest.mark.parametrize(
    ("swab", "most", "step"),
    [
        pytest.param(LYING, 6e-3, 4e-3, id="lying"),
        pytest.param(TILTED, 6e-3, 4e-3, id="tilted"),
        pytest.param(UPRIGHT, 6e-3, 4e-3, id="upright"),
        pytest.param(PAD, 5e-4, 3e-4, id="pad"),
    ],
)
def test_the_current_hardly_changes_as_the_swab_moves_by_eighths_of_a_cell(swab, most, step):
    """Over bare metal nothing changes in truth; the wire, 4 to 5 cells thick, is what is seen."""
    window = Window(swab, MASK, CELL)
    currents = np.array([current_at(window, n * CELL / PHASES, 0.0)[0] for n in range(PHASES + 1)])
    assert np.ptp(currents) <= most * currents.mean()
    assert np.abs(np.diff(currents)).max() <= step * currents.mean()
    assert currents[0] == currents[-1]  # one whole cell on


def test_the_current_rises_evenly_as_the_swab_moves_over_a_straight_edge():
    """Open metal from x = 0 on: each eighth of a cell adds its strip, none more than twice it."""
    window = Window(PAD, MASK, CELL)

    def right_of_edge(window, place):
        cells = place.corner[1] + np.arange(window.shape[2])
        return np.broadcast_to((cells >= 0).astype(float), window.shape[1:])

    places = np.arange(-10, 11) * CELL / PHASES
    currents = np.array([current_at(window, x, 0.0, right_of_edge)[0] for x in places])
    steps = np.diff(currents)
    assert (steps > 0).all()
    assert steps.max() <= 2.0 * steps.mean()
    assert steps.min() >= 0.5 * steps.mean()


def test_the_same_place_gives_the_same_bits():
    """Whatever was looked at before, and in however fresh a window."""
    window = Window(TILTED, MASK, CELL)
    first = current_at(window, 3.3e-3, 1.7e-3, halves)
    current_at(window, 3.4e-3, 1.7e-3, halves)
    again = current_at(window, 3.3e-3 + 1e-6, 1.7e-3 - 1e-6, halves)
    fresh = current_at(Window(TILTED, MASK, CELL), 3.3e-3, 1.7e-3, halves)
    for other in (again, fresh):
        assert other[0] == first[0]
        assert (other[1] == first[1]).all()


def test_a_mirrored_place_gives_the_mirrored_current():
    """An upright bud over the left or the right half of the plate."""
    window = Window(UPRIGHT, MASK, CELL)
    half = window.reach[1]

    def left(window, place):
        share = np.zeros(window.shape[1:])
        share[:, :half] = 1.0
        return share

    def right(window, place):
        share = np.zeros(window.shape[1:])
        share[:, half:] = 1.0
        return share

    one, two = (current_at(window, 0.0, 0.0, side)[0] for side in (left, right))
    assert one == pytest.approx(two, rel=1e-6)
