"""Plane outlines: curves to chords, rings to filled areas, letters to areas.

Lengths [m] or font units, as the caller has them; areas are shapely geometries.  A curve becomes
chords that depart from it by no more than a stated flatness; a circle becomes a regular polygon of
exactly its area.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from functools import lru_cache
from math import acos, ceil, pi, sin, sqrt
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

if TYPE_CHECKING:
    from shapely import MultiPolygon

Floats = NDArray[np.float64]

FLATNESS = 1e-6  # largest distance between a curve and its chords [m]

FONTS = {  # the fonts that come with matplotlib, so that every machine draws the same letters
    "sans": "DejaVuSans.ttf",
    "sans-bold": "DejaVuSans-Bold.ttf",
    "serif": "DejaVuSerif.ttf",
    "serif-bold": "DejaVuSerif-Bold.ttf",
    "mono": "DejaVuSansMono.ttf",
    "mono-bold": "DejaVuSansMono-Bold.ttf",
}
UNITS_PER_EM = 2048.0  # of these fonts: at this size no coordinate is rounded


def circle_points(x: float, y: float, radius: float, flatness: float = FLATNESS) -> Floats:
    """Corners (n, 2) of the regular polygon that stands for a circle.

    Its area is exactly pi radius^2: the circumradius R satisfies n/2 R^2 sin(2 pi/n) = pi r^2, so
    that the rim lies partly within and partly outside the circle, nowhere farther from it than
    ``flatness``.  n is a multiple of 8, which keeps the mirror symmetries of the plan.
    """
    sagitta = min(flatness / radius, 0.05)
    count = 8 * ceil(pi / acos(1.0 - sagitta) / 8.0)
    outer = radius * sqrt(2.0 * pi / (count * sin(2.0 * pi / count)))
    angle = 2.0 * pi / count * np.arange(count)
    return np.column_stack([x + outer * np.cos(angle), y + outer * np.sin(angle)])


def curve_steps(controls: Floats, flatness: float) -> int:
    """Chords needed to stay within ``flatness`` of a Bezier curve with these control points.

    With m equal steps of the parameter the chord error is at most max |B''| / (8 m^2), and |B''| is
    bounded by its values at the control points: degree (degree - 1) |second difference|.
    """
    degree = len(controls) - 1
    bend = np.hypot(*np.diff(controls, n=2, axis=0).T).max()
    return max(1, ceil(sqrt(degree * (degree - 1) * bend / (8.0 * flatness))))


def curve_points(controls: ArrayLike, flatness: float) -> Floats:
    """Points (n, 2) on a Bezier curve, without its first, with chords within ``flatness``.

    controls : (3, 2) for a quadratic, (4, 2) for a cubic curve.
    """
    control = np.asarray(controls, dtype=float)
    steps = curve_steps(control, flatness)
    t = (np.arange(1, steps + 1) / steps)[:, None]
    point = control[:, None, :] * np.ones_like(t)
    for _ in range(len(control) - 1):
        point = (1.0 - t) * point[:-1] + t * point[1:]
    return np.asarray(point[0])


def fill_rings(rings: Sequence[ArrayLike], rule: str = "nonzero") -> MultiPolygon:
    """The area that closed rings enclose under a fill rule.

    rings : (n, 2) points each, closed or not; they may cross themselves and each other.
    rule : "nonzero" (the winding number is not 0) or "evenodd" (it is odd), as vector drawing
        programs and outline fonts define them.

    All edges are cut at their crossings, the faces between them found, and each face kept or not
    by the winding number of all the rings around a point within it.  A single ring that does not
    cross itself is its own area.
    """
    import shapely

    loops = [_closed(np.asarray(ring, dtype=float)) for ring in rings]
    loops = [loop for loop in loops if len(loop) >= 4]
    if not loops:
        return shapely.MultiPolygon()
    if len(loops) == 1:
        alone = shapely.Polygon(loops[0])
        if alone.is_valid:
            return as_areas(alone)
    noded = shapely.unary_union(shapely.multilinestrings([shapely.linestrings(p) for p in loops]))
    faces = shapely.get_parts(shapely.polygonize(shapely.get_parts(noded)))
    winding = winding_numbers(loops, shapely.get_coordinates(shapely.point_on_surface(faces)))
    kept = winding % 2 != 0 if rule == "evenodd" else winding != 0
    return as_areas(shapely.union_all(faces[kept]))


def winding_numbers(loops: Sequence[Floats], points: Floats) -> NDArray[np.int64]:
    """How often closed loops, (m, 2) each, turn anticlockwise round each of the points (n, 2).

    Sides that cross a ray to the right count, upward 1 and downward -1; a tree of boxes finds them.
    """
    import shapely

    start = np.concatenate([loop[:-1] for loop in loops])
    end = np.concatenate([loop[1:] for loop in loops])
    tree = shapely.STRtree(shapely.linestrings(np.stack([start, end], axis=1)))
    right = max(float(start[:, 0].max()), float(points[:, 0].max(initial=0.0))) + 1.0
    winding = np.zeros(len(points), dtype=np.int64)
    for first in range(0, len(points), 500):
        x, y = points[first : first + 500].T
        ray, side = tree.query(shapely.box(x, y, np.full_like(x, right), y))
        (x0, y0), (x1, y1) = start[side].T, end[side].T
        turn = (x1 - x0) * (y[ray] - y0) - (x[ray] - x0) * (y1 - y0)
        up = (y0 <= y[ray]) & (y1 > y[ray]) & (turn > 0.0)
        down = (y0 > y[ray]) & (y1 <= y[ray]) & (turn < 0.0)
        np.add.at(winding, first + ray, up.astype(np.int64) - down.astype(np.int64))
    return winding


def as_areas(geometry: Any) -> MultiPolygon:
    """The polygons of any shapely geometry as one oriented MultiPolygon; points and lines drop."""
    import shapely

    parts = shapely.get_parts(geometry)
    while any(shapely.get_type_id(part) > 5 for part in parts):  # 6 and 7: collections
        parts = shapely.get_parts(parts)
    orient = shapely.geometry.polygon.orient
    polygons = [p for p in parts if shapely.get_type_id(p) == 3 and p.area > 0.0]
    return shapely.MultiPolygon([orient(polygon) for polygon in polygons])


def moved_areas(areas: Any, move: Callable[[Floats], Floats]) -> MultiPolygon:
    """Areas under a map of points (n, 2) that keeps outlines simple: a turn, a shift, a stretch.

    Outlines and holes are moved one by one and the holes then taken out again, because a hole that
    touches its outline may stick out of it, by rounding, where both are moved together.
    """
    import shapely

    def alone(ring: Any) -> Any:
        return shapely.make_valid(shapely.Polygon(move(shapely.get_coordinates(ring))))

    parts = []
    for part in as_areas(areas).geoms:
        whole = alone(part.exterior)
        if part.interiors:
            whole = shapely.difference(whole, shapely.union_all([*map(alone, part.interiors)]))
        parts.append(whole)
    return as_areas(shapely.union_all(parts))


def missing_glyphs(text: str, font: str = "sans") -> list[str]:
    """The characters of ``text`` that a font of `FONTS` cannot draw, each once, in order."""
    known = _font(font).getBestCmap()
    return [c for c in dict.fromkeys(text) if ord(c) not in known]


@lru_cache(maxsize=64)
def letters(text: str, height: float, font: str = "sans") -> MultiPolygon:
    """The area of one line of text whose capital H is ``height`` [m] high.

    The baseline is y = 0 and the pen starts at x = 0 [m].  Kerning is the font's own; letters are
    not tied into ligatures.  The contours of each are filled by the non-zero rule, letters that
    touch are joined.  Curves are within `FLATNESS`.  There is no fallback to other fonts: see
    `missing_glyphs`.
    """
    import shapely

    capital = max(float(ring[:, 1].max()) for ring in _glyph_rings("H", font, UNITS_PER_EM))
    scale = height / capital
    rings = [ring * scale for ring in _glyph_rings(text, font, FLATNESS / scale)]
    return as_areas(shapely.make_valid(fill_rings(rings)))


def _glyph_rings(text: str, font: str, flatness: float) -> Iterator[Floats]:
    """The closed contours of a line of text in font units."""
    from fontTools.pens.recordingPen import DecomposingRecordingPen

    face = _font(font)
    glyphs, names, kerning = face.getGlyphSet(), face.getBestCmap(), _kerning(font)
    pen_x, last = 0.0, ""
    for character in text:
        name = names.get(ord(character), ".notdef")
        pen_x += kerning.get((last, name), 0)
        pen = DecomposingRecordingPen(glyphs)
        glyphs[name].draw(pen)
        for ring in _pen_rings(pen.value, flatness):
            yield ring + np.array([pen_x, 0.0])
        pen_x, last = pen_x + glyphs[name].width, name


def _pen_rings(strokes: Sequence[Any], flatness: float) -> Iterator[Floats]:
    """The rings a pen has drawn; a run of control points has a point of the curve between each."""
    ring: list[Any] = []
    for verb, points in strokes:
        if verb in ("closePath", "endPath"):
            if len(ring) > 2:
                yield np.array(ring, dtype=float)
        elif verb == "moveTo":
            ring = [points[0]]
        elif verb == "lineTo":
            ring.append(points[0])
        elif verb == "qCurveTo" and points[-1] is not None:
            controls = np.array(points, dtype=float)
            middles = 0.5 * (controls[:-2] + controls[1:-1])
            for control, end in zip(controls[:-1], [*middles, controls[-1]], strict=True):
                ring.extend(curve_points([ring[-1], control, end], flatness))
        else:
            raise ValueError(f"{verb} in a font that has lines and parabolas alone")


@lru_cache(maxsize=len(FONTS))
def _font(font: str) -> Any:
    """A font of matplotlib's, without importing matplotlib: that takes a third of a second."""
    from importlib.metadata import distribution

    from fontTools.ttLib import TTFont

    home = Path(str(distribution("matplotlib").locate_file("matplotlib")))
    return TTFont(home / "mpl-data" / "fonts" / "ttf" / FONTS[font], lazy=True)


def _kerning(font: str) -> dict[tuple[str, str], int]:
    face = _font(font)
    return dict(face["kern"].kernTables[0].kernTable) if "kern" in face else {}


def _closed(points: Floats) -> Floats:
    """A ring with equal neighbours dropped and its first point repeated at the end."""
    if len(points) == 0:
        return points
    ring = np.concatenate([points, points[:1]])
    new = np.ones(len(ring), dtype=bool)
    new[1:] = (ring[1:] != ring[:-1]).any(axis=1)
    return ring[new]
