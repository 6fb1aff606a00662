"""A wall that dissolves: from the field at a wall to the wall a step later.

A step is a midpoint step: the wall goes half way with the density where it stands, and then from
where it stood all the way with the density half way. It is bounded by a part of a cell. At its end
the points are set anew, and one even shift along the normals makes the space that was dug the space
that the charge pays for, to rounding; this shift is kept as the error of the step.

Under an ideal polarisation the wall moves as the free boundary of a Hele-Shaw cell under injection
(Richardson, J. Fluid Mech. 56 (1972) 609).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from simulate.section.cut_cells import CutLinks, CutNetwork, Ground, cut
from simulate.section.electrode_links import Form
from simulate.section.upper_part import UpperPart
from simulate.section.wall_curve import Wall
from simulate.section.wall_density import density_along
from simulate.section.wall_field import Circuit, WallField, solve_wall_field

Doubles = NDArray[np.float64]
Rate = Callable[[Doubles, Doubles], Doubles]

STEP = 0.382
"""Longest way of a point in a step, in cells where it stands [-]: the golden section.

The error of a cut link goes up and down with the place of its cut. A wall that takes steps of half
a cell meets the same few cuts again and again, and errors do not even out: in the symmetric form
9e-4 with 0.5 and 3.5e-4 with this, exact undercut at 22 cells a half width."""

SPACING = 1.0
"""Distance of points along a wall, in cells where they stand [-]."""

FIRST_PASSES = 4
"""Solves of the first field, in which the current along the wall settles."""


@dataclass(frozen=True, eq=False)
class Cavity:
    """What is dug, and what stands around it.

    Parameters
    ----------
    ground : the cells that walls may run through.
    circuit : laws, supply or imposed current.
    rate : speed at which the wall recedes [m/s] at current densities [A/m2] and depths [m]; the
        efficiency is in it.
    upper : what stands above; None where a source in the ground takes the current.
    cathodes : walls of the cathode within the ground.
    form : of the field.
    """

    ground: Ground
    circuit: Circuit
    rate: Rate
    upper: UpperPart | None = None
    cathodes: tuple[Wall, ...] = ()
    form: Form = "second-order"

    def speed(self, wall: Wall, density: Doubles) -> Doubles:
        """Speed of a wall's points [m/s]."""
        return self.rate(density, -wall.points[:, 1])

    @property
    def polarised(self) -> bool:
        """Whether the walls' own potential may differ from place to place."""
        law = self.circuit.laws[0]
        return bool(law[0] > 1.0 or (law[0] == 1.0 and law[1] > 0.0) or law[4] > 0.0)


@dataclass(frozen=True, eq=False)
class WallState:
    """Walls at one moment.

    Parameters
    ----------
    walls : of the metal, from left to right.
    time : since the start [s]. charge : passed since the start [C/m], [C].
    volumes : dug by each wall, that which the start took for dug included [m2], [m3].
    shift : of the last step, on each wall [m]. steps : done.
    """

    walls: tuple[Wall, ...]
    time: float = 0.0
    charge: float = 0.0
    volumes: tuple[float, ...] = ()
    shift: tuple[float, ...] = ()
    steps: int = 0


@dataclass(frozen=True, eq=False)
class Densities:
    """The field at walls, and the current into the cathode [A/m], [A].

    Of each wall the density at its points [A/m2], its current [A/m], [A], and the density along it
    at its points (of a polarised wall).
    """

    field: WallField
    current: float
    density: tuple[Doubles, ...]
    currents: tuple[float, ...]
    along: tuple[Doubles, ...]


