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

from simulate.field.grid import Grid
from simulate.field.memory import require_memory

Doubles = NDArray[np.float64]
Floats = NDArray[np.float32]
Integers = NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Faces:
    """Faces between electrolyte and electrodes, one entry each, (n,).

    cell : place of the electrolyte cell in the packed layout. conductance : of its half cell [S].
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
    """Conductances of a box in the packed layout of `kernels.layout`, and faces to electrodes."""

    shape: tuple[int, int, int]
    rows: Integers
    planes: Integers
    tx: Floats
    ty: Floats
    tz: Floats
    faces: Faces
    unknowns: int

    def places(self, where: NDArray[np.integer]) -> Integers:
        """Places of cells k, j, i (columns of ``where``) in packed arrays, 0 outside the spans."""
        from simulate.kernels import layout

        out = np.empty(len(where), np.int64)
        layout.places_of(np.ascontiguousarray(where, dtype=np.int32), self.rows, out)
        return out

    def unpack(self, packed: NDArray[np.floating]) -> Doubles:
        """An array of the packed layout by cells, (nz, ny, nx); 0 where nothing is solved for."""
        from simulate.kernels import layout

        out = np.empty(self.shape)
        layout.unpack(packed, self.shape, self.rows, out)
        return out


def empty_rows(shape: tuple[int, int, int]) -> tuple[Integers, Integers]:
    """``rows`` and ``planes`` of `kernels.layout` for a box, not filled."""
    nz, ny, _ = shape
    return np.zeros((ny + 2, nz + 2, 6), np.int64), np.zeros(ny + 1, np.int64)


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

    Raises
    ------
    CapacityError : see `require_memory`.
    """
    from simulate.kernels import coarse_operators as kernels
    from simulate.kernels import layout

    shape = grid.shape
    rows, planes = empty_rows(shape)
    metal = np.zeros((shape[0] + 2, shape[1] + 2), np.int64)
    unknowns = int(layout.find_spans(label, conductivity, rows, metal))
    size = int(layout.lay_rows(0, shape, rows, planes))
    require_memory(shape, size)
    tx, ty, tz = (np.zeros(size, np.float32) for _ in range(3))
    areas = (*grid.widths, grid.radial)
    kernels.fill_conductances(conductivity, label, areas, grid.halves, rows, tx, ty, tz)
    faces = electrode_faces(grid, conductivity, label, offset, rows, metal)
    return Network(shape, rows, planes, tx, ty, tz, faces, unknowns)


def electrode_faces(
    grid: Grid,
    conductivity: Doubles,
    label: NDArray[np.int8],
    offset: Doubles,
    rows: Integers,
    metal: Integers,
) -> Faces:
    """All faces between electrolyte cells and electrode cells; see `Faces`."""
    from simulate.kernels import faces as face_kernels
    from simulate.kernels import layout

    count, room = -1, 2 * label.shape[1] * label.shape[2] + 4096
    while count < 0 or count > room:
        room = max(room, count)
        where, electrode = np.empty((room, 5), np.int32), np.empty(room, np.int64)
        count = int(face_kernels.list_faces(label, conductivity, rows, metal, where, electrode))
    where, electrode = where[:count].copy(), electrode[:count].copy()
    cell = np.empty(count, np.int64)
    layout.places_of(where, rows, cell)
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
        cell=cell,
        conductance=conductivity[k, j, i] * shape_factor / half,
        area=true_area,
        electrode=electrode,
        offset=np.ascontiguousarray(lift, dtype=np.float64),
        film=np.zeros(count),
        law=electrode,
        where=where,
    )
