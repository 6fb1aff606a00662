"""Metals: weights, valences, films, laws, and a person's own."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulate.constants import LN10
from simulate.errors import InputError
from simulate.field.polarisation import overpotential
from simulate.materials.metals import (
    anode_law,
    atomic_mass,
    equivalent_weight,
    film_resistance,
    find_metal,
    load_metals,
    read_metal,
)

ASKED_FOR = {
    "carbon_steel",
    "stainless_304",
    "stainless_316",
    "copper",
    "brass",
    "aluminium",
    "nickel",
    "zinc",
    "galvanised_steel",
    "silver",
    "titanium",
}
ETCHABLE = sorted(ASKED_FOR - {"titanium"})


def test_the_catalogue_holds_the_metals_of_the_trade():
    assert set(load_metals()) >= ASKED_FOR


@pytest.mark.parametrize("name", sorted(ASKED_FOR))
def test_each_metal_says_what_to_expect_and_what_to_beware(name):
    metal = find_metal(name)
    assert len(metal.verdict) > 20
    assert metal.cautions
    assert metal.label


def test_equivalent_weight_of_an_element_is_its_mass_over_its_valence():
    assert equivalent_weight({"Zn": 1.0}, {"Zn": 2}) == pytest.approx(0.06538 / 2, rel=1e-15)


@given(st.floats(0.01, 0.99))
def test_electrons_of_an_alloy_add_up(share):
    alloy = equivalent_weight({"Cu": share, "Zn": 1 - share}, {"Cu": 1, "Zn": 2})
    parts = share / atomic_mass("Cu") + 2 * (1 - share) / atomic_mass("Zn")
    assert 1 / alloy == pytest.approx(parts, rel=1e-12)


@pytest.mark.parametrize("name", ["stainless_304", "stainless_316", "copper", "brass"])
def test_a_higher_valence_makes_the_etch_shallower_in_proportion_to_its_share(name):
    depths = [
        1 / find_metal(name).put(high_share=share).depth_per_charge for share in (0.0, 0.25, 1.0)
    ]
    assert depths[0] < depths[1] < depths[2]
    assert (depths[1] - depths[0]) / (depths[2] - depths[0]) == pytest.approx(0.25, rel=1e-12)


def test_copper_leaves_as_copper_one_and_goes_twice_as_deep():
    copper = find_metal("copper")
    ratio = copper.depth_per_charge / copper.moved("high", "high_share").depth_per_charge
    assert ratio == pytest.approx(2.0, rel=1e-14)


@pytest.mark.parametrize("name", ETCHABLE)
def test_the_law_follows_the_catalogue_in_the_tafel_range(name):
    metal = find_metal(name).put(film_resistance=0.0, limit_stroked=1e9)
    law = anode_law(metal)
    low, high = 100.0 * metal.exchange.value, 1000.0 * metal.exchange.value
    step = overpotential(law, high) - overpotential(law, low)
    assert step == pytest.approx(metal.slope.value, rel=1e-4)
    assert law.equilibrium == metal.equilibrium.value
    assert law.slope * LN10 == pytest.approx(metal.slope.value, rel=1e-15)


@pytest.mark.parametrize("name", ETCHABLE)
def test_a_resting_swab_is_capped_sooner_than_a_stroked_one(name):
    metal = find_metal(name)
    assert anode_law(metal, moving=False).limit < anode_law(metal, moving=True).limit


def test_titanium_is_refused_with_the_reason_and_what_would_serve():
    with pytest.raises(InputError, match="does not etch") as caught:
        anode_law(find_metal("titanium"))
    assert "anodised" in caught.value.faults[0].expected


def test_the_film_on_copper_settles_and_the_film_on_silver_grows_on():
    charge = np.array([0.0, 1e4, 1e6, 2e6])
    copper, silver = find_metal("copper"), find_metal("silver")
    grown = film_resistance(copper, charge)
    assert grown[0] == 0.0
    assert grown[1] == pytest.approx(copper.film_resistance.value * (1 - math.exp(-1.0)), rel=1e-12)
    assert grown[2] == pytest.approx(grown[3], rel=1e-12)
    grown = film_resistance(silver, charge)
    assert grown[3] == pytest.approx(2 * grown[2], rel=1e-14)


def test_silver_chloride_grows_one_micrometre_on_the_charge_the_catalogue_says():
    """Molar volume of AgCl from 143.32 g/mol and 5.56 g/cm3 (handbook, from memory)."""
    charge = find_metal("silver").film_charge.value
    thickness = charge / 96485.33212 * 143.32e-3 / 5560.0
    assert thickness == pytest.approx(1e-6, rel=2e-3)


def test_a_film_that_does_not_grow_is_always_there():
    steel = find_metal("carbon_steel")
    assert np.all(film_resistance(steel, np.zeros((2, 3))) == steel.film_resistance.value)


def test_the_law_takes_the_film_of_the_charge_passed():
    copper = find_metal("copper")
    assert anode_law(copper, film_charge=0.0).film_resistance == 0.0
    assert anode_law(copper).film_resistance == copper.film_resistance.value


def test_galvanised_steel_is_zinc_above_carbon_steel():
    sheet = find_metal("galvanised sheet")
    assert sheet.composition == {"Zn": 1.0}
    assert 7e-6 <= sheet.thickness.value <= 25e-6
    assert sheet.under.name == "carbon_steel"
    assert sheet.under.under is None


def test_a_persons_own_metal_takes_over_a_base_and_changes_what_it_says():
    own = read_metal("shim", {"base": "carbon steel", "density": "7.7 g/cm3", "slope": "0.08 V"})
    steel = find_metal("carbon_steel")
    assert own.density.value == pytest.approx(7700.0)
    assert own.slope.confidence == "stated"
    assert own.exchange == steel.exchange
    assert (own.name, own.label) == ("shim", "carbon steel")


def test_a_persons_own_metal_needs_no_base():
    whole = {
        "composition": {"Cu": 0.92, "Sn": 0.08},
        "valences": {"Cu": 1, "Sn": 2},
        "density": "8.8 g/cm3",
        "efficiency": 0.9,
        "equilibrium": "0.0 V",
        "slope": "60 mV",
        "exchange": "1e-4 A/cm2",
        "film_resistance": "3 ohm cm2",
        "limit_stroked": "0.2 A/cm2",
        "limit_still": "0.05 A/cm2",
        "chlorine_share": "0 %",
    }
    bronze = read_metal("bell bronze", whole)
    moles = 0.92 / 63.546 + 2 * 0.08 / 118.71
    assert bronze.equivalent_weight == pytest.approx(1e-3 / moles, rel=1e-12)


def test_all_faults_of_a_persons_own_metal_are_reported_together():
    table = {"base": "zinc", "densty": "7 g/cm3", "slope": "60 mm", "valences": "two", "under": "x"}
    with pytest.raises(InputError) as caught:
        read_metal("odd", table)
    faults = {fault.key: fault.problem for fault in caught.value.faults}
    assert set(faults) == {"densty", "slope", "valences", "under"}
    assert "did you mean 'density'" in faults["densty"]


def test_a_metal_without_a_base_names_every_number_it_lacks():
    with pytest.raises(InputError) as caught:
        read_metal("bare", {"composition": {"Fe": 1.0}, "density": "7.8 g/cm3"})
    assert {"valences", "slope", "exchange"} <= {fault.key for fault in caught.value.faults}


@pytest.mark.parametrize(
    ("change", "key"),
    [
        ({"composition": {"Fe": 0.7, "Cr": 0.2}}, "composition"),
        ({"composition": {"Fe": 0.7, "Xx": 0.3}}, "composition"),
        ({"valences": {"Cr": 3}}, "valences"),
        ({"density": "-1 g/cm3"}, "density"),
        ({"efficiency": 3.0}, "efficiency"),
        ({"limit_still": "0 A/m2"}, "limit_still"),
        ({"under": "zinc"}, "under"),
    ],
)
def test_a_metal_that_cannot_be_is_refused_with_the_field(change, key):
    with pytest.raises(InputError) as caught:
        read_metal("odd", {"base": "carbon steel"} | change)
    assert key in {fault.key for fault in caught.value.faults}


def test_a_number_a_metal_does_not_have_cannot_be_put():
    with pytest.raises(InputError, match="did you mean 'density'"):
        find_metal("zinc").put(densty=1.0)


def test_a_number_a_metal_lacks_can_be_put():
    assert find_metal("zinc").put(film_charge=100.0).film_charge.unit == "C/m2"
