"""The supply: an electromotive force behind a resistance, with a limit on the current."""

from __future__ import annotations

import math
from dataclasses import dataclass

from simulate.rules import above_zero, check, zero_or_more


@dataclass(frozen=True)
class Supply:
    """What drives the current at one moment.

    The terminal voltage is ``emf - current * resistance`` until the current reaches the limit; from
    there the supply holds the current and lets the voltage fall.

    Parameters
    ----------
    emf : voltage at no current [V].
    resistance : internal resistance, leads and clips together [ohm].
    current_limit : the most it gives [A]; None for no limit.

    Raises
    ------
    InputError : a negative or infinite emf or resistance, or a limit that is not above zero.
    """

    emf: float
    resistance: float = 0.0
    current_limit: float | None = None

    def __post_init__(self) -> None:
        """Refuse what no supply can be."""
        rules = zero_or_more(self, "emf", "resistance")
        if self.current_limit is not None:
            rules += above_zero(self, "current_limit")
        check(self, rules)

    @property
    def short_circuit_current(self) -> float:
        """Current through a dead short [A]; infinite without resistance or limit."""
        free = self.emf / self.resistance if self.resistance else math.inf
        return min(free, self.current_limit or math.inf)
