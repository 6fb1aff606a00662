"""The field in a cut network: potentials, polarisation at the walls and circuit together.

Two forms. In the *symmetric* form a cut link carries the two-point current to the wall over the
whole side of its cell, so that what leaves the walls enters the cathode to rounding. In the
*second-order* form the divergence is that of the cell that is left, factor 2 / (1 + theta) on even
cells (Shortley & Weller, J. Appl. Phys. 9 (1938) 334; from memory), and the density at the wall
follows from a parabola through the wall and two nodes; the matrix is not symmetric.

The wall's overpotential is eliminated link by link, so that a link's current has a slope that stays
bounded; Newton's method then solves for potentials and cell voltage with sparse factors.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from simulate.errors import ConvergenceError
from simulate.field.polarisation import IDEAL, LINEAR
from simulate.field.supply import Supply
from simulate.section.cut_cells import CutLinks, CutNetwork

Doubles = NDArray[np.float64]
Integers = NDArray[np.int64]
Form = Literal["symmetric", "second-order"]

TOLERANCE = 1e-11
"""On the unbalanced current of nodes, root mean square, relative to that of the links [-]."""

NEWTON_STEPS = 80
"""Newton steps at most."""

ROUNDING = 1e-15
"""Rounding of a potential relative to the largest [-]: what short links make of it is no fault."""

LEAST_COMPONENT = 1e-6
"""Least component of a wall's normal along a link that is reckoned with [-]."""


@dataclass(frozen=True, eq=False)
class Circuit:
    """What drives the current.

    Parameters
    ----------
    laws : (2, 8) of the walls and of the cathode, rows of `polarisation.law_row`.
    supply : between them. current : driven in its place [A/m], [A], into ``source``.
    source : nodes of the ground into which a current flows that meets no cathode: share of each
        cell (rows, nx) [-], summing to 1.
    """

    laws: Doubles
    supply: Supply | None = None
    current: float = 0.0
    source: Doubles | None = None


@dataclass(frozen=True, eq=False)
class WallField:
    """What `solve_wall_field` finds.

    phi : potential of each node [V]; voltage : of the walls' metal against the cathode's [V].
    current : into the cathode [A/m], [A]. Of each link, density : at the wall [A/m2], weight : wall
    area that it stands for [m], [m2], carried : current into its node [A/m], [A], over : the wall's
    overpotential [V]. steps : of Newton's method. residual : relative [-].
    """

    network: CutNetwork
    phi: Doubles
    voltage: float
    current: float
    density: Doubles
    weight: Doubles
    carried: Doubles
    over: Doubles
    steps: int
    residual: float


class _Links:
    """Links to electrodes of one form: currents into their nodes, and how these change."""

    def __init__(
        self, links: CutLinks, laws: Doubles, form: Form, tangential: Doubles | None
    ) -> None:
        self.links, self.laws = links, laws
        near, far = links.near, links.far
        curved = (links.wall >= 0) if form == "second-order" else np.zeros(len(links), bool)
        has = curved & (links.behind >= 0)
        far = np.where(has, far, np.inf)
        self.c_wall = 1.0 / near + 1.0 / (near + far)
        self.c_behind = near / (far * (near + far)) if has.any() else np.zeros(len(links))
        self.c_behind = np.where(has, self.c_behind, 0.0)
        self.c_node = -self.c_wall - self.c_behind
        self.behind = np.where(has, links.behind, links.node)
        self.share = np.maximum(links.share, LEAST_COMPONENT)
        self.weight = links.area * self.share
        self.full = np.where(curved, links.stretch, 1.0) * links.area / near
        self.eta = np.zeros(len(links))
        ideal = (laws[:, 0] == IDEAL) | ((laws[:, 0] == LINEAR) & (laws[:, 1] == 0.0))
        self.ideal = (ideal & (laws[:, 4] == 0.0) & np.isinf(laws[:, 5]))[links.electrode]
        self.rest = laws[links.electrode, 7]
        self.shift = 0.0 if tangential is None else tangential * links.slant
        self.anode = links.electrode == 0

    def meet(self, phi: Doubles, voltage: float) -> None:
        """Currents into the nodes [A/m], [A], densities at the wall [A/m2], and their slopes."""
        from simulate.kernels.electrode_kinetics import wall_currents

        at, back = phi[self.links.node], phi[self.behind]
        metal = np.where(self.anode, voltage, 0.0) - self.rest
        drive = metal + (self.c_node * at + self.c_behind * back - self.shift) / self.c_wall
        series = self.share / self.c_wall
        density, slope = np.empty(drive.size), np.empty(drive.size)
        wall_currents(drive, series, self.links.electrode, self.laws, self.eta, density, slope)
        over = np.where(self.ideal, 0.0, drive - series * density)  # what the wall itself takes
        rate = np.where(self.ideal, 0.0, 1.0 - series * slope)
        self.density, self.over = density, over
        self.current = self.full * (metal - over - at)
        self.by_node = self.full * (-rate * self.c_node / self.c_wall - 1.0)
        self.by_behind = self.full * (-rate * self.c_behind / self.c_wall)
        self.by_metal = self.full * (1.0 - rate)
        self.slope = slope / self.c_wall

    def total(self, electrode: int) -> float:
        """Current out of an electrode's metal [A/m], [A]."""
        own = self.links.electrode == electrode
        return float(self.weight[own] @ self.density[own])


