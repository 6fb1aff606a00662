"""The stencil: where the mask is open.

Shapes in plate coordinates, x right and y up from the plate's lower left corner [m], angles
anticlockwise [rad].  Each shape is an opening; openings that overlap are one.  `area_fractions`
puts them on any tensor-product grid exactly; `rim_distance` and `opening_width` measure them.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import lru_cache
from math import cos, isfinite, sin
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from simulate.errors import Fault, InputError
from simulate.rules import above_zero, broken, check, fault_of, finite
from simulate.stencil.outlines import (
    FONTS,
    as_areas,
    circle_points,
    letters,
    missing_glyphs,
    moved_areas,
)

if TYPE_CHECKING:
    from shapely import MultiPolygon

Floats = NDArray[np.float64]
Points = tuple[tuple[float, float], ...]

ANCHORS = ("left", "centre", "right")
EXACT = 1e-12  # area fractions nearer than this to 0 or 1 are taken as 0 or 1 [-]

DILATION = 0.207  # cells by which a curved flush edge is moved outward; see `dilated_coverage`


@dataclass(frozen=True)
class Rectangle:
    """A rectangular opening: centre x, y, width and height [m], turned by ``angle`` [rad]."""

    x: float
    y: float
    width: float
    height: float
    angle: float = 0.0

    def __post_init__(self) -> None:
        check(self, finite(self, "x", "y", "angle") + above_zero(self, "width", "height"))


@dataclass(frozen=True)
class Circle:
    """A round opening: centre x, y and diameter [m]."""

    x: float
    y: float
    diameter: float

    def __post_init__(self) -> None:
        check(self, finite(self, "x", "y") + above_zero(self, "diameter"))


@dataclass(frozen=True)
class Ring:
    """An opening between two circles: centre x, y, outer and inner diameter [m].

    Inside the inner circle the mask stays; it is an island (see `stencil_findings`).
    """

    x: float
    y: float
    outer: float
    inner: float

    def __post_init__(self) -> None:
        check(self, finite(self, "x", "y") + above_zero(self, "outer", "inner"))
        if self.inner >= self.outer:
            raise InputError(
                Fault(
                    "the inner diameter is not smaller than the outer",
                    f"less than {self.outer:g} m",
                    key="inner",
                    value=f"{self.inner:g} m",
                )
            )


@dataclass(frozen=True)
class Polygon:
    """An opening with straight sides: ``points`` round the outside, ``holes`` the mask left in it.

    points : at least three (x, y) [m], in either sense, closed or not; not crossing itself.
    holes : such outlines, each within the outside.
    """

    points: Points
    holes: tuple[Points, ...] = ()

    def __post_init__(self) -> None:
        object.__setattr__(self, "points", _as_points(self.points, "points"))
        holes = tuple(_as_points(hole, "holes") for hole in self.holes)
        object.__setattr__(self, "holes", holes)
        _check_polygon(self)


@dataclass(frozen=True)
class Text:
    """One line of letters: ``height`` [m] is that of a capital H.

    x, y : where the anchor lies [m]: the left end, the centre or the right end of the outline,
        halfway up a capital H; so words with and without tails stand on one line.
    font : one of `FONTS`, which come with the package.
    angle : about the anchor [rad].
    bridge : width [m] of an upright strip of mask left across every closed loop of a letter, so
        that its middle does not fall out; 0 leaves the middles as islands.

    A character the font lacks is refused; no other font stands in for it.
    """

    text: str
    x: float
    y: float
    height: float
    anchor: str = "centre"
    font: str = field(default="sans", kw_only=True)
    angle: float = field(default=0.0, kw_only=True)
    bridge: float = field(default=0.0, kw_only=True)

    def __post_init__(self) -> None:
        faults = broken(self, finite(self, "x", "y", "angle") + above_zero(self, "height"))
        if not (isfinite(self.bridge) and self.bridge >= 0.0):
            faults.append(fault_of(self, "bridge", "not a width", "0 or a length"))
        if self.anchor not in ANCHORS:
            faults.append(fault_of(self, "anchor", "no such anchor", " | ".join(ANCHORS)))
        if self.font not in FONTS:
            faults.append(fault_of(self, "font", "no such font", " | ".join(FONTS)))
        faults += _text_faults(self)
        if faults:
            raise InputError(faults)


@dataclass(frozen=True)
class Drawing:
    """Openings that come from a file: its name, and what it draws where it lies on the plate.

    See `simulate.stencil_files.read.read_drawing`.
    """

    source: str
    polygons: tuple[Polygon, ...]

    def __post_init__(self) -> None:
        object.__setattr__(self, "polygons", tuple(self.polygons))
        if not self.polygons:
            raise InputError(Fault("no opening", "at least one polygon", key="polygons"))


Shape = Rectangle | Circle | Ring | Polygon | Text | Drawing


@dataclass(frozen=True)
class Stencil:
    """A mask of one thickness [m] with at least one opening.

    Raises InputError, key "thickness" or "shapes".
    """

    thickness: float
    shapes: tuple[Shape, ...]

    def __post_init__(self) -> None:
        object.__setattr__(self, "shapes", tuple(self.shapes))
        faults = broken(self, above_zero(self, "thickness"))
        if not self.shapes:
            faults.append(Fault("no opening", "at least one shape", key="shapes"))
        if faults:
            raise InputError(faults)


@lru_cache(maxsize=256)
def shape_area(shape: Shape) -> MultiPolygon:
    """The area of one shape [m], oriented: outlines anticlockwise, holes clockwise.

    Circles are polygons of exactly their area, within `FLATNESS` (1 um) of the true rim; curves of
    letters are within the same distance of theirs, which leaves their area within 0.7 um times the
    length of the curve.
    """
    import shapely

    match shape:
        case Rectangle():
            right, up = 0.5 * shape.width, 0.5 * shape.height
            corners = np.array([[-right, -up], [right, -up], [right, up], [-right, up]])
            area = shapely.Polygon(_placed(corners, shape.x, shape.y, shape.angle))
        case Circle():
            area = shapely.Polygon(circle_points(shape.x, shape.y, 0.5 * shape.diameter))
        case Ring():
            outer = circle_points(shape.x, shape.y, 0.5 * shape.outer)
            inner = circle_points(shape.x, shape.y, 0.5 * shape.inner)
            area = shapely.difference(shapely.Polygon(outer), shapely.Polygon(inner))
        case Polygon():
            area = shapely.Polygon(shape.points, shape.holes)
        case Text():
            area = _text_area(shape)
        case Drawing():
            area = shapely.union_all([shape_area(polygon) for polygon in shape.polygons])
    return as_areas(area)


@lru_cache(maxsize=32)
def openings(stencil: Stencil) -> MultiPolygon:
    """All openings of a stencil as one oriented shapely MultiPolygon [m], overlaps joined."""
    import shapely

    return as_areas(shapely.union_all([shape_area(shape) for shape in stencil.shapes]))


def area_fractions(geometry: Any, x_edges: ArrayLike, y_edges: ArrayLike) -> Floats:
    """Open share of each cell, (ny, nx) [-]: area of ``geometry`` within the cell over the cell's.

    Exact but for rounding (a few 1e-16 times coordinate over cell size), on uniform and graded
    cells; what lies outside the frame is left out.  Shares within 1e-12 of 0 or 1 are 0 or 1.

    Parameters
    ----------
    geometry : valid shapely polygons [m], as `openings` gives them.
    x_edges, y_edges : (nx + 1,), (ny + 1,) increasing [m].

    Raises
    ------
    ValueError : edges that do not increase or are not finite.
    """
    from simulate.kernels.coverage import cover_cells

    x, y = _increasing(x_edges, "x_edges", 2), _increasing(y_edges, "y_edges", 2)
    points, starts = ring_points(geometry)
    out = np.zeros((y.size - 1, x.size))
    cover_cells(points, starts, x, y, out)
    share = out[:, :-1].copy()
    share[share < EXACT] = 0.0
    share[share > 1.0 - EXACT] = 1.0
    return share


def dilated_coverage(geometry: Any, x: Floats, y: Floats) -> Floats:
    """Metal's share of plan cells for a flush electrode of any outline on a plane, (ny, nx).

    The outline is moved outward by 0.207 cells, which makes up for the width that a plain scheme
    loses at a flush edge. The number was found on a disc; for square cells as high as wide, ideal
    metal and outlines whose radius is many cells. Measured in ``published/test_fitted_edges.py``:
    a disc's current within 1e-3 at a/8, 1e-4 at a/16 and 5e-5 at a/32; an ellipse of half the
    width within 1e-3 at a/16. Edges along an axis lose 0.35 cells instead: leave those to
    `field.edge_fitting.fit_edges`.

    Parameters
    ----------
    geometry : outline in plan [m], a shapely geometry. x, y : cell edges [m], equally spaced.
    """
    cell = 0.5 * (float(np.diff(x).mean()) + float(np.diff(y).mean()))
    return area_fractions(geometry.buffer(DILATION * cell, quad_segs=64), x, y)


def rim_distance(geometry: Any, x: ArrayLike, y: ArrayLike) -> Floats:
    """Distance from each point (x[i], y[j]) to the nearest rim of an opening, (ny, nx) [m].

    Positive on both sides of the rim, exact; infinite everywhere if there is no opening.
    x, y : (nx,), (ny,) increasing, for instance cell centres [m].
    """
    from simulate.kernels.coverage import measure_rim

    x, y = _increasing(x, "x", 1), _increasing(y, "y", 1)
    out = np.full((y.size, x.size), np.inf)
    segments = rim_segments(geometry)
    if len(segments):
        measure_rim(segments, x, y, np.empty(len(segments), np.int64), out)
    return out


def opening_width(geometry: Any, x: ArrayLike, y: ArrayLike) -> Floats:
    """Local width of the opening round each point, (ny, nx) [m]; 0 where the mask is.

    The width at a point is the diameter of the largest circle that fits in the opening and comes
    within half a spacing of the point (local thickness after Hildebrand & Rueegsegger, J. Microsc.
    185 (1997) 67, from memory; the half spacing is ours).  In a straight slot it is the width of
    the slot, in a disc the diameter, in a corner less.  Circles are sought from each point, uphill
    in rim distance by up to one spacing: no width exceeds that of the opening, and slots of two
    cells or more come out within 1 %.

    x, y : (nx,), (ny,) increasing, for instance cell centres [m].
    """
    import shapely

    from simulate.kernels.coverage import inscribe_circles, measure_rim, paint_circles

    x, y = _increasing(x, "x", 1), _increasing(y, "y", 1)
    width = np.zeros((y.size, x.size))
    segments = rim_segments(geometry)
    if not len(segments):
        return width
    shapely.prepare(geometry)
    inside = shapely.contains_xy(geometry, *np.meshgrid(x, y))
    spacing = max((float(np.diff(edge).max()) for edge in (x, y) if edge.size > 1), default=0.0)
    circles = np.zeros((*width.shape, 3))
    inscribe_circles(segments, x, y, inside, spacing, circles)
    found = circles[inside]
    ordered = np.ascontiguousarray(found[np.argsort(-found[:, 2], kind="stable")])
    paint_circles(ordered, x, y, 0.5 * spacing, width)
    distance = np.empty_like(width)
    measure_rim(segments, x, y, np.empty(len(segments), np.int64), distance)
    return np.where(inside, np.maximum(width, 2.0 * distance), 0.0)


def ring_points(geometry: Any) -> tuple[Floats, NDArray[np.int64]]:
    """Vertices (n, 2) of all rings, oriented, and where each ring starts (rings + 1,)."""
    import shapely

    rings = shapely.get_rings(shapely.get_parts(as_areas(geometry)))
    points, ring = shapely.get_coordinates(rings, return_index=True)
    starts = np.searchsorted(ring, np.arange(len(rings) + 1)).astype(np.int64)
    return np.ascontiguousarray(points), starts


def rim_segments(geometry: Any) -> Floats:
    """The sides of all rings, (n, 4) as x0, y0, x1, y1 [m]."""
    points, starts = ring_points(geometry)
    segments = np.hstack([points[:-1], points[1:]]) if len(points) else np.empty((0, 4))
    inner = np.ones(len(segments), dtype=bool)
    inner[starts[1:-1] - 1] = False
    return np.ascontiguousarray(segments[inner])


def _text_area(text: Text) -> Any:
    """Letters with bridges, moved to their place."""
    import shapely

    area = letters(text.text, text.height, text.font)
    if text.bridge > 0.0:
        area = shapely.difference(area, shapely.union_all(_bridges(area, text)))
    left, _, right, _ = shapely.bounds(letters(text.text, text.height, text.font))
    start = {"left": left, "centre": 0.5 * (left + right), "right": right}[text.anchor]
    middle = np.array([start, 0.5 * text.height])
    return moved_areas(area, lambda p: _placed(p - middle, text.x, text.y, text.angle))


def _bridges(area: MultiPolygon, text: Text) -> list[Any]:
    """Upright strips over each letter, one through the middle of every closed loop."""
    import shapely

    strips = []
    for letter in area.geoms:
        _, bottom, _, top = letter.bounds
        for loop in letter.interiors:
            left, _, right, _ = loop.bounds
            x = 0.5 * (left + right)
            strips.append(shapely.box(x - 0.5 * text.bridge, bottom, x + 0.5 * text.bridge, top))
    return strips


def _placed(points: Floats, x: float, y: float, angle: float) -> Floats:
    """Points (n, 2) turned about the origin, then moved by x, y."""
    turn = np.array([[cos(angle), sin(angle)], [-sin(angle), cos(angle)]])
    return np.asarray(points @ turn + np.array([x, y])) if angle else points + np.array([x, y])


def _increasing(values: ArrayLike, name: str, least: int) -> Floats:
    array = np.array(values, dtype=np.float64, order="C")  # kernels see one kind of array
    if array.ndim != 1 or array.size < least:
        raise ValueError(f"{name}: needs one dimension and at least {least} values")
    if not np.isfinite(array).all() or (np.diff(array) <= 0.0).any():
        raise ValueError(f"{name}: the values must be finite and increase")
    return array


def _text_faults(text: Text) -> list[Fault]:
    """What cannot be drawn: nothing to draw, more than one line, characters the font lacks."""
    if not text.text.strip():
        return [fault_of(text, "text", "nothing to draw", "at least one visible character")]
    if not text.text.isprintable():
        return [fault_of(text, "text", "a control character or line break", "one line of text")]
    if text.font not in FONTS:
        return []
    missing = missing_glyphs(text.text, text.font)
    if not missing:
        return []
    named = ", ".join(f"'{c}' (U+{ord(c):04X})" for c in missing)
    problem = f"the font '{text.font}' has no letter for {named}"
    return [fault_of(text, "text", problem, "characters the font has")]


def _as_points(points: Iterable[Iterable[float]], key: str) -> Points:
    """A tuple of pairs of finite floats, the closing point dropped."""
    try:
        array = np.array([tuple(point) for point in points], dtype=float)
    except (TypeError, ValueError):
        array = np.empty((0, 0))
    if array.ndim == 2 and array.shape[1:] == (2,) and (array[0] == array[-1]).all():
        array = array[:-1]
    if array.ndim != 2 or array.shape[1:] != (2,) or len(array) < 3:
        raise InputError(Fault("not an outline", "at least three pairs of numbers", key=key))
    if not np.isfinite(array).all():
        raise InputError(Fault("a coordinate is not finite", "numbers", key=key))
    return tuple((float(x), float(y)) for x, y in array)


def _check_polygon(polygon: Polygon) -> None:
    """Refuse outlines that cross themselves, enclose nothing, or holes outside."""
    import shapely

    area = shapely.Polygon(polygon.points, polygon.holes)
    if not area.is_valid:
        reason = shapely.is_valid_reason(area).replace("[", " at (").replace("]", ") m")
        key = "points" if not shapely.Polygon(polygon.points).is_valid else "holes"
        raise InputError(Fault(f"not a simple outline: {reason}", "sides do not cross", key=key))
    if not area.area > 0.0:
        raise InputError(Fault("encloses no area", "a polygon", key="points"))
