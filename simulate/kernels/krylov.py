"""Compiled loops of conjugate gradients: the operator, updates and sums over planes.

The memory layout is that of `kernels.layout`. Places between the spans hold 0 in every vector, so
sums and updates run through a plane from end to end. Vectors are single, sums double precision.
"""

from __future__ import annotations

from simulate.kernels.compiling import compiled, inner
from simulate.kernels.layout import FIRST, HI, LAST, LO, neighbours
from simulate.kernels.simd import (
    WIDTH,
    add_to,
    load,
    spread_double,
    spread_single,
    store,
    total,
    where_positive,
    widen,
)


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
def apply_ties(cells, ties, lead, strength, p, q):
    """Add to q = A p what ties do and a circuit that joins them; returns p . (what is added).

    The two cancel but for a part in 1e8 where a supply holds its current: in double precision.
    """
    along = 0.0
    for f in range(lead.size):
        along += lead[f] * p[cells[f]]
    product = 0.0
    for f in range(cells.size):
        v = ties[f] * p[cells[f]]
        if lead.size > 0:
            v -= strength * along * lead[f]
        q[cells[f]] += v
        product += v * p[cells[f]]
    return product


@inner
def _apply_plane(j, rows, tx, ty, tz, scale, p, q):
    """q = scale * A p in plane j in flux form (exactly conservative); returns p.q of the plane."""
    product = spread_double(0.0)
    plane = rows[j + 1]
    for half in range(2):
        for k in range(plane[0, LAST] - 1, plane[0, FIRST] - 1, -1):
            own, left, right, south, north = neighbours(rows, j, k, half)
            row = plane[k]
            above = plane[k + 1, half]
            below = plane[k - 1, half]
            for m in range(row[LO], row[HI], WIDTH):
                v = load(p, own + m)
                f = scale * (
                    load(tx, left + m) * (v - load(p, left + m))
                    + load(tx, own + m) * (v - load(p, right + m))
                    + load(ty, south + m) * (v - load(p, south + m))
                    + load(ty, own + m) * (v - load(p, north + m))
                    + load(tz, below + m) * (v - load(p, below + m))
                    + load(tz, own + m) * (v - load(p, above + m))
                )
                store(q, own + m, f)
                product = product + widen(v * f)
    return total(product)


@compiled
def apply_planes(j_first, j_last, shape, rows, tx, ty, tz, scale, p, q, sums):
    """q = scale * A p for planes [j_first, j_last), without ties; ``sums[j]`` = p.q of plane j.

    Computed in the precision of p.
    """
    factor = spread_single(scale)
    for j in range(j_first, j_last):
        sums[j] = _apply_plane(j, rows, tx, ty, tz, factor, p, q)


@compiled
def balance_cells(rows, where, tx, ty, tz, phi, injected, scale, r):
    """r = scale * (A phi - injected) in the cells ``where`` (n, 3): k, j, i."""
    for f in range(where.shape[0]):
        k, j, i = where[f, 0] + 1, where[f, 1], where[f, 2]
        own, left, right, south, north = neighbours(rows, j, k, i & 1)
        m = i >> 1
        above = rows[j + 1, k + 1, i & 1] + m
        below = rows[j + 1, k - 1, i & 1] + m
        v = phi[own + m]
        out = (
            tx[left + m] * (v - phi[left + m])
            + tx[own + m] * (v - phi[right + m])
            + ty[south + m] * (v - phi[south + m])
            + ty[own + m] * (v - phi[north + m])
            + tz[below] * (v - phi[below])
            + tz[own + m] * (v - phi[above])
        )
        r[own + m] = scale * (out - injected[f])


@compiled
def direct_and_apply(
    j_first, j_last, shape, rows, planes, tx, ty, tz, keep, alpha, beta, z, p, q, x, sums
):
    """x = keep x + alpha p, then p = z + beta p over a slab, and q = A p one plane behind.

    At a side where the slab meets another, q of its last plane is left to `apply_planes`.
    """
    ny = shape[1]
    low = j_first + (1 if j_first > 0 else 0)
    high = j_last - (1 if j_last < ny else 0)
    one = spread_single(1.0)
    kept, along, mixed = spread_single(keep), spread_single(alpha), spread_single(beta)
    for j in range(j_first, j_last + 1):
        if j < j_last:
            for c in range(planes[j], planes[j + 1], WIDTH):
                v = load(p, c)
                store(x, c, kept * load(x, c) + along * v)
                store(p, c, load(z, c) + mixed * v)
        if low <= j - 1 < high:
            sums[j - 1] = _apply_plane(j - 1, rows, tx, ty, tz, one, p, q)


@compiled
def advance(j_first, j_last, planes, alpha, q, r, sums):
    """r -= alpha q; plane sums of r.r."""
    along = spread_single(alpha)
    for j in range(j_first, j_last):
        a = spread_double(0.0)
        b = spread_double(0.0)  # two sums at a time: one would wait for itself
        for m in range(planes[j], planes[j + 1], 2 * WIDTH):
            v = load(r, m) - along * load(q, m)
            w = load(r, m + WIDTH) - along * load(q, m + WIDTH)
            store(r, m, v)
            store(r, m + WIDTH, w)
            a = a + widen(v) * widen(v)
            b = b + widen(w) * widen(w)
        sums[j] = total(a + b)


@compiled
def norms(j_first, j_last, planes, r, sums):
    """Plane sums of r.r."""
    for j in range(j_first, j_last):
        a = spread_double(0.0)
        b = spread_double(0.0)
        for m in range(planes[j], planes[j + 1], 2 * WIDTH):
            v = widen(load(r, m))
            w = widen(load(r, m + WIDTH))
            a = a + v * v
            b = b + w * w
        sums[j] = total(a + b)


@compiled
def add_along(j_first, j_last, planes, length, p, x):
    """x += length * p, in the precision of x's sum with it."""
    along = spread_double(length)
    for m in range(planes[j_first], planes[j_last], WIDTH):
        add_to(x, m, along * load(p, m))


@compiled
def clear_dead(j_first, j_last, planes, pivot, x):
    """x = 0 wherever nothing is solved for."""
    for m in range(planes[j_first], planes[j_last], WIDTH):
        store(x, m, where_positive(load(pivot, m), load(x, m)))


@compiled
def rounding(j_first, j_last, shape, rows, tx, ty, tz, x, sums):
    """Plane sums of (sum of conductances * x)**2: what rounding of A x is proportional to."""
    for j in range(j_first, j_last):
        product = 0.0
        for k in range(rows[j + 1, 0, LAST] - 1, rows[j + 1, 0, FIRST] - 1, -1):
            for half in range(2):
                own, left, _, south, _ = neighbours(rows, j, k, half)
                below = rows[j + 1, k - 1, half]
                for m in range(rows[j + 1, k, LO], rows[j + 1, k, HI]):
                    c = own + m
                    d = tx[c] + tx[left + m] + ty[c] + ty[south + m] + tz[c] + tz[below + m]
                    product += (d * x[c]) ** 2
        sums[j] = product
