"""The stroke: where the swab is, for how long, and how that adds up over the plate.

A stroke is a pattern (`Hold`, `Dabs`, `Hatch`, `Path`); `make_stops` turns it into `Stops`: places
where the swab is taken to stand still for a dwell. A moving swab is cut into equal pieces of path,
a stop in the middle of each, so that the sum over stops is the midpoint rule for the integral
along the path. Places are those of the contact patch's centre on the plate [m], times [s], speeds
[m/s].
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from simulate.errors import Fault, InputError
from simulate.rules import Rule, above_zero, check, finite, zero_or_more
from simulate.stencil.shapes import ring_points

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


@dataclass(frozen=True, eq=False)
class Stops:
    """Where the swab stands and for how long; arrays of equal length n in order of time.

    Parameters
    ----------
    x, y : centre of the contact patch [m].
    dwell : time at the stop [s].
    start : when the dwell begins [s].
    moving : whether the stop stands for a piece of a moving stroke.
    pass_index : which pass it belongs to, from 0.
    """

    x: np.ndarray
    y: np.ndarray
    dwell: np.ndarray
    start: np.ndarray
    moving: np.ndarray
    pass_index: np.ndarray

    def __len__(self) -> int:
        return len(self.x)


@dataclass(frozen=True, eq=False)
class _Leg:
    """Stops in a row: places (n, 2), the dwell at each, and the time in the air before them."""

    places: np.ndarray
    dwell: float
    moving: bool
    lifted: float = 0.0


def _rest(place: np.ndarray, time: float, longest: float | None, lifted: float = 0.0) -> _Leg:
    """One place held for a time, cut into equal parts no longer than `longest`."""
    parts = 1 if longest is None else max(1, math.ceil(time / longest * (1.0 - 1e-12)))
    return _Leg(np.repeat(place.reshape(1, 2), parts, axis=0), time / parts, False, lifted)


def _draw(a: np.ndarray, b: np.ndarray, speed: float, stop_spacing: float) -> _Leg:
    """A straight line: the middles of equal pieces no longer than `stop_spacing`."""
    length = math.dist(a, b)
    pieces = max(1, math.ceil(length / stop_spacing * (1.0 - 1e-12)))
    along = ((np.arange(pieces) + 0.5) / pieces)[:, None]
    return _Leg(a + along * (b - a), length / speed / pieces, True)


def _hatch_lines(hatch: Hatch) -> list[tuple[np.ndarray, np.ndarray]]:
    """Start and end of each line in the rectangle, all in the same direction."""
    cosine, sine = math.cos(hatch.angle), math.sin(hatch.angle)
    along, across = np.array([cosine, sine]), np.array([-sine, cosine])
    centre = np.array([hatch.x, hatch.y])
    offsets = (np.arange(hatch.lines) - 0.5 * (hatch.lines - 1)) * hatch.spacing
    half = 0.5 * hatch.width * along
    return [(centre + v * across - half, centre + v * across + half) for v in offsets]


def _hatch_pass(hatch: Hatch, stop_spacing: float, longest: float | None) -> list[_Leg]:
    """One pass over all lines, rests at the turns included."""
    legs: list[_Leg] = []
    for k, (a, b) in enumerate(_hatch_lines(hatch)):
        if not hatch.alternate:
            drawn = _draw(a, b, hatch.speed, stop_spacing)
            lifted = hatch.turn_time if k else 0.0
            legs.append(_Leg(drawn.places, drawn.dwell, True, lifted))
            continue
        a, b = (b, a) if k % 2 else (a, b)
        turn = 0.5 * hatch.turn_time
        if k and turn:
            legs.append(_rest(a, turn, longest))
        legs.append(_draw(a, b, hatch.speed, stop_spacing))
        if k < hatch.lines - 1 and turn:
            legs.append(_rest(b, turn, longest))
    return legs


def _backwards(legs: list[_Leg]) -> list[_Leg]:
    return [_Leg(leg.places[::-1], leg.dwell, leg.moving, leg.lifted) for leg in legs[::-1]]


def _hatch_legs(hatch: Hatch, stop_spacing: float, longest: float | None) -> list[list[_Leg]]:
    """All passes; coordinates of repeated places are the same to the last bit."""
    forward = _hatch_pass(hatch, stop_spacing, longest)
    if not hatch.alternate:
        first = forward[0]
        again = [_Leg(first.places, first.dwell, True, hatch.turn_time), *forward[1:]]
        return [forward] + [again] * (hatch.passes - 1)
    passes = [forward, _backwards(forward)]
    lines = _hatch_lines(hatch)
    start, end = lines[0][0], lines[-1][1 if hatch.lines % 2 else 0]
    turns = [_rest(end, hatch.turn_time, longest), _rest(start, hatch.turn_time, longest)]
    legs = [list(passes[k % 2]) for k in range(hatch.passes)]
    if hatch.turn_time:
        for k in range(hatch.passes - 1):
            legs[k].append(turns[k % 2])
    return legs


def _legs(stroke: Stroke, stop_spacing: float, longest: float | None) -> list[list[_Leg]]:
    """The stroke as passes of legs."""
    if isinstance(stroke, Hold):
        return [[_rest(np.array([stroke.x, stroke.y]), stroke.time, longest)]]
    if isinstance(stroke, Dabs):
        lifts = [0.0] + [stroke.lift_time] * (len(stroke.points) - 1)
        places = [np.array(point, dtype=float) for point in stroke.points]
        return [
            [_rest(p, stroke.time, longest, lift) for p, lift in zip(places, lifts, strict=True)]
        ]
    if isinstance(stroke, Hatch):
        return _hatch_legs(stroke, stop_spacing, longest)
    corners = [np.array(point, dtype=float) for point in stroke.points]
    once = [
        _draw(a, b, stroke.speed, stop_spacing) for a, b in pairwise(corners) if math.dist(a, b) > 0
    ]
    return [once] * stroke.passes


def make_stops(stroke: Stroke, stop_spacing: float, *, longest_dwell: float | None = None) -> Stops:
    """Cut a stroke into stops.

    Moving pieces are equal on each straight line and no longer than `stop_spacing`; the stop lies
    in the middle of its piece, its dwell is the piece's length over the speed. Repeated passes
    repeat the same coordinates to the last bit.

    Parameters
    ----------
    stroke : the pattern.
    stop_spacing : longest piece of moving path per stop [m].
    longest_dwell : rests longer than this are cut into equal stops at the same place [s].

    Raises
    ------
    InputError : a spacing or dwell that is not above zero.
    """
    limits = {"stop_spacing": stop_spacing, "longest_dwell": longest_dwell}
    faults = [
        Fault("must be above zero", "above zero", key=key, value=str(value))
        for key, value in limits.items()
        if value is not None and not value > 0
    ]
    if faults:
        raise InputError(faults)
    passes = _legs(stroke, stop_spacing, longest_dwell)
    legs = [leg for legs in passes for leg in legs]
    counts = [len(leg.places) for leg in legs]
    places = np.concatenate([leg.places for leg in legs])
    dwell = np.repeat([leg.dwell for leg in legs], counts)
    lifted = np.zeros(len(dwell))
    lifted[np.cumsum([0, *counts[:-1]])] = [leg.lifted for leg in legs]
    return Stops(
        x=np.ascontiguousarray(places[:, 0]),
        y=np.ascontiguousarray(places[:, 1]),
        dwell=dwell,
        start=np.cumsum(lifted) + np.concatenate([[0.0], np.cumsum(dwell)[:-1]]),
        moving=np.repeat([leg.moving for leg in legs], counts),
        pass_index=np.repeat(
            np.arange(len(passes)), [sum(len(leg.places) for leg in legs) for legs in passes]
        ),
    )


def path_length(stroke: Stroke) -> float:
    """Length of way drawn over the plate, all passes [m]; zero for `Hold` and `Dabs`."""
    if isinstance(stroke, Hatch):
        return stroke.lines * stroke.width * stroke.passes
    if isinstance(stroke, Path):
        return stroke.passes * math.fsum(math.dist(a, b) for a, b in pairwise(stroke.points))
    return 0.0


def duration(stroke: Stroke) -> float:
    """Time from first touch to last, lifts and turns included [s]."""
    if isinstance(stroke, Hold):
        return stroke.time
    if isinstance(stroke, Dabs):
        return len(stroke.points) * (stroke.time + stroke.lift_time) - stroke.lift_time
    drawn = path_length(stroke) / stroke.speed
    if isinstance(stroke, Hatch):
        return drawn + (stroke.lines * stroke.passes - 1) * stroke.turn_time
    return drawn


def distinct_places(stops: Stops) -> tuple[np.ndarray, np.ndarray]:
    """The different places of the stops in order of first visit, and each stop's place.

    Returns
    -------
    places : (m, 2) [m].
    index : (n,), such that ``places[index[k]]`` is stop k's place, to the last bit.
    """
    _, first, inverse = np.unique(
        np.column_stack([stops.x, stops.y]), axis=0, return_index=True, return_inverse=True
    )
    order = np.argsort(first)
    rank = np.empty_like(order)
    rank[order] = np.arange(len(order))
    chosen = first[order]
    return np.column_stack([stops.x[chosen], stops.y[chosen]]), rank[inverse.reshape(-1)]


def dwell_map(
    stops: Stops,
    source: Callable[[np.ndarray, np.ndarray], np.ndarray],
    x_edges: np.ndarray,
    y_edges: np.ndarray,
) -> np.ndarray:
    """Sum over the stops of dwell times a source that moves with the swab, (ny, nx) [source * s].

    source : from cell edges relative to the swab's centre (x, y) [m] to cell means (ny, nx). With
        the current density as source [A/m2] the sum is the charge per area [C/m2].
    """
    places, index = distinct_places(stops)
    times = np.bincount(index, weights=stops.dwell)
    total = np.zeros((len(y_edges) - 1, len(x_edges) - 1))
    for (x, y), time in zip(places, times, strict=True):
        total += time * source(x_edges - x, y_edges - y)
    return total


def contact_time(
    stops: Stops, outline: np.ndarray, x_edges: np.ndarray, y_edges: np.ndarray
) -> np.ndarray:
    """Time each cell lies under the contact patch, (ny, nx) [s].

    Exact area of the moved outline in each cell, summed over the stops.

    Parameters
    ----------
    outline : (n, 2) polygon about the swab's centre, as from `contact_outline` [m].
    x_edges, y_edges : cell edges on the plate [m].
    """
    from shapely import Polygon

    from simulate.kernels.coverage import cover_cells

    points, starts = ring_points(Polygon(outline))
    (x_low, y_low), (x_high, y_high) = outline.min(axis=0), outline.max(axis=0)
    places, index = distinct_places(stops)
    times = np.bincount(index, weights=stops.dwell)
    total = np.zeros((len(y_edges) - 1, len(x_edges) - 1))
    for (x, y), time in zip(places, times, strict=True):
        i = _cells_between(x_edges, x + x_low, x + x_high)
        j = _cells_between(y_edges, y + y_low, y + y_high)
        if i.stop <= i.start or j.stop <= j.start:
            continue
        share = np.zeros((j.stop - j.start, i.stop - i.start + 1))
        x_near, y_near = x_edges[i.start : i.stop + 1] - x, y_edges[j.start : j.stop + 1] - y
        cover_cells(points, starts, x_near, y_near, share)
        total[j, i] += time * share[:, :-1]
    return total


def _cells_between(edges: np.ndarray, low: float, high: float) -> slice:
    """The cells that reach into the interval low..high."""
    first = max(int(np.searchsorted(edges, low, side="right")) - 1, 0)
    last = min(int(np.searchsorted(edges, high, side="left")), len(edges) - 1)
    return slice(first, last)