class _System:
    """The balance of nodes: whole links as a matrix, links to electrodes on top."""

    def __init__(
        self, network: CutNetwork, seen: Doubles | None, links: _Links, form: Form
    ) -> None:
        from scipy.sparse import coo_matrix

        first = network.nodes - network.fixed
        self.size = network.nodes if seen is None else first + len(seen)
        self.links = links
        self.symmetric = form == "symmetric"
        factor = np.ones((2, self.size))
        if not self.symmetric:
            cut = network.links
            own = cut.node < first
            factor[cut.level[own].astype(np.int64), cut.node[own]] = cut.stretch[own]
        one, other, level = network.one, network.other, network.level.astype(np.int64)
        a = network.conductance * factor[level, one]
        b = network.conductance * factor[level, other]
        rows = [one, one, other, other]
        columns = [one, other, other, one]
        values = [a, -a, b, -b]
        if seen is not None:
            place = np.arange(first, self.size)
            rows.append(np.repeat(place, place.size))
            columns.append(np.tile(place, place.size))
            values.append(seen.ravel())
        entries = (np.concatenate(rows), np.concatenate(columns))
        shape = (self.size, self.size)
        self.base = coo_matrix((np.concatenate(values), entries), shape).tocsc()

    def residual(self, phi: Doubles, injected: Doubles) -> Doubles:
        """What flows into each node more than out of it [A/m], [A]."""
        links = self.links
        into = np.bincount(links.links.node, links.current, self.size)
        return np.asarray(into + injected - self.base @ phi)

    def factors(self) -> Any:
        """Factors of the Jacobian of the outflow."""
        from scipy.sparse import coo_matrix
        from scipy.sparse.linalg import splu

        links = self.links
        node = np.concatenate([links.links.node, links.links.node])
        by = np.concatenate([links.links.node, links.behind])
        values = -np.concatenate([links.by_node, links.by_behind])
        matrix = (self.base + coo_matrix((values, (node, by)), self.base.shape)).tocsc()
        options = {"SymmetricMode": True} if self.symmetric else {}
        return splu(matrix, permc_spec="MMD_AT_PLUS_A", options=options)


def solve_wall_field(
    network: CutNetwork,
    circuit: Circuit,
    *,
    seen: Doubles | None = None,
    faces: CutLinks | None = None,
    form: Form = "symmetric",
    start: tuple[Doubles, float] | None = None,
    tangential: Doubles | None = None,
) -> WallField:
    """Solve potentials, walls and circuit.

    Parameters
    ----------
    seen : conductances between ports of what stands above, `UpperPart.seen`; its first ports are
        the network's nodes of the fixed row.
    faces : links of ports to the cathode.
    start : potentials of the nodes and the voltage to start from [V].
    tangential : current density along the wall at each link of the network [A/m2], from a solution
        before; what the wall's own potential drives past the normal one.

    Raises
    ------
    ConvergenceError : with residual and steps.
    """
    cut = network.links if faces is None else joined(network.links, faces)
    if tangential is not None and faces is not None:
        tangential = np.concatenate([tangential, np.zeros(len(faces))])
    if network.fixed:  # cells of the fixed row are never cut in their own balance
        whole = cut.node >= network.nodes - network.fixed
        cut = replace(cut, stretch=np.where(whole, 1.0, cut.stretch))
    links = _Links(cut, circuit.laws, form, tangential)
    system = _System(network, seen, links, form)
    injected = np.zeros(system.size)
    if circuit.source is not None:
        inside = network.number[: len(circuit.source)]
        fed = circuit.source > 0.0
        injected[inside[fed]] -= circuit.current * circuit.source[fed]
    voltage = 0.0 if circuit.supply is None else circuit.supply.emf
    phi = np.full(system.size, 0.5 * voltage)
    if start is not None:
        phi, voltage = start[0].copy(), start[1]
    phi, voltage, steps, residual = _newton(system, circuit.supply, phi, voltage, injected)
    count = len(network.links)
    current = circuit.current if circuit.source is not None else -links.total(1)
    return WallField(
        network,
        phi,
        voltage,
        current,
        density=links.density[:count],
        weight=links.weight[:count],
        carried=links.current[:count],
        over=links.over[:count],
        steps=steps,
        residual=residual,
    )


