"""How one place answers: current and map of the plate at any conductivity and with any supply.

A place's field depends on the swab's state through one factor of conductivity, taken alike for the
wet body and for the liquid in the openings (gas and drying in truth spare the openings, where the
current meets little of its resistance). It is solved at a few factors, the nodes, each a power of
`RATIO`, with the supply the run begins with. A node keeps what it takes to carry it elsewhere:

    V(I) = V_n + R_n (I s_n / s - I_n) + rest (I - I_n) + fold ln(I / I_n)

with the liquid's resistance R_n, the two reactions' slopes, and a rest (film, salt film, change of
shape) that makes dV/dI right at the node. Where V(I) meets the supply lies the current; between
two nodes both are carried to the factor asked for and mixed by their distance in ln s, and so are
the maps. `etching` holds the result against direct solves and states the difference.
"""

from __future__ import annotations

import math
import os
import threading
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from simulate.circuit import Supply
from simulate.conductance import Faces, Network, require_memory
from simulate.kernels import iteration, wall, wet_swab
from simulate.multigrid import Hierarchy
from simulate.potential import Solution, solve_network
from simulate.surface import Surface
from simulate.window import Conductivities, Place, Wet, Window, build_window

Doubles = NDArray[np.float64]
Integers = NDArray[np.int64]

TOLERANCE = 1e-4
"""Residual to which a place is solved; current and map are then good to a tenth of it (measured on
the cases that come with the package)."""

SLOPE_TOLERANCE = 1e-3
"""Residual of the solve for dI/dV, whose error is quadratic in it."""

LEAST_CURRENT = 1e-12
"""Current below which a place counts as dry [A]: openings full of liquid that the swab misses."""

LEAST_SLOPE = 1e-6
"""Least dI/dV over current [1/V]; under a salt film all over it would fall to 0."""

RATIO = 1.5
"""Factor of conductivity between neighbouring nodes, where nothing asks for more."""

SPLITS = 8
"""Levels from one such node to the next: how finely nodes may be set where something does."""

MISMATCH = 0.006
"""By how much neighbouring nodes may disagree, see `Responses.disagreement`; what is mixed of the
two is then off by a third of it or less."""

LOWEST, HIGHEST = -9 * SPLITS, 6 * SPLITS
"""Levels of the outermost nodes; beyond them they are carried on."""

STEP = math.log(RATIO) / SPLITS
"""ln(factor) between neighbouring levels."""

LEVELS = HIGHEST - LOWEST + 1
FRESH = -LOWEST
"""The level of the freshly wetted swab, factor 1; counted from 0 at the lowest."""

INDIFFERENT = 3e-3
"""A node whose current answers less than this to the voltage, d ln I / d ln V, stands for all
better conducting swabs too: a salt film holds the whole current."""

GROUP = 16
"""Spots in a row solved by one worker, each starting from the field of the one before."""


@dataclass(frozen=True)
class Spot:
    """A place, and for how long the swab has rested there as a step of the salt film's limit."""

    place: Place
    rest: int = 0


@dataclass(frozen=True, eq=False)
class Setting:
    """What does not change from spot to spot.

    Parameters
    ----------
    window : around the swab.
    kappa : conductivities with the swab freshly wetted.
    laws : of polarisation under a moving swab: the metal's layers, then the cathode
        (layers + 1, 8).
    supply : with which fields are solved.
    open_fraction : of the plate's cells (ny, nx).
    limits : of the layers after each step of rest [A/m2], (steps, layers).
    """

    window: Window
    kappa: Conductivities
    laws: Doubles
    supply: Supply
    open_fraction: Doubles
    limits: Doubles = field(default_factory=lambda: np.zeros((0, 0)))

    @property
    def equilibrium(self) -> tuple[float, float]:
        """Potentials of plate and cathode at no current [V]."""
        return float(self.laws[0, 7]), float(self.laws[-1, 7])

    @property
    def fold(self) -> float:
        """Slopes of the two reactions together, volts per e-fold of current [V]."""
        return float(self.laws[0, 2] + self.laws[-1, 3])

    def laws_at(self, rest: int) -> Doubles:
        """The laws after a step of rest."""
        laws = self.laws.copy()
        if rest:
            laws[:-1, 5] = self.limits[rest]
        return laws


