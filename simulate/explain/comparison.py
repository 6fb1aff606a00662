"""Several results beside each other: what differs by more than the stated errors.

Two values differ if they are farther apart than their numerical errors together; otherwise they
are called equal. A band, the range by uncertain inputs, is given beside the mean depth and is no
part of that verdict: inputs that two cases share move both alike.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import isfinite, nan
from typing import Any

from simulate.errors import Fault, InputError
from simulate.estimate.forecast import forecast_of
from simulate.estimate.inputs import bench_of
from simulate.explain.log_ratios import measures_of
from simulate.materials.battery import Battery, capacity
from simulate.result.result import Result
from simulate.run.local_solve import TOLERANCE

SHARED = ("window_rim", "interpolation", "surface_blocks")
"""Errors of a run that touch every quantity."""

SOLVED = 0.1 * TOLERANCE
"""Error that the solves leave in every quantity [-]."""

LEAST, MOST = 2, 8
"""So many results can be set beside each other."""


@dataclass(frozen=True)
class Row:
    """One quantity of every result.

    Parameters
    ----------
    name, label : of the quantity. unit : of the values (SI). shown : unit people read.
    values : one for each result; not a number where it does not exist.
    errors : numerical error of each, in the unit of the values.
    bands : low and high by uncertain inputs for each, or none.
    """

    name: str
    label: str
    unit: str
    shown: str
    values: tuple[float, ...]
    errors: tuple[float, ...]
    bands: tuple[tuple[float, float], ...] = ()

    @property
    def verdicts(self) -> tuple[str, ...]:
        """Each value against the first: ``equal``, ``more``, ``less``; ``none`` without a value."""
        return tuple(self._against(n) for n in range(len(self.values)))

    @property
    def differs(self) -> bool:
        """Whether any two values are farther apart than their errors."""
        known = [n for n, value in enumerate(self.values) if isfinite(value)]
        return any(
            abs(self.values[a] - self.values[b]) > self.errors[a] + self.errors[b]
            for a in known
            for b in known
        )

    def _against(self, number: int) -> str:
        first, this = self.values[0], self.values[number]
        if not (isfinite(first) and isfinite(this)):
            return "none"
        if abs(this - first) <= self.errors[0] + self.errors[number]:
            return "equal"
        return "more" if this > first else "less"


@dataclass(frozen=True, eq=False)
class Comparison:
    """Results beside each other: their names, and a row for each quantity."""

    names: tuple[str, ...]
    results: tuple[Result, ...]
    rows: tuple[Row, ...]

    def row(self, name: str) -> Row:
        """The row of a quantity; KeyError if there is none."""
        return {row.name: row for row in self.rows}[name]

    @property
    def grid_error_stated(self) -> bool:
        """Whether every result states the error of its cells, and not only of rim and stops."""
        return all("mean_depth" in result.numerical for result in self.results)

    @property
    def summary(self) -> dict[str, Any]:
        """All of it as a plain dict, ready for JSON; values in SI."""
        return {
            "names": list(self.names),
            "grid_error_stated": self.grid_error_stated,
            "rows": {
                row.name: {
                    "unit": row.unit,
                    "values": [_plain(value) for value in row.values],
                    "errors": [_plain(error) for error in row.errors],
                    "bands": [list(band) for band in row.bands],
                    "against_the_first": list(row.verdicts),
                    "differs": row.differs,
                }
                for row in self.rows
            },
        }


def _plain(value: float) -> float | None:
    return value if isfinite(value) else None


def compare_results(results: Sequence[Result], names: Sequence[str] | None = None) -> Comparison:
    """Set results beside each other.

    Parameters
    ----------
    results : two to eight.
    names : one for each, all different; titles of the cases if not given.

    Raises
    ------
    InputError : too few, too many, or names that do not tell them apart.
    """
    results = tuple(results)
    names = told_apart([r.case.title for r in results]) if names is None else tuple(names)
    faults = []
    if not LEAST <= len(results) <= MOST:
        expected = f"{LEAST} to {MOST}"
        faults.append(Fault("cannot be set beside each other", expected, value=str(len(results))))
    if len(names) != len(results) or len(set(names)) != len(names):
        faults.append(Fault("names do not tell the results apart", key="names", value=str(names)))
    if faults:
        raise InputError(faults)
    return Comparison(names, results, tuple(_rows(results)))


def told_apart(names: Sequence[str]) -> tuple[str, ...]:
    """Names, numbered where some are the same or empty."""
    return tuple(
        f"{name} ({n + 1})".strip() if names.count(name) > 1 or not name else name
        for n, name in enumerate(names)
    )


def _rows(results: Sequence[Result]) -> list[Row]:
    def row(name: str, words: tuple[str, str, str], values: list[float], kind: str) -> Row:
        errors = [
            abs(value) * stated_error(result, kind) if isfinite(value) else 0.0
            for result, value in zip(results, values, strict=True)
        ]
        return Row(name, *words, tuple(values), tuple(errors))

    def taken(key: str) -> list[float]:
        values = [result.summary[key]["value"] for result in results]
        return [nan if value is None else value for value in values]

    mean = taken("mean_depth")
    depth = row("mean_depth", ("mean depth", "m", "um"), mean, "mean_depth")
    bands = tuple(_band(result, value) for result, value in zip(results, mean, strict=True))
    return [
        replace(depth, bands=bands),
        row("evenness", ("evenness", "1", ""), taken("evenness"), "evenness"),
        row("edge_ratio", ("edge ratio", "1", ""), taken("edge_ratio"), "edge_ratio"),
        row(
            "narrow_to_wide",
            ("narrow to wide", "1", ""),
            [_narrow_to_wide(result) for result in results],
            "edge_ratio",
        ),
        row(
            "time_to_depth",
            ("time to depth", "s", "s"),
            [time_to_depth(result) for result in results],
            "mean_depth",
        ),
        row("peak_current", ("peak current", "A", "A"), taken("peak_current"), "current"),
        row("charge", ("charge", "C", "C"), taken("charge"), "current"),
        row("energy", ("heat in the cell", "J", "J"), taken("energy"), "current"),
        row(
            "battery",
            ("battery used", "1", "%"),
            [battery_share(result) for result in results],
            "current",
        ),
    ]


def stated_error(result: Result, quantity: str) -> float:
    """Relative numerical error of a quantity [-]: all that the run states and that touches it.

    The error of cells and stops is the quantity's own, where the run was asked for it; otherwise
    that of the spacing of stops stands for it, and the error of the cells is not in it.
    """
    known = {name: abs(value) for name, value in result.numerical.items() if isfinite(value)}
    parts = [known.get(name, 0.0) for name in SHARED]
    parts.append(known.get(quantity, known.get("stop_spacing", 0.0)))
    return sum(parts) + SOLVED


def _narrow_to_wide(result: Result) -> float:
    try:
        found = {one.name: one for one in measures_of(result)}
    except InputError:  # nothing was etched
        return nan
    one = found.get("narrow_to_wide")
    return nan if one is None else one.value(one.log_ratio(result.depth))


def time_to_depth(result: Result) -> float:
    """Time until the mean depth is that of the aim, at the run's own pace [s]; not a number
    without an aim."""
    aim, mean = result.case.aim.depth, result.summary["mean_depth"]["value"]
    return nan if aim is None or not mean else float(result.duration * aim / mean)


def battery_share(result: Result) -> float:
    """Share of a fresh battery that the run uses [-]; not a number without a battery."""
    source = result.case.supply.source
    charge = float((result.current * result.dwell).sum())
    if not isinstance(source, Battery) or charge <= 0.0:
        return nan
    return charge / capacity(source, charge / float(result.dwell.sum()))


def _band(result: Result, value: float) -> tuple[float, float]:
    """Range of the mean depth by uncertain inputs [m], in the proportions of the forecast."""
    depth = forecast_of(bench_of(result.case)).depth
    if not depth.value > 0.0:
        return value, value
    return value * depth.low / depth.value, value * depth.high / depth.value
