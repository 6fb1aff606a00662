"""Stops of a stroke: positions where the swab is taken to stand still for a dwell.

A moving swab is cut into equal pieces of path, a stop in the middle of each, so that the sum over
stops is the midpoint rule for the integral along the path.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from simulate.rules import require_positive
from simulate.swab.stroke import Dabs, Hatch, Hold, Stroke, path_length


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
    require_positive(**{key: value for key, value in limits.items() if value is not None})
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
