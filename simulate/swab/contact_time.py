"""Contact time: how long each place of the plate lies under the contact patch."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from simulate.stencil.measure import ring_points
from simulate.swab.stops import Stops, distinct_places


def dwell_map(
    stops: Stops,
    source: Callable[[np.ndarray, np.ndarray], np.ndarray],
    x_edges: np.ndarray,
    y_edges: np.ndarray,
) -> np.ndarray:
    """Sum over the stops of dwell times a source that moves with the swab, (ny, nx) [source * s].

    source : from cell edges relative to the swab's centre (x, y) [m] to cell means (ny, nx). With
        the current density as source [A/m2] the sum is the charge per area [C/m2].
    """
    places, index = distinct_places(stops)
    times = np.bincount(index, weights=stops.dwell)
    total = np.zeros((len(y_edges) - 1, len(x_edges) - 1))
    for (x, y), time in zip(places, times, strict=True):
        total += time * source(x_edges - x, y_edges - y)
    return total


def contact_time(
    stops: Stops, outline: np.ndarray, x_edges: np.ndarray, y_edges: np.ndarray
) -> np.ndarray:
    """Time each cell lies under the contact patch, (ny, nx) [s].

    Exact area of the moved outline in each cell, summed over the stops.

    Parameters
    ----------
    outline : (n, 2) polygon about the swab's centre, as from `contact_outline` [m].
    x_edges, y_edges : cell edges on the plate [m].
    """
    from shapely import Polygon

    from simulate.kernels.coverage import cover_cells

    points, starts = ring_points(Polygon(outline))
    (x_low, y_low), (x_high, y_high) = outline.min(axis=0), outline.max(axis=0)
    places, index = distinct_places(stops)
    times = np.bincount(index, weights=stops.dwell)
    total = np.zeros((len(y_edges) - 1, len(x_edges) - 1))
    for (x, y), time in zip(places, times, strict=True):
        i = _cells_between(x_edges, x + x_low, x + x_high)
        j = _cells_between(y_edges, y + y_low, y + y_high)
        if i.stop <= i.start or j.stop <= j.start:
            continue
        share = np.zeros((j.stop - j.start, i.stop - i.start + 1))
        x_near, y_near = x_edges[i.start : i.stop + 1] - x, y_edges[j.start : j.stop + 1] - y
        cover_cells(points, starts, x_near, y_near, share)
        total[j, i] += time * share[:, :-1]
    return total


def _cells_between(edges: np.ndarray, low: float, high: float) -> slice:
    """The cells that reach into the interval low..high."""
    first = max(int(np.searchsorted(edges, low, side="right")) - 1, 0)
    last = min(int(np.searchsorted(edges, high, side="left")), len(edges) - 1)
    return slice(first, last)
