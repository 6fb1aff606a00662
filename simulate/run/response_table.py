"""How one place answers: current and map of the plate at any conductivity and with any supply.

A place is solved (`spots`) at a few factors of conductivity, the nodes: `RATIO` apart, and closer
where neighbours disagree because a salt film comes on. A node keeps what it takes to carry it to
another factor s and another supply:

    V(I) = V_n + R_n (I s_n / s - I_n) + rest (I - I_n) + fold ln(I / I_n)

with the liquid's resistance R_n, the two reactions' slopes, and a rest (film, salt film, change of
shape) that makes dV/dI right at the node. Where V(I) meets the supply lies the current; between
two nodes both are carried to the factor asked for and mixed by their distance in ln s, and so are
the maps. `etching` holds the result against direct solves and states the difference.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from simulate.field.supply import Supply
from simulate.kernels import response_lookup
from simulate.run.local_solve import Spot, StopField

Doubles = NDArray[np.float64]
Integers = NDArray[np.int64]

RATIO = 1.5
"""Factor of conductivity between neighbouring nodes, where nothing asks for more."""

SPLITS = 8
"""Levels from one such node to the next: how finely nodes may be set where something does."""

SLACK = 0.5
"""Levels by which a node may be carried outwards alone: 2.5 % in conductivity."""

MISMATCH = 0.006
"""By how much neighbouring nodes may disagree, see `Responses.disagreement`; what is mixed of the
two is then off by a third of it or less."""

LOWEST, HIGHEST = -9 * SPLITS, 6 * SPLITS
"""Levels of the outermost nodes; beyond them they are carried on."""

STEP = math.log(RATIO) / SPLITS
"""ln(factor) between neighbouring levels."""

LEVELS = HIGHEST - LOWEST + 1
FRESH = -LOWEST
"""The level of the freshly wetted swab, factor 1; counted from 0 at the lowest."""

INDIFFERENT = 3e-3
"""A node whose current answers less than this to the voltage, d ln I / d ln V, stands for all
better conducting swabs too: a salt film holds the whole current."""


def factor_of(level: float) -> float:
    """The conductivity factor of a level."""
    return math.exp(STEP * (level + LOWEST))


@dataclass(eq=False)
class Responses:
    """The nodes there are, by spot and level.

    Parameters
    ----------
    spots : what the rows stand for.
    supply, fold : of the setting; they decide how well neighbouring nodes agree.
    numbers : (spots, LEVELS, 4), not a number where a node is not there.
    """

    spots: Sequence[Spot]
    supply: Supply
    fold: float
    nodes: dict[tuple[int, int], StopField] = field(default_factory=dict)
    numbers: Doubles = field(init=False)

    def __post_init__(self) -> None:
        self.numbers = np.full((len(self.spots), LEVELS, 4), np.nan)

    def add(self, spot: int, level: int, node: StopField) -> None:
        """Take a node in; one that does not answer to the conductivity stands for others too."""
        levels: Iterable[int] = [level]
        if node.total <= 0.0:
            levels = range(LEVELS)
        elif node.conductance * abs(node.voltage) < INDIFFERENT * node.total:
            levels = range(level, LEVELS)
        for each in levels:
            if (spot, each) not in self.nodes:
                self.nodes[spot, each] = node
                self.numbers[spot, each] = node.numbers

    def overlay(self, other: Responses) -> None:
        """Take another's nodes over, in place of those there are."""
        self.nodes |= other.nodes
        there = ~np.isnan(other.numbers[:, :, 0])
        self.numbers[there] = other.numbers[there]

    def missing(self, spot: Integers, level: Doubles) -> dict[int, list[int]]:
        """Levels that are needed and not there, by spot in the order they are first needed.

        Needed are nodes about all levels asked for, and one in the middle between two that do not
        agree.

        Parameters
        ----------
        spot, level : of each stop.
        """
        asked: dict[int, list[float]] = {}
        for row, value in zip(spot.tolist(), level.tolist(), strict=True):
            asked.setdefault(row, []).append(value)
        wanted = {row: self._about(row, levels) for row, levels in asked.items()}
        ends = np.stack([spot, np.floor(level).astype(np.int64), np.ceil(level).astype(np.int64)])
        for row, low, high in np.unique(ends, axis=1).T.tolist():
            if not wanted[row] and not (low == high and (row, low) in self.nodes):
                wanted[row] |= self._split(row, low)
        return {row: sorted(levels) for row, levels in wanted.items() if levels}

    def _about(self, row: int, levels: list[float]) -> set[int]:
        """What is missing about levels: at every `SPLITS` levels, or at their two ends where those
        are nearer."""
        low, high = min(levels), max(levels)
        if high - low > SPLITS:
            coarse = {way(n / SPLITS) * SPLITS for n in levels for way in (math.floor, math.ceil)}
            return {n for n in coarse if (row, n) not in self.nodes}
        there = [
            n
            for n in range(math.floor(low) - SPLITS, math.ceil(high) + SPLITS + 1)
            if (row, n) in self.nodes
        ]
        ends = set()
        if not any(n <= low + SLACK for n in there):
            ends.add(math.floor(low))
        if not any(n >= high - SLACK for n in (*there, *ends)):
            ends.add(math.ceil(high))
        return ends

    def _split(self, row: int, at: int) -> set[int]:
        """The level between the nodes about ``at``, if they do not agree."""
        lower = next((n for n in range(at, -1, -1) if (row, n) in self.nodes), None)
        upper = next((n for n in range(at + 1, LEVELS) if (row, n) in self.nodes), None)
        if lower is None or upper is None or upper - lower < 2:
            return set()
        if self.disagreement(row, lower, upper) < MISMATCH:
            return set()
        return {(lower + upper) // 2}

    def disagreement(self, row: int, lower: int, upper: int) -> float:
        """By how much two nodes of a spot miss one another, in current or in the map [-].

        What both carry too high stays in their mixture; what one carries too high and the other too
        low all but cancels there.
        """
        low, high = self.nodes[row, lower], self.nodes[row, upper]
        if low.total == 0.0 or high.total == 0.0 or low is high:
            return 0.0
        moved = 0.5 * float(np.abs(low.share - high.share).sum())
        up = self._miss(low, high, upper - lower)
        down = self._miss(high, low, lower - upper)
        return max(moved / 2.0, abs(up + down) / 2.0, abs(up - down) / 4.0)

    def _miss(self, node: StopField, other: StopField, levels: int) -> float:
        """By how much a node carried over levels exceeds the other's current, at its voltage."""
        numbers = np.array(node.numbers)
        found = response_lookup.node_current(
            numbers, math.exp(-STEP * levels), self.fold, other.voltage, 0.0
        )
        stiffness = 1.0 + self.supply.resistance * other.conductance
        return (float(found) / other.total - 1.0) / stiffness


def answer(numbers: Doubles, factor: float, fold: float, supply: Supply) -> tuple[float, float]:
    """Current [A] and voltage [V] of a spot at a factor and with a supply.

    numbers : (LEVELS, 4) of the spot.
    """
    limit = math.inf if supply.current_limit is None else supply.current_limit
    current, voltage, *_ = response_lookup.meet(
        numbers, LOWEST, STEP, factor, fold, (supply.emf, supply.resistance, limit)
    )
    return float(current), float(voltage)
