"""Compiled loops that build levels: conductances, spans, pivots, coarser levels.

Arrays only; imports no project file, because numba's cache does not follow edits across files.
The memory layout is that of `kernels.layout`.
"""

from __future__ import annotations

import numpy as np
from numba import njit

# A pivot below this part of its diagonal is lost in the rounding of float32.
_SMALLEST = 3e-7

_compiled = njit(cache=True, nogil=True, error_model="numpy", fastmath={"contract"})
_inlined = njit(inline="always", error_model="numpy", fastmath={"contract"})


@_compiled
def fill_conductances(conductivity, dead, areas, halves, shape, tx, ty, tz):
    """Face conductances of a box from the conductivity of its cells, in the split layout.

    Two half cells in series: T = A / (h_left / kappa_left + h_right / kappa_right).

    conductivity : (nz, ny, nx) [S/m]; dead : (nz, ny, nx) uint8, 1 = no unknown in that cell.
    areas : (ax, ay, az) factors of the face area; halves : (below, above) half distances a tuple
    for x, y, z each [m, or m-equivalent for radial faces].
    """
    nz, ny, nx = shape
    ax, ay, az, ax_radial = areas
    x_below, x_above, y_below, y_above, z_below, z_above = halves
    width = (nx + 15) // 16 * 8 + 2
    row_length = 2 * width
    for j in range(ny):
        for k in range(nz):
            row = ((j + 1) * (nz + 2) + k + 1) * row_length
            for i in range(nx):
                c = row + 1 + (i >> 1) + (i & 1) * width
                tx[c] = 0.0
                ty[c] = 0.0
                tz[c] = 0.0
                kappa = conductivity[k, j, i]
                if dead[k, j, i] or kappa <= 0.0:
                    continue
                if i + 1 < nx and not dead[k, j, i + 1]:
                    other = conductivity[k, j, i + 1]
                    if other > 0.0:
                        tx[c] = (
                            ax_radial[i]
                            * ay[j]
                            * az[k]
                            / (x_above[i] / kappa + x_below[i + 1] / other)
                        )
                if j + 1 < ny and not dead[k, j + 1, i]:
                    other = conductivity[k, j + 1, i]
                    if other > 0.0:
                        ty[c] = ax[i] * az[k] / (y_above[j] / kappa + y_below[j + 1] / other)
                if k + 1 < nz and not dead[k + 1, j, i]:
                    other = conductivity[k + 1, j, i]
                    if other > 0.0:
                        tz[c] = ax[i] * ay[j] / (z_above[k] / kappa + z_below[k + 1] / other)


@_compiled
def fill_spans(solved, shape, lo, hi):
    """First and last active m of each row; ``solved`` is (nz, ny, nx) uint8."""
    nz, ny, nx = shape
    for j in range(ny):
        for k in range(nz):
            first = nx
            last = -1
            for i in range(nx):
                if solved[k, j, i]:
                    if first == nx:
                        first = i
                    last = i
            lo[j, k] = (first >> 4) << 3 if last >= 0 else 0
            hi[j, k] = ((last >> 4) + 1) << 3 if last >= 0 else 0


@_inlined
def _natural(row, width, i):
    return row + 1 + (i >> 1) + (i & 1) * width


@_compiled
def factor_lines(j_first, j_last, shape, tx, ty, tz, extra, lo, hi, pivot):
    """Reciprocal pivots of all vertical lines of planes [j_first, j_last).

    ``extra`` is the conductance of each cell to fixed potentials [S], or an array of length 1 when
    there is none. A cell with no conductance at all gets a pivot of 0.
    """
    nz, _, nx = shape
    width = (nx + 15) // 16 * 8 + 2
    sz = 2 * width
    sy = (nz + 2) * sz
    dense = extra.size > 1
    for j in range(j_first, j_last):
        for k in range(nz - 1, -1, -1):
            row = (j + 1) * sy + (k + 1) * sz
            for half in range(2):
                own = row + 1 + half * width
                left = row + width if half == 0 else row + 1
                for m in range(lo[j, k], hi[j, k]):
                    c = own + m
                    d = tx[c] + tx[left + m] + ty[c] + ty[c - sy] + tz[c] + tz[c - sz]
                    if dense:
                        d += extra[c]
                    p = d - tz[c] * tz[c] * pivot[c + sz]
                    pivot[c] = 1.0 / max(p, _SMALLEST * d) if d > 0.0 else 0.0


