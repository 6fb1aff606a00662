"""The section through a line of a case, dug."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from sample_result import CASE_TEXT, sample_case

from simulate.case.case import parse_case
from simulate.errors import InputError
from simulate.section.case_dig import dig_case
from simulate.section.cavity_numbers import mean_depth, numbers_of
from simulate.section.grow import flush_floor
from simulate.section.grow_section import grow_section
from simulate.section.line import find_line
from simulate.section.moving_wall import Field
from simulate.section.solve import solve_section

PLACE = (11e-3, 12.5e-3)  # over the disc in the middle of the ring
DEPTH = 2e-5


@pytest.fixture(scope="module")
def etched():
    return grow_section(sample_case(), depth=DEPTH, place=PLACE)


def test_the_first_field_is_that_of_the_section_that_is_drawn():
    """Other cells, and the plate half a cell lower there: within two percent."""
    line = find_line(sample_case(), PLACE)
    dig = dig_case(line, DEPTH)
    found = Field(dig.cavity).at(flush_floor(dig))
    drawn = solve_section(sample_case(), PLACE)
    assert found.current == pytest.approx(drawn.field.currents["plate"], rel=2e-2)
    assert found.field.voltage == pytest.approx(drawn.field.voltage, rel=2e-2)


def test_it_is_dug_to_the_depth_and_charge_is_accounted_for(etched):
    metal = sample_case().metal
    assert etched.end == "depth"
    assert mean_depth(etched.dig, etched.states[-1]) == pytest.approx(DEPTH, rel=1e-6)
    dug = sum(wall.volume for wall in etched.states[-1].walls)
    removed = etched.charge[-1] * metal.efficiency.value * metal.depth_per_charge
    assert dug == pytest.approx(removed, rel=1e-9)


def test_every_wet_opening_is_a_cavity_with_its_own_numbers(etched):
    numbers = numbers_of(etched.dig, etched.states[-1])
    line = find_line(sample_case(), PLACE)
    assert len(numbers) == len(line.dissolving_spans)
    for cavity, (start, stop), lips in zip(
        numbers, line.dissolving_spans, etched.dig.lips, strict=True
    ):
        assert cavity.tape_width == pytest.approx(stop - start)
        assert [value is not None for value in cavity.undercut] == list(lips)
        assert all(0.2 < u / cavity.depth < 1.3 for u in cavity.undercut if u is not None)


def test_where_liquid_ends_over_open_metal_the_side_stands():
    """The swab half over the rim of a wide opening."""
    case = sample_case()
    spans = find_line(case, PLACE).open_spans
    at = (PLACE[0] + spans[-1][1], PLACE[1])
    line = find_line(case, at)
    dig = dig_case(line, DEPTH)
    assert not all(all(lips) for lips in dig.lips) or len(dig.lips) == 1
    growth = grow_section(case, depth=DEPTH, place=at)
    for wall, (start, stop), (left, right) in zip(
        growth.states[-1].walls, dig.openings, dig.lips, strict=True
    ):
        x = wall.at(wall.samples)[:, 0]
        assert left or x.min() == pytest.approx(start, abs=1e-9)
        assert right or x.max() == pytest.approx(stop, abs=1e-9)


def test_a_mirrored_line_is_the_mirror_image():
    """Along the line backwards; cells are laid from the other end and round differently."""
    one, other = (
        grow_section(sample_case(), depth=DEPTH, place=PLACE, angle=angle) for angle in (0.0, np.pi)
    )
    assert one.time[-1] == pytest.approx(other.time[-1], rel=2e-3)
    here = numbers_of(one.dig, one.states[-1])
    there = numbers_of(other.dig, other.states[-1])[::-1]
    for a, b in zip(here, there, strict=True):
        assert a.depth == pytest.approx(b.depth, rel=2e-3)
        for mine, theirs in zip(a.undercut, b.undercut[::-1], strict=True):
            assert mine is theirs is None or mine == pytest.approx(theirs, rel=1e-2)


def test_the_aim_of_the_case_is_taken_where_no_end_is_given():
    aimed = parse_case(CASE_TEXT + '\n[aim]\ndepth = "8 um"\n', "aimed.toml")
    growth = grow_section(aimed, place=PLACE)
    assert mean_depth(growth.dig, growth.states[-1]) == pytest.approx(8e-6, rel=1e-6)
    plain = dataclasses.replace(aimed, aim=dataclasses.replace(aimed.aim, depth=None))
    with pytest.raises(InputError, match="no end is given"):
        grow_section(plain, place=PLACE)


def test_a_time_and_a_charge_end_it_too():
    by_time = grow_section(sample_case(), time=5.0, place=PLACE)
    assert (by_time.end, by_time.time[-1]) == ("time", pytest.approx(5.0, rel=1e-6))
    by_charge = grow_section(sample_case(), charge=by_time.charge[-1], place=PLACE)
    assert by_charge.end == "charge"
    assert by_charge.time[-1] == pytest.approx(5.0, rel=2e-2)
