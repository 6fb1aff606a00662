"""pH and hydroxides against the notes' table, limits and electroneutrality."""

import math

import pytest

from simulate.constants import WATER_PRODUCT
from simulate.kernels.swab_balance import out_of_solution
from simulate.materials.electrolyte import Electrolyte
from simulate.swab.acid_base import HYDROXIDES, settle

K = 1.754e-2  # [mol/m3], acetic acid
VINEGAR = 833.0  # [mol/m3]


@pytest.mark.parametrize(
    ("element", "molar", "ph"),
    [
        ("Al", 0.1, 3.2),
        ("Cr", 0.08, 4.3),
        ("Cu", 0.2, 4.5),
        ("Zn", 0.4, 5.9),
        ("Fe", 0.4, 6.0),
        ("Ni", 0.4, 6.6),
    ],
)
def test_hydroxides_fall_out_where_the_table_says(element, molar, ph):
    """research notes 3.4, from solubility products from memory."""
    valence, product = HYDROXIDES[element]

    def lost(at: float) -> float:
        return out_of_solution(1e3 * molar, valence, math.log10(product), at)

    assert lost(ph - 0.1) == 0.0
    assert lost(ph + 0.1) > 0.0


def test_fresh_vinegar_has_the_ph_of_ostwald():
    fresh = Electrolyte(vinegar=60e-6, salt=0.0)
    assert settle(fresh.acid, 0.0, K).ph == pytest.approx(fresh.acidity, abs=1e-6)
    assert settle(fresh.acid, 0.0, K).ph == pytest.approx(2.4, abs=0.05)


def test_half_used_vinegar_has_the_acids_own_ph():
    assert settle(VINEGAR, VINEGAR / 2, K).ph == pytest.approx(-math.log10(K * 1e-3), abs=1e-3)


def test_plain_water_is_neutral_and_turns_alkaline_at_once():
    assert settle(0.0, 0.0, K).ph == pytest.approx(7.0, abs=1e-9)
    assert settle(0.0, 1.0, K).ph == pytest.approx(11.0, abs=1e-6)


def test_ph_rises_with_every_ion_used():
    values = [settle(VINEGAR, share * VINEGAR, K).ph for share in (0, 0.2, 0.5, 0.9, 0.99, 1.1)]
    assert values == sorted(values)
    assert values[-1] > 12


@pytest.mark.parametrize("metals", [{"Fe": 450.0}, {"Al": 200.0, "Cr": 30.0}, {}])
def test_the_liquid_is_electrically_neutral(metals):
    used = 900.0
    found = settle(VINEGAR, used, K, metals)
    proton = 10.0**-found.ph
    taken = sum(HYDROXIDES[name][0] * out for name, out in found.fallen.items())
    acetate = K * VINEGAR / (K + 1e3 * proton)
    hydroxide = 1e3 * WATER_PRODUCT / proton
    assert 1e3 * proton + used - taken == pytest.approx(acetate + hydroxide, abs=1e-6)


def test_falling_hydroxide_holds_the_ph():
    bare = settle(VINEGAR, 900.0, K).ph
    held = settle(VINEGAR, 900.0, K, {"Fe": 450.0})
    assert bare > 12
    assert held.ph < 8
    assert 0 < held.fallen["Fe"] < 450.0


def test_aluminium_and_copper_gum_up_before_the_acid_is_spent_iron_zinc_and_nickel_after():
    """research notes 3.4. Metal by Faraday: the hydrogen ions used over the valence."""

    def first(element):
        valence = HYDROXIDES[element][0]
        shares = [k / 100 for k in range(1, 111)]
        out = (
            s
            for s in shares
            if settle(VINEGAR, s * VINEGAR, K, {element: s * VINEGAR / valence}).fallen
        )
        return next(out)

    assert first("Al") < 0.3
    assert first("Cu") < 0.5
    assert all(0.9 < first(element) < 1.05 for element in ("Fe", "Zn", "Ni"))


def test_metals_without_an_entry_stay_dissolved():
    assert settle(VINEGAR, 900.0, K, {"Ag": 900.0}).fallen == {}
