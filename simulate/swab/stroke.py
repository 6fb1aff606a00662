"""The stroke: patterns in which the swab is moved over the plate.

`Hold`, `Dabs`, `Hatch` or `Path`; `stops.make_stops` cuts it into stops. Positions are those of the
contact patch's centre on the plate [m], times [s], speeds [m/s].
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

from simulate.rules import Rule, above_zero, check, finite, zero_or_more

Point = tuple[float, float]


def _passes(stroke: Hatch | Path) -> list[Rule]:
    count = stroke.passes
    whole = isinstance(count, int) and count >= 1
    return [("passes", whole, "not a number of passes", "a whole number from 1")]


def _points(stroke: Dabs | Path, least: int) -> list[Rule]:
    good = len(stroke.points) >= least and all(
        len(point) == 2 and all(math.isfinite(value) for value in point) for point in stroke.points
    )
    return [("points", good, "not a list of places", f"at least {least} pairs (x, y)")]


@dataclass(frozen=True)
class Hold:
    """Pressed on one place.

    Parameters
    ----------
    x, y : the place [m].
    time : how long [s].
    """

    x: float
    y: float
    time: float

    def __post_init__(self) -> None:
        check(self, finite(self, "x", "y") + above_zero(self, "time"))


@dataclass(frozen=True)
class Dabs:
    """Pressed on one place after another, lifted between.

    Parameters
    ----------
    points : the places (x, y), in order [m].
    time : on each place [s].
    lift_time : in the air between two places [s].
    """

    points: tuple[Point, ...]
    time: float
    lift_time: float = 0.0

    def __post_init__(self) -> None:
        rules = _points(self, 1) + above_zero(self, "time") + zero_or_more(self, "lift_time")
        check(self, rules)


@dataclass(frozen=True)
class Hatch:
    """Parallel strokes over a rectangle.

    Lines run along the rectangle's width, `spacing` apart and as many as fit into its height,
    centred. With `alternate` the swab stays down and runs back and forth, every other pass
    backwards along the whole way; `turn_time` is the rest at each turn, half of it at the end of
    one line and half at the start of the next (the short slide between them is counted in it).
    Without, every line runs in the same direction and `turn_time` is the time in the air between
    two lines.

    Parameters
    ----------
    x, y : centre of the rectangle [m].
    width, height : along and across the lines [m].
    spacing : between lines [m].
    speed : along the lines [m/s].
    passes : how often the whole is gone over.
    turn_time : at each turn [s].
    alternate : whether directions alternate.
    angle : of the lines, anticlockwise from x [rad].
    """

    x: float
    y: float
    width: float
    height: float
    spacing: float
    speed: float
    passes: int = 1
    turn_time: float = 0.0
    alternate: bool = True
    angle: float = 0.0

    def __post_init__(self) -> None:
        check(
            self,
            finite(self, "x", "y", "angle")
            + above_zero(self, "width", "spacing", "speed")
            + zero_or_more(self, "height", "turn_time")
            + _passes(self),
        )

    @property
    def lines(self) -> int:
        """Number of parallel lines."""
        return 1 + math.floor(self.height / self.spacing * (1.0 + 1e-12) + 1e-12)


@dataclass(frozen=True)
class Path:
    """Drawn along a polyline at a constant speed, each pass from the first point to the last.

    Parameters
    ----------
    points : corners (x, y) in order [m].
    speed : [m/s].
    passes : how often; getting back to the first point takes no time and no current.
    """

    points: tuple[Point, ...]
    speed: float
    passes: int = 1

    def __post_init__(self) -> None:
        check(self, _points(self, 2) + above_zero(self, "speed") + _passes(self))
        check(self, [("points", path_length(self) > 0, "has no length", "two different places")])


Stroke = Hold | Dabs | Hatch | Path


def path_length(stroke: Stroke) -> float:
    """Length of way drawn over the plate, all passes [m]; zero for `Hold` and `Dabs`."""
    if isinstance(stroke, Hatch):
        return stroke.lines * stroke.width * stroke.passes
    if isinstance(stroke, Path):
        return stroke.passes * math.fsum(math.dist(a, b) for a, b in pairwise(stroke.points))
    return 0.0