@_compiled
def factor_columns(shape, tx, ty, tz, cells, values, pivot):
    """Redo the lines through ``cells`` with ``values`` [S] added to their diagonal.

    ``cells`` differ from each other and are sorted by line, from the top of each line down; a line
    is redone from its first cell to its bottom.
    """
    nz, _, nx = shape
    width = (nx + 15) // 16 * 8 + 2
    sz = 2 * width
    sy = (nz + 2) * sz
    f = 0
    while f < cells.size:
        c = cells[f]
        k = (c % sy) // sz
        within = c % sz
        step = width - 1 if within < width else -width
        while k >= 1:
            left = c + step
            d = tx[c] + tx[left] + ty[c] + ty[c - sy] + tz[c] + tz[c - sz]
            if f < cells.size and cells[f] == c:
                d += np.float32(values[f])
                f += 1
            p = d - tz[c] * tz[c] * pivot[c + sz]
            pivot[c] = 1.0 / max(p, _SMALLEST * d) if d > 0.0 else 0.0
            k -= 1
            c -= sz


@_compiled
def coarsen_level(shape, coarse, factors, tx, ty, tz, extra, cx, cy, cz, cextra):
    """Conductances of the next coarser level; z is never coarsened.

    ``factors`` = (y, x), each 1 or 2. A coarse face gathers its fine faces in parallel, each in
    series with half of the cells it reaches into on either side, but never with more than half
    the resistance of the face itself: T / (1 + min(1, T/T_left)/2 + min(1, T/T_right)/2).
    """
    nz, ny, nx = shape
    _, nyc, nxc = coarse
    fy, fx = factors
    width = (nx + 15) // 16 * 8 + 2
    sz = 2 * width
    sy = (nz + 2) * sz
    wc = (nxc + 15) // 16 * 8 + 2
    szc = 2 * wc
    dense = extra.size > 1
    half = np.float32(0.5)
    one = np.float32(1.0)
    for jc in range(nyc):
        for k in range(nz):
            rowc = ((jc + 1) * (nz + 2) + k + 1) * szc
            for ic in range(nxc):
                sx_ = np.float32(0.0)
                sy_ = np.float32(0.0)
                sz_ = np.float32(0.0)
                se_ = np.float32(0.0)
                for dj in range(fy):
                    j = jc * fy + dj
                    if j >= ny:
                        continue
                    row = (j + 1) * sy + (k + 1) * sz
                    for di in range(fx):
                        i = ic * fx + di
                        if i >= nx:
                            continue
                        c = _natural(row, width, i)
                        sz_ += tz[c]
                        if dense:
                            se_ += extra[c]
                        if di == fx - 1 and tx[c] > 0.0:
                            t = tx[c]
                            s = one
                            if fx == 2:
                                left = tx[_natural(row, width, i - 1)]
                                if left > 0.0:
                                    s += half * min(one, t / left)
                                if i + 1 < nx:
                                    right = tx[_natural(row, width, i + 1)]
                                    if right > 0.0:
                                        s += half * min(one, t / right)
                            sx_ += t / s
                        if dj == fy - 1 and ty[c] > 0.0:
                            t = ty[c]
                            s = one
                            if fy == 2:
                                left = ty[c - sy]
                                if left > 0.0:
                                    s += half * min(one, t / left)
                                right = ty[c + sy]
                                if right > 0.0:
                                    s += half * min(one, t / right)
                            sy_ += t / s
                cc = _natural(rowc, wc, ic)
                cx[cc] = sx_
                cy[cc] = sy_
                cz[cc] = sz_
                cextra[cc] = se_


