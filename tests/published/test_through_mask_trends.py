"""Published trends of etching through masks, by sign.

R. V. Shenoy and M. Datta, J. Electrochem. Soc. 143 (1996) 544 (publisher's abstract): under ohmic
control a mask whose wall makes less than 90 degrees with the metal raises the etch factor by its
shadow, more than 90 degrees lowers it, and the influence of the wall fades for thicker metal.
V. M. Volgin, T. B. Kabanova and A. D. Davydov, J. Appl. Electrochem. 45 (2015) 679 (abstract): at
first the narrower of the openings is etched faster, then its rate falls steeply.
"""

from __future__ import annotations

import math

import pytest

from simulate.field.supply import Supply
from simulate.section.cavity_numbers import numbers_of
from simulate.section.grow_section import grow_section
from simulate.section.opening import Opening


def opening(**changes) -> Opening:
    usual = {
        "width": 1e-3,
        "mask": 0.13e-3,
        "gap": 1.5e-3,
        "conductivity": 9.0,
        "supply": Supply(1.0),
        "depth_per_charge": 3.5e-11,
    }
    return Opening(**(usual | changes))


def etch_factor(angle: float, depth: float) -> float:
    growth = grow_section(opening(wall_angle=math.radians(angle)), depth=depth)
    return numbers_of(growth.dig, growth.states[-1])[0].etch_factor


def test_a_mask_that_leans_over_the_metal_raises_the_etch_factor():
    factors = [etch_factor(angle, 1e-4) for angle in (120, 90, 60)]
    assert factors == sorted(factors)


def test_the_influence_of_the_masks_wall_fades_for_thicker_metal():
    spread = [etch_factor(60, depth) / etch_factor(120, depth) for depth in (0.5e-4, 2e-4)]
    assert spread[1] < spread[0]


def test_a_narrow_opening_is_etched_faster_at_first_and_slows_down_more():
    narrow, wide = (
        grow_section(opening(width=width), depth=2.5e-4).against_depth()
        for width in (0.3e-3, 1.5e-3)
    )
    assert narrow["density"][0] > 1.3 * wide["density"][0]
    kept = [run["speed"][-2] / run["speed"][0] for run in (narrow, wide)]
    assert kept[0] < 0.7 * kept[1]


@pytest.mark.parametrize("width", [0.3e-3, 1.5e-3])
def test_the_speed_of_depth_falls_all_the_way(width):
    speed = grow_section(opening(width=width), depth=2e-4).against_depth()["speed"]
    assert (speed[2:-1] < speed[1:-2] * 1.001).all()
