"""Shapes of a vector drawing to areas: curves flattened, fills by their rule, strokes widened."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from math import acos, ceil, pi
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from simulate.stencil.outlines import FLATNESS, as_areas, fill_rings, moved_areas
from simulate.stencil_files.limits import (
    MAX_LENGTH,
    MAX_PIECES,
    MAX_POINTS,
    check_outlines,
    refuse,
)
from simulate.stencil_files.pen import PIXEL, Run, moved, stretch, times

if TYPE_CHECKING:
    from shapely import MultiPolygon

Floats = NDArray[np.float64]

CAPS = {"butt": "flat", "round": "round", "square": "square"}
JOINS = {"miter": "mitre", "round": "round", "bevel": "bevel"}
ROUND_POINTS = 300_000  # most points of all round joins and caps of one stroke
VANISHING = 1e-15  # a shape shrunk to less than this of a metre per unit is not there


@dataclass(frozen=True)
class Drawn:
    """One shape to draw: its runs of the pen, resolved style, and matrix (2, 3) to CSS pixels.

    stroke : full width of the stroke in the shape's own units, 0 for none.
    rule : how its inside is filled, "nonzero" or "evenodd"; empty for not at all.
    """

    runs: tuple[Run, ...]
    matrix: Floats
    rule: str
    stroke: float
    style: dict[str, str]


def painted_area(
    path: Path, drawn: Sequence[Drawn], scale: float | None, width: float | None, height: float
) -> MultiPolygon:
    """The union of all fills and strokes [m], y up from the page's lower edge.

    scale : [m] per CSS pixel; if None it is chosen so that all is about ``width`` [m] wide.
    height : of the page [px].
    """
    import shapely

    if sum(len(shape.runs) for shape in drawn) > 2 * MAX_PIECES:
        refuse(path, f"more than {2 * MAX_PIECES} outlines", "a simpler drawing")
    metres = _scale_to(drawn, width or 1.0) if scale is None else scale
    down = np.array([[metres, 0.0, 0.0], [0.0, -metres, metres * height]])
    seen = [(shape, times(down, shape.matrix)) for shape in drawn]
    drawn = [shape for shape, matrix in seen if not stretch(matrix) < VANISHING]
    matrices = [matrix for _, matrix in seen if not stretch(matrix) < VANISHING]
    outlines, budget = [], MAX_POINTS
    for shape, matrix in zip(drawn, matrices, strict=True):
        outlines.append([_flattened(path, run, matrix, budget) for run in shape.runs])
        budget -= sum(map(len, outlines[-1]))
    placed, reaches = [], []
    for shape, matrix, lines in zip(drawn, matrices, outlines, strict=True):
        placed += [moved(line, matrix) for line in lines]
        reaches += [0.5 * shape.stroke * stretch(matrix)] * len(lines)
    check_outlines(path, placed, reaches)
    areas: list[Any] = []
    for shape, matrix, lines in zip(drawn, matrices, outlines, strict=True):
        if shape.rule:
            areas.append(fill_rings([moved(line, matrix) for line in lines], shape.rule))
        if shape.stroke > 0.0:
            stroke = _stroke(shape, lines, FLATNESS / stretch(matrix))
            areas.append(moved_areas(stroke, partial(moved, matrix=matrix)))
    rings = shapely.get_rings(shapely.get_parts(areas)) if areas else []
    check_outlines(path, [shapely.get_coordinates(ring) for ring in rings])
    return as_areas(shapely.union_all(areas))


def _scale_to(drawn: Sequence[Drawn], width: float) -> float:
    """[m] per pixel that makes the box of all control points ``width`` [m] wide."""
    points = [
        moved(part.controls, shape.matrix)
        for shape in drawn
        for run in shape.runs
        for part in run.parts
    ]
    span = np.ptp(np.concatenate(points)[:, 0]) if points else 0.0
    return width / float(span) if np.isfinite(span) and span > 0.0 else PIXEL


def _flattened(path: Path, run: Run, matrix: Floats, budget: int) -> Floats:
    """Points (n, 2) of a run in its own units, within `FLATNESS` on the plate."""
    wide = stretch(matrix)
    points = [run.parts[0].controls[:1]]
    for part in run.parts:
        place = moved(part.controls, matrix)
        if not (np.abs(place) <= MAX_LENGTH).all():  # false for what is not a number, too
            refuse(path, "a coordinate is beyond 10 m or not a number", "a drawing in true size")
        added = part.points(FLATNESS / wide, budget)
        if added is None or len(added) > budget:
            refuse(path, f"more than {MAX_POINTS} points", "a simpler drawing")
        points.append(added)
        budget -= len(added)
    line = np.concatenate(points)
    return line[np.r_[True, np.any(np.diff(line, axis=0) != 0.0, axis=1)]]


def _stroke(shape: Drawn, lines: Sequence[Floats], flatness: float) -> Any:
    """The area of a stroke in the shape's own units, where its width is the same all along."""
    import shapely

    pen = []
    for run, line in zip(shape.runs, lines, strict=True):
        if len(line) > 1:
            ring = run.closed and len(line) > 3
            pen.append(shapely.linearrings(line) if ring else shapely.linestrings(line))
    half = 0.5 * shape.stroke
    corner = acos(1.0 - min(flatness / half, 0.3))
    most = max(4, ROUND_POINTS // max(1, sum(map(len, lines))))
    return shapely.union_all(
        shapely.buffer(
            pen,
            half,
            quad_segs=min(ceil(0.25 * pi / corner), most),
            cap_style=CAPS.get(shape.style["stroke-linecap"], "flat"),
            join_style=JOINS.get(shape.style["stroke-linejoin"], "mitre"),
            mitre_limit=_mitre_limit(shape.style["stroke-miterlimit"]),
        )
    )


def _mitre_limit(text: str) -> float:
    try:
        return min(100.0, max(1.0, float(text)))
    except ValueError:
        return 4.0
