"""Slow twins of the compiled loops, in plain numpy and Python, written from the docstrings.

Arrays are natural, (nz, ny, nx); a matrix counts cells in that order. Nothing here is fast, and
nothing is shared with the package but the grid's own numbers.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import product

import numpy as np
from numpy.typing import NDArray

import simulate as sf
from simulate.field.coarsening import Merge

Doubles = NDArray[np.float64]
Mask = NDArray[np.bool_]
Shape = tuple[int, int, int]
Faces = tuple[Doubles, Doubles, Doubles]


def neighbours(shape: Shape, cell: tuple[int, int, int]):
    """Axis, side and place of each neighbour of a cell within the box."""
    for axis, side in product(range(3), (-1, 1)):
        other = list(cell)
        other[axis] += side
        if 0 <= other[axis] < shape[axis]:
            yield axis, side, tuple(other)


def face_area(grid: sf.Grid, cell: tuple[int, int, int], axis: int, side: int) -> float:
    """Area of a face of a cell [m2]; axis 0 z, 1 y, 2 x."""
    k, j, i = cell
    dx, dy, dz = np.diff(grid.x)[i], np.diff(grid.y)[j], np.diff(grid.z)[k]
    if grid.kind != "axisymmetric":
        return (dx * dy, dx * dz, dy * dz)[axis]
    if axis == 2:
        return 2 * np.pi * grid.x[i + (side > 0)] * dz
    return np.pi * (grid.x[i + 1] ** 2 - grid.x[i] ** 2)


def half_resistance(
    grid: sf.Grid, kappa: Doubles, cell: tuple[int, int, int], axis: int, side: int
) -> float:
    """Resistance from a cell's centre to its face [ohm]: integral of ds / (kappa A)."""
    k, j, i = cell
    if grid.kind == "axisymmetric" and axis == 2:
        inner, outer = grid.x[i], grid.x[i + 1]
        centre = 0.5 * (inner + outer)
        logarithm = np.log(outer / centre) if side > 0 else np.log(centre / inner)
        return logarithm / (2 * np.pi * np.diff(grid.z)[k] * kappa[cell])
    size = (np.diff(grid.z)[k], np.diff(grid.y)[j], np.diff(grid.x)[i])[axis]
    return 0.5 * size / (kappa[cell] * face_area(grid, cell, axis, side))


def conductances(grid: sf.Grid, kappa: Doubles, label: NDArray[np.int8]) -> Faces:
    """Conductance of the face on the upper side of each cell, along z, y, x [S]."""
    shape = grid.shape
    faces = tuple(np.zeros(shape) for _ in range(3))
    for cell in np.ndindex(*shape):
        for axis, side, other in neighbours(shape, cell):
            wet = min(kappa[cell], kappa[other]) > 0 and label[cell] == label[other] == 0
            if side > 0 and wet:
                faces[axis][cell] = 1.0 / (
                    half_resistance(grid, kappa, cell, axis, 1)
                    + half_resistance(grid, kappa, other, axis, -1)
                )
    return faces


def electrode_faces(grid: sf.Grid, kappa: Doubles, label: NDArray[np.int8]) -> list[dict]:
    """Faces between electrolyte and electrode, in the order of cells, axes and sides."""
    found = []
    for cell in np.ndindex(*grid.shape):
        if label[cell] or kappa[cell] <= 0:
            continue
        for axis, side, other in neighbours(grid.shape, cell):
            if label[other]:
                found.append(
                    {
                        "cell": cell,
                        "metal": other,
                        "axis": axis,
                        "side": side,
                        "electrode": label[other] - 1,
                        "area": face_area(grid, cell, axis, side),
                        "conductance": 1.0 / half_resistance(grid, kappa, cell, axis, side),
                    }
                )
    return found


def matrix(faces: Faces, extra: Doubles | None = None) -> Doubles:
    """Dense matrix of the resistor network: sum over faces T (p_c - p_n) + extra p_c."""
    shape = faces[0].shape
    number = np.arange(np.prod(shape)).reshape(shape)
    out = np.zeros((number.size, number.size))
    for cell in np.ndindex(*shape):
        for axis, side, other in neighbours(shape, cell):
            if side < 0:
                continue
            t, a, b = faces[axis][cell], number[cell], number[other]
            out[a, a] += t
            out[b, b] += t
            out[a, b] -= t
            out[b, a] -= t
    if extra is not None:
        out[np.diag_indices(number.size)] += extra.ravel()
    return out


