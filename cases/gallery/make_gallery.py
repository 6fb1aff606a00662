"""The pictures of the README, made anew from the cases: every kind of figure once.

    python cases/gallery/make_gallery.py

`python tools.py gallery` does the same in a few minutes. The cases are invented, and so is every
number in the pictures. PNGs keep 128 colours, to be small.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import simulate as sf
from simulate.figures.gallery import BESIDE, FIGURES, write_figures
from simulate.sweep.axes import parse_vary
from simulate.sweep.run import run_sweep

HERE = Path(__file__).parent
CASES = HERE.parent
COLOURS = 128

OF_THE_DEMO = (
    "depth_map",
    "cell",
    "section",
    "density_moments",
    "map_row",
    "depth_profile",
    "current_history",
)
"""Figures of the garden tag."""

DESIGN = ("stencil.thickness=0.05..0.35 mm:4", "electrolyte.salt=1..7 g:4")
"""What the design chart varies, of the disc that is pressed and held."""

NAMES = (*OF_THE_DEMO, "exact_profile", "comparison", "design_chart")
"""All pictures, each a PNG of that name."""


def pictures() -> Iterator[tuple[str, Any]]:
    """Names and figures, one after the other."""
    tag = _etched("garden_tag")
    for name in OF_THE_DEMO:
        yield name, FIGURES[name](tag)
    yield "exact_profile", FIGURES["exact_profile"](_etched("press_and_hold"))
    masks = ("thin_mask", "thick_mask")
    names = [name.replace("_", " ") for name in masks]
    yield "comparison", BESIDE["comparison"]([_etched(name) for name in masks], names)


def _etched(name: str) -> sf.Result:
    return sf.etch_case(sf.read_case(CASES / f"{name}.toml"))


def make(tell: Callable[[str], None] = print) -> None:
    """Draw everything into this folder."""
    with TemporaryDirectory() as place:
        for picture in pictures():
            (file,) = write_figures([picture], place, ("png",))
            tell(f"{file.name}: {shrink(file, HERE / file.name) / 1e3:.0f} kB")
        case = sf.read_case(CASES / "press_and_hold.toml")
        swept = run_sweep(case, [parse_vary(text) for text in DESIGN], workers=1)
        chart = Path(place) / "design_chart.png"
        sf.draw_sweep(swept, chart, "edge_ratio")
        tell(f"{chart.name}: {shrink(chart, HERE / chart.name) / 1e3:.0f} kB")


def shrink(picture: Path, to: Path) -> int:
    """Write a picture with few colours; its size [bytes]."""
    from PIL import Image

    with Image.open(picture) as image:
        image.convert("RGB").quantize(COLOURS, method=1, dither=0).save(to, optimize=True)
    return to.stat().st_size


if __name__ == "__main__":
    make()
