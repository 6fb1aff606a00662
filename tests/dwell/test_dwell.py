"""How long to work each piece: found again where it is known, kept by the run, and no more claimed.

The cases are small and coarse. What is compared with `etch_case` was computed by it alone.
"""

from __future__ import annotations

import csv
import io
from functools import cache

import numpy as np
import pytest
from places import CASES

from simulate.case.case import Case, parse_case, read_case, with_changes
from simulate.case.settings import Rewet
from simulate.cli import main
from simulate.dwell.crowding import Rates, even_times, lattice_rates, split_rates
from simulate.dwell.least_squares import best_times, reduce_rows, whole_times
from simulate.dwell.optimise import plan_dwell, usual_pace
from simulate.dwell.path_pieces import Pace, cut_path, make_visits, stroke_ripple
from simulate.dwell.plan import DwellPlan
from simulate.errors import InputError
from simulate.run.etch import etch_case
from simulate.swab.stops import make_stops
from simulate.swab.stroke import Dabs, Hatch, Hold
from simulate.swab.stroke import Path as Line

# Three openings of one cell each, so that depth is even in each; three short ways over them, each
# over two or three. Times that make all three alike exist and are unique. The voltage is low, so
# that no salt film makes all places alike, and the swab often wetted, so that its state stays.
THREE = """
title = "Three small openings (invented)"
[plate]
metal = "carbon_steel"
width = "12 mm"
height = "8 mm"
[electrolyte]
vinegar = "60 mL"
salt = "6 g"
[supply]
emf = "0.8 V"
resistance = "0.4 ohm"
[stencil]
thickness = "0.1 mm"
shapes = [
  { kind = "rectangle", x = "3.625 mm", y = "4.125 mm", width = "0.25 mm", height = "0.25 mm" },
  { kind = "rectangle", x = "5.375 mm", y = "4.125 mm", width = "0.25 mm", height = "0.25 mm" },
  { kind = "rectangle", x = "7.125 mm", y = "4.125 mm", width = "0.25 mm", height = "0.25 mm" },
]
[swab]
form = "bud"
diameter = "5 mm"
length = "8 mm"
press = "0.6 mm"
heading = "90 deg"
wire_gap = "2 mm"
[[stroke]]
pattern = "path"
unit = "mm"
points = [[3.75, 4.0], [3.75, 4.4]]
speed = "4 mm/s"
passes = 100
[[stroke]]
pattern = "path"
unit = "mm"
points = [[5.3, 4.0], [5.3, 4.4]]
speed = "4 mm/s"
passes = 100
[[stroke]]
pattern = "path"
unit = "mm"
points = [[7.05, 4.0], [7.05, 4.4]]
speed = "4 mm/s"
passes = 100
[rewet]
time = "5 s"
pause = "0 s"
[grid]
cell = "0.25 mm"
"""


@cache
def three() -> Case:
    return parse_case(THREE)


@cache
def plan_of_three() -> DwellPlan:
    return plan_dwell(three(), 2e-5)


@cache
def slots(name: str = "thin_mask") -> Case:
    return with_changes(read_case(CASES / f"{name}.toml"), {"grid.cell": "0.3 mm"})


@cache
def plan_of_slots(name: str = "thin_mask") -> DwellPlan:
    return plan_dwell(slots(name), 2e-5)


@cache
def plan_of_demo() -> DwellPlan:
    demo = read_case(CASES / "garden_tag.toml")
    return plan_dwell(with_changes(demo, {"grid.cell": "0.5 mm", "grid.stop_spacing": 0.5}), 7e-6)


# The least squares --------------------------------------------------------------------------------


def test_times_that_make_a_sum_perfectly_even_are_found_again():
    from scipy.sparse import csc_array

    random = np.random.default_rng(3)
    times = random.uniform(1.0, 20.0, 12)
    rates = random.uniform(0.0, 1.0, (400, 12)) * (random.random((400, 12)) < 0.4)
    rates[rates.sum(axis=1) == 0.0, 0] = 1.0
    rates /= (rates @ times)[:, None]
    problem = reduce_rows(csc_array(rates), random.uniform(0.5, 1.0, 400))
    assert best_times(problem) == pytest.approx(times, rel=0.01)


