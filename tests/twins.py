"""Slow twins of the compiled loops, in plain numpy and Python, written from the docstrings.

Arrays are natural, (nz, ny, nx); a matrix counts cells in that order. Nothing here is fast, and
nothing is shared with the package but the grid's own numbers.
"""

from __future__ import annotations

from itertools import product

import numpy as np
from numpy.typing import NDArray

import simulate as sf

Doubles = NDArray[np.float64]
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


def coarse_shape(shape: Shape, factors: tuple[int, int]) -> Shape:
    return shape[0], -(-shape[1] // factors[0]), -(-shape[2] // factors[1])


def coarsen(faces: Faces, extra: Doubles, factors: tuple[int, int]) -> tuple[Faces, Doubles]:
    """Conductances of the coarser level, and the sums of ``extra``."""
    shape = faces[0].shape
    small = coarse_shape(shape, factors)
    out = tuple(np.zeros(small) for _ in range(3))
    gathered = np.zeros(small)
    step = {0: 1, 1: factors[0], 2: factors[1]}
    for k, j, i in np.ndindex(*shape):
        fine = (k, j, i)
        home = (k, j // factors[0], i // factors[1])
        gathered[home] += extra[fine]
        for axis in range(3):
            if (fine[axis] + 1) % step[axis]:
                continue  # inside a coarse cell
            t = faces[axis][fine]
            stretch = 1.0
            if step[axis] == 2 and t > 0:
                for shift in (-1, 1):
                    along = list(fine)
                    along[axis] += shift
                    if 0 <= along[axis] < shape[axis]:
                        inner = faces[axis][tuple(along)]
                        stretch += 0.5 * min(1.0, t / inner) if inner > 0 else 0.0
            out[axis][home] += t / stretch
    return out, gathered


def colour_of(shape: Shape) -> NDArray[np.int64]:
    """Colour of each cell's vertical line in the chequered plan: 0 red, 1 black."""
    _, j, i = np.indices(shape)
    return (i + j) % 2


def solve_colour(
    system: Doubles, active: NDArray[np.bool_], colour: int, b: Doubles, x: Doubles
) -> None:
    """Solve all lines of one colour exactly with the other colour held, in place."""
    shape = active.shape
    own = ((colour_of(shape) == colour) & active).ravel()
    rest = ~own
    right = b.ravel()[own] - system[np.ix_(own, rest)] @ x.ravel()[rest]
    x.ravel()[own] = np.linalg.solve(system[np.ix_(own, own)], right)


def restrict(fine: Doubles, factors: tuple[int, int]) -> Doubles:
    """Sum of the children of each coarse cell."""
    out = np.zeros(coarse_shape(fine.shape, factors))
    for k, j, i in np.ndindex(*fine.shape):
        out[k, j // factors[0], i // factors[1]] += fine[k, j, i]
    return out


def prolong(
    coarse: Doubles, active: NDArray[np.bool_], shape: Shape, factors: tuple[int, int]
) -> Doubles:
    """Bilinear in the plan with weights 3/4 and 1/4, over active coarse cells only."""
    out = np.zeros(shape)
    for k, j, i in np.ndindex(*shape):
        choices = []
        for place, factor in ((j, factors[0]), (i, factors[1])):
            near = place // factor
            far = near + (1 if place % 2 else -1)
            choices.append([(near, 0.75), (far, 0.25)] if factor == 2 else [(near, 1.0)])
        total, weight = 0.0, 0.0
        for (jc, wj), (ic, wi) in product(*choices):
            inside = 0 <= jc < coarse.shape[1] and 0 <= ic < coarse.shape[2]
            if inside and active[k, jc, ic]:
                total += wj * wi * coarse[k, jc, ic]
                weight += wj * wi
        out[k, j, i] = total / weight if weight else 0.0
    return out
