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
closer than two cells to each other. Curved flush edges: `dilated_coverage`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from simulate.conductance import Network, split_index
from simulate.edge_fields import EdgeField, FlushEdge, KineticEdge, Lip, MetalCorner
from simulate.grid import Grid
from simulate.kernels import edges as kernels
from simulate.polarisation import Linear, Polarisation
from simulate.stencil import area_fractions

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

Doubles = NDArray[np.float64]
Integers = NDArray[np.int64]

DILATION = 0.207
"""Cells by which a curved flush edge is moved outward; see `dilated_coverage`."""

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
    laws: Sequence[Polarisation | None],
    *,
    coverage: Doubles | None = None,
) -> Network:
    """The network with the conductances near straight edges fitted; those inside change in place.

    Parameters
    ----------
    conductivity, label : as given to `conductance.build_network`.
    laws : of the electrodes in their order, None = ideal.
    coverage : metal's share of each cell's face, None = 1; edges of partly covered cells are left.

    Returns
    -------
    Network : faces at walls have areas times their factors, so that laws per area follow.
    """
    edges = find_edges(conductivity, label, coverage)
    faces = network.faces
    scale = np.ones(faces.cell.size)
    if not len(edges):
        return network
    kinetic = [bool(isinstance(laws[n], Linear) and n >= 0) for n in edges[:, 8]]
    edges[~np.array(kinetic), 12] = 0
    groups, which = np.unique(_alike(edges, conductivity), axis=0, return_inverse=True)
    for number, group in enumerate(groups):
        own = edges[which.ravel() == number]
        frame = _Frame(grid, own[0])
        field = _field_of(own[0], group[-2:], laws)
        if field is not None:
            _apply(network, frame, own, frame.factors(field), scale)
    fitted = replace(faces, conductance=faces.conductance * scale, area=faces.area * scale)
    return replace(network, faces=fitted)


def find_edges(
    conductivity: Doubles, label: NDArray[np.int8], coverage: Doubles | None = None
) -> Integers:
    """Straight edges with room about them, (n, 13): columns as in `kernels.edges`."""
    whole = np.ones((1, 1, 1), np.uint8) if coverage is None else (coverage >= 1.0).astype(np.uint8)
    state = np.empty(label.size, np.uint8)
    kernels.mark_states(label, conductivity, state)
    fields = label, conductivity, state, whole
    count = kernels.find_edges(*fields, np.empty((0, kernels.COLUMNS), np.int64))
    edges = np.zeros((count, kernels.COLUMNS), np.int64)
    kernels.find_edges(*fields, edges)
    return edges[edges[:, 9] > 0]


def _alike(edges: Integers, conductivity: Doubles) -> Doubles:
    """Rows that are equal where edges share place in their plane, frame, room, conductivities."""
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
    return np.column_stack([*plane, edges[:, 3:], *kappas])


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


def _apply(
    network: Network, frame: _Frame, edges: Integers, factors: EdgeFactors | None, scale: Doubles
) -> None:
    """Multiply the faces in the room of edges that share frame and room."""
    if factors is None:
        return
    side, up, down = (int(n) for n in edges[0, 9:12])
    t = np.arange(-side, side)
    n = np.arange(-down, up)
    columns, rows = frame.left + t, frame.down + n
    conductances = (network.tz, network.ty, network.tx)
    base = edges[:, :3]
    along = factors.along[np.ix_(rows, columns[:-1])]
    places = _places(base, frame, t[:-1], n, (1, 0))
    _multiply(network, conductances[frame.tangent], places, along)
    across = factors.across[np.ix_(rows[:-1], columns)]
    places = _places(base, frame, t, n[:-1], (0, 1))
    _multiply(network, conductances[frame.normal], places, across)
    walls = []
    if edges[0, 7] != 1:
        walls.append((t[:side] if edges[0, 7] == 0 else t[side:], n[n == 0], "floor"))
    if edges[0, 7] == 2:
        walls.append((t[t == -1], n[n < 0], "side"))
    for columns, rows, name in walls:
        cells = _places(base, frame, columns, rows, (0, 0)).reshape(-1, 3)
        if name == "floor":
            found = _find_faces(network, cells, frame.normal, -frame.sign_n)
            factor = factors.floor[frame.left + columns]
        else:
            found = _find_faces(network, cells, frame.tangent, frame.sign_t)
            factor = factors.side[frame.down + rows]
        np.multiply.at(scale, found, np.tile(factor, len(edges)))


def _places(
    base: Integers, frame: _Frame, t: Integers, n: Integers, step: tuple[int, int]
) -> Integers:
    """Cells (edges, rows, columns, 3) that own the face from (t, n) to (t, n) + step."""
    offset = np.zeros((n.size, t.size, 3), np.int64)
    along = 1 + t if frame.sign_t > 0 else -t - step[0]
    across = 1 + n if frame.sign_n > 0 else -n - step[1]
    offset[..., frame.tangent] += along[None, :]
    offset[..., frame.normal] += across[:, None]
    return np.asarray(base[:, None, None, :] + offset)


def _multiply(
    network: Network, conductance: NDArray[np.float32], places: Integers, factors: Doubles
) -> None:
    index = split_index(network.shape, places.reshape(-1, 3))
    every = np.broadcast_to(factors, places.shape[:3]).ravel().astype(np.float32)
    np.multiply.at(conductance, index, every)


def _find_faces(network: Network, cells: Integers, axis: int, side: int) -> Integers:
    """Numbers of the faces of given cells, axis and side; `conductance` lists them in order."""
    _, ny, nx = network.shape

    def key(k: Integers, j: Integers, i: Integers) -> Integers:
        return ((k * ny + j) * nx + i) * 6

    where = network.faces.where.astype(np.int64)
    known = key(*where[:, :3].T) + 2 * where[:, 3] + (where[:, 4] > 0)
    return np.searchsorted(known, key(*cells.T) + 2 * axis + (side > 0))


def dilated_coverage(geometry: BaseGeometry, x: Doubles, y: Doubles) -> Doubles:
    """Metal's share of plan cells for a flush electrode of any outline on a plane, (ny, nx).

    The outline is moved outward by 0.207 cells, which makes up for the width that a plain scheme
    loses at a flush edge. The number was found on a disc; for square cells as high as wide, ideal
    metal and outlines whose radius is many cells. Measured in ``published/test_fitted_edges.py``:
    a disc's current within 1e-3 at a/8, 1e-4 at a/16 and 5e-5 at a/32; an ellipse of half the
    width within 1e-3 at a/16. Edges along an axis lose 0.35 cells instead: leave those to
    `fit_edges`.

    Parameters
    ----------
    geometry : outline in plan [m], a shapely geometry. x, y : cell edges [m], equally spaced.
    """
    cell = 0.5 * (float(np.diff(x).mean()) + float(np.diff(y).mean()))
    return area_fractions(geometry.buffer(DILATION * cell, quad_segs=64), x, y)
