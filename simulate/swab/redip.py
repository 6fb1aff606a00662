"""Re-dip rule: when the swab is dipped again.

One rule for runs and for quick estimates, `kernels.swab_balance.due_rule`: after a charge, a time
in use or at a temperature, whichever comes first. Common practice is 10 C (5 to 12) or 20 s.
"""

from __future__ import annotations

import math
from typing import Final

from simulate.kernels.swab_balance import RedipNumbers, due_rule
from simulate.swab.state import WetState, columns_of

REASONS: Final = ("", "charge", "time", "temperature")
"""What is due, by the number that `due_rule` gives."""


def redip_rule(
    charge: float | None = None,
    time: float | None = None,
    temperature: float | None = None,
    pause: float = 0.0,
) -> RedipNumbers:
    """The rule as plain numbers.

    Parameters
    ----------
    charge, time : passed [C] and in use [s] since the last dip. None: no such rule.
    temperature : reached [K].
    pause : time the dip takes [s].
    """
    charge, time, temperature = (
        math.inf if each is None else each for each in (charge, time, temperature)
    )
    return RedipNumbers(charge, time, temperature, pause)


def redip_reason(state: WetState, rule: RedipNumbers) -> str:
    """Which part of the rule is due, one of `REASONS`; empty if none is."""
    return REASONS[due_rule(columns_of(state)[0], rule)]
