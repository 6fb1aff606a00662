"""The trade's own numbers: common practice, no published source, so the ranges are wide.

A bud of 5 mm on letters half a square centimetre large, carbon steel, a teaspoon of salt in 60 mL
of vinegar. The plate is invented.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

import simulate as sf
from simulate.constants import FARADAY
from simulate.swab.heat import brine_activity

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
FREE = '[metal]\nlimit_stroked = "20 A/cm2"\nlimit_still = "20 A/cm2"\n'
DIPS = '[rewet]\ncharge = "10 C"\ntime = "20 s"'


@cache
def etched(supply="alkaline_9v", passes=60, rewet=DIPS, bar=0.8):
    """Bars 0.8 mm wide make half a square centimetre, 1.6 mm a whole one."""
    shapes = "\n".join(BAR.format(6 + 2 * n, bar) for n in range(10))
    text = TEXT.format(supply=supply, shapes=shapes, passes=passes, rewet=rewet)
    return sf.etch_case(sf.parse_case(text, "bars.toml"))


@cache
def held():
    """A bud at rest on bars for 100 s, wetted once, the salt film left out."""
    shapes = "\n".join(BAR.format(6 + 2 * n, 0.8) for n in range(10))
    text = TEXT.format(supply="alkaline_9v", shapes=shapes, passes=1, rewet="")
    stroke = '[stroke]\npattern = "hold"\nx = "15 mm"\ny = "7 mm"\ntime = "100 s"\n\n[grid]'
    text = text[: text.index("[stroke]")] + stroke + text[text.index("[grid]") + 6 :]
    return sf.etch_case(sf.parse_case(text + FREE, "held.toml"))


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


# What goes in and out of each budget, by the names of a run's ledgers.
BUDGETS = {
    "charge": (["passed"], ["by_acid", "by_water"]),
    "energy": (
        ["supply"],
        ["lost_in_supply", "chemical", "to_plate", "to_air", "vapour", "discarded", "stored"],
    ),
    "water": (["taken"], ["evaporated", "boiled", "discarded", "left"]),
    "acid": (["taken"], ["used", "discarded", "left"]),
    "metal": (["dissolved"], ["discarded", "in_swab"]),
}


@pytest.mark.parametrize("name", BUDGETS)
@pytest.mark.parametrize("run", ["dipped", "boiled dry"])
def test_budgets_of_a_run_close_to_rounding_dips_included(run, name):
    """Summed here anew from what the run tells, and held against its maps and histories."""
    dipped = run == "dipped"
    found = etched() if dipped else etched("alkaline_9v", 40, "", 1.6)
    assert found.rewet.sum() == (5 if dipped else 0)
    ledger = found.ledgers[name]
    given, taken = (sum(ledger[row] for row in rows) for rows in BUDGETS[name])
    assert taken == pytest.approx(given, rel=1e-12)
    assert abs(ledger["imbalance"]) < 1e-12
    charge = float((found.current * found.dwell).sum())
    work = float((found.current * found.voltage * found.dwell).sum())
    told = {
        "charge": (ledger.get("passed"), charge),
        "energy": (ledger.get("supply", 0.0) - ledger.get("lost_in_supply", 0.0), work),
        "water": (found.ledgers["water"]["boiled"] > 0.0, not dipped),
        "acid": (ledger.get("used"), min(charge / FARADAY, ledger.get("taken", 0.0))),
        "metal": (ledger.get("dissolved"), found.summary["removed_mass"]["value"]),
    }
    assert told[name][0] == pytest.approx(told[name][1], rel=1e-9)


def test_the_current_of_a_real_swab_falls_with_gas_rises_with_heat_and_falls_with_drying():
    """Research notes 3.3: up by 30 to 60 % for 10 to 20 s, then down. The series is printed.

    At rest on steel a salt film would hold the current; it is left out, so that the swab alone
    sets it.
    """
    run = held()
    current, time, warmth = run.current, run.time, run.temperature
    print("\n   s      A  degC  liquid   gas")  # noqa: T201
    for n in [0, 1, 2, 3, *range(4, len(time), 12)]:
        print(  # noqa: T201
            f"{time[n]:4.1f}  {current[n]:.3f}  {warmth[n] - 273.15:4.0f}"
            f"    {run.saturation[n]:.2f}  {run.gas[n]:.2f}"
        )
    low, top = int(current[:6].argmin()), int(current.argmax())
    assert 0.0 < time[low] < 2.0 < 5.0 < time[top] < 20.0 < time[-1]
    assert current[low] < 0.98 * current[0]
    assert run.gas[low] > run.gas[0]
    assert 1.3 < current[top] / current[low] < 1.6
    assert warmth[top] > warmth[0] + 30.0
    assert run.saturation[top] > 0.95
    assert current[-1] < 0.3 * current[top]
    assert run.saturation[-1] < 0.5
    assert (np.diff(current[low : top + 1]) > 0.0).all()
    assert (np.diff(current[top:]) < 0.0).all()
