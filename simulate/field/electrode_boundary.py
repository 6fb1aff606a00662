"""Terminals: the electrode faces as the field sees them, and the supply between two of them.

At given potentials of the cells every face has a current and a slope (`kernels.wall`), and the
cell voltage follows from the supply: I_anode(V) = I_supply(V), both monotonic in V.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from simulate.field.network import Faces
from simulate.field.polarisation import BUTLER_VOLMER, TAFEL, uncapped
from simulate.field.supply import Supply
from simulate.kernels import electrode_kinetics

Doubles = NDArray[np.float64]
Floating = NDArray[np.floating]


YIELD = 1e-8
"""Share of its current by which a limited supply is taken to yield to the anode where the next step
is sought [-]. A supply that holds its current whatever the voltage leaves an anode that is cut off
from the cathode at any potential, and no step could be found to where it rests: at no current."""


ROUNDING = 1e-12
"""To what part of it the anode's current is known: an overpotential of volts is rounded to 1e-16 of
itself, and the current changes by e in some hundredths of a volt."""


SATURATION = 0.8
"""Share of its limiting current at which a face starts at most [-]. At the limit the current hardly
depends on the potential, and Newton's method would throw a face that does not belong there from the
limit to nothing and back."""


class Terminals:
    """The electrode faces as seen from the potentials: currents, slopes, and the supply."""

    def __init__(self, faces: Faces, laws: Doubles, supply: Supply | None, eta: Doubles) -> None:
        self.cell = faces.cell
        self.faces = faces
        self.laws = laws
        self.supply = supply
        self.eta = eta
        self.out = np.zeros((2, faces.cell.size))
        self._drive = np.full((2, faces.cell.size), np.nan)
        self.lift = 0.0
        self.limited = False
        series_laws = laws[:, 0]
        self.linear = bool(((series_laws == 0) | ((series_laws == 1) & np.isinf(laws[:, 5]))).all())

    def _pass(
        self, part: int, lift: float, phi: Doubles, move: Floating, step: float
    ) -> tuple[float, float]:
        """Current and slope of the first electrode, or of the others, at phi + step * move."""
        f = self.faces
        faces = (f.conductance, f.area, f.film, f.electrode, f.law, self.laws)
        kept = (self.eta, self._drive)
        current, slope = electrode_kinetics.face_currents(
            self.cell, phi, move, step, f.offset, lift, *faces, *kept, part, self.out
        )
        return float(current), float(slope)

    def anode(self, lift: float, phi: Doubles, move: Floating, step: float) -> tuple[float, float]:
        """Current and slope of the first electrode at phi + step * move and cell voltage lift."""
        return self._pass(electrode_kinetics.FIRST_ELECTRODE, lift, phi, move, step)

    def balance_supply(self, phi: Doubles, move: Floating, step: float) -> None:
        """Find the cell voltage at which supply and anode pass the same current."""
        if self.supply is None:
            self.anode(self.lift, phi, move, step)
            return
        emf, resistance = self.supply.emf, self.supply.resistance
        limit = self.supply.current_limit
        self.limited = False
        if resistance == 0.0:
            self.lift = emf
            current, _ = self.anode(emf, phi, move, step)
        else:
            line = (emf / resistance, -1.0 / resistance)
            self.lift, current = self._root(phi, move, step, line)
        if limit is not None and current > limit:
            self.limited = True
            self.lift, _ = self._root(phi, move, step, (limit, 0.0))

    def _root(
        self, phi: Doubles, move: Floating, step: float, supply_line: tuple[float, float]
    ) -> tuple[float, float]:
        """Cell voltage and current where the anode meets the supply's line.

        The line is current = a + b * V with b <= 0, so the gap increases with V: Newton's method
        within a bracket, its steps held to the scale of V while one end is open.
        """
        a, b = supply_line
        v = self.lift
        low, high = -np.inf, np.inf
        current, slope = self.anode(v, phi, move, step)
        for _ in range(200):
            gap = current - (a + b * v)
            if abs(gap) <= ROUNDING * (abs(current) + abs(a + b * v)):
                break
            low, high = (low, v) if gap > 0 else (v, high)
            reach = 2.0 * (1.0 + abs(v))
            rise = slope - b
            new = v - min(max(gap / rise, -reach), reach) if rise > 0 else v - np.sign(gap) * reach
            if not low < new < high and np.isfinite(high - low):
                new = 0.5 * (low + high)
            if new == v:
                break
            v = float(new)
            current, slope = self.anode(v, phi, move, step)
        return v, current

    def meet(self, phi: Doubles, move: Floating, step: float) -> None:
        """Currents [A] and slopes [S] of all faces at phi + step * move, the supply in balance."""
        self.balance_supply(phi, move, step)
        self._pass(electrode_kinetics.OTHERS, 0.0, phi, move, step)

    def rise(self, move: Floating, step: float) -> float:
        """How much the cell voltage rises along step * move, to first order [V]."""
        if self.supply is None or (self.supply.resistance == 0.0 and not self.limited):
            return 0.0
        first = self.faces.electrode == 0
        slope = self.out[1, first]
        stiffness = float(slope.sum()) + (0.0 if self.limited else 1.0 / self.supply.resistance)
        return step * float(slope @ move[self.cell[first]]) / stiffness if stiffness > 0 else 0.0

    def saturation(self) -> float:
        """Mean share of their limiting currents that faces with a limit pass [-]; 0 without."""
        limit = self.laws[self.faces.law, 5]
        bends = np.isfinite(limit)
        most = float(self.faces.area[bends] @ limit[bends])
        return float(np.abs(self.out[0, bends]).sum()) / most if most > 0.0 else 0.0

    def start_below_limits(self, phi: Doubles) -> None:
        """Move ``phi`` of cells whose faces would start at their limiting current."""
        faces, law = self.faces, self.laws[self.faces.law]
        bends = (law[:, 0] >= TAFEL) & np.isfinite(law[:, 5])
        if not bends.any():
            return
        cell, law, area = self.cell[bends], law[bends], faces.area[bends]
        metal = faces.offset[bends] + np.where(faces.electrode[bends] == 0, self.lift, 0.0)
        drive = metal - phi[cell]
        density = SATURATION * law[:, 5]
        free = uncapped(density, law[:, 5], law[:, 6])
        series = area / faces.conductance[bends] + faces.film[bends] + law[:, 4]
        most = _overpotential(free, drive > 0, law) + density * series
        over = (np.abs(drive) > most) & (
            (drive > 0) | (law[:, 0] == BUTLER_VOLMER)
        )  # a Tafel law is one-sided
        phi[cell[over]] = (metal - np.copysign(most, drive))[over]

    def rank_one(self) -> tuple[Doubles | None, float]:
        """Lead vector over faces and strength of the circuit's term in the Jacobian."""
        if self.supply is None:
            return None, 0.0
        lead = np.where(self.faces.electrode == 0, self.out[1], 0.0)
        total = float(lead.sum())
        if self.limited:
            return lead, (1.0 - YIELD) / total if total > 0 else 0.0
        resistance = self.supply.resistance
        if resistance == 0.0:
            return None, 0.0
        return lead, resistance / (1.0 + resistance * total)


def _overpotential(density: Doubles, anodic: NDArray[np.bool_], law: Doubles) -> Doubles:
    """Overpotential's size at a density that kinetics alone limits [V]; one branch of Butler-Volmer
    at a time, which is as good as both where the other branch has faded."""
    branch = np.where(anodic, law[:, 2], law[:, 3])
    ratio = density / law[:, 1]
    size = np.where(law[:, 0] == TAFEL, np.arcsinh(0.5 * ratio), np.log1p(ratio))
    return np.asarray(branch * size, dtype=np.float64)
