"""Compiled loops of the cycle: line smoothing, restriction, prolongation.

The memory layout is that of `kernels.layout`.
"""

from __future__ import annotations

from simulate.kernels.compiling import compiled, inner
from simulate.kernels.layout import EVEN, FIRST, HI, LAST, LO, ODD, neighbours
from simulate.kernels.simd import (
    WIDTH,
    add_to,
    evens,
    load,
    merged_high,
    merged_low,
    odds,
    spread_double,
    spread_single,
    store,
    total,
    where_positive,
    widen,
)


@inner
def _solve_lines_alone(j, half, rows, tz, pivot, b, x):
    """Lines of one half of plane j with zero neighbours: the first sweep from x = 0."""
    plane = rows[j + 1]
    for k in range(plane[0, LAST] - 1, plane[0, FIRST] - 1, -1):
        row = plane[k]
        own = row[half]
        above = plane[k + 1, half]
        for m in range(row[LO], row[HI], WIDTH):
            held = load(b, own + m) + load(tz, own + m) * load(x, above + m)
            store(x, own + m, held * load(pivot, own + m))
    _substitute(j, half, rows, tz, pivot, x)


@inner
def _substitute(j, half, rows, tz, pivot, x):
    """From the bottom of the lines up, after elimination from the top down."""
    plane = rows[j + 1]
    for k in range(plane[0, FIRST] + 1, plane[0, LAST]):
        row = plane[k]
        own = row[half]
        below = plane[k - 1, half]
        for m in range(row[LO], row[HI], WIDTH):
            fed = load(tz, below + m) * load(x, below + m)
            add_to(x, own + m, load(pivot, own + m) * fed)


@inner
def _solve_lines(j, half, rows, tx, ty, tz, pivot, b, x):
    """Lines of one half of plane j, exactly, with all others held."""
    plane = rows[j + 1]
    for k in range(plane[0, LAST] - 1, plane[0, FIRST] - 1, -1):
        own, left, right, south, north = neighbours(rows, j, k, half)
        row = plane[k]
        above = plane[k + 1, half]
        for m in range(row[LO], row[HI], WIDTH):
            held = (
                load(b, own + m)
                + load(tx, left + m) * load(x, left + m)
                + load(tx, own + m) * load(x, right + m)
                + load(ty, own + m) * load(x, north + m)
                + load(ty, south + m) * load(x, south + m)
                + load(tz, own + m) * load(x, above + m)
            )
            store(x, own + m, held * load(pivot, own + m))
    _substitute(j, half, rows, tz, pivot, x)


@inner
def _restrict_plane(jc, shape, factors, rows, tx, ty, pivot, x, crows, buf, cb):
    """Coarse right-hand side of plane jc after a sweep red, black from x = 0.

    The residual is then 0 on black lines and sum(T x_black) on red ones.
    """
    ny = shape[1]
    fy, fx = factors
    zero = spread_single(0.0)
    cplane = crows[jc + 1]
    for k in range(cplane[0, LAST] - 1, cplane[0, FIRST] - 1, -1):
        crow = cplane[k]
        first = crow[LO]
        last = crow[HI]
        for m in range(2 * first, 2 * last, WIDTH):
            store(buf, m, zero)
        for j in range(jc * fy, min(jc * fy + fy, ny)):
            half = j & 1
            own, left, right, south, north = neighbours(rows, j, k, half)
            row = rows[j + 1, k]
            for m in range(row[LO], row[HI], WIDTH):
                fed = where_positive(
                    load(pivot, own + m),
                    load(tx, left + m) * load(x, left + m)
                    + load(tx, own + m) * load(x, right + m)
                    + load(ty, own + m) * load(x, north + m)
                    + load(ty, south + m) * load(x, south + m),
                )
                if fx == 2:
                    add_to(buf, m, fed)
                elif half == 0:
                    add_to(buf, 2 * m, merged_low(fed, zero))
                    add_to(buf, 2 * m + WIDTH, merged_high(fed, zero))
                else:
                    add_to(buf, 2 * m, merged_low(zero, fed))
                    add_to(buf, 2 * m + WIDTH, merged_high(zero, fed))
        even = crow[EVEN]
        odd = crow[ODD]
        for m in range(first, last, WIDTH):
            low = load(buf, 2 * m)
            high = load(buf, 2 * m + WIDTH)
            store(cb, even + m, evens(low, high))
            store(cb, odd + m, odds(low, high))


