"""The conformal maps against reference tables, mpmath, limits, and each other."""

from __future__ import annotations

import json
import math
from itertools import pairwise

import mpmath
import numpy as np
import pytest
from places import REFERENCE

from simulate.errors import InputError
from simulate.exact import conformal_maps as maps

REFERENCE = json.loads(REFERENCE.read_text(encoding="utf-8"))
BOX = 1.0, REFERENCE["strip_in_box"]["wall"], REFERENCE["strip_in_box"]["height"]
DIGITS = 6e-8  # the tables carry seven


# ------------------------------------------------------------------------------------- strips


def test_strip_in_box_gives_the_table():
    table = REFERENCE["strip_in_box"]
    assert maps.strip_in_box_resistance(*BOX) == pytest.approx(table["resistance"], rel=1e-13)
    profile = maps.strip_in_box_profile(table["profile_at"], *BOX)
    assert profile == pytest.approx(np.array(table["profile"]), abs=DIGITS)
    cumulative = maps.strip_in_box_cumulative(table["cumulative_at"], *BOX)
    assert cumulative == pytest.approx(np.array(table["cumulative"]), abs=DIGITS)


@pytest.mark.parametrize(
    "sizes", [(1.0, 3.0, 2.0), (1.0, 1.2, 9.0), (0.3, 8.0, 0.25), (1e-3, 2e-3, 5e-4)]
)
def test_strip_in_box_resistance_equals_the_map_in_many_digits(sizes):
    half, wall, height = sizes
    with mpmath.workdps(150):
        nome = mpmath.exp(-mpmath.pi * mpmath.mpf(height) / wall)
        modulus = mpmath.kfrom(q=nome)
        u = mpmath.ellipk(modulus**2) * mpmath.mpf(half) / wall
        m1 = (modulus * mpmath.ellipfun("sn", u, k=modulus)) ** 2
        exact = mpmath.ellipk(1 - m1) / (2 * mpmath.ellipk(m1))
    assert maps.strip_in_box_resistance(*sizes) == pytest.approx(float(exact), rel=1e-10)


def test_strip_in_box_profile_is_the_slope_of_the_cumulative_current():
    x, step = np.array([0.1, 0.5, 0.9]), 1e-5
    ends = maps.strip_in_box_cumulative([x - step, x + step], *BOX)
    slope = (ends[1] - ends[0]) / (2 * step)
    assert slope == pytest.approx(maps.strip_in_box_profile(x, *BOX), rel=1e-7)


def test_a_strip_as_wide_as_its_box_is_a_plane_cell():
    assert maps.strip_in_box_resistance(1.0, 1.0, 2.5, 2.0) == pytest.approx(2.5 / 2 / 2.0)
    assert maps.strip_in_box_profile([0.0, 0.6], 1.0, 1.0, 2.5) == pytest.approx(1.0)


def test_a_strip_in_a_huge_box_has_the_profile_of_one_in_a_plane():
    x = np.array([0.0, 0.4, 0.9])
    huge = maps.strip_in_box_profile(x, 1.0, 300.0, 300.0)
    assert huge == pytest.approx(maps.strip_profile(x), rel=2e-5)
    shares = maps.strip_in_box_cumulative(x, 1.0, 300.0, 300.0)
    assert shares == pytest.approx(maps.strip_cumulative(x), abs=2e-5)


# ----------------------------------------------------------------------------------- channels


@pytest.mark.parametrize("case", REFERENCE["channel"]["cases"], ids=lambda c: f"gap {c['gap']}")
def test_channel_gives_the_table(case):
    found = maps.channel_resistance(case["length"], case["gap"])
    assert found == pytest.approx(case["resistance"], rel=1e-13)
    profile = maps.channel_profile(case["profile_at"], case["length"], case["gap"])
    assert profile == pytest.approx(np.array(case["profile"]), abs=DIGITS)


def test_channel_is_two_half_channels_each_a_strip_in_a_long_box():
    length, gap = 1.5, 0.8
    half = maps.strip_in_box_resistance(length / 2, 60.0, gap / 2)
    assert maps.channel_resistance(length, gap) == pytest.approx(2 * half, rel=1e-12)
    x = np.array([0.0, 0.3, 0.7])
    strip = maps.strip_in_box_profile(x, length / 2, 20.0, gap / 2)
    assert maps.channel_profile(x, length, gap) == pytest.approx(strip, rel=1e-12)


def test_wide_channel_is_a_plane_cell_with_two_fringes():
    length, gap = 40.0, 1.0
    expected = gap / (length + 2 * gap / math.pi * math.log(2))
    assert maps.channel_resistance(length, gap) == pytest.approx(expected, rel=1e-12)
    assert maps.channel_profile(0.0, 4000.0, gap) == pytest.approx(1.0, rel=1e-3)


