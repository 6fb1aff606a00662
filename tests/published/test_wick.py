"""Conduction of a wet fibrous body against Bruggeman's and Maxwell's limits.

Bruggeman, Ann. Phys. 416 (1935) 636: eps^1.5. Maxwell, Treatise (1873) art. 314: 2 eps / (3 - eps).
Fibres across the current eps / (2 - eps), along it eps. All from memory.
"""

from __future__ import annotations

import pytest

from simulate.materials.lookup import load_wicks
from simulate.swab.cell_fractions import conductivity_factor

POROSITIES = (0.999, 0.95, 0.90, 0.85, 0.80, 0.70, 0.5, 0.1)


def maxwell(porosity: float) -> float:
    """Insulating spheres in a conductor, the upper bound for an isotropic body."""
    return 2 * porosity / (3 - porosity)


@pytest.mark.parametrize("porosity", POROSITIES)
def test_the_exponent_one_and_a_half_is_bruggemans_law(porosity):
    assert conductivity_factor(porosity, 1.5) == pytest.approx(porosity * porosity**0.5, rel=1e-14)


# Printed to two figures in the study of the trade: Bruggeman at 0.90, 0.85, 0.80 and 0.70.
@pytest.mark.parametrize(
    ("porosity", "factor"), [(0.90, 0.85), (0.85, 0.78), (0.80, 0.72), (0.70, 0.59)]
)
def test_bruggemans_law_gives_its_printed_values(porosity, factor):
    assert conductivity_factor(porosity, 1.5) == pytest.approx(factor, abs=0.006)


@pytest.mark.parametrize("porosity", POROSITIES)
def test_no_wick_of_the_catalogue_passes_maxwells_bound(porosity):
    for wick in load_wicks().values():
        for exponent in (wick.exponent.low, wick.exponent.value, wick.exponent.high):
            assert conductivity_factor(porosity, exponent) <= maxwell(porosity) < porosity


def test_both_laws_leave_the_free_liquid_with_the_slope_one_and_a_half():
    step = 1e-6
    assert (1 - conductivity_factor(1 - step, 1.5)) / step == pytest.approx(1.5, rel=1e-5)
    assert (1 - maxwell(1 - step)) / step == pytest.approx(1.5, rel=1e-5)


def test_the_slope_near_the_free_liquid_is_the_exponent():
    step = 1e-6
    assert (1 - conductivity_factor(1 - step, 1.7)) / step == pytest.approx(1.7, rel=1e-5)


@pytest.mark.parametrize("porosity", [0.90, 0.85, 0.80, 0.70])
def test_cotton_lies_between_layers_of_fibres_and_a_random_bed(porosity):
    """Tomadakis and Sotirchos 1993, eps ((eps - p) / (1 - p))^a (from memory): layered, through
    the plane, p 0.11, a 0.785; random in space p 0.037, a 0.661."""
    layered = porosity * ((porosity - 0.11) / 0.89) ** 0.785
    random = porosity * ((porosity - 0.037) / 0.963) ** 0.661
    assert layered - 0.03 <= conductivity_factor(porosity, 1.7) <= random + 0.03


@pytest.mark.parametrize(
    ("gas", "bruggeman", "bound"),
    [(0.1, 0.85, 0.86), (0.2, 0.72, 0.73), (0.3, 0.59, 0.61), (0.4, 0.46, 0.50)],
)
def test_gas_cuts_conduction_within_eight_percent_of_maxwell(gas, bruggeman, bound):
    """(1 - f)^1.5 and (1 - f) / (1 + f/2), printed to two figures in the study of the trade."""
    factor = conductivity_factor(1.0, 1.5, gas=gas)
    assert factor == pytest.approx(bruggeman, abs=0.006)
    assert (1 - gas) / (1 + gas / 2) == pytest.approx(bound, abs=0.006)
    assert factor == pytest.approx((1 - gas) / (1 + gas / 2), rel=0.08)


def test_a_half_dry_wick_conducts_a_quarter():
    full = conductivity_factor(0.86, 1.7)
    assert conductivity_factor(0.86, 1.7, saturation=0.5) == pytest.approx(full / 4, rel=1e-14)
