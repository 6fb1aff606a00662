"""The cases that come with the package: each is read, run, and gives the numbers it should.

Where a case is too slow for a test it is run on coarser cells, and the test says so. The numbers
are those of this program; what they are checked against is said beside each.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from places import CASES

from simulate.case.case import Case, all_stops, parse_case, read_case, with_changes
from simulate.constants import FARADAY
from simulate.result.result import Result
from simulate.run.etch import etch_case
from simulate.stencil.shapes import openings
from simulate.stencil.weak_spots import stencil_findings
from simulate.swab.contact_patch import contact_area
from simulate.swab.stops import distinct_places


@cache
def case(name: str, cell: str | None = None, stop_spacing: float | None = None) -> Case:
    changes = {"grid.cell": cell, "grid.stop_spacing": stop_spacing}
    changes = {key: value for key, value in changes.items() if value is not None}
    return with_changes(read_case(CASES / f"{name}.toml"), changes)


@cache
def result(name: str, cell: str | None = None, stop_spacing: float | None = None) -> Result:
    return etch_case(case(name, cell, stop_spacing))


def mean_depth_in(run: Result, centre: float, width: float) -> float:
    """Mean depth of an upright slot [m]."""
    inside = np.abs(run.x - centre) < 0.5 * width
    area = run.open_area[:, inside]
    return float((run.depth[:, inside] * area).sum() / area.sum())


def test_every_case_is_tested_here():
    tested = {"garden_tag", "press_and_hold", "brass_pad", "thin_mask", "thick_mask"}
    tested |= {"drawn_stencil"}
    assert {file.stem for file in CASES.glob("*.toml")} == tested


@pytest.mark.parametrize("file", sorted(CASES.glob("*.toml")), ids=lambda file: file.stem)
def test_each_says_that_it_is_invented_and_how_it_is_run(file):
    text = file.read_text(encoding="utf-8")
    assert "invented" in text
    assert f"swabfield etch cases/{file.name}" in text


# The garden tag -----------------------------------------------------------------------------------


def test_the_garden_tag_is_a_piece_of_steel_with_a_sprig_and_two_words():
    tag = case("garden_tag")
    assert (tag.plate.width, tag.plate.height, tag.metal.name) == (0.05, 0.025, "carbon_steel")
    assert openings(tag.stencil).area == pytest.approx(2.87e-4, rel=0.01)
    assert tag.stencil.thickness == pytest.approx(0.15e-3, rel=1e-12)


def test_no_part_of_the_garden_tags_stencil_falls_out_and_all_of_it_can_be_cut():
    tag = case("garden_tag")
    width, height = tag.plate.width, tag.plate.height
    outline = [(0, 0), (width, 0), (width, height), (0, height)]
    findings = stencil_findings(tag.stencil, outline, least_bridge=0.99e-3)
    assert [finding.words for finding in findings] == []


def test_the_garden_tag_is_passed_many_times_over_few_places():
    stops = all_stops(case("garden_tag"))
    places, _ = distinct_places(stops)
    assert len(places) < 150
    assert stops.start[-1] + stops.dwell[-1] == pytest.approx(544, rel=0.01)


def test_the_garden_tag_comes_out_near_its_aimed_depth_with_deeper_rims():
    """On cells of 0.4 mm, twice the case's own, and stops 0.4 contacts apart."""
    summary = result("garden_tag", "0.4 mm", 0.4).summary
    aim = case("garden_tag").aim
    assert summary["mean_depth"]["value"] == pytest.approx(aim.depth, rel=aim.tolerance)
    assert summary["mean_depth"]["value"] == pytest.approx(5.63e-6, rel=0.03)
    assert summary["evenness"]["value"] == pytest.approx(0.564, abs=0.02)
    assert summary["edge_ratio"]["value"] == pytest.approx(1.47, abs=0.05)


def test_a_9_v_block_and_much_salt_give_the_tag_the_current_of_the_trade():
    """Common practice, no published source: a 9 V block and a bud give 0.2 to 1 A on steel."""
    strong = {"supply.name": "alkaline_9v", "electrolyte.salt": "11 g"}
    run = etch_case(with_changes(case("garden_tag", "0.6 mm"), strong))
    open_ = run.current > 0.1 * run.current.max()
    assert 0.2 < np.average(run.current[open_], weights=run.dwell[open_]) < 1.0


# A disc, pressed and held -------------------------------------------------------------------------


def test_a_held_bud_covers_the_disc_it_etches():
    held = case("press_and_hold")
    assert openings(held.stencil).area == pytest.approx(np.pi * 1.2e-3**2, rel=1e-9)
    assert contact_area(held.swab) > 2.0 * openings(held.stencil).area


def test_a_held_disc_is_deepest_at_its_rim_and_the_same_all_round():
    run = result("press_and_hold")
    summary = run.summary
    assert summary["mean_depth"]["value"] == pytest.approx(2.81e-6, rel=0.05)
    assert 1.2 < summary["edge_ratio"]["value"] < 1.5
    shallowest = np.unravel_index(
        np.where(run.open_fraction == 1.0, run.depth, np.inf).argmin(), run.depth.shape
    )
    middle = (run.y[shallowest[0]] - 6e-3, run.x[shallowest[1]] - 6e-3)
    assert np.hypot(*middle) < 0.3e-3
    for turned in (run.depth[::-1], run.depth[:, ::-1], run.depth.T):
        np.testing.assert_allclose(turned, run.depth, rtol=2e-3, atol=1e-10)


