"""Faraday's law against outside numbers: ASTM G102, CODATA, yields, valences.

Sources are named beside each number; "from memory" means that the printed page was not seen here.
"""

from __future__ import annotations

import pytest

from simulate.constants import FARADAY
from simulate.materials.catalogue import read_catalogue
from simulate.materials.metals import equivalent_weight, find_metal
from simulate.materials.removal import charge_for_depth, depth_from_charge, mean_valence

# ASTM G102 Table 1, equivalent weights, densities and nominal compositions from memory.
G102 = {
    "carbon steel": ({"Fe": 1.0}, {"Fe": 2}, 27.92, 7860.0, 0.116156),
    "S30400": (
        {"Fe": 0.7175, "Cr": 0.19, "Ni": 0.0925},
        {"Fe": 2, "Cr": 3, "Ni": 2},
        25.12,
        7940.0,
        0.103454,
    ),
    "S31600": (
        {"Fe": 0.685, "Cr": 0.17, "Ni": 0.12, "Mo": 0.025},
        {"Fe": 2, "Cr": 3, "Ni": 2, "Mo": 3},
        25.50,
        7980.0,
        0.104492,
    ),
    "C11000": ({"Cu": 1.0}, {"Cu": 2}, 31.77, 8940.0, 0.116206),
    "N02200": ({"Ni": 1.0}, {"Ni": 2}, 29.36, 8890.0, 0.107995),
    "AA1100": ({"Al": 1.0}, {"Al": 3}, 8.99, 2710.0, 0.108477),
    "R50400": ({"Ti": 1.0}, {"Ti": 4}, 11.98, 4540.0, 0.086288),
}


@pytest.mark.parametrize("alloy", G102)
def test_equivalent_weights_agree_with_the_standard(alloy):
    composition, valences, listed, _, _ = G102[alloy]
    computed = equivalent_weight(composition, valences) * 1e3
    assert computed == pytest.approx(listed, rel=2e-3)


@pytest.mark.parametrize("alloy", G102)
def test_corrosion_rates_at_ten_microamperes_agree(alloy):
    """mm per year at 10 uA/cm2, worked independently for the project's reference tables."""
    composition, valences, _, density, rate = G102[alloy]
    speed = equivalent_weight(composition, valences) * 0.1 / (FARADAY * density)
    assert speed * 1e3 * 365.25 * 86400 == pytest.approx(rate, rel=1e-3)


def test_the_standards_two_constants_follow_from_faradays():
    """K1 = 3.27e-3 mm g/(uA cm yr), a secondary tutorial; K2 = 8.954e-3 g cm2/(uA m2 d), memory."""
    year, day = 365.25 * 86400, 86400
    assert 1e-6 * year / FARADAY * 10 == pytest.approx(3.27e-3, rel=1e-3)
    assert 1e-6 * 1e4 * day / FARADAY == pytest.approx(8.954e-3, rel=1e-3)


@pytest.mark.parametrize(
    ("name", "listed"),
    [("stainless_304", 25.12), ("stainless_316", 25.50), ("brass", 49.52), ("aluminium", 8.99)],
)
def test_the_catalogues_own_alloys_lie_near_the_standards(name, listed):
    """Compositions differ within the grade; brass is Cu(+1), Zn(+2), worked by hand as 49.52."""
    assert find_metal(name).equivalent_weight * 1e3 == pytest.approx(listed, rel=5e-3)


@pytest.mark.parametrize(
    ("name", "milligram_per_coulomb", "micrometre"),
    [
        ("carbon_steel", 0.2894, 0.369),
        ("stainless_304", 0.2609, 0.329),
        ("stainless_316", 0.2641, 0.331),
        ("copper", 0.6586, 0.735),
        ("brass", 0.5133, 0.602),
        ("aluminium", 0.0932, 0.345),
        ("nickel", 0.3042, 0.342),
        ("silver", 1.1180, 1.066),
        ("zinc", 0.3388, 0.475),
        ("titanium", 0.1240, 0.275),
    ],
)
def test_faraday_yields_agree_with_the_worked_table(name, milligram_per_coulomb, micrometre):
    """mg/C and um per C/cm2; Cu, Fe, Ni, Al and Ag mg/C also in secondary tables (looked up)."""
    metal = find_metal(name)
    assert metal.equivalent_weight / FARADAY * 1e6 == pytest.approx(milligram_per_coulomb, rel=1e-3)
    assert metal.depth_per_charge * 1e10 == pytest.approx(micrometre, rel=2e-3)


def test_the_silver_coulometer_gives_its_old_constant():
    """1.118 mg of silver per coulomb defined the international ampere of 1908."""
    assert find_metal("silver").equivalent_weight / FARADAY * 1e6 == pytest.approx(1.118, abs=5e-4)


def test_copper_dissolves_with_one_electron_in_chloride():
    """Kinoshita, Landolt, Muller, Tobias, J. Electrochem. Soc. 117 (1970) 1246: valence 1 in
    chloride while active, 2 in sulfate and nitrate, 1 to 2 when transpassive (abstract)."""
    copper = find_metal("copper")
    assert mean_valence(copper) == pytest.approx(1.0, rel=1e-12)
    assert mean_valence(copper.moved("high", "high_share")) == pytest.approx(2.0, rel=1e-12)


def test_stainless_valences_span_the_published_range():
    """Mount, Howarth, Clifton, J. Electrochem. Soc. 150 (2003) D63: Fe 2, Cr 3 at low flow, up to
    Fe 3, Cr 6 (abstract); um per C/cm2 worked by hand: 0.329 to 0.207 for 304, 0.331 to 0.210."""
    for name, low, high in (("stainless_304", 0.207, 0.329), ("stainless_316", 0.210, 0.331)):
        metal = find_metal(name)
        deepest = metal.moved("low", "high_share").depth_per_charge * 1e10
        shallowest = metal.moved("high", "high_share").depth_per_charge * 1e10
        assert (shallowest, deepest) == pytest.approx((low, high), rel=3e-3)


def test_atomic_masses_agree_with_an_independent_table():
    import periodictable

    for symbol, mass in read_catalogue("elements.toml").items():
        assert mass == pytest.approx(getattr(periodictable, symbol).mass, rel=1e-4), symbol


def test_faradays_constant_is_codatas():
    from scipy.constants import physical_constants

    assert physical_constants["Faraday constant"][0] == pytest.approx(FARADAY, rel=1e-10)


def test_practice_depths_take_the_charges_worked_for_them():
    """8, 13 and 50 um on steel take 22, 35 and 136 C/cm2 at full efficiency (aero-engine marking
    depths; charges worked by hand); 0.5 A over 1 cm2 reaches 25 um in 143 s at 0.95."""
    steel = find_metal("carbon_steel")
    whole = steel.put(efficiency=1.0)
    for depth, charge in ((8e-6, 22e4), (13e-6, 35e4), (50e-6, 136e4)):
        assert charge_for_depth(whole, depth) == pytest.approx(charge, rel=0.02)
    assert depth_from_charge(steel, 143 * 0.5 * 1e4) == pytest.approx(25e-6, rel=0.01)
