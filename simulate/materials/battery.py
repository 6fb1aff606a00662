"""Batteries: sources that change as they are drained.

A battery is a supply that changes as it is drained. Its state is one number, the share of its
capacity that is used; every function here is pure and gives a new supply for a given state.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np

from simulate.errors import Fault, InputError
from simulate.field.supply import Supply
from simulate.kernels import battery_discharge
from simulate.rules import above_zero, broken, zero_or_more

#: Share of a battery's capacity after which it counts as spent.
SPENT: Final = 0.9


@dataclass(frozen=True)
class Battery:
    """A battery that sags as it is drained.

    With s the used share of the capacity at the rate drawn::

        emf        = open_circuit - fall * s
        resistance = resistance * (1 + growth * s^2)             up to s = 0.9
                     and beyond as 0.1 / (1 - s) times that at 0.9

    Parameters
    ----------
    open_circuit : voltage of a fresh one at no current [V].
    resistance : internal resistance of a fresh one, for direct current [ohm].
    currents, capacities : charge it gives [C] at each constant current [A], current increasing.
    fall : how far the open-circuit voltage falls over the whole capacity [V].
    growth : how many times its fresh value the resistance gains over the whole capacity [-].
    name : for messages and reports.

    Raises
    ------
    InputError : with every field that cannot be.

    Notes
    -----
    The quadratic growth is a fast fit to common experience with alkaline 9 V blocks (2, 3.5 and
    7 ohm when fresh, half used and nearly flat; from memory); the rise beyond 0.9 is invented so
    that a flat battery gives no current without a jump.
    """

    open_circuit: float
    resistance: float
    currents: tuple[float, ...]
    capacities: tuple[float, ...]
    fall: float = 0.0
    growth: float = 3.0
    name: str = "battery"

    def __post_init__(self) -> None:
        """Refuse what no battery can be."""
        faults = [
            *broken(self, above_zero(self, "open_circuit")),
            *broken(self, zero_or_more(self, "resistance", "fall", "growth")),
        ]
        if self.fall >= self.open_circuit:
            faults.append(Fault("falls below zero volts", "less than open_circuit", key="fall"))
        if not self.currents or len(self.currents) != len(self.capacities):
            faults.append(Fault("not one capacity per current", key="capacities"))
        elif min(*self.currents, *self.capacities) <= 0:
            faults.append(Fault("not above zero", "currents and capacities > 0", key="capacities"))
        elif any(left >= right for left, right in pairwise(self.currents)):
            faults.append(Fault("not increasing", "each current above the last", key="currents"))
        if faults:
            raise InputError(faults)


def capacity(battery: Battery, current: float) -> float:
    """Charge a fresh battery gives at a constant current [C].

    Straight lines in the logarithms of current and charge; below the first current the first
    capacity holds, above the last the last slope goes on.

    Parameters
    ----------
    current : drawn [A], > 0; zero gives the capacity at the lowest rate.
    """
    rates, charges = np.log(battery.currents), np.log(battery.capacities)
    return float(battery_discharge.capacity(rates, charges, current))


def supply_at(battery: Battery, used: float, leads: float = 0.0) -> Supply:
    """The supply a battery is when a share of its capacity is used.

    Parameters
    ----------
    used : [-], 0 fresh to 1 flat.
    leads : resistance of leads and clips [ohm].
    """
    return Supply(*battery_discharge.supply_at(source_numbers(battery, leads), used))


def source_numbers(battery: Battery, leads: float = 0.0) -> battery_discharge.SourceNumbers:
    """A battery and its leads [ohm] as plain numbers, for `kernels.battery_discharge`."""
    return battery_discharge.SourceNumbers(
        emf=battery.open_circuit,
        resistance=battery.resistance,
        leads=leads,
        limit=math.inf,
        fall=battery.fall,
        growth=battery.growth,
        spent=SPENT,
    )


def supply_after(
    battery: Battery, charge_drawn: float, current: float, leads: float = 0.0
) -> Supply:
    """The supply a battery is after a charge has been drawn at a constant current.

    Parameters
    ----------
    charge_drawn : [C].
    current : at which it was drawn [A]; it decides the capacity.
    leads : resistance of leads and clips [ohm].
    """
    return supply_at(battery, charge_drawn / capacity(battery, current), leads)
