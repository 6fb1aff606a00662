"""Doses of salt, and what holds the current back."""

from __future__ import annotations

import pytest
from usual_benches import SALT_AND_VINEGAR, low_voltage, usual

from simulate.estimate.operating_point import operating_point
from simulate.estimate.salt_dose import charge_per_dip, holder, saturating, try_doses
from simulate.materials.electrolyte import Electrolyte
from simulate.materials.lookup import find_metal


def test_each_dose_conducts_better_and_the_gain_in_current_falls_off():
    doses = try_doses(low_voltage(), [1e-3, 3e-3, 6e-3, 12e-3])
    conduct = [dose.conductivity.value for dose in doses]
    assert conduct == sorted(conduct)
    assert doses[0].gain is None
    assert all(dose.gain > 0.0 for dose in doses[1:])
    assert doses[3].gain < conduct[3] / conduct[2] - 1.0  # floor and supply take their part
    assert doses[2].spoons.value == pytest.approx(1.0, rel=1e-12)
    assert doses[2].time.value > doses[3].time.value


def test_beyond_saturation_salt_does_nothing():
    most = saturating(SALT_AND_VINEGAR)
    assert most == pytest.approx(20.6e-3, rel=0.01)
    full, more = try_doses(low_voltage(), [most, 1.5 * most])
    assert more.current.value == pytest.approx(full.current.value, rel=1e-12)
    assert more.electrolyte.salt_undissolved == pytest.approx(0.5 * most, rel=1e-9)


def test_the_acid_of_a_dip_lasts_for_the_charge_of_its_molecules():
    """0.15 mL of 5 % vinegar is neutralised after 12 C (domain notes, computed)."""
    bench = usual(electrolyte=Electrolyte(vinegar=60e-6, salt=0.0))
    liquid = charge_per_dip(bench) / (bench.electrolyte.acid * 96485.33212)
    assert charge_per_dip(bench) * 0.15e-6 / liquid == pytest.approx(12.0, rel=0.02)
    assert charge_per_dip(usual(electrolyte=Electrolyte(0.0, 6e-3, water=60e-6))) == 0.0


def test_what_holds_the_current_back_is_named():
    film, swab = usual(), low_voltage(2.5, electrolyte=Electrolyte(60e-6, 0.5e-3))
    weak = usual(supply="zinc_carbon_9v", metal=find_metal("carbon_steel").put(limit_stroked=1e6))
    tired = low_voltage(1.0)
    held = [holder(bench, operating_point(bench)) for bench in (film, swab, weak, tired)]
    assert held == ["film", "swab", "supply", "reactions"]
