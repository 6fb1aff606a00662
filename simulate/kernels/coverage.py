"""Compiled loops over outlines in the plan: area fractions, distance to a rim, inscribed circles.

Every function also runs as plain
Python through ``.py_func``.  Callers hand in C-contiguous float64 arrays; see `stencil.shapes`
for the gate.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from simulate.kernels.compiling import compiled, inner

Floats = NDArray[np.float64]

TILE = 16  # cells along the side of a block that shares one list of nearby rim segments


@inner
def interval(edges: Floats, value: float) -> int:
    """Index i with edges[i] <= value < edges[i + 1], by bisection; clipped to the ends."""
    low, high = 0, edges.size - 1
    while high - low > 1:
        middle = (low + high) // 2
        if edges[middle] <= value:
            low = middle
        else:
            high = middle
    return low


@inner
def add_edge_in_row(row: Floats, x_edges: Floats, start: float, end: float, share: float) -> None:
    """Add to ``row`` (in place) what lies to the right of one edge that crosses one row of cells.

    ``share`` is the signed height of the edge over the height of the row [-].  In a cell the edge
    gives the part of ``share`` to its right; every cell further right gets all of it once the row
    is summed from left to right.
    """
    columns = x_edges.size - 1
    left, right = min(start, end), max(start, end)
    if left >= x_edges[columns]:
        return
    if right <= x_edges[0]:
        row[0] += share
        return
    length = right - left
    if left < x_edges[0]:
        row[0] += share * ((x_edges[0] - left) / length)
        left_in = x_edges[0]
    else:
        left_in = left
    column = interval(x_edges, left_in)
    while column < columns:
        stop = min(right, x_edges[column + 1])
        part = share * ((stop - left_in) / length) if length > 0.0 else share
        width = x_edges[column + 1] - x_edges[column]
        inner = (x_edges[column + 1] - 0.5 * (left_in + stop)) / width
        row[column] += part * inner
        row[column + 1] += part * (1.0 - inner)
        if right <= x_edges[column + 1]:
            return
        left_in = stop
        column += 1


@compiled
def cover_cells(
    points: Floats, starts: NDArray[np.int64], x_edges: Floats, y_edges: Floats, out: Floats
) -> None:
    """Signed area of closed rings in each cell over the cell's area, written into ``out``.

    points : (n, 2) vertices [m], ring after ring, each ring closed and counter-clockwise around
        what it encloses (clockwise around a hole).
    starts : (rings + 1,) first vertex of each ring, and n.
    x_edges, y_edges : (nx + 1,), (ny + 1,) increasing [m].
    out : (ny, nx + 1) zeros on entry; on return [:, :nx] holds the fractions [-], the last column
        what is left of every ring beyond the frame.

    Each edge is cut at the rows, then at the columns, so that the sum is exact but for rounding.
    """
    rows = y_edges.size - 1
    for ring in range(starts.size - 1):
        for k in range(starts[ring], starts[ring + 1] - 1):
            x0, y0 = points[k, 0], points[k, 1]
            x1, y1 = points[k + 1, 0], points[k + 1, 1]
            sign = 1.0
            if y1 > y0:
                sign = -1.0
            else:
                x0, y0, x1, y1 = x1, y1, x0, y0
            if y1 <= y_edges[0] or y0 >= y_edges[rows] or y0 == y1:
                continue
            below = max(y0, y_edges[0])
            start = x0 + (below - y0) / (y1 - y0) * (x1 - x0)
            row = interval(y_edges, below)
            while below < y1 and row < rows:
                above = min(y1, y_edges[row + 1])
                end = x1 if above == y1 else x0 + (above - y0) / (y1 - y0) * (x1 - x0)
                share = sign * (above - below) / (y_edges[row + 1] - y_edges[row])
                add_edge_in_row(out[row], x_edges, start, end, share)
                below, start = above, end
                row += 1
    for row in range(rows):
        total = 0.0
        for column in range(x_edges.size):
            total += out[row, column]
            out[row, column] = total


@inner
def squared_distance(segment: Floats, x: float, y: float) -> float:
    """Square of the distance from (x, y) to the segment (x0, y0, x1, y1)  [m2]."""
    dx, dy = float(segment[2] - segment[0]), float(segment[3] - segment[1])
    px, py = x - float(segment[0]), y - float(segment[1])
    square = dx * dx + dy * dy
    along = (px * dx + py * dy) / square if square > 0.0 else 0.0
    along = min(1.0, max(0.0, along))
    px -= along * dx
    py -= along * dy
    return px * px + py * py


@inner
def nearest(segments: Floats, chosen: NDArray[np.int64], count: int, x: float, y: float) -> float:
    """Distance [m] from (x, y) to the nearest of the first ``count`` chosen segments."""
    best = np.inf
    for k in range(count):
        best = min(best, squared_distance(segments[chosen[k]], x, y))
    return float(np.sqrt(best))


@inner
def choose_segments(
    segments: Floats, x: float, y: float, reach: float, chosen: NDArray[np.int64]
) -> int:
    """Put into ``chosen`` every segment that can be nearest to a point within ``reach`` of (x, y).

    The distance to a segment changes by no more than one moves; so with b the distance from the
    centre to its nearest segment only those nearer than b + 2 reach can win.  Returns their number.
    """
    best = np.inf
    for k in range(segments.shape[0]):
        best = min(best, squared_distance(segments[k], x, y))
    limit = (np.sqrt(best) + 2.0 * reach) * (1.0 + 1e-9)
    count = 0
    for k in range(segments.shape[0]):
        if squared_distance(segments[k], x, y) <= limit * limit:
            chosen[count] = k
            count += 1
    return count


@compiled
def measure_rim(
    segments: Floats, x: Floats, y: Floats, chosen: NDArray[np.int64], out: Floats
) -> None:
    """Distance from each point (x[i], y[j]) to the nearest segment, into ``out`` (ny, nx)  [m].

    segments : (n, 4), n >= 1, as x0, y0, x1, y1 [m].  Exact; blocks of cells share one short list
    of segments, so the cost is near n blocks + cells instead of n cells. ``chosen`` (n,) is for
    that list: a loop that makes no array takes half as long to compile.
    """
    for j0 in range(0, y.size, TILE):
        j1 = min(j0 + TILE, y.size)
        for i0 in range(0, x.size, TILE):
            i1 = min(i0 + TILE, x.size)
            half_x, half_y = 0.5 * (x[i1 - 1] - x[i0]), 0.5 * (y[j1 - 1] - y[j0])
            reach = np.sqrt(half_x * half_x + half_y * half_y)
            count = choose_segments(segments, x[i0] + half_x, y[j0] + half_y, reach, chosen)
            for j in range(j0, j1):
                for i in range(i0, i1):
                    out[j, i] = nearest(segments, chosen, count, x[i], y[j])


@inner
def climb(
    segments: Floats, chosen: NDArray[np.int64], count: int, circle: Floats, reach: float
) -> None:
    """Move a circle (x, y, radius), in place, uphill in distance to the rim within ``reach`` [m].

    A compass search with halved steps; a step is always shorter than the radius, so the centre
    never leaves the opening it started in.
    """
    x0, y0 = circle[0], circle[1]
    step = 0.5 * reach
    for _ in range(64):
        if step < reach / 1024.0:
            return
        moved = False
        if step < circle[2]:
            for way in range(4):
                dx = step if way == 0 else -step if way == 1 else 0.0
                dy = step if way == 2 else -step if way == 3 else 0.0
                x, y = circle[0] + dx, circle[1] + dy
                if abs(x - x0) > reach or abs(y - y0) > reach:
                    continue
                radius = nearest(segments, chosen, count, x, y)
                if radius > circle[2]:
                    circle[0], circle[1], circle[2] = x, y, radius
                    moved = True
                    break
        if not moved:
            step *= 0.5


@compiled
def inscribe_circles(
    segments: Floats, x: Floats, y: Floats, inside: NDArray[np.bool_], reach: float, out: Floats
) -> None:
    """A circle that fits inside the rim for every point that is inside, into ``out`` (ny, nx, 3).

    It starts at the point, with the distance to the rim as radius, and climbs by no more than
    ``reach`` [m] in x and y; ``out`` holds centre x, y and radius [m], radius 0 outside.
    """
    chosen = np.empty(segments.shape[0], dtype=np.int64)
    for j in range(y.size):
        for i0 in range(0, x.size, TILE):
            i1 = min(i0 + TILE, x.size)
            if not inside[j, i0:i1].any():
                continue
            half = 0.5 * (x[i1 - 1] - x[i0])
            count = choose_segments(segments, x[i0] + half, y[j], half + 1.5 * reach, chosen)
            for i in range(i0, i1):
                if inside[j, i]:
                    circle = out[j, i]
                    circle[0], circle[1] = x[i], y[j]
                    circle[2] = nearest(segments, chosen, count, x[i], y[j])
                    climb(segments, chosen, count, circle, reach)


@compiled
def paint_circles(circles: Floats, x: Floats, y: Floats, margin: float, out: Floats) -> None:
    """Give each point the diameter [m] of the largest circle that reaches it, into ``out``.

    circles : (n, 3) centre x, y and radius [m], sorted by falling radius; the first circle to
    come within ``margin`` [m] of a point is therefore its largest.  A circle that lies within the
    one that already owns its centre, but for a hundredth of the margin, is left out.
    out : (ny, nx), 0 on entry.
    """
    owner = np.full((y.size, x.size), -1, dtype=np.int64)
    for k in range(circles.shape[0]):
        cx, cy, radius = circles[k, 0], circles[k, 1], circles[k, 2]
        i, j = interval(x, cx), interval(y, cy)
        first = owner[j, i]
        if first >= 0:
            dx, dy = cx - circles[first, 0], cy - circles[first, 1]
            if np.sqrt(dx * dx + dy * dy) + radius <= circles[first, 2] + 0.01 * margin:
                continue
        reach = radius + margin
        j = interval(y, cy - reach)
        while j < y.size and y[j] <= cy + reach:
            i = interval(x, cx - reach)
            while i < x.size and x[i] <= cx + reach:
                dx, dy = x[i] - cx, y[j] - cy
                if owner[j, i] < 0 and dx * dx + dy * dy <= reach * reach:
                    owner[j, i] = k
                    out[j, i] = 2.0 * radius
                i += 1
            j += 1
