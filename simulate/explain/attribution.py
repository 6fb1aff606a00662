"""Measures shared out among the causes, over every set of them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulate.explain.counterfactual import CAUSES, Factors
from simulate.explain.log_ratios import Measure, value_of
from simulate.explain.shapley import shapley_values

Doubles = NDArray[np.float64]


@dataclass(frozen=True)
class Attribution:
    """One measure, shared out among the causes.

    name, label : of the measure. observed : its value. log_ratio : what is shared out [-].
    shares : of each cause, as a log ratio [-]; they add to ``log_ratio``.
    alone : log ratio with one cause only. without : value of the measure with all but one.
    """

    name: str
    label: str
    observed: float
    log_ratio: float
    shares: Mapping[str, float]
    alone: Mapping[str, float]
    without: Mapping[str, float]

    def after(self, effects: Mapping[str, float]) -> float:
        """The measure's value after a change with such effects on log ratios, by measure."""
        log_ratio = self.log_ratio + effects.get(self.name, 0.0)
        return value_of(self.name, log_ratio)


def attribute(factors: Factors, measures: Iterable[Measure]) -> tuple[Attribution, ...]:
    """Share measures out among the causes; every set of causes is looked at."""
    measures, names = tuple(measures), tuple(CAUSES)
    worth = np.empty((len(measures), 1 << len(names)))
    for number in range(worth.shape[1]):
        depth = factors.depth(name for bit, name in enumerate(names) if number >> bit & 1)
        worth[:, number] = [one.log_ratio(depth) for one in measures]
    return tuple(_share_out(one, row) for one, row in zip(measures, worth, strict=True))


def _share_out(measure: Measure, worth: Doubles) -> Attribution:
    names, everything = tuple(CAUSES), worth.size - 1
    shares = shapley_values(worth)
    return Attribution(
        measure.name,
        measure.label,
        measure.value(worth[everything]),
        float(worth[everything]),
        {name: float(share) for name, share in zip(names, shares, strict=True)},
        {name: float(worth[1 << bit]) for bit, name in enumerate(names)},
        {name: measure.value(worth[everything ^ 1 << bit]) for bit, name in enumerate(names)},
    )
