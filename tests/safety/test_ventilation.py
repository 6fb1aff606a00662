"""Gas in a room: the well-mixed box, the near field, and their inverses."""

from __future__ import annotations

import numpy as np
import pytest

from simulate.case.settings import Room
from simulate.errors import InputError
from simulate.safety.ventilation import (
    fresh_air,
    gas_volume,
    near_fraction,
    room_fraction,
    swabs_allowed,
)

AIRED = Room(30.0, 0.5 / 3600)
CLOSED = Room(30.0, 0.0)
FLOW = 6e-8  # [m3/s], about half an ampere of chlorine


def test_gas_in_a_room_obeys_its_balance():
    """dC/dt = G / V - a C, checked by a central difference."""
    time, step = 900.0, 1.0
    before, now, after = room_fraction(FLOW, AIRED, [time - step, time, time + step])
    slope = (after - before) / (2 * step)
    assert slope == pytest.approx(FLOW / 30.0 - AIRED.air_changes * now, rel=1e-6)


def test_a_closed_room_is_the_limit_of_an_aired_one():
    nearly = Room(30.0, 1e-12)
    assert room_fraction(FLOW, nearly, 600.0) == pytest.approx(
        float(room_fraction(FLOW, CLOSED, 600.0)), rel=1e-9
    )
    assert room_fraction(FLOW, CLOSED, 600.0) == pytest.approx(FLOW * 600 / 30.0, rel=1e-15)


def test_a_room_settles_where_the_fresh_air_carries_off_what_comes():
    settled = FLOW / (30.0 * AIRED.air_changes)
    assert room_fraction(FLOW, AIRED, 1e6) == pytest.approx(settled, rel=1e-12)
    assert fresh_air(settled, FLOW) == pytest.approx(30.0 * AIRED.air_changes, rel=1e-12)


def test_times_keep_their_shape_and_no_share_passes_one():
    found = room_fraction(1.0, Room(1.0, 0.0), np.array([[0.0, 0.5], [2.0, 3.0]]))
    assert found.tolist() == [[0.0, 0.5], [1.0, 1.0]]
    assert near_fraction(1e3) == 1.0


def test_poor_mixing_takes_that_many_times_more_fresh_air():
    assert fresh_air(5e-7, FLOW, mixing=5.0) == pytest.approx(5 * fresh_air(5e-7, FLOW))
    with pytest.raises(InputError, match="not above zero"):
        fresh_air(0.0, FLOW)


def test_the_allowed_number_of_swabs_is_the_largest_that_keeps_the_limit():
    near, limit, time = near_fraction(FLOW / 20), 4e-7, 1800.0
    most = swabs_allowed(limit, FLOW / 20, AIRED, time, near)
    assert most >= 2
    total = [n * float(room_fraction(FLOW / 20, AIRED, time)) + near for n in (most, most + 1)]
    assert total[0] <= limit < total[1]


def test_no_swab_is_allowed_where_its_own_near_field_is_too_much():
    assert swabs_allowed(1e-7, FLOW, AIRED, 10.0, near=2e-7) == 0
    assert swabs_allowed(1e-7, 0.0, AIRED, 10.0) == 10**6


def test_gas_is_in_proportion_to_charge_and_half_as_much_for_four_electrons():
    assert gas_volume(20.0) == pytest.approx(20 * gas_volume(1.0), rel=1e-15)
    assert gas_volume(1.0, 4.0) == pytest.approx(gas_volume(1.0) / 2, rel=1e-15)
    assert gas_volume(1.0, temperature=596.3) == pytest.approx(2 * gas_volume(1.0), rel=1e-15)
