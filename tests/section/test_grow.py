"""Etched sections: their ends, their numbers, and what they must not depend on."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from simulate.errors import InputError
from simulate.field.polarisation import ButlerVolmer, Linear, Tafel
from simulate.field.supply import Supply
from simulate.section.cavity_numbers import mean_depth, numbers_of
from simulate.section.grow import flush_floor, grow
from simulate.section.grow_section import grow_section
from simulate.section.opening import Opening, dig_opening
from simulate.section.wall_curve import Wall

LINE = Opening(  # steel under parcel tape, 1 V over swab and interface
    width=1e-3,
    mask=0.13e-3,
    gap=1.5e-3,
    conductivity=9.0,
    supply=Supply(1.0),
    depth_per_charge=3.5e-11,
    law=Linear(0.3e-4),
)


def line(**changes) -> Opening:
    return dataclasses.replace(LINE, **changes)


@pytest.fixture(scope="module")
def etched():
    return grow_section(LINE, depth=1e-4)


def test_the_wanted_depth_is_met_and_the_charge_is_what_was_dug(etched):
    assert etched.end == "depth"
    assert mean_depth(etched.dig, etched.states[-1]) == pytest.approx(1e-4, rel=1e-6)
    dug = 2.0 * etched.states[-1].walls[0].volume  # one half is computed
    assert etched.charge[-1] * LINE.depth_per_charge == pytest.approx(dug, rel=1e-12)
    assert etched.shift < 1e-3 * 1e-4


def test_numbers_of_a_line(etched):
    (numbers,) = numbers_of(etched.dig, etched.states[-1])
    assert numbers.mean_depth == pytest.approx(1e-4, rel=1e-4)
    assert numbers.undercut[0] is None
    assert numbers.etch_factor == pytest.approx(numbers.depth / numbers.undercut[1])
    assert 1.1 < numbers.etch_factor < 1.3
    assert numbers.tape_width == pytest.approx(1e-3)
    assert numbers.metal_width == pytest.approx(1e-3 + 2.0 * numbers.undercut[1], rel=1e-2)
    assert math.radians(50) < numbers.wall_angle[1] < math.radians(90)
    assert numbers.bridge is None


def test_the_undercut_hardly_depends_on_the_cells_and_not_on_the_form(etched):
    (fine,) = numbers_of(*_last(grow_section(LINE, depth=1e-4, cell=0.5 * 0.5e-3 / 44)))
    (own,) = numbers_of(*_last(etched))
    (other,) = numbers_of(*_last(grow_section(LINE, depth=1e-4, form="symmetric")))
    assert own.undercut[1] == pytest.approx(fine.undercut[1], rel=1e-2)
    assert other.undercut[1] == pytest.approx(own.undercut[1], rel=2e-3)
    assert own.depth == pytest.approx(fine.depth, rel=1e-3)


def _last(growth):
    return growth.dig, growth.states[-1]


def test_a_wall_that_kinetics_alone_govern_recedes_evenly():
    """Wagner number 70: undercut = depth, and the cavity's corners are quarters of circles."""
    growth = grow_section(line(law=Linear(70 * 0.5e-3 / 9.0)), depth=1e-4)
    (numbers,) = numbers_of(*_last(growth))
    assert numbers.etch_factor == pytest.approx(1.0, abs=1e-2)
    assert numbers.floor == "flat"
    quarter = 1e-4 * 0.5e-3 + 0.25 * math.pi * 1e-8
    assert growth.states[-1].walls[0].volume == pytest.approx(quarter, rel=1e-2)


def test_a_film_limit_makes_the_undercut_as_wide_as_the_floor_is_deep():
    law = Tafel(1e-2, 0.05, film_resistance=3e-5, limit=5e3)
    cathode = ButlerVolmer(1.0, 0.05, 0.05)
    limited = line(law=law, cathode_law=cathode, supply=Supply(9.0, 5e-3))
    (numbers,) = numbers_of(*_last(grow_section(limited, depth=1e-4)))
    assert numbers.etch_factor == pytest.approx(1.0, abs=1e-2)


def test_etch_factor_rises_as_the_wagner_number_falls_and_as_the_mask_thickens():
    factors = [
        numbers_of(*_last(grow_section(line(law=Linear(r)), depth=1e-4)))[0].etch_factor
        for r in (3e-4, 0.3e-4, 0.03e-4)
    ]
    assert factors == sorted(factors)
    thick = [
        numbers_of(*_last(grow_section(line(mask=m, law=None), depth=1e-4)))[0].etch_factor
        for m in (0.02e-3, 0.13e-3, 0.5e-3)
    ]
    assert thick == sorted(thick)


# --- ends -------------------------------------------------------------------------------------


def test_a_bridge_goes_when_two_cavities_meet():
    growth = grow_section(line(bridge=0.2e-3), depth=2e-4)
    assert growth.end == "bridge"
    assert "meet under the mask" in growth.remark
    (numbers,) = numbers_of(*_last(growth))
    cell = 2e-4 / 8
    assert 0.0 < numbers.bridge <= 2.01 * cell
    assert numbers.undercut[1] == pytest.approx(0.1e-3 - 0.5 * numbers.bridge, rel=1e-6)


def test_a_bridge_that_is_wide_enough_stays():
    growth = grow_section(line(bridge=0.4e-3), depth=1e-4)
    assert growth.end == "depth"
    (numbers,) = numbers_of(*_last(growth))
    assert numbers.bridge == pytest.approx(0.4e-3 - 2.0 * numbers.undercut[1], rel=1e-6)


