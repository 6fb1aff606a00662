"""Blocks: where a run is cut because the metal's surface has changed.

A surface that stays as it is needs one block. Where a film grows, a coating wears through or the
floor sinks, `milestones` tells the charge densities at which to take it anew, and a run is cut
where an estimate of it reaches them, at the start of a pass where there are passes enough.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from simulate.case.case import Case
from simulate.materials.removal import depth_from_charge, layers, removed_mass
from simulate.run.local_solve import StopField
from simulate.run.metal_surface import (
    Surface,
    milestones,
    sinks_enough,
    surface_after,
    thin_out,
)
from simulate.run.setup import Course
from simulate.stencil.measure import mean_width

Doubles = NDArray[np.float64]
Integers = NDArray[np.int64]

MOST = 6
"""Most blocks of a run over many places, as planned."""

HALVINGS = 12
"""How often a block may be halved because its surface changed more than was expected."""

WORST = 0.004
"""A block is halved if keeping its surface puts the run's charge out by more than this [-]."""

FEW = 8
"""Places that are solved so fast that blocks may be as many times finer as `FINER` says."""

FINER = 4


@dataclass(frozen=True)
class Plan:
    """How a run is cut.

    Parameters
    ----------
    blocks : stops ``first <= n < last`` of each.
    sinks : whether the depth reached counts as a resistance.
    grows : whether the surface changes at all.
    charge : of the whole run, estimated [C].
    """

    blocks: tuple[tuple[int, int], ...]
    sinks: bool = False
    grows: bool = False
    charge: float = 0.0


def plan_blocks(course: Course, charge: Doubles, passed: Doubles) -> Plan:
    """Cut a run.

    Parameters
    ----------
    charge : an estimate of what each cell passes in the whole run [C], (ny, nx).
    passed : of what each stop passes [C].
    """
    metal = course.case.metal
    dose = _dose(charge, course.open_area)
    sinks = depth_counts(course.case, float(depth_from_charge(metal, dose)))
    grows = sinks or any(
        layer.film_charge is not None or layer.under is not None for layer, _ in layers(metal)
    )
    marks = thin_out(milestones(metal, dose, sinks=sinks), MOST - 1)
    if len(course.places) <= FEW and marks:
        marks = _finer((0.0, *marks, dose))
    total = np.cumsum(passed)
    cuts = np.searchsorted(total, np.array(marks) / dose * total[-1]) if marks else np.zeros(0)
    found = _snapped(cuts.astype(np.int64), course.stops.pass_index)
    return Plan(found, sinks, grows, float(total[-1]))


def halve(course: Course, first: int, passed: Doubles) -> int:
    """The stop at which half of a block's charge has passed, or the nearest pass that begins in it.

    first : stop of the block. passed : charge of each of its stops, two or more [C].
    """
    half = np.searchsorted(np.cumsum(passed), 0.5 * passed.sum())
    middle = first + min(max(int(half), 1), passed.size - 1)
    passes = course.stops.pass_index[first : first + passed.size]
    starts = first + 1 + np.flatnonzero(np.diff(passes))
    return int(starts[np.abs(starts - middle).argmin()]) if starts.size else middle


def _finer(marks: Sequence[float]) -> tuple[float, ...]:
    """Increasing marks with `FINER` steps from each to the next, without the two at the ends."""
    steps = np.arange(FINER) / FINER
    found = [low + (high - low) * steps for low, high in pairwise(marks)]
    return tuple(np.concatenate(found)[1:].tolist())


def _dose(charge: Doubles, area: Doubles) -> float:
    """Charge density where most of the charge passes [C/m2]: its mean, weighted with charge."""
    total = float(charge.sum())
    open_ = area > 0
    return float((charge[open_] ** 2 / area[open_]).sum()) / total if total > 0 else 0.0


def depth_counts(case: Case, depth: float) -> bool:
    """Whether a depth [m] is to count as a resistance: as the case says, or where it matters."""
    wish = case.grid.depth_feedback
    if wish != "auto":
        return wish == "on"
    return sinks_enough(depth, mean_width(case.stencil), case.stencil.thickness)


def _snapped(cuts: Integers, passes: Integers) -> tuple[tuple[int, int], ...]:
    """Blocks between cuts, moved to where a pass begins if there are passes enough for all."""
    starts = np.flatnonzero(np.diff(passes)) + 1
    if starts.size >= 2 * cuts.size > 0:
        cuts = starts[np.abs(starts[:, None] - cuts).argmin(axis=0)]
    edges = np.unique(np.concatenate([[0], cuts, [passes.size]]))
    return tuple((int(first), int(last)) for first, last in pairwise(edges))


def metal_rate(course: Course, before: Doubles, within: Doubles) -> float:
    """Mass dissolved per charge in a block, through all layers [kg/C]; 0 where nothing passes.

    before, within : charge of each cell before the block and in it [C], (ny, nx).
    """
    charge = float(within.sum())
    if charge <= 0.0:
        return 0.0
    metal, area = course.case.metal, course.open_area
    wide = area > 0
    mass = removed_mass(metal, (before + within)[wide] / area[wide])
    mass -= removed_mass(metal, before[wide] / area[wide])
    return float(mass @ area[wide]) / charge


def blocking_error(
    course: Course, field: StopField, used: Surface, charges: tuple[Doubles, Doubles], sinks: bool
) -> float:
    """By how much a field's current is off because its surface stayed the same in a block [-].

    The surface's mean over the block by Simpson's rule, less the one used, as a voltage: film and
    depth by the current through them, layers by their equilibrium; over the voltage that doubles
    the current, I dV/dI with the supply in it.

    Parameters
    ----------
    field : of one stop of the block.
    used : the surface it was solved with.
    charges : passed by each cell before the block and in it [C], (ny, nx).
    """
    if field.total <= 0.0:
        return 0.0
    before, within = (charge.ravel()[field.cells] for charge in charges)
    area = course.open_area.ravel()[field.cells]
    setting = course.setting
    level, resistance = np.zeros(area.size), np.zeros(area.size)
    for part, weight in ((0.0, 1.0), (0.5, 4.0), (1.0, 1.0)):
        density = (before + part * within) / area
        surface = surface_after(course.case.metal, density, sinks=sinks)
        level += weight / 6.0 * setting.laws[surface.layer, 7]
        resistance += weight / 6.0 * (surface.film + surface.depth / setting.kappa.free)
    level -= setting.laws[used.layer.ravel()[field.cells], 7]
    resistance -= used.film.ravel()[field.cells]
    resistance -= used.depth.ravel()[field.cells] / setting.kappa.free
    drop = field.total * float(field.share**2 @ (resistance / field.area))
    scale = field.total * (1.0 / field.conductance + setting.supply.resistance)
    return abs(float(field.share @ level) + drop) / scale
