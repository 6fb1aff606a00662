"""The split layout that every compiled loop of the solver works on.

Memory layout, shared by every level. A box of ``nz, ny, nx`` cells is stored plane by plane in
the order (y, z, x), each axis padded by ghosts. A row of x is split by parity: first the cells
with even x index, then those with odd x index, each half of ``width = (nx + 15) // 16 * 8 + 2``
entries: a multiple of eight, and a ghost at either end. Cells of one colour of the chequered plan
are then contiguous, so every loop is a stride-one vector loop of whole vectors.

    row(j, k)       = ((j + 1) * (nz + 2) + k + 1) * 2 * width
    even cell 2m    = row + 1 + m
    odd cell 2m + 1 = row + width + 1 + m

Face conductances [S]: ``tx[c]`` joins cell c and its neighbour at +x, ``ty[c]`` at +y, ``tz[c]``
at +z; 0 where no current passes. ``pivot[c]`` holds the reciprocal pivots of the vertical lines
(elimination from the top down), 0 for a cell that is not solved for. ``lo, hi`` give the span of
m that is active in each row, widened to multiples of eight; loops run over spans only.
"""

from __future__ import annotations

from numba import njit

_compiled = njit(cache=True, nogil=True, error_model="numpy", fastmath={"contract"})


@_compiled
def to_split(natural, shape, out):
    """Copy (nz, ny, nx) into the split layout; ghosts are left alone."""
    nz, ny, nx = shape
    width = (nx + 15) // 16 * 8 + 2
    for j in range(ny):
        for k in range(nz):
            row = ((j + 1) * (nz + 2) + k + 1) * 2 * width
            for i in range(nx):
                out[row + 1 + (i >> 1) + (i & 1) * width] = natural[k, j, i]


@_compiled
def from_split(split, shape, out):
    """Copy the split layout into (nz, ny, nx)."""
    nz, ny, nx = shape
    width = (nx + 15) // 16 * 8 + 2
    for j in range(ny):
        for k in range(nz):
            row = ((j + 1) * (nz + 2) + k + 1) * 2 * width
            for i in range(nx):
                out[k, j, i] = split[row + 1 + (i >> 1) + (i & 1) * width]
