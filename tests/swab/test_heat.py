"""Heat and water: budgets, limits, what is refused. Exact solutions: tests/published."""

import pytest
from drying import Drying, evaporation

from simulate.constants import WATER_HEAT
from simulate.errors import InputError
from simulate.swab.heat import HeatBody

BODY = HeatBody(water=1.5e-4, dry_heat=0.05, plate_conductance=8e-3, air_area=2e-4, wet_area=2e-4)


@pytest.mark.parametrize(("power", "time"), [(0.0, 50.0), (2.0, 300.0), (6.0, 40.0), (6.0, 200.0)])
def test_heat_and_water_close_to_rounding(power, time):
    path = Drying(BODY, 310.0, 1.2e-4)
    before = path.enthalpy
    path.run(power, time)
    out = path.heat_plate + path.heat_air + path.heat_vapour
    assert path.enthalpy - before == pytest.approx(power * time - out, abs=1e-10)
    assert path.water + path.evaporated + path.boiled == pytest.approx(1.2e-4, rel=1e-13)


def test_enthalpy_counts_water_and_the_dry_body_from_the_fresh_temperature():
    path = Drying(BODY, 303.15, 1e-4)
    assert path.enthalpy == pytest.approx((1e-4 * WATER_HEAT + 0.05) * 10.0)


def test_a_wet_swab_at_rest_cools_below_the_room_towards_the_wet_bulb():
    """20 degC and half humidity: the wet bulb reads 13.7 degC (psychrometric chart)."""
    path = Drying(BODY, 293.15, BODY.water, touching=False)
    path.run(0.0, 600.0)
    assert path.temperature - 273.15 == pytest.approx(13.7, abs=1.5)


def test_evaporation_falls_with_what_is_left_and_ends_with_it():
    full = evaporation(BODY, 330.0)
    assert evaporation(BODY, 330.0, 0.5) == full
    assert evaporation(BODY, 330.0, 0.15) == pytest.approx(0.5 * full, rel=1e-14)
    assert evaporation(BODY, 330.0, 0.0) == 0.0


def test_no_water_condenses_from_the_room():
    assert evaporation(BODY, 275.0) == 0.0


def test_water_never_goes_below_zero_and_a_dry_body_grows_hotter():
    path = Drying(BODY, 293.15, BODY.water)
    path.run(8.0, 500.0)
    assert path.water == 0.0
    assert path.temperature > BODY.boiling_point + 100


def test_all_faults_of_a_body_are_reported_together():
    with pytest.raises(InputError) as caught:
        HeatBody(
            water=0.0,
            dry_heat=1.0,
            plate_conductance=-1.0,
            air_area=1.0,
            wet_area=1.0,
            humidity=2.0,
        )
    assert {fault.key for fault in caught.value.faults} == {
        "water",
        "plate_conductance",
        "humidity",
    }
