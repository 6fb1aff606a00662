"""How long to work each piece of the path, so that the etch comes out as deep as wanted and even.

At a given state of swab and supply the charge a place receives is a sum over the stops of (charge
per area and second there) x (time at the stop). The fields are solved once for every place of the
path; then `simulate.allotment` finds the times. Solved again for places all over the plate, the
same least squares gives what no schedule can even out: the crowding of the current at the rims of
the openings, which moves with the stencil and not with the hand.

The swab counts as freshly wetted and the supply as fresh, at every stop.
"""

from __future__ import annotations

import csv
import io
import math
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from simulate.allotment import best_times, reduce_rows, whole_times
from simulate.case import Case, all_stops, with_changes
from simulate.crowding import Rates, blurred, even_times, lattice_rates, split_rates
from simulate.errors import Fault, InputError
from simulate.etching import Setting, StopField, make_setting, plate_edges, solve_places
from simulate.pieces import Pace, Piece, Visit, count_dips, cut_path, make_visits
from simulate.removal import charge_for_depth, depth_from_charge
from simulate.stencil import area_fractions, openings, rim_distance
from simulate.stroke import Hatch, Path, Stops
from simulate.swab import contact_outline, contact_size
from simulate.window import PHASES, Place

if TYPE_CHECKING:
    from scipy.sparse import csc_array, csr_array

Doubles = NDArray[np.float64]
Progress = Callable[[int, int], None]

PIECE = 0.5
"""Length of a piece of the path over the lesser width of the contact patch."""

LATTICE = 0.7
"""Spacing of the places solved all over the plate over the contact patch, along and across it."""

STEP = 0.25
"""Spacing of the places of free times over the lesser width of the contact patch."""

HAND = 1e-3
"""How far a hand misses the place it aims at, one sigma [m]; a guess."""

RIM = 1.5e-4
"""What lies nearer to a rim is called edge when the remaining unevenness is put into words [m]."""


@dataclass(frozen=True, eq=False)
class Spread:
    """How depth lies over the open area.

    Parameters
    ----------
    depth : (ny, nx) [m]; 0 under the mask.
    mean : over the open area [m].
    evenness : 1 - standard deviation / mean [-].
    within : share of the open area within the tolerance of the depth wanted [-].
    edge_ratio : mean depth within `RIM` of a rim over that of the rest [-]; nan if there is none.
    time : on the plate [s].
    rewets : how often the swab is wetted again.
    """

    depth: Doubles
    mean: float
    evenness: float
    within: float
    edge_ratio: float
    time: float
    rewets: int

    @property
    def summary(self) -> dict[str, Any]:
        """The numbers, without the map."""
        names = ("mean", "evenness", "within", "edge_ratio", "time", "rewets")
        return {name: getattr(self, name) for name in names}


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
    fields = _Fields(case, depth, progress, workers)
    stops = all_stops(case)
    count = max(1, round(piece / case.grid.stop_spacing))
    pieces = cut_path(case.strokes, case.stop_spacing, count)
    lattice = _lattice(case)
    fields.solve([stops_places(stops), *(part.places for part in pieces), lattice])

    charge = fields.rates(stops_places(stops)) @ stops.dwell
    current = fields.current(stops_places(stops))
    stands = fields.spread(charge, stops.dwell, current, tolerance)
    passes = 1.0 / fields.mean(charge)
    again = stops.dwell * passes
    repeated = fields.spread(charge * passes, again, current, tolerance)

    pieces = tuple(part for part in pieces if fields.current(part.places).any())
    rates = fields.rates([part.places for part in pieces])
    amperes = np.array([fields.current(part.places).mean() for part in pieces])
    low, high = pace.bounds(pieces)
    problem = reduce_rows(rates, fields.area)
    times = best_times(problem, low, high)
    best = fields.spread(rates @ times, times, amperes, tolerance)
    whole = whole_times(problem, times, low, high)
    visits = make_visits(pieces, whole.tolist(), amperes, pace, case.rewet)
    if not visits:
        raise InputError(Fault("less than a second would do", "a greater depth", key="depth"))
    planned = fields.spread(rates @ whole, whole.astype(float), amperes, tolerance)
    planned = replace(planned, rewets=sum(visit.rewet for visit in visits))
    single = fields.rates([part.places[:1] for part in pieces])
    stop_error = math.sqrt(fields.mean(((single - rates) @ whole) ** 2)) / 3.0
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
        pieces=pieces,
        times=times,
        visits=visits,
        schedule_case=with_changes(case, {"stroke": [visit.table for visit in visits]}),
    )


def stops_places(stops: Stops) -> Doubles:
    """Places of stops, (n, 2) [m]."""
    return np.column_stack([stops.x, stops.y])


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


def _floor(fields: _Fields, tolerance: float) -> tuple[Spread, float]:
    """The best that free times all over the plate can do by a hand, and how sure that is.

    The error is that of the product in `simulate.crowding`: how far it puts the evenness wrong
    where the times are free at the places that were solved.
    """
    split = split_rates(fields.entries, fields.area.size)
    cell = fields.setting.window.cell
    step = [max(1, round(STEP * min(contact_size(fields.case.swab)) / cell))] * 2
    rows, columns = np.divmod(fields.open, fields.open_fraction.shape[1])
    none = np.zeros(0)  # of the time it would take nothing is said
    found = []
    for rates in (
        lattice_rates(blurred(split, HAND / cell), rows, columns, step),
        fields.matrix(fields.entries.value),
        fields.matrix(split.product(fields.entries)),
    ):
        times = even_times(rates, fields.area)
        charge = rates @ times
        found.append(fields.spread(charge / fields.mean(charge), none, none, tolerance))
    return found[0], abs(found[1].evenness - found[2].evenness)


