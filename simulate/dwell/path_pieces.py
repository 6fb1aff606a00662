"""The path of a stroke in pieces that a person can tell apart, and a schedule over them.

A piece is a short straight part of the path, or a place that is only pressed. A schedule gives
each piece a whole number of seconds: it is rubbed to and fro that long, at about the speed of the
case, or pressed. `make_visits` marks where the swab is wetted again on the way.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simulate.case.settings import Rewet
from simulate.swab.stops import make_stops
from simulate.swab.stroke import Dabs, Hatch, Hold, Path, Point, Stroke

Doubles = NDArray[np.float64]


@dataclass(frozen=True)
class Piece:
    """A straight part of a path; start and end [m] are the same where the swab only presses.

    line : number of the line of the path it lies on, from 0.
    stops : how many stops it is computed with.
    """

    start: Point
    end: Point
    line: int
    stops: int = 1

    @property
    def length(self) -> float:
        """From start to end [m]; 0 for a place that is pressed."""
        return math.dist(self.start, self.end)

    @property
    def places(self) -> Doubles:
        """The stops' places, (stops, 2) [m]: the middles of equal parts."""
        a, b = np.array(self.start), np.array(self.end)
        along = (np.arange(self.stops) + 0.5) / self.stops
        return np.asarray(a + along[:, None] * (b - a))


def cut_path(strokes: Iterable[Stroke], stop_spacing: float, stops: int = 2) -> tuple[Piece, ...]:
    """Cut the lines of strokes into pieces, each once however often it is gone over.

    The ends fall between the stops that `swab.stroke.make_stops` puts on each line, so that
    a piece drawn alone has the same stops as the whole line.

    Parameters
    ----------
    stop_spacing : longest piece of moving path per stop [m].
    stops : in a piece; the last piece of a line may have fewer.
    """
    pieces: dict[frozenset[tuple[int, int]], Piece] = {}
    lines = [line for stroke in strokes for line in _lines(stroke)]
    for number, (a, b) in enumerate(lines):
        for piece in _cut_line(a, b, number, stop_spacing, stops):
            key = frozenset((round(x * 1e9), round(y * 1e9)) for x, y in (piece.start, piece.end))
            pieces.setdefault(key, piece)
    return tuple(pieces.values())


def _lines(stroke: Stroke) -> list[tuple[Point, Point]]:
    """The straight lines of one pass; a place that is pressed is a line without length."""
    if isinstance(stroke, Hold):
        return [((stroke.x, stroke.y), (stroke.x, stroke.y))]
    if isinstance(stroke, Dabs):
        return [(point, point) for point in stroke.points]
    if isinstance(stroke, Path):
        return [(a, b) for a, b in pairwise(stroke.points) if math.dist(a, b) > 0]
    return _hatch_lines(stroke)


def _hatch_lines(hatch: Hatch) -> list[tuple[Point, Point]]:
    middles = make_stops(replace(hatch, passes=1, turn_time=0.0), hatch.width)
    half = 0.5 * hatch.width * np.array([math.cos(hatch.angle), math.sin(hatch.angle)])
    lines = []
    for number, (x, y) in enumerate(zip(middles.x, middles.y, strict=True)):
        way = -half if hatch.alternate and number % 2 else half
        lines.append(
            ((float(x - way[0]), float(y - way[1])), (float(x + way[0]), float(y + way[1])))
        )
    return lines


def _cut_line(a: Point, b: Point, line: int, stop_spacing: float, stops: int) -> list[Piece]:
    length = math.dist(a, b)
    if length == 0.0:
        return [Piece(a, b, line)]
    count = max(1, math.ceil(length / stop_spacing * (1.0 - 1e-12)))
    cuts = [*range(0, count, stops), count]

    def at(cut: int) -> Point:
        share = cut / count
        return a[0] + share * (b[0] - a[0]), a[1] + share * (b[1] - a[1])

    return [Piece(at(i), at(j), line, j - i) for i, j in pairwise(cuts)]


# Schedule -----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Visit:
    """One line of a schedule.

    Parameters
    ----------
    number : of the piece.
    piece : where.
    seconds : how long, a whole number [s].
    passes : how often the piece is gone over in that time; 0 where it is pressed.
    start : when it begins, time on the plate only [s].
    charge : that passes meanwhile [C].
    rewet : whether the swab is wetted again just before.
    """

    number: int
    piece: Piece
    seconds: int
    passes: int
    start: float
    charge: float
    rewet: bool = False

    @property
    def speed(self) -> float:
        """Of the rubbing [m/s]; 0 where the swab presses."""
        return self.passes * self.piece.length / self.seconds

    @property
    def stroke(self) -> Stroke:
        """The visit as a stroke of a case."""
        if not self.passes:
            return Hold(*self.piece.start, float(self.seconds))
        return Path((self.piece.start, self.piece.end), self.speed, self.passes)

    @property
    def table(self) -> dict[str, Any]:
        """The visit as one ``[[stroke]]`` of a case file."""
        if not self.passes:
            x, y = (f"{v * 1e3:.6g} mm" for v in self.piece.start)
            return {"pattern": "hold", "x": x, "y": y, "time": f"{self.seconds} s"}
        points = [[_mm(x), _mm(y)] for x, y in (self.piece.start, self.piece.end)]
        return {
            "pattern": "path",
            "unit": "mm",
            "points": points,
            "speed": f"{self.speed * 1e3:.9g} mm/s",
            "passes": self.passes,
        }


