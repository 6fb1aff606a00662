"""A second process draws a run's figures; if it fails, nothing is lacking."""

from __future__ import annotations

import os
import subprocess
import sys
import time

import pytest
from sample_result import sample_result

from simulate.cli import figure_process as artists
from simulate.cli.etch import FORMATS, _figures
from simulate.cli.figure_process import Artist
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


def test_an_artist_leaves_the_bytes_that_this_process_would(run, tmp_path):
    result, expected = run
    with Artist() as artist:
        artist.start()
        artist.order(result, tmp_path, FORMATS)
        files = artist.drawn()
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
    monkeypatch.setattr(artists, "_WAIT", fault)
    with Artist() as artist:
        artist.start()
        artist.order(run[0], tmp_path, FORMATS)
        assert artist.drawn() is None


@pytest.mark.parametrize("program", ["", sys.executable])
def test_figures_that_no_artist_drew_are_drawn_here(run, tmp_path, monkeypatch, program):
    monkeypatch.setattr(artists, "_WAIT", "raise SystemExit(1)")
    monkeypatch.setattr(artists.sys, "executable", program)
    result, expected = run
    with Artist() as artist:
        artist.start()
        artist.order(result, tmp_path, FORMATS)
        files = _figures(result, tmp_path, artist)
    assert files_of(tmp_path) == expected
    assert len(files) == len(expected)


def test_one_that_hangs_is_waited_for_no_longer_than_said_and_taken_away(
    run, tmp_path, monkeypatch
):
    monkeypatch.setattr(artists, "_WAIT", HANGS)
    monkeypatch.setattr(artists, "PATIENCE", 0.2)
    with Artist() as artist:
        artist.start()
        artist.order(run[0], tmp_path, FORMATS)
        assert artist.drawn() is None
        process = artist._process
    assert process.poll() is not None


def test_one_without_an_order_is_taken_away(monkeypatch):
    monkeypatch.setattr(artists, "_WAIT", HANGS)
    with Artist() as artist:
        artist.start()
        process = artist._process
    assert process.poll() is not None


def test_ctrl_c_reaches_the_run_alone_and_a_stopped_artist_tidies_up(run, tmp_path, monkeypatch):
    there, tidy = tmp_path / "there", tmp_path / "tidy"
    code = (
        "import pathlib, sys, time; sys.stdin.buffer.read()\n"
        f"pathlib.Path({str(there)!r}).touch()\n"
        "try:\n    time.sleep(60)\n"
        f"finally:\n    pathlib.Path({str(tidy)!r}).touch()"
    )
    monkeypatch.setattr(artists, "_WAIT", code)
    with Artist() as artist:
        artist.start()
        artist.order(run[0], tmp_path, FORMATS)
        while not there.exists():
            assert artist._process.poll() is None
            time.sleep(0.01)
        assert os.name != "posix" or os.getpgid(artist._process.pid) != os.getpgid(0)
    assert os.name != "posix" or tidy.exists()


def shared(work):
    """What it leaves when two share seven pieces of work: what is printed, and the exit status."""
    code = "import os\nfrom simulate.cli.figure_process import share\nhere = os.getpid()\n"
    code += f"{work}\nshare(7, work)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    return done.stdout.split(), done.returncode


def test_two_that_share_work_do_each_piece_once():
    said, status = shared("def work(n):\n    os.write(1, b'%d ' % n)")
    assert (sorted(said), status) == ([*"0123456"], 0)


def test_a_twin_that_fails_is_noticed():
    """Where nothing can be split there is none; then the one at work is made to fail."""
    work = "import sys, time\ndef work(n):\n    time.sleep(0.05)\n"
    work += "    assert os.getpid() == here and sys.platform == 'linux'"
    assert shared(work)[1] != 0


def test_fonts_are_read_whole():
    """A font of matplotlib bears the name of its file, unless it reads from memory."""
    code = (
        "from simulate.figures.style import read_fonts_whole\n"
        "from matplotlib.font_manager import findfont, get_font\n"
        "fonts = []\n"
        "fonts.append(get_font(findfont('DejaVu Sans')).fname)\n"
        "read_fonts_whole()\n"
        "fonts.append(get_font(findfont('DejaVu Sans:bold')).fname)\n"
        "print(*(isinstance(font, str) for font in fonts))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["True", "False"]
