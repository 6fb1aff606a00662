"""One spot solved: what the plate passes, at one conductivity of the swab and with one supply.

The state of the swab enters through a single factor of conductivity, taken alike for the wet body
and for the liquid in the openings (gas and drying in truth spare the openings, where the current
meets little of its resistance). Spots are solved side by side in groups of neighbours, each
starting from the field of the one before; the groups do not depend on the number of workers.
"""

from __future__ import annotations

import threading
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from simulate.field.memory import require_memory
from simulate.field.multigrid import Hierarchy
from simulate.field.network import Faces, Network
from simulate.field.newton import Solution, solve_network
from simulate.field.supply import Supply
from simulate.kernels import krylov
from simulate.machine import processors
from simulate.run.metal_surface import Surface
from simulate.run.window import Conductivities, Place, Wet, Window, build_window

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

GROUP = 16
"""Most spots in a row solved by one worker, each starting from the field of the one before."""

LEAST_GROUP = 5
"""Spots that two workers take in two such groups rather than one of them in one."""


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


class _Bench:
    """One worker's own arrays: shapes of the swab by phase, the hierarchy, the last field.

    A window that is longer along y is solved with x and y exchanged: rows run along x, and the
    fewer and longer they are, the faster they are worked.
    """

    def __init__(self, setting: Setting, surface: Surface | None) -> None:
        window = setting.window
        self.setting, self.surface = setting, surface
        nz, ny, nx = window.shape
        self.turned = ny > nx
        self.plan = (nx, ny) if self.turned else (ny, nx)
        self.mesh = Hierarchy((nz, *self.plan), (window.cell, window.cell))
        self.wet: dict[tuple[int, int], Wet] = {}
        self.last: Solution | None = None

    def solve(
        self, spot: Spot, factors: Iterable[float], supply: Supply | None = None
    ) -> list[StopField]:
        """Solve one spot at each factor in turn, each starting from the last field."""
        setting, phase = self.setting, spot.place.phase
        if phase not in self.wet:
            wet = setting.window.wet(phase)
            self.wet[phase] = wet.turned() if self.turned else wet
        wet = self.wet[phase]
        part, cells = _cut(setting.open_fraction, spot.place.corner, setting.window.shape[1:])
        if self.turned:
            part, cells = part.T, cells.T
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
        order = np.argsort(cells[j, i])
        j, i, share = j[order], i[order], (current / total)[order]
        losses = found.current @ (found.phi[faces.cell] + found.current / faces.conductance)
        return StopField(
            total=factor * total,
            voltage=found.voltage,
            conductance=factor * _slope(network, found, self.mesh),
            ohmic=float(losses) / total**2 / factor,
            cells=cells[j, i],
            area=area[j, i],
            share=share,
            iterations=found.iterations,
            rim=self._rim(j, i, share),
        )

    def _rim(self, j: Integers, i: Integers, share: Doubles) -> float:
        """Share of the current within two cells of the window's rim; none where it ends dry."""
        if not self.setting.window.flooded:
            return 0.0
        ny, nx = self.plan
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


def _slope(network: Network, found: Solution, mesh: Hierarchy) -> float:
    """dI/dV of the place [S]: sum D - d . (A + D)^-1 d, with d the slopes D of plate faces."""
    faces = network.faces
    mesh.retie(found.slope)
    lead = mesh.gather(np.where(faces.electrode == 0, found.slope, 0.0))
    least = LEAST_SLOPE * float(found.current[faces.electrode == 0].sum())
    if lead.sum() <= least:
        return least
    mesh.r[:] = 0.0
    krylov.add_at(mesh.cells, lead, mesh.r)
    _, _, back = mesh.solve(tolerance=SLOPE_TOLERANCE)
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
    workers = workers or processors()
    local = threading.local()

    def group(first: int, last: int) -> list[list[StopField]]:
        if not hasattr(local, "bench"):
            local.bench = _Bench(setting, surface)
        local.bench.last = None
        answers = []
        for number, (spot, factors) in enumerate(wanted[first:last]):
            step = -1 if number % 2 else 1  # up and down, so that the last field is the nearest
            answers.append(local.bench.solve(spot, factors[::step])[::step])
        return answers

    with ThreadPoolExecutor(workers) as pool:
        waiting = [pool.submit(group, *ends) for ends in pairwise(_cuts(len(wanted)))]
        try:
            for answer in waiting:
                yield from answer.result()
        finally:
            for answer in waiting:
                answer.cancel()


def _cuts(count: int) -> list[int]:
    """Ends of about equal groups, an even number of them if there is enough for two."""
    groups = -(-count // GROUP)
    if count >= 2 * LEAST_GROUP:
        groups += groups % 2
    return [count * n // max(groups, 1) for n in range(groups + 1)]


def solve_alone(
    setting: Setting, surface: Surface, spot: Spot, factor: float, supply: Supply
) -> StopField:
    """One spot at any factor and with any supply, from nothing: what the nodes are held against."""
    return _Bench(setting, surface).solve(spot, [factor], supply)[0]