def coarse_shape(shape: Shape, merge: Merge) -> Shape:
    return shape[0], merge.widths[0].size, merge.widths[1].size


def parent_of(merge: Merge, cell: tuple[int, int, int]) -> tuple[int, int, int]:
    k, j, i = cell
    return k, int(merge.parents[0][j]), int(merge.parents[1][i])


def coarsen(faces: Faces, extra: Doubles, merge: Merge) -> tuple[Faces, Doubles]:
    """Conductances of the coarser level, and the sums of ``extra``.

    A face between two coarse cells, in series with half of what it reaches into on either side but
    with no more than half its own resistance: T / (1 + min(1, T/T_left)/2 + min(1, T/T_right)/2).
    """
    shape = faces[0].shape
    out = tuple(np.zeros(coarse_shape(shape, merge)) for _ in range(3))
    gathered = np.zeros(coarse_shape(shape, merge))
    for cell in np.ndindex(*shape):
        home = parent_of(merge, cell)
        gathered[home] += extra[cell]
        for axis, side, other in neighbours(shape, cell):
            t = faces[axis][cell]
            if side < 0 or t == 0 or parent_of(merge, other) == home:
                continue
            stretch = 1.0
            for start, way in ((cell, -1), (other, 1)):
                along = list(start)
                along[axis] += way
                inside = 0 <= along[axis] < shape[axis]
                if inside and parent_of(merge, tuple(along)) == parent_of(merge, start):
                    inner = faces[axis][tuple(along) if way < 0 else start]
                    stretch += 0.5 * min(1.0, t / inner) if inner > 0 else 0.0
            out[axis][home] += t / stretch
    return out, gathered


def restrict(fine: Doubles, merge: Merge) -> Doubles:
    """Sum of the children of each coarse cell."""
    out = np.zeros(coarse_shape(fine.shape, merge))
    for cell in np.ndindex(*fine.shape):
        out[parent_of(merge, cell)] += fine[cell]
    return out


def prolong(coarse: Doubles, shape: Shape, merge: Merge) -> Doubles:
    """Each cell takes the value of the coarse cell it lies in."""
    out = np.zeros(shape)
    for cell in np.ndindex(*shape):
        out[cell] = coarse[parent_of(merge, cell)]
    return out


def colour_of(shape: Shape) -> NDArray[np.int64]:
    """Colour of each cell's vertical line in the chequered plan: 0 red, 1 black."""
    _, j, i = np.indices(shape)
    return (i + j) % 2


def solve_colour(system: Doubles, active: Mask, colour: int, b: Doubles, x: Doubles) -> None:
    """Solve all lines of one colour exactly with the other colour held, in place."""
    own = ((colour_of(active.shape) == colour) & active).ravel()
    right = b.ravel()[own] - system[np.ix_(own, ~own)] @ x.ravel()[~own]
    x.ravel()[own] = np.linalg.solve(system[np.ix_(own, own)], right)


def cycle(
    faces: Faces, extra: Doubles, merges: Sequence[Merge | None], b: Doubles
) -> tuple[Doubles, list[Doubles]]:
    """One cycle from x = 0 on a dense matrix; the answer, and the right-hand sides of all levels.

    Red, black; sum the residual; correct; black, red. The last level, one line, is solved.
    """
    system = matrix(faces, extra)
    active = np.diag(system).reshape(b.shape) > 0
    x = np.zeros(b.shape)
    for colour in (0, 1):
        solve_colour(system, active, colour, b, x)
    if merges[0] is None:
        return x, [b]
    residual = np.where(active, b - (system @ x.ravel()).reshape(b.shape), 0.0)
    small, gathered = coarsen(faces, extra, merges[0])
    low, rights = cycle(small, gathered, merges[1:], restrict(residual, merges[0]))
    x += np.where(active, prolong(low, b.shape, merges[0]), 0.0)
    for colour in (1, 0):
        solve_colour(system, active, colour, b, x)
    return x, [b, *rights]