@_compiled
def coarse_spans(shape, coarse, factors, lo, hi, clo, chi):
    """Spans of the coarser level from those of the finer one."""
    nz, ny, nx = shape
    _, nyc, nxc = coarse
    fy, fx = factors
    for jc in range(nyc):
        for k in range(nz):
            first = 2 * nx
            last = -1
            for dj in range(fy):
                j = jc * fy + dj
                if j < ny and hi[j, k] > lo[j, k]:
                    first = min(first, 2 * lo[j, k])
                    last = max(last, min(2 * hi[j, k] - 1, nx - 1))
            if last < 0:
                clo[jc, k] = 0
                chi[jc, k] = 0
            else:
                first = first // fx
                last = min(last // fx, nxc - 1)
                clo[jc, k] = (first >> 4) << 3
                chi[jc, k] = ((last >> 4) + 1) << 3


@_compiled
def coarsen_by_table(shape, coarse, parent_y, parent_x, tx, ty, tz, extra, cx, cy, cz, cextra):
    """As `coarsen_level`, with the coarse index of each row and column given; pairs or singles."""
    nz, ny, nx = shape
    _, _, nxc = coarse
    width = (nx + 15) // 16 * 8 + 2
    sz = 2 * width
    sy = (nz + 2) * sz
    wc = (nxc + 15) // 16 * 8 + 2
    szc = 2 * wc
    dense = extra.size > 1
    for out in (cx, cy, cz, cextra):
        out[:] = 0.0
    for j in range(ny):
        for k in range(nz):
            row = (j + 1) * sy + (k + 1) * sz
            rowc = ((parent_y[j] + 1) * (nz + 2) + k + 1) * szc
            for i in range(nx):
                c = _natural(row, width, i)
                cc = _natural(rowc, wc, parent_x[i])
                cz[cc] += tz[c]
                if dense:
                    cextra[cc] += extra[c]
                t = tx[c]
                if t > 0.0 and parent_x[i + 1] != parent_x[i]:
                    s = 1.0
                    if i > 0 and parent_x[i - 1] == parent_x[i]:
                        inner = tx[_natural(row, width, i - 1)]
                        s += 0.5 * min(1.0, t / inner) if inner > 0.0 else 0.0
                    if i + 2 < nx and parent_x[i + 2] == parent_x[i + 1]:
                        inner = tx[_natural(row, width, i + 1)]
                        s += 0.5 * min(1.0, t / inner) if inner > 0.0 else 0.0
                    cx[cc] += t / s
                t = ty[c]
                if t > 0.0 and parent_y[j + 1] != parent_y[j]:
                    s = 1.0
                    if j > 0 and parent_y[j - 1] == parent_y[j]:
                        inner = ty[c - sy]
                        s += 0.5 * min(1.0, t / inner) if inner > 0.0 else 0.0
                    if j + 2 < ny and parent_y[j + 2] == parent_y[j + 1]:
                        inner = ty[c + sy]
                        s += 0.5 * min(1.0, t / inner) if inner > 0.0 else 0.0
                    cy[cc] += t / s


@_compiled
def cells_by_table(cells, shape, coarse, parent_y, parent_x, out):
    """Places in the coarser level of the cells that hold ``cells``, parents by table."""
    nz, _, nx = shape
    _, _, nxc = coarse
    width = (nx + 15) // 16 * 8 + 2
    wc = (nxc + 15) // 16 * 8 + 2
    for f in range(cells.size):
        row, within = divmod(cells[f], 2 * width)
        j, k = divmod(row, nz + 2)
        half, m = divmod(within, width)
        ic = parent_x[2 * (m - 1) + half]
        jc = parent_y[j - 1]
        out[f] = ((jc + 1) * (nz + 2) + k) * 2 * wc + 1 + (ic >> 1) + (ic & 1) * wc


@_compiled
def spans_of(shape, tx, ty, tz, extra, lo, hi):
    """First and last m of each row whose cell carries any conductance."""
    nz, ny, nx = shape
    width = (nx + 15) // 16 * 8 + 2
    sz = 2 * width
    sy = (nz + 2) * sz
    for j in range(ny):
        for k in range(nz):
            row = (j + 1) * sy + (k + 1) * sz
            first = nx
            last = -1
            for i in range(nx):
                c = _natural(row, width, i)
                left = _natural(row, width, i - 1) if i > 0 else row + width
                total = tx[c] + tx[left] + ty[c] + ty[c - sy] + tz[c] + tz[c - sz] + extra[c]
                if total > 0.0:
                    first = min(first, i)
                    last = i
            lo[j, k] = (first >> 4) << 3 if last >= 0 else 0
            hi[j, k] = ((last >> 4) + 1) << 3 if last >= 0 else 0
