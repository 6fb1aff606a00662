"""Background processes draw a run's figures; if they fail, nothing is lacking."""

from __future__ import annotations

import os
import sys
import time

import pytest
from sample_result import sample_result

from simulate.cli import figure_process as module
from simulate.cli.etch import FORMATS, _figures
from simulate.cli.figure_process import FigureProcesses
from simulate.figures import draw_result
from simulate.figures.gallery import USUAL

HANGS = "import time; time.sleep(60)"


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    """A result, and all its figures drawn by this process."""
    folder = tmp_path_factory.mktemp("run")
    result = sample_result()
    draw_result(result, folder, FORMATS, figures=USUAL)
    return result, files_of(folder)


def files_of(folder):
    return {file.name: file.read_bytes() for file in folder.iterdir()}


def test_background_processes_leave_the_bytes_that_this_process_would(run, tmp_path):
    result, expected = run
    with FigureProcesses() as drawing:
        drawing.start()
        drawing.submit(result, tmp_path, FORMATS)
        files = drawing.files()
    assert files_of(tmp_path) == expected
    assert [file.name for file in files] == [f"{n}.{kind}" for n in USUAL for kind in FORMATS]


@pytest.mark.parametrize(
    "fault",
    [
        "raise SystemExit(1)",
        "import sys; sys.stdin.buffer.read(); 1 / 0",
        "import sys; sys.stdin.buffer.read(); print('no list of files')",
        "import sys; sys.stdin.buffer.read(1)",
    ],
)
def test_one_that_fails_hands_no_figures_back(run, tmp_path, monkeypatch, fault):
    monkeypatch.setattr(module, "_WAIT", fault)
    with FigureProcesses() as drawing:
        drawing.start()
        drawing.submit(run[0], tmp_path, FORMATS)
        assert drawing.files() is None


@pytest.mark.parametrize("program", ["", sys.executable])
def test_figures_not_drawn_in_the_background_are_drawn_here(run, tmp_path, monkeypatch, program):
    monkeypatch.setattr(module, "_WAIT", "raise SystemExit(1)")
    monkeypatch.setattr(module.sys, "executable", program)
    result, expected = run
    with FigureProcesses() as drawing:
        drawing.start()
        drawing.submit(result, tmp_path, FORMATS)
        files = _figures(result, tmp_path, drawing)
    assert files_of(tmp_path) == expected
    assert len(files) == len(expected)


def test_one_that_hangs_is_waited_for_no_longer_than_said_and_taken_away(
    run, tmp_path, monkeypatch
):
    monkeypatch.setattr(module, "_WAIT", HANGS)
    monkeypatch.setattr(module, "PATIENCE", 0.2)
    with FigureProcesses() as drawing:
        drawing.start()
        drawing.submit(run[0], tmp_path, FORMATS)
        assert drawing.files() is None
        process = drawing._processes[0]
    assert process.poll() is not None


def test_one_without_a_job_is_taken_away(monkeypatch):
    monkeypatch.setattr(module, "_WAIT", HANGS)
    with FigureProcesses() as drawing:
        drawing.start()
        process = drawing._processes[0]
    assert process.poll() is not None


def test_ctrl_c_reaches_the_run_alone_and_a_stopped_process_tidies_up(run, tmp_path, monkeypatch):
    there, tidy = tmp_path / "there", tmp_path / "tidy"
    code = (
        "import pathlib, sys, time; sys.stdin.buffer.read()\n"
        f"pathlib.Path({str(there)!r}).touch()\n"
        "try:\n    time.sleep(60)\n"
        f"finally:\n    pathlib.Path({str(tidy)!r}).touch()"
    )
    monkeypatch.setattr(module, "_WAIT", code)
    with FigureProcesses() as drawing:
        drawing.start()
        drawing.submit(run[0], tmp_path, FORMATS)
        while not there.exists():
            assert drawing._processes[0].poll() is None
            time.sleep(0.01)
        assert os.name != "posix" or os.getpgid(drawing._processes[0].pid) != os.getpgid(0)
    assert os.name != "posix" or tidy.exists()