def test_a_thin_plate_is_etched_through_and_an_island_may_stay():
    """Rims first under a thin mask without polarisation."""
    thin = line(width=2e-3, mask=0.01e-3, law=None, plate=0.1e-3)
    growth = grow_section(thin, depth=2e-4)
    assert growth.end == "through"
    assert "island" in growth.remark
    (numbers,) = numbers_of(*_last(growth))
    assert numbers.depth == pytest.approx(1e-4, rel=1e-6)
    assert numbers.floor == "rimmed"
    even = grow_section(line(plate=0.1e-3, law=Linear(3e-3)), depth=2e-4)
    assert (even.end, even.remark) == ("through", "")


def test_charge_and_time_run_out():
    by_charge = grow_section(LINE, charge=2e3)
    assert by_charge.end == "charge"
    assert by_charge.charge[-1] == pytest.approx(2e3, rel=1e-6)
    by_time = grow_section(LINE, time=100.0)
    assert by_time.end == "time"
    assert by_time.time[-1] == pytest.approx(100.0, rel=1e-6)


@pytest.mark.parametrize(
    ("given", "said"),
    [({}, "no end is given"), ({"depth": -1.0}, "depth = -1"), ({"time": math.nan}, "time")],
)
def test_ends_that_cannot_be_are_refused(given, said):
    with pytest.raises(InputError, match=said):
        grow(dig_opening(LINE, 1e-4), **given)


def test_openings_that_cannot_be_are_refused_with_every_fault():
    with pytest.raises(InputError) as refused:
        line(width=-1.0, gap=0.0, wall_angle=math.radians(5))
    assert len(refused.value.faults) == 3


# --- rates ------------------------------------------------------------------------------------


def test_between_walls_that_stand_the_rate_falls_as_the_recess_grows():
    """1 mm line, 0.3 ohm cm2: from 0.13 to 0.30 mm of recess 0.837 to 0.723 A/cm2 a volt, -14 %
    (an earlier run of an independent solver for straight walls)."""
    growth = grow_section(line(side_walls="stand"), depth=0.17e-3)
    first = growth.middle[0].current / growth.dig.width
    last = growth.last.current / growth.dig.width
    assert first == pytest.approx(0.837e4, rel=1e-2)
    assert last == pytest.approx(0.723e4, rel=1e-2)
    assert last / first == pytest.approx(0.723 / 0.837, rel=3e-3)
    (numbers,) = numbers_of(*_last(growth))
    assert numbers.undercut == (None, None)
    assert numbers.etch_factor is None


def test_where_walls_dissolve_current_stays_up_and_depth_slows_more():
    """What straight walls leave out: the charge that goes into the undercut."""
    runs = [
        grow_section(line(side_walls=walls), depth=0.17e-3).against_depth()
        for walls in ("dissolve", "stand")
    ]
    current, speed = ([run[key][-2] / run[key][0] for run in runs] for key in ("current", "speed"))
    assert 1.0 > current[0] > current[1]
    assert speed[0] < speed[1] < 1.0


def test_the_recess_in_series_stands_for_walls_that_stand():
    """Depth feedback of the plan run: depth over conductivity in series with the flat floor."""
    from simulate.section.moving_wall import Field

    growth = grow_section(line(side_walls="stand"), depth=0.1e-3)
    deep = growth.last.current
    flat = dig_opening(line(side_walls="stand", law=Linear(0.3e-4 + 0.1e-3 / 9.0)), 0.1e-3)
    counted = Field(flat.cavity).at(flush_floor(flat)).current
    assert counted == pytest.approx(deep, rel=1e-2)


# --- round holes ------------------------------------------------------------------------------


def test_a_round_hole_is_dug_out_round():
    growth = grow_section(line(shape="disc", supply=Supply(1.0)), depth=1e-4)
    wall = growth.states[-1].walls[0]
    assert isinstance(wall, Wall)
    assert wall.round
    assert growth.charge[-1] * LINE.depth_per_charge == pytest.approx(wall.volume, rel=1e-12)
    (numbers,) = numbers_of(*_last(growth))
    assert numbers.tape_width == pytest.approx(1e-3)
    assert mean_depth(*_last(growth)) == pytest.approx(1e-4, rel=1e-6)


def test_a_wide_round_hole_has_the_rim_of_a_slot():
    """Where curvature no longer counts: undercut at the same depth of floor beside the rim."""
    wide = line(width=8e-3, law=Linear(3e-4), gap=0.5e-3)
    (slot,) = numbers_of(*_last(grow_section(wide, depth=5e-5)))
    hole = grow_section(dataclasses.replace(wide, shape="disc"), depth=5e-5)
    (round_hole,) = numbers_of(*_last(hole))
    assert round_hole.undercut[1] == pytest.approx(slot.undercut[1], rel=2e-2)


def test_columns_against_depth_are_complete(etched):
    columns = etched.against_depth()
    count = len(etched.states) - 1
    assert {len(column) for column in columns.values()} == {count}
    assert (np.diff(columns["mean_depth"]) > 0.0).all()
    assert (np.diff(columns["undercut_right"]) > 0.0).all()
    assert np.isnan(columns["undercut_left"]).all()
    assert columns["speed"] @ np.diff(etched.time) == pytest.approx(1e-4, rel=1e-3)
