"""Fitted conductances near straight edges, and dilated shares for curved ones.

Where metal or an insulator ends, the field is singular and a plain scheme loses its second order:
a flush electrode acts as if 0.35 cells narrower on each side, a lip of a mask in a like manner.
Near an edge the form of the field is known up to a factor (`edge_fields`), so each face is given
the conductance at which that field obeys Kirchhoff's law exactly:

    T_fitted = T_plain * (exact current of the field) / (T_plain * difference of its values)

That is a number per face, from the grid alone: the network stays linear, symmetric and conserving,
and costs the same to solve. The number tends to 1 as (h / r)^2, so a room of eight cells is enough.

Where it applies. Edges straight along an axis, on cell faces, with one conductivity above and
below; the faces that bound their room. There:

- flush edge of an ideal electrode: error of the current O(h) becomes O(h^2);
- flush edge of an electrode with linear kinetics: O(h^2 ln h) with a smaller factor (where the
  kinetic length exceeds the distance to the next feature, that distance stands for it in the
  electrolyte: the field there has the form of one current density that ends at the edge);
- corner of an ideal metal body: O(h^(4/3)) becomes O(h^2);
- lip of an insulator, any conductivity below over that above: O(h^(4/3)) becomes O(h^2);
- in rings also, about edges at a radius, to first order in h / radius.

Elsewhere the plain scheme stands: curved or slanting edges, Tafel's and Butler-Volmer's laws or
limiting currents at a flush edge (the lips above them are fitted), corners where edges meet, edges
closer than two cells to each other. Curved flush edges: dilated
shares of cells (`stencil`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from simulate.field.edge_singularities import EdgeField, FlushEdge, KineticEdge, Lip, MetalCorner
from simulate.field.grid import Grid
from simulate.field.network import Network
from simulate.field.polarisation import Linear, Polarisation
from simulate.kernels import edge_factors as kernels

Doubles = NDArray[np.float64]
Integers = NDArray[np.int64]

ROOM = 8
"""Most cells from an edge to the end of its room."""

LONGEST = 1e4
"""A kinetic length of more than this many cells leaves nothing to fit."""


@dataclass(frozen=True)
class EdgeFactors:
    """Factors of the faces in the room of one edge, in its frame.

    along : between cells side by side, (rows, columns - 1). across : between cells one above the
    other, (rows - 1, columns). floor : between cells and metal in Y = 0, (columns,). side : between
    cells and metal in X = 0, (rows,).
    """

    along: Doubles
    across: Doubles
    floor: Doubles
    side: Doubles


def edge_factors(
    field: EdgeField, x: Doubles, y: Doubles, *, bend: float = 0.0, half_wall: float = 0.0
) -> EdgeFactors:
    """Exact current over difference quotient for every face between the edges x and y.

    Parameters
    ----------
    x, y : cell edges in the edge's frame, 0 among them [any one unit of length].
    bend : 1 / radius of an edge on a ring, negative where x points inward [1 / that unit].
    half_wall : further path at the wall, conductivity * resistance [that unit].

    Returns
    -------
    EdgeFactors : 1 where the field says nothing (inside the insulator).
    """
    xc, yc = 0.5 * (x[1:] + x[:-1]), 0.5 * (y[1:] + y[:-1])
    kappa = np.where(yc > 0.0, field.up, field.down)[:, None]
    x_nodes, y_nodes = np.meshgrid(x, y)
    potential = _potential(field, *np.meshgrid(xc, yc), bend)
    turn = 1.0 + bend * x
    with np.errstate(divide="ignore", invalid="ignore"):
        path = np.diff(xc) if bend == 0.0 else np.diff(np.log1p(bend * xc)) / bend
        passed = _rightward(field, x_nodes, y_nodes, yc, bend) * turn
        plain = kappa * np.diff(y)[:, None] * np.diff(potential, axis=1) / path
        along = passed[:, 1:-1] / plain
        area = np.diff(x) + 0.5 * bend * np.diff(x**2)
        up = _upward(field, x_nodes, y_nodes, xc, bend)
        series = 0.5 * np.diff(y)[:, None] / kappa
        across = up[1:-1] / (area * np.diff(potential, axis=0) / (series[1:] + series[:-1]))
        row, column = int(np.searchsorted(y, 0.0)), int(np.searchsorted(x, 0.0))
        floor = up[row] / (area * potential[row] / (series[row] + half_wall / kappa[row]))
        near = xc[column - 1]
        reach = -near if bend == 0.0 else -np.log1p(bend * near) / bend
        side = -passed[:, column] / (kappa[:, 0] * np.diff(y) * potential[:, column - 1] / reach)
    return EdgeFactors(*(_sound(factor) for factor in (along, across, floor, side)))


def _sound(factor: Doubles) -> Doubles:
    return np.where(np.isfinite(factor) & (factor > 0.1) & (factor < 10.0), factor, 1.0)


def _potential(field: EdgeField, x: Doubles, y: Doubles, bend: float) -> Doubles:
    """u0 (1 - bend X / 2) + bend W."""
    value = field.field(x, y).real
    if bend == 0.0:
        return np.asarray(value)
    return np.asarray(value * (1.0 - 0.5 * bend * x) + bend * field.correction(x, y).real)


def _stream(field: EdgeField, x: Doubles, y: Doubles) -> tuple[Doubles, Doubles]:
    """Stream functions of F and W times conductivity: in Y = 0 the same from either side."""
    kappa = np.where(y >= 0.0, field.up, field.down)
    return kappa * field.field(x, y).imag, kappa * field.correction(x, y).imag


def _rightward(field: EdgeField, x: Doubles, y: Doubles, middle: Doubles, bend: float) -> Doubles:
    """Current towards +X through (rows, nodes), per unit of the ring's own 1 + bend X."""
    own = np.where(middle > 0.0, field.up, field.down)[:, None]
    flow, turned = _stream(field, x, y)
    if bend == 0.0:
        return np.asarray(np.diff(flow, axis=0))
    value = field.field(x, y).real
    inner = field.field(x[:-1], np.broadcast_to(middle[:, None], x[:-1].shape)).real
    lift = own * np.diff(y, axis=0) * (value[1:] + 4.0 * inner + value[:-1]) / 6.0
    bent = (1.0 - 0.5 * bend * x[:-1]) * np.diff(flow, axis=0)
    return np.asarray(bent - 0.5 * bend * lift + bend * np.diff(turned, axis=0))


