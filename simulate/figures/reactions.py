"""Half-reactions of a metal at the plate and of hydrogen at the cathode, in words for a figure."""

from __future__ import annotations

from collections.abc import Mapping

from simulate.materials.metals import Metal, atomic_mass

LEAST_SHARE = 0.02
"""Parts of an alloy below this share by mass are not written out [-]."""

ACID, WATER = "2 H⁺ + 2 e⁻ → H₂", "2 H₂O + 2 e⁻ → H₂ + 2 OH⁻"
"""At the cathode: while the vinegar's acid lasts, and afterwards."""

_RAISED, _LOWERED = (
    str.maketrans("0123456789+-", signs) for signs in ("⁰¹²³⁴⁵⁶⁷⁸⁹⁺⁻", "₀₁₂₃₄₅₆₇₈₉₊₋")
)
_WITH_CHLORIDE = {
    ("Cu", 1): f"Cu + 2 Cl⁻ → CuCl{'2'.translate(_LOWERED)}⁻ + e⁻",
    ("Ag", 1): "Ag + Cl⁻ → AgCl + e⁻",
}
"""Metals that chloride holds on to; all others leave as plain ions."""


def ion(element: str, valence: int) -> str:
    """An ion as it is written.

    >>> ion("Fe", 2), ion("Ag", 1)
    ('Fe²⁺', 'Ag⁺')
    """
    count = "" if valence == 1 else str(valence)
    return element + f"{count}+".translate(_RAISED)


def dissolution(element: str, valence: int) -> str:
    """The half-reaction by which an element leaves the plate.

    >>> dissolution("Fe", 2)
    'Fe → Fe²⁺ + 2 e⁻'
    """
    electrons = "e⁻" if valence == 1 else f"{valence} e⁻"
    plain = f"{element} → {ion(element, valence)} + {electrons}"
    return _WITH_CHLORIDE.get((element, valence), plain)


def valences(metal: Metal) -> Mapping[str, float]:
    """Electrons per atom that most of the metal leaves with."""
    high = metal.high_valences if metal.high_share.value > 0.5 else {}
    return {**metal.valences, **high}


def anode_reactions(metal: Metal) -> tuple[str, ...]:
    """The half-reactions at the plate, the commonest part of an alloy first, shares by mass."""
    taken = valences(metal)
    parts = sorted(metal.composition.items(), key=lambda part: -part[1])
    lines = []
    for element, share in parts:
        if share < LEAST_SHARE:
            continue
        told = f"  ({100.0 * share:.3g} %)" if share < 0.995 else ""
        lines.append(dissolution(element, round(taken[element])) + told)
    return tuple(lines)


def positive_ions(metal: Metal) -> tuple[str, ...]:
    """Ions of the metal that go towards the cathode, the commonest first; none held by chloride."""
    taken = valences(metal)
    parts = sorted(metal.composition.items(), key=lambda part: -part[1] / atomic_mass(part[0]))
    charged = [(element, round(taken[element])) for element, _ in parts]
    return tuple(ion(*each) for each in charged if each not in _WITH_CHLORIDE)