@dataclass(frozen=True, eq=False)
class StopField:
    """One solved field, as far as the plate is concerned.

    Parameters
    ----------
    total : current [A]. voltage : between plate and cathode [V].
    conductance : dI/dV [S]. ohmic : resistance of the liquid, its losses over current squared
        [ohm].
    cells : open wet cells, places in the plate's map, flattened. area : of each [m2].
    share : of the current, through each.
    iterations : of the linear solver. rim : share of the current at the window's rim.
    """

    total: float
    voltage: float
    conductance: float
    ohmic: float
    cells: Integers
    area: Doubles
    share: Doubles
    iterations: int = 0
    rim: float = 0.0

    @property
    def current(self) -> Doubles:
        """Current of each cell [A]."""
        return self.total * self.share

    @property
    def numbers(self) -> tuple[float, float, float, float]:
        """Current, voltage, conductance and liquid resistance, as the march reads them."""
        return self.total, self.voltage, self.conductance, self.ohmic


def factor_of(level: float) -> float:
    """The conductivity factor of a level."""
    return math.exp(STEP * (level + LOWEST))


@dataclass(eq=False)
class Responses:
    """The nodes there are, by spot and level.

    Parameters
    ----------
    spots : what the rows stand for.
    supply, fold : of the setting; they decide how well neighbouring nodes agree.
    numbers : (spots, LEVELS, 4), not a number where a node is not there.
    """

    spots: Sequence[Spot]
    supply: Supply
    fold: float
    nodes: dict[tuple[int, int], StopField] = field(default_factory=dict)
    numbers: Doubles = field(init=False)

    def __post_init__(self) -> None:
        self.numbers = np.full((len(self.spots), LEVELS, 4), np.nan)

    def add(self, spot: int, level: int, node: StopField) -> None:
        """Take a node in; one that does not answer to the conductivity stands for others too."""
        levels: Iterable[int] = [level]
        if node.total <= 0.0:
            levels = range(LEVELS)
        elif node.conductance * abs(node.voltage) < INDIFFERENT * node.total:
            levels = range(level, LEVELS)
        for each in levels:
            if (spot, each) not in self.nodes:
                self.nodes[spot, each] = node
                self.numbers[spot, each] = node.numbers

    def overlay(self, other: Responses) -> None:
        """Take another's nodes over, in place of those there are."""
        self.nodes |= other.nodes
        there = ~np.isnan(other.numbers[:, :, 0])
        self.numbers[there] = other.numbers[there]

    def missing(self, spot: Integers, level: Doubles) -> dict[int, list[int]]:
        """Levels that are needed and not there, by spot in the order they are first needed.

        Needed are the nodes about every level asked for, and one in the middle between two that do
        not agree.

        Parameters
        ----------
        spot, level : of each stop.
        """
        wanted: dict[int, set[int]] = {}
        coarse = np.stack([np.floor(level / SPLITS), np.ceil(level / SPLITS)]).astype(np.int64)
        for row, *pair in dict.fromkeys(zip(spot.tolist(), *coarse.tolist(), strict=True)):
            absent = {n * SPLITS for n in pair if (row, n * SPLITS) not in self.nodes}
            wanted.setdefault(row, set()).update(absent)
        ends = np.stack([spot, np.floor(level).astype(np.int64), np.ceil(level).astype(np.int64)])
        for row, low, high in np.unique(ends, axis=1).T.tolist():
            if not wanted[row] and not (low == high and (row, low) in self.nodes):
                wanted[row] |= self._split(row, low)
        return {row: sorted(levels) for row, levels in wanted.items() if levels}

    def _split(self, row: int, at: int) -> set[int]:
        """The level between the nodes about ``at``, if they do not agree."""
        lower = next(n for n in range(at, -1, -1) if (row, n) in self.nodes)
        upper = next((n for n in range(at + 1, LEVELS) if (row, n) in self.nodes), lower)
        if upper - lower < 2 or self.disagreement(row, lower, upper) < MISMATCH:
            return set()
        return {(lower + upper) // 2}

    def disagreement(self, row: int, lower: int, upper: int) -> float:
        """By how much two nodes of a spot miss one another, in current or in the map [-].

        What both carry too high stays in their mixture; what one carries too high and the other too
        low all but cancels there.
        """
        low, high = self.nodes[row, lower], self.nodes[row, upper]
        if low.total == 0.0 or high.total == 0.0 or low is high:
            return 0.0
        moved = 0.5 * float(np.abs(low.share - high.share).sum())
        up = self._miss(low, high, upper - lower)
        down = self._miss(high, low, lower - upper)
        return max(moved / 2.0, abs(up + down) / 2.0, abs(up - down) / 4.0)

    def _miss(self, node: StopField, other: StopField, levels: int) -> float:
        """By how much a node carried over levels exceeds the other's current, at its voltage."""
        numbers = np.array(node.numbers)
        found = wet_swab.node_current(
            numbers, math.exp(-STEP * levels), self.fold, other.voltage, 0.0
        )
        stiffness = 1.0 + self.supply.resistance * other.conductance
        return (float(found) / other.total - 1.0) / stiffness


# --- solving ----------------------------------------------------------------------------------


class _Bench:
    """One worker's own arrays: shapes of the swab by phase, the hierarchy, the last field."""

    def __init__(self, setting: Setting, surface: Surface | None) -> None:
        window = setting.window
        self.setting, self.surface = setting, surface
        self.mesh = Hierarchy(window.shape, (window.cell, window.cell))
        self.wet: dict[tuple[int, int], Wet] = {}
        self.last: Solution | None = None
        self.upward = True

    def solve(
        self, spot: Spot, factors: Iterable[float], supply: Supply | None = None
    ) -> list[StopField]:
        """Solve one spot at each factor in turn, each starting from the last field."""
        setting, phase = self.setting, spot.place.phase
        if phase not in self.wet:
            self.wet[phase] = setting.window.wet(phase)
        wet = self.wet[phase]
        part, cells = _cut(setting.open_fraction, spot.place.corner, wet.plan.shape)
        network, area = build_window(setting.window, wet, part, setting.kappa)
        if not (network.faces.electrode == 0).any():
            return [_nothing(setting.supply) for _ in factors]
        laws = setting.laws_at(spot.rest)
        if self.surface is not None:
            laws[:-1, 4] = 0.0  # the film is the surface's
        faces = _lined(network.faces, laws, self.surface, cells, setting.kappa.free)
        network = replace(network, faces=faces)
        supply = setting.supply if supply is None else supply
        return [self._node(network, (cells, area), laws, supply, factor) for factor in factors]

    def _node(
        self,
        network: Network,
        plan: tuple[Integers, Doubles],
        laws: Doubles,
        supply: Supply,
        factor: float,
    ) -> StopField:
        network, supply = _at_factor(network, supply, factor)
        found = solve_network(
            network, laws, supply, tolerance=TOLERANCE, hierarchy=self.mesh, start=self.last
        )
        self.last = found
        faces = network.faces
        plate = faces.electrode == 0
        current = found.current[plate]
        total = float(current.sum())
        if not total > LEAST_CURRENT:
            return _nothing(supply)
        cells, area = plan
        j, i = faces.where[plate, 1], faces.where[plate, 2]
        losses = found.current @ (found.phi[faces.cell] + found.current / faces.conductance)
        return StopField(
            total=factor * total,
            voltage=found.voltage,
            conductance=factor * _slope(network, laws, found, self.mesh),
            ohmic=float(losses) / total**2 / factor,
            cells=cells[j, i],
            area=area[j, i],
            share=current / total,
            iterations=found.iterations,
            rim=self._rim(j, i, current / total),
        )

    def _rim(self, j: Integers, i: Integers, share: Doubles) -> float:
        """Share of the current within two cells of the window's rim; none where it ends dry."""
        if not self.setting.window.flooded:
            return 0.0
        _, ny, nx = self.setting.window.shape
        edge = (j < 2) | (j >= ny - 2) | (i < 2) | (i >= nx - 2)
        return float(np.abs(share[edge]).sum())


def _at_factor(network: Network, supply: Supply, factor: float) -> tuple[Network, Supply]:
    """The network and supply whose currents, times the factor, are those of a liquid that much
    better: with I = factor * I' the walls' areas shrink and the supply's resistance grows."""
    limit = supply.current_limit
    scaled = Supply(
        supply.emf, supply.resistance * factor, None if limit is None else limit / factor
    )
    faces = replace(network.faces, area=network.faces.area / factor)
    return replace(network, faces=faces), scaled


def _lined(
    faces: Faces, laws: Doubles, surface: Surface | None, cells: Integers, kappa: float
) -> Faces:
    """Faces with the metal's film, depth and layer below them, and every law's equilibrium."""
    plate = faces.electrode == 0
    law = np.where(plate, 0, laws.shape[0] - 1)
    film, conductance = np.zeros(faces.cell.size), faces.conductance.copy()
    if surface is not None:
        under = cells[faces.where[plate, 1], faces.where[plate, 2]]
        law[plate] = surface.layer.ravel()[under]
        film[plate] = surface.film.ravel()[under]
        depth = surface.depth.ravel()[under] / (kappa * faces.area[plate])
        conductance[plate] /= 1.0 + depth * conductance[plate]
    return replace(faces, law=law, film=film, conductance=conductance, offset=-laws[law, 7])


def _slope(network: Network, laws: Doubles, found: Solution, mesh: Hierarchy) -> float:
    """dI/dV of the place [S]: sum D - d . (A + D)^-1 d, with d the slopes D of plate faces."""
    faces = network.faces
    out = np.zeros((2, faces.cell.size))
    wall.face_currents(
        faces.cell, found.phi, faces.offset, found.voltage, faces.conductance, faces.area,
        faces.film, faces.electrode, faces.law, laws, found.wall, out,
    )  # fmt: skip
    mesh.retie(out[1])
    lead = mesh.gather(np.where(faces.electrode == 0, out[1], 0.0))
    least = LEAST_SLOPE * float(found.current[faces.electrode == 0].sum())
    if lead.sum() <= least:
        return least
    mesh.r[:] = 0.0
    iteration.add_at(mesh.cells, lead, mesh.r)
    mesh.solve(tolerance=SLOPE_TOLERANCE)
    back = float(iteration.gather_dot(mesh.cells, lead, mesh.move))
    mesh.move[:] = 0.0
    return max(float(lead.sum()) - back, least)


def _nothing(supply: Supply) -> StopField:
    none = np.zeros(0)
    return StopField(0.0, supply.emf, 0.0, 0.0, np.zeros(0, np.int64), none, none)


def _cut(
    plan: Doubles, corner: tuple[int, int], shape: tuple[int, int]
) -> tuple[Doubles, Integers]:
    """The part of a plate map under a window, 0 off the plate; and the flat places of its cells."""
    j = corner[0] + np.arange(shape[0])
    i = corner[1] + np.arange(shape[1])
    on_j, on_i = (j >= 0) & (j < plan.shape[0]), (i >= 0) & (i < plan.shape[1])
    cells = np.clip(j, 0, plan.shape[0] - 1)[:, None] * plan.shape[1] + np.clip(
        i, 0, plan.shape[1] - 1
    )
    return plan.ravel()[cells] * np.outer(on_j, on_i), cells


def solve_places(
    setting: Setting, places: Sequence[Place], workers: int | None = None
) -> Iterator[StopField]:
    """Solve places in their order, the swab freshly wetted and the metal as its laws have it."""
    wanted = [(Spot(place), (1.0,)) for place in places]
    for (found,) in solve_spots(setting, None, wanted, workers):
        yield found


def solve_spots(
    setting: Setting,
    surface: Surface | None,
    wanted: Sequence[tuple[Spot, Sequence[float]]],
    workers: int | None = None,
) -> Iterator[list[StopField]]:
    """Solve spots, each at its factors, in their order; the same for any number of workers.

    surface : of the metal; None for films as the laws have them and no depth.

    Raises
    ------
    CapacityError : the window does not fit in memory.
    ConvergenceError : a field could not be solved.
    """
    require_memory(setting.window.shape)
    workers = workers or worker_count()
    local = threading.local()

    def group(start: int) -> list[list[StopField]]:
        if not hasattr(local, "bench"):
            local.bench = _Bench(setting, surface)
        local.bench.last = None
        answers = []
        for number, (spot, factors) in enumerate(wanted[start : start + GROUP]):
            step = -1 if number % 2 else 1  # up and down, so that the last field is the nearest
            answers.append(local.bench.solve(spot, factors[::step])[::step])
        return answers

    with ThreadPoolExecutor(workers) as pool:
        waiting = [pool.submit(group, start) for start in range(0, len(wanted), GROUP)]
        try:
            for answer in waiting:
                yield from answer.result()
        finally:
            for answer in waiting:
                answer.cancel()


def solve_alone(
    setting: Setting, surface: Surface, spot: Spot, factor: float, supply: Supply
) -> StopField:
    """One spot at any factor and with any supply, from nothing: what the nodes are held against."""
    return _Bench(setting, surface).solve(spot, [factor], supply)[0]


def worker_count() -> int:
    """Processors this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def answer(numbers: Doubles, factor: float, fold: float, supply: Supply) -> tuple[float, float]:
    """Current [A] and voltage [V] of a spot at a factor and with a supply.

    numbers : (LEVELS, 4) of the spot.
    """
    limit = math.inf if supply.current_limit is None else supply.current_limit
    current, voltage, *_ = wet_swab.meet(
        numbers, LOWEST, STEP, factor, fold, (supply.emf, supply.resistance, limit)
    )
    return float(current), float(voltage)
