"""Gas volumes per coulomb against CODATA constants and handbook values."""

from __future__ import annotations

import pytest

from simulate.constants import ATMOSPHERE, FARADAY, GAS_CONSTANT
from simulate.materials.metals import atomic_mass
from simulate.safety.ventilation import gas_volume, molar_volume


def test_the_constants_are_codatas():
    from scipy import constants

    assert pytest.approx(GAS_CONSTANT, rel=1e-9) == constants.R
    assert constants.atm == ATMOSPHERE
    assert constants.N_A * constants.e == pytest.approx(FARADAY, rel=1e-10)


def test_molar_volumes_are_those_of_the_tables():
    """22.41397 L/mol at 0 C and one atmosphere (CODATA); 24.465 L/mol at 25 C (NIOSH)."""
    assert molar_volume(273.15) * 1e3 == pytest.approx(22.41397, rel=1e-6)
    assert molar_volume() * 1e3 == pytest.approx(24.465, rel=1e-4)


def test_gas_volumes_per_coulomb_from_codata():
    """mL/C at 25 C and one atmosphere: hydrogen and chlorine 0.1268, oxygen 0.0634."""
    assert gas_volume(1.0) * 1e6 == pytest.approx(0.1268, abs=5e-5)
    assert gas_volume(1.0, 4) * 1e6 == pytest.approx(0.0634, abs=5e-5)
    assert gas_volume(1.0) * 60 * 1e6 == pytest.approx(7.6, abs=0.05)  # mL/min per ampere


def test_the_oxyhydrogen_voltameter_gives_its_old_constant():
    """10.44 mL of oxyhydrogen a minute per ampere at 0 C and one atmosphere (Kohlrausch, from
    memory; by today's constants 10.45)."""
    cold = {"temperature": 273.15}
    both = gas_volume(60.0, 2, **cold) + gas_volume(60.0, 4, **cold)
    assert both * 1e6 == pytest.approx(10.44, rel=2e-3)


def test_chlorine_weighs_what_the_safety_tables_say():
    """1 ppm of chlorine is 2.90 mg/m3, so that 0.5 ppm is 1.45 mg/m3 (NIOSH); 0.367 mg/C."""
    mass = 2 * atomic_mass("Cl")
    assert mass / molar_volume() == pytest.approx(2.90, rel=2e-3)
    assert mass / (2 * FARADAY) * 1e6 == pytest.approx(0.367, abs=5e-4)


def test_a_litre_reaches_the_explosive_limit_at_the_worked_charge():
    """4 % of a litre is reached by 315 C; half an ampere for ten minutes gives 38 mL (by hand)."""
    assert gas_volume(315.0) == pytest.approx(0.04e-3, rel=2e-3)
    assert gas_volume(0.5 * 600) * 1e6 == pytest.approx(38.0, rel=2e-3)
