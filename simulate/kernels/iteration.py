"""Compiled loops of conjugate gradients: the operator, updates and sums over planes.

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
_reducing = njit(cache=True, nogil=True, error_model="numpy", fastmath={"contract", "reassoc"})


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


@_reducing
def apply_plane(j, shape, tx, ty, tz, lo, hi, p, q):
    """q = A p in plane j in flux form (exactly conservative); returns p.q of the plane."""
    nz, _, nx = shape
    width = _u((nx + 15) // 16 * 8 + 2)
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
    width = _u((nx + 15) // 16 * 8 + 2)
    sz = _TWO * width
    sy = _u(nz + 2) * sz
    for k in range(nz):
        row = _u(j + 1) * sy + _u(k + 1) * sz + _ONE
        for own in (row, row + width):
            for m in range(_u(lo[j, k]), _u(hi[j, k])):
                p[own + m] = z[own + m] + beta * p[own + m]


@_compiled
def direct_and_apply(j_first, j_last, shape, tx, ty, tz, lo, hi, beta, z, p, q, sums):
    """p = z + beta p over a slab of planes, and q = A p one plane behind.

    At a side where the slab meets another, q of its last plane is left to `apply_planes`.
    """
    _, ny, _ = shape
    low = j_first + (1 if j_first > 0 else 0)
    high = j_last - (1 if j_last < ny else 0)
    for j in range(j_first, j_last + 1):
        if j < j_last:
            _direct_plane(j, shape, beta, lo, hi, z, p)
        if low <= j - 1 < high:
            sums[j - 1] = apply_plane(j - 1, shape, tx, ty, tz, lo, hi, p, q)


@_reducing
def dots(j_first, j_last, shape, lo, hi, z, r, q, zr, zq):
    """Plane sums of z.r and z.q."""
    nz, _, nx = shape
    width = _u((nx + 15) // 16 * 8 + 2)
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
def advance(j_first, j_last, shape, lo, hi, alpha, unit, p, q, x, r, r32, sums):
    """x += alpha p; r -= alpha q; r32 = r / unit; plane sums of r.r."""
    scale = 1.0 / unit
    nz, _, nx = shape
    width = _u((nx + 15) // 16 * 8 + 2)
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
                    r32[own + m] = v * scale
                    a += v * v
        sums[j] = a


@_reducing
def inner_product(j_first, j_last, shape, lo, hi, a, b, sums):
    """Plane sums of a.b."""
    nz, _, nx = shape
    width = _u((nx + 15) // 16 * 8 + 2)
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
    width = _u((nx + 15) // 16 * 8 + 2)
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
def begin(j_first, j_last, shape, lo, hi, unit, r, r32, q):
    """r32 = r / unit; q = 0."""
    scale = 1.0 / unit
    nz, _, nx = shape
    width = _u((nx + 15) // 16 * 8 + 2)
    sz = _TWO * width
    sy = _u(nz + 2) * sz
    for j in range(j_first, j_last):
        for k in range(nz):
            row = _u(j + 1) * sy + _u(k + 1) * sz + _ONE
            for own in (row, row + width):
                for m in range(_u(lo[j, k]), _u(hi[j, k])):
                    r32[own + m] = r[own + m] * scale
                    q[own + m] = 0.0


@_compiled
def negate(j_first, j_last, shape, lo, hi, r):
    """r = -r."""
    nz, _, nx = shape
    width = _u((nx + 15) // 16 * 8 + 2)
    sz = _TWO * width
    sy = _u(nz + 2) * sz
    for j in range(j_first, j_last):
        for k in range(nz):
            row = _u(j + 1) * sy + _u(k + 1) * sz + _ONE
            for own in (row, row + width):
                for m in range(_u(lo[j, k]), _u(hi[j, k])):
                    r[own + m] = -r[own + m]


@_compiled
def clear(j_first, j_last, shape, lo, hi, x):
    """x = 0."""
    nz, _, nx = shape
    width = _u((nx + 15) // 16 * 8 + 2)
    sz = _TWO * width
    sy = _u(nz + 2) * sz
    for j in range(j_first, j_last):
        for k in range(nz):
            row = _u(j + 1) * sy + _u(k + 1) * sz + _ONE
            for own in (row, row + width):
                for m in range(_u(lo[j, k]), _u(hi[j, k])):
                    x[own + m] = 0.0


@_compiled
def clear_dead(j_first, j_last, shape, lo, hi, pivot, x):
    """x = 0 wherever nothing is solved for."""
    nz, _, nx = shape
    width = _u((nx + 15) // 16 * 8 + 2)
    sz = _TWO * width
    sy = _u(nz + 2) * sz
    for j in range(j_first, j_last):
        for k in range(nz):
            row = _u(j + 1) * sy + _u(k + 1) * sz + _ONE
            for own in (row, row + width):
                for m in range(_u(lo[j, k]), _u(hi[j, k])):
                    if pivot[own + m] == 0.0:
                        x[own + m] = 0.0


@_compiled
def rounding(j_first, j_last, shape, tx, ty, tz, lo, hi, x, sums):
    """Plane sums of (sum of conductances * x)**2: what rounding of A x is proportional to."""
    nz, _, nx = shape
    width = (nx + 15) // 16 * 8 + 2
    sz = 2 * width
    sy = (nz + 2) * sz
    for j in range(j_first, j_last):
        total = 0.0
        for k in range(nz):
            row = (j + 1) * sy + (k + 1) * sz
            for half in range(2):
                own = row + 1 + half * width
                left = row + width if half == 0 else row + 1
                for m in range(lo[j, k], hi[j, k]):
                    c = own + m
                    d = tx[c] + tx[left + m] + ty[c] + ty[c - sy] + tz[c] + tz[c - sz]
                    total += (d * x[c]) ** 2
        sums[j] = total
