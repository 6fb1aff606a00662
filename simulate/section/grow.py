"""A section that is etched: the wall from its first step to a named end.

The floor starts flush with the mask's underside. The first step takes it down by a cell and a half
with the density of the flat floor, and rounds the cavity under each lip of the mask by as much as
the floor sank there, as if the wall went on evenly about the lip; from there on the wall moves by
the field.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from simulate.errors import ConvergenceError, Fault, InputError
from simulate.section.cavity_numbers import mean_depth, numbers_of
from simulate.section.dig import Dig
from simulate.section.growth_ends import Ends, given_ends
from simulate.section.moving_wall import Densities, Field, WallState, begin, step
from simulate.section.wall_curve import End, Wall

Doubles = NDArray[np.float64]

START = 1.0
"""Depth of the first step, in cells at the wall [-]."""

STEPS = 3000
"""Steps at most."""


@dataclass(frozen=True, eq=False)
class Growth:
    """How a section was etched.

    Parameters
    ----------
    dig : what was dug in. states : walls after each step; the first is the flush floor.
    middle : the field half way of each step, one fewer.
    end : key of `ENDS`. remark : what there is to say about it.
    last : the field at the last walls. solves, newton_steps : of the field in all.
    """

    dig: Dig
    states: tuple[WallState, ...]
    middle: tuple[Densities, ...]
    end: str
    remark: str
    last: Densities
    solves: int
    newton_steps: int

    @property
    def time(self) -> Doubles:
        """Time at each state [s]."""
        return np.array([state.time for state in self.states])

    @property
    def charge(self) -> Doubles:
        """Charge passed until each state, of the whole opening [C/m], [C]."""
        return np.array([state.charge for state in self.states]) / self.dig.share

    @property
    def shift(self) -> float:
        """Sum of the shifts that closed the volumes after steps, the largest of all walls [m]."""
        shifts = np.abs([state.shift for state in self.states[2:]])
        return float(shifts.sum(axis=0).max()) if shifts.size else 0.0

    def against_depth(self, cavity: int = 0) -> dict[str, Doubles]:
        """Numbers of one cavity at every state after the start, as columns.

        time [s], charge [C/m] or [C], current [A/m] or [A], density over the openings [A/m2], speed
        at which the mean depth grows [m/s], and the fields of `CavityNumbers` in SI; NaN for what
        is not.
        """
        dig = self.dig
        rows = [numbers_of(dig, state)[cavity] for state in self.states[1:]]
        current = np.array([field.current for field in self.middle])
        mean = np.array([0.0, *(mean_depth(dig, state) for state in self.states[1:])])
        columns = {
            "time": self.time[1:],
            "charge": self.charge[1:],
            "current": current / dig.share,
            "density": current / dig.width,
            "speed": np.diff(mean) / np.diff(self.time),
        }
        for name in ("depth", "middle_depth", "mean_depth", "etch_factor", "metal_width", "bridge"):
            columns[name] = _column([getattr(row, name) for row in rows])
        for n, side in enumerate(("left", "right")):
            columns[f"undercut_{side}"] = _column([row.undercut[n] for row in rows])
            columns[f"wall_angle_{side}"] = _column([row.wall_angle[n] for row in rows])
        return columns


def _column(values: list[float | None]) -> Doubles:
    return np.array([np.nan if value is None else value for value in values])


def grow(
    dig: Dig,
    *,
    depth: float | None = None,
    charge: float | None = None,
    time: float | None = None,
    progress: Callable[[float], None] | None = None,
) -> Growth:
    """Etch a section until one of its ends.

    Parameters
    ----------
    depth : mean over the open width, below the openings [m]. charge : of the whole opening [C/m],
        [C]. time : [s]. One of the three at least.
    progress : called with the share that is done.

    Raises
    ------
    InputError : no end is given, or one that cannot be.
    ConvergenceError : the field could not be solved, or the end is not reached in `STEPS` steps.
    """
    given = given_ends(depth=depth, charge=charge, time=time)
    watch = Ends(dig, given)
    field = Field(dig.cavity)
    states = [begin(dig.cavity, flush_floor(dig))]
    state, density = first_step(field, dig, states[0])
    middle = [density]
    before = states[0]
    for _ in range(STEPS):
        states.append(state)
        reached = watch.reached(state)
        if progress is not None:
            progress(watch.share(state))
        if reached is not None:
            state, density = _cut_short(field, watch, before, states, middle)
            states[-1], middle[-1] = state, density
            end = watch.reached(state) or reached
            last = field.at(state.walls)
            remark = watch.remark(end, state)
            return Growth(
                dig,
                tuple(states),
                tuple(middle),
                end,
                remark,
                last,
                field.solves,
                field.newton_steps,
            )
        before = state
        state, density = step(field, state)
        middle.append(density)
    raise ConvergenceError(
        "the growing section",
        residual=1.0 - watch.share(state),
        tolerance=0.0,
        iterations=STEPS,
        remedy="ask for a smaller depth, or larger cells",
    )


def _cut_short(
    field: Field, watch: Ends, before: WallState, states: list[WallState], middle: list[Densities]
) -> tuple[WallState, Densities]:
    """The last step again, of such a length that it just reaches its end."""
    last, density = states[-1], middle[-1]
    if len(states) == 2:
        return last, density
    low, high = 0.0, last.time - before.time
    at_low, at_high = watch.excess(before), watch.excess(last)
    for _ in range(12):
        if abs(at_high) <= watch.near:
            break
        tried = low - at_low * (high - low) / (at_high - at_low)
        last, density = step(field, before, tried)
        value = watch.excess(last)
        if value < -watch.near:
            low, at_low = tried, value
        else:
            high, at_high = tried, value
    return last, density


def flush_floor(dig: Dig) -> tuple[Wall, ...]:
    """Flat walls between the rims of the openings, flush with the mask's underside."""
    walls = []
    for start, stop in dig.openings:
        x = np.linspace(start, stop, 25)
        points = np.column_stack([x, np.zeros(x.size)])
        walls.append(Wall(points, ("upright", "upright"), dig.cavity.ground.round))
    return tuple(walls)


