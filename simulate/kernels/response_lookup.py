"""Interpolation in a response table: current of one position at any conductivity and supply.

Samples are fields solved at a few conductivities of the swab (`run.response_table`).
"""

from __future__ import annotations

import math
from typing import NamedTuple

from simulate.kernels.compiling import compiled, inner

# Columns of a node: current [A], voltage [V], differential conductance [S], ohmic resistance of
# the liquid [ohm]. The current is not a number where a node is not there.
NODE_CURRENT, NODE_VOLTAGE, NODE_CONDUCTANCE, NODE_OHMIC = 0, 1, 2, 3


class Reaction(NamedTuple):
    """Difference of the electrodes' equilibria [V]; sum of their slopes, volts per e-fold [V]."""

    reversible: float
    fold: float


@inner
def _shares(node, ratio, fold):
    """How a node's differential resistance parts: liquid at the factor asked for, reactions
    (volts per e-fold), and the rest; the sum never falls with current."""
    current = node[NODE_CURRENT]
    ohmic = node[NODE_OHMIC]
    whole = 1.0 / node[NODE_CONDUCTANCE]
    slope = min(fold, max(whole - ohmic, 0.0) * current)
    rest = max(whole - ohmic - slope / current, -ohmic * ratio)
    return ohmic * ratio, slope, rest


@inner
def node_voltage(node, ratio, fold, current):
    """Voltage at which a node's place passes a current once its liquid resists ``ratio`` times as
    much: V_n + R_n (ratio I - I_n) + rest (I - I_n) + fold ln(I / I_n)."""
    liquid, slope, rest = _shares(node, ratio, fold)
    known = node[NODE_CURRENT]
    shift = liquid * current - node[NODE_OHMIC] * known + rest * (current - known)
    return node[NODE_VOLTAGE] + shift + slope * math.log(current / known)


@compiled
def node_current(node, ratio, fold, emf, resistance):
    """Current at which a node's characteristic (`node_voltage`) meets emf - resistance * I.

    The difference is concave and rises with the current, so Newton's method comes to the root
    from below after at most one step.
    """
    known = node[NODE_CURRENT]
    if known <= 0.0:
        return 0.0
    liquid, slope, rest = _shares(node, ratio, fold)
    line = liquid + rest + resistance
    level = node[NODE_VOLTAGE] - (node[NODE_OHMIC] + rest) * known - emf
    current = known
    for _ in range(60):
        gap = level + line * current + slope * math.log(current / known)
        step = gap / (line + slope / current)
        new = max(current - step, 0.05 * current)
        done = abs(new - current) <= 1e-14 * current
        current = new
        if done or current < 1e-12 * known:
            break
    return current if current >= 1e-12 * known else 0.0


@inner
def _bracket(nodes, level):
    """The nearest nodes at or below and at or above a level; -1 where there is none."""
    lower = math.floor(level)
    while lower >= 0 and math.isnan(nodes[lower, NODE_CURRENT]):
        lower -= 1
    upper = math.ceil(level)
    while upper < nodes.shape[0] and math.isnan(nodes[upper, NODE_CURRENT]):
        upper += 1
    return lower, upper if upper < nodes.shape[0] else -1


@inner
def find_level(factor, lowest, step, levels):
    """Where a factor lies among the nodes: 0 at the lowest, levels - 1 at the highest."""
    if factor <= 0.0:
        return 0.0
    level = min(max(math.log(factor) / step - lowest, 0.0), levels - 1.0)
    near = round(level)
    return near if abs(level - near) < 1e-9 else level


@compiled
def meet(nodes, lowest, step, factor, fold, supply):
    """Current and voltage of a place at a conductivity factor and with a supply.

    The nodes on either side are carried to the factor, meet the supply, and are mixed by their
    distance in ln(factor). Where one side has none, the other serves alone.

    Parameters
    ----------
    nodes : (levels, 4) of the place; node n has ln(factor) = step * (lowest + n).
    supply : electromotive force [V], resistance [ohm], limit [A].

    Returns
    -------
    current, voltage, the nodes used (-1 for none) and the share of the second. A place without
    nodes passes nothing.
    """
    emf, resistance, limit = supply
    if factor <= 0.0:
        return 0.0, emf, -1, -1, 0.0
    level = find_level(factor, lowest, step, nodes.shape[0])
    lower, upper = _bracket(nodes, level)
    if lower < 0 and upper < 0:
        return 0.0, emf, -1, -1, 0.0
    lower = upper if lower < 0 else lower
    upper = lower if upper < 0 else upper
    share = (level - lower) / (upper - lower) if upper > lower else 0.0
    ratio_low = math.exp(step * (lowest + lower)) / factor
    ratio_high = math.exp(step * (lowest + upper)) / factor
    low, high = nodes[lower], nodes[upper]
    current = (1.0 - share) * node_current(low, ratio_low, fold, emf, resistance)
    current += share * node_current(high, ratio_high, fold, emf, resistance)
    voltage = emf - resistance * current
    if current > limit:
        current = limit
        voltage = (1.0 - share) * node_voltage(low, ratio_low, fold, limit)
        voltage += share * node_voltage(high, ratio_high, fold, limit)
    return current, voltage, lower, upper, share
