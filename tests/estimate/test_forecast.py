"""A whole job in a moment: Faraday, dips, batteries, warmth."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from usual_benches import low_voltage, usual

from simulate.case.settings import Rewet
from simulate.estimate.forecast import PRACTICE, depth_yield, first_dip, forecast_of, quadrature
from simulate.estimate.operating_point import operating_point
from simulate.materials.battery import capacity
from simulate.materials.catalogue import Datum
from simulate.materials.lookup import find_metal, find_source


def test_25_um_on_half_a_square_centimetre_takes_about_two_minutes():
    time = forecast_of(usual(rewet=PRACTICE)).time
    assert 60.0 < time.value < 240.0
    assert time.low < 120.0 < time.high


def test_a_quotient_turns_the_band_of_its_divisor_round():
    half = quadrature(3.0, "s", times=[Datum(1.0, 0.5, 1.0)], over=[Datum(2.0, 2.0, 3.0)])
    assert half.high == pytest.approx(3.0, rel=1e-12)
    assert half.low == pytest.approx(3.0 * math.exp(-math.hypot(math.log(2), math.log(1.5))))


def test_a_range_to_zero_leaves_a_band_to_zero_and_infinite_time():
    band = quadrature(1.0, "s", over=[Datum(1.0, 0.0, 2.0)])
    assert band.high > 1e100
    assert band.low == pytest.approx(0.5)


def test_time_charge_and_depth_hang_together_by_faraday():
    bench = usual(duration=90.0, rewet=PRACTICE)
    forecast = forecast_of(bench)
    efficiency = bench.metal.efficiency.value
    charge = 25e-6 * 0.5e-4 * 7850.0 * 2 * 96485.33212 / 55.845e-3 / efficiency
    assert forecast.time_charge.value == pytest.approx(charge, rel=1e-3)
    assert forecast.time.value == pytest.approx(charge / forecast.current.value, rel=1e-3)
    assert forecast.depth.value / 25e-6 == pytest.approx(90.0 / forecast.time.value, rel=1e-9)
    assert forecast.charge.value == pytest.approx(90.0 * forecast.current.value, rel=1e-12)


def test_galvanised_sheet_takes_its_two_layers_in_turn():
    thin, thick = (
        forecast_of(usual("galvanised_steel", depth=depth)).time_charge.value
        for depth in (10e-6, 40e-6)
    )
    zinc, steel = find_metal("zinc"), find_metal("carbon_steel")
    assert thin == pytest.approx(10e-6 * 0.5e-4 / depth_yield(zinc).value, rel=1e-6)
    assert thick == pytest.approx(
        0.5e-4 * (20e-6 / depth_yield(zinc).value + 20e-6 / depth_yield(steel).value), rel=1e-6
    )


def test_hexavalent_chromium_and_divalent_copper_only_make_it_shallower():
    for name in ("stainless_304", "copper"):
        metal = find_metal(name)
        yielded, share = depth_yield(metal), metal.efficiency
        up = math.log(yielded.high / yielded.value)
        assert up < math.log(share.high / share.value) + 0.03
        assert yielded.low < 0.72 * yielded.value


def test_a_dip_ends_by_its_rule_and_dips_are_counted():
    bench = usual(duration=100.0, rewet=Rewet(charge=3.0))
    forecast = forecast_of(bench)
    assert forecast.dip.reason == "charge"
    assert forecast.dip.charge == pytest.approx(3.0, rel=1e-6)
    assert forecast.dips == math.ceil(100.0 / forecast.dip.time)
    never = forecast_of(replace(bench, rewet=Rewet()))
    assert never.dips == 1
    assert never.practice_dips == math.ceil(max(never.charge.value / 10.0, 100.0 / 20.0))


def test_a_hot_swab_sizzles_after_tens_of_seconds_at_about_four_watts():
    """Common practice, no source. The bud is soaked and lies in an open patch."""
    bench = usual(
        shares=(0.9,), duration=200.0, metal=find_metal("carbon_steel").put(limit_stroked=1.8e4)
    )
    point = operating_point(bench)
    assert 3.0 < point.power.value < 6.0
    dip = first_dip(bench, point)
    assert "boiling" in {notice.key for notice in dip.notices}
    assert dip.hottest > 373.0
    brief = first_dip(replace(bench, duration=8.0), point)
    assert "boiling" not in {notice.key for notice in brief.notices}


def test_warmth_raises_the_mean_current_of_a_swab_that_no_film_holds():
    bench = low_voltage(9.0, metal=find_metal("carbon_steel").put(limit_stroked=1e6), duration=15.0)
    point = operating_point(bench)
    assert first_dip(bench, point).current > 1.05 * point.current.value


def test_batteries_are_counted_at_the_rate_drawn():
    forecast = forecast_of(usual(duration=3600.0))
    battery = find_source("alkaline_9v").battery()
    used = forecast.charge.value / (0.9 * capacity(battery, forecast.current.value))
    assert forecast.batteries.value == pytest.approx(used, rel=1e-9)
    assert forecast.batteries.value > 0.8
    assert forecast.batteries.low < used < forecast.batteries.high
    assert forecast_of(low_voltage()).batteries is None


def test_a_battery_tires_over_a_long_job_and_the_mean_says_so():
    strong = find_metal("carbon_steel").put(limit_stroked=1e6)
    brief, long = (
        forecast_of(usual(metal=strong, duration=time, depth=None)) for time in (60.0, 2000.0)
    )
    per_dip = long.current.value / long.dip.current
    assert per_dip < brief.current.value / brief.dip.current < 1.0
    assert per_dip > 0.6