# The fields ---------------------------------------------------------------------------------------


class _Fields:
    """The fields of a case by place, each solved once, relative to the charge wanted."""

    def __init__(
        self, case: Case, depth: float, progress: Progress | None, workers: int | None
    ) -> None:
        self.case = case
        self.depth = depth
        self.x, self.y = plate_edges(case)
        geometry = openings(case.stencil)
        self.open_fraction = area_fractions(geometry, self.x, self.y)
        self.setting: Setting = make_setting(case, self.open_fraction)
        self.wanted = float(charge_for_depth(case.metal, depth))
        area = (self.open_fraction * np.outer(np.diff(self.y), np.diff(self.x))).ravel()
        self.open = np.flatnonzero(area > 0)
        self.area = area[self.open]
        centres = tuple(0.5 * (edges[1:] + edges[:-1]) for edges in (self.x, self.y))
        self.rim = rim_distance(geometry, *centres).ravel()[self.open]
        self.row = np.full(area.size, -1)
        self.row[self.open] = np.arange(self.open.size)
        self.found: dict[Place, StopField] = {}
        self.progress, self.workers = progress, workers

    def solve(self, groups: Sequence[Doubles]) -> None:
        """Solve every place of some groups of places, (n, 2) [m] each."""
        asked = [self.place(xy) for group in groups for xy in group]
        places = list(dict.fromkeys(asked))
        for place, found in zip(
            places, solve_places(self.setting, places, self.workers), strict=True
        ):
            self.found[place] = found
            if self.progress is not None:
                self.progress(len(self.found), len(places))
        if not any(found.total for found in self.found.values()):
            problem = "the swab never meets an opening on its path"
            raise InputError(Fault(problem, "a path over the openings", key="stroke"))

    def place(self, xy: Doubles) -> Place:
        """The place at which x, y [m] is computed."""
        return self.setting.window.place(float(xy[0]), float(xy[1]))

    def current(self, places: Doubles) -> Doubles:
        """Total current at places, (n,) [A]."""
        return np.array([self.found[self.place(xy)].total for xy in places])

    def rates(self, groups: Doubles | Sequence[Doubles]) -> csc_array:
        """Charge per open area and second over the charge wanted, (open cells, groups) [1/s].

        A group is a place, or places (n, 2) among which the time is shared evenly.
        """
        from scipy.sparse import csc_array

        rows, columns, values = [], [], []
        for number, group in enumerate(groups):
            places = np.atleast_2d(group)
            for xy in places:
                found = self.found[self.place(xy)]
                row = self.row[found.cells]
                good = row >= 0
                rows.append(row[good])
                columns.append(np.full(int(good.sum()), number))
                per_area = found.current[good] / self.area[row[good]]
                values.append(per_area / (self.wanted * len(places)))
        shape = (self.open.size, len(groups))
        parts = (np.concatenate(part) for part in (values, rows, columns))
        value, row, column = parts
        return csc_array((value, (row, column)), shape=shape)

    @property
    def entries(self) -> Rates:
        """The rates at every place that was solved, over the charge wanted [1/s]."""
        window = self.setting.window
        wide = self.open_fraction.shape[1]
        parts = []
        for number, (place, found) in enumerate(self.found.items()):
            row = self.row[found.cells]
            good = (row >= 0) & (found.current > 0)
            centre = np.array(place.corner) + window.reach + np.array(place.phase) / PHASES
            cells = np.column_stack(np.divmod(found.cells[good], wide))
            offset = np.round(cells + 0.5 - centre).astype(np.int64)
            value = found.current[good] / (self.area[row[good]] * self.wanted)
            parts.append((value, row[good], np.full(value.size, number), offset))
        return Rates(*(np.concatenate(part) for part in zip(*parts, strict=True)))

    def matrix(self, values: Doubles) -> csr_array:
        """Values in the order of `entries` as a matrix, (open cells, places that reach any)."""
        from scipy.sparse import csr_array

        entries = self.entries
        names, number = np.unique(entries.place, return_inverse=True)
        return csr_array((values, (entries.cell, number)), shape=(self.open.size, names.size))

    def mean(self, relative: Doubles) -> float:
        """Mean over the open area of (open cells,)."""
        return float(np.average(relative, weights=self.area))

    def spread(
        self, relative: Doubles, dwell: Doubles, current: Doubles, tolerance: float
    ) -> Spread:
        """How a charge lies over the open area.

        relative : charge over the charge wanted, (open cells,). dwell, current : of the stops.
        """
        depth = depth_from_charge(self.case.metal, relative * self.wanted)
        mean = self.mean(depth)
        deviation = math.sqrt(self.mean((depth - mean) ** 2))
        within = np.abs(depth / self.depth - 1.0) <= tolerance
        edge = self.rim < RIM
        ratio = math.nan
        if edge.any() and not edge.all():
            inner = np.average(depth[~edge], weights=self.area[~edge])
            ratio = float(np.average(depth[edge], weights=self.area[edge]) / inner)
        plan = np.zeros(self.open_fraction.shape)
        plan.ravel()[self.open] = depth
        plan.setflags(write=False)
        return Spread(
            depth=plan,
            mean=mean,
            evenness=1.0 - deviation / mean if mean > 0 else math.nan,
            within=self.mean(within.astype(float)),
            edge_ratio=ratio,
            time=float(np.sum(dwell)),
            rewets=count_dips(current, dwell, self.case.rewet),
        )


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