def test_no_neighbouring_whole_seconds_are_better():
    from scipy.sparse import csc_array

    random = np.random.default_rng(4)
    rates = random.uniform(0.0, 0.02, (60, 6))
    problem = reduce_rows(csc_array(rates), np.ones(60))
    whole = whole_times(problem, best_times(problem))

    def cost(times):
        return float(((problem.matrix @ times - problem.wanted) ** 2).sum())

    for j in range(6):
        for step in (-1, 1):
            other = whole.copy()
            other[j] += step
            assert other[j] < 0 or cost(other) >= cost(whole) - 1e-9


def test_bounds_on_the_times_are_kept():
    from scipy.sparse import csc_array

    random = np.random.default_rng(5)
    problem = reduce_rows(csc_array(random.uniform(0.0, 0.02, (60, 6))), np.ones(60))
    low, high = np.full(6, 9.0), np.full(6, 12.0)
    times = best_times(problem, low, high)
    assert (times >= low).all()
    assert (times <= high).all()
    assert (np.isclose(times, 9.0) | np.isclose(times, 12.0)).any()
    whole = whole_times(problem, times, low, high)
    assert (whole >= 9).all()
    assert (whole <= 12).all()


# Pieces and visits --------------------------------------------------------------------------------


def test_a_piece_has_the_stops_of_the_whole_line():
    hatch = Hatch(0.01, 0.02, 0.03, 0.008, 0.004, 0.01, passes=3, turn_time=0.2, angle=0.4)
    pieces = cut_path([hatch], 0.0013)
    stops = make_stops(hatch, 0.0013)
    drawn = np.concatenate(
        [
            np.column_stack([one.x, one.y])
            for one in (make_stops(Line((p.start, p.end), 0.01), 0.0013) for p in pieces)
        ]
    )
    moving = np.unique(np.column_stack([stops.x, stops.y])[stops.moving].round(9), axis=0)
    assert np.unique(drawn.round(9), axis=0) == pytest.approx(moving, abs=2e-9)
    assert np.concatenate([p.places for p in pieces]) == pytest.approx(drawn, abs=1e-12)


def test_what_is_gone_over_twice_is_one_piece():
    there_and_back = Line(((0.0, 0.0), (0.01, 0.0), (0.0, 0.0)), 0.01)
    assert len(cut_path([there_and_back], 0.0025)) == 2
    pressed = [Dabs(((0.0, 0.0), (1e-3, 0.0)), 2.0), Hold(0.0, 0.0, 1.0)]
    assert [piece.length for piece in cut_path(pressed, 0.002)] == [0.0, 0.0]


def test_each_dip_keeps_to_its_charge_and_time():
    pieces = cut_path([Dabs(tuple((x * 1e-3, 0.0) for x in range(6)), 1.0)], 1e-3)
    current = np.array([0.1, 0.4, 0.2, 0.0, 0.3, 0.5])
    seconds = [7, 9, 40, 5, 3, 11]
    rewet = Rewet(charge=2.0, time=15.0)
    visits = make_visits(pieces, seconds, current, Pace(0.0), rewet)
    dips = np.cumsum([visit.rewet for visit in visits])
    for dip in np.unique(dips):
        held = [v for v, n in zip(visits, dips, strict=True) if n == dip]
        assert sum(v.charge for v in held) <= 2.0 + 1e-6
        assert sum(v.seconds for v in held) <= 15
    for number, wanted in enumerate(seconds):
        assert sum(v.seconds for v in visits if v.number == number) == wanted
    assert not visits[0].rewet


def test_a_longest_visit_sends_the_rest_into_another_round():
    pieces = cut_path([Dabs(((0.0, 0.0), (1e-3, 0.0)), 1.0)], 1e-3)
    visits = make_visits(pieces, [7, 3], np.ones(2), Pace(0.0, longest=4), Rewet())
    assert [(v.number, v.seconds) for v in visits] == [(0, 4), (1, 3), (0, 3)]


