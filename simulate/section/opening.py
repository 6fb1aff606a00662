"""A stand-alone opening in a mask: a long slot or a round hole under a layer of wet swab.

The cathode is flat and lies on the swab. A slot stands alone or in a row of its like; half of it is
computed, from its middle to the middle of the mask beside it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from simulate.errors import Fault, InputError
from simulate.field.grid import Grid
from simulate.field.polarisation import Polarisation, law_row
from simulate.field.supply import Supply
from simulate.rules import above_zero, broken, zero_or_more
from simulate.section.axes import about_rim, graded_edges
from simulate.section.cut_cells import Ground
from simulate.section.dig import Dig
from simulate.section.electrode_links import Form
from simulate.section.moving_wall import Cavity
from simulate.section.upper_part import UpperPart
from simulate.section.wall_field import Circuit

Doubles = NDArray[np.float64]

CELLS_ACROSS = 22
"""Cells from the middle of an opening to its rim at least, as in the exact undercut that it is held
to."""

CELLS_DEEP = (8, 40)
"""Cells in the depth that is wanted, at least and at most."""

ALONE = 4.0
"""How much mask is kept beside an opening that stands alone, in heights of swab and mask [-]."""


@dataclass(frozen=True, kw_only=True)
class Opening:
    """A slot or a round hole in a mask, and what is above it.

    Parameters
    ----------
    width : of the slot at the metal, or the hole's diameter [m].
    mask : thickness of the mask [m]; 0 for one without thickness.
    gap : height of the wet swab above the mask, up to the cathode [m].
    conductivity : of the free electrolyte in opening and cavity [S/m].
    swab_conductivity : of the wet swab [S/m]; None: as the electrolyte.
    law, cathode_law : of polarisation; None is ideal.
    supply : between plate and cathode, for 1 m of a slot or for one hole.
    depth_per_charge : speed of removal over current density [m3/C], efficiency * EW / (F density).
    plate : thickness of the metal [m]; None for one without end.
    bridge : mask between this slot and the next of a row [m]; None: it stands alone.
    wall_angle : of the mask's wall, measured in the opening from the metal [rad]; below 90 degrees
        the mask leans over the metal.
    side_walls : "dissolve", or "stand": the metal recedes straight down.
    shape : "slot" or "disc".

    Raises
    ------
    InputError : all sizes that cannot be.
    """

    width: float
    mask: float
    gap: float
    conductivity: float
    supply: Supply
    depth_per_charge: float
    swab_conductivity: float | None = None
    law: Polarisation | None = None
    cathode_law: Polarisation | None = None
    plate: float | None = None
    bridge: float | None = None
    wall_angle: float = 0.5 * math.pi
    side_walls: Literal["dissolve", "stand"] = "dissolve"
    shape: Literal["slot", "disc"] = "slot"

    def __post_init__(self) -> None:
        """Refuse what no opening can be."""
        maybe = ("swab_conductivity", "plate", "bridge")
        given = [name for name in maybe if getattr(self, name) is not None]
        rules = above_zero(self, "width", "gap", "conductivity", "depth_per_charge", *given)
        faults = broken(self, rules + zero_or_more(self, "mask"))
        lean = (
            self.mask / math.tan(self.wall_angle) if 0.0 < self.wall_angle < math.pi else math.inf
        )
        room = 0.5 * self.bridge if self.bridge is not None else math.inf
        if not -room < lean < 0.5 * self.width:
            expected = "an angle that leaves the opening open and mask beside it"
            degrees = f"{math.degrees(self.wall_angle):g} deg"
            faults.append(Fault("not a mask's wall", expected, key="wall_angle", value=degrees))
        if faults:
            raise InputError(faults)

    @property
    def round(self) -> bool:
        """Whether x is a radius."""
        return self.shape == "disc"


def cell_at_wall(width: float, depth: float) -> float:
    """Side of the cells where a wall moves [m], for an opening's width and a depth [m]."""
    least, most = (depth / cells for cells in reversed(CELLS_DEEP))
    return float(np.clip(0.5 * width / CELLS_ACROSS, least, most))


