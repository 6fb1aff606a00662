"""Compiled loops of the linear solver: conductances, levels, line smoothing, conjugate gradients.

This file speaks arrays only and imports no project file, because numba's cache does not follow
edits across files.

Memory layout, shared by every level. A box of ``nz, ny, nx`` cells is stored plane by plane in
the order (y, z, x), each axis padded by ghosts. A row of x is split by parity: first the cells
with even x index, then those with odd x index, each half of ``width = (nx + 1) // 2 + 2`` entries
with one ghost at either end. Cells of one colour of the chequered plan are then contiguous, so
every loop is a stride-one vector loop.

    row(j, k)       = ((j + 1) * (nz + 2) + k + 1) * 2 * width
    even cell 2m    = row + 1 + m
    odd cell 2m + 1 = row + width + 1 + m

Face conductances [S]: ``tx[c]`` joins cell c and its neighbour at +x, ``ty[c]`` at +y, ``tz[c]``
at +z; 0 where no current passes. ``pivot[c]`` holds the reciprocal pivots of the vertical lines
(elimination from the top down), 0 for a cell that is not solved for. ``lo, hi`` give the span of
m that is active in each row; loops run over spans only.
"""

from __future__ import annotations

import llvmlite.binding as _llvm
import numpy as np
from numba import njit

# The smoothing loops read a dozen array sections at once. LLVM vectorises them only if it may test
# that many for overlap (its default is 8).
_llvm.set_option("kernels", "-runtime-memory-check-threshold=128")

_u = np.uint64
_ONE = np.uint64(1)
_TWO = np.uint64(2)

_compiled = njit(cache=True, nogil=True, error_model="numpy", fastmath={"contract"})
_reducing = njit(cache=True, nogil=True, error_model="numpy", fastmath={"contract", "reassoc"})
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
    width = (nx + 1) // 2 + 2
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
            lo[j, k] = first >> 1 if last >= 0 else 0
            hi[j, k] = (last >> 1) + 1 if last >= 0 else 0


@_compiled
def factor_lines(shape, tx, ty, tz, extra, lo, hi, j_first, j_last, pivot, diagonal):
    """Reciprocal pivots of all vertical lines of planes ``j_first <= j < j_last``.

    ``diagonal`` receives sum of conductances + extra; ``extra`` is the conductance of each cell to
    fixed potentials [S], or an array of length 1 when there is none.
    A cell with no conductance at all, and a line tied to nothing, get a pivot of 0.
    """
    nz, _, nx = shape
    width = (nx + 1) // 2 + 2
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
                    diagonal[c] = d
                    p = d - tz[c] * tz[c] * pivot[c + sz]
                    pivot[c] = 1.0 / p if p > 3e-7 * d else 0.0


@_compiled
def factor_columns(shape, tx, ty, tz, cells, values, pivot, diagonal):
    """Redo the lines through ``cells`` after adding ``values`` [S] to their diagonal.

    Cells may repeat. Lines are refactored bottom-ward from their top.
    """
    nz, _, nx = shape
    width = (nx + 1) // 2 + 2
    sz = 2 * width
    sy = (nz + 2) * sz
    for f in range(cells.size):
        diagonal[cells[f]] += np.float32(values[f])
    for f in range(cells.size):
        c = cells[f]
        k = (c % sy) // sz
        while k >= 1:
            d = diagonal[c]
            p = d - tz[c] * tz[c] * pivot[c + sz]
            pivot[c] = 1.0 / p if p > 3e-7 * d else 0.0
            k -= 1
            c -= sz


@_compiled
def reset_columns(shape, tx, ty, tz, cells, diagonal):
    """Put the diagonal of ``cells`` back to the sum of their conductances."""
    nz, _, nx = shape
    width = (nx + 1) // 2 + 2
    sz = 2 * width
    sy = (nz + 2) * sz
    for f in range(cells.size):
        c = cells[f]
        within = c % sz
        left = c + width - 1 if within < width else c - width
        diagonal[c] = tx[c] + tx[left] + ty[c] + ty[c - sy] + tz[c] + tz[c - sz]


