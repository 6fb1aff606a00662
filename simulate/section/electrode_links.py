"""Links to electrodes: what current they carry at what potentials, in two forms.

In the *symmetric* form a cut link carries the two-point current to the wall over the whole side of
its cell, so that what leaves the walls enters the cathode to rounding. In the *second-order* form
the divergence is that of the cell that is left, factor 2 / (1 + theta) on even cells (Shortley &
Weller, J. Appl. Phys. 9 (1938) 334; from memory), and the density at the wall follows from a
parabola through the wall and two nodes; the matrix is not symmetric.

Along an axis flows the normal density times the normal's component, and beside it what the wall's
own potential drives along the wall where it is polarised.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from simulate.field.polarisation import IDEAL, LINEAR
from simulate.section.cut_cells import CutLinks

Doubles = NDArray[np.float64]
Form = Literal["symmetric", "second-order"]

LEAST_COMPONENT = 1e-6
"""Least component of a wall's normal along a link that is reckoned with [-]."""


class ElectrodeLinks:
    """Links to electrodes in one form: currents into their nodes, and how these change.

    Parameters
    ----------
    laws : (2, 8), rows of `polarisation.law_row`. tangential : current density along the wall at
        each link [A/m2], or None.
    """

    def __init__(
        self, links: CutLinks, laws: Doubles, form: Form, tangential: Doubles | None
    ) -> None:
        self.links, self.laws = links, laws
        near, far = links.near, links.far
        curved = (links.wall >= 0) if form == "second-order" else np.zeros(len(links), bool)
        has = curved & (links.behind >= 0)
        far = np.where(has, far, np.inf)
        self.c_wall = 1.0 / near + 1.0 / (near + far)
        self.c_behind = near / (far * (near + far)) if has.any() else np.zeros(len(links))
        self.c_behind = np.where(has, self.c_behind, 0.0)
        self.c_node = -self.c_wall - self.c_behind
        self.behind = np.where(has, links.behind, links.node)
        self.share = np.maximum(links.share, LEAST_COMPONENT)
        self.weight = links.area * self.share
        self.full = np.where(curved, links.stretch, 1.0) * links.area / near
        self.eta = np.zeros(len(links))
        ideal = (laws[:, 0] == IDEAL) | ((laws[:, 0] == LINEAR) & (laws[:, 1] == 0.0))
        self.ideal = (ideal & (laws[:, 4] == 0.0) & np.isinf(laws[:, 5]))[links.electrode]
        self.rest = laws[links.electrode, 7]
        self.shift = 0.0 if tangential is None else tangential * links.slant
        self.anode = links.electrode == 0

    def meet(self, phi: Doubles, voltage: float) -> None:
        """Currents into the nodes [A/m], [A], densities at the wall [A/m2], and their slopes."""
        from simulate.kernels.electrode_kinetics import wall_currents

        at, back = phi[self.links.node], phi[self.behind]
        metal = np.where(self.anode, voltage, 0.0) - self.rest
        drive = metal + (self.c_node * at + self.c_behind * back - self.shift) / self.c_wall
        series = self.share / self.c_wall
        density, slope = np.empty(drive.size), np.empty(drive.size)
        wall_currents(drive, series, self.links.electrode, self.laws, self.eta, density, slope)
        over = np.where(self.ideal, 0.0, drive - series * density)  # what the wall itself takes
        rate = np.where(self.ideal, 0.0, 1.0 - series * slope)
        self.density, self.over = density, over
        self.current = self.full * (metal - over - at)
        self.by_node = self.full * (-rate * self.c_node / self.c_wall - 1.0)
        self.by_behind = self.full * (-rate * self.c_behind / self.c_wall)
        self.by_metal = self.full * (1.0 - rate)
        self.slope = slope / self.c_wall

    def total(self, electrode: int) -> float:
        """Current out of an electrode's metal [A/m], [A]."""
        own = self.links.electrode == electrode
        return float(self.weight[own] @ self.density[own])


def joined(one: CutLinks, other: CutLinks) -> CutLinks:
    """Links of two lists after each other."""
    parts = {name: np.concatenate([getattr(one, name), getattr(other, name)]) for name in vars(one)}
    return replace(one, **parts)