@inner
def _prolong_plane(j, shape, factors, rows, crows, cx_, x):
    """Add the coarse correction to the red lines of plane j (the black ones are solved next).

    Each cell takes the value of the coarse cell it lies in: the transpose of the restriction, so
    that the whole cycle is symmetric whatever the conductances are.
    """
    fy, fx = factors
    half = j & 1
    jc = j // fy
    plane, cplane = rows[j + 1], crows[jc + 1]
    for k in range(plane[0, LAST] - 1, plane[0, FIRST] - 1, -1):
        row, crow = plane[k], cplane[k]
        own = row[half]
        even = crow[EVEN]
        odd = crow[ODD]
        if fx == 2:
            for m in range(row[LO], row[HI], WIDTH):
                pairs = merged_low(load(cx_, even + (m >> 1)), load(cx_, odd + (m >> 1)))
                add_to(x, own + m, pairs)
        else:
            same = odd if half == 1 else even
            for m in range(row[LO], row[HI], WIDTH):
                add_to(x, own + m, load(cx_, same + m))


@compiled
def smooth_colour(j_first, j_last, colour, shape, rows, tx, ty, tz, pivot, b, x):
    """Lines of one colour of planes [j_first, j_last)."""
    for j in range(j_first, j_last):
        _solve_lines(j, (j + colour) & 1, rows, tx, ty, tz, pivot, b, x)


@compiled
def solve_lines_alone(j_first, j_last, colour, shape, rows, tz, pivot, b, x):
    """Lines of one colour of planes [j_first, j_last), all others 0."""
    for j in range(j_first, j_last):
        _solve_lines_alone(j, (j + colour) & 1, rows, tz, pivot, b, x)


@compiled
def restrict_planes(j_first, j_last, shape, factors, rows, tx, ty, pivot, x, crows, buf, cb):
    """Coarse right-hand side of coarse planes [j_first, j_last)."""
    for jc in range(j_first, j_last):
        _restrict_plane(jc, shape, factors, rows, tx, ty, pivot, x, crows, buf, cb)


