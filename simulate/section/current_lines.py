"""Stream function of a section: lines between which the same current flows."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from simulate.field.potential import Field

Doubles = NDArray[np.float64]


def stream_function(field: Field, kappa: Doubles, metal: NDArray[np.bool_]) -> Doubles:
    """The stream function at the corners of cells; see `Section`."""
    upward = _upward(field, kappa, metal)
    rows, columns = upward.shape
    left = np.zeros((rows, columns + 1))
    np.cumsum(upward, axis=1, out=left[:, 1:])
    right = field.currents["plate"] - (left[:, -1:] - left)
    found = np.stack([left, right])
    wet = corners(kappa > 0.0)
    columns_of_metal = np.flatnonzero(metal[1:].any(axis=0))
    cut = int(columns_of_metal.mean()) + 1 if columns_of_metal.size else 0
    halves = (slice(None, cut), slice(cut, None))
    for row in range(2, rows):  # the plate's own cells are below
        inside = metal[row - 1] & metal[row] if row < rows - 1 else metal[row - 1]
        through = np.flatnonzero(inside)
        for values, half in zip(found, halves, strict=True):
            if through.size:  # the current inside metal is not known: each side from its own end
                values[row, : through[0] + 1] = left[row, : through[0] + 1]
                values[row, through[-1] + 1 :] = right[row, through[-1] + 1 :]
            else:  # of two values that differ by the current, the one that goes on from below
                beside = wet[row - 1, half] & wet[row, half]
                options = (left[row], right[row])
                away = [np.abs(o[half] - values[row - 1, half])[beside].sum() for o in options]
                values[row] = options[int(np.argmin(away))]
    return found


def corners(cells: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Corners that touch any of the cells, (nz + 1, nx + 1)."""
    wide = np.pad(cells, 1)
    return np.asarray(wide[:-1, :-1] | wide[1:, :-1] | wide[:-1, 1:] | wide[1:, 1:])


def _upward(field: Field, kappa: Doubles, metal: NDArray[np.bool_]) -> Doubles:
    """Current through the level faces of cells, upward [A/m], (nz + 1, nx)."""
    grid = field.grid
    dx, dz = np.diff(grid.x), np.diff(grid.z)
    flow = np.zeros((dz.size + 1, dx.size))
    both = (kappa[1:] > 0.0) & (kappa[:-1] > 0.0)
    half = np.divide(0.5 * dz[:, None], kappa, out=np.ones_like(kappa), where=kappa > 0.0)
    potential = np.nan_to_num(field.potential[:, 0])
    flow[1:-1] = both * dx * (potential[:-1] - potential[1:]) / (half[1:] + half[:-1])
    for name in field.currents:
        faces = field.faces(name)
        level = faces.axis == 0
        k = np.searchsorted(grid.z, faces.z[level] - 1e-12)
        i = np.searchsorted(grid.x, faces.x[level]) - 1
        outward = faces.density[level] * faces.area[level]
        flow[k, i] = np.where(metal[np.maximum(k - 1, 0), i], outward, -outward)
    return flow
