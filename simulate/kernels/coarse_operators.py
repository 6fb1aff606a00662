"""Compiled loops that build levels: conductances, pivots, coarser levels.

The memory layout is that of `kernels.layout`.
"""

from __future__ import annotations

import numpy as np

from simulate.kernels.compiling import compiled, inner
from simulate.kernels.layout import FIRST, HI, LAST, LO, neighbours
from simulate.kernels.simd import (
    WIDTH,
    add_to,
    evens,
    larger,
    load,
    odds,
    spread_single,
    store,
    where_positive,
)

# A pivot below this part of its diagonal is lost in the rounding of float32.
_SMALLEST = 3e-7
# Stands for 0 where something is divided that is 0 itself.
_TINY = 1e-37


@inner
def _in_series(kappa, path, other, rest):
    """1 / (path / kappa + rest / other)."""
    return kappa * other / (path * other + rest * kappa)


@compiled
def fill_conductances(conductivity, dead, areas, halves, rows, tx, ty, tz):
    """Face conductances of a box from the conductivity of its cells, in the packed layout.

    Two half cells in series: T = A / (h_left / kappa_left + h_right / kappa_right).

    conductivity : (nz, ny, nx) [S/m]; dead : (nz, ny, nx), above 0 = no unknown in that cell.
    areas : (ax, ay, az) factors of the face area; halves : (below, above) half distances a tuple
    for x, y, z each [m, or m-equivalent for radial faces]. tx, ty, tz are 0 before.
    """
    nz, ny, nx = conductivity.shape
    ax, ay, az, ax_radial = areas
    x_below, x_above, y_below, y_above, z_below, z_above = halves
    for j in range(ny):
        for k in range(nz - 1, -1, -1):
            row = rows[j + 1, k + 1]
            for i in range(row[FIRST], row[LAST]):
                kappa = conductivity[k, j, i]
                if dead[k, j, i] or kappa <= 0.0:
                    continue
                c = row[i & 1] + (i >> 1)
                if i + 1 < nx and not dead[k, j, i + 1]:
                    other = conductivity[k, j, i + 1]
                    if other > 0.0:
                        area = ax_radial[i] * ay[j] * az[k]
                        tx[c] = area * _in_series(kappa, x_above[i], other, x_below[i + 1])
                if j + 1 < ny and not dead[k, j + 1, i]:
                    other = conductivity[k, j + 1, i]
                    if other > 0.0:
                        area = ax[i] * az[k]
                        ty[c] = area * _in_series(kappa, y_above[j], other, y_below[j + 1])
                if k + 1 < nz and not dead[k + 1, j, i]:
                    other = conductivity[k + 1, j, i]
                    if other > 0.0:
                        area = ax[i] * ay[j]
                        tz[c] = area * _in_series(kappa, z_above[k], other, z_below[k + 1])


@compiled
def factor_lines(j_first, j_last, shape, rows, tx, ty, tz, extra, pivot):
    """Reciprocal pivots of all vertical lines of planes [j_first, j_last).

    ``extra`` is the conductance of each cell to fixed potentials [S], or an array of length 1 when
    there is none. A cell with no conductance at all gets a pivot of 0.
    """
    dense = extra.size > 1
    least = spread_single(_SMALLEST)
    tiny = spread_single(_TINY)
    one = spread_single(1.0)
    for j in range(j_first, j_last):
        for k in range(rows[j + 1, 0, LAST] - 1, rows[j + 1, 0, FIRST] - 1, -1):
            for half in range(2):
                own, left, _, south, _ = neighbours(rows, j, k, half)
                below = rows[j + 1, k - 1, half]
                above = rows[j + 1, k + 1, half]
                for m in range(rows[j + 1, k, LO], rows[j + 1, k, HI], WIDTH):
                    t = load(tz, own + m)
                    d = load(tx, own + m) + load(tx, left + m) + load(ty, own + m)
                    d = d + load(ty, south + m) + t + load(tz, below + m)
                    if dense:
                        d = d + load(extra, own + m)
                    p = larger(d - t * t * load(pivot, above + m), larger(least * d, tiny))
                    store(pivot, own + m, where_positive(d, one / p))


@compiled
def factor_columns(rows, where, tx, ty, tz, values, pivot):
    """Redo the lines through the cells ``where`` with ``values`` [S] added to their diagonal.

    where (n, 3) : k, j, i, which differ from each other and are sorted by line, from the top of
    each line down; a line is redone from its first cell to its bottom.
    """
    f = 0
    while f < where.shape[0]:
        j, i = where[f, 1], where[f, 2]
        half, m = i & 1, i >> 1
        k = where[f, 0]
        while k >= 0:
            c = rows[j + 1, k + 1, half] + m
            left = rows[j + 1, k + 1, 1 - half] + half - 1 + m
            south = rows[j, k + 1, half] + m
            below = rows[j + 1, k, half] + m
            above = rows[j + 1, k + 2, half] + m
            within = rows[j + 1, k + 1, FIRST] <= i < rows[j + 1, k + 1, LAST]
            if within:
                d = tx[c] + tx[left] + ty[c] + ty[south] + tz[c] + tz[below]
                if (
                    f < where.shape[0]
                    and where[f, 0] == k
                    and where[f, 1] == j
                    and where[f, 2] == i
                ):
                    d += np.float32(values[f])
                    f += 1
                p = d - tz[c] * tz[c] * pivot[above]
                pivot[c] = 1.0 / max(p, _SMALLEST * d) if d > 0.0 else 0.0
            k -= 1


