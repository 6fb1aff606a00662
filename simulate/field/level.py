"""The levels of a multigrid hierarchy: boxes of one height, coarser and coarser in the plan."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simulate.field.coarsening import Merge, merge_pairs
from simulate.field.network import empty_rows

Floats = NDArray[np.float32]
Integers = NDArray[np.int64]
Shape = tuple[int, int, int]


def _nothing() -> Floats:
    return np.zeros(1, np.float32)


@dataclass(eq=False)
class Level:
    """One level: coefficients and work arrays, in the packed layout of `kernels.layout`.

    All levels but the finest lie one after the other in the same arrays. ``merge`` tells how its
    cells join into those of the next level; ``slabs`` are the ranges of planes that threads take.
    ``extra`` are the conductances to fixed potentials that the finest level gives to coarser ones;
    it has none itself.
    """

    shape: Shape
    rows: Integers
    planes: Integers
    tx: Floats = field(default_factory=_nothing)
    ty: Floats = field(default_factory=_nothing)
    tz: Floats = field(default_factory=_nothing)
    extra: Floats = field(default_factory=_nothing)
    pivot: Floats = field(default_factory=_nothing)
    b: Floats = field(default_factory=_nothing)
    x: Floats = field(default_factory=_nothing)
    merge: Merge | None = None
    slabs: tuple[tuple[int, int], ...] = ()

    @property
    def faces(self) -> tuple[Floats, Floats, Floats]:
        """Conductances along x, y, z."""
        return self.tx, self.ty, self.tz

    @property
    def lines(self) -> tuple[Any, ...]:
        """What the line solvers read, and the vectors they work on."""
        return self.rows, *self.faces, self.pivot, self.b, self.x


def make_levels(shape: Shape, widths: Sequence[Any]) -> list[Level]:
    """Levels from the finest to one line, for cell ``widths`` along y and x [m]; arrays empty."""
    chain = [Level(shape, *empty_rows(shape))]
    hy, hx = (
        np.broadcast_to(np.asarray(w, dtype=float), n)
        for w, n in zip(widths, shape[1:], strict=True)
    )
    while max(chain[-1].shape[1:]) > 1:
        merge = merge_pairs(hy, hx)
        hy, hx = merge.widths
        chain[-1].merge = merge
        coarse = (shape[0], hy.size, hx.size)
        chain.append(Level(coarse, *empty_rows(coarse)))
    return chain


def share_rows(coarser: Sequence[Level]) -> tuple[Integers, Integers]:
    """Put the rows of levels one after the other into one array; the table of `cycle_below`."""
    entries, count = [], 0
    for level in coarser:
        factors = level.merge.factors if level.merge is not None else (0, 0)
        entries.append((count, 0, *level.shape[1:], *factors))
        count += level.rows.shape[0]
    layers = coarser[0].rows.shape[1] if coarser else 0
    all_rows = np.zeros((count, layers, 6), np.int64)
    for level, entry in zip(coarser, entries, strict=True):
        level.rows = all_rows[entry[0] : entry[0] + level.rows.shape[0]]
    return np.array(entries, np.int64).reshape(-1, 6), all_rows
