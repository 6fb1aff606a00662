"""What a sweep leaves: a row for each case, as numbers, as a table, as a chart, as a file."""

from __future__ import annotations

import csv
import io
import json
import math
import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simulate.case.case import Case
from simulate.files import replacing
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
    """What a sweep gave; it draws itself by `draw`.

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

    def draw(self, path: str | os.PathLike[str], show: str = "evenness") -> None:
        """Draw the design chart to a file, png, svg or pdf by its ending.

        show : which of `NUMBERS`.
        """
        from simulate.figures.design_chart import design_chart
        from simulate.figures.style import check_known, save_figure

        check_known("show", (show,), NUMBERS)
        points = [[axis.number(v) for v in column] for axis, column in self._columns()]
        labels = [axis.label for axis in self.axes]
        names = [[str(value) for value in axis.values] for axis in self.axes]
        chart = design_chart(
            self.case.title, labels, points, names, show, self.column(show), sampled=self.sampled
        )
        save_figure(chart, path)

    def _columns(self) -> Iterator[tuple[Axis, tuple[Any, ...]]]:
        columns = zip(*(row.values for row in self.rows), strict=True)
        return zip(self.axes, columns, strict=True)


def write_sweep(sweep: Sweep, path: str | os.PathLike[str]) -> None:
    """Write a sweep as NetCDF-4: one dimension an axis for a full grid, else one for the cases.

    Raises
    ------
    ResultError : the disk refuses.
    """
    import h5netcdf

    names = [axis.key.replace(".", "_") for axis in sweep.axes]
    dims = ("case",) if sweep.sampled else tuple(names)
    sizes = [len(sweep.rows)] if sweep.sampled else [len(axis.values) for axis in sweep.axes]
    states = np.array([("waiting", "done", "failed").index(row.state) for row in sweep.rows])
    errors = {n: row.error for n, row in enumerate(sweep.rows) if row.error}
    with replacing(path) as part, h5netcdf.File(part, "w") as file:
        file.attrs["Conventions"] = "CF-1.11"
        file.attrs["title"] = f"Sweep of {sweep.case.title}"
        file.attrs["case_text"] = sweep.case.text
        file.attrs["errors"] = json.dumps(errors)
        file.dimensions = dict(zip(dims, sizes, strict=True))
        for (axis, column), name in zip(sweep._columns(), names, strict=True):
            values = column if sweep.sampled else axis.values
            where = dims if sweep.sampled else (name,)
            numbers = [axis.number(value) for value in values]
            named = None in numbers
            array = np.arange(len(values)) if named else np.array(numbers, dtype=float)
            variable = file.create_variable(name, where, array.dtype, data=array)
            variable.attrs["long_name"] = axis.key
            variable.attrs["units"] = axis.unit or "1"
            if named:
                variable.attrs["values"] = ", ".join(str(value) for value in values)
        for number, unit in NUMBERS.items():
            data = sweep.column(number).reshape(sizes)
            variable = file.create_variable(number, dims, data.dtype, data=data)
            variable.attrs.update({"units": unit, "long_name": number.replace("_", " ")})
        data = states.reshape(sizes).astype(np.int8)
        variable = file.create_variable("state", dims, data.dtype, data=data)
        variable.attrs["flag_values"] = np.array([0, 1, 2], np.int8)
        variable.attrs["flag_meanings"] = "waiting done failed"
