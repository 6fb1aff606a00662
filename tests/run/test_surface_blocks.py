"""Blocks: where a run is cut, and what films, coatings and depth do to the current."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from small_cases import hatch, hold, small_case

import simulate as sf
from simulate.materials.metals import find_metal
from simulate.materials.removal import charge_through, removed_mass
from simulate.run import etch as etching
from simulate.run import metal_surface as surface
from simulate.run import surface_blocks as blocks
from simulate.run.setup import lay_out
from simulate.run.surface_blocks import metal_rate, plan_blocks


def strokes(much):
    return hatch(4, 4, 2, 0, spacing=1, speed=2, passes=much)


def rest(much):
    return hold(4, 4, much)


def case(metal="copper", emf="1.5 V", stroke=strokes, much=60, feedback="auto"):
    return small_case(
        "A disc often wetted again, all invented",
        plate={"metal": metal},
        supply={"emf": emf},
        stroke=stroke(much),
        rewet={"charge": "2 C", "pause": "0 s"},
        grid={"depth_feedback": feedback},
    )


def at_passes(result, *numbers):
    """Mean current of the passes, each a second long."""
    return [result.current[(result.time >= n) & (result.time < n + 1)].mean() for n in numbers]


def without_salt_film(made):
    """The case with a metal that no salt film ever caps."""
    high = {
        name: dataclasses.replace(getattr(made.metal, name), value=1e9, low=1e9, high=1e9)
        for name in ("limit_still", "limit_stroked")
    }
    return dataclasses.replace(made, metal=dataclasses.replace(made.metal, **high))


# ----------------------------------------------------------------------- what the surface does


def test_copper_under_its_growing_film_passes_ever_less_until_the_film_has_settled():
    run = sf.etch_case(without_salt_film(case(much=240)))
    first, early, late, last = at_passes(run, 0, 20, 180, 239)
    assert first > 1.3 * early > 1.3 * late
    assert last == pytest.approx(late, rel=0.05)
    assert run.statistics["blocks"] > 3


def test_steel_under_the_same_supply_does_not():
    run = sf.etch_case(without_salt_film(case("carbon_steel")))
    first, last = at_passes(run, 0, 59)
    assert last > 0.95 * first
    assert run.statistics["blocks"] == 1
    assert run.numerical["surface_blocks"] == 0.0


def test_silver_slows_all_the_time():
    run = sf.etch_case(without_salt_film(case("silver", much=240)))
    currents = at_passes(run, 0, 60, 120, 180, 239)
    assert (np.diff(currents) < 0).all()
    assert currents[-1] < 0.75 * currents[0]


def test_galvanised_sheet_breaks_through_to_steel():
    """Zinc stands 0.35 V below steel: once it is gone the same supply drives less current."""
    made = case("galvanised_steel", "0.9 V", rest, 400)
    run = sf.etch_case(made)
    zinc = made.metal.thickness.value
    assert run.depth[run.open_fraction == 1].min() > zinc
    through = run.charge_density[run.open_fraction == 1]
    assert through.min() > charge_through(made.metal)
    assert run.current[-1] < 0.8 * run.current[20]
    assert run.current[-1] > 0
    steel = sf.etch_case(case("carbon_steel", "0.9 V", rest, 20))
    assert run.current[-1] == pytest.approx(steel.current[-1], rel=0.15)


def test_the_ledger_holds_the_mass_of_both_layers():
    run = sf.etch_case(case("galvanised_steel", "0.9 V", rest, 400))
    mass = (removed_mass(run.case.metal, run.charge_density) * run.open_area).sum()
    assert run.ledgers["metal"]["dissolved"] == pytest.approx(mass, rel=1e-9)
    assert run.summary["removed_mass"]["value"] == pytest.approx(mass, rel=1e-9)


def test_the_depth_reached_holds_the_current_back_where_it_is_to():
    """0.1 mm deep in a mask of 0.1 mm: the column of liquid is twice as long at the end."""
    flat, fed = (
        sf.etch_case(without_salt_film(case("carbon_steel", "1.2 V", rest, 900, feedback)))
        for feedback in ("off", "on")
    )
    assert flat.summary["mean_depth"]["value"] > 0.5e-4
    assert fed.current[0] == pytest.approx(flat.current[0], rel=5e-3)
    assert fed.current[-1] < 0.985 * flat.current[-1]
    assert fed.summary["evenness"]["value"] > flat.summary["evenness"]["value"]


def test_depth_feedback_comes_by_itself_where_it_matters():
    deep, shallow = (case("carbon_steel", "1.2 V", rest, much) for much in (900, 20))
    assert sf.etch_case(deep).statistics["blocks"] > 1
    assert sf.etch_case(shallow).statistics["blocks"] == 1


# ------------------------------------------------------------------------------------ the cuts


def plan(made, rate=1.0, dose=1e6):
    """The plan of a course that passes a dose evenly over its openings and its stops."""
    course = lay_out(made)
    charge = dose * course.open_area
    return course, plan_blocks(course, charge, np.full(len(course.stops), rate))


def test_blocks_follow_one_another_from_the_first_stop_to_the_last():
    course, found = plan(case(much=200))
    ends = np.array(found.blocks)
    assert ends[0, 0] == 0
    assert ends[-1, 1] == len(course.stops)
    assert (ends[1:, 0] == ends[:-1, 1]).all()
    assert (ends[:, 1] > ends[:, 0]).all()


def test_blocks_begin_with_a_pass():
    course, found = plan(case(much=200), dose=1e5)
    starts = [first for first, _ in found.blocks[1:]]
    passes = course.stops.pass_index
    assert starts
    assert all(passes[first] != passes[first - 1] for first in starts)


def test_a_run_over_many_places_has_few_blocks(monkeypatch):
    monkeypatch.setattr(blocks, "FEW", 0)
    _, found = plan(case("galvanised_steel", much=200, feedback="on"))
    assert len(found.blocks) == blocks.MOST
    monkeypatch.setattr(blocks, "FEW", 100)
    _, finer = plan(case("galvanised_steel", much=200, feedback="on"))
    assert len(finer.blocks) > 2 * blocks.MOST


def test_a_surface_that_stays_the_same_is_one_block():
    course, found = plan(case("carbon_steel"), dose=1e5)
    assert found.blocks == ((0, len(course.stops)),)
    assert not found.grows


def test_nothing_passed_is_one_block_too():
    course = lay_out(case())
    found = plan_blocks(course, np.zeros(course.shape), np.zeros(len(course.stops)))
    assert found.blocks == ((0, len(course.stops)),)


def test_the_metal_of_a_block_is_what_its_charge_removes_from_each_layer():
    course = lay_out(case("galvanised_steel"))
    zinc = find_metal("galvanised_steel")
    half = 0.5 * charge_through(zinc) * course.open_area
    above = metal_rate(course, 0 * half, half)
    below = metal_rate(course, 3 * half, half)
    density = zinc.density.value, find_metal("carbon_steel").density.value
    per_charge = charge_through(zinc) / zinc.thickness.value
    assert above == pytest.approx(density[0] / per_charge, rel=1e-9)
    assert below != pytest.approx(above, rel=0.05)
    assert metal_rate(course, half, 0 * half) == 0.0


# ------------------------------------------------------------------------- the error of blocking


@pytest.mark.parametrize(("metal", "emf"), [("copper", "1.5 V"), ("galvanised_steel", "0.9 V")])
def test_the_stated_error_of_blocks_is_about_what_finer_blocks_change(metal, emf, monkeypatch):
    """Against four times as many blocks."""
    made = without_salt_film(case(metal, emf, much=240))
    monkeypatch.setattr(blocks, "FEW", 0)
    coarse = sf.etch_case(made)
    monkeypatch.setattr(blocks, "MOST", 100)
    for name, steps in FINE.items():
        monkeypatch.setattr(surface, name, steps)
    fine = sf.etch_case(made)
    assert fine.statistics["blocks"] > 1.5 * coarse.statistics["blocks"]
    charges = [run.summary["charge"]["value"] for run in (coarse, fine)]
    true = abs(charges[0] / charges[1] - 1.0)
    assert true < 0.03
    assert true / 5 < coarse.numerical["surface_blocks"] < 5 * true + 2e-3


def test_a_block_whose_surface_changes_too_much_is_halved(monkeypatch):
    """Close to the voltage that steel needs, a coating that wears through cuts the current."""
    made = without_salt_film(case("galvanised_steel", "0.9 V", much=240))
    monkeypatch.setattr(blocks, "FEW", 0)
    halved = sf.etch_case(made)
    monkeypatch.setattr(etching, "HALVINGS", 0)
    whole = sf.etch_case(made)
    assert halved.statistics["blocks"] > whole.statistics["blocks"] == blocks.MOST
    assert halved.numerical["surface_blocks"] < 0.4 * whole.numerical["surface_blocks"]


def test_halves_begin_with_a_pass_where_one_begins():
    course = lay_out(case(much=20))
    count = len(course.stops)
    middle = blocks.halve(course, 0, np.full(count, 1.0))
    passes = course.stops.pass_index
    assert middle == pytest.approx(count / 2, abs=count / 20)
    assert passes[middle] != passes[middle - 1]
    held = lay_out(case(stroke=rest, much=10))
    assert blocks.halve(held, 4, np.array([1.0, 1.0, 1.0, 3.0])) == 6


FINE = {
    "SETTLING": tuple(np.linspace(0.1, 4.0, 24)),
    "WEARING": tuple(np.linspace(0.3, 2.0, 24)),
}
