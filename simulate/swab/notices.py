"""Notices: what a person should know about the swab now."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from simulate.constants import ZERO_CELSIUS
from simulate.swab.body import WetBody
from simulate.swab.state import WetState, gas_fraction, metal_content, saturation, solution

MASK_LIFTS: Final = 333.15  # [K], tape lets go above 60 degC, common practice
NEARLY_DRY: Final = 0.3  # saturation [-], chosen
DRYING: Final = 0.6  # saturation [-], chosen


@dataclass(frozen=True)
class Notice:
    """A notice: key and message."""

    key: str
    words: str


def notices(state: WetState, body: WetBody) -> tuple[Notice, ...]:
    """What a person should know about the swab now, the gravest first."""
    celsius = state.temperature - ZERO_CELSIUS
    content = metal_content(state, body)
    lost = solution(state, body).fallen
    fallen = ", ".join(name for name, out in lost.items() if out > 0.01 * content[name])
    wet, gas = saturation(state, body), gas_fraction(state, body)
    boils = state.temperature >= body.heat.boiling_point - 1e-6
    spent = body.acid > 0 and state.acid <= 0.0
    rules = [
        ("boiling", boils, "the swab boils: lift it, re-dip it, lower the current"),
        ("dry", wet < NEARLY_DRY, f"nearly dry: {100 * wet:.0f} % of the liquid is left"),
        ("hot", state.temperature > MASK_LIFTS, f"{celsius:.0f} degC: burns, and masks let go"),
        ("drying", NEARLY_DRY <= wet < DRYING, f"{100 * wet:.0f} % of the liquid is left"),
        ("acid", spent, "the acid is spent and the swab turns alkaline: dip it again"),
        ("hydroxide", bool(fallen), f"hydroxide of {fallen} falls out in the swab"),
        ("gas", gas > 0.3, f"{100 * gas:.0f} % gas in the liquid: lift the swab now and then"),
    ]
    return tuple(Notice(key, words) for key, holds, words in rules if holds)
