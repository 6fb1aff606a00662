"""Axes of cells that are fine where the wall will be and grow away from it."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

Doubles = NDArray[np.float64]
Spans = Sequence[tuple[float, float]]

GROWTH = 0.25
"""How fast cells grow with the distance from what is fine: size / distance [-]."""


def about_rim(rim: float, outward: float, depth: float, cell: float) -> tuple[float, float]:
    """Where a wall runs that starts at a rim of the mask [m]: under the mask as far as it may go,
    and in the opening as far as the floor is rounded.

    outward : 1 where the mask lies to the right, -1 to the left.
    """
    under, inside = 1.3 * depth + 3.0 * cell, depth + 2.0 * cell
    return (rim - inside, rim + under) if outward > 0.0 else (rim - under, rim + inside)


def graded_edges(marks: Sequence[float], fine: Spans, cell: float, most: float) -> Doubles:
    """Cell edges from the first mark to the last, every mark among them [m].

    Parameters
    ----------
    marks : places that must be edges, increasing, two or more [m].
    fine : where cells are no larger than ``cell``; away from it they grow up to ``most`` [m].
    """
    edges = [float(marks[0])]
    for start, stop in pairwise(marks):
        place = np.linspace(start, stop, 400)
        gap = np.min([np.maximum(np.maximum(a - place, place - b), 0.0) for a, b in fine], axis=0)
        density = 1.0 / np.minimum(cell + GROWTH * gap, most)
        steps = 0.5 * (density[1:] + density[:-1]) * np.diff(place)
        count = np.concatenate([[0.0], np.cumsum(steps)])
        pieces = max(int(np.ceil(count[-1] - 1e-6)), 1)
        inner = np.interp(np.linspace(0.0, count[-1], pieces + 1)[1:-1], count, place)
        edges += [*inner.tolist(), float(stop)]
    return np.array(edges)
