"""A second process draws half of a long run's figures; if it fails, nothing is lacking."""

from __future__ import annotations

import pytest
from sample_result import sample_result

from simulate.cli import second_artist
from simulate.cli.etch import FORMATS, _draw
from simulate.cli.second_artist import WORTHWHILE, SecondArtist
from simulate.figures import draw_result
from simulate.figures.gallery import USUAL
from simulate.result import write_result


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    """A result, its file, and all its figures drawn by one process."""
    folder = tmp_path_factory.mktemp("run")
    result = sample_result()
    write_result(result, folder / "result.nc")
    draw_result(result, folder / "alone", FORMATS, figures=USUAL)
    return result, folder


def files_of(folder):
    return {file.name: file.read_bytes() for file in folder.iterdir()}


def expected(run):
    return files_of(run[1] / "alone")


def test_two_processes_leave_the_bytes_of_one(run, tmp_path):
    result, folder = run
    with SecondArtist() as artist:
        artist.expect(WORTHWHILE)
        files = _draw(result, folder / "result.nc", tmp_path, artist)
    assert files_of(tmp_path) == expected(run)
    assert [file.name for file in files] == [f"{n}.{kind}" for n in USUAL for kind in FORMATS]


def test_a_short_run_is_drawn_by_one_process(run, tmp_path, monkeypatch):
    monkeypatch.setattr(second_artist.subprocess, "Popen", None)  # to start one would raise
    result, folder = run
    with SecondArtist() as artist:
        artist.expect(WORTHWHILE - 1)
        _draw(result, folder / "result.nc", tmp_path, artist)
        assert not artist.finished()
    assert files_of(tmp_path) == expected(run)


@pytest.mark.parametrize(
    "fault", ["raise SystemExit(1)", "import sys; sys.stdin.readline(); 1 / 0"]
)
def test_one_that_fails_leaves_no_figure_out(run, tmp_path, monkeypatch, fault):
    monkeypatch.setattr(second_artist, "_WAIT", fault)
    result, folder = run
    with SecondArtist() as artist:
        artist.expect(WORTHWHILE)
        _draw(result, folder / "result.nc", tmp_path, artist)
    assert files_of(tmp_path) == expected(run)


def test_one_that_hangs_is_waited_for_no_longer_than_said_and_taken_away(run, monkeypatch):
    monkeypatch.setattr(second_artist, "_WAIT", "import time; time.sleep(60)")
    monkeypatch.setattr(second_artist, "PATIENCE", 0.2)
    with SecondArtist() as artist:
        artist.expect(WORTHWHILE)
        assert not artist.finished()
        process = artist._process
    assert process.poll() is not None
