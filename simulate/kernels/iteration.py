"""Compiled loops of conjugate gradients: the operator, updates and sums over planes.

The memory layout is that of `kernels.layout`. Places between the spans hold 0 in every vector, so
sums and updates run through a plane from end to end.
"""

from __future__ import annotations

import numpy as np

from simulate.kernels.compiling import compiled, inner, reducing
from simulate.kernels.layout import FIRST, HI, LAST, LO, neighbours
from simulate.kernels.vectors import WIDTH, load, spread_double, store, total, widen


@compiled
def add_at(cells, values, out):
    """out[cells] += values, repeats included."""
    for f in range(cells.size):
        out[cells[f]] += values[f]


@compiled
def gather_dot(cells, values, p):
    """sum(values * p[cells])."""
    total = 0.0
    for f in range(cells.size):
        total += values[f] * p[cells[f]]
    return total


@compiled
def face_products(cells, values, p, q):
    """q[cells] += values * p[cells]; returns sum(values * p[cells]**2)."""
    total = 0.0
    for f in range(cells.size):
        v = values[f] * p[cells[f]]
        q[cells[f]] += v
        total += v * p[cells[f]]
    return total


@inner
def _apply_plane(j, rows, tx, ty, tz, p, q):
    """q = A p in plane j in flux form (exactly conservative); returns p.q of the plane."""
    product = spread_double(0.0)
    for k in range(rows[j + 1, 0, FIRST], rows[j + 1, 0, LAST]):
        for half in range(2):
            own, left, right, south, north = neighbours(rows, j, k, half)
            above = rows[j + 1, k + 1, half]
            below = rows[j + 1, k - 1, half]
            for m in range(rows[j + 1, k, LO], rows[j + 1, k, HI], WIDTH):
                v = load(p, own + m)
                f = (
                    widen(load(tx, left + m)) * (v - load(p, left + m))
                    + widen(load(tx, own + m)) * (v - load(p, right + m))
                    + widen(load(ty, south + m)) * (v - load(p, south + m))
                    + widen(load(ty, own + m)) * (v - load(p, north + m))
                    + widen(load(tz, below + m)) * (v - load(p, below + m))
                    + widen(load(tz, own + m)) * (v - load(p, above + m))
                )
                store(q, own + m, f)
                product = product + v * f
    return total(product)


@compiled
def apply_planes(j_first, j_last, shape, rows, tx, ty, tz, p, q, sums):
    """q = A p for planes [j_first, j_last); ``sums[j]`` = p.q of plane j."""
    for j in range(j_first, j_last):
        sums[j] = _apply_plane(j, rows, tx, ty, tz, p, q)


@compiled
def direct_and_apply(
    j_first, j_last, shape, rows, planes, tx, ty, tz, alpha, beta, z, p, q, x, sums
):
    """x += alpha p, then p = z + beta p over a slab of planes, and q = A p one plane behind.

    At a side where the slab meets another, q of its last plane is left to `apply_planes`.
    """
    ny = shape[1]
    low = j_first + (1 if j_first > 0 else 0)
    high = j_last - (1 if j_last < ny else 0)
    for j in range(j_first, j_last + 1):
        if j < j_last:
            for c in range(planes[j], planes[j + 1]):
                x[c] += alpha * p[c]
                p[c] = z[c] + beta * p[c]
        if low <= j - 1 < high:
            sums[j - 1] = _apply_plane(j - 1, rows, tx, ty, tz, p, q)


@reducing
def dots(j_first, j_last, planes, z, r, q, zr, zq):
    """Plane sums of z.r and z.q."""
    for j in range(j_first, j_last):
        a = 0.0
        c = 0.0
        for m in range(planes[j], planes[j + 1]):
            v = np.float64(z[m])
            a += v * r[m]
            c += v * q[m]
        zr[j] = a
        zq[j] = c


@reducing
def advance(j_first, j_last, planes, alpha, unit, q, r, r32, sums):
    """r -= alpha q; r32 = r / unit; plane sums of r.r."""
    scale = 1.0 / unit
    for j in range(j_first, j_last):
        a = 0.0
        for m in range(planes[j], planes[j + 1]):
            v = r[m] - alpha * q[m]
            r[m] = v
            r32[m] = v * scale
            a += v * v
        sums[j] = a


@compiled
def add_along(j_first, j_last, planes, length, p, x):
    """x += length * p."""
    for m in range(planes[j_first], planes[j_last]):
        x[m] += length * p[m]


@reducing
def inner_product(j_first, j_last, planes, a, b, sums):
    """Plane sums of a.b."""
    for j in range(j_first, j_last):
        product = 0.0
        for m in range(planes[j], planes[j + 1]):
            product += a[m] * b[m]
        sums[j] = product


@compiled
def step_along(j_first, j_last, planes, length, move, x):
    """x += length * move; move = 0."""
    for m in range(planes[j_first], planes[j_last]):
        x[m] += length * move[m]
        move[m] = 0.0


@compiled
def begin(j_first, j_last, planes, unit, r, r32, q):
    """r32 = r / unit; q = 0."""
    scale = 1.0 / unit
    for m in range(planes[j_first], planes[j_last]):
        r32[m] = r[m] * scale
        q[m] = 0.0


@compiled
def negate(j_first, j_last, planes, r):
    """r = -r."""
    for m in range(planes[j_first], planes[j_last]):
        r[m] = -r[m]


@compiled
def clear_dead(j_first, j_last, planes, pivot, x):
    """x = 0 wherever nothing is solved for."""
    for m in range(planes[j_first], planes[j_last]):
        if pivot[m] == 0.0:
            x[m] = 0.0


@compiled
def rounding(j_first, j_last, shape, rows, tx, ty, tz, x, sums):
    """Plane sums of (sum of conductances * x)**2: what rounding of A x is proportional to."""
    for j in range(j_first, j_last):
        product = 0.0
        for k in range(rows[j + 1, 0, FIRST], rows[j + 1, 0, LAST]):
            for half in range(2):
                own, left, _, south, _ = neighbours(rows, j, k, half)
                below = rows[j + 1, k - 1, half]
                for m in range(rows[j + 1, k, LO], rows[j + 1, k, HI]):
                    c = own + m
                    d = tx[c] + tx[left + m] + ty[c] + ty[south + m] + tz[c] + tz[below + m]
                    product += (d * x[c]) ** 2
        sums[j] = product
