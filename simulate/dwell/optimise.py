"""How long to work each piece of the path, so that the etch comes out as deep as wanted and even.

At a given state of swab and supply the charge a place receives is a sum over the stops of (charge
per area and second there) x (time at the stop). The fields are solved once for every place of the
path, with the swab in its usual state and the metal's surface as it will be half way; then
`dwell.least_squares` finds the times. Swab and supply are carried along the schedule (`march`),
each piece's rate is put right by the state it was worked in, and the times are found again.

The same least squares for places all over the plate gives what no schedule can even out: the
crowding of the current at the rims of the openings, which moves with the stencil and not with the
hand (`simulate.dwell.crowding`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from simulate.case.case import Case, with_changes
from simulate.dwell.crowding import blurred, even_times, lattice_rates, split_rates
from simulate.dwell.least_squares import best_times, reduce_rows, whole_times
from simulate.dwell.path_pieces import Pace, Piece, Visit, cut_path, make_visits
from simulate.dwell.place_fields import Fields, Progress, Spread
from simulate.dwell.plan import DwellPlan
from simulate.errors import Fault, InputError
from simulate.run.setup import lay_out
from simulate.stencil.shapes import openings
from simulate.swab.contact_patch import contact_outline, contact_size
from simulate.swab.stroke import Hatch, Path

if TYPE_CHECKING:
    from scipy.sparse import csc_array

Doubles = NDArray[np.float64]

PIECE = 0.5
"""Length of a piece of the path over the lesser width of the contact patch."""

ROUNDS = 2
"""How often the times are found anew for the state that the schedule leaves the swab in."""

LATTICE = 0.7
"""Spacing of the places solved all over the plate over the contact patch, along and across it."""

STEP = 0.35
"""Spacing of the places of free times over the lesser width of the contact patch."""

WIDER = 1.5
"""Spacing over that at which free times are found once more, to state the error of the spacing."""

HAND = 1e-3
"""How far a hand misses the place it aims at, one sigma [m]; a guess."""


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

    The error is that of the product in `dwell.crowding`, how far it puts the evenness wrong
    where the times are free at the places that were solved; and that of the spacing, quadratic
    in it, by what a wider one changes.
    """
    split = split_rates(fields.entries, fields.area.size)
    cell = fields.setting.window.cell
    width = min(contact_size(fields.case.swab)) / cell
    rows, columns = np.divmod(fields.open, fields.open_fraction.shape[1])
    hand = blurred(split, HAND / cell)
    near = max(1, round(STEP * width))
    far = max(near + 1, round(WIDER * STEP * width))
    free = [lattice_rates(hand, rows, columns, [step] * 2) for step in (near, far)]
    found = []
    for rates in (
        *free,
        fields.matrix(fields.entries.value),
        fields.matrix(split.product(fields.entries)),
    ):
        charge = rates @ even_times(rates, fields.area)
        found.append(fields.spread(charge / fields.mean(charge), 0.0, 0, tolerance))
    floor, wider, solved, product = found
    spacing = abs(floor.evenness - wider.evenness) / ((far / near) ** 2 - 1.0)
    return floor, abs(solved.evenness - product.evenness) + spacing
