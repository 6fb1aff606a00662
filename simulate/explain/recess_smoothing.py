"""What a tall wall of mask does to the current below it.

Current that enters a recess unevenly has evened out at its bottom: across an opening of width w
the unevenness dies as exp(-pi L / (w/2)) with the height L of the wall (strip; for a disc
3.83 instead of pi), so that a wall about as tall as the opening is wide leaves nothing of it,
while the total of the opening, and differences along it over lengths many times its width, stay.

`evened` does this to a map without another solve, as spreading that leaves every total alone:

    u -> (1 - div(w^2 / 2n grad))^-n u,    n = 4,

no flux through the rims of openings, w the local width of the opening. Across a slot or disc it
leaves less than one part in a thousand of the unevenness.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Doubles = NDArray[np.float64]

STEPS = 4
"""n above: so many implicit steps."""


def evened(values: Doubles, weight: Doubles, width: Doubles, cell: tuple[float, float]) -> Doubles:
    """A map evened within each opening; the sum of ``weight * values`` stays.

    Parameters
    ----------
    values : what is evened, (ny, nx); where ``weight`` is 0 it stays as it is.
    weight : of each cell: its open area, times whatever else the map is a ratio to.
    width : local width of the opening [m]; 0 in cells whose centre the mask covers.
    cell : size of the cells along x and y [m].
    """
    from scipy.sparse.linalg import factorized

    inside = weight > 0.0
    count = int(inside.sum())
    out = np.array(values, dtype=np.float64)
    if count == 0:
        return out
    mass = weight[inside]
    step = factorized(_step(weight, inside, width, cell))
    level = out[inside]
    total = float(mass @ level)
    for _ in range(STEPS):
        level = step(mass * level)
    sum_now = float(mass @ level)
    out[inside] = level * (total / sum_now) if sum_now != 0.0 else level
    return out


def _step(
    weight: Doubles, inside: NDArray[np.bool_], width: Doubles, cell: tuple[float, float]
) -> Any:
    """The matrix of one implicit step over the cells inside, weighted: symmetric, rows add to the
    weights."""
    from scipy.sparse import coo_array, diags_array

    number = np.full(inside.shape, -1, np.int64)
    number[inside] = np.arange(int(inside.sum()))
    rows, columns, links = [], [], []
    for axis, size in ((0, cell[1]), (1, cell[0])):
        a: Any = (slice(None, -1), slice(None)) if axis == 0 else (slice(None), slice(None, -1))
        b: Any = (slice(1, None), slice(None)) if axis == 0 else (slice(None), slice(1, None))
        both = inside[a] & inside[b]
        reach = np.maximum(width[a], width[b])[both]
        mean = 0.5 * (weight[a] + weight[b])[both]
        rows.append(number[a][both])
        columns.append(number[b][both])
        links.append(mean * (reach / size) ** 2 / (2.0 * STEPS))
    row, column, link = (np.concatenate(part) for part in (rows, columns, links))
    count = int(inside.sum())
    upper = coo_array((-link, (row, column)), shape=(count, count))
    off = (upper + upper.T).tocsc()
    return (off + diags_array(weight[inside] - off.sum(axis=0))).tocsc()
