"""Blocks: where a run is cut because the metal's surface has changed.

A surface that stays as it is needs one block. Where a film grows, a coating wears through or the
floor sinks, `milestones` tells the charge densities at which to take it anew, and a run is cut
where an estimate of it reaches them, at the start of a pass where there are passes enough.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from simulate.course import Course
from simulate.metals import FARADAY
from simulate.removal import depth_from_charge, layers
from simulate.surface import Surface, milestones, opening_width, sinks_enough, thin_out

Doubles = NDArray[np.float64]
Integers = NDArray[np.int64]

MOST = 6
"""Most blocks of a run."""


@dataclass(frozen=True)
class Plan:
    """How a run is cut.

    Parameters
    ----------
    blocks : stops ``first <= n < last`` of each.
    sinks : whether the depth reached counts as a resistance.
    grows : whether the surface changes at all.
    """

    blocks: tuple[tuple[int, int], ...]
    sinks: bool
    grows: bool


def plan_blocks(course: Course, charge: Doubles, passed: Doubles) -> Plan:
    """Cut a run.

    Parameters
    ----------
    charge : an estimate of what each cell passes in the whole run [C], (ny, nx).
    passed : of what each stop passes [C].
    """
    metal = course.case.metal
    dose = _dose(charge, course.open_area)
    sinks = _sinks(course, float(depth_from_charge(metal, dose)))
    grows = sinks or any(
        layer.film_charge is not None or layer.under is not None for layer, _ in layers(metal)
    )
    marks = thin_out(milestones(metal, dose, sinks=sinks), MOST - 1)
    total = np.cumsum(passed)
    cuts = np.searchsorted(total, np.array(marks) / dose * total[-1]) if marks else np.zeros(0)
    return Plan(_snapped(cuts.astype(np.int64), course.stops.pass_index), sinks, grows)


def _dose(charge: Doubles, area: Doubles) -> float:
    """Charge density where most of the charge passes [C/m2]: its mean, weighted with charge."""
    total = float(charge.sum())
    open_ = area > 0
    return float((charge[open_] ** 2 / area[open_]).sum()) / total if total > 0 else 0.0


def _sinks(course: Course, depth: float) -> bool:
    """Whether the floor's depth [m] is to count as a resistance."""
    wish = course.case.grid.depth_feedback
    if wish != "auto":
        return wish == "on"
    width = opening_width(course.open_fraction, course.rim_distance)
    return sinks_enough(depth, width, course.case.stencil.thickness)


def _snapped(cuts: Integers, passes: Integers) -> tuple[tuple[int, int], ...]:
    """Blocks between cuts, moved to where a pass begins if there are passes enough for all."""
    starts = np.flatnonzero(np.diff(passes)) + 1
    if starts.size >= 2 * cuts.size > 0:
        cuts = starts[np.abs(starts[:, None] - cuts).argmin(axis=0)]
    edges = np.unique(np.concatenate([[0], cuts, [passes.size]]))
    return tuple((int(first), int(last)) for first, last in pairwise(edges))


def metal_rate(course: Course, surface: Surface) -> float:
    """Mass dissolved per charge [kg/C], mean over the layers that lie bare in the openings."""
    rates = [
        layer.efficiency.value * layer.equivalent_weight / FARADAY
        for layer, _ in layers(course.case.metal)
    ]
    weights = course.open_area.ravel()
    share = np.bincount(surface.layer.ravel(), weights=weights, minlength=len(rates))
    return float(share @ rates / share.sum()) if share.sum() > 0 else rates[0]
