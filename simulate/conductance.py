"""Face conductances: the resistor network that stands for the electrolyte.

div(kappa grad phi) = 0 over cells becomes Kirchhoff's law at every cell: the two half cells on
either side of a face stand in series (the harmonic mean of kappa), faces to insulators carry
nothing, faces to electrodes carry what `potential` computes (Patankar, Numerical Heat Transfer
and Fluid Flow, 1980, sec. 4.2-3; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulate.errors import CapacityError
from simulate.grid import Grid

Doubles = NDArray[np.float64]
Floats = NDArray[np.float32]
Integers = NDArray[np.int64]

BYTES_PER_CELL = 82
"""Memory of `solve_potential` per cell of the box, ghosts counted as cells [B]; a test holds it."""

BYTES_PER_CELL_OF_A_ROW = 102
"""The same where the plan is one row of cells, whose levels halve and do not quarter."""


@dataclass(frozen=True, eq=False)
class Faces:
    """Faces between electrolyte and electrodes, one entry each, (n,).

    cell : place of the electrolyte cell in the split layout. conductance : of its half cell [S].
    area [m2]. electrode : index. offset : potential of the metal there minus the law's
    equilibrium [V]. film : further series resistance [ohm m2]. law : row of the laws of
    polarisation, the electrode's index unless a caller says otherwise. where : (n, 5) k, j, i,
    axis, side.
    """

    cell: Integers
    conductance: Doubles
    area: Doubles
    electrode: Integers
    offset: Doubles
    film: Doubles
    law: Integers
    where: NDArray[np.int32]


@dataclass(frozen=True, eq=False)
class Network:
    """Conductances of a box in the split layout, and the faces to its electrodes."""

    shape: tuple[int, int, int]
    tx: Floats
    ty: Floats
    tz: Floats
    lo: NDArray[np.int32]
    hi: NDArray[np.int32]
    faces: Faces
    unknowns: int


def split_size(shape: tuple[int, int, int]) -> int:
    """Entries of an array in the split layout for ``shape = (nz, ny, nx)``."""
    nz, ny, nx = shape
    return (nz + 2) * (ny + 2) * 2 * ((nx + 15) // 16 * 8 + 2)


def split_index(shape: tuple[int, int, int], where: NDArray[np.integer]) -> Integers:
    """Places of cells k, j, i (columns of ``where``) in the split layout."""
    nz, _, nx = shape
    width = (nx + 15) // 16 * 8 + 2
    k, j, i = (np.asarray(where[:, n], dtype=np.int64) for n in range(3))
    return np.asarray(((j + 1) * (nz + 2) + k + 1) * 2 * width + 1 + (i >> 1) + (i & 1) * width)


def available_memory() -> float:
    """Memory that may be taken now [B]; infinite where the system does not tell."""
    try:
        with open("/proc/meminfo", encoding="ascii") as lines:
            for line in lines:
                if line.startswith("MemAvailable:"):
                    return float(line.split()[1]) * 1024
    except OSError:
        pass
    return float("inf")


def memory_needed(shape: tuple[int, int, int]) -> float:
    """Memory that `solve_potential` takes for a box of ``shape = (nz, ny, nx)`` [B]."""
    per_cell = BYTES_PER_CELL_OF_A_ROW if 1 in shape[1:] else BYTES_PER_CELL
    return float(split_size(shape) * per_cell)


def require_memory(shape: tuple[int, int, int], available: float | None = None) -> None:
    """Refuse a box whose solve would not fit.

    Raises
    ------
    CapacityError : with the numbers, and by how much coarser a cell would fit.
    """
    needed = memory_needed(shape)
    room = available_memory() if available is None else available
    if needed > 0.95 * room:
        raise CapacityError(
            f"{shape[2]} x {shape[1]} x {shape[0]} cells need {needed / 2**30:.1f} GiB, "
            f"{room / 2**30:.1f} GiB are free; cells {_widening(shape, room):.2f} times as wide "
            "would fit"
        )


def _widening(shape: tuple[int, int, int], room: float) -> float:
    """How many times as wide the cells of a box must be to fit, in hundredths."""
    hundredths = 101
    while True:
        nz, ny, nx = (-(-100 * n // hundredths) for n in shape)
        if memory_needed((nz, ny, nx)) <= 0.95 * room or max(nz, ny, nx) == 1:
            return hundredths / 100
        hundredths = max(hundredths + 1, int(1.002 * hundredths))


def build_network(
    grid: Grid,
    conductivity: Doubles,
    label: NDArray[np.int8],
    offset: Doubles,
) -> Network:
    """The network of a box.

    Parameters
    ----------
    conductivity : (nz, ny, nx) [S/m], 0 = insulator.
    label : (nz, ny, nx), 0 = no electrode, n = electrode n - 1.
    offset : (nz, ny, nx) or (number of electrodes,): potential of the metal minus the law's
        equilibrium [V].
    """
    from simulate.kernels import faces as face_kernels
    from simulate.kernels import levels as kernels

    shape = grid.shape
    require_memory(shape)
    size = split_size(shape)
    tx, ty, tz = (np.zeros(size, np.float32) for _ in range(3))
    widths = grid.widths
    kernels.fill_conductances(
        conductivity, label, (*widths, grid.radial), grid.halves, shape, tx, ty, tz
    )
    solved = np.empty(shape, np.uint8)
    unknowns = int(face_kernels.mark_solved(label, conductivity, solved))
    lo = np.zeros((shape[1], shape[0]), np.int32)
    hi = np.zeros_like(lo)
    kernels.fill_spans(solved, shape, lo, hi)
    faces = electrode_faces(grid, conductivity, label, offset)
    return Network(shape, tx, ty, tz, lo, hi, faces, unknowns)


def electrode_faces(
    grid: Grid, conductivity: Doubles, label: NDArray[np.int8], offset: Doubles
) -> Faces:
    """All faces between electrolyte cells and electrode cells; see `Faces`."""
    from simulate.kernels import faces as face_kernels

    count = int(face_kernels.count_faces(label, conductivity))
    where = np.empty((count, 5), np.int32)
    electrode = np.empty(count, np.int64)
    face_kernels.list_faces(label, conductivity, where, electrode)
    k, j, i, axis, side = (where[:, n].astype(np.int64) for n in range(5))
    dx, dy, dz = grid.widths
    halves = grid.halves
    above = (side > 0).astype(np.int64)
    half = np.empty(count)
    area = np.empty(count)
    for number, (index, below_above) in enumerate(
        ((k, halves[4:6]), (j, halves[2:4]), (i, halves[0:2]))
    ):
        here = axis == number
        half[here] = np.where(above, below_above[1][index], below_above[0][index])[here]
    area = np.where(axis == 0, dx[i] * dy[j], np.where(axis == 1, dx[i] * dz[k], dy[j] * dz[k]))
    shape_factor = area * np.where(axis == 2, grid.radial[i], 1.0)
    true_area = area * np.where(axis == 2, grid.x_face_factor(i + above), 1.0)
    if offset.ndim == 3:
        metal = where[:, :3].astype(np.int64)
        metal[np.arange(count), axis] += side
        lift = offset[metal[:, 0], metal[:, 1], metal[:, 2]]
    else:
        lift = offset[electrode]
    return Faces(
        cell=split_index(grid.shape, where),
        conductance=conductivity[k, j, i] * shape_factor / half,
        area=true_area,
        electrode=electrode,
        offset=np.ascontiguousarray(lift, dtype=np.float64),
        film=np.zeros(count),
        law=electrode,
        where=where,
    )
