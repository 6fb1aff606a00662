"""The loop balances, agrees with the field, and its band says what it may."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from places import CASES
from usual_benches import SALT_AND_VINEGAR, low_voltage, usual

from simulate.case.case import read_case, with_changes
from simulate.case.settings import Power
from simulate.errors import InputError
from simulate.estimate.forecast import PRACTICE, forecast_of
from simulate.estimate.inputs import bench_of
from simulate.estimate.operating_point import COMMON_READINGS, operating_point, root_sum_square
from simulate.estimate.salt_dose import holder
from simulate.field.polarisation import overpotential
from simulate.field.supply import Supply
from simulate.materials.lookup import cathode_law, find_metal
from simulate.materials.metals import anode_law
from simulate.run.etch import etch_case
from simulate.swab.cell_fractions import cathode_area
from simulate.swab.contact_patch import contact_area

# The loop -----------------------------------------------------------------------------------------


def test_the_voltages_of_the_loop_add_up_by_the_laws_of_the_field_solver():
    """emf - I R = E_a - E_c + eta_a - eta_c + I R_swab, each term from its own module."""
    bench = low_voltage()
    point = operating_point(bench)
    current = point.current.value
    anode = anode_law(bench.metal)
    cathode = cathode_law(bench.cathode, bench.electrolyte.acidity)
    area = bench.shares[0] * contact_area(bench.swab)
    floor = (
        anode.equilibrium
        - cathode.equilibrium
        + float(overpotential(anode, current / area))
        - float(overpotential(cathode, -current / cathode_area(bench.swab)))
    )
    assert point.floor.value == pytest.approx(floor, rel=1e-6)
    assert point.voltage.value == pytest.approx(floor + current * point.resistance.value, rel=1e-9)
    assert 1.5 - current * 0.8 == pytest.approx(point.voltage.value, rel=1e-9)
    assert point.power.value == pytest.approx(current * point.voltage.value, rel=1e-12)


def test_a_salt_film_caps_the_current_density_and_takes_the_voltage():
    point = operating_point(usual())
    assert point.filmed
    assert point.density.value == pytest.approx(point.limit.value, rel=1e-6)
    assert point.voltage.value == pytest.approx(9.48 - point.current.value * 2.3, rel=1e-6)
    assert point.causes[0].name == "limit"


def test_a_limit_of_the_supply_is_held():
    bench = usual(power=Power(Supply(9.0, 0.02, 0.05), 0.3, label="stated"))
    point = operating_point(bench)
    assert point.current.value == pytest.approx(0.05, rel=1e-12)
    assert point.voltage.value < 3.0
    assert holder(bench, point) == "supply"


def test_a_supply_below_the_floor_gives_no_current():
    point = operating_point(low_voltage(0.1, metal=find_metal("stainless_304")))
    assert point.current.value == 0.0
    assert point.current.low == 0.0


def test_a_metal_that_does_not_etch_is_refused_with_what_would_serve():
    with pytest.raises(InputError, match="does not etch") as refused:
        operating_point(usual("titanium"))
    assert "laser" in str(refused.value)


# The field ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "changes"),
    [
        ("press_and_hold", {"grid.cell": "0.2 mm"}),
        ("thin_mask", {"grid.cell": "0.3 mm"}),
        ("brass_pad", {"grid.cell": "0.8 mm", "stroke.passes": 1}),
    ],
)
def test_the_estimate_agrees_with_the_field_within_a_tenth(name, changes):
    """Mean current while touching, and depth of the stroke, against a run on coarse cells.

    One pass over the brass: its supply holds the current, and forty give the same two ratios.
    """
    case = with_changes(read_case(CASES / f"{name}.toml"), changes)
    run = etch_case(case)
    touching = run.current > 0.0
    mean = float(np.average(run.current[touching], weights=run.dwell[touching]))
    forecast = forecast_of(bench_of(case))
    assert forecast.point.current.value == pytest.approx(mean, rel=0.1)
    assert forecast.depth.value == pytest.approx(run.summary["mean_depth"]["value"], rel=0.1)


# Bands --------------------------------------------------------------------------------------------


def test_independent_changes_add_as_root_of_squares_of_logarithms():
    outcomes = np.array([2.0, 2.0 * math.exp(-0.3), 2.0 * math.exp(0.1), 2.0 * math.exp(0.4), 2.0])
    band = root_sum_square(outcomes, "A")
    assert band.value == 2.0
    assert math.log(band.low / 2.0) == pytest.approx(-0.3, rel=1e-12)
    assert math.log(band.high / 2.0) == pytest.approx(math.hypot(0.1, 0.4), rel=1e-12)


def test_the_band_covers_random_draws_of_the_catalogue():
    """Monte Carlo: with every number drawn log-uniformly over its range, 9 in 10 lie within."""
    bench = low_voltage()
    point = operating_point(bench)
    rng = np.random.default_rng(20261125)
    inside = 0
    for _ in range(60):
        metal = bench.metal
        moved = {}
        for name in ("slope", "exchange", "film_resistance", "limit_stroked", "equilibrium"):
            datum = getattr(metal, name)
            if datum.low > 0:
                moved[name] = math.exp(rng.uniform(math.log(datum.low), math.log(datum.high)))
            else:
                moved[name] = rng.uniform(datum.low, datum.high)
        wick = bench.wick
        swab = replace(
            bench.swab,
            porosity=rng.uniform(wick.porosity.low, wick.porosity.high),
            wick_exponent=rng.uniform(wick.exponent.low, wick.exponent.high),
        )
        drawn = replace(bench, metal=metal.put(**moved), swab=swab)
        current = operating_point(drawn).current.value
        inside += point.current.low <= current <= point.current.high
    assert inside >= 54


def test_what_a_person_measured_has_no_range_of_its_own():
    measured = replace(SALT_AND_VINEGAR, measured_conductivity=11.0)
    causes = {cause.name: cause for cause in operating_point(low_voltage()).causes}
    fewer = {c.name: c for c in operating_point(low_voltage(electrolyte=measured)).causes}
    assert {"liquid", "porosity", "slope", "limit", "swab"} <= set(causes)
    assert "inner" not in causes
    assert "liquid" not in fewer
    assert fewer["porosity"].at_low == pytest.approx(causes["porosity"].at_low, rel=0.02)


def test_more_of_each_moves_the_current_the_way_it_must():
    causes = {cause.name: cause for cause in operating_point(low_voltage()).causes}
    for name in ("liquid", "porosity", "limit", "exchange", "wire_exchange"):
        assert causes[name].at_low < 1.0 <= causes[name].at_high + 1e-9
    for name in ("exponent", "film", "slope", "swab", "gas", "onset"):
        assert causes[name].at_low >= 1.0 - 1e-9 > causes[name].at_high - 2e-9
    assert list(operating_point(low_voltage()).causes) == sorted(
        operating_point(low_voltage()).causes, key=lambda cause: -cause.weight
    )


# The trade's own numbers: common practice, no source ----------------------------------------------


def test_an_alkaline_block_and_a_bud_on_steel_give_what_people_read():
    current = operating_point(usual()).current
    assert 0.2 <= current.value <= 1.0
    assert COMMON_READINGS["alkaline_9v"].low == 0.2
    assert COMMON_READINGS["alkaline_9v"].high == 1.0


@pytest.mark.parametrize("share", [0.5, 1.0], ids=["half open", "all open"])
@pytest.mark.parametrize("gap", [0.3e-3, 2.5e-3, 5e-3])
def test_a_zinc_carbon_block_gives_less_than_a_fifth_of_an_ampere_over_a_job(gap, share):
    """25 um on half a square centimetre of steel, whatever the gap of the wire.

    In the first seconds a swab of less than 7 ohm reads a little more: 35 ohm within, 0.3 ohm of
    leads and 0.9 V for the two reactions on steel leave (9.4 - 0.9) / 0.2 - 35.3 = 7.2 ohm. The
    notes of the trade come to "0.2 A at best" with 1.7 V for the reactions. The range of the block,
    20 to 60 ohm, moves the reading by far more.
    """
    bench = usual(supply="zinc_carbon_9v", shares=(share,), rewet=PRACTICE)
    bench = replace(bench, swab=replace(bench.swab, wire_gap=gap))
    job = forecast_of(bench)
    assert 0.05 < job.current.value < 0.2
    fresh = job.point
    total = (9.4 - fresh.floor.value) / fresh.current.value
    assert total == pytest.approx(35.3 + fresh.resistance.value, rel=1e-6)
    assert 0.18 < fresh.current.value < 0.2 or fresh.resistance.value < 7.2
    assert fresh.current.value < 0.21
    assert fresh.current.low < 0.1 < 0.25 < fresh.current.high


def test_pushing_the_wire_near_the_tip_is_worth_a_factor_in_current():
    """On an upright bud: the wire 6 mm from the tip against 1.6 mm; common practice says three."""
    bench = low_voltage(3.0, shares=(0.5,))
    upright = replace(bench.swab, tilt=math.radians(60))
    far, near = (
        operating_point(replace(bench, swab=replace(upright, wire_gap=gap))).current.value
        for gap in (6e-3, 1.6e-3)
    )
    assert 1.5 < near / far < 4.0
