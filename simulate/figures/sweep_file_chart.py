"""The design chart of a sweep that lies on the disk."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from simulate.errors import Fault, InputError, ResultError
from simulate.figures.design_chart import SHOWN, design_chart
from simulate.figures.style import check_known

if TYPE_CHECKING:
    from matplotlib.figure import Figure

STORED = "sweep.nc"
"""The file in a sweep's folder that holds its numbers."""


def stored_chart(folder: Path, show: str = "evenness") -> Figure:
    """One number of a stored sweep against its variables; see `design_chart`.

    Parameters
    ----------
    folder : as `sweep` leaves it. show : which number.

    Raises
    ------
    InputError : the number is not known, or no case of the sweep is done.
    ResultError : the file cannot be read.
    """
    import h5netcdf
    import h5py

    check_known("--show", (show,), SHOWN)
    path = folder / STORED
    try:
        if not h5py.is_hdf5(path):
            raise ResultError(f"{path}: not a readable sweep")
        with h5netcdf.File(path, "r") as file:
            title = str(file.attrs["title"]).removeprefix("Sweep of ")
            dims = file.variables[show].dimensions
            values = np.asarray(file.variables[show][...], dtype=float)
            sides = [_Side(name, file.variables[name]) for name in _axes(file, dims)]
    except (OSError, KeyError) as error:
        raise ResultError(f"{path}: not a readable sweep: {error}") from error
    if not np.isfinite(values).any():
        raise InputError(Fault("has no finished case", "a sweep with results", file=str(path)))
    sampled = dims == ("case",)
    numbers = [side.numbers for side in sides]
    points = numbers if sampled else [one.ravel() for one in np.meshgrid(*numbers, indexing="ij")]
    named = [
        [None] * values.size if side.names else list(at)
        for side, at in zip(sides, points, strict=True)
    ]
    return design_chart(
        title,
        [side.label for side in sides],
        named,
        [side.names or [f"{value:g}" for value in side.numbers] for side in sides],
        show,
        values.ravel(),
        sampled=sampled,
    )


def _axes(file: Any, dims: tuple[str, ...]) -> list[str]:
    """Names of what was varied: the dimensions of a full grid, or variables over the cases."""
    if dims != ("case",):
        return list(dims)
    return [name for name in file.variables if name not in {*SHOWN, "state", "case"}]


class _Side:
    """One variable of a stored sweep: its label, numbers, and names where these are words."""

    def __init__(self, name: str, variable: Any) -> None:
        attributes = variable.attrs
        unit = str(attributes["units"])
        words = str(attributes["long_name"]).replace("_", " ").replace(".", " ")
        self.label = words if unit == "1" else f"{words} ({unit})"
        self.numbers = np.asarray(variable[...], dtype=float)
        named = str(attributes["values"]) if "values" in attributes else ""
        self.names = named.split(", ") if named else []