@_inlined
def _natural(row, width, i):
    return row + 1 + (i >> 1) + (i & 1) * width


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
    width = (nx + 1) // 2 + 2
    sz = 2 * width
    sy = (nz + 2) * sz
    wc = (nxc + 1) // 2 + 2
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
def coarse_cells(cells, shape, coarse, factors, out):
    """Places in the coarser level of the cells that hold ``cells``."""
    nz, _, nx = shape
    _, _, nxc = coarse
    fy, fx = factors
    width = (nx + 1) // 2 + 2
    wc = (nxc + 1) // 2 + 2
    for f in range(cells.size):
        row, within = divmod(cells[f], 2 * width)
        j, k = divmod(row, nz + 2)
        half, m = divmod(within, width)
        ic = (2 * (m - 1) + half) // fx
        jc = (j - 1) // fy
        out[f] = ((jc + 1) * (nz + 2) + k) * 2 * wc + 1 + (ic >> 1) + (ic & 1) * wc


@_compiled
def add_at(cells, values, out):
    """out[cells] += values, repeats included."""
    for f in range(cells.size):
        out[cells[f]] += values[f]


@_compiled
def gather_dot(cells, values, p):
    """sum(values * p[cells])."""
    total = 0.0
    for f in range(cells.size):
        total += values[f] * p[cells[f]]
    return total


@_compiled
def face_products(cells, values, p, q):
    """q[cells] += values * p[cells]; returns sum(values * p[cells]**2)."""
    total = 0.0
    for f in range(cells.size):
        v = values[f] * p[cells[f]]
        q[cells[f]] += v
        total += v * p[cells[f]]
    return total


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
                clo[jc, k] = first >> 1
                chi[jc, k] = (last >> 1) + 1


# ---------------------------------------------------------------------------- line smoothing


