"""Charge to depth and mass, through one metal and through layers."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulate.constants import FARADAY
from simulate.errors import InputError
from simulate.materials.metals import find_metal, load_metals
from simulate.materials.removal import (
    charge_for_depth,
    charge_through,
    depth_from_charge,
    dissolved_elements,
    layer_at,
    layers,
    mean_valence,
    removal_rate,
    removed_mass,
)

ETCHABLE = sorted(name for name, metal in load_metals().items() if metal.etches)
SHEET = find_metal("galvanised_steel")
STEEL = find_metal("carbon_steel")


@pytest.mark.parametrize("name", ETCHABLE)
def test_removed_volume_times_density_is_faradays_mass(name):
    metal = find_metal(name)
    charge = 5e4
    mass = removed_mass(metal, charge)
    assert mass == pytest.approx(float(depth_from_charge(metal, charge)) * metal.density.value)
    moles = metal.efficiency.value * charge / FARADAY
    assert mass / metal.equivalent_weight == pytest.approx(moles, rel=1e-12)


@given(st.sampled_from(ETCHABLE), st.floats(0.0, 1e8))
def test_charge_for_depth_undoes_depth_from_charge(name, charge):
    metal = find_metal(name)
    back = charge_for_depth(metal, depth_from_charge(metal, charge))
    assert back == pytest.approx(charge, rel=1e-11, abs=1e-9)


def test_maps_keep_their_shape_and_cathodic_charge_removes_nothing():
    charge = np.array([[-1e6, 0.0, 1e6], [2e6, 3e6, 4e6]])
    depth = depth_from_charge(STEEL, charge)
    assert depth.shape == charge.shape
    assert depth[0, 0] == depth[0, 1] == 0.0
    assert depth[1] == pytest.approx(depth[0, 2] * np.array([2.0, 3.0, 4.0]), rel=1e-14)
    assert removal_rate(STEEL, [-5.0, 0.0])[0] == 0.0


def test_the_rate_times_the_time_is_the_depth():
    assert removal_rate(STEEL, 1e4) * 7.0 == pytest.approx(depth_from_charge(STEEL, 7e4))


def test_galvanised_sheet_breaks_through_to_steel_at_the_charge_of_its_zinc():
    through = charge_through(SHEET)
    zinc = SHEET.thickness.value
    assert depth_from_charge(SHEET, through) == pytest.approx(zinc, rel=1e-14)
    beyond = depth_from_charge(SHEET, through + 1e6) - zinc
    assert beyond == pytest.approx(float(depth_from_charge(STEEL, 1e6)), rel=1e-12)
    mass = removed_mass(SHEET, through + 1e6)
    assert mass == pytest.approx(zinc * 7140.0 + beyond * 7850.0, rel=1e-12)


def test_the_layer_laid_bare_is_found_by_depth():
    zinc = SHEET.thickness.value
    assert layer_at(SHEET, 0.99 * zinc).name == "galvanised_steel"
    assert layer_at(SHEET, 1.01 * zinc).name == "carbon_steel"
    assert len(list(layers(SHEET))) == 2


def test_a_depth_no_charge_reaches_is_refused_with_the_reason():
    titanium = find_metal("titanium")
    assert depth_from_charge(titanium, 1e9) == 0.0
    assert charge_for_depth(titanium, 0.0) == 0.0
    with pytest.raises(InputError, match="does not etch"):
        charge_for_depth(titanium, 1e-6)


@pytest.mark.parametrize("name", ["carbon_steel", "stainless_304", "stainless_316", "brass"])
def test_the_elements_given_to_the_liquid_add_up_to_the_mass_removed(name):
    metal = find_metal(name)
    found = dissolved_elements(metal, 40.0)
    total = sum(mass for element, mass in found.items() if element != "Cr(VI)")
    assert total == pytest.approx(float(removed_mass(metal, 40.0)), rel=1e-12)


def test_a_share_of_hexavalent_chromium_moves_depth_and_danger_together():
    plain, mixed, bound = (
        find_metal("stainless_304").put(high_share=share) for share in (0.0, 0.5, 1.0)
    )
    depths = [float(depth_from_charge(metal, 1e6)) for metal in (plain, mixed, bound)]
    danger = [dissolved_elements(metal, 40.0)["Cr(VI)"] for metal in (plain, mixed, bound)]
    assert depths[0] > depths[1] > depths[2]
    assert danger[0] == 0.0 < danger[1] < danger[2]
    assert danger[2] == pytest.approx(dissolved_elements(bound, 40.0)["Cr"], rel=1e-15)


def test_metals_without_chromium_give_none():
    assert "Cr(VI)" not in dissolved_elements(find_metal("copper"), 1.0)


def test_mean_electrons_of_steel_and_copper_are_their_valences():
    assert mean_valence(STEEL) == pytest.approx(2.0, rel=1e-14)
    assert mean_valence(find_metal("copper")) == pytest.approx(1.0, rel=1e-14)
