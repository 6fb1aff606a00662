"""The surface of the metal as charge passes: its film, the layer laid bare, its depth; salt films.

While a run goes on, films grow, a coating wears through and the floor of an opening sinks. The run
is cut into a few blocks; within a block the surface stays as it is expected to be half way through.
`milestones` says at which charge densities a metal's surface has changed enough for a cut.

Under a swab held still a salt film comes on as well. The current density at which a surface held
for a time t just reaches saturation is, by Sand's equation, n F c / 2 * sqrt(pi D / t): it caps the
reaction from the limit under a moving swab down to that under a resting one.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from simulate.field.polarisation import law_row
from simulate.materials.limiting_current import salt_film_time
from simulate.materials.metals import Metal, anode_law, film_resistance
from simulate.materials.removal import charge_through, depth_from_charge, layers

Doubles = NDArray[np.float64]

LIMIT_STEP = 1.1
"""Largest ratio between neighbouring steps of the salt film's limit under a resting swab."""

SETTLING = (0.25, 0.75, 1.75, 3.5)
"""Where the growth of a film that settles is cut, in film charges."""

GROWING = (0.05, 0.15, 0.35, 0.65)
"""Where that of a film that does not settle is cut, in shares of the whole charge."""

WEARING = (0.5, 0.8, 1.0, 1.3, 1.7)
"""Where the wear of a coating is cut, in charges that go through it."""

SINKING = (0.25, 0.5, 0.75)
"""Where the sinking of the floor is cut, in shares of the whole charge."""


@dataclass(frozen=True, eq=False)
class Surface:
    """The metal under each cell of the plate, all (ny, nx).

    Parameters
    ----------
    film : resistance of the film [ohm m2].
    depth : of liquid below the unetched surface, in series with the opening [m].
    layer : which of the metal's layers lies bare, 0 the uppermost.
    """

    film: Doubles
    depth: Doubles
    layer: NDArray[np.int64]


def surface_after(metal: Metal, charge_density: Doubles, *, sinks: bool) -> Surface:
    """The surface after a charge density [C/m2], (ny, nx).

    sinks : whether the depth counts as a further resistance.
    """
    film = np.zeros_like(charge_density)
    layer = np.zeros(charge_density.shape, np.int64)
    left = np.maximum(charge_density, 0.0)
    for number, (part, _) in enumerate(layers(metal)):
        bare = layer == number
        film[bare] = film_resistance(part, left[bare])
        through = charge_through(part)
        worn = bare & (left >= through)
        layer[worn] += 1
        left = np.where(worn, left - through, left)
    depth = depth_from_charge(metal, charge_density) if sinks else np.zeros_like(charge_density)
    return Surface(film, depth, layer)


def surface_laws(metal: Metal) -> Doubles:
    """Laws of polarisation of the metal's layers from the top, under a moving swab, (layers, 8).

    Raises
    ------
    InputError : a layer does not etch.
    """
    return np.array([law_row(anode_law(layer)) for layer, _ in layers(metal)])


def layer_limits(metal: Metal) -> Doubles:
    """Limits of the metal's layers at each step of `rest_limits` [A/m2], (steps, layers)."""
    limits = rest_limits(metal)
    times = [0.0, *(salt_film_time(metal, limit) for limit in limits[1:])]
    rows = [[_limit_at(layer, time) for layer, _ in layers(metal)] for time in times]
    found = np.array(rows)
    found[:, 0] = limits
    return found


def rest_limits(metal: Metal) -> Doubles:
    """Steps of the salt film's limit from a moving to a resting swab [A/m2], decreasing."""
    moving, still = metal.limit_stroked.value, metal.limit_still.value
    if still >= moving:
        return np.array([moving])
    if metal.saturation is None:
        return np.array([moving, still])
    count = math.ceil(math.log(moving / still) / math.log(LIMIT_STEP))
    return np.asarray(moving * (still / moving) ** (np.arange(count + 1) / count))


def rest_steps(metal: Metal, rested: Doubles) -> NDArray[np.int64]:
    """The step of `rest_limits` nearest to the limit after resting for a time [s], 0 for none.

    A metal without a saturation in the catalogue takes the resting limit at once.
    """
    limits = rest_limits(metal)
    now = np.array([_limit_at(metal, time) for time in rested])
    distance = np.abs(np.log(now[:, None] / limits[None, :]))
    return np.asarray(np.argmin(distance, axis=1))


def _limit_at(metal: Metal, rested: float) -> float:
    """Current density at which the surface just reaches saturation after a rest [A/m2]."""
    moving, still = metal.limit_stroked.value, metal.limit_still.value
    if rested <= 0.0 or still >= moving:
        return moving
    unit = salt_film_time(metal, 1.0)
    if math.isinf(unit):
        return still
    return min(max(math.sqrt(unit / rested), still), moving)


def milestones(metal: Metal, dose: float, *, sinks: bool) -> tuple[float, ...]:
    """Charge densities at which to take the surface anew [C/m2], below ``dose``, increasing.

    Parameters
    ----------
    dose : charge density of the whole run where most of it passes [C/m2].
    sinks : whether the depth counts as a further resistance.
    """
    marks: set[float] = {share * dose for share in SINKING} if sinks else set()
    above = 0.0
    for part, thickness in layers(metal):
        if part.film_charge is not None:
            scale = part.film_charge.value if part.film_settles else max(dose - above, 0.0)
            steps = SETTLING if part.film_settles else GROWING
            marks |= {above + share * scale for share in steps}
        if math.isinf(thickness):
            break
        above += charge_through(part)
        marks |= {share * above for share in WEARING}
    return tuple(sorted(mark for mark in marks if 0.0 < mark < dose))


def thin_out(marks: Sequence[float], most: int) -> tuple[float, ...]:
    """At most so many of the increasing marks: the ones nearest to another go first."""
    kept = list(marks)
    while len(kept) > most:
        gaps = [high / low for low, high in pairwise(kept)]
        del kept[int(np.argmin(gaps)) + 1]
    return tuple(kept)


def sinks_enough(depth: float, width: float, mask: float) -> bool:
    """Whether a depth changes the current noticeably: above a tenth of the opening's width or
    three tenths of the mask's thickness, research notes 6.3; all [m]."""
    return depth > 0.1 * width or depth > 0.3 * mask
