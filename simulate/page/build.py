"""The classroom page: one self-contained file that shows a run, or two on one scale.

The page holds the maps in 255 steps of a stated maximum, as differences in time, deflated and in
base64; the reader's browser unpacks them. It asks the network for nothing and its content policy
forbids it to. `unpack_maps` reads the same bytes back in Python, which is how the tests check that
the page says what the result holds.

Words and layout are in ``templates/page.html``, looks in ``page.css``, behaviour in ``page.js``.
"""

from __future__ import annotations

import base64
import json
import os
from collections.abc import Sequence
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simulate.errors import Fault, InputError
from simulate.figures.profile import widest_line
from simulate.files import replacing
from simulate.page.maps_codec import STEPS, THINNINGS, Maps, cut_maps, pack_maps
from simulate.page.texts import Findings, care_for, causes_of, facts_of, questions_on
from simulate.result.result import Result
from simulate.stencil.shapes import openings
from simulate.swab.contact_patch import contact_outline
from simulate.units import format_quantity

Doubles = NDArray[np.float64]


LARGEST = 2_000_000
"""A page is held to this many bytes: first by fewer moments, then by joining cells."""


TEMPLATES = Path(__file__).parent / "templates"


def write_page(
    results: Sequence[Result],
    path: str | os.PathLike[str],
    *,
    findings: Sequence[Findings | None] = (),
    title: str = "",
) -> tuple[int, int]:
    """Write the classroom page of one or two results; a file that is there is replaced.

    Parameters
    ----------
    findings : explanations of the results in their order; fewer, or None, where there is none.
    title : heading; the titles of the cases if empty.

    Returns
    -------
    Moments kept at most, and cells joined to one along each side, so that the page stays small.

    Raises
    ------
    InputError : none or more than two results, nothing to show, or a plate too large for a page.
    ResultError : the file cannot be written.
    """
    text, thinning = page_text(results, findings=findings, title=title)
    with replacing(path) as part:
        part.write_text(text, encoding="utf-8")
    return thinning


def page_text(
    results: Sequence[Result],
    *,
    findings: Sequence[Findings | None] = (),
    title: str = "",
    largest: int = LARGEST,
) -> tuple[str, tuple[int, int]]:
    """The page as text of at most ``largest`` bytes, and which of `THINNINGS` that took."""
    if not 1 <= len(results) <= 2:
        raise InputError(Fault("not one or two runs", "one run, or two to compare", key="runs"))
    for result in results:
        if not result.sample_stop.size or not result.open_fraction.any():
            raise InputError(Fault("nothing to show", "a run with stops", key=result.case.title))
    for thinning in THINNINGS:
        text = _render(results, findings, title, thinning)
        if len(text.encode()) <= largest:
            return text, thinning
    raise InputError(Fault("the plate is too large for a page", "coarser cells", key="grid.cell"))


def read_payload(text: str) -> dict[str, Any]:
    """The data inside a page."""
    finder = _Finder()
    finder.feed(text)
    payload: dict[str, Any] = json.loads(finder.found)
    return payload


class _Finder(HTMLParser):
    """Collects the text of the script that holds the data."""

    def __init__(self) -> None:
        super().__init__()
        self.found, self.inside = "", False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.inside = tag == "script" and ("id", "data") in attrs

    def handle_data(self, data: str) -> None:
        self.found += data if self.inside else ""

    def handle_endtag(self, tag: str) -> None:
        self.inside = False


# --- the words --------------------------------------------------------------------------------


def _render(
    results: Sequence[Result],
    findings: Sequence[Findings | None],
    title: str,
    thinning: tuple[int, int],
) -> str:
    """The page, thinned as asked."""
    import jinja2
    from markupsafe import Markup

    cut = [cut_maps(result, *thinning) for result in results]
    depth = max(float(maps.depth.max()) for maps in cut)
    density = max(float(maps.density.max()) for maps in cut)
    environment = jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    parts = {name: (TEMPLATES / name).read_text("utf-8") for name in ("page.css", "page.js")}
    template = environment.from_string((TEMPLATES / "page.html").read_text("utf-8"))
    care = [care_for(result) for result in results]
    pairs = [(result, _at(findings, n)) for n, result in enumerate(results)]
    return template.render(
        title=title or " / ".join(dict.fromkeys(result.case.title for result in results)),
        style=Markup(parts["page.css"]),
        script=Markup(parts["page.js"]),
        data={
            "steps": STEPS,
            "depth": depth,
            "density": density,
            "colours": _colours(),
            "line": _first_line(results[0], cut[0]),
            "runs": [
                _run_data(result, maps, depth, density)
                for result, maps in zip(results, cut, strict=True)
            ],
        },
        runs=[facts_of(result) for result in results],
        causes=[causes_of(result, found) for result, found in pairs if found],
        care=care,
        cautions=list(dict.fromkeys(text for one in care for text in one["cautions"])),
        questions=list(questions_on(results)),
        depth_step=format_quantity(depth / STEPS, "µm", 2),
        density_step=format_quantity(density / STEPS, "A/cm2", 2).replace("cm2", "cm²"),
        join=thinning[1],
    )


def _at(findings: Sequence[Findings | None], number: int) -> Findings | None:
    return findings[number] if number < len(findings) else None


def _first_line(result: Result, maps: Maps) -> dict[str, Any]:
    """The line shown at first: that of the figures, as its way and its part of the way across."""
    start, end = widest_line(result)
    along = start[1] == end[1]
    cells, centres, place = (
        (maps.rows, result.y, start[1]) if along else (maps.columns, result.x, start[0])
    )
    number = int(np.argmin(np.abs(centres - place))) - cells.start
    return {"way": "along" if along else "up", "at": number / max(cells.stop - cells.start - 1, 1)}


def _colours() -> str:
    """The colour table of the figures: 256 times red, green, blue."""
    from matplotlib import colormaps

    table = np.rint(255.0 * colormaps["cividis"](np.arange(256))[:, :3]).astype(np.uint8)
    return base64.b64encode(table.tobytes()).decode("ascii")


def _run_data(result: Result, maps: Maps, depth: float, density: float) -> dict[str, Any]:
    """What the browser needs of one run; lengths in mm."""
    from shapely import get_parts

    count, ny, nx = maps.density.shape
    cell = 1e3 * float(result.x_edges[1] - result.x_edges[0]) * maps.join
    stops = result.sample_stop[maps.moments]
    rings = [
        (1e3 * np.asarray(ring.coords)).round(3).tolist()
        for part in get_parts(openings(result.case.stencil))
        for ring in (part.exterior, *part.interiors)
    ]
    return {
        "title": result.case.title,
        "nx": nx,
        "ny": ny,
        "left": round(1e3 * float(result.x_edges[maps.columns.start]), 6),
        "bottom": round(1e3 * float(result.y_edges[maps.rows.start]), 6),
        "cell": round(cell, 6),
        "moments": count,
        "depths": maps.depth.shape[0],
        "times": (result.time[stops] + result.dwell[stops]).round(2).tolist(),
        "current": result.current[stops].round(4).tolist(),
        "swab": (1e3 * np.stack([result.swab_x[stops], result.swab_y[stops]], 1)).round(3).tolist(),
        "contact": (1e3 * contact_outline(result.case.swab)).round(3).tolist(),
        "rings": rings,
        "open": pack_maps(maps.open_fraction[None], 1.0),
        "depth": pack_maps(maps.depth, depth),
        "density": pack_maps(maps.density, density),
    }
