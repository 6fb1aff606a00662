"""Shapes of openings: where the mask is open.

Shapes in plate coordinates, x right and y up from the plate's lower left corner [m], angles
anticlockwise [rad]. Each shape is an opening; openings that overlap are one.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import lru_cache
from math import cos, isfinite, sin
from typing import TYPE_CHECKING, Any

import numpy as np

from simulate.errors import Fault, InputError
from simulate.rules import above_zero, broken, check, fault_of, finite
from simulate.stencil.outlines import (
    FONTS,
    Floats,
    as_areas,
    circle_points,
    letters,
    missing_glyphs,
    moved_areas,
)

if TYPE_CHECKING:
    from shapely import MultiPolygon

Points = tuple[tuple[float, float], ...]

ANCHORS = ("left", "centre", "right")


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

    `simulate.stencil_files.read` reads such files and puts their openings in place.
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
