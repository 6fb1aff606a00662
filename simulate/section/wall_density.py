"""Current density along a wall, from what the cut links carry.

The links' densities scatter, each by where its line happens to meet the wall. A cubic spline
through them by least squares, each weighted by the wall that its link stands for, evens that out;
it is mirrored where the wall is, and scaled so that its integral is the current.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from simulate.section.wall_curve import Wall

Doubles = NDArray[np.float64]

KNOTS = 2.0
"""Points of the wall from knot to knot of the density's spline."""

STIFFNESS = 1e-3
"""Weight of the spline's third differences against that of a link [-]: it decides where no link
lies between two knots."""


def density_along(
    wall: Wall, u: Doubles, density: Doubles, weight: Doubles, *, knots: float = KNOTS
) -> Doubles:
    """Density at the points of a wall (n,) [A/m2].

    Parameters
    ----------
    u, density, weight : of the links: parameter, density [A/m2], wall area [m], [m2].
    knots : points of the wall from knot to knot.
    """
    from scipy.interpolate import BSpline

    pieces = wall.knots.size - 1.0
    place = wall.index(u)
    count = max(round(pieces / knots), 4)
    step = pieces / count
    place, values, share = _continued(wall, place, density, weight, 4.0 * step)
    low, high = -2, count + 2  # basis functions that reach the wall, counted by their middle
    knot = step * np.arange(low - 2, high + 3)
    fits = (place > knot[3]) & (place < knot[-4])
    place, values, share = place[fits], values[fits], share[fits]
    basis = BSpline.design_matrix(place, knot, 3).toarray()
    root = np.sqrt(share / share.mean())[:, None]
    rough = np.diff(np.eye(basis.shape[1]), 3, axis=0)
    left = np.vstack([root * basis, np.sqrt(STIFFNESS) * rough])
    right = np.concatenate([root[:, 0] * values, np.zeros(len(rough))])
    found = np.linalg.lstsq(left, right, rcond=None)[0]
    points = np.arange(len(wall.points), dtype=float)
    return np.asarray(BSpline.design_matrix(points, knot, 3) @ found)


def _continued(
    wall: Wall, place: Doubles, density: Doubles, weight: Doubles, reach: float
) -> tuple[Doubles, Doubles, Doubles]:
    """The links with their mirror images, or once more round, up to ``reach`` past the ends."""
    pieces = wall.knots.size - 1.0
    before, after = (
        (-place, 2.0 * pieces - place) if wall.ends else (place - pieces, place + pieces)
    )
    copies = [(place, np.full(place.size, True)), (before, before > -reach)]
    copies.append((after, after < pieces + reach))
    return (
        np.concatenate([moved[kept] for moved, kept in copies]),
        np.concatenate([density[kept] for _, kept in copies]),
        np.concatenate([weight[kept] for _, kept in copies]),
    )
