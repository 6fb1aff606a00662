"""NetCDF-4 file of a result: written whole, read back exactly.

CF-1.11 attributes. Etching has no standard names in the CF table, so none are given; `long_name`
and `units` are on everything.
"""

from __future__ import annotations

import dataclasses
import json
import os
from collections.abc import Mapping
from typing import Any

import numpy as np

from simulate.case.case import Case, parse_case
from simulate.errors import InputError, ResultError
from simulate.files import one_line, replacing
from simulate.result.result import FORMAT, OPTIONAL, VARIABLES, Result, attributes, labelled
from simulate.stencil_files.store import DrawingFile, from_arrays


def write_result(result: Result, path: str | os.PathLike[str]) -> None:
    """Write a result as NetCDF-4 with CF-1.11 attributes; an existing file is replaced.

    Kept maps of current density are single precision; all else is double. Each map is compressed
    without loss and carries checksums.

    Parameters
    ----------
    result : what to write; the source text of its case goes with it.
    path : name of the file, usually ``*.nc``.

    Raises
    ------
    ResultError
        If the case has no source text, the text describes another case, or the disk refuses.
    """
    _check_text(result.case)
    import h5netcdf

    arrays = labelled(result)
    sizes = {
        dim: n
        for dims, array, _ in arrays.values()
        for dim, n in zip(dims, array.shape, strict=True)
    }
    with replacing(path) as part, h5netcdf.File(part, "w") as file:
        file.attrs.update(attributes(result))
        file.dimensions = {dim: n for dim, n in sizes.items() if n}
        for name, (dims, array, notes) in arrays.items():
            if array.size:
                _write_variable(file, name, dims, array, notes)


def _write_variable(
    file: Any, name: str, dims: tuple[str, ...], array: np.ndarray, notes: dict[str, str]
) -> None:
    """One variable; stacks of maps are cut so that a single map can be read alone."""
    chunks = (1, *array.shape[1:]) if array.ndim == 3 else array.shape
    variable = file.create_variable(
        name,
        dims,
        array.dtype,
        data=array,
        chunks=chunks,
        compression="gzip",
        compression_opts=4,
        shuffle=True,
        fletcher32=True,
    )
    variable.attrs.update(notes)
    if dims[0] in ("stop", "sample") and name != "time":
        variable.attrs["coordinates"] = "time" if dims[0] == "stop" else "sample_stop"


def _check_text(case: Case) -> None:
    """Raise ResultError unless the case's source text describes the case."""
    try:
        name = case.path or "case.toml"
        same = bool(case.text) and parse_case(case.text, name, case.drawings) == case
    except InputError:
        same = False
    if not same:
        raise ResultError("the text of the case does not describe it, so it could not be read back")


def read_result(path: str | os.PathLike[str]) -> Result:
    """Read what `write_result` wrote, exactly.

    Raises
    ------
    ResultError
        If the file is missing, damaged, not a result, or of a later format: one line.
    """
    try:
        import h5py  # h5netcdf complains on the terminal when it cannot open a damaged file

        with h5py.File(path, "r") as file:
            found = {name: _scalar(value) for name, value in file.attrs.items()}
            _check_format(path, found)
            arrays = {name: np.asarray(file[name][...]) for name in file}
        return _assemble(found, arrays)
    except ResultError:
        raise
    except Exception as error:  # a damaged HDF5 file raises errors of any class
        raise ResultError(
            f"{path}: not a readable result: {one_line(error)}; "
            "expected: a run folder or its result.nc, as etch leaves them"
        ) from error


def _scalar(value: Any) -> Any:
    """A global attribute as a plain value: the file keeps a number as an array of one."""
    return value.item() if isinstance(value, np.ndarray) and value.size == 1 else value


def _check_format(path: str | os.PathLike[str], attributes: Mapping[str, Any]) -> None:
    """Raise ResultError unless the file is a result of a format this version reads."""
    if "swabfield_format" not in attributes:
        raise ResultError(f"{path}: a NetCDF file, but not a result of swabfield")
    number = int(attributes["swabfield_format"])
    if number != FORMAT:
        raise ResultError(f"{path}: written in format {number}; this version reads {FORMAT}")


def _assemble(attributes: Mapping[str, Any], arrays: Mapping[str, np.ndarray]) -> Result:
    """The `Result` that a file's attributes and arrays describe."""
    edges = {
        f"{name}_edges": np.append(bounds[:, 0], bounds[-1, 1])
        for name, bounds in (("x", arrays["x_bounds"]), ("y", arrays["y_bounds"]))
    }
    sizes = {"y": arrays["y"].size, "x": arrays["x"].size, "stop": 0, "sample": 0}
    empty = {
        name: np.zeros([sizes[dim] for dim in variable.dims])
        for name, variable in VARIABLES.items()
        if name not in OPTIONAL and variable.dims[0] in ("stop", "sample")
    }
    names = {entry.name for entry in dataclasses.fields(Result)}
    drawings: tuple[DrawingFile, ...] = ()
    if "drawings" in attributes:
        stored = arrays["drawing_points"], arrays["drawing_rings"]
        drawings = from_arrays(str(attributes["drawings"]), *stored)
    return Result(
        case=parse_case(str(attributes["case_text"]), str(attributes["case_name"]), drawings),
        numerical=json.loads(attributes["numerical_error"]),
        statistics=json.loads(attributes["statistics"]),
        ledgers=json.loads(attributes.get("ledgers", "{}")),
        remarks=tuple(json.loads(attributes.get("remarks", "[]"))),
        partial=bool(attributes["partial"]),
        **edges,
        **(empty | {name: array for name, array in arrays.items() if name in names}),
    )