def _upward(field: EdgeField, x: Doubles, y: Doubles, middle: Doubles, bend: float) -> Doubles:
    """Current towards +Y through (nodes, columns); by parts, the rest by Simpson's rule."""
    flow, turned = _stream(field, x, y)
    if bend == 0.0:
        return np.asarray(-np.diff(flow, axis=1))
    inner = _stream(field, np.broadcast_to(middle, y[:, :-1].shape), y[:, :-1])
    weight = (1.0 + bend * x) * (1.0 - 0.5 * bend * x)
    slope = 0.5 * bend - bend**2 * x, 0.5 * bend - bend**2 * middle
    width = np.diff(x, axis=1)
    first = slope[0] * flow
    rest = width * (first[:, 1:] + 4.0 * slope[1] * inner[0] + first[:, :-1]) / 6.0
    more = width * (turned[:, 1:] + 4.0 * inner[1] + turned[:, :-1]) / 6.0
    own = -np.diff(weight * flow, axis=1) + rest
    return np.asarray(own + bend * (bend * more - np.diff((1.0 + bend * x) * turned, axis=1)))


def fit_edges(
    network: Network,
    grid: Grid,
    conductivity: Doubles,
    label: NDArray[np.int8],
    laws: Sequence[Polarisation | None] | None = None,
    *,
    coverage: Doubles | None = None,
    levels: tuple[int, int] | None = None,
) -> Network:
    """The network with the conductances near straight edges fitted; those inside change in place.

    Parameters
    ----------
    conductivity, label : as given to `conductance.build_network`.
    laws : of the electrodes in their order, None = ideal; no list: lips alone are fitted.
    coverage : metal's share of each cell's face, None = 1; edges of partly covered cells are left.
    levels : only edges whose lower cells are in these layers, (first, last); None = all.

    Returns
    -------
    Network : faces at walls have areas times their factors, so that laws per area follow.
    """
    edges = find_edges(conductivity, label, coverage, levels)
    edges = edges if laws is not None else edges[edges[:, 7] == 1]
    if not len(edges):
        return network
    laws = laws or []
    kinetic = [bool(n >= 0 and isinstance(laws[n], Linear)) for n in edges[:, 8]]
    edges[~np.array(kinetic), 12] = 0
    groups, first, which = np.unique(
        _alike(edges, conductivity), axis=0, return_index=True, return_inverse=True
    )
    found = []
    for group, number in zip(groups, first, strict=True):
        edge = edges[number]
        field = _field_of(edge, group[-2:], laws)
        frame = _Frame(grid, edge)
        factors = None if field is None else frame.factors(field)
        found.append(None if factors is None else (frame, factors))
    faces = network.faces
    scale = np.ones(faces.cell.size)
    known = np.array([pair is not None for pair in found])
    table = np.where(known, np.cumsum(known) - 1, -1)[which.ravel()]
    if known.any():
        tables = _stack([pair for pair in found if pair is not None])
        out = network.tz, network.ty, network.tx
        kernels.apply_factors(
            edges, table, *tables, network.shape, network.rows, _face_keys(network), out, scale
        )
    fitted = replace(faces, conductance=faces.conductance * scale, area=faces.area * scale)
    return replace(network, faces=fitted)


