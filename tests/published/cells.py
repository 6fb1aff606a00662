"""The cells of the published checks, on grids.

Lengths over the electrode's radius or half-width, conductivity 1: results are kappa a R for a
disk and kappa R per depth for a strip (reference tables in ``tests/reference_data``).
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

import simulate as sf

REFERENCE = json.loads(
    (Path(__file__).parents[1] / "reference_data" / "reference.json").read_text(encoding="utf-8")
)


@dataclass(frozen=True, eq=False)
class Opening:
    """Cell C(b, H): an electrode below an opening in a mask, a lid as counter electrode.

    Insulating wall at radius (or |x|) b; mask of thickness `depth` with a hole of radius 1;
    electrode at z = 0 in the hole; lid at z = depth + H. `fineness` cells per radius, square.
    """

    kind: str  # "axisymmetric" | "section"
    fineness: int
    depth: float = 0.0
    wall: float = 3.0
    height: float = 3.0

    @property
    def grid(self) -> sf.Grid:
        h = 1.0 / self.fineness
        across = np.arange(round(self.wall * self.fineness) + 1) * h
        up = np.arange(-1, round((self.depth + self.height) * self.fineness) + 2) * h
        make = sf.Grid.axisymmetric if self.kind == "axisymmetric" else sf.Grid.section
        return make(across, up)

    @property
    def conductivity(self) -> NDArray[np.float64]:
        """1 in the electrolyte, 0 in the mask and beside the electrode."""
        grid = self.grid
        x, _, z = grid.centres
        open_cells = (x < 1.0) | (z[:, None] > self.depth)
        return np.ascontiguousarray(open_cells[:, None, :], dtype=float)

    def solve(self, law: sf.Linear | sf.Tafel | None = None, voltage: float = 1.0) -> sf.Field:
        """Voltage between the electrode, which obeys `law`, and the ideal lid at 0 V."""
        grid = self.grid
        x, _, z = grid.centres
        nothing = np.zeros(grid.shape, dtype=bool)
        plate, lid = nothing.copy(), nothing.copy()
        plate[0, :, x < 1.0] = True
        lid[-1] = True
        electrodes = [
            sf.Electrode("plate", plate, voltage, law),
            sf.Electrode("lid", lid, 0.0),
        ]
        return sf.solve_potential(grid, self.conductivity, electrodes)
