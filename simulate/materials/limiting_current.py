"""Limiting current of dissolution: salt film by diffusion, Sand's time.

Concentrations [mol/m3].
"""

from __future__ import annotations

import math
from typing import Final

from simulate.constants import FARADAY
from simulate.materials.catalogue import Datum
from simulate.materials.metals import Metal
from simulate.materials.removal import mean_valence

DIFFUSIVITY: Final = Datum(8e-10, 6e-10, 1e-9, "m2/s", "metal ions in brine, from memory", "fair")


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