@pytest.mark.parametrize(("ratio", "percent"), [(0.25, 9.0), (0.5, 37.0)])
def test_ripple_of_parallel_strokes_under_a_parabolic_contact(ratio, percent):
    assert 100.0 * stroke_ripple(ratio * 4e-3, 4e-3) == pytest.approx(percent, abs=0.6)


def test_ripple_of_strokes_that_just_touch_is_that_of_one_parabola():
    assert stroke_ripple(4e-3, 4e-3) == pytest.approx(1.5, rel=1e-3)


# The plan -----------------------------------------------------------------------------------------


def test_a_perfect_schedule_is_recovered():
    """Without depth feedback, so that depths add up."""
    case = with_changes(three(), {"grid.depth_feedback": "off"})
    depth = np.empty((3, 3))
    for n, x in enumerate((3.75, 5.3, 7.05)):
        alone = {"pattern": "path", "unit": "mm", "points": [[x, 4.0], [x, 4.4]]}
        alone |= {"speed": "4 mm/s", "passes": 100}
        result = etch_case(with_changes(case, {"stroke": alone}), workers=1)
        depth[:, n] = result.depth[result.open_fraction > 0.5] / 10.0
    exact = np.linalg.solve(depth, np.full(3, 2e-5))
    assert (exact > 1.0).all()
    plan = plan_dwell(case, 2e-5)
    assert plan.times == pytest.approx(exact, rel=0.01)
    assert plan.best.evenness > 0.999


def test_as_it_stands_is_what_etch_gives():
    plan = plan_of_slots()
    summary = etch_case(slots(), workers=1).summary
    assert plan.stands.mean == pytest.approx(summary["mean_depth"]["value"], rel=1e-3)
    assert plan.stands.evenness == pytest.approx(summary["evenness"]["value"], abs=1e-3)
    assert plan.stands.time == pytest.approx(summary["duration"]["value"])
    assert plan.passes * plan.stands.mean == pytest.approx(plan.depth, rel=1e-6)


@pytest.mark.parametrize("plan_of", [plan_of_three, plan_of_slots])
def test_the_schedule_etches_what_was_promised(plan_of):
    plan = plan_of()
    result = etch_case(plan.schedule_case, workers=1)
    area = result.open_area
    assert result.dwell.sum() == pytest.approx(plan.planned.time)
    apart = np.sqrt(np.average((result.depth - plan.planned.depth) ** 2, weights=area))
    assert apart < (plan.state_error + 1e-3) * plan.depth
    assert plan.state_error < 0.05
    assert np.average(result.depth, weights=area) == pytest.approx(plan.planned.mean, rel=5e-3)


def test_the_mean_is_the_depth_wanted_and_seconds_are_whole():
    plan = plan_of_slots()
    assert plan.best.mean == pytest.approx(plan.depth, rel=2e-3)
    assert plan.planned.mean == pytest.approx(plan.depth, rel=0.01)
    rows = list(csv.DictReader(io.StringIO(plan.csv)))
    assert len(rows) == len(plan.visits)
    assert sum(int(row["seconds"]) for row in rows) == plan.planned.time


def test_evenness_improves_and_never_past_what_free_times_reach():
    for plan in (plan_of_slots(), plan_of_demo()):
        assert plan.planned.evenness > plan.repeated.evenness + 0.02
        assert plan.planned.within > plan.repeated.within
        assert plan.floor.evenness > plan.best.evenness >= plan.planned.evenness - 1e-6
        assert sum(plan.shares.values()) == pytest.approx(1.0)
        assert all(share >= 0.0 for share in plan.shares.values())


def test_what_no_schedule_reaches_is_the_rim_and_goes_with_a_thicker_mask():
    thin, thick = plan_of_slots(), plan_of_slots("thick_mask")
    assert thin.floor.edge_ratio > 1.05
    assert 1.0 - thick.floor.evenness < 0.75 * (1.0 - thin.floor.evenness)
    assert thin.shares["stencil"] > 0.15


def test_speeds_keep_to_their_bounds_and_passes_to_their_number():
    pace = usual_pace(slots(), slowest=2e-3, fastest=20e-3, passes=8)
    plan = plan_dwell(slots(), 4e-6, pace=pace)
    assert {visit.passes for visit in plan.visits} == {8}
    assert all(1.9e-3 < visit.speed < 20.1e-3 for visit in plan.visits)
    assert len({visit.number for visit in plan.visits}) == len(plan.pieces)


