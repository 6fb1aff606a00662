"""A disc and a bar under an upright bud, all invented: what tests of spots and responses solve."""

from __future__ import annotations

from functools import cache

import numpy as np
from small_cases import circle, dabs, rectangle, small_case

from simulate.field.supply import Supply
from simulate.run.local_solve import Spot, StopField, solve_alone
from simulate.run.setup import Course, lay_out

OPENINGS = [circle(4, 4, 2.4), rectangle(4, 6, 2.4, 0.8)]

UNFILMED, KNEE, FILMED = "1.2 V", "2.6 V", "9 V"
"""No salt film; the rim filmed over and the middle not; all of it filmed over."""


@cache
def course(emf: str = UNFILMED, resistance: str = "2 ohm") -> Course:
    made = small_case(
        "A disc and a bar under a bud, all invented",
        supply={"emf": emf, "resistance": resistance, "leads": "0 ohm"},
        stencil={"thickness": "0.2 mm", "shapes": OPENINGS},
        stroke=dabs([[4, 4.4], [1.5, 1.5]], 1),
    )
    return lay_out(made)


def spot(which: int = 0) -> Spot:
    return course().spots[which]


def field(made: Course, factor: float = 1.0, supply: Supply | None = None) -> StopField:
    given = made.setting.supply if supply is None else supply
    return solve_alone(made.setting, made.bare(), spot(), factor, given)


def moved(one: StopField, other: StopField) -> float:
    """Share of the current that runs elsewhere."""
    return 0.5 * float(np.abs(one.share - other.share).sum())
