"""The run in motion: how many pictures, how large, what they show, and what is refused."""

from __future__ import annotations

import dataclasses
import importlib.util
import shutil
import sys
from itertools import pairwise

import numpy as np
import pytest
from PIL import Image
from sample_result import sample_result

from simulate.errors import InputError, ResultError
from simulate.figures import animation as moving
from simulate.figures.animation import HOLD, LAST, animate_result


@pytest.fixture(scope="module")
def result():
    return sample_result(cell=1e-3)


@pytest.fixture(scope="module")
def folder(result, tmp_path_factory):
    place = tmp_path_factory.mktemp("moving")
    animate_result(result, place)
    return place


def pictures(path):
    with Image.open(path) as image:
        for number in range(image.n_frames):
            image.seek(number)
            yield np.asarray(image.convert("RGB")).astype(int), image.info.get("duration")


@pytest.mark.parametrize("kind", ["webp", "gif"])
def test_each_kept_moment_is_a_picture_and_the_last_stays(folder, result, kind):
    shown = list(pictures(folder / f"run.{kind}"))
    assert len(shown) == result.sample_stop.size
    assert (folder / f"run.{kind}").stat().st_size < 600_000
    if kind == "gif":
        assert [duration for _, duration in shown] == [HOLD] * (len(shown) - 1) + [LAST]


def test_from_picture_to_picture_depth_grows_brighter_and_nothing_else_moves(folder):
    """The colours rise in lightness with depth; the lower half is the map of depth."""
    shown = [picture for picture, _ in pictures(folder / "run.webp")]
    lower = [picture[picture.shape[0] // 2 :].sum(axis=2) for picture in shown]
    rises = [float(np.mean(after - before)) for before, after in pairwise(lower)]
    assert sum(rises) > 0.0
    still = np.abs(shown[0][:, -30:] - shown[-1][:, -30:])  # beside the colour bar
    assert still.max() < 40


def test_the_same_run_gives_the_same_bytes(folder, result, tmp_path):
    for path in animate_result(result, tmp_path):
        assert path.read_bytes() == (folder / path.name).read_bytes()


def test_a_run_that_did_not_follow_depth_is_refused(result, tmp_path):
    with pytest.raises(InputError, match="did not follow depth"):
        animate_result(dataclasses.replace(result, sample_depth=None), tmp_path)
    with pytest.raises(InputError, match="webp, gif, mp4"):
        animate_result(result, tmp_path, ["avi"])


def test_mp4_is_written_where_there_is_a_program_and_refused_in_a_line_where_not(
    result, tmp_path, monkeypatch
):
    if shutil.which("ffmpeg") or importlib.util.find_spec("imageio_ffmpeg"):
        (path,) = animate_result(result, tmp_path, ["mp4"])
        assert path.read_bytes()[4:8] == b"ftyp"
    monkeypatch.setattr(moving.shutil, "which", lambda _: None)
    monkeypatch.setitem(sys.modules, "imageio_ffmpeg", None)
    with pytest.raises(ResultError, match="no program to write MP4"):
        animate_result(result, tmp_path, ["mp4"])
    monkeypatch.setattr(moving.shutil, "which", lambda _: "/bin/false")
    with pytest.raises(ResultError, match=r"run.*could not be written as MP4"):
        animate_result(result, tmp_path, ["mp4"])
    assert not list(tmp_path.glob(".*"))
