"""Ventilation against published tables and worked examples."""

from __future__ import annotations

import pytest

from simulate.case.settings import Room
from simulate.safety.ventilation import (
    fresh_air,
    gas_volume,
    molar_volume,
    near_fraction,
    room_fraction,
)

PPM = 1e-6


@pytest.mark.parametrize(
    ("changes", "ninety_nine", "thousandth"),
    [(2, 138, 207), (4, 69, 104), (6, 46, 69), (8, 35, 52), (10, 28, 41), (12, 23, 35)],
)
def test_purging_takes_the_minutes_of_the_hospital_table(changes, ninety_nine, thousandth):
    """Minutes for 99 % and 99.9 % removal against air changes an hour: CDC, Guidelines for
    environmental infection control in health-care facilities (2003), Table B.1, from memory.
    A clean room fills towards its settled value on the same curve."""
    room = Room(50.0, changes / 3600)
    settled = 1e-9 / (room.volume * room.air_changes)
    for share, minutes in ((0.99, ninety_nine), (0.999, thousandth)):
        early, late = room_fraction(1e-9, room, [60.0 * (minutes - 1), 60.0 * (minutes + 1)])
        assert early < share * settled < late


def test_the_ventilation_manuals_example_of_a_solvent_tank():
    """1.5 pints an hour of methyl chloroform, density 1.32, 133.4 g/mol, limit 350 ppm, K = 5:
    285 and 1425 cubic feet a minute. ACGIH Industrial Ventilation manual, from memory."""
    pint, cubic_foot = 473.176e-6, 0.3048**3
    mole_rate = 1.5 * pint * 1320.0 / 0.1334 / 3600
    flow = mole_rate * molar_volume(294.26)  # 70 F
    for mixing, listed in ((1.0, 285.0), (5.0, 1425.0)):
        air = fresh_air(350 * PPM, flow, mixing) / cubic_foot * 60
        assert air == pytest.approx(listed, rel=5e-3)


# Worked by hand for the study of the trade, printed to two figures: ampere, chlorine share,
# room m3, changes an hour; settled ppm, after 10 min, after 60 min, fresh air m3/h for 0.5 ppm.
WORKED = [
    (0.5, 1.0, 30, 0.5, 15, 1.2, 6.0, 456),
    (0.5, 0.1, 30, 0.5, 1.5, 0.12, 0.60, 46),
    (0.5, 0.01, 30, 0.5, 0.15, 0.012, 0.06, 4.6),
    (0.5, 1.0, 15, 0.3, 51, 2.5, 13, 456),
    (0.5, 1.0, 150, 5.0, 0.30, 0.17, 0.30, 456),
    (1.0, 0.1, 30, 3.0, 0.51, 0.20, 0.48, 91),
]


@pytest.mark.parametrize("row", WORKED)
def test_rooms_agree_with_the_worked_table(row):
    current, share, volume, changes, settled, ten, sixty, air = row
    room, flow = Room(volume, changes / 3600), gas_volume(current * share)
    found = room_fraction(flow, room, [1e7, 600.0, 3600.0]) / PPM
    assert found == pytest.approx([settled, ten, sixty], rel=0.05)
    assert fresh_air(0.5 * PPM, flow) * 3600 == pytest.approx(air, rel=0.01)


def test_the_near_field_agrees_with_the_worked_number():
    """Nicas 1996 (from memory): reach 0.5 m and 5 cm/s exchange 0.039 m3/s; 1.6 ppm at 0.5 A."""
    flow = gas_volume(0.5)
    assert flow / near_fraction(flow, 0.5, 0.05) == pytest.approx(0.039, rel=0.01)
    assert near_fraction(flow) / PPM == pytest.approx(1.6, rel=0.02)
