"""The safety box of a case and of a run: what is past a limit is never silent."""

from __future__ import annotations

import json

import numpy as np
import pytest
from places import CASES
from sample_result import sample_result

from simulate.case.case import read_case, with_changes
from simulate.estimate.forecast import forecast_of
from simulate.estimate.inputs import bench_of
from simulate.safety.assessment import DEFERENCE
from simulate.safety.precautions import after_run, foreseen

CROWDED = {"room.volume": "15 m3", "room.air_changes": "0.3 /h", "room.swabs": 15}
STRONG = {"supply.name": "alkaline_9v", "electrolyte.salt": "11 g"}
VERDICT = {
    "topic", "level", "words", "value", "low", "high", "unit", "shown_in", "source", "confidence",
    "limit", "limit_source", "bound", "advice", "sentence",
}  # fmt: skip


@pytest.fixture(scope="module")
def tag():
    return read_case(CASES / "garden_tag.toml")


def test_a_tag_in_an_aired_shed_is_no_case_past_a_limit(tag):
    box = foreseen(tag)
    assert box.severity == "watch"
    assert not box.room_assumed
    assert DEFERENCE in box.cautions


def test_many_swabs_in_a_small_closed_room_are_past_the_chlorine_bound(tag):
    box = foreseen(with_changes(tag, CROWDED | STRONG))
    assert box.severity == "past"
    assert box.verdicts[0].topic == "chlorine bound"
    assert box.verdicts[0].severity == "past"


def test_stainless_brings_chromium_and_nickel_into_the_box(tag):
    topics = {v.topic: v for v in foreseen(with_changes(tag, {"plate.metal": "304"})).verdicts}
    assert {"chromium", "hexavalent chromium", "nickel"} <= set(topics)
    assert topics["chromium"].severity == "watch"
    assert not {"chromium", "nickel"} & {v.topic for v in foreseen(tag).verdicts}


def test_a_case_without_a_room_is_judged_in_a_small_closed_one():
    case = read_case(CASES / "press_and_hold.toml")
    box = foreseen(case)
    assert box.room_assumed
    assert (box.room.volume, round(box.room.air_changes * 3600.0, 9)) == (30.0, 0.5)
    assert box.plain()["room"]["assumed"] is True


def test_the_box_is_plain_json_in_si(tag):
    told = json.loads(json.dumps(foreseen(tag).plain()))
    assert set(told) == {"level", "room", "verdicts", "cautions"}
    assert all(set(verdict) == VERDICT for verdict in told["verdicts"])
    skin = next(v for v in told["verdicts"] if v["topic"] == "skin")
    assert (skin["unit"], skin["shown_in"]) == ("K", "degC")
    assert 290.0 < skin["low"] <= skin["value"] <= skin["high"] < 380.0
    hydrogen = next(v for v in told["verdicts"] if v["topic"] == "hydrogen under a lid")
    charge = forecast_of(bench_of(tag)).charge.value
    assert hydrogen["value"] == pytest.approx(charge * 0.1268e-6 / 1e-3, rel=1e-3)


def test_after_a_run_its_own_charge_and_time_count():
    run = sample_result(cell=1e-3)
    charge = float((run.current * run.dwell).sum())
    topics = {v.topic: v for v in after_run(run).verdicts}
    lid = topics["hydrogen under a lid"].value
    assert lid.value == pytest.approx(charge * 0.1268e-6 / 1e-3, rel=1e-3)
    assert lid.low < lid.value < lid.high


def test_a_run_stopped_before_its_first_stop_gets_the_box_of_its_case():
    from dataclasses import replace

    run = sample_result(cell=1e-3)
    names = ("time", "dwell", "current", "voltage", "swab_x", "swab_y", "rewet")
    empty = {name: getattr(run, name)[:0] for name in names}
    none = replace(
        run,
        **empty,
        temperature=None,
        sample_stop=np.zeros(0, np.int64),
        sample_density=run.sample_density[:0],
        sample_depth=None if run.sample_depth is None else run.sample_depth[:0],
    )
    assert after_run(none).plain() == foreseen(run.case).plain()


def test_no_current_is_no_gas():
    case = with_changes(
        read_case(CASES / "press_and_hold.toml"), {"supply.emf": "0.05 V", "plate.metal": "304"}
    )
    forecast = forecast_of(bench_of(case))
    assert (forecast.current.value, forecast.depth.value, forecast.time) == (0.0, 0.0, None)
    assert foreseen(case, forecast).severity != "past"
