"""Swab and cathode cut by a plane, on small squares: for figures in section."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from simulate.figures.style import MM, SOFT_INK
from simulate.swab.cell_fractions import body_fraction, skirt_fraction, wire_fraction
from simulate.swab.geometry import Bud, Swab

if TYPE_CHECKING:
    from matplotlib.axes import Axes

WET, COPPER = "#dfe9f3", "#9a5b2e"
FINENESS = 600  # squares along the drawing

Span = tuple[float, float]


@dataclass(frozen=True, eq=False)
class Shape:
    """Swab and cathode on small squares: their middles [mm], and how far each fills them."""

    x: np.ndarray
    z: np.ndarray
    wet: np.ndarray
    wire: np.ndarray

    def above(self, share: np.ndarray, x: float) -> Span:
        """Lowest and highest place of a body over x, or over the nearest x where it is [mm]."""
        columns = np.flatnonzero((share > 0.5).any(axis=0))
        column = columns[np.argmin(np.abs(self.x[columns] - x))]
        rows = np.flatnonzero(share[:, column] > 0.5)
        return float(self.z[rows[0]]), float(self.z[rows[-1]])

    def span(self, share: np.ndarray) -> Span:
        """Left and right end of a body [mm]."""
        columns = np.flatnonzero((share > 0.5).any(axis=0))
        return float(self.x[columns[0]]), float(self.x[columns[-1]])

    def fill(self, ax: Axes) -> None:
        """Draw the two bodies, the swab with an outline."""
        for share, colour, order in ((self.wet, WET, 2), (self.wire, COPPER, 7)):
            ax.contourf(self.x, self.z, share, [0.5, 2.0], colors=[colour], zorder=order)
        ax.contour(self.x, self.z, self.wet, [0.5], colors=SOFT_INK, linewidths=0.8, zorder=3)


def shape_of(swab: Swab, reach: Span, top: float) -> Shape:
    """The swab in the plane y = 0 above the mask.

    Parameters
    ----------
    swab : its heading counts from the plane. reach : ends of the drawing [mm].
    top : of the drawing [mm]; the back of a pad reaches up to it.
    """
    step = (reach[1] - reach[0]) / FINENESS
    x = np.linspace(*reach, FINENESS + 1)
    beyond = 2.0 * step if isinstance(swab, Bud) else 0.0
    z = np.linspace(0.0, top + beyond, max(int(np.ceil(top / step)), 8) + 1)
    slab = (x / MM, np.array([-0.5, 0.5]) * step / MM, z / MM)
    body, skirt, wire = (
        part(swab, *slab)[:, 0] for part in (body_fraction, skirt_fraction, wire_fraction)
    )
    middle = 0.5 * (z[1:] + z[:-1])
    middle[0] = 0.0  # down to the mask
    return Shape(0.5 * (x[1:] + x[:-1]), middle, np.minimum(body + skirt, 1.0), wire)
