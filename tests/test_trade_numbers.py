"""The trade's own numbers: common practice, no published source, so the ranges are wide.

A bud of 5 mm on letters half a square centimetre large, carbon steel, a teaspoon of salt in 60 mL
of vinegar. The plate is invented.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

import simulate as sf
from simulate.drying import brine_activity

TEXT = """
title = "Ten bars, half a square centimetre, all invented"

[plate]
metal = "carbon_steel"
width = "30 mm"
height = "14 mm"

[electrolyte]
vinegar = "60 mL"
salt = "6 g"

[supply]
name = "{supply}"

[stencil]
thickness = "0.15 mm"
shapes = [
{shapes}
]

[swab]
form = "bud"
diameter = "5 mm"
length = "14 mm"
press = "0.8 mm"
wire_diameter = "0.8 mm"
wire_gap = "2.5 mm"

[stroke]
pattern = "hatch"
x = "15 mm"
y = "7 mm"
width = "10 mm"
height = "3 mm"
spacing = "1.5 mm"
speed = "15 mm/s"
passes = {passes}

{rewet}

[grid]
cell = "0.4 mm"
"""

BAR = '  {{ kind = "rectangle", x = "{} mm", y = "7 mm", width = "{} mm", height = "6.25 mm" }},'
DIPS = '[rewet]\ncharge = "10 C"\ntime = "20 s"'


@cache
def etched(supply="alkaline_9v", passes=60, rewet=DIPS, bar=0.8):
    """Bars 0.8 mm wide make half a square centimetre, 1.6 mm a whole one."""
    shapes = "\n".join(BAR.format(6 + 2 * n, bar) for n in range(10))
    text = TEXT.format(supply=supply, shapes=shapes, passes=passes, rewet=rewet)
    return sf.etch_case(sf.parse_case(text, "bars.toml"))


def mean_current(run):
    return float(np.average(run.current, weights=run.dwell))


def test_the_openings_are_half_a_square_centimetre():
    assert etched().open_area.sum() == pytest.approx(0.5e-4, rel=1e-9)


def test_an_alkaline_block_and_a_bud_give_a_fifth_of_an_ampere_to_one_on_steel():
    run = etched()
    assert 0.2 < mean_current(run) < 1.0
    assert 0.2 < np.median(run.current) < 1.0


def test_a_zinc_carbon_block_gives_less_than_a_fifth():
    run = etched("zinc_carbon_9v", 24)
    assert 0.05 < mean_current(run) < 0.2
    assert np.median(run.current) < 0.2


def test_twenty_five_micrometres_take_of_the_order_of_two_minutes():
    """Dips left out of the time; research notes 6.1 give 119 s at 0.3 A."""
    run = etched()
    speed = run.summary["mean_depth"]["value"] / run.dwell.sum()
    assert 60.0 < 25e-6 / speed < 240.0


def test_a_swab_is_dipped_every_ten_coulombs_or_twenty_seconds():
    run = etched()
    assert run.rewet.sum() == pytest.approx(run.dwell.sum() / 20.0, abs=2)


def test_a_swab_sizzles_after_some_tens_of_seconds_at_four_watts():
    """Research notes 3.3: it boils after 18, 26, 42 s with 0.10, 0.15, 0.25 mL at 4 W."""
    run = etched("alkaline_9v", 40, "", 1.6)
    power = run.current * run.voltage
    salt = run.case.electrolyte.salt_fraction
    assert brine_activity(salt) < 1.0
    boils = run.temperature >= run.temperature.max() - 0.01
    first = float(run.time[np.argmax(boils)])
    assert 373.0 < run.temperature.max() < 377.0
    assert np.average(
        power[run.time < first], weights=run.dwell[run.time < first]
    ) == pytest.approx(4.0, abs=1.5)
    assert 10.0 < first < 60.0
    assert any("boils" in remark for remark in run.remarks)