def find_edges(
    conductivity: Doubles,
    label: NDArray[np.int8],
    coverage: Doubles | None = None,
    levels: tuple[int, int] | None = None,
) -> Integers:
    """Straight edges with room about them, (n, 13): columns as in `kernels.edges`."""
    whole = np.ones((1, 1, 1), np.uint8) if coverage is None else (coverage >= 1.0).astype(np.uint8)
    state = np.empty(label.size, np.uint8)
    kernels.mark_states(label, conductivity, state)
    fields = label, conductivity, state, whole, levels or (0, label.shape[0])
    edges = np.zeros((4096, kernels.COLUMNS), np.int64)
    count = kernels.find_edges(*fields, edges)
    if count > len(edges):
        edges = np.zeros((count, kernels.COLUMNS), np.int64)
        count = kernels.find_edges(*fields, edges)
    edges = edges[:count]
    return edges[edges[:, 9] > 0]


def _alike(edges: Integers, conductivity: Doubles) -> Doubles:
    """Rows that are equal where edges share place in their plane, frame and conductivities."""
    rows = np.arange(len(edges))
    plane = edges[rows, edges[:, 3]], edges[rows, edges[:, 5]]
    kappas = []
    for t, n in ((0, 0), (-1, -1)):
        cell = edges[:, :3].copy()
        cell[rows, edges[:, 3]] += np.where(edges[:, 4] > 0, 1 + t, -t)
        cell[rows, edges[:, 5]] += np.where(edges[:, 6] > 0, 1 + n, -n)
        kappa = conductivity[cell[:, 0], cell[:, 1], cell[:, 2]]
        used = (edges[:, 7] == 1) | (n == 0)
        kappas.append(np.where(used, [float(f"{value:.6g}") for value in kappa], 1.0))
    return np.column_stack([*plane, edges[:, 3:9], edges[:, 12], *kappas])


def _field_of(
    edge: Integers, kappas: Doubles, laws: Sequence[Polarisation | None]
) -> EdgeField | None:
    """The field of an edge, lengths in metres; None where none is known."""
    above, below = (float(kappa) for kappa in kappas)
    if edge[7] == 1:
        return Lip(below / above)
    law = laws[int(edge[8])]
    if edge[7] == 2:
        return MetalCorner() if law is None else None
    if law is None:
        return FlushEdge()
    if not isinstance(law, Linear) or law.limit is not None:
        return None
    length = above * (law.resistance + law.film_resistance)
    return KineticEdge(length) if length > 0.0 else FlushEdge()


