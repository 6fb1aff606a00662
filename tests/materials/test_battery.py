"""Supplies and batteries: what they give, how they sag, when they are spent."""

from __future__ import annotations

import math
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulate.errors import InputError
from simulate.field.supply import Supply
from simulate.materials.battery import (
    SPENT,
    Battery,
    capacity,
    supply_after,
    supply_at,
)

BLOCK = Battery(9.5, 2.0, (0.025, 0.1, 0.5, 1.0), (2000.0, 1440.0, 900.0, 650.0), fall=2.2)


def test_every_fault_of_a_supply_is_reported_at_once():
    with pytest.raises(InputError) as caught:
        Supply(-1.0, math.nan, 0.0)
    assert [fault.key for fault in caught.value.faults] == ["emf", "resistance", "current_limit"]


@pytest.mark.parametrize(
    ("change", "key"),
    [
        ({"open_circuit": 0.0}, "open_circuit"),
        ({"resistance": -1.0}, "resistance"),
        ({"fall": 10.0}, "fall"),
        ({"currents": (0.1,), "capacities": ()}, "capacities"),
        ({"currents": (0.1, 0.1), "capacities": (2.0, 1.0)}, "currents"),
        ({"currents": (0.1, 0.2), "capacities": (2.0, 0.0)}, "capacities"),
        ({"currents": (), "capacities": ()}, "capacities"),
    ],
)
def test_a_battery_that_cannot_be_is_refused_with_the_field(change, key):
    numbers = {"open_circuit": 9.5, "resistance": 2.0, "currents": (0.1,), "capacities": (1.0,)}
    with pytest.raises(InputError) as caught:
        Battery(**(numbers | change))
    assert key in {fault.key for fault in caught.value.faults}


def test_capacity_passes_through_the_measured_points():
    for current, charge in zip(BLOCK.currents, BLOCK.capacities, strict=True):
        assert capacity(BLOCK, current) == pytest.approx(charge, rel=1e-14)


def test_capacity_between_two_points_is_a_power_law():
    middle = math.sqrt(0.1 * 0.5)
    assert capacity(BLOCK, middle) == pytest.approx(math.sqrt(1440.0 * 900.0), rel=1e-14)


def test_capacity_holds_below_the_lowest_rate_and_falls_on_beyond_the_highest():
    assert capacity(BLOCK, 0.0) == capacity(BLOCK, 0.001) == pytest.approx(2000.0, rel=1e-15)
    slope = math.log(650.0 / 900.0) / math.log(2.0)
    assert capacity(BLOCK, 2.0) == pytest.approx(650.0 * 2.0**slope, rel=1e-14)


def test_a_battery_with_one_measured_rate_has_one_capacity():
    single = Battery(9.0, 1.0, (0.1,), (500.0,))
    charges = [capacity(single, current) for current in (0.0, 0.1, 3.0)]
    assert charges == pytest.approx([500.0] * 3, rel=1e-14)


@given(st.floats(1e-4, 5.0), st.floats(1e-4, 5.0))
def test_a_harder_draw_never_gives_more_charge(one, other):
    low, high = sorted((one, other))
    assert capacity(BLOCK, high) <= capacity(BLOCK, low) * (1 + 1e-12)


def test_a_fresh_battery_shows_its_own_voltage_and_resistance_plus_the_leads():
    assert supply_at(BLOCK, 0.0, leads=0.3) == Supply(9.5, 2.3)


def test_resistance_grows_with_the_square_of_the_used_share():
    half = supply_at(BLOCK, 0.5)
    assert half.resistance == pytest.approx(2.0 * (1 + 3 * 0.25))
    assert half.emf == pytest.approx(9.5 - 1.1)


def test_a_draining_battery_weakens_without_a_jump():
    states = [supply_at(BLOCK, step / 1000) for step in range(1001)]
    for before, after in pairwise(states):
        assert after.emf < before.emf or after is states[-1]
        assert after.resistance >= before.resistance
    near = SPENT * 1000
    steps = [states[int(near) + k].resistance for k in (-1, 0, 1)]
    assert steps[1] - steps[0] < 0.02
    assert steps[2] - steps[1] < 0.1


def test_a_flat_battery_gives_next_to_nothing():
    flat = supply_at(BLOCK, 1.0)
    assert (flat.emf - 1.0) / (flat.resistance + 5.0) < 1e-4


def test_a_battery_is_drained_by_its_capacity_at_the_current_drawn():
    after = supply_after(BLOCK, 48.0, 0.4, leads=0.2)
    used = 48.0 / capacity(BLOCK, 0.4)
    assert after.resistance == pytest.approx(supply_at(BLOCK, used, 0.2).resistance, rel=1e-12)


def test_short_circuit_current_is_the_smaller_of_ohm_and_limit():
    assert Supply(9.0, 2.0).short_circuit_current == 4.5
    assert Supply(9.0, 2.0, 1.0).short_circuit_current == 1.0
    assert Supply(9.0).short_circuit_current == math.inf
