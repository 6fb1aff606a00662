"""Acid-base chemistry of the swab's liquid: pH and hydroxide precipitation.

Concentrations [mol/m3] of the ideal solution at 25 degC. While current flows the cathode uses up
hydrogen ions, so that the pH rises, and the anode puts metal ions in their place; when the vinegar
is spent, the metals precipitate as hydroxides and hold the pH.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from simulate.kernels.swab_balance import equilibrium_ph, out_of_solution

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


@dataclass(frozen=True)
class Solution:
    """The liquid in equilibrium.

    Parameters
    ----------
    ph : [-].
    fallen : metal fallen out as hydroxide, by element [mol/m3].
    """

    ph: float
    fallen: Mapping[str, float]


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
    found = [(c, name) for name, c in (metals or {}).items() if name in HYDROXIDES and c > 0]
    rows = [(c, HYDROXIDES[name][0], math.log10(HYDROXIDES[name][1])) for c, name in found]
    acid = (1e-3 * dissociation, 1e-3 * acetate, 1e-3 * used)
    ph = float(equilibrium_ph(acid, 1.0, 1.0, np.array(rows).reshape(-1, 3)))
    lost = {
        name: 1e3 * float(out_of_solution(*row, ph))
        for (_, name), row in zip(found, rows, strict=True)
    }
    return Solution(ph, {name: out for name, out in lost.items() if out > 0})
