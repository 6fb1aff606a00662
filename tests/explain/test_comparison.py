"""Cases beside each other: differences beyond the errors marked, all else called equal."""

from __future__ import annotations

import dataclasses
import json
import math

import numpy as np
import pytest
from sample_result import sample_result

import simulate as sf
from simulate.case.settings import Aim
from simulate.cli import main
from simulate.errors import InputError
from simulate.explain.comparison import (
    Row,
    battery_share,
    compare_results,
    stated_error,
    told_apart,
)
from simulate.run import etch as etching


@pytest.fixture(scope="module")
def sample():
    return sample_result(cell=1e-3)


def deeper(result: sf.Result, factor: float) -> sf.Result:
    return dataclasses.replace(result, depth=factor * result.depth)


def test_what_differs_by_more_than_the_errors_is_marked(sample):
    """The sample states an error of 0.6 % of its mean depth."""
    found = compare_results([sample, deeper(sample, 1.05), deeper(sample, 1.01)], "abc")
    assert found.row("mean_depth").verdicts == ("equal", "more", "equal")
    assert found.row("mean_depth").differs
    assert found.row("charge").verdicts == ("equal",) * 3
    assert not found.row("charge").differs


def test_two_values_are_told_apart_by_their_errors_together():
    row = Row("x", "x", "1", "", (1.0, 1.1, 0.8, math.nan), (0.06, 0.05, 0.1, 0.0))
    assert row.verdicts == ("equal", "equal", "less", "none")
    assert row.differs
    near = Row("x", "x", "1", "", (1.0, 1.1), (0.06, 0.05))
    assert not near.differs


def test_values_are_those_of_the_summaries(sample):
    found = compare_results([sample, deeper(sample, 2.0)], ["one", "two"])
    mean = sample.summary["mean_depth"]["value"]
    assert found.row("mean_depth").values == pytest.approx((mean, 2.0 * mean))
    assert found.row("evenness").values == pytest.approx((sample.summary["evenness"]["value"],) * 2)
    assert found.row("mean_depth").errors == pytest.approx((0.006 * mean, 0.012 * mean), rel=2e-3)
    low, high = found.row("mean_depth").bands[0]
    assert low < mean < high


def test_time_to_depth_is_that_of_the_aim_at_the_runs_pace(sample):
    aimed = dataclasses.replace(sample.case, aim=Aim(depth=1e-5))
    with_aim = dataclasses.replace(sample, case=aimed)
    found = compare_results([with_aim, deeper(with_aim, 2.0), sample], "abc")
    first, second, third = found.row("time_to_depth").values
    assert first == pytest.approx(sample.duration * 1e-5 / sample.summary["mean_depth"]["value"])
    assert second == pytest.approx(0.5 * first)
    assert math.isnan(third)
    assert found.row("time_to_depth").verdicts == ("equal", "less", "none")


def test_a_run_without_an_error_of_its_cells_is_told_so(sample):
    bare = dataclasses.replace(sample, numerical={"window_rim": 2e-3, "stop_spacing": 1e-3})
    assert stated_error(bare, "mean_depth") == pytest.approx(3e-3, rel=1e-2)
    carried = {"interpolation": 4e-3, "surface_blocks": 5e-3, "mean_depth": 6e-3}
    more = dataclasses.replace(bare, numerical={**bare.numerical, **carried})
    assert stated_error(more, "mean_depth") == pytest.approx(0.017, rel=1e-2)
    assert not compare_results([bare, sample], "ab").grid_error_stated
    assert compare_results([sample, sample], "ab").grid_error_stated


def test_the_share_of_a_battery_is_charge_over_capacity(sample):
    assert math.isnan(battery_share(sample))  # a bench supply
    text = sample.case.text.replace('emf = "9 V"\nresistance = "1.7 ohm"', 'name = "alkaline_9v"')
    battery = dataclasses.replace(sample, case=sf.parse_case(text))
    doubled = dataclasses.replace(battery, dwell=2.0 * battery.dwell)
    assert 0.0 < battery_share(battery) < 10.0
    assert battery_share(doubled) == pytest.approx(2.0 * battery_share(battery))


def test_names_that_repeat_are_numbered(sample):
    assert told_apart(["a", "b", "a"]) == ("a (1)", "b", "a (3)")
    with pytest.raises(InputError, match="do not tell"):
        compare_results([sample, sample], ["same", "same"])


def test_one_result_alone_is_refused(sample):
    with pytest.raises(InputError, match="beside each other"):
        compare_results([sample], ["one"])


def test_a_comparison_draws_itself_and_is_ready_for_json(sample, tmp_path):
    found = compare_results([sample, deeper(sample, 1.2)], ["a", "b"])
    files = sf.draw_comparison(found, tmp_path, ("png",))
    assert [file.name for file in files] == ["maps.png", "profiles.png"]
    plain = json.loads(json.dumps(found.summary))
    assert plain["rows"]["mean_depth"]["against_the_first"] == ["equal", "more"]
    assert plain["rows"]["battery"]["values"] == [None, None]


def test_maps_are_drawn_on_one_scale(sample):
    from simulate.figures.comparison import beside_maps, beside_profiles

    pair = [sample, deeper(sample, 1.5)]
    figure = beside_maps(pair, ["a", "b"])
    meshes = [c for ax in figure.axes for c in ax.collections if hasattr(c, "get_array")]
    limits = {mesh.get_clim() for mesh in meshes if np.size(mesh.get_array()) > 1000}
    assert len(limits) == 1
    lines = beside_profiles(pair, ["a", "b"]).axes[0].get_lines()
    first, second = lines[: len(lines) // 2], lines[len(lines) // 2 :]
    assert first
    for one, other in zip(first, second, strict=True):
        assert other.get_ydata() == pytest.approx(1.5 * one.get_ydata())


def test_the_command_etches_cases_and_takes_runs(sample, tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(etching, "etch_case", lambda case, progress=None: sample)
    (tmp_path / "tag.toml").write_text(sample.case.text, encoding="utf-8")
    sf.write_result(deeper(sample, 1.3), tmp_path / "other.nc")
    assert main(["compare", "tag.toml", "other.nc", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["summary"]["names"] == ["tag", "other"]
    assert told["summary"]["rows"]["mean_depth"]["against_the_first"] == ["equal", "more"]
    assert (tmp_path / "compare" / "figures" / "maps.svg").exists()
    assert main(["compare", "tag.toml", "other.nc", "--out", "again"]) == 0
    text = capsys.readouterr().out
    assert "um +" in text
    assert "Equal: " in text


def test_faults_of_all_cases_are_told_at_once(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "bad.toml").write_text("title = 3", encoding="utf-8")
    assert main(["compare", "bad.toml", "missing.toml", "--json"]) == 2
    faults = json.loads(capsys.readouterr().out)["faults"]
    assert {"bad.toml", "missing.toml"} <= {fault["file"] for fault in faults}
    assert main(["compare", "bad.toml"]) == 2
