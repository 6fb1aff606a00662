"""The pictures of the README: small, complete, and called invented."""

from __future__ import annotations

import re

import pytest
from PIL import Image
from places import ROOT
from scripts import load_script

FOLDER = ROOT / "cases" / "gallery"
README = (ROOT / "README.md").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def maker():
    return load_script(FOLDER / "make_gallery.py")


def test_the_gallery_holds_what_its_command_makes_and_nothing_else(maker):
    assert {file.name for file in FOLDER.iterdir() if file.suffix != ".py"} - {"__pycache__"} == {
        f"{name}.png" for name in maker.NAMES
    }


def test_every_figure_that_can_be_drawn_is_there_once(maker):
    known = {*maker.FIGURES, "comparison", "design_chart"} - {"density_map"}  # one of the moments
    assert set(maker.NAMES) == known


def test_pictures_are_small_and_as_wide_as_all_figures(maker):
    sizes = []
    for name in maker.NAMES:
        file = FOLDER / f"{name}.png"
        sizes.append(file.stat().st_size)
        with Image.open(file) as picture:
            assert picture.width == 1280, name
    assert max(sizes) < 120_000
    assert sum(sizes) < 1_000_000


def test_the_readme_shows_pictures_that_are_there_and_calls_each_invented():
    shown = re.findall(r"!\[([^\]]+)\]\(([^)]+)\)\n+(\*[^*]+\*)?", README)
    assert len(shown) >= 4
    for words, file, caption in shown:
        assert (ROOT / file).is_file()
        assert "invented" in words + caption.lower(), file


def test_shrinking_keeps_what_is_seen(maker, tmp_path):
    big = tmp_path / "big.png"
    shades = Image.radial_gradient("L").convert("RGB")
    shades.save(big)
    size = maker.shrink(big, tmp_path / "small.png")
    assert size == (tmp_path / "small.png").stat().st_size
    with Image.open(tmp_path / "small.png") as small:
        pairs = zip(small.convert("L").tobytes(), shades.convert("L").tobytes(), strict=True)
        assert max(abs(a - b) for a, b in pairs) <= 4