def _mm(value: float) -> float:
    return float(f"{value * 1e3:.9g}")


@dataclass(frozen=True)
class Pace:
    """How the swab is moved.

    Parameters
    ----------
    speed : aimed at while rubbing [m/s]; the number of passes is rounded to it.
    slowest, fastest : bounds on the speed [m/s].
    passes : if given, every piece is gone over just this often, and the speeds' bounds bound the
        time spent on it; otherwise a piece is rubbed as often as its time allows, or left out.
    longest : rest or rubbing in one visit [s]; what is left follows in another round.
    """

    speed: float
    slowest: float = 0.0
    fastest: float = math.inf
    passes: int | None = None
    longest: int | None = None

    def bounds(self, pieces: Sequence[Piece]) -> tuple[Doubles, Doubles]:
        """Least and greatest time on each piece [s]."""
        if self.passes is None:
            return np.zeros(len(pieces)), np.full(len(pieces), math.inf)
        way = self.passes * np.array([piece.length for piece in pieces])
        with np.errstate(divide="ignore"):
            most = np.where(way > 0, way / np.float64(self.slowest), math.inf)
        return np.ceil(way / self.fastest), np.floor(most)

    def count(self, piece: Piece, seconds: int) -> int:
        """Passes over a piece in a time."""
        if piece.length == 0.0:
            return 0
        if self.passes is not None:
            return self.passes
        once = piece.length / seconds  # the speed of a single pass
        most = self.fastest / once
        least = self.slowest / once
        return max(1, round(min(max(self.speed / once, least), most)))


def make_visits(
    pieces: Sequence[Piece],
    seconds: Sequence[int],
    current: Doubles,
    pace: Pace,
    rewet: Rewet,
) -> tuple[Visit, ...]:
    """Put pieces and whole seconds in order, with the marks where the swab is wetted again.

    Parameters
    ----------
    seconds : on each piece; those of 0 are left out.
    current : mean current on each piece [A].
    rewet : charge and time after which the swab is wetted again. A visit that would pass the
        limit begins with a wet swab; one too long for a whole dip is parted.
    """
    visits: list[Visit] = []
    clock, charge, time = 0, 0.0, 0
    for number, whole in _rounds(seconds, pace.longest):
        left = whole
        while left > 0:
            room = _room(current[number], charge, time, rewet)
            again = bool(visits) and room < min(left, _room(current[number], 0.0, 0, rewet))
            if again:
                charge, time = 0.0, 0
                room = _room(current[number], charge, time, rewet)
            part = max(1, min(left, room))
            passed = float(current[number]) * part
            passes = pace.count(pieces[number], part)
            visits.append(Visit(number, pieces[number], part, passes, clock, passed, again))
            clock, time, charge, left = clock + part, time + part, charge + passed, left - part
    return tuple(visits)


def _rounds(seconds: Sequence[int], longest: int | None) -> list[tuple[int, int]]:
    """Piece and time in order: all pieces, then again those whose time is not yet spent."""
    if longest is None:
        return [(number, int(time)) for number, time in enumerate(seconds) if time > 0]
    order, left = [], [int(time) for time in seconds]
    while any(left):
        for number, time in enumerate(left):
            if time:
                order.append((number, min(time, longest)))
                left[number] -= min(time, longest)
    return order


def _room(current: float, charge: float, time: float, rewet: Rewet) -> int:
    """Whole seconds left before the swab must be wetted again."""
    rooms = [2.0**31]
    if rewet.charge is not None and current > 0:
        rooms.append((rewet.charge - charge) / current + 1e-9)
    if rewet.time is not None:
        rooms.append(rewet.time - time + 1e-9)
    return max(0, math.floor(min(rooms)))


def stroke_ripple(spacing: float, width: float, *, lines: int = 41, points: int = 400) -> float:
    """How uneven parallel strokes are across, by their spacing: (max - min) / mean [-].

    The contact removes metal as a parabola across its width, ``1 - (2 s / width)^2``: a soft
    body pressed flat. The strokes are summed as the stops of a `Hatch`, away from its ends.

    Parameters
    ----------
    spacing : between the strokes [m].
    width : of the contact across them [m].

    Source: superposition; a parabolic pressure is Winkler's foundation under a cylinder.
    """
    hatch = Hatch(0.0, 0.0, width, (lines - 1) * spacing, spacing, width, alternate=False)
    stops = make_stops(hatch, width)  # one stop a line
    s = np.arange(points + 1) / points * spacing
    away = (s[:, None] - stops.y[None, :]) * 2.0 / width
    profile = (np.maximum(0.0, 1.0 - away**2) * stops.dwell).sum(axis=1)
    mean = float(stops.dwell[0] * width * 2.0 / 3.0 / spacing)
    return float(profile.max() - profile.min()) / mean
