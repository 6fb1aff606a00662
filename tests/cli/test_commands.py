"""The command line: what it writes where, its exit status, and that it never destroys anything."""

from __future__ import annotations

import hashlib
import json
import math
import os
import subprocess
import sys
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest
from places import ROOT
from sample_result import CASE_TEXT, sample_result

from simulate import figures
from simulate.cli import main, terminal
from simulate.cli.figure_process import FigureProcesses
from simulate.cli.run_folder import RunFolder
from simulate.errors import ConvergenceError, InputError
from simulate.result.netcdf import read_result
from simulate.run import etch as etching


@pytest.fixture
def place(tmp_path, monkeypatch):
    """An empty folder to work in, with one case."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "tag.toml").write_text(CASE_TEXT, encoding="utf-8")
    return tmp_path


@pytest.fixture(scope="module")
def sample():
    return sample_result(cell=1e-3)


@pytest.fixture
def quick(sample, monkeypatch):
    """Let `etch` hand back the invented result of the samples at once."""
    asked = []

    def etch_case(case, progress=None):
        asked.append(case)
        return sample

    monkeypatch.setattr(etching, "etch_case", etch_case)
    return asked


@pytest.fixture(autouse=True)
def drawn_here(monkeypatch):
    """No second process draws, so that what draws can be replaced."""
    monkeypatch.setattr(FigureProcesses, "start", lambda _: None)


@pytest.fixture
def no_figures(monkeypatch):
    monkeypatch.setattr(figures, "draw_result", lambda *_: ())


def run(capsys, *arguments):
    status = main([str(word) for word in arguments])
    return status, *capsys.readouterr()


def refused(capsys, *arguments):
    """Exit status and complaint of a command line that cannot be read."""
    with pytest.raises(SystemExit) as left:
        main([str(word) for word in arguments])
    return left.value.code, capsys.readouterr().err


def everything(folder: Path) -> dict[str, str]:
    return {
        file.relative_to(folder).as_posix(): hashlib.sha256(file.read_bytes()).hexdigest()
        for file in folder.rglob("*")
        if file.is_file()
    }


# Words on the command line ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("typed", "hint"),
    [
        (["ecth", "tag.toml"], "there is no 'ecth' here; did you mean 'etch'?"),
        (["xylophone"], "it takes start, metals, recipe, check, etch"),
        (["etch", "tag.toml", "--forse"], "does not know '--forse'; did you mean '--force'?"),
        (["etch", "tag.toml", "--qui"], "did you mean '--quiet'?"),
        (["check", "tag.toml", "more"], "does not know 'more'"),
        (["etch"], "required: CASE"),
        (["--completion", "bsh"], "did you mean 'bash'?"),
    ],
)
def test_a_misspelt_word_gets_the_nearest_one_and_status_2(capsys, typed, hint):
    status, complaint = refused(capsys, *typed)
    assert status == 2
    assert hint in complaint
    assert len(complaint.splitlines()) == 1


def test_no_command_shows_the_commands(capsys):
    status, out, _ = run(capsys)
    assert status == 2
    assert {"start", "check", "etch"} <= set(out.split())


@pytest.mark.parametrize("command", [[], ["start"], ["check"], ["etch"]])
def test_help_fits_80_columns_and_states_the_exit_status(capsys, command):
    with pytest.raises(SystemExit) as left:
        main([*command, "--help"])
    out = capsys.readouterr().out
    assert left.value.code == 0
    assert "exit status: 0 done" in out
    assert max(map(len, out.splitlines())) <= 80


def test_version_is_that_of_the_distribution(capsys):
    with pytest.raises(SystemExit):
        main(["--version"])
    assert capsys.readouterr().out.split()[0] == "swabfield"


def test_completion_offers_the_commands(capsys):
    with pytest.raises(SystemExit):
        main(["--completion", "bash"])
    assert "etch" in capsys.readouterr().out


# start --------------------------------------------------------------------------------------------


def test_start_leaves_a_case_that_can_be_checked(capsys, place):
    status, out, _ = run(capsys, "start", "mine")
    assert status == 0
    assert "swabfield etch mine/case.toml" in out.replace("\\", "/")
    assert (place / "mine/case.toml").read_bytes() == (ROOT / "cases/garden_tag.toml").read_bytes()
    assert run(capsys, "check", "mine/case.toml")[0] == 0


def test_start_writes_over_nothing_unless_forced(capsys, place):
    (place / "case.toml").write_text("mine", encoding="utf-8")
    status, _, complaint = run(capsys, "start", ".")
    assert status == 2
    assert "case.toml: is there already; expected" in complaint
    assert (place / "case.toml").read_text(encoding="utf-8") == "mine"
    assert run(capsys, "start", ".", "--force", "--json")[0] == 0
    assert (place / "case.toml").read_text(encoding="utf-8") != "mine"


# check --------------------------------------------------------------------------------------------


def test_check_says_what_a_case_means(capsys, place):
    before = everything(place)
    status, out, complaint = run(capsys, "check", "tag.toml")
    assert (status, complaint) == (0, "")
    for words_of in ("carbon steel", "50 mm", "1.01 mol/L", "0.15 mm", "1920 s", "hydrogen"):
        assert words_of in out
    assert max(map(len, out.splitlines())) <= 80
    assert everything(place) == before


def test_check_for_machines_gives_values_in_si(capsys, place):
    status, out, _ = run(capsys, "check", "tag.toml", "--json")
    told = json.loads(out)
    assert (status, told["schema"], told["command"], told["exit"]) == (0, 1, "check", 0)
    assert told["plate"]["width"] == {"value": 0.05, "unit": "m"}
    assert told["stroke"]["time"] == {"value": 1920.0, "unit": "s"}
    assert told["liquid"]["conductivity"]["low"] < told["liquid"]["conductivity"]["value"]
    assert any("falls out" in remark for remark in told["remarks"])


def test_all_faults_of_a_file_are_told_and_nothing_is_written(capsys, place):
    text = CASE_TEXT.replace('salt = "6 g"', 'salt = "6 V"').replace("thickness", "thicknes")
    (place / "bad.toml").write_text(text, encoding="utf-8")
    before = everything(place)
    status, out, complaint = run(capsys, "etch", "bad.toml")
    assert (status, out) == (2, "")
    assert "bad.toml:11: electrolyte.salt" in complaint
    assert "thicknes" in complaint
    assert "did you mean" in complaint
    assert complaint.splitlines()[-1].endswith("faults; nothing was written.")
    assert everything(place) == before
    status, out, _ = run(capsys, "etch", "bad.toml", "--json")
    faults = json.loads(out)["faults"]
    assert status == 2
    assert {"problem", "expected", "file", "line", "key", "value"} == set(faults[0])
    assert [fault["line"] for fault in faults] == sorted(fault["line"] for fault in faults)


def test_a_file_that_is_not_there_is_bad_input(capsys, place):
    status, _, complaint = run(capsys, "check", "nowhere.toml")
    assert status == 2
    assert "nowhere.toml: cannot be read" in complaint


# etch ---------------------------------------------------------------------------------------------


def test_etch_leaves_a_folder_that_tells_the_whole_story(capsys, place, quick, sample):
    status, out, complaint = run(capsys, "etch", "tag.toml")
    assert (status, complaint) == (0, "")
    folder = place / "tag-run"
    manifest = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))
    assert (manifest["state"], manifest["exit"]) == ("done", 0)
    assert manifest["case"]["name"] == "sample_tag.toml"
    assert manifest["case"]["sha256"] == hashlib.sha256(CASE_TEXT.encode()).hexdigest()
    assert {"python", "numpy", "numba", "swabfield"} <= set(manifest["versions"])
    files = everything(folder)
    del files["manifest.json"]
    assert manifest["files"] == files
    assert {"result.nc", "summary.json", "figures/depth_map.png", "figures/depth_map.svg"} <= set(
        files
    )
    summary = json.loads((folder / "summary.json").read_text(encoding="utf-8"))
    assert summary["mean_depth"] == sample.summary["mean_depth"]
    assert read_result(folder / "result.nc").depth.max() > 0
    assert "mean depth" in out
    assert max(map(len, out.splitlines())) <= 80


def test_a_run_folder_names_no_user_and_no_absolute_path(capsys, place, quick, no_figures):
    run(capsys, "etch", place / "tag.toml", "--out", place / "out")
    for name in ("manifest.json", "summary.json"):
        text = (place / "out" / name).read_text(encoding="utf-8")
        assert str(place) not in text
        assert str(Path.home()) not in text
        assert os.uname().nodename not in text if hasattr(os, "uname") else True


def test_two_runs_of_a_case_bear_one_fingerprint(capsys, place, quick, no_figures, monkeypatch):
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "86400")
    manifests = []
    for name in ("one", "two"):
        run(capsys, "etch", "tag.toml", "--out", name)
        manifests.append(json.loads((place / name / "manifest.json").read_text(encoding="utf-8")))
    assert manifests[0]["fingerprint"] == manifests[1]["fingerprint"]
    assert manifests[0]["started"] == manifests[1]["finished"] == "1970-01-02T00:00:00Z"


def test_etch_for_machines_prints_one_object(capsys, place, quick, no_figures):
    status, out, complaint = run(capsys, "etch", "tag.toml", "--json")
    told = json.loads(out)
    assert (status, complaint) == (0, "")
    assert (told["schema"], told["command"], told["state"]) == (1, "etch", "done")
    assert told["folder"] == "tag-run"
    assert told["files"] == ["result.nc", "summary.json", "manifest.json"]
    assert told["summary"]["evenness"]["unit"] == "1"


def test_quiet_means_quiet(capsys, place, quick, no_figures):
    assert run(capsys, "etch", "tag.toml", "--quiet") == (0, "", "")
    assert run(capsys, "check", "tag.toml", "--quiet") == (0, "", "")
    assert run(capsys, "start", "d", "--quiet") == (0, "", "")


def test_a_folder_with_files_is_refused_before_any_work(capsys, place, quick, no_figures):
    (place / "out").mkdir()
    (place / "out/diary.txt").write_text("dear", encoding="utf-8")
    status, _, complaint = run(capsys, "etch", "tag.toml", "--out", "out")
    assert status == 2
    assert "out: is there already" in complaint
    assert "--force" in complaint
    assert not quick
    assert list(everything(place / "out")) == ["diary.txt"]


def test_force_replaces_the_earlier_run_and_leaves_other_files(
    capsys, place, quick, no_figures, monkeypatch
):
    folder = place / "out"
    run(capsys, "etch", "tag.toml", "--out", "out")
    (folder / "diary.txt").write_text("dear", encoding="utf-8")
    (folder / "old.png").write_text("old", encoding="utf-8")
    (place / "outside.txt").write_text("not yours", encoding="utf-8")
    manifest = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))
    manifest["files"] |= {"old.png": "", "../outside.txt": ""}
    (folder / "manifest.json").write_text(json.dumps(manifest), encoding="utf-8")
    assert run(capsys, "etch", "tag.toml", "--out", "out", "--force")[0] == 0
    assert set(everything(folder)) == {"result.nc", "summary.json", "manifest.json", "diary.txt"}
    assert (place / "outside.txt").exists()


def test_an_earlier_run_survives_a_new_one_that_fails(
    capsys, place, quick, no_figures, monkeypatch
):
    run(capsys, "etch", "tag.toml")
    before = everything(place)

    def fail(case, progress=None):
        raise ConvergenceError(
            "the potential",
            residual=1e-3,
            tolerance=1e-8,
            iterations=200,
            remedy="refine the cells",
        )

    monkeypatch.setattr(etching, "etch_case", fail)
    status, out, complaint = run(capsys, "etch", "tag.toml", "--force", "--json")
    assert status == 3
    assert "200 iterations" in complaint
    assert json.loads(out)["exit"] == 3
    assert everything(place) == before


@pytest.mark.parametrize("out", ["tag.toml", "tag.toml/deeper"])
def test_a_file_in_the_way_is_refused_before_any_work(capsys, place, quick, out):
    status, _, _ = run(capsys, "etch", "tag.toml", "--out", out, "--force")
    assert status == 2
    assert not quick


def test_an_interrupted_run_is_kept_and_says_so(capsys, place, no_figures, monkeypatch):
    monkeypatch.setattr(
        etching, "etch_case", lambda case, progress=None: sample_result(1e-3, partial=True)
    )
    status, out, complaint = run(capsys, "etch", "tag.toml")
    assert status == 130
    assert "(stopped early)" in out
    assert "tag-run holds the work so far" in complaint
    manifest = json.loads((place / "tag-run/manifest.json").read_text(encoding="utf-8"))
    assert (manifest["state"], manifest["exit"]) == ("interrupted", 130)
    assert read_result(place / "tag-run/result.nc").partial
    summary = json.loads((place / "tag-run/summary.json").read_text(encoding="utf-8"))
    assert summary["partial"] is True


def test_ctrl_c_while_drawing_keeps_the_numbers(capsys, place, quick, monkeypatch):
    def stop(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr(figures, "draw_result", stop)
    status, _, _ = run(capsys, "etch", "tag.toml")
    assert status == 130
    assert {"result.nc", "summary.json", "manifest.json"} == set(everything(place / "tag-run"))


def test_ctrl_c_before_there_is_anything_leaves_nothing(capsys, place, monkeypatch):
    def stop(case, progress=None):
        raise KeyboardInterrupt

    monkeypatch.setattr(etching, "etch_case", stop)
    status, _, complaint = run(capsys, "etch", "tag.toml")
    assert status == 130
    assert "before anything was written" in complaint
    assert not (place / "tag-run").exists()


# The whole way, nothing invented ------------------------------------------------------------------

SMALL = CASE_TEXT.replace('cell = "0.2 mm"', 'cell = "0.5 mm"').replace("passes = 4", "passes = 1")
SMALL = SMALL.replace('height = "20 mm"\nspacing = "5 mm"', 'height = "8 mm"\nspacing = "8 mm"')
LASTING = 192.0
"""Time of two lines of 48 mm at 0.5 mm/s [s]."""


def test_a_real_run_from_file_to_figures(capsys, place):
    (place / "small.toml").write_text(SMALL, encoding="utf-8")
    status, out, _ = run(capsys, "etch", "small.toml", "--json")
    told = json.loads(out)
    assert (status, told["state"]) == (0, "done")
    result = read_result(place / "small-run/result.nc")
    assert result.summary["charge"] == told["summary"]["charge"]
    assert 0.1 < told["summary"]["peak_current"]["value"] < 2.0
    assert result.duration == pytest.approx(LASTING)
    drawn = {name.split("/")[1] for name in told["files"] if name.endswith(".png")}
    assert {"depth_map.png", "density_map.png", "depth_profile.png"} <= drawn
    assert "current_history.png" in drawn


def test_ctrl_c_in_a_real_run_keeps_the_stops_up_to_there(capsys, place, no_figures, monkeypatch):
    @contextmanager
    def impatient(label, wanted):
        def step(done, total):
            assert total > 40
            if done == 20:
                raise KeyboardInterrupt

        yield step

    monkeypatch.setattr(terminal, "progress", impatient)
    (place / "small.toml").write_text(SMALL, encoding="utf-8")
    status, _, complaint = run(capsys, "etch", "small.toml")
    assert status == 130
    assert "holds the work so far and says so" in complaint
    result = read_result(place / "small-run/result.nc")
    assert result.partial
    assert 0 < result.duration < LASTING
    assert result.depth.max() > 0


# Terminal -----------------------------------------------------------------------------------------


def test_a_closed_pipe_is_no_error():
    done = subprocess.run(
        f"'{sys.executable}' -m simulate --help | true; echo ${{PIPESTATUS[0]}}",
        shell=True,
        executable="/bin/bash",
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stderr == ""
    assert done.stdout.strip() in ("0", "141")


def test_progress_is_for_terminals_alone(capsys):
    with terminal.progress("etching", wanted=True) as step:
        assert step is None


def test_progress_on_a_terminal_shows_share_and_time_left(capsys, monkeypatch):
    monkeypatch.setattr(sys.stderr, "isatty", lambda: True, raising=False)
    monkeypatch.setenv("TERM", "xterm")
    with terminal.progress("etching [bold]", wanted=True) as step:
        step(1, 4)
    shown = capsys.readouterr()
    assert shown.out == ""
    assert "25%" in shown.err
    assert "etching [bold]" in shown.err
    assert "left" in shown.err


@pytest.mark.parametrize(
    ("settings", "coloured"),
    [({}, True), ({"NO_COLOR": "1"}, False), ({"TERM": "dumb"}, False)],
)
def test_colour_only_where_it_is_welcome(monkeypatch, settings, coloured):
    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.setenv("TERM", "xterm")
    for name, value in settings.items():
        monkeypatch.setenv(name, value)
    monkeypatch.setattr(sys.stdout, "isatty", lambda: True, raising=False)
    assert ("\x1b[" in terminal.report("Title", [("Part", [("name", "value")])])) is coloured


def test_json_of_what_is_no_number_is_null():
    told = json.loads(
        terminal.as_json({"a": math.nan, "b": [math.inf, np.float64(2.5)], "c": (1,)})
    )
    assert told == {"a": None, "b": [None, 2.5], "c": [1]}
    assert json.loads(terminal.as_json({"n": np.int64(3), "x": np.array([1.0, np.nan])})) == {
        "n": 3,
        "x": [1.0, None],
    }


def test_a_folder_nobody_may_write_to_is_refused(tmp_path, monkeypatch):
    monkeypatch.setattr(os, "access", lambda *_: False)
    with pytest.raises(InputError, match="cannot be written to"):
        RunFolder(tmp_path / "deep" / "run")


def test_only_a_process_of_its_own_is_set_up(monkeypatch):
    """A caller's process is left as it is."""
    calls = []
    monkeypatch.setattr("simulate.cli.options.settle_in", lambda: calls.append(True))
    monkeypatch.setattr(sys, "argv", ["swabfield", "metals", "--quiet"])
    assert main(["metals", "--quiet"]) == 0
    assert not calls
    assert main() == 0
    assert calls
