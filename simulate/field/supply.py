"""The supply: an electromotive force behind a resistance, with a limit on the current."""

from __future__ import annotations

import math
from dataclasses import dataclass

from simulate.errors import Fault, InputError


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
        faults = [
            *faults_below_zero(emf=self.emf, resistance=self.resistance),
            *faults_not_above_zero(current_limit=self.current_limit),
        ]
        if faults:
            raise InputError(faults)

    @property
    def short_circuit_current(self) -> float:
        """Current through a dead short [A]; infinite without resistance or limit."""
        free = self.emf / self.resistance if self.resistance else math.inf
        return min(free, self.current_limit or math.inf)


def faults_below_zero(**numbers: float) -> list[Fault]:
    """A fault for each number that is not finite or lies below zero."""
    return [
        Fault("not a finite number of zero or more", ">= 0", key=key, value=f"{number:g}")
        for key, number in numbers.items()
        if not (math.isfinite(number) and number >= 0)
    ]


def faults_not_above_zero(**numbers: float | None) -> list[Fault]:
    """A fault for each given number that is not finite and above zero."""
    return [
        Fault("not a finite number above zero", "> 0", key=key, value=f"{number:g}")
        for key, number in numbers.items()
        if number is not None and not (math.isfinite(number) and number > 0)
    ]
