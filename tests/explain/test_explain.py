"""Why here deeper than there: shares that add, single causes found, edges as the exact ones."""

from __future__ import annotations

import dataclasses
import itertools
import json
import math
from collections.abc import Mapping

import numpy as np
import pytest

import simulate as sf
from simulate.cli import main
from simulate.errors import InputError
from simulate.exact.recess import disk_opening, strip_opening
from simulate.explain import explain_result
from simulate.explain.attribution import attribute
from simulate.explain.counterfactual import (
    CAUSES,
    Factors,
    at_level,
    slab_density,
    without_polarisation,
)
from simulate.explain.log_ratios import measures_of
from simulate.explain.recess_smoothing import evened
from simulate.explain.sensitivity import sensitivities
from simulate.explain.shapley import shapley_values
from simulate.result.result import Result
from simulate.run.setup import make_setting
from simulate.run.window import Conductivities
from simulate.swab.geometry import Pad

TEXT = """
title = "Small, all invented"

[plate]
metal = "carbon_steel"
width = "{width} mm"
height = "10 mm"

[electrolyte]
vinegar = "50 mL"
salt = "{salt} g"

[supply]
emf = "{emf} V"
resistance = "{resistance} ohm"

[stencil]
thickness = "{thickness} mm"
shapes = [{shapes}]

[swab]
{swab}

[stroke]
{stroke}

[grid]
cell = "{cell} mm"
"""

BUD = """form = "bud"
diameter = "4 mm"
length = "9 mm"
press = "0.5 mm"
heading = "90 deg"
wire_diameter = "0.8 mm"
wire_gap = "2 mm" """

HATCH = """pattern = "hatch"
x = "6 mm"
y = "5 mm"
width = "9 mm"
height = "3 mm"
spacing = "2 mm"
speed = "5 mm/s"
passes = 2"""


def rectangle(x: float, y: float, width: float, height: float) -> str:
    return (
        f'{{kind = "rectangle", x = "{x} mm", y = "{y} mm", '
        f'width = "{width} mm", height = "{height} mm"}},'
    )


USUAL = {
    "width": 12,
    "salt": 5,
    "emf": 2,
    "resistance": 0.5,
    "thickness": 0.2,
    "shapes": rectangle(4, 5, 0.8, 4) + rectangle(8, 5, 2.4, 4),
    "swab": BUD,
    "stroke": HATCH,
    "cell": 0.2,
}


def case(**changes: object) -> sf.Case:
    return sf.parse_case(TEXT.format(**USUAL | changes), "small.toml")


@pytest.fixture(scope="module")
def run():
    """A bud stroked over a narrow and a wide slot."""
    return sf.etch_case(case())


NARROW, WIDE = (4.1e-3, 5.1e-3), (8.1e-3, 5.1e-3)


@pytest.fixture(scope="module")
def found(run):
    return explain_result(run, (NARROW, WIDE), changes=False)


def share(explanation: sf.Explanation, measure: str) -> Mapping[str, float]:
    return next(one.shares for one in explanation.attributions if one.name == measure)


# Shapley values -----------------------------------------------------------------------------------


def worth_of(count: int, seed: int) -> np.ndarray:
    return np.random.default_rng(seed).normal(size=1 << count)


@pytest.mark.parametrize("count", [1, 2, 5, 7])
def test_shares_add_to_the_whole(count):
    worth = worth_of(count, count)
    assert shapley_values(worth).sum() == pytest.approx(worth[-1] - worth[0], abs=1e-12)


def test_shares_are_the_mean_addition_over_all_orders():
    worth = worth_of(4, 8)
    shares = np.zeros(4)
    for order in itertools.permutations(range(4)):
        there = 0
        for cause in order:
            shares[cause] += (worth[there | 1 << cause] - worth[there]) / math.factorial(4)
            there |= 1 << cause
    assert shapley_values(worth) == pytest.approx(shares, abs=1e-12)


def test_causes_that_act_alike_get_equal_shares_and_idle_ones_none():
    """Worth depends on how many of the first three act, and not on the fourth."""
    worth = [(number & 7).bit_count() ** 1.7 for number in range(16)]
    shares = shapley_values(worth)
    assert shares[0] == pytest.approx(shares[1], rel=1e-12)
    assert shares[0] == pytest.approx(shares[2], rel=1e-12)
    assert shares[3] == pytest.approx(0.0, abs=1e-12)