def test_coplanar_strips_in_a_box_approach_those_in_a_half_space():
    free = maps.coplanar_strips_resistance(1.0, 2.0, 3.0)
    errors = [
        maps.coplanar_strips_resistance(1.0, 2.0, 3.0, box=(size, size)) - free
        for size in (50.0, 100.0)
    ]
    assert errors[0] == pytest.approx(4 * errors[1], rel=0.02)
    assert abs(errors[1]) < 1e-3 * free


def test_coplanar_strips_are_the_dual_of_the_gaps_around_them():
    """Strips and the insulation between them trade places: R of one is 1/R of the other."""
    gap, width = 0.7, 1.3
    strips = maps.coplanar_strips_resistance(gap, width)
    with mpmath.workdps(30):
        k = mpmath.mpf(gap) / (gap + 2 * mpmath.mpf(width))
        exact = 2 * mpmath.ellipk(k**2) / mpmath.ellipk(1 - k**2)
    assert strips == pytest.approx(float(exact), rel=1e-13)


def test_strips_filling_a_shallow_box_leave_only_the_gap_between_them():
    resistance = maps.coplanar_strips_resistance(5.0, 2.0, box=(4.5, 0.1))
    fringe = 2 * 0.1 / math.pi * math.log(2) * 2  # two ends, each of a half-channel's fringe
    assert resistance == pytest.approx((5.0 + fringe) / 0.1, rel=1e-9)


# ---------------------------------------------------------------------------------- Hull cell


def test_hull_cell_gives_the_table():
    table, cell = REFERENCE["hull"], maps.HullCell()
    assert cell.cathode == pytest.approx(table["cathode"], rel=1e-14)
    assert cell.resistance(1.0) == pytest.approx(table["resistance"], rel=1e-10)
    assert cell.profile(table["x"]) == pytest.approx(np.array(table["profile"]), abs=DIGITS)
    shares = cell.cumulative(table["x"])
    assert shares == pytest.approx(np.array(table["cumulative"]), abs=DIGITS)


def test_hull_cell_density_and_law_are_the_table_values_per_ampere():
    table, cell = REFERENCE["hull"], maps.HullCell()
    x = np.array(table["x"])
    density = cell.profile(x) / (cell.cathode * table["depth"]) / 100  # A/dm2
    assert density == pytest.approx(np.array(table["density_per_ampere"]), rel=1e-6)
    law = maps.hull_cell_law(x, 1.0) / 100
    assert law == pytest.approx(np.array(table["law_per_ampere"]), rel=1e-6)


def test_hull_cell_map_closes_on_the_anode():
    """The fourth side, which the map's constant was not fitted to, has its true length."""
    cell = maps.HullCell(anode=0.05, near=0.03, far=0.09)
    a, p = cell.corner, cell._pole()
    anode = mpmath.quad(
        lambda t: t ** (a - 1) * (t - 1) ** -a / mpmath.sqrt(t - p), [p, 2 * p, 10 * p, mpmath.inf]
    )
    scale = cell.cathode / cell._length(1.0, p)
    assert float(anode) * scale == pytest.approx(cell.anode, rel=1e-6)


def test_hull_cell_profile_is_the_slope_of_its_cumulative_current():
    cell = maps.HullCell()
    x, step = np.array([0.01, 0.05, 0.09]), 1e-6
    ends = cell.cumulative(np.array([x - step, x + step]))
    slope = (ends[1] - ends[0]) / (2 * step) * cell.cathode
    assert slope == pytest.approx(cell.profile(x), rel=1e-6)


def test_a_nearly_rectangular_hull_cell_is_a_plane_cell():
    cell = maps.HullCell(anode=0.1, near=0.05, far=0.05 * (1 + 1e-4))
    assert cell.resistance(2.0, 4.0) == pytest.approx(0.05 / (0.1 * 2.0 * 4.0), rel=1e-4)
    assert cell.profile(0.05) == pytest.approx(1.0, rel=1e-4)


def test_hull_cell_refuses_walls_the_wrong_way_round():
    with pytest.raises(InputError, match="far"):
        maps.HullCell(near=0.1, far=0.05)


def test_profiles_average_to_one():
    """Between two points off the edge, mean profile times width is the share of the current."""
    for lower, upper in pairwise((0.0, 0.5, 0.97)):
        strip = mpmath.quad(lambda x: float(maps.strip_profile(x)), [lower, upper])
        shares = maps.strip_cumulative([lower, upper])
        assert float(strip) == pytest.approx(shares[1] - shares[0], rel=1e-12)
    half, gap = 1.0, 0.7
    with mpmath.workdps(15):
        channel = mpmath.quad(  # x = sin(angle) takes the rim away
            lambda t: (
                float(maps.channel_profile(float(mpmath.sin(t)), 2 * half, gap)) * mpmath.cos(t)
            ),
            [0, 1.0, 1.5, 1.5707],
        )
    assert float(channel) == pytest.approx(1.0, abs=2e-4)
