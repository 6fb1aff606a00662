"""Strokes cut into stops: dwell, order, repetition."""

import math

import numpy as np
import pytest

from simulate.errors import InputError
from simulate.swab.contact_patch import contact_area, contact_outline
from simulate.swab.contact_time import contact_time, dwell_map
from simulate.swab.geometry import Bud, Pad
from simulate.swab.stops import distinct_places, duration, make_stops
from simulate.swab.stroke import Dabs, Hatch, Hold, Path, path_length

HATCH = Hatch(12e-3, 9e-3, 20e-3, 6e-3, 1.1e-3, 15e-3, passes=3, turn_time=0.3, angle=0.4)
ONE_WAY = Hatch(12e-3, 9e-3, 20e-3, 6e-3, 1.1e-3, 15e-3, passes=2, turn_time=0.3, alternate=False)
PATH = Path(((0.0, 0.0), (1e-2, 0.0), (1e-2, 7e-3)), 0.013, 2)


@pytest.mark.parametrize("stroke", [HATCH, ONE_WAY, PATH])
def test_moving_dwell_is_length_over_speed(stroke):
    stops = make_stops(stroke, 0.7e-3)
    assert stops.dwell[stops.moving].sum() == pytest.approx(
        path_length(stroke) / stroke.speed, rel=1e-13
    )


@pytest.mark.parametrize(
    "stroke", [HATCH, ONE_WAY, PATH, Hold(0, 0, 7.0), Dabs(((0, 0), (1e-3, 0)), 2.0, 0.5)]
)
def test_the_last_stop_ends_with_the_stroke(stroke):
    stops = make_stops(stroke, 0.7e-3, longest_dwell=0.8)
    assert stops.start[0] == 0
    assert stops.start[-1] + stops.dwell[-1] == pytest.approx(duration(stroke), rel=1e-12)
    assert np.all(stops.start[1:] >= (stops.start + stops.dwell)[:-1] - 1e-9)


def test_hatch_lines_stand_the_spacing_apart_and_fill_the_height():
    assert HATCH.lines == 6
    assert Hatch(0, 0, 1e-2, 3e-3, 1e-3, 0.01).lines == 4
    assert Hatch(0, 0, 1e-2, 0.0, 1e-3, 0.01).lines == 1
    stops = make_stops(HATCH, 0.7e-3)
    across = (stops.y - HATCH.y) * math.cos(0.4) - (stops.x - HATCH.x) * math.sin(0.4)
    lines = np.unique(across[stops.moving].round(9))
    np.testing.assert_allclose(lines, (np.arange(6) - 2.5) * 1.1e-3, atol=1e-9)


def test_stops_lie_in_the_middle_of_equal_pieces_no_longer_than_asked():
    stops = make_stops(Path(((0.0, 0.0), (10e-3, 0.0)), 0.02), 3e-3)
    np.testing.assert_allclose(stops.x, [1.25e-3, 3.75e-3, 6.25e-3, 8.75e-3], rtol=1e-14)
    np.testing.assert_allclose(stops.dwell, 0.125, rtol=1e-14)
    assert len(make_stops(Path(((0.0, 0.0), (9e-3, 0.0)), 0.02), 3e-3)) == 3


def test_alternate_hatch_never_jumps_and_rests_at_each_turn():
    stops = make_stops(HATCH, 0.7e-3)
    steps = np.hypot(np.diff(stops.x), np.diff(stops.y))
    assert steps.max() <= HATCH.spacing * (1 + 1e-12)
    resting = stops.dwell[~stops.moving]
    assert resting.sum() == pytest.approx((6 * 3 - 1) * 0.3, rel=1e-13)


def test_one_way_hatch_draws_every_line_in_the_same_direction():
    stops = make_stops(ONE_WAY, 0.7e-3)
    steps = np.diff(stops.x)
    same_line = np.diff(stops.y) == 0
    assert stops.moving.all()
    assert np.all(steps[same_line] > 0)
    assert np.count_nonzero(~same_line) == 6 * 2 - 1