def test_a_plan_without_a_depth_or_an_opening_is_refused():
    with pytest.raises(InputError, match="no depth to aim at"):
        plan_dwell(three())
    with pytest.raises(InputError, match="less than a second"):
        plan_dwell(three(), 1e-9)


# Crowding -----------------------------------------------------------------------------------------


def invented_rates(places):
    """Rates of 30 x 20 cells that are a product, with the swab at some places."""
    random = np.random.default_rng(7)
    crowding = random.uniform(0.5, 1.5, (30, 20))
    entries = []
    for number, (row, column) in enumerate(places):
        for y in range(max(row - 3, 0), min(row + 4, 30)):
            for x in range(max(column - 2, 0), min(column + 3, 20)):
                reach = 1.0 - 0.1 * abs(y - row) - 0.2 * abs(x - column)
                entries.append((crowding[y, x] * reach, y * 20 + x, number, y - row, x - column))
    value, cell, place, dy, dx = (np.array(part) for part in zip(*entries, strict=True))
    return crowding, Rates(value, cell, place, np.column_stack([dy, dx]))


def scattered():
    """Places on no lattice: on one, what repeats with it could stand in either factor."""
    random = np.random.default_rng(11)
    return list(zip(random.integers(0, 30, 150), random.integers(0, 20, 150), strict=True))


def test_a_product_of_crowding_and_reach_is_split_again():
    places = scattered()
    crowding, rates = invented_rates(places)
    split = split_rates(rates, crowding.size, sweeps=200)
    assert split.misfit < 1e-3
    # What falls off evenly over the plate may stand in either factor.
    ratio = np.log(split.crowding / crowding.ravel())
    plane = np.column_stack([np.ones(600), *np.divmod(np.arange(600), 20)])
    assert ratio == pytest.approx(plane @ np.linalg.lstsq(plane, ratio)[0], abs=0.02)
    assert split.product(rates) == pytest.approx(rates.value, rel=0.02, abs=1e-3)


def test_a_lattice_repeats_the_product_where_it_was_taken_from():
    places = scattered()
    crowding, rates = invented_rates(places)
    split = split_rates(rates, crowding.size, sweeps=200)
    rows, columns = np.divmod(np.arange(600), 20)
    lattice = lattice_rates(split, rows, columns, (1, 1))
    middle = 15 * 20 + 10
    assert lattice[[middle], :].sum() == pytest.approx(
        split.crowding[middle] * split.reach.sum(), rel=1e-9
    )


def test_free_times_even_out_what_can_be_evened_out():
    from scipy.sparse import csr_array

    random = np.random.default_rng(8)
    wanted = random.uniform(1.0, 3.0, 25)
    rates = csr_array(np.eye(25) + 0.2 * np.eye(25, k=1))
    rates = csr_array(rates.toarray() / (rates @ wanted)[:, None])
    got = rates @ even_times(rates, np.ones(25))
    assert got == pytest.approx(1.0, abs=5e-3)
    times = even_times(csr_array(np.array([[1.0], [3.0]])), np.ones(2))
    assert times == pytest.approx([4.0 / 10.0], rel=1e-6)


# The command --------------------------------------------------------------------------------------


def test_the_command_leaves_a_case_that_can_be_run(tmp_path, capsys):
    (tmp_path / "three.toml").write_text(THREE, encoding="utf-8")
    out = tmp_path / "plan"
    words = ["dwell", str(tmp_path / "three.toml"), "--depth", "20 um", "--out", str(out)]
    assert main([*words, "--tolerance", "5 %"]) == 0
    told = capsys.readouterr().out
    assert "No schedule of this swab" in told
    assert "within 5%" in told
    assert read_case(out / "schedule.toml").strokes
    assert (out / "schedule.png").stat().st_size > 20_000
    assert (out / "schedule.csv").read_text(encoding="utf-8").startswith("wet_again,line,")
    assert main(words) == 2
    assert "is there already" in capsys.readouterr().err
