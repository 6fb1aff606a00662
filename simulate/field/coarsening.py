"""Which cells of a plan join into the cells of the next coarser level.

Only small cells join: on a graded grid the fine parts coarsen first, until all cells are of about
one size. A direction in which cells are already wide couples weakly, its errors are not smoothed,
and it must not be coarsened yet (semi-coarsening: Trottenberg, Oosterlee & Schueller, Multigrid,
2001, sec. 5.1; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Doubles = NDArray[np.float64]
Integers = NDArray[np.int64]

SMALL = 1.5
"""Cells below this many times the smallest are small."""


@dataclass(frozen=True, eq=False)
class Merge:
    """How the rows and columns of a level join, pairwise or not at all.

    regular : whether whole directions join in pairs, by ``factors`` (y, x), each 1 or 2; the
    tables hold all the same. parents : coarse index of each row and column, with one more entry
    that differs from all. widths : of the coarse cells along y and x [m].
    """

    regular: bool
    factors: tuple[int, int]
    parents: tuple[Integers, Integers]
    widths: tuple[Doubles, Doubles]


def merge_pairs(hy: Doubles, hx: Doubles) -> Merge:
    """Join the small cells of a plan with widths ``hy``, ``hx`` [m]."""
    sizes = [h for h in (hy, hx) if h.size > 1]
    # the last cell of a direction may be one that found no partner
    smallest = min(float((h[:-1] if h.size > 2 else h).min()) for h in sizes)
    axes = [_axis(h, smallest) for h in (hy, hx)]
    if all(
        axis[0].size == h.size + 1 and axis[1].size == h.size
        for axis, h in zip(axes, (hy, hx), strict=True)
    ):
        axes = [_axis(h, np.inf) for h in (hy, hx)]
    regular = [_factor(axis[0], h.size) for axis, h in zip(axes, (hy, hx), strict=True)]
    return Merge(
        regular=all(regular),
        factors=(regular[0] or 0, regular[1] or 0),
        parents=(axes[0][0], axes[1][0]),
        widths=(axes[0][1], axes[1][1]),
    )


def _factor(parent: Integers, count: int) -> int | None:
    """1 or 2 if all cells stay or all join in pairs from the first, else None."""
    for factor in (2, 1):
        pairs = np.arange(count) // factor
        if (count > 1 or factor == 1) and np.array_equal(parent[:-1], pairs):
            return factor
    return None


def _axis(h: Doubles, smallest: float) -> tuple[Integers, Doubles]:
    """Parents and coarse widths along one direction."""
    parent = np.empty(h.size + 1, np.int64)
    n, i = 0, 0
    while i < h.size:
        parent[i] = n
        pair = i + 1 < h.size and min(h[i], h[i + 1]) < SMALL * smallest
        if pair and h[i] + h[i + 1] <= 4.0 * smallest:
            parent[i + 1] = n
            i += 1
        n, i = n + 1, i + 1
    parent[-1] = n
    coarse = np.bincount(parent[:-1], weights=h, minlength=n).astype(np.float64)
    return parent, coarse