@compiled
def inner_coarse(j_first, j_last, ny, fy):
    """Coarse planes of a slab that `down` finishes by itself: [first, last)."""
    below = 0 if j_first == 0 else 2
    above = 0 if j_last == ny else 2
    first = -(-(j_first + below) // fy)
    last = (j_last - above) // fy if j_last < ny else -(-ny // fy)
    return first, max(first, last)


@compiled
def down(j_first, j_last, shape, factors, rows, tx, ty, tz, pivot, b, x, crows, buf, cb):
    """Red, black from x = 0 and the coarse right-hand side, as one front over a slab of planes.

    At a side where the slab meets another, the black lines of its last plane, and the coarse
    planes that need them, are left to `smooth_colour` and `restrict_planes`: the result does not
    depend on how the planes are cut into slabs.
    """
    ny = shape[1]
    fy, _ = factors
    low = j_first + (1 if j_first > 0 else 0)
    high = j_last - (1 if j_last < ny else 0)
    done, last = inner_coarse(j_first, j_last, ny, fy)
    for j in range(j_first, j_last + 2):
        if j < j_last:
            _solve_lines_alone(j, j & 1, rows, tz, pivot, b, x)
        if low <= j - 1 < high:
            _solve_lines(j - 1, j & 1, rows, tx, ty, tz, pivot, b, x)
        # the residual of plane p needs black at p + 1; black is done up to plane j - 1
        while done < last and (min((done + 1) * fy, ny - 1) <= j - 1):
            _restrict_plane(done, shape, factors, rows, tx, ty, pivot, x, crows, buf, cb)
            done += 1


@compiled
def dots(j_first, j_last, planes, z, r, q, sums):
    """Plane sums of z.r into ``sums[0]`` and of z.q into ``sums[1]``."""
    for j in range(j_first, j_last):
        a = spread_double(0.0)
        c = spread_double(0.0)
        for m in range(planes[j], planes[j + 1], WIDTH):
            v = load(z, m)
            a = a + widen(v * load(r, m))
            c = c + widen(v * load(q, m))
        sums[0, j] = total(a)
        sums[1, j] = total(c)


@compiled
def up(j_first, j_last, shape, factors, rows, planes, tx, ty, tz, pivot, b, x, crows, cx_, q, sums):
    """Add the coarse correction, then black, red, as one front over a slab of planes.

    At a side where the slab meets another, black of its last plane and red of its last two are
    left to `smooth_colour`. `dots` of the planes that are finished go into ``sums`` if it has room.
    """
    ny = shape[1]
    low = j_first + (1 if j_first > 0 else 0)
    high = j_last - (1 if j_last < ny else 0)
    red_low = j_first + (2 if j_first > 0 else 0)
    red_high = j_last - (2 if j_last < ny else 0)
    for j in range(j_first, j_last + 2):
        if j < j_last:
            _prolong_plane(j, shape, factors, rows, crows, cx_, x)
        if low <= j - 1 < high:
            _solve_lines(j - 1, j & 1, rows, tx, ty, tz, pivot, b, x)
        if red_low <= j - 2 < red_high:
            _solve_lines(j - 2, j & 1, rows, tx, ty, tz, pivot, b, x)
            if sums.shape[1] > 0:
                dots(j - 2, j - 1, planes, x, b, q, sums)


@compiled
def cycle_below(table, all_rows, planes, tx, ty, tz, pivot, b, x, buf, sums):
    """One cycle on levels that lie in common arrays, finest first, each whole and regular.

    table (levels, 6): the level's first place in the first axis of ``all_rows``, its first plane
    (0), ny, nx, and the factors (y, x) by which its cells join. ``sums`` (2, 0) and ``planes`` are
    for `up`, which does not use them here.
    """
    last = table.shape[0] - 1
    nz = all_rows.shape[1] - 2
    for n in range(last):
        first, ny = table[n, 1], table[n, 2]
        shape, factors = (nz, ny, table[n, 3]), (table[n, 4], table[n, 5])
        rows = all_rows[table[n, 0] : table[n, 0] + ny + 2]
        crows = all_rows[table[n + 1, 0] : table[n + 1, 0] + table[n + 1, 2] + 2]
        down(first, ny, shape, factors, rows, tx, ty, tz, pivot, b, x, crows, buf, b)
    solve_only_lines(table[last, 2], all_rows[table[last, 0] :], tz, pivot, b, x)
    for n in range(last - 1, -1, -1):
        first, ny = table[n, 1], table[n, 2]
        shape, factors = (nz, ny, table[n, 3]), (table[n, 4], table[n, 5])
        rows = all_rows[table[n, 0] : table[n, 0] + ny + 2]
        crows = all_rows[table[n + 1, 0] : table[n + 1, 0] + table[n + 1, 2] + 2]
        up(
            first, ny, shape, factors, rows, planes, tx, ty, tz, pivot, b, x, crows, x, b, sums
        )  # fmt: skip


@compiled
def restrict_by_table(shape, parent_y, parent_x, rows, tx, ty, pivot, x, crows, cb):
    """As `restrict_planes` for all planes, by tables; the coarse right-hand side is 0 before."""
    nz, ny, _ = shape
    for j in range(1, ny + 1):
        for k in range(1, nz + 1):
            half = (j - 1) & 1
            own = rows[j, k, half]
            right = rows[j, k, 1 - half] + half
            north = rows[j + 1, k, half]
            south = rows[j - 1, k, half]
            coarse = crows[parent_y[j - 1] + 1, k]
            first = (rows[j, k, 4] + 1 - half) >> 1
            last = (rows[j, k, 5] + 1 - half) >> 1
            for m in range(first, last):
                c = own + m
                if pivot[c] > 0.0:
                    ic = parent_x[2 * m + half]
                    cb[coarse[ic & 1] + (ic >> 1)] += (
                        tx[right - 1 + m] * x[right - 1 + m]
                        + tx[c] * x[right + m]
                        + ty[c] * x[north + m]
                        + ty[south + m] * x[south + m]
                    )


@compiled
def prolong_by_table(shape, parent_y, parent_x, rows, crows, cx_, x):
    """As `_prolong_plane` for all planes, by tables."""
    nz, ny, _ = shape
    for j in range(1, ny + 1):
        for k in range(1, nz + 1):
            half = (j - 1) & 1
            own = rows[j, k, half]
            coarse = crows[parent_y[j - 1] + 1, k]
            first = (rows[j, k, 4] + 1 - half) >> 1
            last = (rows[j, k, 5] + 1 - half) >> 1
            for m in range(first, last):
                ic = parent_x[2 * m + half]
                x[own + m] += cx_[coarse[ic & 1] + (ic >> 1)]


@compiled
def solve_only_lines(ny, rows, tz, pivot, b, x):
    """The coarsest level, one line: solved exactly."""
    for j in range(ny):
        _solve_lines_alone(j, j & 1, rows, tz, pivot, b, x)
        _solve_lines_alone(j, (j + 1) & 1, rows, tz, pivot, b, x)