def dig_opening(
    opening: Opening, depth: float, *, form: Form = "second-order", cell: float | None = None
) -> Dig:
    """Cells for an opening that is to be dug to about a depth.

    Parameters
    ----------
    depth : that the cells must do justice to [m].
    cell : side of the cells at the wall [m]; None takes `CELLS_ACROSS` and `CELLS_DEEP`.
    """
    half = 0.5 * opening.width
    size = cell or cell_at_wall(opening.width, depth)
    reach = 1.6 * depth + 4.0 * size
    beside = ALONE * (opening.gap + opening.mask) + reach
    end = half + (0.5 * opening.bridge if opening.bridge is not None else beside)
    stands = opening.side_walls == "stand"
    low, high = about_rim(half, 1.0, depth, size)
    near = (max(low, 0.0), half if stands else min(high, end))
    most = max(half / 12.0, size)
    x = graded_edges([0.0, half, end], [near], size, max(most, opening.gap / 6.0))
    floor = 3.0 * depth + 6.0 * size
    floor = floor if opening.plate is None else max(min(floor, opening.plate), 1.2 * depth)
    below = graded_edges([-floor - 2.0 * size, 0.0], [(-1.3 * depth, 0.0)], size, 4.0 * size)
    top = opening.mask + opening.gap
    marks = [0.0, top] if opening.mask == 0.0 else [0.0, opening.mask, top]
    above = graded_edges(marks, [(0.0, 0.0)], size, opening.gap / 8.0)
    above = np.append(above, top + (above[-1] - above[-2]))
    make = Grid.axisymmetric if opening.round else Grid.section
    kappa, cathode = _above(opening, x, above)
    is_open = 0.5 * (x[1:] + x[:-1]) < half
    upper = UpperPart(make(x, above), kappa, cathode, is_open)
    barred = ~is_open if stands else None
    lowest = np.where(is_open, kappa[0], 0.0)
    ground = Ground(
        x, np.append(below, above[1]), opening.conductivity, lowest, opening.round, barred
    )
    laws = np.stack([law_row(opening.law), law_row(opening.cathode_law)])
    supply = opening.supply if opening.round else _half(opening.supply)
    speed = opening.depth_per_charge
    return Dig(
        cavity=Cavity(
            ground,
            Circuit(laws, supply),
            lambda density, _: speed * np.maximum(density, 0.0),
            upper,
            form=form,
        ),
        openings=((0.0, half),),
        lips=((False, not stands),),
        plate=opening.plate,
        mirrors=(not opening.round, opening.bridge is not None and not opening.round),
        mask=opening.mask,
        share=1.0 if opening.round else 0.5,
    )


def _half(supply: Supply) -> Supply:
    """What drives one half of a symmetric section."""
    limit = supply.current_limit
    return Supply(supply.emf, 2.0 * supply.resistance, None if limit is None else 0.5 * limit)


def _above(opening: Opening, x: Doubles, z: Doubles) -> tuple[Doubles, NDArray[np.bool_]]:
    """Conductivity (nz, nx) [S/m] above the metal, and the cathode's cells."""
    swab = opening.swab_conductivity or opening.conductivity
    middle = 0.5 * (z[1:] + z[:-1])
    in_mask = middle < opening.mask
    rim = 0.5 * opening.width - middle / math.tan(opening.wall_angle)
    rim = np.where(abs(opening.wall_angle - 0.5 * math.pi) < 1e-12, 0.5 * opening.width, rim)
    open_share = np.clip((rim[:, None] - x[:-1]) / np.diff(x), 0.0, 1.0)
    open_share[open_share < 1e-6] = 0.0
    kappa = np.where(in_mask[:, None], opening.conductivity * open_share, swab)
    cathode = np.zeros(kappa.shape, bool)
    cathode[-1] = True
    return kappa, cathode
