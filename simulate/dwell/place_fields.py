"""The fields a plan of dwell is made from, by place, and what they leave on the plate.

Every place is solved once: with the swab in the state most of the charge passes in, and with the
metal's surface as it will be when half of the charge wanted has passed. `Fields.march` carries swab
and supply along a stroke from these.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from simulate.case.case import Case
from simulate.dwell.crowding import Rates
from simulate.dwell.path_pieces import Piece
from simulate.errors import Fault, InputError
from simulate.field.supply import Supply
from simulate.kernels import time_march as kernel
from simulate.materials.removal import charge_for_depth, depth_from_charge
from simulate.result.measures import evenness
from simulate.run.accumulate import charge_map, stop_density
from simulate.run.local_solve import Spot, StopField, solve_alone, solve_spots
from simulate.run.metal_surface import Surface, surface_after
from simulate.run.response_table import FRESH, Responses, factor_of
from simulate.run.setup import Course, lay_out
from simulate.run.surface_blocks import depth_counts
from simulate.run.time_march import Track, first_condition, march_on
from simulate.run.window import PHASES, Place
from simulate.swab.stroke import Hatch, Path

if TYPE_CHECKING:
    from scipy.sparse import csc_array, csr_array

Doubles = NDArray[np.float64]
Progress = Callable[[int, int], None]

SOME = 6
"""One place in so many is solved to find the usual state."""

NEAR = 2
"""Levels of conductivity within which one state stands for another."""

CHECKS = 4
"""Stops solved again in the state they are worked in, to state the error."""

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


class Fields:
    """The fields of a case by place, each solved once with the swab in its usual state."""

    def __init__(
        self, case: Case, depth: float, progress: Progress | None, workers: int | None
    ) -> None:
        self.case, self.depth = case, depth
        self.course = course = lay_out(case, workers)
        self.x, self.y, self.open_fraction = course.x, course.y, course.open_fraction
        self.setting = course.setting
        self.wanted = float(charge_for_depth(case.metal, depth))
        area = course.open_area.ravel()
        self.open = np.flatnonzero(area > 0)
        self.area = area[self.open]
        self.rim = course.rim_distance.ravel()[self.open]
        self.row = np.full(area.size, -1)
        self.row[self.open] = np.arange(self.open.size)
        half = np.where(course.open_area > 0, 0.5 * self.wanted, 0.0)
        sinks = depth_counts(case, depth)
        self.surface: Surface = surface_after(case.metal, half, sinks=sinks)
        self.found: dict[Spot, StopField] = {}
        self.progress, self.workers = progress, workers
        self.level = FRESH
        self.level = self._usual_level()

    def _usual_level(self) -> int:
        """The state most of the charge of the case's own stroke passes in, roughly.

        By a march with the fields of every sixth place standing for those beside it.
        """
        course = self.course
        some = list(range(0, len(course.spots), SOME))
        self._solve([self.spot(course.spots[row]) for row in some])
        responses = Responses(course.spots, self.setting.supply, self.setting.fold)
        for row in range(len(course.spots)):
            responses.add(row, FRESH, self.found[self.spot(course.spots[row - row % SOME])])
        level = _mean_level(self._march(course, responses))
        if level != FRESH:
            self.found.clear()
        return level

    def settle(self, track: Track) -> bool:
        """Solve all places anew if a march passes most of its charge in quite another state."""
        level = _mean_level(track)
        if abs(level - self.level) < NEAR:
            return False
        spots = list(self.found)
        self.level = level
        self.found.clear()
        self._solve(spots)
        return True

    def solve(self, groups: Sequence[Doubles]) -> None:
        """Solve the places of the case's own stroke, and some groups of places, (n, 2) [m] each."""
        extra = [Spot(self.place(xy)) for group in groups for xy in group]
        self._solve([*map(self.spot, self.course.spots), *map(Spot, self.course.places), *extra])
        if not any(found.total for found in self.found.values()):
            problem = "the swab never meets an opening on its path"
            raise InputError(Fault(problem, "a path over the openings", key="stroke"))

    def solve_course(self, course: Course) -> None:
        """Solve what places of another stroke are not solved yet."""
        self._solve([*map(self.spot, course.spots), *map(Spot, course.places)])

    def _solve(self, asked: Sequence[Spot]) -> None:
        spots = [spot for spot in dict.fromkeys(asked) if spot not in self.found]
        tasks = [(spot, [factor_of(self.level)]) for spot in spots]
        solved = solve_spots(self.setting, self.surface, tasks, self.workers)
        for done, (spot, nodes) in enumerate(zip(spots, solved, strict=True), start=1):
            self.found[spot] = nodes[0]
            if self.progress is not None:
                self.progress(done, len(spots))

    def spot(self, spot: Spot) -> Spot:
        """The spot whose field stands for another: short rests at the turns count as moving."""
        moves = any(isinstance(stroke, Hatch | Path) for stroke in self.case.strokes)
        return Spot(spot.place) if moves else spot

    def march(self, course: Course) -> Track:
        """Swab and supply carried along a stroke whose places are solved."""
        return self._march(course, self._responses(course))

    @staticmethod
    def _march(course: Course, responses: Responses) -> Track:
        return march_on(
            course.rig,
            responses,
            course.stops,
            course.spot,
            first_condition(course.rig),
            lifted=course.lifted,
        )

    def _responses(self, course: Course) -> Responses:
        responses = Responses(course.spots, self.setting.supply, self.setting.fold)
        for row, spot in enumerate(course.spots):
            responses.add(row, self.level, self.found[self.spot(spot)])
        return responses

    def received(self, track: Track, course: Course) -> Doubles:
        """Charge over the charge wanted, by a stroke that was marched, (open cells,)."""
        charge = charge_map(self._responses(course), track, course.shape).ravel()[self.open]
        return np.asarray(charge / (self.area * self.wanted))

    def drift(self, pieces: Sequence[Piece], track: Track, course: Course) -> Doubles:
        """Current of each piece over that in the usual state [-]; the mean where it has no time."""
        at = {self.place(xy): n for n, part in enumerate(pieces) for xy in part.places}
        still = np.array([self.found[Spot(p)].total for p in course.places])[course.place]
        piece = np.array([at.get(place, -1) for place in course.places])[course.place]
        good = (piece >= 0) & (still > 0)
        time = track.dwell[good]
        carried, usual = (
            np.bincount(piece[good], current[good] * time, len(pieces))
            for current in (track.current, still)
        )
        mean = float(carried.sum() / usual.sum()) if usual.any() else 1.0
        return np.asarray(
            np.divide(carried, usual, out=np.full(len(pieces), mean), where=usual > 0)
        )

    def check(self, track: Track, course: Course) -> float:
        """Largest error of the current density among a few stops, solved in their own state.

        Root mean square over the wet open area, over the mean.
        """
        weight = track.current * track.dwell
        errors = [0.0]
        for part in np.array_split(np.arange(weight.size), CHECKS):
            if not part.size or not weight[part].max() > 0:
                continue
            stop = int(part[np.argmax(weight[part])])
            record = track.record[stop]
            emf, resistance = record[[kernel.OUT_EMF, kernel.OUT_RESISTANCE]].tolist()
            supply = Supply(emf, resistance, self.setting.supply.current_limit)
            spot = self.spot(course.spots[course.spot[stop]])
            factor = float(record[kernel.OUT_FACTOR])
            node = solve_alone(self.setting, self.surface, spot, factor, supply)
            _, density = stop_density(self._responses(course), track, stop)
            apart = density - node.current / node.area
            mean = node.total / float(node.area.sum())
            errors.append(math.sqrt(np.average(apart**2, weights=node.area)) / mean)
        return max(errors)

    def place(self, xy: Doubles) -> Place:
        """The place at which x, y [m] is computed."""
        return self.setting.window.place(float(xy[0]), float(xy[1]))

    def current(self, places: Doubles) -> Doubles:
        """Total current at places, (n,) [A]."""
        return np.array([self.found[Spot(self.place(xy))].total for xy in places])

    def rates(self, groups: Sequence[Doubles], drift: Doubles) -> csc_array:
        """Charge per open area and second over the charge wanted, (open cells, groups) [1/s].

        A group is places (n, 2) among which the time is shared evenly; its rates are multiplied by
        its drift.
        """
        from scipy.sparse import csc_array

        rows, columns, values = [], [], []
        for number, places in enumerate(groups):
            for xy in places:
                found = self.found[Spot(self.place(xy))]
                row = self.row[found.cells]
                rows.append(row)
                columns.append(np.full(row.size, number))
                values.append(found.current / self.area[row] * (drift[number] / len(places)))
        value, row, column = (np.concatenate(part) for part in (values, rows, columns))
        shape = (self.open.size, len(groups))
        return csc_array((value / self.wanted, (row, column)), shape=shape)

    @property
    def entries(self) -> Rates:
        """The rates at every place that was solved, over the charge wanted [1/s]."""
        window = self.setting.window
        wide = self.open_fraction.shape[1]
        parts = []
        for number, (spot, found) in enumerate(self.found.items()):
            place = spot.place
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

    def spread(self, relative: Doubles, time: float, rewets: int, tolerance: float) -> Spread:
        """How a charge lies over the open area.

        relative : charge over the charge wanted, (open cells,).
        """
        depth = depth_from_charge(self.case.metal, relative * self.wanted)
        mean = self.mean(depth)
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
            evenness=evenness(depth, self.area),
            within=self.mean(within.astype(float)),
            edge_ratio=ratio,
            time=time,
            rewets=rewets,
        )


def _mean_level(track: Track) -> int:
    """The level of conductivity at which a march passes its charge, on average."""
    charge = track.current * track.dwell
    return round(float(np.average(track.level, weights=charge))) if charge.any() else FRESH
