"""Cartesian cells cut by a wall: the resistor network of what the wall encloses.

Nodes are cell centres. Between two nodes in the electrolyte stands the usual conductance; a link
that the wall crosses is cut there, at a share theta of its length (Gibou, Fedkiw, Cheng & Kang,
J. Comput. Phys. 176 (2002) 205; from memory). What it carries along an axis is the wall's normal
density times the normal's component along that axis, so that it stands for |n| times its
cross-section of wall; the two kinds of links together stand for (nx**2 + nz**2) ds = ds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulate.section.wall_curve import Wall

Doubles = NDArray[np.float64]
Integers = NDArray[np.int64]
Flags = NDArray[np.bool_]

LEAST_SHARE = 1e-4
"""Least part of a link that is kept where the wall cuts it [-]: nearer, it lies in the node."""

WEST, EAST, DOWN, UP = 0, 1, 2, 3


@dataclass(frozen=True, eq=False)
class Ground:
    """The cells that a wall may run through, and the row of open cells above them.

    Parameters
    ----------
    x : cell edges along the line, or radii (nx + 1,) [m].
    z : cell edges in height (nz + 1,) [m]; the last row is the lowest of what stands fixed above.
    kappa : conductivity of the electrolyte in the cavity [S/m].
    above : conductivity of the fixed row (nx,) [S/m], 0 where it is closed; None: no such row.
    round : whether x is a radius.
    barred : columns where nothing is dug (nx,); None: there are none.
    """

    x: Doubles
    z: Doubles
    kappa: float
    above: Doubles | None = None
    round: bool = False
    barred: Flags | None = None

    @property
    def rows(self) -> int:
        """Rows of cells that may be dug."""
        return self.z.size - 1 - (self.above is not None)

    @property
    def centres(self) -> tuple[Doubles, Doubles]:
        """Of columns, and of all rows [m]."""
        return 0.5 * (self.x[1:] + self.x[:-1]), 0.5 * (self.z[1:] + self.z[:-1])

    @property
    def plan(self) -> Doubles:
        """Areas of level faces (nx,): widths [m], or of rings [m2]."""
        return np.asarray(np.pi * np.diff(self.x**2) if self.round else np.diff(self.x))

    def upright(self, radius: Doubles) -> Doubles:
        """Areas of upright faces per height: 1, or the circumference [m]."""
        return 2.0 * np.pi * radius if self.round else np.ones_like(radius)

    def along(self, a: Doubles, b: Doubles, at: Doubles) -> Doubles:
        """Distance from a to b along x as it counts at ``at`` [m]: at * ln(b / a) in rings."""
        return np.asarray(at * np.abs(np.log(b / a)) if self.round else np.abs(b - a))

    def size(self, places: Doubles) -> Doubles:
        """The longer side of the cell at each place (m, 2) [m]."""
        i = np.clip(np.searchsorted(self.x, places[:, 0]) - 1, 0, self.x.size - 2)
        k = np.clip(np.searchsorted(self.z, places[:, 1]) - 1, 0, self.rows - 1)
        return np.maximum(np.diff(self.x)[i], np.diff(self.z)[k])


@dataclass(frozen=True, eq=False)
class CutLinks:
    """Links between a node and an electrode, one entry each (n,).

    node : index. behind : index of the node on the other side of it, the node itself where a
    mirror stands between, -1 where there is none. area : cross-section at the electrode [m], [m2].
    share : component of the electrode's normal along the link [-]. near, far : resistance for an
    area from the electrode to the node, and from there to the one behind [ohm m2]. stretch : full
    over remaining width of the node's cell along the link [-]. electrode : index. wall : number of
    the curve, -1 for a fixed face. u : the curve's parameter. slant : component of the curve's
    direction along the link [-]. level : whether the link runs along x.
    """

    node: Integers
    behind: Integers
    area: Doubles
    share: Doubles
    near: Doubles
    far: Doubles
    stretch: Doubles
    electrode: Integers
    wall: Integers
    u: Doubles
    slant: Doubles
    level: Flags

    def __len__(self) -> int:
        return self.node.size


@dataclass(frozen=True, eq=False)
class CutNetwork:
    """What the walls enclose: numbered nodes, links between them, links to the walls.

    number : node of each cell (rows, nx), -1 for none; nodes of the fixed row come last, in order
    of x. one, other, conductance : links between nodes [S/m], [S]. level : whether each runs along
    x. links : to the walls.
    """

    number: Integers
    nodes: int
    fixed: int
    one: Integers
    other: Integers
    conductance: Doubles
    level: Flags
    links: CutLinks


@dataclass(frozen=True, eq=False)
class _Crossings:
    """Where walls cross the lines through nodes of one axis, sorted by line, then by place."""

    line: Integers
    place: Doubles
    wall: Integers
    u: Doubles


def cut(ground: Ground, walls: Sequence[Wall], electrodes: Sequence[int]) -> CutNetwork:
    """Cut the cells of a ground by walls; cells below all of them are metal.

    Parameters
    ----------
    electrodes : index of the electrode whose surface each wall is.
    """
    x, z = ground.centres
    across = _crossings(walls, 1, z[: ground.rows])  # of rows, by place in x
    upright = _crossings(walls, 0, x)  # of columns, by place in z
    inside = np.zeros((z.size, x.size), bool)
    inside[: ground.rows] = _enclosed(upright, z[: ground.rows], x.size)
    if ground.above is not None:
        inside[-1] = ground.above > 0.0
    number = np.full(inside.shape, -1)
    number[inside] = np.arange(int(inside.sum()))
    one, other, conductance, level = _whole_links(ground, inside, number)
    links = _cut_links(ground, walls, electrodes, inside, number, (across, upright))
    fixed = 0 if ground.above is None else int(inside[-1].sum())
    return CutNetwork(number, int(inside.sum()), fixed, one, other, conductance, level, links)


def _crossings(walls: Sequence[Wall], axis: int, lines: Doubles) -> _Crossings:
    """Crossings with lines of constant x (axis 0) or z (axis 1)."""
    found = [_crossings_of(wall, axis, lines) for wall in walls]
    number = np.concatenate([np.full(len(f[0]), n) for n, f in enumerate(found)])
    line, place, u = (np.concatenate([f[part] for f in found]) for part in range(3))
    order = np.lexsort((place, line))
    return _Crossings(line[order], place[order], number[order], u[order])


def _crossings_of(wall: Wall, axis: int, lines: Doubles) -> tuple[Integers, Doubles, Doubles]:
    """Lines crossed, places along them and parameters, by the chain of `Wall.samples`."""
    u = wall.samples
    value = wall.at(u)[:, axis]
    passed = np.searchsorted(lines, value)
    count = np.abs(np.diff(passed))
    piece = np.repeat(np.arange(count.size), count)
    first = np.minimum(passed[1:], passed[:-1])[piece]
    line = first + np.arange(piece.size) - np.repeat(np.cumsum(count) - count, count)
    low, high = u[piece], u[piece + 1]
    at_low, at_high = value[piece] - lines[line], value[piece + 1] - lines[line]
    middle = low - at_low * (high - low) / np.where(at_high == at_low, 1.0, at_high - at_low)
    for _ in range(8):  # Newton's method, kept within the chord
        fault = wall.at(middle)[:, axis] - lines[line]
        slope = wall.at(middle, 1)[:, axis]
        step = fault / np.where(slope == 0.0, np.inf, slope)
        middle = np.clip(middle - step, low, high)
    return line, wall.at(middle)[:, 1 - axis], middle


def _enclosed(upright: _Crossings, z: Doubles, columns: int) -> Flags:
    """Nodes with an odd number of crossings below them."""
    changes = np.zeros((z.size + 1, columns), np.int64)
    np.add.at(changes, (np.searchsorted(z, upright.place), upright.line), 1)
    return np.asarray(np.cumsum(changes[:-1], axis=0) % 2 == 1)


def _whole_links(
    ground: Ground, inside: Flags, number: Integers
) -> tuple[Integers, Integers, Doubles, Flags]:
    """Links between enclosed nodes; those within the fixed row are not among them."""
    x, _ = ground.centres
    dz = np.diff(ground.z)
    middle = 0.5 * (x[1:] + x[:-1])
    reach = ground.along(x[:-1], x[1:], middle)
    along = ground.kappa * np.outer(dz[: ground.rows], ground.upright(middle) / reach)
    both = inside[: ground.rows, 1:] & inside[: ground.rows, :-1]
    rows = number[: ground.rows]
    kappa = np.full(inside.shape, ground.kappa)
    if ground.above is not None:
        kappa[-1] = np.where(ground.above > 0.0, ground.above, 1.0)
    half = 0.5 * dz[:, None] / kappa
    over = ground.plan / (half[1:] + half[:-1])
    stacked = inside[1:] & inside[:-1]
    one = np.concatenate([rows[:, :-1][both], number[:-1][stacked]])
    other = np.concatenate([rows[:, 1:][both], number[1:][stacked]])
    level = np.arange(one.size) < int(both.sum())
    return one, other, np.concatenate([along[both], over[stacked]]), level


def _cut_links(
    ground: Ground,
    walls: Sequence[Wall],
    electrodes: Sequence[int],
    inside: Flags,
    number: Integers,
    crossings: tuple[_Crossings, _Crossings],
) -> CutLinks:
    x, z = ground.centres
    parts = []
    for side in (WEST, EAST, DOWN, UP):
        step = (0, -1 if side == WEST else 1) if side < DOWN else (-1 if side == DOWN else 1, 0)
        k, i = np.nonzero(_next_to_metal(ground, inside, step))
        if k.size == 0:
            continue
        line, nodes, at = (k, x, i) if side < DOWN else (i, z, k)
        found = _first_crossing(crossings[side >= DOWN], line, nodes[at], nodes[at + sum(step)])
        parts.append(_links_of_side(ground, walls, number, (k, i, side), found))
    joined = [np.concatenate([part[n] for part in parts]) for n in range(11)]
    wall = joined[8]
    return CutLinks(
        node=joined[0],
        behind=joined[1],
        area=joined[2],
        share=joined[3],
        near=joined[4],
        far=joined[5],
        stretch=joined[6],
        electrode=np.asarray(electrodes, np.int64)[wall],
        wall=wall,
        u=joined[9],
        slant=joined[7],
        level=joined[10],
    )


def _next_to_metal(ground: Ground, inside: Flags, step: tuple[int, int]) -> Flags:
    """Nodes whose neighbour in a direction may be dug and is not enclosed."""
    found = np.zeros_like(inside)
    own = tuple(slice(max(-s, 0), inside.shape[n] - max(s, 0)) for n, s in enumerate(step))
    to = tuple(slice(max(s, 0), inside.shape[n] + min(s, 0)) for n, s in enumerate(step))
    diggable = np.zeros_like(inside)
    diggable[: ground.rows] = True if ground.barred is None else ~ground.barred
    found[own] = inside[own] & ~inside[to] & diggable[to]
    if step[0] == 0:
        found[ground.rows :] = False
    return found


def _first_crossing(
    crossings: _Crossings, line: Integers, start: Doubles, stop: Doubles
) -> tuple[Doubles, Integers, Doubles]:
    """Place, wall and parameter of the first crossing from a node towards its neighbour.

    Where rounding hides it, the crossing nearest to the node counts, moved between the two.
    """
    low = min(float(start.min()), float(stop.min()), float(crossings.place.min()))
    high = max(float(start.max()), float(stop.max()), float(crossings.place.max()))
    scale = 0.5 / (high - low)
    key = crossings.line + (crossings.place - low) * scale
    wanted = line + (start - low) * scale
    ahead = np.where(stop > start, np.searchsorted(key, wanted), np.searchsorted(key, wanted) - 1)
    ahead = np.clip(ahead, 0, key.size - 1)
    behind = np.clip(np.where(stop > start, ahead - 1, ahead + 1), 0, key.size - 1)
    end = line + (stop - low) * scale

    def beyond(candidate: Integers) -> Doubles:
        """How far a crossing lies outside the link."""
        nearest = np.clip(key[candidate], np.minimum(wanted, end), np.maximum(wanted, end))
        return np.asarray(np.abs(key[candidate] - nearest))

    chosen = np.where(beyond(ahead) <= beyond(behind), ahead, behind)
    place = np.clip(crossings.place[chosen], np.minimum(start, stop), np.maximum(start, stop))
    return place, crossings.wall[chosen], crossings.u[chosen]


def _links_of_side(
    ground: Ground,
    walls: Sequence[Wall],
    number: Integers,
    where: tuple[Integers, Integers, int],
    found: tuple[Doubles, Integers, Doubles],
) -> tuple[NDArray[np.generic], ...]:
    """Columns of `CutLinks` for the links of one side."""
    k, i, side = where
    place, wall, u = found
    x, z = ground.centres
    level = side < DOWN
    nodes, at = (x, i) if level else (z, k)
    ahead = 1 if side in (EAST, UP) else -1
    node = nodes[at]
    least = LEAST_SHARE * np.abs(nodes[at + ahead] - node)
    place = node + ahead * np.maximum(np.abs(place - node), least)
    back_k, back_i = (k, i - ahead) if level else (k - ahead, i)
    lies = (back_k >= 0) & (back_k < z.size) & (back_i >= 0) & (back_i < x.size)
    behind = np.where(lies, number[np.where(lies, back_k, 0), np.where(lies, back_i, 0)], -1)
    edges = ground.x if level else ground.z
    back_edge = edges[at + (0 if ahead > 0 else 1)]
    mirrored = _mirrored(ground, where, lies, behind)
    back = np.where(mirrored, 2.0 * back_edge - node, nodes[np.clip(at - ahead, 0, nodes.size - 1)])
    behind = np.where(mirrored, number[k, i], behind)
    near_end = 0.5 * (node + place)
    if level:
        area = np.diff(ground.z)[k] * ground.upright(place)
        near = ground.along(node, place, place)
        far = ground.along(np.where(behind >= 0, back, node), node, place)
        full = ground.plan[i]
        left = np.abs(near_end**2 - back_edge**2) * np.pi if ground.round else None
        left = np.abs(near_end - back_edge) if left is None else left
    else:
        area = ground.plan[i]
        near, far = np.abs(place - node), np.abs(node - back)
        full, left = np.diff(ground.z)[k], np.abs(near_end - back_edge)
    kappa = np.full(k.size, ground.kappa)
    if ground.above is not None:
        kappa = np.where(k == ground.rows, ground.above[i], kappa)
    normal, slant = _normals(walls, wall, u, 0 if level else 1)
    share = np.abs(normal)
    return (
        number[k, i], behind, area, share, near / kappa, far / kappa, full / left, slant * ahead,
        wall, u, np.full(k.size, level),
    )  # fmt: skip


def _mirrored(
    ground: Ground, where: tuple[Integers, Integers, int], lies: Flags, behind: Integers
) -> Flags:
    """Where an insulating line stands behind the node: the mask, or a side of the ground."""
    k, _, side = where
    if side >= DOWN:
        under_mask = (k == ground.rows - 1) & (behind < 0) & (side == DOWN)
        return np.asarray(under_mask & (k < ground.rows))
    return np.asarray(~lies & (not ground.round))


def _normals(
    walls: Sequence[Wall], wall: Integers, u: Doubles, axis: int
) -> tuple[Doubles, Doubles]:
    """Components along an axis of the walls' normals and directions at parameters."""
    normal, along = np.zeros(u.size), np.zeros(u.size)
    for n, curve in enumerate(walls):
        own = wall == n
        if own.any():
            vectors = curve.normals(u[own])
            normal[own] = vectors[:, axis]
            along[own] = -vectors[:, 1] if axis == 0 else vectors[:, 0]
    return normal, along