def test_a_higher_voltage_films_the_disc_over_and_hides_the_crowding():
    run = etch_case(with_changes(case("press_and_hold"), {"supply.emf": "9 V"}))
    metal = case("press_and_hold").metal
    assert run.peak_density.max() == pytest.approx(metal.limit_stroked.value, rel=1e-3)  # at first
    disc = run.sample_density[-1][run.open_fraction == 1.0]
    assert disc == pytest.approx(metal.limit_still.value, rel=1e-3)  # once it has been held
    assert run.current[-1] < 0.5 * run.current[0]
    assert run.summary["evenness"]["value"] > 0.99


# Brass, a pad, a limited supply -------------------------------------------------------------------


def test_the_supply_of_the_brass_plate_holds_its_limit_while_enough_is_open():
    """On cells of 0.8 mm and stops half a contact apart, both twice the case's own."""
    run = result("brass_pad", "0.8 mm", 0.5)
    assert run.current.max() == pytest.approx(0.04, rel=1e-9)
    share = np.average(run.current > 0.0399, weights=run.dwell)
    assert 0.2 < share < 0.4


def test_the_brass_plates_mass_follows_from_its_charge():
    """Faraday's law, copper leaving as Cu(+1) and zinc as Zn(+2), written out by hand.

    On cells of 0.8 mm and stops half a contact apart, both twice the case's own.
    """
    run = result("brass_pad", "0.8 mm", 0.5)
    equivalent_weight = 1e-3 / (0.70 * 1 / 63.546 + 0.30 * 2 / 65.38)
    efficiency = case("brass_pad").metal.efficiency.value
    mass = efficiency * run.summary["charge"]["value"] * equivalent_weight / FARADAY
    assert run.summary["removed_mass"]["value"] == pytest.approx(mass, rel=1e-3)
    assert run.summary["mean_depth"]["value"] == pytest.approx(
        case("brass_pad").aim.depth, rel=case("brass_pad").aim.tolerance
    )


# Thin against thick mask --------------------------------------------------------------------------

SLOTS = ((5e-3, 0.6e-3), (9e-3, 1.2e-3), (13.5e-3, 1.8e-3), (18.5e-3, 2.4e-3))


def test_the_two_masks_differ_in_nothing_but_layers():
    thin, thick = case("thin_mask"), case("thick_mask")
    changed = with_changes(thin, {"stencil.layers": 6, "title": thick.title})
    as_written = parse_case(thick.text, "thick_mask.toml")
    for field in ("plate", "electrolyte", "supply", "stencil", "swab", "strokes", "grid", "title"):
        assert getattr(changed, field) == getattr(as_written, field)
    assert thin.stencil.thickness == pytest.approx(0.085e-3, rel=1e-12)
    assert thick.stencil.thickness == pytest.approx(0.51e-3, rel=1e-12)


def test_a_thick_mask_is_shallower_and_more_even():
    """On cells of 0.2 mm, twice the cases' own."""
    thin, thick = result("thin_mask", "0.2 mm").summary, result("thick_mask", "0.2 mm").summary
    assert thin["mean_depth"]["value"] == pytest.approx(3.93e-6, rel=0.05)
    assert thick["mean_depth"]["value"] == pytest.approx(3.07e-6, rel=0.05)
    assert thick["evenness"]["value"] > thin["evenness"]["value"] + 0.06
    assert thick["edge_ratio"]["value"] < thin["edge_ratio"]["value"] - 0.15


def test_narrow_slots_are_deeper_and_a_thick_mask_makes_them_more_alike():
    """On cells of 0.2 mm, twice the cases' own."""
    depths = {
        name: [mean_depth_in(result(name, "0.2 mm"), *slot) for slot in SLOTS]
        for name in ("thin_mask", "thick_mask")
    }
    for row in depths.values():
        assert (np.diff(row) < 0).all()
    spread = {name: row[0] / row[-1] for name, row in depths.items()}
    assert 1.3 < spread["thick_mask"] < spread["thin_mask"] < 1.8


# A drawing ----------------------------------------------------------------------------------------


def test_the_snail_lies_in_the_middle_of_its_label_and_can_be_cut():
    drawn = case("drawn_stencil")
    width, height = drawn.plate.width, drawn.plate.height
    left, low, right, high = openings(drawn.stencil).bounds
    assert (left + right, low + high) == pytest.approx((width, height), abs=1e-8)
    assert right - left == pytest.approx(21.9e-3, abs=0.05e-3)  # the tail's tip to the far ball
    outline = [(0, 0), (width, 0), (width, height), (0, height)]
    assert [finding.words for finding in stencil_findings(drawn.stencil, outline)] == []


def test_the_snails_shell_has_the_area_of_its_line():
    """Half circles of 0.65, 1.95, 3.25 and 4.55 mm, 1.3 mm wide, with a round cap at either end.

    As wide as twice its radius, the innermost half circle covers half a disc.
    """
    shell = min(openings(case("drawn_stencil").stencil).geoms, key=lambda part: part.bounds[2])
    line = np.pi * (1.95 + 3.25 + 4.55) * 1.3 + 0.5 * np.pi * 1.3**2
    caps = np.pi * 0.65**2
    assert shell.area * 1e6 == pytest.approx(line + caps, rel=1e-3)


def test_the_snail_comes_out_at_its_aimed_depth():
    """On cells of 0.6 mm, thrice the case's own, and stops half a contact apart, twice its own."""
    aim = case("drawn_stencil").aim
    summary = result("drawn_stencil", "0.6 mm", 0.5).summary
    assert summary["mean_depth"]["value"] == pytest.approx(aim.depth, rel=aim.tolerance)
    assert summary["mean_depth"]["value"] == pytest.approx(3.9e-6, rel=0.05)
    assert summary["open_area"]["value"] == pytest.approx(
        openings(case("drawn_stencil").stencil).area, rel=1e-9
    )
