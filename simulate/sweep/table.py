"""Table of a sweep: a row for each case, as numbers and as comma-separated values."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simulate.case.case import Case
from simulate.sweep.axes import Axis

Doubles = NDArray[np.float64]

NUMBERS: Mapping[str, str] = MappingProxyType(
    {
        "mean_depth": "m",
        "max_depth": "m",
        "evenness": "1",
        "edge_ratio": "1",
        "duration": "s",
        "time_to_depth": "s",
        "peak_current": "A",
        "charge": "C",
        "energy": "J",
        "removed_mass": "kg",
    }
)
"""What is kept of each case, and its unit; `time_to_depth` is for the aim of the case."""


@dataclass(frozen=True)
class Row:
    """One case of a sweep.

    Parameters
    ----------
    values : of the axes, in their order.
    digest : of the case's text; "" where the values make no case.
    state : "done", "failed" or "waiting".
    numbers : see `NUMBERS`, SI; empty unless done.
    error : why it failed.
    """

    values: tuple[Any, ...]
    digest: str
    state: str = "waiting"
    numbers: Mapping[str, float] = field(default_factory=dict)
    error: str = ""


@dataclass(frozen=True, eq=False)
class Sweep:
    """What a sweep gave; `figures.draw_sweep` draws it.

    Parameters
    ----------
    case : the case that is varied.
    axes : what is varied.
    rows : one a case, in the order of the points.
    sampled : whether the points are a Latin hypercube; otherwise they are the full grid.
    """

    case: Case
    axes: tuple[Axis, ...]
    rows: tuple[Row, ...]
    sampled: bool = False

    def column(self, name: str) -> Doubles:
        """One of `NUMBERS` over the rows, (n,); nan where a case is not done."""
        return np.array([row.numbers.get(name, math.nan) for row in self.rows])

    def grid(self, name: str) -> Doubles:
        """One of `NUMBERS` over the axes, one dimension each, for a full grid."""
        return self.column(name).reshape([len(axis.values) for axis in self.axes])

    def count(self, state: str) -> int:
        """Rows in a state."""
        return sum(row.state == state for row in self.rows)

    @property
    def summary(self) -> dict[str, Any]:
        """Plain values, as printed by ``--json``."""
        return {
            "title": self.case.title,
            "keys": [axis.key for axis in self.axes],
            "states": {state: self.count(state) for state in ("done", "failed", "waiting")},
            "units": dict(NUMBERS),
            "rows": [
                {
                    "values": list(row.values),
                    "state": row.state,
                    "error": row.error,
                    **row.numbers,
                }
                for row in self.rows
            ],
        }

    @property
    def csv(self) -> str:
        """The rows as comma-separated values; the heading names keys and units."""
        text = io.StringIO()
        writer = csv.writer(text, lineterminator="\n")
        keys = [axis.key for axis in self.axes]
        writer.writerow([*keys, "state", *(f"{n} [{u}]" for n, u in NUMBERS.items()), "error"])
        for row in self.rows:
            numbers = [row.numbers.get(name, "") for name in NUMBERS]
            writer.writerow([*row.values, row.state, *numbers, row.error])
        return text.getvalue()

    def columns(self) -> Iterator[tuple[Axis, tuple[Any, ...]]]:
        """Each axis with its value in every row."""
        columns = zip(*(row.values for row in self.rows), strict=True)
        return zip(self.axes, columns, strict=True)