class Field:
    """Fields at walls, one after the other, each from the last."""

    def __init__(self, cavity: Cavity) -> None:
        self.cavity = cavity
        self.solves = 0
        self.newton_steps = 0
        self._phi: Doubles | None = None  # of all cells, for the next start
        self._ports = np.empty(0)
        self._voltage = 0.0
        self._along: tuple[Doubles, ...] | None = None
        upper = cavity.upper
        self._seen = None if upper is None else upper.seen

    def at(self, walls: tuple[Wall, ...]) -> Densities:
        """Solve the field at walls."""
        cavity = self.cavity
        every = (*walls, *cavity.cathodes)
        electrodes = [0] * len(walls) + [1] * len(cavity.cathodes)
        network = cut(cavity.ground, every, electrodes)
        passes = FIRST_PASSES if self._along is None and cavity.polarised else 1
        for _ in range(passes):
            found = self._solve(network, walls)
        return found

    def _solve(self, network: CutNetwork, walls: tuple[Wall, ...]) -> Densities:
        cavity = self.cavity
        field = solve_wall_field(
            network,
            cavity.circuit,
            seen=self._seen,
            faces=self._faces(network),
            form=cavity.form,
            start=self._start(network),
            tangential=self._tangential(network, walls),
        )
        self.solves += 1
        self.newton_steps += field.steps
        self._keep(field)
        return self._by_wall(field, walls)

    def _faces(self, network: CutNetwork) -> CutLinks | None:
        """Links of the upper part's ports to the cathode's fixed faces."""
        upper = self.cavity.upper
        if upper is None:
            return None
        cell, area, series = upper.faces
        order = np.argsort(upper.ports)
        port = order[np.searchsorted(upper.ports[order], cell)]
        count = cell.size
        ones, none = np.ones(count), np.full(count, -1)
        return CutLinks(
            node=network.nodes - network.fixed + port,
            behind=none,
            area=area,
            share=ones,
            near=series,
            far=ones,
            stretch=ones,
            electrode=np.ones(count, np.int64),
            wall=none,
            u=np.zeros(count),
            slant=np.zeros(count),
            level=np.zeros(count, bool),
        )

    def _start(self, network: CutNetwork) -> tuple[Doubles, float] | None:
        """Potentials of the last field where there was one, and of its neighbours elsewhere."""
        if self._phi is None:
            return None
        known = self._phi
        for _ in range(4):
            gap = np.isnan(known) & (network.number >= 0)
            if not gap.any():
                break
            wide = np.pad(known, 1, constant_values=np.nan)
            near = np.stack([wide[:-2, 1:-1], wide[2:, 1:-1], wide[1:-1, :-2], wide[1:-1, 2:]])
            told = (~np.isnan(near)).sum(axis=0)
            mean = np.nansum(near, axis=0) / np.maximum(told, 1)
            known = np.where(gap & (told > 0), mean, known)
        values = known[network.number >= 0]
        values = np.where(np.isnan(values), self._voltage, values)
        return np.concatenate([values, self._ports]), self._voltage

    def _keep(self, field: WallField) -> None:
        number = field.network.number
        self._phi = np.where(number >= 0, field.phi[np.maximum(number, 0)], np.nan)
        self._ports = field.phi[field.network.nodes :]
        self._voltage = field.voltage

    def _tangential(self, network: CutNetwork, walls: tuple[Wall, ...]) -> Doubles | None:
        """Current density along the wall at each link, from the wall's potential before [A/m2]."""
        if self._along is None or not self.cavity.polarised:
            return None
        links = network.links
        out = np.zeros(len(links))
        for n, (wall, along) in enumerate(zip(walls, self._along, strict=True)):
            own = links.wall == n
            share = np.linspace(0.0, 1.0, along.size)
            out[own] = np.interp(wall.index(links.u[own]) / (wall.knots.size - 1), share, along)
        return out

    def _by_wall(self, field: WallField, walls: tuple[Wall, ...]) -> Densities:
        """Densities at points, scaled wall by wall to the current."""
        links = field.network.links
        densities, currents, along = [], [], []
        total = field.carried[links.electrode == 0].sum()
        whole = self._current(field, walls)
        for n, wall in enumerate(walls):
            own = links.wall == n
            told = (wall, links.u[own])
            current = float(field.carried[own].sum() / total) * whole
            density = density_along(*told, field.density[own], field.weight[own])
            densities.append(density * (current / wall.surface(density)))
            currents.append(current)
            if self.cavity.polarised:
                over = density_along(*told, field.over[own], field.weight[own])
                along.append(-self.cavity.ground.kappa * slope_along(wall, over))
        self._along = tuple(along)
        return Densities(field, whole, tuple(densities), tuple(currents), self._along)

    def _current(self, field: WallField, walls: tuple[Wall, ...]) -> float:
        """Current out of the walls [A/m], [A].

        Into fixed faces of a cathode goes what the circuit says. The second-order form does not
        carry over to a cathode that is a curve what leaves the walls: there it is summed up along
        the walls, which are longer and carry a density that varies less.
        """
        if self.cavity.form == "symmetric" or not self.cavity.cathodes:
            return field.current
        links, current = field.network.links, 0.0
        for n, wall in enumerate(walls):
            own = links.wall == n
            told = (links.u[own], field.density[own], field.weight[own])
            current += wall.surface(density_along(wall, *told))
        return current