class _Frame:
    """Cell edges about one edge in its frame, in units of the cell beside it."""

    def __init__(self, grid: Grid, edge: Integers) -> None:
        lines = (grid.z, grid.y, grid.x)
        self.tangent, self.normal = int(edge[3]), int(edge[5])
        self.sign_t, self.sign_n = int(edge[4]), int(edge[6])
        x, self.left = _about(lines[self.tangent], int(edge[self.tangent]) + 1, self.sign_t)
        y, self.down = _about(lines[self.normal], int(edge[self.normal]) + 1, self.sign_n)
        self.unit = float(x[self.left + 1])
        self.x, self.y = x / self.unit, y / self.unit
        radius = grid.x[int(edge[2]) + 1]
        on_ring = grid.kind == "axisymmetric" and self.tangent == 2 and radius > 0.0
        self.bend = self.sign_t * self.unit / radius if on_ring else 0.0
        if edge[7] == 0:
            self.y, self.down = self.y[self.down :], 0
        way = int(edge[self.tangent]) + 1 + np.array([-1, 1]) * int(edge[12])
        line = lines[self.tangent]
        ends = line[np.clip(way, 0, line.size - 1)] - line[int(edge[self.tangent]) + 1]
        self.clear = float(np.abs(ends).min()) / self.unit

    def factors(self, field: EdgeField) -> EdgeFactors | None:
        """Factors of the faces in the widest room that the box allows."""
        x, y = (tuple(np.round(edges, 9).tolist()) for edges in (self.x, self.y))
        bend = round(self.bend, 12)
        if not isinstance(field, KineticEdge):
            return _remembered(field, x, y, bend, 0.0)
        length = field.length / self.unit
        if length > LONGEST:
            return None
        factors = _remembered(KineticEdge(length), x, y, bend, length)
        if length <= self.clear:
            return factors
        near = _remembered(KineticEdge(self.clear), x, y, bend, self.clear)
        return replace(near, floor=factors.floor)


def _about(edges: Doubles, node: int, sign: int) -> tuple[Doubles, int]:
    """Edges up to eight cells either way of a node, counted from it along sign; place of 0."""
    low, high = max(0, node - ROOM), min(edges.size, node + ROOM + 1)
    part = (edges[low:high] - edges[node])[::sign] * sign
    return part, node - low if sign > 0 else high - 1 - node


@lru_cache(maxsize=512)
def _remembered(
    field: EdgeField, x: tuple[float, ...], y: tuple[float, ...], bend: float, half_wall: float
) -> EdgeFactors:
    return edge_factors(field, np.array(x), np.array(y), bend=bend, half_wall=half_wall)


def _stack(found: Sequence[tuple[_Frame, EdgeFactors]]) -> tuple[NDArray[np.generic], ...]:
    """Factors of several frames in arrays of one size; and the row and column of each edge."""
    rows, columns = (2 * ROOM, 2 * ROOM)
    along = np.ones((len(found), rows, columns), np.float32)
    across, floor, side = along.copy(), along[:, 0].astype(float), along[:, 0].astype(float)
    zero = np.empty((len(found), 2), np.int64)
    for n, (frame, factors) in enumerate(found):
        for array, part in ((along, factors.along), (across, factors.across)):
            array[n, : part.shape[0], : part.shape[1]] = part
        floor[n, : factors.floor.size] = factors.floor
        side[n, : factors.side.size] = factors.side
        zero[n] = frame.down, frame.left
    return along, across, floor, side, zero


def _face_keys(network: Network) -> Integers:
    """What the kernel finds faces by, rising, for `conductance` lists faces in that order."""
    _, ny, nx = network.shape
    k, j, i, axis, side = network.faces.where.astype(np.int64).T
    return np.asarray(((k * ny + j) * nx + i) * 6 + 2 * axis + (side > 0))
