"""Cavities whose walls move in a known way, for the tests of the moving wall."""

from __future__ import annotations

import numpy as np

from simulate.field.grid import Grid
from simulate.field.polarisation import Linear, Polarisation, law_row
from simulate.field.supply import Supply
from simulate.section.cut_cells import Ground
from simulate.section.moving_wall import Cavity, Field, WallState, begin, step
from simulate.section.upper_part import UpperPart
from simulate.section.wall_curve import Wall
from simulate.section.wall_field import Circuit


def laws(anode: Polarisation | None = None, cathode: Polarisation | None = None) -> np.ndarray:
    return np.stack([law_row(anode), law_row(cathode)])


def equal(density, depth):
    """One cubic metre for each coulomb."""
    return density


def grow(
    cavity: Cavity, wall: Wall | WallState, *, charge=np.inf, time=np.inf, watch=None, steps=10000
):
    """Steps until a charge or a time, both from the start; on from a state where one is given."""
    state = wall if isinstance(wall, WallState) else begin(cavity, (wall,))
    field = Field(cavity)
    for _ in range(steps):
        left = time - state.time
        if np.isfinite(charge):
            left = min(left, (charge - state.charge) / cavity.circuit.current)
        if left <= 1e-12 * state.time:
            break
        state, middle = step(field, state, left)
        if watch is not None:
            watch(state, middle)
    return state, field


def until(cavity: Cavity, wall: Wall, reached, steps=10000):
    """Time [s] at which ``reached(wall) >= 0``, by a last step cut to fit, and the state there."""
    state, field = begin(cavity, (wall,)), Field(cavity)
    for _ in range(steps):
        before, state = state, step(field, state)[0]
        if reached(state.walls[0]) >= 0.0:
            break
    low, high = 0.0, state.time - before.time
    tried = high
    at_low, at_high = reached(before.walls[0]), reached(state.walls[0])
    for _ in range(40):
        tried = low - at_low * (high - low) / (at_high - at_low)
        state = step(field, before, tried)[0]
        value = reached(state.walls[0])
        if abs(value) < 1e-12:
            break
        if value < 0.0:
            low, at_low = tried, value
        else:
            high, at_high = tried, value
    return before.time + tried, state, field


# --- exact undercut ---------------------------------------------------------------------------


def undercut(a: float, b: float, power: int, span, count=2000) -> np.ndarray:
    """Points of a w + b w**power on the unit circle between two angles."""
    w = np.exp(1j * np.linspace(*span, count))
    f = a * w + b * w**power
    return np.column_stack([f.real, f.imag])


def undercut_at(b0: float, power: int, times: float) -> tuple[float, float]:
    """a and b when the area is so many times that at a = 1: a**(2n-1) b and the area's law."""
    from scipy.optimize import brentq

    area = times * (1.0 + power * b0 * b0)
    odd = {2: 2, 3: 3}[power]  # a**2 b and a**3 b stay

    def fault(a):
        return a * a + power * (b0 / a**odd) ** 2 - area

    a = brentq(fault, 0.9 * np.sqrt(times), 1.2 * np.sqrt(times))
    return a, b0 / a**odd


def quarter(h: float, form: str, span: float = 2.4) -> Cavity:
    """A quarter of a plane below a mask without thickness, a line source in the corner cell."""
    n = round(span / h)
    edges = np.arange(n + 1) * h
    source = np.zeros((n, n))
    source[-1, 0] = 1.0
    circuit = Circuit(laws(), current=1.0, source=source)
    return Cavity(Ground(edges, -edges[::-1], 1.0), circuit, equal, form=form)


def half(h: float, form: str, span: float = 2.4) -> Cavity:
    """The half plane below the mask, the source in the two cells at the origin."""
    n = round(span / h)
    edges = np.arange(-n, n + 1) * h
    source = np.zeros((n, 2 * n))
    source[-1, n - 1 : n + 1] = 0.5
    circuit = Circuit(laws(), current=1.0, source=source)
    return Cavity(Ground(edges, edges[: n + 1], 1.0), circuit, equal, form=form)


def plane(h: float, form: str, span: float = 2.4) -> Cavity:
    """A whole plane, the source in the four cells at the origin."""
    n = round(span / h)
    edges = np.arange(-n, n + 1) * h
    source = np.zeros((2 * n, 2 * n))
    source[n - 1 : n + 1, n - 1 : n + 1] = 0.25
    circuit = Circuit(laws(), current=1.0, source=source)
    return Cavity(Ground(edges, edges, 1.0), circuit, equal, form=form)


def turned(points: np.ndarray, angle: float) -> np.ndarray:
    """Points (n, 2) turned anticlockwise [rad]."""
    c, s = np.cos(angle), np.sin(angle)
    return points @ np.array([[c, s], [-s, c]])


def distance(wall: Wall, curve: np.ndarray) -> float:
    """Largest distance between a wall and a curve about the origin, along rays [m]."""
    place = wall.at(wall.samples)
    angle, radius = np.arctan2(place[:, 1], place[:, 0]), np.hypot(*place.T)
    known = np.arctan2(curve[:, 1], curve[:, 0])
    order = np.argsort(known)
    period = None if wall.ends else 2.0 * np.pi
    exact = np.interp(angle, known[order], np.hypot(*curve.T)[order], period=period)
    return float(np.abs(radius - exact).max())


# --- cells with a cathode -----------------------------------------------------------------------


def graded(first: float, growth: float, end: float, most: float = np.inf) -> np.ndarray:
    """Edges from 0 whose cells grow from ``first`` by a factor, to ``end`` or a little more."""
    edges, size = [0.0], first
    while edges[-1] < end:
        edges.append(edges[-1] + size)
        size = min(size * growth, most)
    return np.array(edges)


def arc(radius: float, count=200, inner=False) -> np.ndarray:
    """A quarter of a circle from (0, -R) to (R, 0), or the other way round for a cathode."""
    angle = np.linspace(-0.5 * np.pi, 0.0, count)
    points = radius * np.column_stack([np.cos(angle), np.sin(angle)])
    points[0, 0] = points[-1, 1] = 0.0
    return points[::-1] if inner else points


def around_a_rod(film: float, edges: np.ndarray, form: str, *, round: bool) -> Cavity:
    """A cathode of radius 0.1 on the underside of a plane, the metal around it; 1 V, 1 S/m."""
    ground = Ground(edges, -edges[::-1], 1.0, round=round)
    rod = Wall(arc(0.1, 40, inner=True), ("level", "upright"), round)
    anode = Linear(film) if film else None
    return Cavity(ground, Circuit(laws(anode), Supply(1.0)), equal, None, (rod,), form)


def under_a_plate(
    x: np.ndarray,
    below: np.ndarray,
    gap: float,
    anode: Polarisation | None,
    volts: float,
    form: str,
) -> Cavity:
    """A flat cathode ``gap`` above z = 0 over its whole width; 1 S/m."""
    size = below[-1] - below[-2]
    rows = max(round(gap / size), 2)
    z = np.append(np.linspace(0.0, gap, rows + 1), gap + size)
    grid = Grid.section(x, z)
    kappa = np.ones(grid.shape[::2])
    cathode = np.zeros(kappa.shape, bool)
    cathode[-1] = True
    upper = UpperPart(grid, kappa, cathode)
    ground = Ground(x, np.append(below, z[1]), 1.0, kappa[0])
    return Cavity(ground, Circuit(laws(anode), Supply(volts)), equal, upper, (), form)
