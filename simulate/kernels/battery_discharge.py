"""Discharge of a battery: its voltage and resistance as it is drained, its charge at a current.

Plain Python; `materials.battery` calls it as it stands, and `kernels.time_march` compiles the same
text.
"""

from __future__ import annotations

import math
from typing import NamedTuple


class SourceNumbers(NamedTuple):
    """`materials.battery.Supply` or `Battery` with its leads as plain numbers; no fall, no limit
    and no capacity are 0, infinite and infinite."""

    emf: float
    resistance: float
    leads: float
    limit: float
    fall: float
    growth: float
    spent: float


def supply_at(source, used):
    """Electromotive force [V] and resistance, leads included [ohm]."""
    share = min(max(used, 0.0), 1.0 - 1e-6)
    resistance = source.resistance * (1.0 + source.growth * min(share, source.spent) ** 2)
    if share > source.spent:
        resistance *= (1.0 - source.spent) / (1.0 - share)
    return source.emf - source.fall * share, resistance + source.leads


def capacity(rates, charges, current):
    """Charge a fresh battery gives at a constant current [C]; straight lines in the logarithms.

    rates, charges : logarithms of currents [A] and charges [C]; none for a supply without end.
    """
    last = len(rates) - 1
    if last < 0:
        return math.inf
    if current <= 0.0 or current <= math.exp(rates[0]):
        return math.exp(charges[0])
    rate = math.log(current)
    n = 1
    while n < last and rates[n] < rate:
        n += 1
    if last == 0:
        return math.exp(charges[0])
    slope = (charges[n] - charges[n - 1]) / (rates[n] - rates[n - 1])
    return math.exp(charges[n - 1] + slope * (rate - rates[n - 1]))


LAWS = (supply_at, capacity)
"""Both of them."""