@inner
def _spill(crow, buf, out):
    """Sums by coarse x index in ``buf`` into a coarse row."""
    for m in range(crow[LO], crow[HI], WIDTH):
        low = load(buf, 2 * m)
        high = load(buf, 2 * m + WIDTH)
        store(out, crow[0] + m, evens(low, high))
        store(out, crow[1] + m, odds(low, high))


@inner
def _shortened(t, left, right):
    """t / (1 + min(1, t / left) / 2 + min(1, t / right) / 2), a term 0 where it divides by 0."""
    half = spread_single(0.5)
    tiny = spread_single(_TINY)
    least = larger(t, tiny)
    s = spread_single(1.0)
    s = s + half * where_positive(left, t / larger(left, least))
    s = s + half * where_positive(right, t / larger(right, least))
    return t / s


@compiled
def coarsen_level(shape, coarse, rows, crows, tx, ty, tz, extra, cx, cy, cz, cextra, bufs):
    """Conductances of the next coarser level, of half as many cells in x and in y.

    A coarse face gathers its fine faces in parallel, each in series with half of the cells it
    reaches into on either side, but never with more than half the resistance of the face itself:
    T / (1 + min(1, T/T_left)/2 + min(1, T/T_right)/2). ``bufs`` (4, nx + some) is for the loop.
    """
    ny = shape[1]
    dense = extra.size > 1
    zero = spread_single(0.0)
    to_x, to_y, to_z, to_extra = bufs[0], bufs[1], bufs[2], bufs[3]
    for jc in range(coarse[1]):
        for k in range(crows[jc + 1, 0, LAST] - 1, crows[jc + 1, 0, FIRST] - 1, -1):
            crow = crows[jc + 1, k]
            for m in range(2 * crow[LO], 2 * crow[HI], WIDTH):
                store(to_x, m, zero)
                store(to_y, m, zero)
                store(to_z, m, zero)
                store(to_extra, m, zero)
            for j in range(2 * jc, min(2 * jc + 2, ny)):
                even = rows[j + 1, k, 0]
                odd = rows[j + 1, k, 1]
                for m in range(rows[j + 1, k, LO], rows[j + 1, k, HI], WIDTH):
                    inner = load(tx, even + m)
                    beyond = load(tx, even + m + 1)
                    add_to(to_x, m, _shortened(load(tx, odd + m), inner, beyond))
                    add_to(to_z, m, load(tz, even + m) + load(tz, odd + m))
                    if dense:
                        add_to(to_extra, m, load(extra, even + m) + load(extra, odd + m))
                if j & 1 == 1:
                    for half in range(2):
                        own = rows[j + 1, k, half]
                        south = rows[j, k, half]
                        north = rows[j + 2, k, half]
                        for m in range(rows[j + 1, k, LO], rows[j + 1, k, HI], WIDTH):
                            inner = load(ty, south + m)
                            beyond = load(ty, north + m)
                            add_to(to_y, m, _shortened(load(ty, own + m), inner, beyond))
            _spill(crow, to_x, cx)
            _spill(crow, to_y, cy)
            _spill(crow, to_z, cz)
            if dense:
                _spill(crow, to_extra, cextra)


@compiled
def coarsen_by_table(shape, parent_y, parent_x, rows, crows, tx, ty, tz, extra, cx, cy, cz, cextra):
    """As `coarsen_level`, with the coarse index of each row and column given; pairs or singles.

    What it fills is 0 before.
    """
    nz, ny, nx = shape
    dense = extra.size > 1
    for j in range(ny):
        paired_south = j > 0 and parent_y[j - 1] == parent_y[j]
        paired_north = j + 2 < ny and parent_y[j + 2] == parent_y[j + 1]
        for k in range(1, nz + 1):
            row = rows[j + 1, k]
            crow = crows[parent_y[j] + 1, k]
            for i in range(row[FIRST], row[LAST]):
                m = i >> 1
                c = row[i & 1] + m
                ic = parent_x[i]
                cc = crow[ic & 1] + (ic >> 1)
                cz[cc] += tz[c]
                if dense:
                    cextra[cc] += extra[c]
                t = tx[c]
                if t > 0.0 and parent_x[i + 1] != ic:
                    s = 1.0
                    if i > 0 and parent_x[i - 1] == ic:
                        inner = tx[row[(i - 1) & 1] + ((i - 1) >> 1)]
                        s += 0.5 * min(1.0, t / inner) if inner > 0.0 else 0.0
                    if i + 2 < nx and parent_x[i + 2] == parent_x[i + 1]:
                        inner = tx[row[(i + 1) & 1] + ((i + 1) >> 1)]
                        s += 0.5 * min(1.0, t / inner) if inner > 0.0 else 0.0
                    cx[cc] += t / s
                t = ty[c]
                if t > 0.0 and parent_y[j + 1] != parent_y[j]:
                    s = 1.0
                    if paired_south:
                        inner = ty[rows[j, k, i & 1] + m]
                        s += 0.5 * min(1.0, t / inner) if inner > 0.0 else 0.0
                    if paired_north:
                        inner = ty[rows[j + 2, k, i & 1] + m]
                        s += 0.5 * min(1.0, t / inner) if inner > 0.0 else 0.0
                    cy[cc] += t / s


@compiled
def coarse_places(where, parent_y, parent_x, crows, out):
    """Places in the coarser level of the cells that hold the cells k, j, i of ``where``."""
    for f in range(where.shape[0]):
        ic = parent_x[where[f, 2]]
        row = crows[parent_y[where[f, 1]] + 1, where[f, 0] + 1]
        out[f] = row[ic & 1] + (ic >> 1)
