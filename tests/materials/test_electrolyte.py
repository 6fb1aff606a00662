"""Salt in vinegar or water: concentration, saturation, conductivity, acid."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulate.errors import InputError
from simulate.materials.catalogue import Datum
from simulate.materials.electrolyte import (
    Electrolyte,
    salt_conductivity,
    salt_in_spoons,
    solubility,
    viscosity_ratio,
)

CUP = 60e-6  # [m3], the amount the recipes below are made with
TWENTY = 293.15


def brine(grams: float, **changes: float) -> Electrolyte:
    return Electrolyte(vinegar=CUP, salt=grams * 1e-3, **changes)


def test_every_fault_of_a_liquid_is_reported_at_once():
    with pytest.raises(InputError) as caught:
        Electrolyte(vinegar=-1.0, salt=math.nan, acid_fraction=0.8, temperature=200.0)
    keys = {fault.key for fault in caught.value.faults}
    assert {"vinegar", "salt", "acid_fraction", "temperature"} <= keys


@pytest.mark.parametrize("changes", [{"vinegar": 0.0}, {"measured_conductivity": 0.0}])
def test_no_liquid_and_a_liquid_that_does_not_conduct_are_refused(changes):
    with pytest.raises(InputError):
        Electrolyte(**({"vinegar": CUP, "salt": 1e-3} | changes))


def test_salt_and_water_keep_their_mass():
    liquid = brine(6.0)
    assert liquid.salt_dissolved + liquid.salt_undissolved == pytest.approx(6e-3, rel=1e-15)
    whole = liquid.salt_dissolved + liquid.liquid
    volume = whole / liquid.density(TWENTY)
    assert liquid.molarity * volume * 0.05844 == pytest.approx(liquid.salt_dissolved, rel=1e-12)
    acid = liquid.acid * volume * 0.060052
    assert acid == pytest.approx(0.05 * liquid.liquid, rel=1e-12)


def test_salt_beyond_saturation_lies_undissolved_and_does_nothing():
    enough, more = brine(25.0), brine(60.0)
    assert enough.saturated
    assert more.salt_undissolved == pytest.approx(enough.salt_undissolved + 35e-3, rel=1e-12)
    assert more.conductivity() == enough.conductivity()
    assert not brine(20.0).saturated


def test_vinegar_dissolves_less_salt_than_water_does():
    water = Electrolyte(vinegar=0.0, water=CUP, salt=30e-3)
    assert brine(30.0).salt_dissolved < water.salt_dissolved
    assert water.salt_fraction == pytest.approx(solubility(TWENTY), rel=1e-12)


@given(st.floats(0.0, 40.0), st.floats(0.0, 40.0))
def test_more_salt_never_conducts_worse(one, other):
    low, high = sorted((one, other))
    assert brine(low).conductivity() <= brine(high).conductivity() * (1 + 1e-12)


@given(st.floats(273.15, 373.15), st.floats(273.15, 373.15), st.floats(273.15, 373.15))
def test_warming_in_two_steps_equals_warming_in_one(start, between, end):
    twice = viscosity_ratio(start, between) * viscosity_ratio(between, end)
    assert twice == pytest.approx(viscosity_ratio(start, end), rel=1e-12)


def test_a_measured_conductivity_overrides_the_recipe_at_its_own_temperature():
    liquid = brine(6.0, measured_conductivity=9.5, temperature=298.15)
    assert liquid.conductivity() == 9.5
    warmer = brine(6.0, temperature=298.15)
    ratio = warmer.conductivity(320.0) / warmer.conductivity(298.15)
    assert liquid.conductivity(320.0) == pytest.approx(9.5 * ratio, rel=1e-12)
    assert liquid.conductivity_band() == Datum(9.5, 9.5, 9.5, "S/m", "measured", "fair")


def test_the_band_holds_the_best_value_and_widens_away_from_twenty_degrees():
    cold, warm = brine(6.0).conductivity_band(), brine(6.0).conductivity_band(340.0)
    assert cold.low < cold.value < cold.high
    spread = [(band.high - band.low) / band.value for band in (cold, warm)]
    assert spread[1] > spread[0] + 0.03


def test_water_without_salt_or_acid_is_neutral_and_does_not_conduct():
    pure = Electrolyte(vinegar=0.0, water=CUP, salt=0.0)
    assert (pure.acidity, pure.acid, pure.conductivity()) == (7.0, 0.0, 0.0)


def test_watering_vinegar_down_thins_the_acid():
    thin = Electrolyte(vinegar=CUP / 2, water=CUP / 2, salt=0.0)
    assert thin.acid == pytest.approx(brine(0.0).acid / 2, rel=0.01)
    assert thin.acidity > brine(0.0).acidity


def test_a_level_metric_teaspoon_of_table_salt_weighs_six_grams():
    spoon = salt_in_spoons(5e-6)
    assert (spoon.low, spoon.value, spoon.high) == pytest.approx((5e-3, 6e-3, 7e-3))
    assert float(salt_in_spoons(5e-6, "flaked salt")) < float(spoon)
    with pytest.raises(InputError, match="grain of salt"):
        salt_in_spoons(5e-6, "sugar")


def test_dilute_salt_conducts_in_proportion():
    assert salt_conductivity(0.0) == 0.0
    assert salt_conductivity(0.02) / salt_conductivity(0.01) == pytest.approx(2.0, rel=2e-3)
