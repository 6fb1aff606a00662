"""How long to work each piece of the path, so that the etch comes out as deep as wanted and even.

At a given state of swab and supply the charge a place receives is a sum over the stops of (charge
per area and second there) x (time at the stop). The fields are solved once for every place of the
path, with the swab in its usual state and the metal's surface as it will be half way; then
`simulate.allotment` finds the times. Swab and supply are carried along the schedule (`march`),
each piece's rate is put right by the state it was worked in, and the times are found again, until
they stay.

The same least squares for places all over the plate gives what no schedule can even out: the
crowding of the current at the rims of the openings, which moves with the stencil and not with the
hand (`simulate.crowding`).
"""

from __future__ import annotations

import csv
import io
import math
import os
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from simulate.allotment import best_times, reduce_rows, whole_times
from simulate.case import Case, with_changes
from simulate.course import lay_out
from simulate.crowding import blurred, even_times, lattice_rates, split_rates
from simulate.dwell_fields import Fields, Progress, Spread
from simulate.errors import Fault, InputError
from simulate.pieces import Pace, Piece, Visit, cut_path, make_visits
from simulate.stencil import openings
from simulate.stroke import Hatch, Path
from simulate.swab import contact_outline, contact_size

if TYPE_CHECKING:
    from scipy.sparse import csc_array

Doubles = NDArray[np.float64]

PIECE = 0.5
"""Length of a piece of the path over the lesser width of the contact patch."""

ROUNDS = 3
"""How often the times are found anew for the state that the schedule leaves the swab in."""

LATTICE = 0.7
"""Spacing of the places solved all over the plate over the contact patch, along and across it."""

STEP = 0.25
"""Spacing of the places of free times over the lesser width of the contact patch."""

HAND = 1e-3
"""How far a hand misses the place it aims at, one sigma [m]; a guess."""


