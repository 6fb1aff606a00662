"""A stand-alone opening, or the section through a line of a case, etched to a named end."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from simulate.case.case import Case
from simulate.materials.removal import depth_from_charge
from simulate.section.case_dig import dig_case
from simulate.section.electrode_links import Form
from simulate.section.grow import Growth, flush_floor, grow
from simulate.section.growth_ends import given_ends
from simulate.section.line import CutLine, find_line
from simulate.section.moving_wall import Field
from simulate.section.opening import Opening, dig_opening


def grow_section(
    what: Opening | Case,
    *,
    depth: float | None = None,
    charge: float | None = None,
    time: float | None = None,
    place: tuple[float, float] | None = None,
    angle: float | None = None,
    form: Form = "second-order",
    cell: float | None = None,
    progress: Callable[[float], None] | None = None,
) -> Growth:
    """Etch a section until one of its named ends.

    Parameters
    ----------
    what : a stand-alone opening; or a case, whose swab then stands still over a line.
    depth : mean below the openings [m]; of a case its aim, where no end is given. charge : [C/m] of
        a section, [C] of a round hole. time : [s].
    place, angle : of the line in a case, as for `solve_section`.
    form : of the field, "second-order" or "symmetric"; see `electrode_links`.
    cell : side of the cells at the wall [m].
    progress : called with the share that is done.

    Raises
    ------
    InputError : nothing dissolves on the line, or no end is given.
    ConvergenceError : the field could not be solved.

    >>> import simulate as sf
    >>> slot = sf.Opening(width=1e-3, mask=0.13e-3, gap=1.5e-3, conductivity=9.0,
    ...                   supply=sf.Supply(1.0), depth_per_charge=3.5e-11, law=sf.Linear(3e-5))
    >>> grow_section(slot, depth=2e-5).end
    'depth'
    """
    if depth is charge is time is None and isinstance(what, Case):
        depth = what.aim.depth
    ends = given_ends(depth=depth, charge=charge, time=time)
    if isinstance(what, Opening):
        guess = depth or _likely_depth(what, charge, time)
        dig = dig_opening(what, guess, form=form, cell=cell)
    else:
        line = find_line(what, place, angle)
        guess = depth or _likely_in_case(line, charge, time)
        dig = dig_case(line, guess, form=form, cell=cell)
    return grow(dig, progress=progress, **ends)


def _likely_depth(opening: Opening, charge: float | None, time: float | None) -> float:
    """About the depth that a charge or a time makes [m], for the choice of cells."""
    area = 0.25 * np.pi * opening.width**2 if opening.round else opening.width
    if charge is not None:
        return charge * opening.depth_per_charge / area
    supply = opening.supply
    height = (opening.mask + opening.gap) / opening.conductivity / area
    current = supply.emf / (height + supply.resistance)
    if supply.current_limit is not None:
        current = min(current, supply.current_limit)
    return current * (time or 0.0) * opening.depth_per_charge / area


def _likely_in_case(line: CutLine, charge: float | None, time: float | None) -> float:
    """The same for a line of a case, from the density under the fresh swab [m]."""
    metal = line.case.metal
    wide = sum(b - a for a, b in line.dissolving_spans)
    if charge is not None:
        return float(depth_from_charge(metal, charge / wide))
    dig = dig_case(line, 1e-5)
    density = Field(dig.cavity).at(flush_floor(dig)).current / dig.width
    return float(depth_from_charge(metal, density * (time or 0.0)))