def first_step(field: Field, dig: Dig, state: WallState) -> tuple[WallState, Densities]:
    """Take flat floors down by `START` cells, and round the cavity under the lips."""
    ground = dig.cavity.ground
    found = field.at(state.walls)
    pairs = zip(state.walls, found.density, strict=True)
    speeds = [dig.cavity.speed(wall, density) for wall, density in pairs]
    fastest = max(float(speed.max()) for speed in speeds)
    if fastest <= 0.0:
        raise InputError(Fault("no metal dissolves", "an anode that does", key="law"))
    rim = np.array([[dig.openings[0][1], 0.0]])
    cell = float(ground.size(rim)[0])
    time = START * cell / fastest
    walls, shifts, volumes = [], [], []
    for wall, speed, lips in zip(state.walls, speeds, dig.lips, strict=True):
        volume = time * wall.surface(speed)
        new = _sunk(wall, time * speed, lips).respaced(lambda places: ground.size(places))
        closed, shift = new.closed_on(volume)
        walls.append(closed)
        shifts.append(shift)
        volumes.append(volume)
    after = replace(
        state,
        walls=tuple(walls),
        time=time,
        charge=time * found.current,
        volumes=tuple(volumes),
        shift=tuple(shifts),
        steps=1,
    )
    return after, found


def _sunk(wall: Wall, depth: Doubles, lips: tuple[bool, bool]) -> Wall:
    """A flat wall sunk by a depth at its points, with quarters of circles under lips."""
    floor = wall.points - np.column_stack([np.zeros(depth.size), depth])
    angle = np.linspace(0.0, 0.5 * np.pi, 7)[:-1]
    parts = [floor]
    for lip, place, side in ((lips[0], 0, -1.0), (lips[1], -1, 1.0)):
        if not lip:
            continue
        arc = depth[place] * np.column_stack([side * np.cos(angle), -np.sin(angle)])
        arc += wall.points[place]
        arc[0, 1] = wall.points[place, 1]
        parts = [arc, *parts] if side < 0.0 else [*parts, arc[::-1]]
    left: End = "level" if lips[0] else "upright"
    right: End = "level" if lips[1] else "upright"
    return Wall(np.vstack(parts), (left, right), wall.round)
