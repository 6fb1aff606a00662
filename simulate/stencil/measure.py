"""Measures of openings on a grid: open area fraction, distance to the rim, local width.

`area_fractions` puts a geometry on any tensor-product grid exactly; `rim_distance` and
`local_width` measure it; `mean_width` is one number for a whole stencil.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from simulate.stencil.outlines import Floats, as_areas
from simulate.stencil.shapes import Stencil, openings

EXACT = 1e-12  # area fractions nearer than this to 0 or 1 are taken as 0 or 1 [-]
DILATION = 0.207  # cells by which a curved flush edge is moved outward; see `dilated_coverage`


def area_fractions(geometry: Any, x_edges: ArrayLike, y_edges: ArrayLike) -> Floats:
    """Open area fraction of each cell, (ny, nx) [-]: area of ``geometry`` in it over the cell's.

    Exact but for rounding (a few 1e-16 times coordinate over cell size), on uniform and graded
    cells; what lies outside the frame is left out.  Fractions within 1e-12 of 0 or 1 are 0 or 1.

    Parameters
    ----------
    geometry : valid shapely polygons [m], as `openings` gives them.
    x_edges, y_edges : (nx + 1,), (ny + 1,) increasing [m].

    Raises
    ------
    ValueError : edges that do not increase or are not finite.
    """
    from simulate.kernels.coverage import cover_cells

    x, y = _increasing(x_edges, "x_edges", 2), _increasing(y_edges, "y_edges", 2)
    points, starts = ring_points(geometry)
    out = np.zeros((y.size - 1, x.size))
    cover_cells(points, starts, x, y, out)
    fractions = out[:, :-1].copy()
    fractions[fractions < EXACT] = 0.0
    fractions[fractions > 1.0 - EXACT] = 1.0
    return fractions


def dilated_coverage(geometry: Any, x: Floats, y: Floats) -> Floats:
    """Cut-cell area fractions of a flush electrode, outline dilated by 0.207 cells, (ny, nx) [-].

    The dilation compensates the width that a plain finite-volume scheme loses at a flush edge. It
    was calibrated on a disc and holds for square cells as high as wide, ideal metal and outlines
    whose radius is many cells. Measured in ``published/test_fitted_edges.py``:
    a disc's current within 1e-3 at a/8, 1e-4 at a/16 and 5e-5 at a/32; an ellipse of half the
    width within 1e-3 at a/16. Edges along an axis lose 0.35 cells: use
    `field.edge_fitting.fit_edges` for those.

    Parameters
    ----------
    geometry : outline in plan [m], a shapely geometry. x, y : cell edges [m], equally spaced.
    """
    cell = 0.5 * (float(np.diff(x).mean()) + float(np.diff(y).mean()))
    return area_fractions(geometry.buffer(DILATION * cell, quad_segs=64), x, y)


def rim_distance(geometry: Any, x: ArrayLike, y: ArrayLike) -> Floats:
    """Distance from each point (x[i], y[j]) to the nearest rim of an opening, (ny, nx) [m].

    Positive on both sides of the rim, exact; infinite everywhere if there is no opening.
    x, y : (nx,), (ny,) increasing, for instance cell centres [m].
    """
    from simulate.kernels.coverage import measure_rim

    x, y = _increasing(x, "x", 1), _increasing(y, "y", 1)
    out = np.full((y.size, x.size), np.inf)
    segments = rim_segments(geometry)
    if len(segments):
        measure_rim(segments, x, y, np.empty(len(segments), np.int64), out)
    return out


def local_width(geometry: Any, x: ArrayLike, y: ArrayLike) -> Floats:
    """Local width of the opening round each point, (ny, nx) [m]; 0 where the mask is.

    The width at a point is the diameter of the largest circle that fits in the opening and comes
    within half a spacing of the point (local thickness after Hildebrand & Rueegsegger, J. Microsc.
    185 (1997) 67, from memory; the half spacing is ours).  In a straight slot it is the width of
    the slot, in a disc the diameter, in a corner less.  Circles are sought from each point, uphill
    in rim distance by up to one spacing: no width exceeds that of the opening, and slots of two
    cells or more come out within 1 %.

    x, y : (nx,), (ny,) increasing, for instance cell centres [m].
    """
    import shapely

    from simulate.kernels.coverage import inscribe_circles, measure_rim, paint_circles

    x, y = _increasing(x, "x", 1), _increasing(y, "y", 1)
    width = np.zeros((y.size, x.size))
    segments = rim_segments(geometry)
    if not len(segments):
        return width
    shapely.prepare(geometry)
    inside = shapely.contains_xy(geometry, *np.meshgrid(x, y))
    spacing = max((float(np.diff(edge).max()) for edge in (x, y) if edge.size > 1), default=0.0)
    circles = np.zeros((*width.shape, 3))
    inscribe_circles(segments, x, y, inside, spacing, circles)
    found = circles[inside]
    ordered = np.ascontiguousarray(found[np.argsort(-found[:, 2], kind="stable")])
    paint_circles(ordered, x, y, 0.5 * spacing, width)
    distance = np.empty_like(width)
    measure_rim(segments, x, y, np.empty(len(segments), np.int64), distance)
    return np.where(inside, np.maximum(width, 2.0 * distance), 0.0)


def mean_width(stencil: Stencil) -> float:
    """Mean width of a stencil's openings, 2 area / perimeter [m]: of a long slot, its width."""
    area = openings(stencil)
    return float(2.0 * area.area / area.length)


def ring_points(geometry: Any) -> tuple[Floats, NDArray[np.int64]]:
    """Vertices (n, 2) of all rings, oriented, and where each ring starts (rings + 1,)."""
    import shapely

    rings = shapely.get_rings(shapely.get_parts(as_areas(geometry)))
    points, ring = shapely.get_coordinates(rings, return_index=True)
    starts = np.searchsorted(ring, np.arange(len(rings) + 1)).astype(np.int64)
    return np.ascontiguousarray(points), starts


def rim_segments(geometry: Any) -> Floats:
    """The sides of all rings, (n, 4) as x0, y0, x1, y1 [m]."""
    points, starts = ring_points(geometry)
    segments = np.hstack([points[:-1], points[1:]]) if len(points) else np.empty((0, 4))
    inner = np.ones(len(segments), dtype=bool)
    inner[starts[1:-1] - 1] = False
    return np.ascontiguousarray(segments[inner])


def _increasing(values: ArrayLike, name: str, least: int) -> Floats:
    array = np.array(values, dtype=np.float64, order="C")  # kernels see one kind of array
    if array.ndim != 1 or array.size < least:
        raise ValueError(f"{name}: needs one dimension and at least {least} values")
    if not np.isfinite(array).all() or (np.diff(array) <= 0.0).any():
        raise ValueError(f"{name}: the values must be finite and increase")
    return array
