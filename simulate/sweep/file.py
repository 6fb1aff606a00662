"""NetCDF-4 file of a sweep: written whole, read back."""

from __future__ import annotations

import itertools
import json
import os
from typing import Any

import numpy as np

from simulate.case.case import Case, parse_case
from simulate.errors import InputError, ResultError
from simulate.files import one_line, replacing
from simulate.stencil_files.store import DrawingFile, from_arrays, to_arrays
from simulate.sweep.axes import Axis, written
from simulate.sweep.table import NUMBERS, Row, Sweep

STORED = "sweep.nc"
"""Name of the file in a sweep's folder."""

STATES = ("waiting", "done", "failed")
"""States of a case by their number in the file."""

_OF_DRAWINGS = ("drawing_points", "drawing_rings")


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
    states = np.array([STATES.index(row.state) for row in sweep.rows])
    errors = {n: row.error for n, row in enumerate(sweep.rows) if row.error}
    with replacing(path) as part, h5netcdf.File(part, "w") as file:
        file.attrs["Conventions"] = "CF-1.11"
        file.attrs["title"] = f"Sweep of {sweep.case.title}"
        file.attrs["case_text"] = sweep.case.text
        file.attrs["errors"] = json.dumps(errors)
        file.dimensions = dict(zip(dims, sizes, strict=True))
        for (axis, column), name in zip(sweep.columns(), names, strict=True):
            values = column if sweep.sampled else axis.values
            where = dims if sweep.sampled else (name,)
            numbers = [axis.number(value) for value in values]
            named = None in numbers
            array = np.arange(len(values)) if named else np.array(numbers, dtype=float)
            variable = file.create_variable(name, where, array.dtype, data=array)
            variable.attrs["long_name"] = axis.key
            variable.attrs["units"] = axis.unit or "1"
            variable.attrs["case_values"] = json.dumps(list(values))
            if named:
                variable.attrs["values"] = ", ".join(str(value) for value in values)
        for number, unit in NUMBERS.items():
            data = sweep.column(number).reshape(sizes)
            variable = file.create_variable(number, dims, data.dtype, data=data)
            variable.attrs.update({"units": unit, "long_name": number.replace("_", " ")})
        if sweep.case.drawings:
            _write_drawings(file, sweep.case.drawings)
        data = states.reshape(sizes).astype(np.int8)
        variable = file.create_variable("state", dims, data.dtype, data=data)
        variable.attrs["flag_values"] = np.array([0, 1, 2], np.int8)
        variable.attrs["flag_meanings"] = "waiting done failed"


def _write_drawings(file: Any, drawings: tuple[DrawingFile, ...]) -> None:
    """The drawings of the case, so that a sweep can be read where their files are not."""
    file.attrs["drawings"], *arrays = to_arrays(drawings)
    for name, array in zip(_OF_DRAWINGS, arrays, strict=True):
        dims = (f"{name}_row", f"{name}_column")
        file.dimensions.update(dict(zip(dims, array.shape, strict=True)))
        file.create_variable(name, dims, array.dtype, data=array)


def read_sweep(path: str | os.PathLike[str]) -> Sweep:
    """Read what `write_sweep` wrote; digests of the cases are not kept.

    Raises
    ------
    ResultError : the file is missing, damaged or no sweep: one line.
    """
    import h5netcdf
    import h5py

    try:
        if not h5py.is_hdf5(path):
            raise ResultError(f"{path}: not a readable sweep")
        with h5netcdf.File(path, "r") as file:
            return _assemble(file)
    except (OSError, KeyError, ValueError, InputError) as error:
        raise ResultError(f"{path}: not a readable sweep: {one_line(error)}") from error


def _assemble(file: Any) -> Sweep:
    dims = file.variables["state"].dimensions
    sampled = dims == ("case",)
    known = {*NUMBERS, *_OF_DRAWINGS, "state", "case"}
    names = [name for name in file.variables if name not in known] if sampled else list(dims)
    columns = [_values(file.variables[name]) for name in names]
    axes = tuple(
        Axis(key, tuple(dict.fromkeys(values)) if sampled else tuple(values), unit)
        for (key, unit), values in zip(
            (_key_and_unit(file.variables[name]) for name in names), columns, strict=True
        )
    )
    points = zip(*columns, strict=True) if sampled else itertools.product(*columns)
    states = np.asarray(file.variables["state"][...]).ravel()
    numbers = {name: np.asarray(file.variables[name][...]).ravel() for name in NUMBERS}
    errors = json.loads(str(file.attrs["errors"]))
    rows = tuple(
        Row(
            tuple(point),
            "",
            STATES[int(states[n])],
            {name: float(v[n]) for name, v in numbers.items() if np.isfinite(v[n])},
            errors.get(str(n), ""),
        )
        for n, point in enumerate(points)
    )
    return Sweep(_case(file), axes, rows, sampled)


def _case(file: Any) -> Case:
    drawings: tuple[DrawingFile, ...] = ()
    if "drawings" in file.attrs:
        arrays = [np.asarray(file.variables[name][...]) for name in _OF_DRAWINGS]
        drawings = from_arrays(str(file.attrs["drawings"]), *arrays)
    return parse_case(str(file.attrs["case_text"]), "case.toml", drawings)


def _key_and_unit(variable: Any) -> tuple[str, str]:
    unit = str(variable.attrs["units"])
    return str(variable.attrs["long_name"]), "" if unit == "1" else unit


def _values(variable: Any) -> list[Any]:
    """The values in the case file's words."""
    if "case_values" in variable.attrs:
        return list(json.loads(str(variable.attrs["case_values"])))
    _, unit = _key_and_unit(variable)
    if "values" in variable.attrs:
        words = str(variable.attrs["values"]).split(", ")
        return [words[int(n)] for n in np.asarray(variable[...])]
    return [written(float(number), unit) for number in np.asarray(variable[...])]
