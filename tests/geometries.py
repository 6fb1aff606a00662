"""Wet cells for the tests of the solver; every one of them invented.

`bath` is electrolyte all through, `swab` is mostly air: a cotton disk with a wire in it on a film
on a mask with openings. The others are a bath made awkward.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

import simulate as sf
from simulate.field.multigrid import FINEST, Hierarchy
from simulate.field.network import Network, build_network
from simulate.field.polarisation import Polarisation
from simulate.field.potential import Electrode, Field
from simulate.kernels import layout

Doubles = NDArray[np.float64]

MILLIMETRE = 1e-3
SALT_WATER = 4.0  # S/m, about that of a strong kitchen brine; invented


@dataclass(frozen=True, eq=False)
class Cell:
    """A grid, what conducts on it and what is metal."""

    grid: sf.Grid
    conductivity: Doubles
    electrodes: tuple[Electrode, ...]

    def solve(self, supply: sf.Supply | None = None, tolerance: float = 1e-10) -> Field:
        return sf.solve_potential(self.grid, self.conductivity, self.electrodes, supply, tolerance)

    @property
    def label(self) -> NDArray[np.int8]:
        """0 for no electrode, n for electrode n - 1."""
        label = np.zeros(self.grid.shape, np.int8)
        for number, electrode in enumerate(self.electrodes):
            label[electrode.cells] = number + 1
        return label

    @property
    def solved(self) -> NDArray[np.bool_]:
        """Where the potential is unknown."""
        return (self.conductivity > 0) & (self.label == 0)

    def network(self) -> Network:
        offset = np.zeros(self.grid.shape)
        for electrode in self.electrodes:
            offset[electrode.cells] = np.broadcast_to(electrode.potential, self.grid.shape)[
                electrode.cells
            ]
        return build_network(self.grid, self.conductivity, self.label, offset)


def between_plates(
    grid: sf.Grid,
    conductivity: ArrayLike,
    laws: tuple[Polarisation | None, Polarisation | None] = (None, None),
    potentials: tuple[float, float] = (1.0, 0.0),
) -> Cell:
    """The lowest layer is the plate, the highest the lid."""
    plate, lid = (np.zeros(grid.shape, bool) for _ in range(2))
    plate[0], lid[-1] = True, True
    kappa = np.broadcast_to(np.asarray(conductivity, float), grid.shape).copy()
    return Cell(
        grid,
        kappa,
        (
            Electrode("plate", plate, potentials[0], laws[0]),
            Electrode("lid", lid, potentials[1], laws[1]),
        ),
    )


def bath(cells: float, z: Doubles | None = None) -> Cell:
    """A tank of 10 x 10 x 4 mm over a plate with a mask on its outer part; the lid is metal."""
    step = 10.0 / round(10.0 * (cells / 400.0) ** (1 / 3)) * MILLIMETRE
    plan = np.arange(round(10.0 * MILLIMETRE / step) + 1) * step
    if z is None:
        z = np.arange(-1, round(4.0 * MILLIMETRE / step) + 2) * step
    grid = sf.Grid.box(plan, plan, z)
    cell = between_plates(grid, SALT_WATER)
    x, y, _ = grid.centres
    far = np.maximum(np.abs(x[None, :] - 5 * MILLIMETRE), np.abs(y[:, None] - 5 * MILLIMETRE))
    cell.electrodes[0].cells[0] = far < 2.5 * MILLIMETRE
    cell.conductivity[0] = 0.0
    return cell


def heights(first: float, last: float, top: float) -> Doubles:
    """Edges from a layer below 0 up to ``top``, growing evenly from ``first`` to ``last`` [m]."""
    ratio = 1.0 + (last - first) / top
    sizes = [first]
    while sum(sizes) < top:
        sizes.append(sizes[-1] * ratio)
    edges = np.concatenate([[0.0], np.cumsum(sizes)])
    return np.concatenate([[-first], edges, [edges[-1] + sizes[-1]]])


def swab(
    cells: float, film: float = 1.0, laws: tuple[Polarisation | None, ...] = (None, None)
) -> Cell:
    """A disk of wet cotton, 5 mm across, in a box of 10 x 10 x 4 mm of air.

    It has a rounded shoulder and a wire lying in it, and stands on a film of 0.1 mm over a mask of
    0.2 mm with a ring, two slots and four squares cut into it. ``film`` is the film's conductivity
    over the cotton's.
    """
    count = (cells / 400.0) ** (1 / 3)  # cells per millimetre
    n = round(10 * count)
    step = 10.0 / n
    layers = round(4.0 / step)
    plan = (np.arange(n + 1) - 0.5 * n) * step
    up = np.arange(-1, layers + 1) * step
    grid = sf.Grid.box(plan * MILLIMETRE, plan * MILLIMETRE, up * MILLIMETRE)
    middle = 0.5 * (plan[1:] + plan[:-1])
    x, y = middle[None, None, :], middle[None, :, None]
    height = 0.5 * (up[1:] + up[:-1])
    z = height[:, None, None]
    r = np.hypot(x, y)
    openings = (
        ((r > 1.7) & (r < 2.1))
        | ((np.abs(x) < 1.0) & (np.abs(np.abs(y) - 0.5) < 0.15))
        | (np.maximum(np.abs(np.abs(x) - 2.6), np.abs(np.abs(y) - 2.6)) < 0.3)
    )[0]
    mask = max(round(0.2 / step), 1)
    wet = max(round(0.1 / step), 1)
    cotton = (r < 2.5) & (np.hypot(np.maximum(r - 2.0, 0), np.maximum(z - 2.3, 0)) < 0.5)
    cotton = np.broadcast_to(cotton & (z < 2.8), grid.shape)
    kappa = np.where(cotton, 3.0, 0.0)
    kappa[: 1 + mask] = 0.0
    kappa[1 : 1 + mask] = SALT_WATER * openings
    kappa[1 + mask : 1 + mask + wet] = film * 3.0 * (r[0] < 2.7)
    wire = np.broadcast_to((np.hypot(y, z - 1.6) < 0.4) & (np.abs(x) < 2.0), grid.shape).copy()
    plate = np.zeros(grid.shape, bool)
    plate[0] = openings
    return Cell(
        grid,
        kappa,
        (Electrode("plate", plate, 1.0, laws[0]), Electrode("wire", wire, 0.0, laws[1])),
    )


def scattered(cells: float, share: float, seed: int) -> Cell:
    """A bath in which a share of all cells, at random, does not conduct."""
    cell = bath(cells)
    dead = np.random.default_rng(seed).random(cell.grid.shape) < share
    cell.conductivity[dead] = 0.0
    return cell


def grainy(cells: float, sigma: float, seed: int) -> Cell:
    """A bath whose conductivity is log-normal from cell to cell."""
    cell = bath(cells)
    noise = np.random.default_rng(seed).standard_normal(cell.grid.shape)
    cell.conductivity[:] *= np.exp(sigma * noise)
    return cell


def awkward_box(
    shape: tuple[int, int, int],
    seed: int,
    *,
    dead: float = 0.2,
    metal: float = 0.1,
    even: bool = False,
) -> Cell:
    """A small box of uneven cells, conductivities over three decades, insulator and metal.

    ``even`` : the plan is of even cells after all.
    """
    draw = np.random.default_rng(seed)
    edges = [np.cumsum(draw.uniform(0.5, 2.0, n + 1)) * MILLIMETRE for n in shape]
    if even:
        edges[1:] = [np.arange(n + 1) * MILLIMETRE for n in shape[1:]]
    grid = sf.Grid.box(edges[2], edges[1], edges[0])
    kappa = np.exp(draw.uniform(-3.0, 3.0, shape))
    kappa[draw.random(shape) < dead] = 0.0
    choice = draw.random(shape)
    first, second = choice < metal, choice > 1.0 - metal
    return Cell(grid, kappa, (Electrode("plate", first, 1.0), Electrode("wire", second, 0.0)))


def without_pockets(cell: Cell) -> Cell:
    """The cell with all liquid turned to insulator from which no way leads to an electrode."""
    reached = cell.label > 0
    while True:
        padded = np.pad(reached, 1)
        near = reached.copy()
        for axis in range(3):
            for shift in (-1, 1):
                near |= np.roll(padded, shift, axis)[1:-1, 1:-1, 1:-1]
        near &= (cell.conductivity > 0) | (cell.label > 0)
        if (near == reached).all():
            break
        reached = near
    return Cell(cell.grid, np.where(reached, cell.conductivity, 0.0), cell.electrodes)


def loaded(cell: Cell, series: float = 0.0, threads: int = 1) -> tuple[Network, Hierarchy]:
    """A network in a hierarchy, tied to its electrodes through the half cells and ``series``.

    series : further resistance at each face [ohm m2].
    """
    network = cell.network()
    mesh = Hierarchy(network.shape, (np.diff(cell.grid.y), np.diff(cell.grid.x)), threads)
    mesh.load(network, ties_of(network, series))
    return network, mesh


def whole_operator(
    mesh: Hierarchy, lead: Doubles | None = None, strength: float = 0.0
) -> Callable[[Doubles], Doubles]:
    """A p in double precision with ties and circuit, from the parts that `solve` puts together."""

    def times(p: Doubles) -> Doubles:
        q = np.zeros_like(p)
        mesh.apply(p, q)
        at = mesh.cells
        q[at] += mesh.ties * p[at]
        if lead is not None:
            q[at] -= strength * lead * (lead @ p[at])
        return q

    return times


def solve_fully(
    mesh: Hierarchy,
    right: Doubles,
    tolerance: float,
    lead: Doubles | None = None,
    strength: float = 0.0,
) -> tuple[Doubles, int]:
    """x of A x = right, solving for what is left until it is small; and iterations in all."""
    times = whole_operator(mesh, lead, strength)
    x, left, count = np.zeros_like(right), right, 0
    while (share := np.linalg.norm(left) / np.linalg.norm(right)) > tolerance:
        unit = np.linalg.norm(left)
        mesh.r[: left.size] = left / unit
        goal = max(FINEST, 0.5 * tolerance / share)
        count += mesh.solve(tolerance=goal, lead=lead, strength=strength)[0]
        x = x + unit * mesh.move[: left.size]
        left = right - times(x)
    return x, count


def packed(network: Network, values: Doubles, kind: type = np.float64) -> NDArray[np.floating]:
    """Values by cells in the packed layout of a network, 0 elsewhere."""
    out = np.zeros(network.tx.size, kind)
    layout.pack(values, network.shape, network.rows, out)
    return out


def ties_of(network: Network, series: float = 0.0) -> Doubles:
    """Conductances from cells to metal [S], one a face, through ``series`` [ohm m2]."""
    faces = network.faces
    return 1.0 / (1.0 / faces.conductance + series / faces.area)