@pytest.mark.parametrize(("stroke", "passes"), [(HATCH, 3), (ONE_WAY, 2), (PATH, 2)])
def test_repeated_passes_repeat_the_coordinates_to_the_last_bit(stroke, passes):
    stops = make_stops(stroke, 0.7e-3)
    places, index = distinct_places(stops)
    once = make_stops(type(stroke)(**{**vars(stroke), "passes": 1}), 0.7e-3)
    ends = 2 if stroke is HATCH else 0  # the rests at the first and last place of the way
    assert len(places) == len(once) + ends
    np.testing.assert_array_equal(places[index], np.column_stack([stops.x, stops.y]))
    assert np.all(np.diff(np.unique(index, return_index=True)[1]) > 0)
    assert set(stops.pass_index) == set(range(passes))


def test_a_long_hold_is_cut_at_the_same_place():
    stops = make_stops(Hold(1e-3, 2e-3, 10.0), 1e-3, longest_dwell=3.0)
    np.testing.assert_allclose(stops.dwell, 2.5)
    assert len(distinct_places(stops)[0]) == 1
    assert not stops.moving.any()


def test_dabs_leave_time_in_the_air():
    stops = make_stops(Dabs(((0, 0), (1e-3, 0), (0, 0)), 2.0, 0.5), 1e-3)
    np.testing.assert_allclose(stops.start, [0.0, 2.5, 5.0])
    assert stops.dwell.sum() == 6.0


@pytest.mark.parametrize(
    "swab", [Bud(5e-3, 14e-3, 0.5e-3, tilt=0.2, heading=1.2), Pad(8e-3, 5e-3, 4e-3, heading=0.3)]
)
def test_contact_time_adds_up_to_dwell_times_patch(swab):
    x, y = np.linspace(-0.02, 0.04, 121), np.linspace(-0.02, 0.04, 97)
    stops = make_stops(HATCH, 0.9e-3)
    contact = contact_time(stops, contact_outline(swab), x, y)
    total = (contact * np.outer(np.diff(y), np.diff(x))).sum()
    assert total == pytest.approx(stops.dwell.sum() * contact_area(swab), rel=1e-9)


def test_contact_time_under_a_held_patch_is_the_hold_and_zero_outside():
    x = y = np.linspace(0, 0.02, 41)
    outline = contact_outline(Pad(4e-3, 4e-3, 3e-3))
    contact = contact_time(make_stops(Hold(0.01, 0.01, 7.0), 1e-3), outline, x, y)
    assert contact[20, 20] == pytest.approx(7.0, rel=1e-12)
    assert contact[2, 2] == 0.0
    assert contact[20, :15].max() == 0.0


def test_a_patch_off_the_plate_touches_no_cell():
    x = y = np.linspace(0, 0.02, 41)
    outline = contact_outline(Pad(4e-3, 4e-3, 3e-3))
    assert contact_time(make_stops(Hold(0.1, 0.1, 7.0), 1e-3), outline, x, y).max() == 0.0


def test_dwell_map_is_linear_in_the_dwell():
    x = y = np.linspace(-1.0, 1.0, 5)
    stops = make_stops(Path(((0.0, 0.0), (0.3, 0.0)), 0.1, 3), 0.1)
    ones = dwell_map(stops, lambda a, b: np.ones((len(b) - 1, len(a) - 1)), x, y)
    np.testing.assert_allclose(ones, 9.0, rtol=1e-13)


@pytest.mark.parametrize(
    ("make", "keys"),
    [
        (lambda: Hold(math.nan, 0, -1), {"x", "time"}),
        (lambda: Dabs((), 0.0, -1.0), {"points", "time", "lift_time"}),
        (lambda: Hatch(0, 0, 0, -1, 1e-3, 0, passes=0), {"width", "height", "speed", "passes"}),
        (lambda: Path(((0.0, 0.0),), 1.0), {"points"}),
        (lambda: Path(((0.0, 0.0), (0.0, 0.0)), 1.0), {"points"}),
        (lambda: make_stops(Hold(0, 0, 1), 0.0), {"stop_spacing"}),
    ],
)
def test_a_stroke_that_cannot_be_reports_all_its_faults(make, keys):
    with pytest.raises(InputError) as caught:
        make()
    assert {fault.key for fault in caught.value.faults} == keys
