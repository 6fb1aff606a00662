"""What unevenness is measured by: log ratios of a map of depth.

A log ratio makes shares of causes that multiply add. Evenness is 1 - standard deviation / mean,
which is no ratio; its log ratio here is that of the mean square depth to the squared mean,
``ln(<d^2> / <d>^2) = ln(1 + (1 - evenness)^2)``. It is 0 for an even etch, and adds for causes
that multiply the depth independently of each other.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, isfinite, log, nan, sqrt

import numpy as np
from numpy.typing import NDArray

from simulate.errors import Fault, InputError
from simulate.result.measures import rim_share
from simulate.result.result import Result
from simulate.stencil.measure import local_width
from simulate.stencil.shapes import openings

Doubles = NDArray[np.float64]
Point = tuple[float, float]
Spots = tuple[Point, Point]

QUARTER = 0.25
"""The narrowest and widest parts of the open area that are compared [-]."""

ONE_WIDTH = 1.1
"""Openings whose widest quarter is less than this times as wide as the narrowest are of one."""


@dataclass(frozen=True, eq=False)
class Measure:
    """A log ratio of a map of depth.

    Parameters
    ----------
    name : ``evenness``, ``edge_ratio``, ``narrow_to_wide`` or ``spots``.
    label : in words.
    upper, lower : weights of the cells, (ny, nx): the ratio is that of the mean depths under
        them. Without ``lower`` it is that of the mean square to the squared mean under ``upper``.
    """

    name: str
    label: str
    upper: Doubles
    lower: Doubles | None = None

    def log_ratio(self, depth: Doubles) -> float:
        """The log ratio of a map of depth [-]; not a number where nothing is etched."""
        if self.lower is None:
            above = float((self.upper * depth**2).sum() * self.upper.sum())
            below = float((self.upper * depth).sum()) ** 2
        else:
            above = float((self.upper * depth).sum() * self.lower.sum())
            below = float((self.lower * depth).sum() * self.upper.sum())
        return log(above / below) if above > 0.0 and below > 0.0 else nan

    def value(self, log_ratio: float) -> float:
        """The number people know: evenness for `evenness`, the ratio for the others."""
        return value_of(self.name, log_ratio)


def value_of(name: str, log_ratio: float) -> float:
    """The number people know for a log ratio of the measure ``name``."""
    if name == "evenness":
        return 1.0 - sqrt(max(exp(log_ratio) - 1.0, 0.0))
    return exp(log_ratio)


def measures_of(result: Result, spots: Spots | None = None) -> tuple[Measure, ...]:
    """What can be measured on a result.

    Evenness always; the edge ratio where some open area lies beyond the band along the rims; the
    narrow-to-wide ratio, mean depth of the quarter of the open area that lies in the narrowest
    parts of openings over that of the widest quarter, where widths differ; two spots if named.

    Parameters
    ----------
    spots : two places (x, y) [m], both in openings that the swab reached.

    Raises
    ------
    InputError : nothing was etched; a spot lies off the openings or was not etched.
    """
    area = result.open_area
    share = rim_share(result.rim_distance, result.x_edges, result.y_edges)
    found = [
        Measure("evenness", "evenness", area),
        Measure("edge_ratio", "edge ratio", area * share, area * (1.0 - share)),
    ]
    narrow, wide = narrow_and_wide(result)
    found.append(Measure("narrow_to_wide", "narrow to wide", narrow, wide))
    if spots is not None:
        found.append(Measure("spots", "spot A to spot B", *_spot_weights(result, spots)))
    measurable = tuple(one for one in found if isfinite(one.log_ratio(result.depth)))
    if not measurable:
        raise InputError(Fault("nothing was etched", "a swab that passes over an opening"))
    return measurable


def narrow_and_wide(result: Result) -> tuple[Doubles, Doubles]:
    """Weights of the open area in the narrowest and in the widest parts of the openings.

    Widths are those of `local_width`. All weights are 0 where there is but one width.
    """
    area = result.open_area
    width = local_width(openings(result.case.stencil), result.x, result.y)
    inside = (width > 0.0) & (area > 0.0)
    nothing = np.zeros_like(area)
    if not inside.any():
        return nothing, nothing
    order = np.argsort(width[inside], kind="stable")
    share = np.cumsum(area[inside][order]) / area[inside].sum()
    low, high = (
        float(width[inside][order][np.searchsorted(share, at)]) for at in (QUARTER, 1.0 - QUARTER)
    )
    if high < ONE_WIDTH * low:
        return nothing, nothing
    slack = 1e-9 * high
    narrow, wide = inside & (width <= low + slack), inside & (width >= high - slack)
    return area * narrow, area * wide


def _spot_weights(result: Result, spots: Spots) -> tuple[Doubles, Doubles]:
    weights, faults = [], []
    for key, (x, y) in zip(("at", "than"), spots, strict=True):
        weight = np.zeros_like(result.depth)
        i = int(np.searchsorted(result.x_edges, x, side="right")) - 1
        j = int(np.searchsorted(result.y_edges, y, side="right")) - 1
        words = f"{x * 1e3:g} mm, {y * 1e3:g} mm"
        if not (0 <= j < weight.shape[0] and 0 <= i < weight.shape[1]):
            faults.append(Fault("off the plate", "a place on it", key=key, value=words))
        elif result.open_fraction[j, i] <= 0.0:
            faults.append(Fault("under the mask", "a place in an opening", key=key, value=words))
        elif result.depth[j, i] <= 0.0:
            faults.append(Fault("not etched", "a place the swab reached", key=key, value=words))
        else:
            weight[j, i] = 1.0
        weights.append(weight)
    if faults:
        raise InputError(faults)
    return weights[0], weights[1]