@dataclass(frozen=True, eq=False)
class DwellPlan:
    """The answer of `plan_dwell`; it draws itself by `draw`.

    Parameters
    ----------
    case, depth, tolerance : the question; depth [m], tolerance [-].
    x_edges, y_edges, open_fraction : the plate's cells, as in a `Result`.
    stands : the stroke of the case as it stands.
    passes : times the stroke of the case would have to be done for the mean depth wanted [-].
    repeated : the same stroke done that often.
    best : the best times, in any fraction of a second.
    planned : the schedule, in whole seconds.
    floor : the best that free times all over the plate could do, by a hand that misses its place
        by `HAND`; its time is not known and left at 0.
    stop_error : of the schedule's depth by the spacing of stops, root mean square over the mean;
        a third of the change where every other stop is left out, as in a `Result` [-].
    state_error : of the schedule's depth by carrying fields of the usual state to the one it is in;
        the largest error of current density, root mean square, among a few stops solved again [-].
    floor_error : of the floor's evenness, by the product of `simulate.crowding` [-].
    pieces, times : of the path, and the best time on each [s].
    visits : the schedule.
    schedule_case : the case with the schedule for its stroke.
    """

    case: Case
    depth: float
    tolerance: float
    x_edges: Doubles
    y_edges: Doubles
    open_fraction: Doubles
    stands: Spread
    passes: float
    repeated: Spread
    best: Spread
    planned: Spread
    floor: Spread
    floor_error: float
    stop_error: float
    state_error: float
    pieces: tuple[Piece, ...]
    times: Doubles
    visits: tuple[Visit, ...]
    schedule_case: Case = field(repr=False)

    @property
    def shares(self) -> dict[str, float]:
        """What the variance of depth left by the schedule is due to; the shares add to 1 [-].

        stencil : crowding at rims and into narrow openings, which no schedule takes away.
        path : what free times everywhere would even out and this path cannot.
        seconds : rounding to whole seconds.
        """
        whole = max(_variance(self.planned), 1e-300)
        stencil = min(_variance(self.floor), whole)
        best = min(max(_variance(self.best), stencil), whole)
        return {
            "stencil": stencil / whole,
            "path": (best - stencil) / whole,
            "seconds": 1.0 - best / whole,
        }

    @property
    def schedule_gain(self) -> float:
        """Share of the variance of depth that the schedule takes away [-]."""
        return 1.0 - _variance(self.planned) / max(_variance(self.stands), 1e-300)

    @property
    def summary(self) -> dict[str, Any]:
        """Plain numbers in SI, as printed by ``--json``."""
        spreads = ("stands", "repeated", "best", "planned", "floor")
        return {
            "title": self.case.title,
            "depth": self.depth,
            "tolerance": self.tolerance,
            **{name: getattr(self, name).summary for name in spreads},
            "passes": self.passes,
            "floor_error": self.floor_error,
            "stop_error": self.stop_error,
            "state_error": self.state_error,
            "shares": self.shares,
            "schedule_gain": self.schedule_gain,
            "visits": [_row(visit) for visit in self.visits],
        }

    @property
    def csv(self) -> str:
        """The schedule as comma-separated values with a heading."""
        text = io.StringIO()
        rows = [_row(visit) for visit in self.visits]
        writer = csv.DictWriter(text, list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
        return text.getvalue()

    @property
    def words(self) -> tuple[str, ...]:
        """What it means, in sentences."""
        return _in_words(self)

    def draw(self, path: str | os.PathLike[str]) -> None:
        """Draw before, after and schedule to a file, png, svg or pdf by its ending."""
        from simulate.figures.schedule import Etch, Work, schedule_figure
        from simulate.figures.style import save_figure

        etches = [
            Etch(name, spread.depth, spread.evenness)
            for name, spread in (
                ("the stroke as it stands, repeated", self.repeated),
                ("the schedule", self.planned),
                ("free times all over the plate", self.floor),
            )
        ]
        seconds = np.bincount(
            [visit.number for visit in self.visits],
            [visit.seconds for visit in self.visits],
        )
        work = [
            Work(piece.start, piece.end, float(time))
            for piece, time in zip(self.pieces, seconds, strict=False)
            if time
        ]
        save_figure(schedule_figure(self, etches, work, self.depth, self.tolerance), path)


def _variance(spread: Spread) -> float:
    return (1.0 - spread.evenness) ** 2


def _row(visit: Visit) -> dict[str, Any]:
    """One visit in units of the trade."""
    (x0, y0), (x1, y1) = visit.piece.start, visit.piece.end
    return {
        "wet_again": "yes" if visit.rewet else "",
        "line": visit.piece.line + 1,
        "x_from_mm": round(x0 * 1e3, 2),
        "y_from_mm": round(y0 * 1e3, 2),
        "x_to_mm": round(x1 * 1e3, 2),
        "y_to_mm": round(y1 * 1e3, 2),
        "seconds": visit.seconds,
        "passes": visit.passes,
        "speed_mm_s": round(visit.speed * 1e3, 2),
        "begins_s": round(visit.start),
        "charge_C": round(visit.charge, 3),
    }


# The question -------------------------------------------------------------------------------------


def plan_dwell(
    case: Case,
    depth: float | None = None,
    *,
    tolerance: float | None = None,
    pace: Pace | None = None,
    piece: float = PIECE,
    progress: Progress | None = None,
    workers: int | None = None,
) -> DwellPlan:
    """Find how long to work each piece of a case's path for an even etch of a depth.

    Parameters
    ----------
    depth : mean depth wanted [m]; that of the case's [aim] if not given.
    tolerance : how far depth may be missed [-]; that of the case's [aim] if not given.
    pace : speeds, passes and rests; by default the case's own speed and no other bound.
    piece : length of a piece over the contact patch's lesser width [-].
    progress : called with the places done and the places there are.
    workers : threads; as many as there are processors by default.

    Raises
    ------
    InputError : no depth is given anywhere, the metal does not etch, or the path never meets an
        opening.
    """
    depth = case.aim.depth if depth is None else depth
    tolerance = case.aim.tolerance if tolerance is None else tolerance
    if depth is None or not depth > 0:
        raise InputError(Fault("no depth to aim at", 'such as "25 um"', key="depth"))
    pace = pace or usual_pace(case)
    fields = Fields(case, depth, progress, workers)
    count = max(1, round(piece / case.grid.stop_spacing))
    pieces = cut_path(case.strokes, case.stop_spacing, count)
    fields.solve([*(part.places for part in pieces), _lattice(case)])
    pieces = tuple(part for part in pieces if fields.current(part.places).any())
    pieces = _touching(case, pieces)

    track = fields.march(fields.course)
    charge = fields.received(track, fields.course)
    dips = int(track.rewet.sum())
    stands = fields.spread(charge, float(track.dwell.sum()), dips, tolerance)
    passes = 1.0 / fields.mean(charge)
    repeated = fields.spread(charge * passes, stands.time * passes, round(dips * passes), tolerance)

    drift = fields.drift(pieces, track, fields.course)
    for turn in range(ROUNDS):
        schedule = _Schedule.of(case, fields, pieces, drift, pace)
        course = lay_out(schedule.case)
        fields.solve_course(course)
        track = fields.march(course)
        if turn == 0 and fields.settle(track):
            track = fields.march(course)
        drift = fields.drift(pieces, track, course)
    rates, whole = schedule.rates, schedule.whole
    best = fields.spread(rates @ schedule.times, float(schedule.times.sum()), 0, tolerance)
    dips = sum(visit.rewet for visit in schedule.visits)
    planned = fields.spread(fields.received(track, course), float(whole.sum()), dips, tolerance)
    single = fields.rates([part.places[:1] for part in pieces], drift)
    stop_error = math.sqrt(fields.mean(((single - rates) @ whole) ** 2)) / 3.0
    state_error = fields.check(track, course)
    floor, floor_error = _floor(fields, tolerance)
    return DwellPlan(
        case=case,
        depth=depth,
        tolerance=tolerance,
        x_edges=fields.x,
        y_edges=fields.y,
        open_fraction=fields.open_fraction,
        stands=stands,
        passes=passes,
        repeated=repeated,
        best=best,
        planned=planned,
        floor=floor,
        floor_error=floor_error,
        stop_error=stop_error,
        state_error=state_error,
        pieces=pieces,
        times=schedule.times,
        visits=schedule.visits,
        schedule_case=schedule.case,
    )


@dataclass(frozen=True, eq=False)
class _Schedule:
    """Times for pieces at given drifts, and the case they make."""

    rates: csc_array
    times: Doubles
    whole: NDArray[np.int64]
    visits: tuple[Visit, ...]
    case: Case

    @staticmethod
    def of(
        case: Case, fields: Fields, pieces: tuple[Piece, ...], drift: Doubles, pace: Pace
    ) -> _Schedule:
        """The best times for pieces whose rates are those of the usual state times a drift."""
        rates = fields.rates([part.places for part in pieces], drift)
        low, high = pace.bounds(pieces)
        problem = reduce_rows(rates, fields.area)
        times = best_times(problem, low, high)
        whole = whole_times(problem, times, low, high)
        current = np.array([fields.current(part.places).mean() for part in pieces]) * drift
        visits = make_visits(pieces, whole.tolist(), current, pace, case.rewet)
        if not visits:
            raise InputError(Fault("less than a second would do", "a greater depth", key="depth"))
        changed = with_changes(case, {"stroke": [visit.table for visit in visits]})
        return _Schedule(rates, times, whole, visits, changed)


def _touching(case: Case, pieces: Sequence[Piece]) -> tuple[Piece, ...]:
    """The pieces that alone would pass as a stroke of the case: the patch touches an opening."""
    import shapely

    area, outline = openings(case.stencil), contact_outline(case.swab)
    step = 0.5 * min(contact_size(case.swab))
    found = []
    for piece in pieces:
        count = max(1, math.ceil(piece.length / step * (1.0 - 1e-12)))
        places = replace(piece, stops=count).places
        if shapely.intersects(shapely.polygons(outline + places[:, None, :]), area).any():
            found.append(piece)
    return tuple(found)


def usual_pace(case: Case, **bounds: Any) -> Pace:
    """The pace of a case: the speed of its first stroke that moves.

    bounds : fields of `Pace`, in the place of none.
    """
    speeds = [stroke.speed for stroke in case.strokes if isinstance(stroke, Hatch | Path)]
    return Pace(**{"speed": speeds[0] if speeds else 0.0, **bounds})


def _lattice(case: Case) -> Doubles:
    """Places all over the openings and half a contact patch beyond, (n, 2) [m]."""
    along, across = contact_size(case.swab)
    turn = getattr(case.swab, "heading", 0.0)
    axes = np.array([[math.cos(turn), math.sin(turn)], [-math.sin(turn), math.cos(turn)]])
    x0, y0, x1, y1 = openings(case.stencil).bounds
    corners = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]]) @ axes.T
    low, high = corners.min(axis=0), corners.max(axis=0)
    steps = []
    for n, size in enumerate((along, across)):
        reach = high[n] - low[n] + size
        steps.append(
            0.5 * (low[n] + high[n])
            + reach * (np.arange(k := math.ceil(reach / (LATTICE * size)) + 1) / (k - 1) - 0.5)
        )
    u, v = np.meshgrid(*steps)
    places = np.column_stack([u.ravel(), v.ravel()]) @ axes
    outline = contact_outline(case.swab)
    (a0, b0), (a1, b1) = outline.min(axis=0), outline.max(axis=0)
    touches = (
        (places[:, 0] + a1 > x0)
        & (places[:, 0] + a0 < x1)
        & (places[:, 1] + b1 > y0)
        & (places[:, 1] + b0 < y1)
    )
    return np.asarray(places[touches])


