"""Compiled loops of the cycle: line smoothing, restriction, prolongation.

Arrays only; imports no project file, because numba's cache does not follow edits across files.
The memory layout is that of `kernels.layout`.
"""

from __future__ import annotations

import llvmlite.binding as _llvm
import numpy as np
from numba import njit

# The loops read a dozen array sections at once. LLVM vectorises them only if it may test that many
# for overlap (its default is 8).
_llvm.set_option("kernels", "-runtime-memory-check-threshold=128")
# Rows are short and a multiple of eight long: no unrolling past that, which would leave a tail.
_llvm.set_option("kernels", "-force-vector-interleave=1")

_u = np.uint64
_ONE = np.uint64(1)
_TWO = np.uint64(2)

_compiled = njit(cache=True, nogil=True, error_model="numpy", fastmath={"contract"})
_inlined = njit(inline="always", error_model="numpy", fastmath={"contract"})


@_inlined
def _natural(row, width, i):
    return row + 1 + (i >> 1) + (i & 1) * width


@_compiled
def _solve_lines_alone(j, colour, shape, tz, pivot, lo, hi, b, x):
    """Lines of one colour in plane j with zero neighbours: the first sweep from x = 0."""
    nz, _, nx = shape
    width = _u((nx + 15) // 16 * 8 + 2)
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
    width = _u((nx + 15) // 16 * 8 + 2)
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
    width = _u((nx + 15) // 16 * 8 + 2)
    sz = _TWO * width
    sy = _u(nz + 2) * sz
    wc = (nxc + 15) // 16 * 8 + 2
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
def _prolong_plane(j, shape, coarse, factors, lo, hi, cx_, row_buf, x):
    """Add the coarse correction to the red lines of plane j (the black ones are solved next).

    Each cell takes the value of the coarse cell it lies in: the transpose of the restriction, so
    that the whole cycle is symmetric whatever the conductances are.
    """
    nz, _, nx = shape
    _, _, nxc = coarse
    fy, fx = factors
    width = _u((nx + 15) // 16 * 8 + 2)
    sz = _TWO * width
    sy = _u(nz + 2) * sz
    wc = _u((nxc + 15) // 16 * 8 + 2)
    parity = _u(j & 1)
    plane = _u(j // fy + 1) * _u(nz + 2)
    for k in range(nz):
        first = _u(lo[j, k])
        last = _u(hi[j, k])
        own = _u(j + 1) * sy + _u(k + 1) * sz + _ONE + parity * width
        even = (plane + _u(k + 1)) * _TWO * wc + _ONE
        odd = even + wc
        if fx == 2:
            for m in range(first >> _ONE, (last + _ONE) >> _ONE):
                row_buf[_TWO * m] = cx_[even + m]
                row_buf[_TWO * m + _ONE] = cx_[odd + m]
            for m in range(first, last):
                x[own + m] += row_buf[m]
        else:
            other = odd if parity == _ONE else even
            for m in range(first, last):
                x[own + m] += cx_[other + m]


@_compiled
def smooth_colour(j_first, j_last, colour, shape, tx, ty, tz, pivot, lo, hi, b, x):
    """Lines of one colour of planes [j_first, j_last)."""
    for j in range(j_first, j_last):
        _solve_lines(j, colour, shape, tx, ty, tz, pivot, lo, hi, b, x)


@_compiled
def solve_lines_alone(j_first, j_last, colour, shape, tz, pivot, lo, hi, b, x):
    """Lines of one colour of planes [j_first, j_last), all others 0."""
    for j in range(j_first, j_last):
        _solve_lines_alone(j, colour, shape, tz, pivot, lo, hi, b, x)


@_compiled
def restrict_planes(
    j_first, j_last, shape, coarse, factors, tx, ty, pivot, lo, hi, x, clo, chi, buf, cb
):
    """Coarse right-hand side of coarse planes [j_first, j_last)."""
    for jc in range(j_first, j_last):
        _restrict_plane(jc, shape, coarse, factors, tx, ty, pivot, lo, hi, x, clo, chi, buf, cb)


@_compiled
def inner_coarse(j_first, j_last, ny, fy):
    """Coarse planes of a slab that `down` finishes by itself: [first, last)."""
    below = 0 if j_first == 0 else 2
    above = 0 if j_last == ny else 2
    first = -(-(j_first + below) // fy)
    last = (j_last - above) // fy if j_last < ny else -(-ny // fy)
    return first, max(first, last)


@_compiled
def down(
    j_first,
    j_last,
    shape,
    coarse,
    factors,
    tx,
    ty,
    tz,
    pivot,
    lo,
    hi,
    b,
    x,
    clo,
    chi,
    buf,
    cb,
):
    """Red, black from x = 0 and the coarse right-hand side, as one front over a slab of planes.

    At a side where the slab meets another, the black lines of its last plane, and the coarse
    planes that need them, are left to `smooth_colour` and `restrict_planes`: the result does not
    depend on how the planes are cut into slabs.
    """
    _, ny, _ = shape
    fy, _ = factors
    low = j_first + (1 if j_first > 0 else 0)
    high = j_last - (1 if j_last < ny else 0)
    done, last = inner_coarse(j_first, j_last, ny, fy)
    for j in range(j_first, j_last + 2):
        if j < j_last:
            _solve_lines_alone(j, 0, shape, tz, pivot, lo, hi, b, x)
        if low <= j - 1 < high:
            _solve_lines(j - 1, 1, shape, tx, ty, tz, pivot, lo, hi, b, x)
        # the residual of plane p needs black at p + 1; black is done up to plane j - 1
        while done < last and (min((done + 1) * fy, ny - 1) <= j - 1):
            _restrict_plane(
                done, shape, coarse, factors, tx, ty, pivot, lo, hi, x, clo, chi, buf, cb
            )
            done += 1


@_compiled
def up(
    j_first,
    j_last,
    shape,
    coarse,
    factors,
    tx,
    ty,
    tz,
    pivot,
    lo,
    hi,
    b,
    x,
    cx_,
    row_buf,
):
    """Add the coarse correction, then black, red, as one front over a slab of planes.

    At a side where the slab meets another, black of its last plane and red of its last two are
    left to `smooth_colour`.
    """
    _, ny, _ = shape
    low = j_first + (1 if j_first > 0 else 0)
    high = j_last - (1 if j_last < ny else 0)
    red_low = j_first + (2 if j_first > 0 else 0)
    red_high = j_last - (2 if j_last < ny else 0)
    for j in range(j_first, j_last + 2):
        if j < j_last:
            _prolong_plane(j, shape, coarse, factors, lo, hi, cx_, row_buf, x)
        if low <= j - 1 < high:
            _solve_lines(j - 1, 1, shape, tx, ty, tz, pivot, lo, hi, b, x)
        if red_low <= j - 2 < red_high:
            _solve_lines(j - 2, 0, shape, tx, ty, tz, pivot, lo, hi, b, x)


@_compiled
def restrict_by_table(shape, coarse, parent_y, parent_x, tx, ty, pivot, lo, hi, x, cb):
    """As `restrict_planes` for all planes, by tables."""
    nz, ny, nx = shape
    _, _, nxc = coarse
    width = (nx + 15) // 16 * 8 + 2
    sz = 2 * width
    sy = (nz + 2) * sz
    wc = (nxc + 15) // 16 * 8 + 2
    cb[:] = 0.0
    for j in range(ny):
        for k in range(nz):
            row = (j + 1) * sy + (k + 1) * sz
            rowc = ((parent_y[j] + 1) * (nz + 2) + k + 1) * 2 * wc
            for i in range(2 * lo[j, k] + (j & 1), min(2 * hi[j, k], nx), 2):
                c = _natural(row, width, i)
                if pivot[c] > 0.0:
                    left = _natural(row, width, i - 1) if i > 0 else row + width
                    right = _natural(row, width, i + 1)
                    cb[_natural(rowc, wc, parent_x[i])] += (
                        tx[left] * x[left]
                        + tx[c] * x[right]
                        + ty[c] * x[c + sy]
                        + ty[c - sy] * x[c - sy]
                    )


@_compiled
def prolong_by_table(shape, coarse, parent_y, parent_x, lo, hi, cx_, x):
    """As `_prolong_plane` for all planes, by tables."""
    nz, ny, nx = shape
    _, _, nxc = coarse
    width = (nx + 15) // 16 * 8 + 2
    sz = 2 * width
    sy = (nz + 2) * sz
    wc = (nxc + 15) // 16 * 8 + 2
    for j in range(ny):
        for k in range(nz):
            row = (j + 1) * sy + (k + 1) * sz
            rowc = ((parent_y[j] + 1) * (nz + 2) + k + 1) * 2 * wc
            for i in range(2 * lo[j, k] + (j & 1), min(2 * hi[j, k], nx), 2):
                x[_natural(row, width, i)] += cx_[_natural(rowc, wc, parent_x[i])]


@_compiled
def solve_only_lines(shape, tz, pivot, lo, hi, b, x):
    """The coarsest level, one line: solved exactly."""
    _, ny, _ = shape
    for j in range(ny):
        _solve_lines_alone(j, 0, shape, tz, pivot, lo, hi, b, x)
        _solve_lines_alone(j, 1, shape, tz, pivot, lo, hi, b, x)