@_compiled
def _solve_lines_alone(j, colour, shape, tz, pivot, lo, hi, b, x):
    """Lines of one colour in plane j with zero neighbours: the first sweep from x = 0."""
    nz, _, nx = shape
    width = _u((nx + 1) // 2 + 2)
    sz = _TWO * width
    sy = _u(nz + 2) * sz
    parity = (j + colour) & 1
    base = _u(j + 1) * sy + _ONE + (width if parity == 1 else _u(0))
    for step in range(nz):
        k = nz - 1 - step
        own = base + _u(k + 1) * sz
        above = own + sz
        for m in range(_u(lo[j, k]), _u(hi[j, k])):
            x[own + m] = (b[own + m] + tz[own + m] * x[above + m]) * pivot[own + m]
    for k in range(1, nz):
        own = base + _u(k + 1) * sz
        below = own - sz
        for m in range(_u(lo[j, k]), _u(hi[j, k])):
            x[own + m] += pivot[own + m] * tz[below + m] * x[below + m]


@_compiled
def _solve_lines(j, colour, shape, tx, ty, tz, pivot, lo, hi, b, x):
    """Lines of one colour in plane j, exactly, with the other colour held."""
    nz, _, nx = shape
    width = _u((nx + 1) // 2 + 2)
    sz = _TWO * width
    sy = _u(nz + 2) * sz
    parity = (j + colour) & 1
    start = _u(j + 1) * sy + _ONE
    for step in range(nz):
        k = nz - 1 - step
        row = start + _u(k + 1) * sz
        if parity == 0:
            own = row
            left = row + width - _ONE
            right = row + width
        else:
            own = row + width
            left = row
            right = row + _ONE
        above = own + sz
        north = own + sy
        south = own - sy
        for m in range(_u(lo[j, k]), _u(hi[j, k])):
            x[own + m] = (
                b[own + m]
                + tx[left + m] * x[left + m]
                + tx[own + m] * x[right + m]
                + ty[own + m] * x[north + m]
                + ty[south + m] * x[south + m]
                + tz[own + m] * x[above + m]
            ) * pivot[own + m]
    base = start + (width if parity == 1 else _u(0))
    for k in range(1, nz):
        own = base + _u(k + 1) * sz
        below = own - sz
        for m in range(_u(lo[j, k]), _u(hi[j, k])):
            x[own + m] += pivot[own + m] * tz[below + m] * x[below + m]


@_compiled
def _restrict_plane(jc, shape, coarse, factors, tx, ty, pivot, lo, hi, x, clo, chi, buf, cb):
    """Coarse right-hand side of plane jc after a sweep red, black from x = 0.

    The residual is then 0 on black lines and sum(T x_black) on red ones.
    """
    nz, ny, nx = shape
    _, _, nxc = coarse
    fy, fx = factors
    width = _u((nx + 1) // 2 + 2)
    sz = _TWO * width
    sy = _u(nz + 2) * sz
    wc = (nxc + 1) // 2 + 2
    szc = 2 * wc
    for k in range(nz):
        for i in range(buf.size):
            buf[i] = 0.0
        for dj in range(fy):
            j = jc * fy + dj
            if j >= ny:
                continue
            row = _u(j + 1) * sy + _u(k + 1) * sz + _ONE
            if j & 1 == 0:
                own = row
                left = row + width - _ONE
                right = row + width
                shift = 0
            else:
                own = row + width
                left = row
                right = row + _ONE
                shift = 1
            north = own + sy
            south = own - sy
            if fx == 2:
                for m in range(_u(lo[j, k]), _u(hi[j, k])):
                    if pivot[own + m] > 0.0:
                        buf[m] += (
                            tx[left + m] * x[left + m]
                            + tx[own + m] * x[right + m]
                            + ty[own + m] * x[north + m]
                            + ty[south + m] * x[south + m]
                        )
            else:
                for m in range(_u(lo[j, k]), _u(hi[j, k])):
                    if pivot[own + m] > 0.0:
                        buf[_TWO * m + _u(shift)] += (
                            tx[left + m] * x[left + m]
                            + tx[own + m] * x[right + m]
                            + ty[own + m] * x[north + m]
                            + ty[south + m] * x[south + m]
                        )
        even = _u(((jc + 1) * (nz + 2) + k + 1) * szc + 1)
        odd = even + _u(wc)
        for m in range(_u(clo[jc, k]), _u(chi[jc, k])):
            cb[even + m] = buf[_TWO * m]
            cb[odd + m] = buf[_TWO * m + _ONE]


@_compiled
def _prolong_plane(j, shape, coarse, factors, lo, hi, clo, chi, cx_, cpivot, num, den, x):
    """Add the coarse correction to the red lines of plane j (the black ones are solved next).

    Bilinear in the plan, weights (3/4, 1/4), over active coarse cells only.
    """
    nz, _, nx = shape
    _, _, nxc = coarse
    fy, fx = factors
    width = _u((nx + 1) // 2 + 2)
    sz = _TWO * width
    sy = _u(nz + 2) * sz
    wc = _u((nxc + 1) // 2 + 2)
    szc = _TWO * wc
    parity = j & 1
    jc = j // fy
    jn = jc + (fy - 1) * (2 * parity - 1)
    w0 = np.float32(0.75) if fy == 2 else np.float32(1.0)
    w1 = np.float32(0.25) if fy == 2 else np.float32(0.0)
    tiny = np.float32(1e-30)
    zero = np.float32(0.0)
    for k in range(nz):
        if hi[j, k] <= lo[j, k]:
            continue
        # natural order, shifted by one so that entry -1 exists
        near = _u((jc + 1) * (nz + 2) + k + 1) * szc + _ONE
        far = _u((jn + 1) * (nz + 2) + k + 1) * szc + _ONE
        if fx == 2:
            first = lo[j, k] - 1
            last = hi[j, k] + 1
        else:
            first = 2 * lo[j, k]
            last = 2 * hi[j, k]
        m_first = _u(max(first, 0) >> 1)
        m_last = _u(min((last + 1) >> 1, (nxc + 1) // 2))
        num[0] = 0.0
        den[0] = 0.0
        top = _TWO * m_last
        num[top + _ONE] = 0.0
        den[top + _ONE] = 0.0
        for m in range(m_first, m_last):
            a = near + m
            f = far + m
            num[_TWO * m + _ONE] = w0 * cx_[a] + w1 * cx_[f]
            den[_TWO * m + _ONE] = (w0 if cpivot[a] > zero else zero) + (
                w1 if cpivot[f] > zero else zero
            )
            a += wc
            f += wc
            num[_TWO * m + _TWO] = w0 * cx_[a] + w1 * cx_[f]
            den[_TWO * m + _TWO] = (w0 if cpivot[a] > zero else zero) + (
                w1 if cpivot[f] > zero else zero
            )
        own = _u(j + 1) * sy + _u(k + 1) * sz + _ONE + (width if parity == 1 else _u(0))
        if fx == 2:
            side = _u(0) if parity == 0 else _TWO
            for m in range(_u(lo[j, k]), _u(hi[j, k])):
                n = np.float32(3.0) * num[m + _ONE] + num[m + side]
                d = np.float32(3.0) * den[m + _ONE] + den[m + side]
                x[own + m] += n / (d + tiny)
        else:
            for m in range(_u(lo[j, k]), _u(hi[j, k])):
                i = _TWO * m + _u(parity) + _ONE
                x[own + m] += num[i] / (den[i] + tiny)


@_compiled
def smooth_down(j_first, j_last, shape, tx, ty, tz, pivot, lo, hi, b, x):
    """Red then black lines of planes [j_first, j_last), from x = 0, as one travelling front.

    Black lines of the first and the last plane wait for the planes next door: see
    `smooth_black`.
    """
    for j in range(j_first, j_last):
        _solve_lines_alone(j, 0, shape, tz, pivot, lo, hi, b, x)
        if j - 1 > j_first:
            _solve_lines(j - 1, 1, shape, tx, ty, tz, pivot, lo, hi, b, x)


@_compiled
def smooth_colour(j_first, j_last, colour, shape, tx, ty, tz, pivot, lo, hi, b, x):
    """Lines of one colour of planes [j_first, j_last)."""
    for j in range(j_first, j_last):
        _solve_lines(j, colour, shape, tx, ty, tz, pivot, lo, hi, b, x)


@_compiled
def restrict_planes(
    j_first, j_last, shape, coarse, factors, tx, ty, pivot, lo, hi, x, clo, chi, buf, cb
):
    """Coarse right-hand side of coarse planes [j_first, j_last)."""
    for jc in range(j_first, j_last):
        _restrict_plane(jc, shape, coarse, factors, tx, ty, pivot, lo, hi, x, clo, chi, buf, cb)


@_compiled
def down(shape, coarse, factors, tx, ty, tz, pivot, lo, hi, b, x, clo, chi, buf, cb):
    """Red, black from x = 0 and the coarse right-hand side: one fused pass over the planes."""
    _, ny, _ = shape
    fy, _ = factors
    done = 0
    for j in range(ny + 2):
        if j < ny:
            _solve_lines_alone(j, 0, shape, tz, pivot, lo, hi, b, x)
        if 1 <= j <= ny:
            _solve_lines(j - 1, 1, shape, tx, ty, tz, pivot, lo, hi, b, x)
        # black is complete up to plane j - 1; the residual of plane p needs black at p + 1
        while done < coarse[1] and min((done + 1) * fy, ny) <= (j - 1 if j - 1 < ny else ny):
            _restrict_plane(
                done, shape, coarse, factors, tx, ty, pivot, lo, hi, x, clo, chi, buf, cb
            )
            done += 1


@_compiled
def up(shape, coarse, factors, tx, ty, tz, pivot, lo, hi, b, x, clo, chi, cx_, cpivot, num, den):
    """Add the coarse correction, then black, red: one fused pass over the planes."""
    _, ny, _ = shape
    for j in range(ny + 2):
        if j < ny:
            _prolong_plane(j, shape, coarse, factors, lo, hi, clo, chi, cx_, cpivot, num, den, x)
        if 1 <= j <= ny:
            _solve_lines(j - 1, 1, shape, tx, ty, tz, pivot, lo, hi, b, x)
        if j >= 2:
            _solve_lines(j - 2, 0, shape, tx, ty, tz, pivot, lo, hi, b, x)


@_compiled
def solve_only_lines(shape, tz, pivot, lo, hi, b, x):
    """The coarsest level, one line: solved exactly."""
    _, ny, _ = shape
    for j in range(ny):
        _solve_lines_alone(j, 0, shape, tz, pivot, lo, hi, b, x)
        _solve_lines_alone(j, 1, shape, tz, pivot, lo, hi, b, x)


# ---------------------------------------------------------------------------- conjugate gradients


@_reducing
def apply_plane(j, shape, tx, ty, tz, lo, hi, p, q):
    """q = A p in plane j in flux form (exactly conservative); returns p.q of the plane."""
    nz, _, nx = shape
    width = _u((nx + 1) // 2 + 2)
    sz = _TWO * width
    sy = _u(nz + 2) * sz
    total = 0.0
    for k in range(nz):
        row = _u(j + 1) * sy + _u(k + 1) * sz + _ONE
        first = _u(lo[j, k])
        last = _u(hi[j, k])
        for parity in range(2):
            if parity == 0:
                own = row
                left = row + width - _ONE
                right = row + width
            else:
                own = row + width
                left = row
                right = row + _ONE
            north = own + sy
            south = own - sy
            above = own + sz
            below = own - sz
            for m in range(first, last):
                v = p[own + m]
                f = (
                    np.float64(tx[left + m]) * (v - p[left + m])
                    + np.float64(tx[own + m]) * (v - p[right + m])
                    + np.float64(ty[south + m]) * (v - p[south + m])
                    + np.float64(ty[own + m]) * (v - p[north + m])
                    + np.float64(tz[below + m]) * (v - p[below + m])
                    + np.float64(tz[own + m]) * (v - p[above + m])
                )
                q[own + m] = f
                total += v * f
    return total


@_compiled
def apply_planes(j_first, j_last, shape, tx, ty, tz, lo, hi, p, q, sums):
    """q = A p for planes [j_first, j_last); ``sums[j]`` = p.q of plane j."""
    for j in range(j_first, j_last):
        sums[j] = apply_plane(j, shape, tx, ty, tz, lo, hi, p, q)


@_reducing
def _direct_plane(j, shape, beta, lo, hi, z, p):
    """p = z + beta p in plane j."""
    nz, _, nx = shape
    width = _u((nx + 1) // 2 + 2)
    sz = _TWO * width
    sy = _u(nz + 2) * sz
    for k in range(nz):
        row = _u(j + 1) * sy + _u(k + 1) * sz + _ONE
        for own in (row, row + width):
            for m in range(_u(lo[j, k]), _u(hi[j, k])):
                p[own + m] = z[own + m] + beta * p[own + m]


@_compiled
def direct_and_apply(j_first, j_last, shape, tx, ty, tz, lo, hi, beta, z, p, q, sums):
    """p = z + beta p, then q = A p one plane behind, for a whole box of planes."""
    for j in range(j_first, j_last):
        _direct_plane(j, shape, beta, lo, hi, z, p)
        if j - 1 >= j_first:
            sums[j - 1] = apply_plane(j - 1, shape, tx, ty, tz, lo, hi, p, q)
    sums[j_last - 1] = apply_plane(j_last - 1, shape, tx, ty, tz, lo, hi, p, q)


@_reducing
def dots(j_first, j_last, shape, lo, hi, z, r, q, zr, zq):
    """Plane sums of z.r and z.q."""
    nz, _, nx = shape
    width = _u((nx + 1) // 2 + 2)
    sz = _TWO * width
    sy = _u(nz + 2) * sz
    for j in range(j_first, j_last):
        a = 0.0
        c = 0.0
        for k in range(nz):
            row = _u(j + 1) * sy + _u(k + 1) * sz + _ONE
            for own in (row, row + width):
                for m in range(_u(lo[j, k]), _u(hi[j, k])):
                    v = np.float64(z[own + m])
                    a += v * r[own + m]
                    c += v * q[own + m]
        zr[j] = a
        zq[j] = c


@_reducing
def advance(j_first, j_last, shape, lo, hi, alpha, p, q, x, r, r32, sums):
    """x += alpha p; r -= alpha q; r32 = r; plane sums of r.r."""
    nz, _, nx = shape
    width = _u((nx + 1) // 2 + 2)
    sz = _TWO * width
    sy = _u(nz + 2) * sz
    for j in range(j_first, j_last):
        a = 0.0
        for k in range(nz):
            row = _u(j + 1) * sy + _u(k + 1) * sz + _ONE
            for own in (row, row + width):
                for m in range(_u(lo[j, k]), _u(hi[j, k])):
                    x[own + m] += alpha * p[own + m]
                    v = r[own + m] - alpha * q[own + m]
                    r[own + m] = v
                    r32[own + m] = v
                    a += v * v
        sums[j] = a


@_reducing
def inner_product(j_first, j_last, shape, lo, hi, a, b, sums):
    """Plane sums of a.b."""
    nz, _, nx = shape
    width = _u((nx + 1) // 2 + 2)
    sz = _TWO * width
    sy = _u(nz + 2) * sz
    for j in range(j_first, j_last):
        total = 0.0
        for k in range(nz):
            row = _u(j + 1) * sy + _u(k + 1) * sz + _ONE
            for own in (row, row + width):
                for m in range(_u(lo[j, k]), _u(hi[j, k])):
                    total += a[own + m] * b[own + m]
        sums[j] = total


@_compiled
def step_along(j_first, j_last, shape, lo, hi, length, move, x):
    """x += length * move; move = 0."""
    nz, _, nx = shape
    width = _u((nx + 1) // 2 + 2)
    sz = _TWO * width
    sy = _u(nz + 2) * sz
    for j in range(j_first, j_last):
        for k in range(nz):
            row = _u(j + 1) * sy + _u(k + 1) * sz + _ONE
            for own in (row, row + width):
                for m in range(_u(lo[j, k]), _u(hi[j, k])):
                    x[own + m] += length * move[own + m]
                    move[own + m] = 0.0


@_compiled
def begin(j_first, j_last, shape, lo, hi, balance, r, r32, q):
    """r = r32 = -balance; q = 0."""
    nz, _, nx = shape
    width = _u((nx + 1) // 2 + 2)
    sz = _TWO * width
    sy = _u(nz + 2) * sz
    for j in range(j_first, j_last):
        for k in range(nz):
            row = _u(j + 1) * sy + _u(k + 1) * sz + _ONE
            for own in (row, row + width):
                for m in range(_u(lo[j, k]), _u(hi[j, k])):
                    v = -balance[own + m]
                    r[own + m] = v
                    r32[own + m] = v
                    q[own + m] = 0.0


@_compiled
def mask_by(j_first, j_last, shape, pivot, x):
    """x = 0 wherever nothing is solved for."""
    nz, _, nx = shape
    plane = (nz + 2) * 2 * ((nx + 1) // 2 + 2)
    for c in range((j_first + 1) * plane, (j_last + 1) * plane):
        if pivot[c] == 0.0:
            x[c] = 0.0


# ---------------------------------------------------------------------------- between layouts


@_compiled
def to_split(natural, shape, out):
    """Copy (nz, ny, nx) into the split layout; ghosts are left alone."""
    nz, ny, nx = shape
    width = (nx + 1) // 2 + 2
    for j in range(ny):
        for k in range(nz):
            row = ((j + 1) * (nz + 2) + k + 1) * 2 * width
            for i in range(nx):
                out[row + 1 + (i >> 1) + (i & 1) * width] = natural[k, j, i]


@_compiled
def from_split(split, shape, out):
    """Copy the split layout into (nz, ny, nx)."""
    nz, ny, nx = shape
    width = (nx + 1) // 2 + 2
    for j in range(ny):
        for k in range(nz):
            row = ((j + 1) * (nz + 2) + k + 1) * 2 * width
            for i in range(nx):
                out[k, j, i] = split[row + 1 + (i >> 1) + (i & 1) * width]
