"""Why the depth of one result is what it is: factors, causes, and the change that helps most."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simulate.explain import sentences
from simulate.explain.attribution import Attribution, attribute
from simulate.explain.counterfactual import CAUSES, Factors, factors_of
from simulate.explain.log_ratios import Spots, measures_of
from simulate.explain.sensitivity import Change, Sensitivities, sensitivities
from simulate.result.result import Result

Doubles = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Explanation:
    """Why the depth of a result is what it is.

    Parameters
    ----------
    result : what is explained.
    factors : maps of every cause; see `counterfactual`.
    attributions : of evenness, edge ratio, narrow-to-wide ratio and spots, as far as they exist.
    sensitivities : single changes and their error, None if they were not asked for.
    spots : the two places A and B [m], None if none were named.
    """

    result: Result
    factors: Factors
    attributions: tuple[Attribution, ...]
    sensitivities: Sensitivities | None = None
    spots: Spots | None = None

    @property
    def wet_time(self) -> Doubles:
        """First factor of depth: time under the wet patch of the swab [s], (ny, nx)."""
        return self.factors.time

    @property
    def mean_density(self) -> Doubles:
        """Second factor: mean current density while wet [A/m2], (ny, nx)."""
        charge, time = self.result.charge_density, self.wet_time
        return np.asarray(np.divide(charge, time, out=np.zeros_like(charge), where=time > 0.0))

    @property
    def depth_per_charge(self) -> Doubles:
        """Third factor: depth over charge density [m per C/m2], (ny, nx)."""
        depth, charge = self.result.depth, self.result.charge_density
        return np.asarray(np.divide(depth, charge, out=np.zeros_like(depth), where=charge > 0.0))

    @property
    def changes(self) -> tuple[Change, ...]:
        """Single changes, the most helpful first."""
        return () if self.sensitivities is None else self.sensitivities.changes

    @property
    def sentences(self) -> dict[str, str]:
        """One sentence for each cause."""
        return {cause: sentences.cause_sentence(cause, self.attributions) for cause in CAUSES}

    @property
    def leading(self) -> str:
        """One sentence: the cause that would help most if it alone were taken away."""
        return sentences.leading_sentence(self.attributions)

    @property
    def advice(self) -> tuple[str, ...]:
        """One sentence for each change, the most helpful first."""
        return tuple(sentences.change_sentence(one, self.attributions) for one in self.changes)

    @property
    def summary(self) -> dict[str, Any]:
        """All findings as a plain dict, ready for JSON; log ratios are dimensionless."""
        found: dict[str, Any] = {
            "title": self.result.case.title,
            "measures": {
                one.name: {
                    "observed": one.observed,
                    "log_ratio": one.log_ratio,
                    "shares": dict(one.shares),
                    "alone": dict(one.alone),
                    "without": dict(one.without),
                }
                for one in self.attributions
            },
            "sentences": self.sentences,
            "leading": self.leading,
            "numerical_error": dict(self.result.numerical),
        }
        if self.sensitivities is not None:
            found["changes"] = [
                {"name": one.name, "factor": one.factor, "time": one.time}
                | {"effects": dict(one.effects), "words": words}
                for one, words in zip(self.changes, self.advice, strict=True)
            ]
            found["changes_error"] = dict(self.sensitivities.error)
        return found


def explain_result(
    result: Result,
    spots: Spots | None = None,
    *,
    changes: bool = True,
    progress: Callable[[int, int], None] | None = None,
) -> Explanation:
    """Take a result apart into its causes.

    The case is solved again, on the run's own cells, without each of the causes; shares are
    Shapley values over all sets of causes, and add to the observed log ratios to rounding.

    Parameters
    ----------
    spots : two places (x, y) [m]: why is the first deeper than the second?
    changes : whether single changes are tried as well, on coarser cells.
    progress : called with the steps done and the steps there are.

    Raises
    ------
    InputError : nothing was etched, or a spot was not.
    """
    measures = measures_of(result, spots)
    factors = factors_of(result, progress)
    attributions = attribute(factors, measures)
    tried = sensitivities(result, spots, progress=progress) if changes else None
    return Explanation(result, factors, attributions, tried, spots)
