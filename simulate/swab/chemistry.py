"""The liquid as it sours and loads: pH, hydroxides that fall out, salt films on a held surface.

Concentrations [mol/m3] of the ideal solution at 25 degC. While current flows the cathode uses up
hydrogen ions and the anode puts metal ions in their place; when the vinegar is spent, the metals
fall out as hydroxides and hold the pH.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from simulate.materials.catalogue import Datum
from simulate.materials.metals import FARADAY, Metal, atomic_mass

#: Valence and solubility product of the hydroxide [(mol/L)^(1 + valence)], handbook, from memory.
#: Iron as iron(II), chromium as chromium(III), copper as copper(II), as which air leaves it.
HYDROXIDES: Final[Mapping[str, tuple[int, float]]] = {
    "Al": (3, 3e-34),
    "Cr": (3, 6.3e-31),
    "Cu": (2, 2.2e-20),
    "Zn": (2, 3e-17),
    "Fe": (2, 4.87e-17),
    "Ni": (2, 5.48e-16),
}
WATER_PRODUCT: Final = 1e-14  # [(mol/L)^2]
DIFFUSIVITY: Final = Datum(8e-10, 6e-10, 1e-9, "m2/s", "metal ions in brine, from memory", "fair")


@dataclass(frozen=True)
class Solution:
    """The liquid in equilibrium.

    Parameters
    ----------
    acidity : pH [-].
    fallen : metal fallen out as hydroxide, by element [mol/m3].
    """

    acidity: float
    fallen: Mapping[str, float]


def hydroxide_onset(element: str, concentration: float) -> float:
    """pH from which a metal's hydroxide falls out [-].

    14 + log10(K / c) / n for M(OH)n with the solubility product K of `HYDROXIDES`.

    Parameters
    ----------
    element : one of `HYDROXIDES`.
    concentration : of the metal [mol/m3], above zero.
    """
    valence, product = HYDROXIDES[element]
    return 14.0 + math.log10(product / (concentration * 1e-3)) / valence


def settle(
    acetate: float, used: float, dissociation: float, metals: Mapping[str, float] | None = None
) -> Solution:
    """pH and hydroxides of a liquid that has been worked with.

    Electroneutrality: ``[H] + b - sum(n fallen) = K C / (K + [H]) + Kw / [H]``, what has fallen of
    each metal being what exceeds its solubility product.

    Parameters
    ----------
    acetate : acid and its salts together, C [mol/m3].
    used : hydrogen ions used up since fresh, b [mol/m3].
    dissociation : of the acid, K [mol/m3].
    metals : all there is of each element, in solution or fallen [mol/m3]; those without an entry
        in `HYDROXIDES` stay in solution.
    """
    contents = {name: c for name, c in (metals or {}).items() if name in HYDROXIDES and c > 0}
    k, total, b = 1e-3 * dissociation, 1e-3 * acetate, 1e-3 * used  # mol/L from here

    def fallen(name: str, ph: float) -> float:
        valence, product = HYDROXIDES[name]
        soluble = math.log10(product) + valence * (14.0 - ph)
        return float(max(1e-3 * contents[name] - 10.0 ** min(soluble, 3.0), 0.0))

    def surplus(ph: float) -> float:
        proton = 10.0**-ph
        taken = sum(HYDROXIDES[name][0] * fallen(name, ph) for name in contents)
        return float(proton + b - taken - k * total / (k + proton) - WATER_PRODUCT / proton)

    low, high = -1.0, 15.0  # the surplus falls with the pH
    for _ in range(50):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if surplus(middle) > 0 else (low, middle)
    ph = 0.5 * (low + high)
    return Solution(ph, {name: 1e3 * out for name in contents if (out := fallen(name, ph)) > 0})


def sand_time(
    density: float, rise: float, valence: float, diffusivity: float = DIFFUSIVITY.value
) -> float:
    """Time until a held surface reaches saturation at a constant current density [s].

    pi D (n F c / (2 i))^2: diffusion from a constant flux into a half space (Sand 1901).

    Parameters
    ----------
    density : [A/m2], above zero.
    rise : saturation less what is in the liquid [mol/m3].
    valence : electrons per dissolved atom.
    diffusivity : [m2/s].
    """
    return math.pi * diffusivity * (valence * FARADAY * max(rise, 0.0) / (2.0 * density)) ** 2


def film_limit(
    layer: float, rise: float, valence: float, diffusivity: float = DIFFUSIVITY.value
) -> float:
    """Current density at which a salt film caps dissolution [A/m2], n F D c / layer.

    layer : thickness of the diffusion layer [m]. The rest as in `sand_time`.
    """
    return valence * FARADAY * diffusivity * max(rise, 0.0) / layer


def mean_valence(metal: Metal) -> float:
    """Electrons per dissolved atom of a metal or alloy [-]."""
    atoms = sum(share / atomic_mass(name) for name, share in metal.composition.items())
    return 1.0 / (metal.equivalent_weight * atoms)


def salt_film_time(metal: Metal, density: float, loaded: float = 0.0) -> float:
    """How long a swab may rest on a metal at a current density before a salt film forms [s].

    `sand_time` with the catalogue's saturation; infinite where it names none.

    Parameters
    ----------
    density : [A/m2], above zero.
    loaded : metal already in the liquid [mol/m3].
    """
    if metal.saturation is None:
        return math.inf
    return sand_time(density, metal.saturation.value - loaded, mean_valence(metal))
