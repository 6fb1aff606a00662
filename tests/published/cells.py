"""The cells of the published checks, on grids.

Lengths over the electrode's radius or half-width, conductivity 1: resistances are kappa a R for a
disk and kappa R per depth for a strip. `REFERENCE` holds the numbers, each table with its source.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from places import REFERENCE

import simulate as sf
from simulate.field.polarisation import Polarisation
from simulate.field.potential import FaceRecord, Field

REFERENCE = json.loads(REFERENCE.read_text(encoding="utf-8"))

Floats = NDArray[np.float64]
Region = Callable[[Floats, Floats], Floats]


@dataclass(frozen=True)
class Body:
    """An electrode of a plane or axisymmetric cell; `inside` and `potential` are read at (x, z)."""

    name: str
    inside: Region
    potential: float | Region = 0.0
    law: Polarisation | None = None


def solve_plane(
    grid: sf.Grid, conductivity: Region | float, *bodies: Body, edges: str = "plain"
) -> Field:
    """Solve a section or an axisymmetric cell given by functions of x (or r) and z.

    On the plain scheme unless asked otherwise: its orders are asserted in their own right.
    """
    x, _, z = grid.centres
    x, z = np.meshgrid(x, z)

    def spread(values: Region | float) -> Floats:
        numbers = values(x, z) if callable(values) else values
        return np.broadcast_to(np.asarray(numbers, dtype=float), x.shape)[:, None, :].copy()

    electrodes = [
        sf.Electrode(body.name, spread(body.inside) > 0.0, spread(body.potential), body.law)
        for body in bodies
    ]
    return sf.solve_potential(grid, spread(conductivity), electrodes, edges=edges)


@dataclass(frozen=True)
class Opening:
    """Cell C(b, H): an electrode below an opening in a mask, a lid as counter electrode.

    Insulating wall at radius (or |x|) `wall`; mask of thickness `depth` with a hole of radius 1;
    electrode at z = 0 in the hole; lid at depth + `height`. `fineness` square cells per radius.
    """

    shape: str  # "disk" | "strip"
    fineness: int
    depth: float = 0.0
    wall: float = 3.0
    height: float = 3.0
    edges: str = "plain"

    def solve(self, law: Polarisation | None = None, voltage: float = 1.0) -> Field:
        """`voltage` between the electrode, which obeys `law`, and the ideal lid at 0 V."""
        step = 1.0 / self.fineness
        top = self.depth + self.height
        across = np.arange(round(self.wall * self.fineness) + 1) * step
        up = np.arange(-1, round(top * self.fineness) + 2) * step
        make = sf.Grid.axisymmetric if self.shape == "disk" else sf.Grid.section
        return solve_plane(
            make(across, up),
            lambda x, z: (x < 1.0) | (z > self.depth),
            Body("plate", lambda x, z: (z < 0.0) & (x < 1.0), voltage, law),
            Body("lid", lambda x, z: z > top),
            edges=self.edges,
        )

    def resistance(self, law: Polarisation | None = None) -> float:
        """kappa a R of a disk, kappa R of a whole strip (half of it is solved)."""
        current = self.solve(law).currents["plate"]
        return 1.0 / current if self.shape == "disk" else 0.5 / current


def ring_means(faces: FaceRecord, edges: Floats) -> Floats:
    """Mean density between edges (of r or x), over the mean on the whole electrode [-]."""
    place = np.searchsorted(edges, faces.x) - 1
    inside = (place >= 0) & (place < edges.size - 1)
    count = edges.size - 1
    current = np.bincount(place[inside], (faces.density * faces.area)[inside], count)
    area = np.bincount(place[inside], faces.area[inside], count)
    mean = float((faces.density * faces.area).sum() / faces.area.sum())
    return np.asarray(current / area / mean)


def extrapolated_ring_means(
    cells: Sequence[Opening], edges: Floats, *, order: float, law: Polarisation | None = None
) -> Floats:
    """`ring_means` of two grids, the second twice as fine as the first, extrapolated."""
    coarse, fine = (ring_means(cell.solve(law).faces("plate"), edges) for cell in cells)
    return fine + (fine - coarse) / (2.0**order - 1.0)


def observed_orders(values: list[float], exact: float) -> list[float]:
    """Orders of convergence [-] of values on grids that are each twice as fine as the last."""
    errors = np.abs(np.array(values) - exact)
    return list(np.log2(errors[:-1] / errors[1:]))
