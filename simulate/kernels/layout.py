"""The packed layout that every compiled loop of the solver works on.

A box of ``nz, ny, nx`` cells is stored plane by plane along y, and of each row along x only the
part that is solved for. Rows are split by parity: a plane holds its cells with even x index, row by
row from the top down, then those with odd ones. Cells of one colour of the chequered plan are then
neighbours in memory, in the order in which lines are eliminated: every loop runs over whole vectors
(`kernels.vectors`) and the processor can fetch ahead; and a swab in a box that is mostly air takes
as much memory and time as its own cells do.

``rows`` (ny + 2, nz + 2, 6) tells where the row of plane j, layer k lies, at
``rows[j + 1, k + 1]``:

    EVEN, ODD     cell 2m is at EVEN + m, cell 2m + 1 at ODD + m
    LO, HI        loops run over LO <= m < HI, a whole number of vectors; LO is even
    FIRST, LAST   the cells that are solved for lie in FIRST <= i < LAST

and at ``rows[j + 1, 0]`` the same of the plane: its rows that hold anything lie in FIRST <= k + 1 <
LAST, and loops over layers run from there to there.

A half row's part in memory holds its own span and that of the rows beyond it in y and z, whose
conductances towards this one are kept here. An empty row and those outside the box point to blanks
at the front of the array. Reading past a row's part gives numbers of other rows; they are always
multiplied with a conductance of 0.

Face conductances [S]: ``tx[c]`` joins cell c and its neighbour at +x, ``ty[c]`` at +y, ``tz[c]``
at +z; 0 where no current passes. ``pivot[c]`` holds the reciprocal pivots of the vertical lines
(elimination from the top down), 0 for a cell that is not solved for. ``planes`` (ny + 1,) are the
ends of the planes in memory, whole numbers of pairs of vectors.
"""

from __future__ import annotations

from simulate.kernels.compiling import compiled, inner
from simulate.kernels.simd import WIDTH, load, store

EVEN, ODD, LO, HI, FIRST, LAST = range(6)


@inner
def _clear_spans(rows):
    for j in range(rows.shape[0]):
        for k in range(rows.shape[1]):
            rows[j, k, FIRST] = 0
            rows[j, k, LAST] = 0


@compiled
def find_spans(label, conductivity, rows, metal):
    """FIRST and LAST of each row: electrolyte and no electrode; returns how many cells are so.

    ``metal`` (nz + 2, ny + 2), 0 before, tells which rows hold electrode cells, at [k + 1, j + 1].
    """
    nz, ny, nx = label.shape
    count = 0
    _clear_spans(rows)
    for k in range(nz):
        for j in range(ny):
            first = nx
            last = 0
            for i in range(nx):
                if label[k, j, i] > 0:
                    metal[k + 1, j + 1] = 1
                elif conductivity[k, j, i] > 0.0:
                    count += 1
                    first = min(first, i)
                    last = i + 1
            if last > 0:
                rows[j + 1, k + 1, FIRST] = first
                rows[j + 1, k + 1, LAST] = last
    return count


@compiled
def merge_spans(shape, coarse, parent_y, parent_x, rows, crows):
    """FIRST and LAST of the coarser level's rows from those of the finer one."""
    nz, ny, _ = shape
    nyc = coarse[1]
    _clear_spans(crows)
    for j in range(ny):
        jc = parent_y[j]
        if jc >= nyc:
            continue
        for k in range(nz):
            if rows[j + 1, k + 1, LAST] > 0:
                first = parent_x[rows[j + 1, k + 1, FIRST]]
                last = parent_x[rows[j + 1, k + 1, LAST] - 1] + 1
                if crows[jc + 1, k + 1, LAST] > 0:
                    first = min(first, crows[jc + 1, k + 1, FIRST])
                    last = max(last, crows[jc + 1, k + 1, LAST])
                crows[jc + 1, k + 1, FIRST] = first
                crows[jc + 1, k + 1, LAST] = last


