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
import zlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from html.parser import HTMLParser
from math import exp
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simulate.errors import Fault, InputError
from simulate.figures.profile import widest_line
from simulate.files import replacing
from simulate.materials.removal import charge_for_depth
from simulate.result.result import Result
from simulate.safety.precautions import after_run
from simulate.stencil.shapes import openings
from simulate.swab.contact_patch import contact_outline
from simulate.units import format_quantity

Doubles = NDArray[np.float64]
Findings = Mapping[str, Any]
"""An explanation as plain values: `Explanation.summary`, or what `explain` wrote to its file."""

STEPS = 255
"""Steps of a map between nothing and its maximum."""

LARGEST = 2_000_000
"""A page is held to this many bytes: first by fewer moments, then by joining cells."""

THINNINGS = ((24, 1), (12, 1), (12, 2), (6, 2), (6, 4), (3, 8))
"""Most moments kept, and cells joined to one along each side, from the finest page down."""

MARGIN = 4  # cells shown around the openings
SLIGHT = 1e-4  # a relative numerical error below this is not told

TEMPLATES = Path(__file__).parent / "templates"


@dataclass(frozen=True, eq=False)
class Maps:
    """The maps of one run as the page holds them.

    Parameters
    ----------
    depth : [m], (moments, ny, nx), or one map where the run did not follow depth.
    density : current density [A/m2], (moments, ny, nx). open_fraction : [-], (ny, nx).
    moments : which of the maps the run kept, (moments,).
    rows, columns : cells of the run's maps that are shown.
    join : so many of them along each side make one cell of the page.
    """

    depth: Doubles
    density: Doubles
    open_fraction: Doubles
    moments: NDArray[np.int64]
    rows: slice
    columns: slice
    join: int


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


# --- the maps ---------------------------------------------------------------------------------


def cut_maps(result: Result, most: int = THINNINGS[0][0], join: int = 1) -> Maps:
    """Crop a run's maps to its openings, thin them in time, join cells.

    Parameters
    ----------
    most : moments kept at most, spread evenly over those of the run, first and last among them.
    join : cells joined to one along each side; a joined cell has the mean over its open area.
    """
    rows, columns = (_span(result.open_fraction.max(axis=axis)) for axis in (1, 0))
    count = result.sample_stop.size
    moments = np.unique(np.linspace(0, count - 1, min(most, count)).round().astype(np.int64))
    weight = result.open_fraction[rows, columns]
    depth = result.depth[None] if result.sample_depth is None else result.sample_depth[moments]

    def fit(maps: NDArray[Any]) -> Doubles:
        return _joined(maps[:, rows, columns].astype(np.float64), weight, join)

    return Maps(
        depth=fit(depth),
        density=fit(result.sample_density[moments]),
        open_fraction=_joined(weight[None], np.ones_like(weight), join)[0],
        moments=moments,
        rows=rows,
        columns=columns,
        join=join,
    )


def _span(is_open: Doubles) -> slice:
    """From the first to the last that is open, with a margin."""
    where = np.flatnonzero(is_open)
    return slice(max(int(where[0]) - MARGIN, 0), min(int(where[-1]) + MARGIN + 1, is_open.size))


