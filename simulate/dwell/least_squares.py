"""Time allotted by least squares: how long to work each piece so that every place is done alike.

What a place of the plate receives is a sum over the pieces of (rate there) x (time on the piece).
The times that make the sum as even as may be solve

    minimise  sum_c w_c (sum_j A_cj t_j - 1)^2  +  m^2 (mean - 1)^2,   low <= t <= high

with w the cells' shares of the area and A the rates over what is wanted. The second term, of
weight `MEAN_WEIGHT`, holds the mean at what is wanted, so that the first is the relative variance.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from scipy.sparse import csc_array

Doubles = NDArray[np.float64]

MEAN_WEIGHT = 30.0
"""Weight m of the mean: it is then held to about 1/m^2 of the relative variance."""

EVENING = 1e-4
"""Weight of the wish for equal times, which decides where the plate does not."""

_BLOCK = 8192  # rows factored at once


@dataclass(frozen=True, eq=False)
class Allotment:
    """A least-squares problem, reduced to as many rows as there are pieces.

    Parameters
    ----------
    matrix : (n, n), upper triangle; ``|matrix t - wanted|^2 + floor`` is what is minimised.
    wanted : (n,).
    """

    matrix: Doubles
    wanted: Doubles


def reduce_rows(rates: csc_array, area: Doubles) -> Allotment:
    """Reduce cells to as many rows as there are pieces, without loss (QR, block by block).

    Parameters
    ----------
    rates : (cells, pieces), per second, relative to what is wanted [1/s].
    area : of the cells, (cells,).
    """
    share = area / area.sum()
    pieces = rates.shape[1]
    mean = np.append(share @ rates, 1.0) * MEAN_WEIGHT
    even = np.zeros((pieces, pieces + 1))
    np.fill_diagonal(even, mean[:-1].sum() / MEAN_WEIGHT)  # times in units of an even time
    even[:, -1] = 1.0
    even *= EVENING / np.sqrt(pieces)
    factor: Doubles = np.vstack([mean, even])
    by_row = rates.tocsr()
    for start in range(0, rates.shape[0], _BLOCK):
        part = slice(start, start + _BLOCK)
        rows = np.column_stack([by_row[part].toarray(), np.ones(share[part].size)])
        stacked = np.vstack([factor, rows * np.sqrt(share[part])[:, None]])
        factor = np.asarray(np.linalg.qr(stacked, mode="r"))
    return Allotment(factor[:pieces, :pieces], factor[:pieces, pieces])


def best_times(
    problem: Allotment, low: Doubles | None = None, high: Doubles | None = None
) -> Doubles:
    """The times that minimise, within bounds; from nought to any if none are given [s].

    Non-negative least squares (Lawson & Hanson) where only the lower bounds bind, bounded least
    squares otherwise.
    """
    from scipy.optimize import lsq_linear, nnls

    size = problem.wanted.size
    low = np.zeros(size) if low is None else low
    if high is None or np.isinf(high).all():
        rest, _ = nnls(problem.matrix, problem.wanted - problem.matrix @ low, maxiter=50 * size)
        return np.asarray(low + rest)
    found = lsq_linear(problem.matrix, problem.wanted, (low, np.maximum(high, low + 1e-9)))
    return np.asarray(np.clip(found.x, low, high))


def whole_times(
    problem: Allotment, times: Doubles, low: Doubles | None = None, high: Doubles | None = None
) -> NDArray[np.int64]:
    """Whole seconds near the best times: rounded, then bettered one second at a time.

    Each step changes the piece by one second that lowers the sum of squares most, and the search
    ends where no such step is left: the best among its neighbours, not proved best of all.
    """
    size = times.size
    low = np.zeros(size) if low is None else np.ceil(low)
    high = np.full(size, np.inf) if high is None else np.floor(high)
    whole = np.clip(np.round(times), low, high)
    gram = problem.matrix.T @ problem.matrix
    slope = problem.matrix.T @ (problem.matrix @ whole - problem.wanted)
    curve = 0.5 * np.diag(gram)
    for _ in range(100 * size):
        up = np.where(whole + 1 <= high, slope + curve, np.inf)
        down = np.where(whole - 1 >= low, curve - slope, np.inf)
        j = int(np.argmin(np.minimum(up, down)))
        step = 1.0 if up[j] <= down[j] else -1.0
        if min(up[j], down[j]) >= -1e-12:
            break
        whole[j] += step
        slope += step * gram[:, j]
    return whole.astype(np.int64)
