"""A disc and a bar under an upright bud, all invented: what tests of spots and responses solve."""

from __future__ import annotations

from functools import cache

import numpy as np

import simulate as sf
from simulate.field.supply import Supply
from simulate.run.local_solve import Spot, StopField, solve_alone
from simulate.run.setup import Course, lay_out

TEXT = """
title = "A disc under a bud, all invented"

[plate]
metal = "carbon steel"
width = "8 mm"
height = "8 mm"

[electrolyte]
vinegar = "50 mL"
salt = "5 g"

[supply]
emf = "{emf}"
resistance = "{resistance}"
leads = "0 ohm"

[stencil]
thickness = "0.2 mm"
shapes = [
  {{ kind = "circle", x = "4 mm", y = "4 mm", diameter = "2.4 mm" }},
  {{ kind = "rectangle", x = "4 mm", y = "6 mm", width = "2.4 mm", height = "0.8 mm" }},
]

[swab]
form = "bud"
diameter = "3 mm"
length = "7 mm"
press = "0.5 mm"
tilt = "90 deg"
wire_diameter = "0.8 mm"
wire_gap = "1.6 mm"

[stroke]
pattern = "dabs"
points = [[4, 4.4], [1.5, 1.5]]
unit = "mm"
time = "1 s"

[grid]
cell = "0.4 mm"
"""

UNFILMED, KNEE, FILMED = "1.2 V", "2.6 V", "9 V"
"""No salt film; the rim filmed over and the middle not; all of it filmed over."""


@cache
def course(emf: str = UNFILMED, resistance: str = "2 ohm") -> Course:
    return lay_out(sf.parse_case(TEXT.format(emf=emf, resistance=resistance), "disc.toml"))


def spot(which: int = 0) -> Spot:
    return course().spots[which]


def field(made: Course, factor: float = 1.0, supply: Supply | None = None) -> StopField:
    given = made.setting.supply if supply is None else supply
    return solve_alone(made.setting, made.bare(), spot(), factor, given)


def moved(one: StopField, other: StopField) -> float:
    """Share of the current that runs elsewhere."""
    return 0.5 * float(np.abs(one.share - other.share).sum())