def _joined(maps: Doubles, weight: Doubles, join: int) -> Doubles:
    """Means over join x join cells of maps (n, ny, nx), weighted by (ny, nx)."""
    if join == 1:
        return maps
    ny, nx = weight.shape
    pad = ((0, -ny % join), (0, -nx % join))
    shape = (-(-ny // join), join, -(-nx // join), join)
    heavy = np.pad(maps * weight, ((0, 0), *pad)).reshape(-1, *shape).sum(axis=(2, 4))
    light = np.pad(weight, pad).reshape(shape).sum(axis=(1, 3))
    return np.asarray(np.divide(heavy, light, out=np.zeros_like(heavy), where=light > 0.0))


def pack_maps(maps: Doubles, largest: float) -> str:
    """Maps (n, ny, nx) as text: steps of ``largest`` / `STEPS`, differences in time, deflate."""
    steps = np.zeros(maps.shape, np.uint8)
    if largest > 0.0:
        steps = np.clip(np.rint(maps * (STEPS / largest)), 0, STEPS).astype(np.uint8)
    steps[1:] -= steps[:-1].copy()
    squeezer = zlib.compressobj(9, zlib.DEFLATED, -zlib.MAX_WBITS)
    packed = squeezer.compress(steps.tobytes()) + squeezer.flush()
    return base64.b64encode(packed).decode("ascii")


def unpack_maps(text: str, shape: tuple[int, int, int], largest: float) -> Doubles:
    """What `pack_maps` was given, to half a step."""
    raw = zlib.decompress(base64.b64decode(text), -zlib.MAX_WBITS)
    steps = np.frombuffer(raw, np.uint8).reshape(shape)
    return np.asarray(np.cumsum(steps, axis=0, dtype=np.uint8) * (largest / STEPS))


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
    care = [_care(result) for result in results]
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
        runs=[_facts(result) for result in results],
        causes=[_causes(result, found) for result, found in pairs if found],
        care=care,
        cautions=list(dict.fromkeys(text for one in care for text in one["cautions"])),
        questions=list(_questions(results)),
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


_ROWS = (
    ("mean depth", "mean_depth", "µm"),
    ("deepest place", "max_depth", "µm"),
    ("evenness (1 is perfectly even)", "evenness", ""),
    ("depth at rims over depth elsewhere", "edge_ratio", ""),
    ("open area", "open_area", "cm2"),
    ("charge passed", "charge", "C"),
    ("highest current", "peak_current", "A"),
    ("time of the whole stroke", "duration", "s"),
    ("metal removed", "removed_mass", "mg"),
)


def _facts(result: Result) -> dict[str, Any]:
    """Rows of the table of numbers."""
    summary = result.summary
    rows = [(label, _shown(summary[name], unit)) for label, name, unit in _ROWS]
    errors = [
        f"{name.replace('_', ' ')} {format_quantity(abs(error), '%', 2)}"
        for name, error in result.numerical.items()
        if abs(error) >= SLIGHT
    ]
    none = f"below {format_quantity(SLIGHT, '%')}" if result.numerical else "not estimated"
    rows.append(("numerical error, about", "; ".join(errors) or none))
    return {"title": result.case.title, "partial": result.partial, "rows": rows}


def _shown(quantity: Mapping[str, Any], unit: str) -> str:
    value = quantity["value"]
    return "none" if value is None else format_quantity(value, unit).replace("cm2", "cm²")


_HEADS = {
    "evenness": "unevenness",
    "edge_ratio": "rims / rest",
    "narrow_to_wide": "narrow / wide",
    "spots": "A / B",
}


def _causes(result: Result, found: Findings) -> dict[str, Any]:
    """The table of an explanation: causes down, measures across, factors; and its sentences."""
    measures = {name: one for name, one in found["measures"].items() if name in _HEADS}
    sentences = {name: str(text) for name, text in found["sentences"].items()}
    rows = [
        (
            sentences[cause].split(":")[0],
            [f"×{exp(one['shares'][cause]):.2f}" for one in measures.values()],
        )
        for cause in sentences
    ]
    return {
        "title": result.case.title,
        "heads": [_HEADS[name] for name in measures],
        "total": [f"×{exp(one['log_ratio']):.2f}" for one in measures.values()],
        "rows": rows,
        "sentences": list(sentences.values()),
    }


def _care(result: Result) -> dict[str, Any]:
    """The safety box: what is past a limit, what calls for watching, what to tell people."""
    box = after_run(result)
    room, assumed = box.room, " (assumed)" if box.room_assumed else ""
    changes = 3600.0 * room.air_changes
    said = {verdict.advice for verdict in box.verdicts if verdict.level != "fine"}
    return {
        "title": result.case.title,
        "room": f"A room of {room.volume:g} m³ with {changes:g} air changes an hour{assumed}.",
        "past": [verdict.sentence() for verdict in box.of_level("past")],
        "watch": [verdict.sentence() for verdict in box.of_level("watch")],
        "cautions": [text for text in box.cautions if text not in said],
    }


def _questions(results: Sequence[Result]) -> Iterator[tuple[str, str]]:
    """Questions to think about before looking, each with its answer from the numbers."""
    result = results[0]
    summary, metal = result.summary, result.case.metal
    mean, edge = summary["mean_depth"]["value"], summary["edge_ratio"]["value"]
    area, charge = summary["open_area"]["value"], summary["charge"]["value"]
    if edge is not None:
        deeper = "deeper" if edge > 1.02 else "shallower" if edge < 0.98 else "about as deep"
        yield (
            "Does metal beside the edge of the mask go deeper than metal in the middle? Why?",
            f"Here it is {deeper}: within 0.1 mm of a rim the etch is {edge:.2f} times as deep as "
            "elsewhere. Liquid above the mask brings current to a rim from the side too, which "
            "makes rims deeper; a tall wall of mask, a resisting surface or a film on the metal "
            "even it out.",
        )
    if mean and mean > 0.0:
        need = float(charge_for_depth(metal, mean)) * area
        yield (
            f"{charge:.3g} C passed. How would you work the mean depth out from that?",
            f"Spread over the open area that is {1e-4 * charge / area:.3g} C/cm². By Faraday's law "
            f"{need:.3g} C take {1e6 * mean:.3g} µm off so much {metal.label.lower()}.",
        )
    yield (
        "If the swab were drawn twice as fast but twice as often, what would change?",
        "Little in the mean: depth follows the time each place spends under the swab, and that "
        "stays the same. Marks of the turns and of the lifts may change.",
    )
    if len(results) == 2:
        yield "Which of the two is more even? Decide by eye before you look.", _more_even(results)


def _more_even(results: Sequence[Result]) -> str:
    """Which of two runs is more even, in a sentence."""
    names = ("The first", "The second")
    values = [result.summary["evenness"]["value"] for result in results]
    if None in values:
        return "One of them etched nothing, so there is nothing to compare."
    winner = int(np.argmax(values))
    numbers = " against ".join(f"{values[n]:.3f}" for n in (winner, 1 - winner))
    return f"{names[winner]}: evenness {numbers}."