@compiled
def lay_rows(start, shape, rows, planes):
    """Fill rows and planes from FIRST and LAST, from place ``start`` on; returns the end."""
    nz, ny, nx = shape
    for j in range(ny + 2):
        for k in range(nz + 2):
            row = rows[j, k]
            if k == 0:
                row[FIRST] = row[LAST] = 0
            row[LO] = row[FIRST] // 4 * 2
            cells = (row[LAST] + 1) // 2 - row[LO]
            row[HI] = row[LO] + max(0, cells + WIDTH - 1) // WIDTH * WIDTH
            row[EVEN] = row[ODD] = start + WIDTH
    margin = (nx // 2 + 5 * WIDTH) // (2 * WIDTH) * 2 * WIDTH
    place = start + margin
    for j in range(1, ny + 1):
        planes[j - 1] = place
        for half in range(2):
            for k in range(nz, 0, -1):
                low = nx
                high = 0
                for row in (rows[j, k], rows[j + 1, k], rows[j, k + 1]):
                    if row[HI] > row[LO]:
                        low = min(low, row[LO])
                        high = max(high, row[HI])
                if high > 0:
                    place += half  # for the left neighbour of the first even cell
                    rows[j, k, half] = place - low
                    place += high - low
        for k in range(1, nz + 1):
            if rows[j, k, LAST] > 0:
                rows[j, 0, FIRST] = k if rows[j, 0, LAST] == 0 else rows[j, 0, FIRST]
                rows[j, 0, LAST] = k + 1
        place = (place + 2 * WIDTH - 1) // (2 * WIDTH) * 2 * WIDTH
    planes[ny] = place
    return place + margin


@inner
def neighbours(rows, j, k, half):
    """Where a half row begins, and where the neighbours of its cells at -x, +x, -y and +y do."""
    row, south, north = rows[j + 1, k], rows[j, k], rows[j + 2, k]
    right = row[1 - half] + half
    return row[half], right - 1, right, south[half], north[half]


@compiled
def places_of(where, rows, out):
    """Places of cells k, j, i, the columns of ``where``; of a cell outside its row's span, 0."""
    for f in range(where.shape[0]):
        row = rows[where[f, 1] + 1, where[f, 0] + 1]
        i = where[f, 2]
        inside = row[FIRST] <= i < row[LAST]
        out[f] = row[i & 1] + (i >> 1) if inside else 0


@compiled
def pack(natural, shape, rows, out):
    """Copy (nz, ny, nx) into the packed layout, within the spans."""
    nz, ny, _ = shape
    for j in range(ny):
        for k in range(nz):
            row = rows[j + 1, k + 1]
            for i in range(row[FIRST], row[LAST]):
                out[row[i & 1] + (i >> 1)] = natural[k, j, i]


@compiled
def unpack(packed, shape, rows, out):
    """Copy the packed layout into (nz, ny, nx); 0 outside the spans."""
    nz, ny, nx = shape
    for j in range(ny):
        for k in range(nz):
            row = rows[j + 1, k + 1]
            for i in range(nx):
                out[k, j, i] = 0.0
            for i in range(row[FIRST], row[LAST]):
                out[k, j, i] = packed[row[i & 1] + (i >> 1)]


@compiled
def carry(shape, old_rows, old, rows, new):
    """Copy from one layout of a box into another, where both have the cell."""
    nz, ny, _ = shape
    for j in range(1, ny + 1):
        for k in range(nz, 0, -1):
            source = old_rows[j, k]
            row = rows[j, k]
            first = max(source[FIRST], row[FIRST])
            last = min(source[LAST], row[LAST])
            for half in range(2):
                there, here = source[half], row[half]
                m = (first + 1 - half) // 2
                end = (last + 1 - half) // 2
                while m + WIDTH <= end:
                    store(new, here + m, load(old, there + m))
                    m += WIDTH
                while m < end:
                    new[here + m] = old[there + m]
                    m += 1


@compiled
def fill_gaps(rows, values):
    """Give cells that hold 0 what the nearest before them in the row holds, or the nearest behind
    them, or the cell above; from the top down."""
    for j in range(1, rows.shape[0] - 1):
        for k in range(rows[j, 0, LAST] - 1, rows[j, 0, FIRST] - 1, -1):
            row = rows[j, k]
            above = rows[j, k + 1]
            held = 0.0
            for i in range(row[FIRST], row[LAST]):
                c = row[i & 1] + (i >> 1)
                if values[c] != 0.0:
                    held = values[c]
                else:
                    values[c] = held
            held = 0.0
            for i in range(row[LAST] - 1, row[FIRST] - 1, -1):
                c = row[i & 1] + (i >> 1)
                if values[c] != 0.0:
                    held = values[c]
                elif held != 0.0:
                    values[c] = held
                elif above[FIRST] <= i < above[LAST]:
                    values[c] = values[above[i & 1] + (i >> 1)]
