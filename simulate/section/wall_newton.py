"""Newton's method for potentials, polarisation at walls and circuit together.

The wall's overpotential is eliminated link by link, so that a link's current has a slope that stays
bounded; each step is solved with sparse factors.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from simulate.errors import ConvergenceError
from simulate.field.supply import Supply
from simulate.section.cut_cells import CutNetwork
from simulate.section.electrode_links import ElectrodeLinks, Form

Doubles = NDArray[np.float64]

TOLERANCE = 1e-11
"""On the unbalanced current of nodes, root mean square, relative to that of the links [-]."""

ROUNDING = 1e-15
"""Rounding of a potential relative to the largest [-]: what short links make of it is no fault."""

NEWTON_STEPS = 80
"""Newton steps at most."""

RENEW = 0.1
"""Part to which a step must bring the residual for its factors to serve again [-]."""

YIELD = 1e-8
"""Share of its limit by which a supply at its limit of current yields as the voltage rises to its
electromotive force [-]: an anode at its own limit would leave the voltage open."""


class System:
    """The balance of nodes: whole links as a matrix, links to electrodes on top."""

    def __init__(
        self, network: CutNetwork, seen: Doubles | None, links: ElectrodeLinks, form: Form
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


def balance(
    system: System, supply: Supply | None, phi: Doubles, voltage: float, injected: Doubles
) -> tuple[Doubles, float, int, float]:
    """`_newton`, and once more at the limit of a supply without resistance if it is passed."""
    free = _Loop(supply, symmetric=system.symmetric)
    stiff = supply is not None and supply.resistance == 0.0 and supply.current_limit is not None
    if not stiff or supply is None or supply.current_limit is None:
        return _newton(system, free, phi, voltage, injected)
    if voltage < supply.emf:  # it was at its limit before
        held = _Loop(supply, symmetric=system.symmetric, limited=True)
        found = _newton(system, held, phi, voltage, injected)
        if found[1] <= supply.emf:
            return found
    found = _newton(system, free, phi, supply.emf, injected)
    if -system.links.total(1) <= supply.current_limit:
        return found
    held = _Loop(supply, symmetric=system.symmetric, limited=True)
    again = _newton(system, held, *found[:2], injected)
    return (*again[:2], found[2] + again[2], again[3])


def _newton(
    system: System, loop: _Loop, phi: Doubles, voltage: float, injected: Doubles
) -> tuple[Doubles, float, int, float]:
    """Potentials and voltage at which nodes and circuit balance.

    In the symmetric form both are where a convex energy is least: steps are cut to where its slope
    along them has fallen to a half or less, which converges from any start. In the other form they
    are cut until less is unbalanced.
    """
    links = system.links
    point = _Point(system, loop, phi, voltage, injected)
    factors, last = None, np.inf
    for count in range(NEWTON_STEPS + 1):
        scale = float(np.linalg.norm(links.current)) + float(np.linalg.norm(injected)) or 1.0
        residual = float(np.hypot(np.linalg.norm(point.fault), point.missing)) / scale
        largest = float(np.abs(point.phi).max())
        rounding = ROUNDING * float(np.linalg.norm(links.full)) * largest / scale
        if residual <= max(TOLERANCE, rounding):
            return point.phi, point.voltage, count, residual
        if count == NEWTON_STEPS or not np.isfinite(residual):
            break
        if factors is None or residual > RENEW * last:
            factors = system.factors()
        last = residual
        move, rise = loop.direction(links, factors, point.fault, point.voltage, point.missing)
        point = (_energy_step if system.symmetric else _residual_step)(point, move, rise)
    raise ConvergenceError(
        "the field at the wall",
        residual=residual,
        tolerance=TOLERANCE,
        iterations=NEWTON_STEPS,
        remedy="try smaller cells or shorter steps",
    )


class _Point:
    """Potentials and voltage, with what they leave unbalanced; the links are left as they are."""

    def __init__(
        self, system: System, loop: _Loop, phi: Doubles, voltage: float, injected: Doubles
    ) -> None:
        self.system, self.loop, self.injected = system, loop, injected
        self.phi, self.voltage = phi, voltage
        system.links.meet(phi, voltage)
        self.fault = system.residual(phi, injected)
        self.missing = loop.missing(system.links, voltage)

    def moved(self, move: Doubles, rise: float, length: float) -> _Point:
        """A part of the way along a step."""
        at = (self.phi + length * move, self.voltage + length * rise)
        return _Point(self.system, self.loop, *at, self.injected)

    def downhill(self, move: Doubles, rise: float) -> float:
        """How fast the energy falls along a step [W/m], [W]."""
        return float(self.fault @ move) + self.missing * rise

    def off(self) -> float:
        """Unbalanced current [A/m], [A]."""
        return float(np.hypot(np.linalg.norm(self.fault), self.missing))


def _energy_step(point: _Point, move: Doubles, rise: float) -> _Point:
    """Along a step to where the energy falls at half the speed or less, or rises as slowly."""
    start = point.downhill(move, rise)
    new = point.moved(move, rise, 1.0)
    if new.downhill(move, rise) >= -0.5 * abs(start):
        return new
    low, high = 0.0, 1.0
    for _ in range(30):
        length = 0.5 * (low + high)
        new = point.moved(move, rise, length)
        speed = new.downhill(move, rise)
        if abs(speed) <= 0.3 * abs(start):
            break
        low, high = (length, high) if speed > 0.0 else (low, length)
    return new


def _residual_step(point: _Point, move: Doubles, rise: float) -> _Point:
    """Along a step until less current is unbalanced."""
    length, before = 1.0, point.off()
    for _ in range(12):
        new = point.moved(move, rise, length)
        if new.off() < (1.0 - 0.1 * length) * before:
            break
        length *= 0.5
    return new


class _Loop:
    """The circuit's own equation: the supply's current at this voltage is that of the cell.

    In the symmetric form the cell's current is that of the walls, in the other that of the cathode.
    Without resistance the voltage is the electromotive force, unless ``limited``: then the current
    is the limit, and the voltage is sought.
    """

    def __init__(self, supply: Supply | None, *, symmetric: bool, limited: bool = False) -> None:
        self.supply, self.symmetric = supply, symmetric
        self.limited = limited

    @property
    def open(self) -> bool:
        """Whether the voltage is sought."""
        return self.supply is not None and (self.supply.resistance > 0.0 or self.limited)

    def missing(self, links: ElectrodeLinks, voltage: float) -> float:
        """What the supply gives more than the cell takes [A/m], [A]; 0 at a given voltage."""
        if not self.open:
            return 0.0
        given, _ = self._given(voltage)
        return given - self._taken(links)

    def _given(self, voltage: float) -> tuple[float, float]:
        """Current of the supply and how it falls with the voltage."""
        assert self.supply is not None
        emf, resistance = self.supply.emf, self.supply.resistance
        limit = np.inf if self.supply.current_limit is None else self.supply.current_limit
        free = (emf - voltage) / resistance if resistance > 0.0 else np.inf
        if free <= limit:
            return free, 1.0 / resistance
        return limit * (1.0 + YIELD * (1.0 - voltage / emf)), YIELD * limit / emf

    def _taken(self, links: ElectrodeLinks) -> float:
        if self.symmetric:
            return float(links.current[links.anode].sum())
        return -links.total(1)

    def direction(
        self, links: ElectrodeLinks, factors: Any, fault: Doubles, voltage: float, missing: float
    ) -> tuple[Doubles, float]:
        """Newton's step of potentials and voltage."""
        move = np.asarray(factors.solve(fault))
        if self.supply is None:
            return move, 0.0
        anode = links.anode
        node = links.links.node
        lifted = np.bincount(node[anode], links.by_metal[anode], fault.size).astype(float)
        if not self.open:
            rise = self.supply.emf - voltage
            return (move + rise * factors.solve(lifted), rise) if rise else (move, 0.0)
        lift = np.asarray(factors.solve(lifted))
        falls = self._given(voltage)[1]
        if self.symmetric:
            own = float(links.by_metal[anode].sum()) - float(lifted @ lift)
            rise = (missing + float(lifted @ move)) / (own + falls)
        else:
            rise = (missing - self._change(links, move)) / (self._change(links, lift) + falls)
        return move + rise * lift, rise

    @staticmethod
    def _change(links: ElectrodeLinks, step: Doubles) -> float:
        """How the cathode's current changes along a step of the potentials."""
        own = ~links.anode
        node, behind = links.links.node[own], links.behind[own]
        change = links.c_node[own] * step[node] + links.c_behind[own] * step[behind]
        return -float((links.weight * links.slope)[own] @ change)
