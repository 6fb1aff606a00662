"""The course of a run: places, spots where the swab rests, the window and how wide it must be."""

from __future__ import annotations

import numpy as np
import pytest
from small_cases import circle, dabs, hatch, rectangle, small_case

import simulate as sf
from simulate.run import setup as module
from simulate.run.local_solve import StopField, solve_alone
from simulate.run.metal_surface import rest_limits
from simulate.run.response_table import FRESH, Responses
from simulate.run.setup import REST, lay_out, without_films
from simulate.swab.cell_fractions import extent

OPENINGS = [circle(4, 4, 2.4), rectangle(8, 4, 9, 0.8)]
STROKES = [dabs([[4, 4], [6, 4], [4, 4]], 3), hatch(5, 4, 2, 0, spacing=1, speed=2, passes=3)]


def case(emf="2 V", trail=False, rim=1e-3):
    return small_case(
        "A disc, a bar and a swab that comes again",
        plate={"width": "14 mm"},
        supply={"emf": emf, "resistance": "2 ohm"},
        stencil={"thickness": "0.2 mm", "shapes": OPENINGS},
        swab={"trail": trail},
        stroke=STROKES,
        grid={"rim_tolerance": rim},
    )


def made_up(course, density):
    """Fields of all places with the same current density [A/m2]."""
    found = Responses(course.spots, course.setting.supply, course.setting.fold)
    area, one = np.array([1e-6]), np.ones(1)
    for n in range(len(course.places)):
        field = StopField(density * 1e-6, 1.5, 0.1, 2.0, np.zeros(1, np.int64), area, one)
        found.add(n, FRESH, field)
    return found


# ---------------------------------------------------------------------------- places and spots


def test_a_place_that_comes_again_is_the_same_place():
    course = lay_out(case())
    assert len(set(course.places)) == len(course.places)
    assert course.place[0] == course.place[len(course.stops) // 2] or len(course.places) > 2
    window = course.setting.window
    for x, y, place in zip(course.stops.x, course.stops.y, course.place, strict=True):
        assert course.places[place] == window.place(x, y)


def test_rests_are_cut_and_moving_stops_left():
    stops = lay_out(case()).stops
    assert stops.dwell[~stops.moving].max() <= REST
    assert (~stops.moving).sum() == 3 * 3 / REST


def test_spots_are_places_and_behind_them_places_at_rest():
    course = lay_out(case())
    count = len(course.places)
    assert [spot.place for spot in course.spots[:count]] == list(course.places)
    assert all(spot.rest == 0 for spot in course.spots[:count])
    assert all(spot.rest > 0 for spot in course.spots[count:])
    rests = np.array([course.spots[n].rest for n in course.spot])
    assert (rests[course.stops.moving] == 0).all()
    dab = rests[: round(3 / REST)]
    assert (np.diff(dab) >= 0).all()
    assert dab[-1] > 0
    assert [course.spots[n].place for n in course.spot] == [course.places[n] for n in course.place]


def test_rests_count_only_where_a_salt_film_could_come_on():
    course = lay_out(case())
    still = rest_limits(course.case.metal)[-1]
    assert (without_films(course, made_up(course, 0.1 * still)).spot == course.place).all()
    strong = without_films(course, made_up(course, 1e6))
    assert (strong.spot == course.spot).all()


def test_a_place_without_a_field_keeps_its_rests():
    course = lay_out(case())
    few = made_up(course, 1.0)
    del few.nodes[0, FRESH]
    spared = without_films(course, few)
    first = course.place == 0
    assert (spared.spot[first] == course.spot[first]).all()
    assert (spared.spot[~first] == course.place[~first]).all()


def test_a_piece_of_the_stops_is_that_piece():
    course = lay_out(case())
    piece = course.piece(3, 8)
    assert len(piece) == 5
    assert (piece.start == course.stops.start[3:8]).all()


# ---------------------------------------------------------------------------------- the window


def test_a_dry_window_holds_all_that_is_wet_and_nothing_reaches_its_rim():
    course = lay_out(case())
    window, surface = course.setting.window, course.bare()
    x_min, x_max, y_min, y_max, _ = extent(course.case.swab)
    assert window.bounds[:4] == (x_min, x_max, y_min, y_max)
    field = solve_alone(course.setting, surface, course.spots[0], 1.0, course.setting.supply)
    assert field.rim == 0.0


@pytest.mark.parametrize("rim", ["1e-2", "1e-3", "1e-5"])
def test_a_flooded_window_is_widened_until_next_to_no_current_reaches_its_rim(rim):
    course = lay_out(case(trail=True, rim=rim))
    found = sf.etch_case(course.case)
    assert course.setting.window.flooded
    assert found.numerical["window_rim"] < float(rim)


def test_a_smaller_tolerance_makes_a_wider_window():
    wide, narrow = (lay_out(case(trail=True, rim=rim)).setting.window for rim in (1e-6, 1e-1))
    assert wide.margin >= 2 * narrow.margin > 0
    assert wide.shape[2] > narrow.shape[2]


def test_an_opening_full_of_liquid_is_etched_beyond_the_swab():
    dry, wet = (sf.etch_case(case(trail=trail, emf="1.2 V")) for trail in (False, True))
    reach = 6e-3 + 1.5e-3 + 0.4e-3
    beyond = (wet.x > reach)[None, :] & (wet.open_fraction > 0)
    assert not dry.depth[beyond].any()
    assert (wet.depth[beyond] > 0).all()
    assert wet.current.sum() > dry.current.sum()
    near = wet.depth[:, wet.x > reach].max(axis=0)
    assert (np.diff(near[near > 0]) < 0).all()  # less and less with the distance


def test_the_probes_are_few(monkeypatch):
    monkeypatch.setattr(module, "PROBES", 1)
    one = lay_out(case(trail=True, rim=1e-1)).setting.window.margin
    assert one > 0
