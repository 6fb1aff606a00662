"""The pen of a vector drawing: lengths, matrices, and shapes as runs of lines and curves."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from math import acos, atan2, ceil, hypot, inf, isfinite
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simulate.errors import InputError
from simulate.stencil.outlines import curve_points, curve_steps
from simulate.stencil_files.limits import one_line, refuse

Floats = NDArray[np.float64]

PIXEL = 0.0254 / 96  # the CSS pixel [m]
UNITS = {"mm": 1e-3, "cm": 1e-2, "in": 0.0254, "pt": 0.0254 / 72, "pc": 0.0254 / 6, "Q": 0.25e-3}
LENGTH = re.compile(r"\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*([a-zA-Z%]*)\s*")
PATH_DATA = re.compile(r"\s*[Mm][\d\s,.eE+\-MmZzLlHhVvCcSsQqTtAa]*")
AFTER_QUADRATIC = re.compile(r"([QqTt][^A-DF-Za-df-z]*)(?=[Ss])")
AFTER_CUBIC = re.compile(r"([CcSs][^A-DF-Za-df-z]*)(?=[Tt])")
NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?")
TRANSFORMS = re.compile(
    r"\s*(?:(?:matrix|translate|scale|rotate|skewX|skewY)\s*\([\d\s,.eE+-]*\)[\s,]*)*"
)
LARGEST = 1e15  # of a coordinate, in units of the drawing
SIZES = {  # attributes of the simple shapes; those after the bar must not be negative
    "rect": "x y | width height rx ry",
    "circle": "cx cy | r",
    "ellipse": "cx cy | rx ry",
    "line": "x1 y1 x2 y2 |",
}


@dataclass(frozen=True)
class Arc:
    """Part of an ellipse: centre + u cos t + v sin t, t from ``start`` on by ``sweep`` [rad]."""

    centre: Floats
    u: Floats
    v: Floats
    start: float
    sweep: float

    def steps(self, flatness: float) -> int:
        """Equal steps of t whose chords stay within ``flatness`` of the ellipse."""
        radius = max(float(np.hypot(*self.u)), float(np.hypot(*self.v)))
        return max(1, ceil(abs(self.sweep) / (2.0 * acos(1.0 - min(flatness / radius, 0.5)))))

    def points(self, steps: int) -> Floats:
        """Points (steps - 1, 2) strictly within the arc."""
        t = self.start + self.sweep * np.arange(1, steps)[:, None] / steps
        return np.asarray(self.centre + np.cos(t) * self.u + np.sin(t) * self.v)


@dataclass(frozen=True)
class Part:
    """A line or Bezier curve by its control points (2 to 4, 2); an arc by its ends and itself."""

    controls: Floats
    arc: Arc | None = None

    def points(self, flatness: float, most: int) -> Floats | None:
        """Points (n, 2) without the first, within ``flatness``; None if more than ``most``."""
        if len(self.controls) == 2 and self.arc is None:
            return self.controls[1:]
        steps = self.arc.steps(flatness) if self.arc else curve_steps(self.controls, flatness)
        if steps > most:
            return None
        if self.arc:
            return np.vstack([self.arc.points(steps), self.controls[-1:]])
        return curve_points(self.controls, flatness)


@dataclass(frozen=True)
class Run:
    """What the pen draws without being lifted: parts joined end to end."""

    parts: tuple[Part, ...]
    closed: bool


def pen_runs(
    path: Path, tag: str, attributes: Mapping[str, str], view: tuple[float, float]
) -> tuple[Run, ...]:
    """The runs of one shape in its own units; percentages are of the ``view`` box."""
    given = {name: text for name, text in attributes.items() if text.strip() not in ("", "auto")}
    if tag in ("polyline", "polygon"):
        return _polyline(numbers(path, given.get("points", ""), "points"), tag == "polygon")
    try:
        if tag == "path":
            segments = _path_segments(path, given.get("d", ""))
        else:
            segments = _shape_segments(path, tag, given, view)
        return tuple(_runs(segments))
    except InputError:
        raise
    except OverflowError:
        refuse(path, "a coordinate is beyond 10 m or not a number", "a drawing in true size")
    except Exception:  # the library raises whatever comes of odd input
        refuse(path, f"a <{tag}> cannot be read", "SVG path data and sizes")


def _polyline(values: list[float], closed: bool) -> tuple[Run, ...]:
    """A run through pairs of coordinates; an odd last one is left out, as the format says."""
    points = np.array(values[: len(values) // 2 * 2]).reshape(-1, 2)
    if len(points) < 2:
        return ()
    ends = np.vstack([points, points[:1]]) if closed else points
    return (Run(tuple(Part(ends[k : k + 2]) for k in range(len(ends) - 1)), closed),)


def _path_segments(path: Path, data: str) -> list[Any]:
    from svgelements import Path as PathData

    if data and not PATH_DATA.fullmatch(data):
        refuse(path, f"the path data '{one_line(data, 40)}' cannot be read", "SVG path data")
    # the library reflects the control point of a quadratic curve into a smooth cubic one, and the
    # other way round; a line of no length between them gives what the format says
    return list(PathData(AFTER_CUBIC.sub(r"\1l0 0", AFTER_QUADRATIC.sub(r"\1l0 0", data))))


def _shape_segments(
    path: Path, tag: str, given: Mapping[str, str], view: tuple[float, float]
) -> list[Any]:
    import svgelements as svg

    makers = {
        "rect": svg.Rect,
        "circle": svg.Circle,
        "ellipse": svg.Ellipse,
        "line": svg.SimpleLine,
    }
    free, sizes = (names.split() for names in SIZES[tag].split("|"))
    chosen = {name: given.get(name, "0") for name in free}
    chosen |= {name: given[name] for name in sizes if name in given}
    for name, text in chosen.items():
        found = LENGTH.fullmatch(text)
        if not found or found[2] not in ("", "px", "%", *UNITS):
            refuse(path, f"the length '{one_line(text, 30)}' cannot be read", "a number, px or mm")
        if name in sizes and float(found[1]) < 0.0:
            refuse(path, f"{name} of a <{tag}> is negative", "a size")
    needed = [name for name in sizes if tag != "rect" or name in ("width", "height")]
    if not all(name in chosen for name in needed):
        return []
    shape = makers[tag](chosen)
    shape.render(ppi=96, width=view[0], height=view[1])
    return list(shape.segments(transformed=False))


def _runs(segments: list[Any]) -> Iterator[Run]:
    """Segments of the library as runs; a run ends where the pen is lifted or the outline closed."""
    parts: list[Part] = []
    for segment in segments:
        kind = type(segment).__name__
        if kind == "Move":
            if parts:
                yield Run(tuple(parts), False)
            parts = []
        else:
            parts.append(_part(segment, kind))
            if kind == "Close":
                yield Run(tuple(parts), True)
                parts = []
    if parts:
        yield Run(tuple(parts), False)


def _part(segment: Any, kind: str) -> Part:
    names = {"QuadraticBezier": ["control"], "CubicBezier": ["control1", "control2"]}.get(kind, [])
    if kind == "Arc":
        names = ["center", "prx", "pry"]
    points = [getattr(segment, name) for name in ("start", *names, "end")]
    controls = np.array([(float(point.x), float(point.y)) for point in points])
    if not (np.abs(controls) < LARGEST).all():  # false for what is not a number, too
        raise OverflowError
    if kind != "Arc":
        return Part(controls)
    start, centre, u, v, end = controls
    u, v = u - centre, v - centre
    area = u[0] * v[1] - u[1] * v[0]
    if not abs(area) > 0.0:
        return Part(np.array([start, end]))
    x, y = start - centre
    angle = atan2((u[0] * y - u[1] * x) / area, (x * v[1] - y * v[0]) / area)
    return Part(np.array([start, end]), Arc(centre, u, v, angle, float(segment.sweep)))


def numbers(path: Path, text: str, name: str) -> list[float]:
    """Numbers with blanks or commas between them, each finite."""
    try:
        values = [float(word) for word in NUMBER.findall(text)]
        if NUMBER.sub("", text).strip(" ,\t\r\n"):
            values = [np.nan]
    except ValueError:
        values = [np.nan]
    if not np.isfinite(values).all():
        refuse(path, f"{name} '{one_line(text, 40)}' cannot be read", "numbers")
    return values


def pixels(path: Path, text: str) -> float:
    """A length in CSS pixels."""
    found = LENGTH.fullmatch(text)
    if not found or found[2] not in ("", "px", *UNITS):
        refuse(path, f"the length '{one_line(text, 30)}' cannot be read", "a number, px or mm")
    return float(found[1]) * (UNITS[found[2]] / PIXEL if found[2] in UNITS else 1.0)


def matrix_of(path: Path, text: str) -> Floats:
    """Matrix (2, 3) of a transform attribute."""
    from svgelements import Matrix

    if not text.strip():
        return np.eye(2, 3)
    try:
        matrix = Matrix(text) if TRANSFORMS.fullmatch(text) else [np.nan] * 6
        six = [float(matrix[k]) for k in range(6)]
    except Exception:  # the library raises whatever comes of odd input
        six = [np.nan]
    if not np.isfinite(six).all():
        refuse(path, f"the transform '{one_line(text, 40)}' cannot be read", "SVG transforms")
    return np.array(six).reshape(3, 2).T


def times(first: Floats, then: Floats) -> Floats:
    """The matrix (2, 3) that applies ``then`` and after it ``first``."""
    with np.errstate(over="ignore", invalid="ignore"):
        product = first[:, :2] @ then
        product[:, 2] += first[:, 2]
    return np.asarray(product)


def moved(points: Floats, matrix: Floats) -> Floats:
    """Points (n, 2) under a matrix (2, 3)."""
    with np.errstate(over="ignore", invalid="ignore"):
        return np.asarray(points @ matrix[:, :2].T + matrix[:, 2])


def stretch(matrix: Floats) -> float:
    """The most a matrix (2, 3) lengthens anything; infinite for a matrix that is not finite.

    The larger singular value of [[a, c], [b, d]]: half the sum of the lengths of
    (a + d, b - c) and (a - d, b + c).
    """
    (a, c, _), (b, d, _) = matrix.tolist()
    wide = 0.5 * (hypot(a + d, b - c) + hypot(a - d, b + c))
    return wide if isfinite(wide) else inf