def slope_along(wall: Wall, values: Doubles) -> Doubles:
    """Derivative along a wall of values at its points, at the same points and a closed one's end
    [1/m]; 0 at the ends of an open one."""
    chain = values if wall.ends else np.append(values, values[0])
    step = np.diff(chain) / np.diff(wall.knots)
    slope = np.zeros(chain.size)
    slope[1:-1] = 0.5 * (step[1:] + step[:-1])
    if wall.ends is None:
        slope[0] = slope[-1] = 0.5 * (step[0] + step[-1])
    return slope


def spacing_of(ground: Ground) -> Callable[[Doubles], Doubles]:
    """Distance at which points of a wall stand [m] at places (m, 2)."""
    return lambda places: SPACING * ground.size(places)


def begin(cavity: Cavity, walls: tuple[Wall, ...]) -> WallState:
    """Walls as they stand before any charge, their points set as steps set them."""
    placed = [wall.respaced(spacing_of(cavity.ground)) for wall in walls]
    closed = [new.closed_on(old.volume)[0] for new, old in zip(placed, walls, strict=True)]
    volumes = tuple(wall.volume for wall in walls)
    return WallState(tuple(closed), volumes=volumes, shift=(0.0,) * len(walls))


def step(field: Field, state: WallState, longest: float = np.inf) -> tuple[WallState, Densities]:
    """One midpoint step.

    Parameters
    ----------
    longest : the step takes no longer than this [s].

    Returns
    -------
    The walls afterwards, and the field half way.
    """
    cavity = field.cavity
    first = field.at(state.walls)
    speeds = [cavity.speed(wall, i) for wall, i in zip(state.walls, first.density, strict=True)]
    sizes = [cavity.ground.size(wall.points) for wall in state.walls]
    fastest = max(float((v / h).max()) for v, h in zip(speeds, sizes, strict=True))
    time = min(STEP / fastest if fastest > 0.0 else np.inf, longest)
    half = [w.offset(0.5 * time * v) for w, v in zip(state.walls, speeds, strict=True)]
    middle = field.at(tuple(half))
    walls, shifts, volumes = [], [], []
    for n, (wall, mid) in enumerate(zip(state.walls, half, strict=True)):
        speed = cavity.speed(mid, middle.density[n])
        volume = state.volumes[n] + time * mid.surface(speed)
        normals = mid.normals(mid.knots[: len(mid.points)])
        moved = wall.moved(normals * (time * speed)[:, None])
        new, shift = moved.respaced(spacing_of(cavity.ground)).closed_on(volume)
        walls.append(new)
        shifts.append(shift)
        volumes.append(volume)
    after = replace(
        state,
        walls=tuple(walls),
        time=state.time + time,
        charge=state.charge + time * middle.current,
        volumes=tuple(volumes),
        shift=tuple(shifts),
        steps=state.steps + 1,
    )
    return after, middle