def _floor(fields: Fields, tolerance: float) -> tuple[Spread, float]:
    """The best that free times all over the plate can do by a hand, and how sure that is.

    The error is that of the product in `simulate.crowding`: how far it puts the evenness wrong
    where the times are free at the places that were solved.
    """
    split = split_rates(fields.entries, fields.area.size)
    cell = fields.setting.window.cell
    step = [max(1, round(STEP * min(contact_size(fields.case.swab)) / cell))] * 2
    rows, columns = np.divmod(fields.open, fields.open_fraction.shape[1])
    found = []
    for rates in (
        lattice_rates(blurred(split, HAND / cell), rows, columns, step),
        fields.matrix(fields.entries.value),
        fields.matrix(split.product(fields.entries)),
    ):
        times = even_times(rates, fields.area)
        charge = rates @ times
        found.append(fields.spread(charge / fields.mean(charge), 0.0, 0, tolerance))
    return found[0], abs(found[1].evenness - found[2].evenness)


# Words --------------------------------------------------------------------------------------------


def _in_words(plan: DwellPlan) -> tuple[str, ...]:
    """The three findings, a sentence or two each."""
    best, shares = plan.planned, plan.shares
    said = [
        f"As it stands the stroke takes {plan.stands.time:.0f} s and leaves "
        f"{_um(plan.stands.mean)} on average; done {plan.passes:.2f} times it would reach "
        f"{_um(plan.depth)} in {plan.repeated.time:.0f} s, with {plan.repeated.within:.0%} of the "
        f"open area within {plan.tolerance:.0%} of it.",
        f"By the schedule evenness goes from {plan.stands.evenness:.3f} to {best.evenness:.3f}, "
        f"and {best.within:.0%} of the open area lies within the tolerance.",
        f"No schedule of this swab does better than {plan.floor.evenness:.3f} (give or take "
        f"{max(plan.floor_error, 0.001):.3f}), not even with free times all over the plate: the "
        f"current crowds at the rims of the openings and into the narrow ones, where the hand "
        f"cannot reach it. Of the unevenness the schedule leaves, {shares['stencil']:.0%} is this "
        f"crowding, {shares['path']:.0%} the path's, {shares['seconds']:.0%} that of whole "
        f"seconds.",
    ]
    cause = max(shares, key=lambda name: shares[name])
    if plan.schedule_gain < 0.05:
        said.append("The stroke as it stands is about as even as a schedule can make it.")
    said.append(_ADVICE[cause])
    return tuple(said)


_ADVICE = {
    "stencil": "To go on, change the stencil and not the hand: a thicker mask, or lines of more "
    "equal width; or a lower voltage, so that the reaction evens the current out.",
    "path": "To go on, change the path: lines closer together, along another way as well, or "
    "farther past the openings; the stencil would allow it.",
    "seconds": "To go on, work slower or in a weaker liquid, so that a second counts for less.",
}


def _um(depth: float) -> str:
    return f"{depth * 1e6:.3g} um"