def test_a_worth_for_some_sets_only_is_refused():
    with pytest.raises(ValueError, match="2\\*\\*n"):
        shapley_values(np.zeros(6))


# Evening ------------------------------------------------------------------------------------------


def slot(length: int = 160, across: int = 20) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Open cells of a slot, its width, and x over the slot from rim to rim, 0 to 1."""
    weight = np.zeros((length, across + 6))
    weight[:, 3:-3] = 1.0
    x = (np.arange(across + 6) - 2.5) / across
    return weight, np.where(weight > 0, across * 1e-4, 0.0), np.broadcast_to(x, weight.shape)


def test_evening_takes_what_is_uneven_across_an_opening():
    weight, width, x = slot()
    left = evened(1.0 + np.cos(2.0 * math.pi * x), weight, width, (1e-4, 1e-4))
    assert left[weight > 0] == pytest.approx(1.0, abs=1e-3)
    one_sided = evened(1.0 + np.cos(math.pi * x), weight, width, (1e-4, 1e-4))
    assert np.ptp(one_sided[weight > 0]) < 0.1


def test_evening_leaves_what_differs_along_an_opening():
    weight, width, _ = slot(length=400, across=8)
    along = 1.0 + np.cos(math.pi * (np.arange(400) + 0.5) / 400)[:, None] * np.ones(14)
    left = evened(along, weight, width, (1e-4, 1e-4))
    assert left[weight > 0] == pytest.approx(along[weight > 0], abs=5e-3)


def test_evening_keeps_the_total_of_each_opening():
    rng = np.random.default_rng(3)
    weight = np.where(np.arange(30) % 10 < 7, rng.uniform(0.2, 1.0, (12, 30)), 0.0)
    values = rng.uniform(0.5, 2.0, weight.shape)
    left = evened(values, weight, np.where(weight > 0, 7e-4, 0.0), (1e-4, 1e-4))
    for start in (0, 10, 20):
        opening = (slice(None), slice(start, start + 7))
        before, after = ((weight * map_)[opening].sum() for map_ in (values, left))
        assert after == pytest.approx(before, rel=1e-10)


# Factors ------------------------------------------------------------------------------------------


def test_all_causes_together_give_the_run_and_none_an_even_etch(found, run):
    names = tuple(CAUSES)
    assert found.factors.depth(names) == pytest.approx(run.depth, rel=1e-10, abs=1e-18)
    even = found.factors.depth(())[run.open_area > 0]
    assert np.ptp(even) <= 1e-12 * even.max()
    assert even.max() == pytest.approx(run.summary["mean_depth"]["value"], rel=1e-9)


def test_depth_is_time_times_density_times_depth_per_charge(found, run):
    product = found.wet_time * found.mean_density * found.depth_per_charge
    assert product == pytest.approx(run.depth, rel=1e-12, abs=1e-18)
    etched = run.contact_time > 1e-9
    inside = etched & (run.open_fraction > 0)
    # places are rounded to an eighth of a cell, at two ends of the time over a cell
    assert found.wet_time[inside] == pytest.approx(run.contact_time[inside], abs=0.08)


def test_shares_add_to_the_observed_log_ratio(found, run):
    assert len(found.attributions) == 4
    for one, measure in zip(found.attributions, measures_of(run, (NARROW, WIDE)), strict=True):
        observed = measure.log_ratio(run.depth)
        assert sum(one.shares.values()) == pytest.approx(observed, abs=1e-9)
        assert one.log_ratio == pytest.approx(observed, abs=1e-9)


def test_measures_are_those_of_the_summary(found, run):
    observed = {one.name: one.observed for one in found.attributions}
    for name in ("evenness", "edge_ratio"):
        assert observed[name] == pytest.approx(run.summary[name]["value"], rel=1e-9)
    i, j = (int(value // 2e-4) for value in NARROW)
    k, m = (int(value // 2e-4) for value in WIDE)
    assert observed["spots"] == pytest.approx(run.depth[j, i] / run.depth[m, k], rel=1e-9)
    assert observed["narrow_to_wide"] > 1.1


def test_narrow_slots_are_deeper_by_their_size_and_rims_by_the_edge(found):
    narrow, edge = share(found, "narrow_to_wide"), share(found, "edge_ratio")
    assert max(narrow, key=narrow.__getitem__) == "opening"
    assert max(edge, key=edge.__getitem__) == "edge"
    assert edge["polarisation"] < -0.01  # it evens


def test_a_supply_and_swab_that_hardly_change_drift_little(found):
    for one in found.attributions:
        assert one.shares["drift"] == pytest.approx(0.0, abs=0.02)


# Single causes ------------------------------------------------------------------------------------


def without_kinetics(made: sf.Case) -> sf.Case:
    """The case with a metal whose polarisation and film are next to none."""
    small = {"slope": 1e-9, "film_resistance": 0.0, "limit_still": 1e12, "limit_stroked": 1e12}
    data = {
        name: dataclasses.replace(getattr(made.metal, name), value=v, low=v, high=v)
        for name, v in small.items()
    }
    return dataclasses.replace(made, metal=dataclasses.replace(made.metal, **data))


HOLD = 'pattern = "hold"\nx = "6 mm"\ny = "5 mm"\ntime = "10 s"'


def test_under_a_slab_held_still_the_mask_edge_is_the_cause():
    slab = 'form = "pad"\nwidth = "8.4 mm"\nlength = "8.4 mm"\nheight = "1.5 mm"'
    shapes = rectangle(6, 5, 2.4, 2.4)
    result = sf.etch_case(
        without_kinetics(case(shapes=shapes, swab=slab, stroke=HOLD, emf=9, cell=0.15))
    )
    explained = explain_result(result, ((4.85e-3, 5e-3), (5.95e-3, 5e-3)), changes=False)
    assert {one.name for one in explained.attributions} == {"evenness", "edge_ratio", "spots"}
    for one in explained.attributions:
        assert one.log_ratio > 0.02
        assert one.shares["edge"] >= 0.95 * one.log_ratio
        assert one.shares["edge"] <= 1.05 * one.log_ratio


def test_through_a_tall_mask_uneven_dabs_are_the_cause():
    pad = 'form = "pad"\nwidth = "6 mm"\nlength = "6 mm"\nheight = "2 mm"'
    dabs = 'pattern = "dabs"\npoints = [{}]\ntime = "2 s"'
    twice = dabs.format('["5 mm", "5 mm"], ["5 mm", "5 mm"], ["15 mm", "5 mm"]')
    shapes = rectangle(5, 5, 0.6, 4) + rectangle(15, 5, 0.6, 4)
    result = sf.etch_case(
        case(width=20, thickness=1.2, shapes=shapes, swab=pad, stroke=twice, cell=0.2)
    )
    explained = explain_result(result, ((5e-3, 5e-3), (15e-3, 5e-3)), changes=False)
    for name in ("evenness", "spots"):
        total = next(one.log_ratio for one in explained.attributions if one.name == name)
        assert total > 0.1
        assert share(explained, name)["stroke"] == pytest.approx(total, rel=0.05)
    assert share(explained, "spots")["stroke"] == pytest.approx(math.log(2.0), rel=1e-2)


def test_causes_with_the_same_map_get_equal_shares(run):
    """The edge's map put in the swab's place as well: neither is more to blame."""
    ones = np.ones_like(run.depth)
    rng = np.random.default_rng(5)
    bump = np.where(run.open_fraction > 0, rng.uniform(0.8, 1.3, ones.shape), 1.0)
    flat = {(a, b): ones for a in (False, True) for b in (False, True)}
    edge = dict.fromkeys(flat, bump)
    same = Factors(run, ones, {False: bump, True: bump}, flat, edge, ones)
    for one in attribute(same, measures_of(run)):
        assert one.shares["edge"] == pytest.approx(one.shares["swab"], abs=1e-12)
        assert one.shares["stroke"] == pytest.approx(0.0, abs=1e-12)


# The exact recess ---------------------------------------------------------------------------------

RADIUS = 1e-3


def edge_alone(kind: str, depth: float, cells: int) -> float:
    """Rim over centre of the edge's map with the mask edge as the only cause, no polarisation.

    Half a slot, or a quarter of a disc, in an insulated cell of three half-widths: the cells of
    the reference tables, with a counter electrode two or three half-widths above the mask.
    """
    h = RADIUS / cells
    shape = {
        "strip": rectangle(6, 5, 2, 6),
        "disk": '{kind = "circle", x = "6 mm", y = "5 mm", diameter = "2 mm"}',
    }[kind]
    made = case(shapes=shape, thickness=depth, cell=1.0 / cells)
    setting = at_level(without_polarisation(make_setting(made, np.zeros((1, 1)))), 100.0, 1.0)
    setting = dataclasses.replace(setting, kappa=Conductivities(10.0, 10.0))
    up, height = (2 * h, 2e-3) if kind == "strip" else (3e-3, 3e-3)
    region = (6e-3, 9e-3, 5e-3, 5e-3 + up)
    density, corner = slab_density(setting, Pad(1.0, 1.0, height), made.stencil, region)
    area = np.where(density > 0.0, h * h, 0.0)
    even = evened(density, area, np.where(area > 0.0, 2 * RADIUS, 0.0), (h, h))
    j, i = 5 * cells - corner[0], 6 * cells - corner[1]
    rim = (density / np.where(even > 0.0, even, 1.0))[j, i : i + cells]
    return float(rim[-1] / rim[0])


@pytest.mark.parametrize(("depth", "cells"), [(0.1, 100), (0.2, 60), (0.5, 40), (1.0, 40)])
def test_the_edge_below_a_strip_is_that_of_the_exact_recess(depth, cells):
    exact = strip_opening(depth, cell=(3.0, 2.0)).edge_ratio
    assert edge_alone("strip", depth, cells) == pytest.approx(exact, rel=0.01)


@pytest.mark.parametrize(("depth", "cells"), [(0.1, 40), (0.2, 32), (0.5, 20), (1.0, 20)])
def test_the_edge_below_a_disc_is_that_of_the_exact_recess(depth, cells):
    exact = disk_opening(depth, cell=(3.0, 3.0)).edge_ratio
    assert edge_alone("disk", depth, cells) == pytest.approx(exact, rel=0.01)


# What would help ----------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def helped():
    small = rectangle(6, 5, 2.4, 2.4)
    swab = 'form = "pad"\nwidth = "5 mm"\nlength = "5 mm"\nheight = "1.5 mm"'
    result = sf.etch_case(case(shapes=small, swab=swab, cell=0.3, stroke=HOLD, emf=1))
    return result, explain_result(result)


def test_a_thicker_mask_evens_and_costs_time(helped):
    _, explained = helped
    thicker = next(one for one in explained.changes if one.name == "thickness")
    assert thicker.factor == pytest.approx(1.2)
    assert thicker.effects["edge_ratio"] < 0.0
    assert thicker.time > 1.0


def test_changes_come_the_most_helpful_first_and_only_where_they_can_be(helped):
    _, explained = helped
    before = next(one for one in explained.attributions if one.name == "evenness")
    evenness = [before.after(one.effects) for one in explained.changes]
    assert evenness == sorted(evenness, reverse=True)
    names = {one.name for one in explained.changes}
    assert names == {"thickness", "line_width", "salt", "voltage"}  # held still, and no bud


def test_a_change_is_what_etching_the_changed_case_gives(helped):
    """The same coarse cells, etched here by the doors everybody uses."""
    result, explained = helped
    saltier = next(one for one in explained.changes if one.name == "salt")
    grid = dataclasses.replace(result.case.grid, cell=6e-4, stop_spacing=0.5)
    base = dataclasses.replace(result.case, grid=grid)
    liquid = dataclasses.replace(base.electrolyte, salt=saltier.factor * base.electrolyte.salt)
    one, two = (sf.etch_case(c) for c in (base, dataclasses.replace(base, electrolyte=liquid)))
    ratios = [r.summary["edge_ratio"]["value"] for r in (one, two)]
    assert saltier.effects["edge_ratio"] == pytest.approx(math.log(ratios[1] / ratios[0]), abs=1e-9)
    depths = [r.summary["mean_depth"]["value"] for r in (one, two)]
    assert saltier.time == pytest.approx(depths[0] / depths[1], rel=1e-9)


def test_the_error_of_the_coarse_cells_is_stated(helped):
    result, explained = helped
    coarse = sensitivities(result).error
    assert coarse == explained.sensitivities.error
    assert all(0.0 <= value < 0.5 for value in coarse.values())
    assert max(coarse.values()) > 0.0


# Words, figures, commands -------------------------------------------------------------------------


def test_each_cause_has_one_sentence_with_its_numbers(found):
    assert set(found.sentences) == set(CAUSES)
    evenness = next(one for one in found.attributions if one.name == "evenness")
    edge = found.sentences["edge"]
    assert edge.startswith("Mask edge: makes rims")
    assert f"{evenness.without['edge']:.3g} instead of {evenness.observed:.3g}." in edge
    deeper = math.expm1(share(found, "edge_ratio")["edge"]) * 100.0
    assert f"rims {deeper:.2g} % deeper" in edge
    assert found.sentences["drift"].startswith("Drift of swab and supply:")
    assert all(text.endswith(".") and "\n" not in text for text in found.sentences.values())


def test_the_leading_cause_is_the_one_whose_loss_evens_most(found):
    evenness = next(one for one in found.attributions if one.name == "evenness")
    best = max(evenness.without, key=evenness.without.get)
    assert f"the {CAUSES[best].label} would help most" in found.leading
    assert f"would be {evenness.without[best]:.3g} instead" in found.leading


def test_an_explanation_draws_itself(found, tmp_path):
    files = sf.draw_explanation(found, tmp_path, ("png",))
    assert [file.name for file in files] == ["shares.png", "factors.png"]
    assert all(file.stat().st_size > 10_000 for file in files)


def test_a_summary_is_ready_for_json(found):
    plain = json.loads(json.dumps(found.summary))
    assert set(plain["measures"]) == {"evenness", "edge_ratio", "narrow_to_wide", "spots"}
    assert set(plain["measures"]["spots"]["shares"]) == set(CAUSES)


@pytest.mark.parametrize(
    ("spot", "problem"),
    [((6e-3, 5e-3), "under the mask"), ((60e-3, 5e-3), "off the plate")],
)
def test_a_spot_that_is_no_place_of_the_etch_is_refused(run, spot, problem):
    with pytest.raises(InputError, match=problem):
        measures_of(run, (spot, WIDE))


def test_a_spot_the_swab_never_reached_is_refused(run):
    depth = run.depth.copy()
    depth[:, :30] = 0.0
    with pytest.raises(InputError, match="not etched"):
        measures_of(dataclasses.replace(run, depth=depth), (NARROW, WIDE))


def test_a_plate_that_was_not_etched_has_no_causes(run):
    nothing = dataclasses.replace(run, depth=0.0 * run.depth)
    with pytest.raises(InputError, match="nothing was etched"):
        explain_result(nothing)


def stored(run: Result, folder, name: str = "run.nc") -> str:
    path = folder / name
    sf.write_result(run, path)
    return str(path)


def test_the_command_writes_the_table_and_the_figures(run, tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    file = stored(run, tmp_path)
    spots = ("--at", "4.1 mm, 5.1 mm", "--than", "8.1 mm, 5.1 mm")
    assert main(["explain", file, *spots, "--no-changes"]) == 0
    told = capsys.readouterr().out
    assert "together" in told
    assert "Mask edge: makes" in told
    written = {path.name for path in (tmp_path / "run-explain").rglob("*.*")}
    assert {"explain.json", "manifest.json", "shares.png", "factors.svg"} <= written
    kept = json.loads((tmp_path / "run-explain" / "explain.json").read_text(encoding="utf-8"))
    shares = kept["measures"]["spots"]["shares"].values()
    assert sum(shares) == pytest.approx(kept["measures"]["spots"]["log_ratio"], abs=1e-9)
    assert main(["explain", file]) == 2  # the folder is there already


def test_one_spot_alone_is_refused(run, tmp_path, capsys):
    file = stored(run, tmp_path)
    assert main(["explain", file, "--at", "4 mm, 5 mm"]) == 2
    assert "--than" in capsys.readouterr().err
    assert main(["explain", file, "--at", "4 mm", "--than", "1 mm, 2 mm"]) == 2
    assert "no place" in capsys.readouterr().err


def test_a_run_that_is_not_there_is_refused(capsys):
    assert main(["explain", "nowhere", "--json"]) == 2
    told = capsys.readouterr()
    assert json.loads(told.out)["faults"][0]["problem"] == "is not there"
