"""Uniformity of a depth map: evenness (1 - coefficient of variation) and edge ratio.

The one place where these are defined; a run's summary, a dwell plan and an explanation all use it.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Doubles = NDArray[np.float64]

RIM_BAND = 1e-4
"""Width of the band along an opening's rim that the edge ratio looks at [m]."""


def weighted_mean(values: Doubles, weight: Doubles) -> float:
    """Weighted mean, in the unit of the values; not a number where there is no weight."""
    total = float(weight.sum())
    return float((values * weight).sum()) / total if total > 0.0 else math.nan


def evenness(depth: Doubles, area: Doubles) -> float:
    """1 - standard deviation / mean of a depth [m] over the open area [m2]; nan if all is 0."""
    mean = weighted_mean(depth, area)
    deviation = math.sqrt(weighted_mean((depth - mean) ** 2, area))
    return 1.0 - deviation / mean if mean > 0.0 else math.nan


def rim_share(distance: Doubles, x_edges: Doubles, y_edges: Doubles) -> Doubles:
    """Fraction of each cell within `RIM_BAND` of a rim, as for a straight rim along the cell [-].

    The fraction passes from 1 to 0 over one cell width, so that the edge ratio does not jump when a
    cell centre crosses the line.

    Parameters
    ----------
    distance : from each cell's centre to the nearest rim [m], (ny, nx).
    x_edges, y_edges : of the cells [m].
    """
    width = np.sqrt(np.outer(np.diff(y_edges), np.diff(x_edges)))
    return np.asarray(np.clip((RIM_BAND - distance) / width + 0.5, 0.0, 1.0))


def edge_ratio(depth: Doubles, area: Doubles, share: Doubles) -> float:
    """Mean depth near rims over the mean depth of the rest [-]; nan where either is missing.

    Parameters
    ----------
    depth : [m]. area : open area [m2]. share : fraction of each cell near a rim [-]; all (ny, nx).
    """
    rest = weighted_mean(depth, area * (1.0 - share))
    return weighted_mean(depth, area * share) / rest if rest > 0.0 else math.nan