def _newton(
    system: _System, supply: Supply | None, phi: Doubles, voltage: float, injected: Doubles
) -> tuple[Doubles, float, int, float]:
    """Potentials and voltage at which nodes and circuit balance."""
    links = system.links
    loop = _Loop(supply)
    links.meet(phi, voltage)
    best = loop.fault(links, voltage)
    fault, found = system.residual(phi, injected), np.inf
    for step in range(NEWTON_STEPS + 1):
        scale = float(np.linalg.norm(links.current)) + float(np.linalg.norm(injected)) or 1.0
        found = float(np.hypot(np.linalg.norm(fault), best)) / scale
        rounding = ROUNDING * float(np.linalg.norm(links.full)) * float(np.abs(phi).max()) / scale
        if found <= max(TOLERANCE, rounding):
            return phi, voltage, step, found
        if step == NEWTON_STEPS or not np.isfinite(found):
            break
        factors = system.factors()
        move, rise = loop.direction(links, factors, fault, voltage, best)
        length = 1.0
        for _ in range(25):
            links.meet(phi + length * move, voltage + length * rise)
            trial = system.residual(phi + length * move, injected)
            off = loop.fault(links, voltage + length * rise)
            if np.hypot(np.linalg.norm(trial), off) < (1.0 - 0.1 * length) * found * scale:
                break
            length *= 0.5
        phi, voltage, fault, best = phi + length * move, voltage + length * rise, trial, off
    raise ConvergenceError(
        "the field at the wall",
        residual=found,
        tolerance=TOLERANCE,
        iterations=NEWTON_STEPS,
        remedy="try smaller cells or shorter steps",
    )


class _Loop:
    """The circuit's own equation: cathode current = the supply's at this voltage."""

    def __init__(self, supply: Supply | None) -> None:
        self.supply = supply
        self.limited = False

    def fault(self, links: _Links, voltage: float) -> float:
        """Current that the supply gives more than the cathode takes [A/m], [A]."""
        if self.supply is None:
            return 0.0
        emf, resistance, limit = (
            self.supply.emf, self.supply.resistance, self.supply.current_limit,
        )  # fmt: skip
        current = -links.total(1)
        if resistance > 0.0:
            free = (emf - voltage) / resistance
            self.limited = limit is not None and free > limit
            return (limit if self.limited and limit is not None else free) - current
        self.limited = limit is not None and (current > limit or (self.limited and voltage < emf))
        return limit - current if self.limited and limit is not None else 0.0

    def direction(
        self, links: _Links, factors: Any, fault: Doubles, voltage: float, missing: float
    ) -> tuple[Doubles, float]:
        """Newton's step of potentials and voltage."""
        supply = self.supply
        move = factors.solve(fault)
        if supply is None or (supply.resistance == 0.0 and not self.limited):
            rise = 0.0 if supply is None else supply.emf - voltage
            if rise == 0.0:
                return move, 0.0
            return move + rise * factors.solve(self._lift(links, move.size)), rise
        lift = factors.solve(self._lift(links, move.size))
        own = links.links.electrode == 1
        weight = (links.weight * links.slope)[own]
        node, behind = links.links.node[own], links.behind[own]

        def taken(step: Doubles) -> float:  # change of the cathode's current with the potentials
            change = links.c_node[own] * step[node] + links.c_behind[own] * step[behind]
            return -float(weight @ change)

        own_slope = 0.0 if self.limited else 1.0 / supply.resistance
        rise = (missing - taken(move)) / (taken(lift) + own_slope)
        return move + rise * lift, rise

    @staticmethod
    def _lift(links: _Links, size: int) -> Doubles:
        """How the nodes' inflow grows with the voltage."""
        anode = links.anode
        return np.asarray(np.bincount(links.links.node[anode], links.by_metal[anode], size), float)


def joined(one: CutLinks, other: CutLinks) -> CutLinks:
    """Links of two lists after each other."""
    parts = {name: np.concatenate([getattr(one, name), getattr(other, name)]) for name in vars(one)}
    return replace(one, **parts)
