"""The answer of `dwell.optimise`: a schedule, what it leaves on the plate, and what that means."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simulate.case.case import Case
from simulate.dwell.path_pieces import Piece, Visit
from simulate.dwell.place_fields import Spread

Doubles = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class DwellPlan:
    """The answer of `simulate.dwell.optimise.plan_dwell`; `figures.draw_plan` draws it.

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
        by `simulate.dwell.optimise.HAND`; its time is not known and left at 0.
    stop_error : of the schedule's depth by the spacing of stops, root mean square over the mean;
        a third of the change where every other stop is left out, as in a `Result` [-].
    state_error : of the schedule's depth by carrying fields of the usual state to the one it is in;
        the largest error of current density, root mean square, among a few stops solved again [-].
    floor_error : of the floor's evenness, by the product of `simulate.dwell.crowding` [-].
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
    "equal width. `swabfield explain` tells what else would help.",
    "path": "To go on, change the path: lines closer together, along another way as well, or "
    "farther past the openings; the stencil would allow it.",
    "seconds": "To go on, work slower or in a weaker liquid, so that a second counts for less.",
}


def _um(depth: float) -> str:
    return f"{depth * 1e6:.3g} um"
