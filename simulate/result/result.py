"""The result of a case, with coordinates and units; NetCDF both ways.

A `Result` holds the plan maps [y, x], the history of the stops, and a few maps of current
density at chosen stops. One table, `VARIABLES`, says for each array its dimensions, unit, meaning
and type; the constructor, the file and the labelled data set all follow it.

The file is NetCDF-4 with CF-1.11 attributes. Etching has no standard names in the CF table, so
none are given; `long_name` and `units` are on everything.
"""

from __future__ import annotations

import contextlib
import dataclasses
import json
import math
import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from importlib import metadata
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from simulate.case.case import Case, parse_case
from simulate.errors import Fault, InputError, ResultError, SwabfieldError
from simulate.materials.metals import Metal
from simulate.materials.removal import layers
from simulate.stencil_files.store import DrawingFile, from_arrays, to_arrays

if TYPE_CHECKING:
    import xarray

FORMAT = 1
"""Number of the file's format; raised whenever an older reader would misread a newer file."""

RIM_BAND = 1e-4
"""Width of the band along an opening's rim that the edge ratio looks at [m]."""


class Variable(NamedTuple):
    """What one array of a result is: dimensions, unit (SI, CF spelling), meaning, type."""

    dims: tuple[str, ...]
    units: str
    long_name: str
    dtype: type = np.float64


_MAP = ("y", "x")
_STOP = ("stop",)

VARIABLES: Mapping[str, Variable] = MappingProxyType(
    {
        "depth": Variable(_MAP, "m", "depth of etch below the unetched metal"),
        "contact_time": Variable(_MAP, "s", "time under the contact patch of the swab"),
        "charge_density": Variable(_MAP, "C m-2", "anodic charge passed per open area"),
        "peak_density": Variable(_MAP, "A m-2", "highest anodic current density of any stop"),
        "open_fraction": Variable(_MAP, "1", "fraction of the cell left open by the stencil"),
        "rim_distance": Variable(_MAP, "m", "distance to the nearest rim of an opening"),
        "time": Variable(_STOP, "s", "time at which the stop begins"),
        "dwell": Variable(_STOP, "s", "length of the stop"),
        "current": Variable(_STOP, "A", "current through the cell"),
        "voltage": Variable(_STOP, "V", "voltage between plate and cathode"),
        "swab_x": Variable(_STOP, "m", "swab position along the plate"),
        "swab_y": Variable(_STOP, "m", "swab position across the plate"),
        "rewet": Variable(_STOP, "1", "1 where the swab is wetted again before the stop", np.bool_),
        "temperature": Variable(_STOP, "K", "temperature of the swab"),
        "conductivity_factor": Variable(
            _STOP, "1", "conductivity of the swab over that of the fresh one"
        ),
        "acid": Variable(_STOP, "1", "acid left in the swab over that of the fresh one"),
        "saturation": Variable(_STOP, "1", "liquid in the swab over that of the fresh one"),
        "gas": Variable(_STOP, "1", "share of gas in the liquid of the swab by volume"),
        "sample_stop": Variable(("sample",), "1", "stop at which the map was kept", np.int64),
        "sample_density": Variable(
            ("sample", *_MAP), "A m-2", "anodic current density at the kept stop", np.float32
        ),
        "sample_depth": Variable(
            ("sample", *_MAP), "m", "depth of etch at the end of the kept stop", np.float32
        ),
    }
)
Labelled = tuple[tuple[str, ...], np.ndarray, dict[str, str]]
"""Dimensions, values and attributes of a variable."""

OPTIONAL = frozenset(
    {"temperature", "conductivity_factor", "acid", "saturation", "gas", "sample_depth"}
)
"""Variables a result may lack."""


@dataclass(frozen=True, eq=False)
class Result:
    """What one case gave. Every array is copied in and made read-only.

    Parameters
    ----------
    case : the case that was etched.
    x_edges, y_edges : edges of the map's cells [m], shapes (nx + 1,), (ny + 1,), increasing.
    depth : depth of etch [m], (ny, nx); in a partly open cell, of its open part.
    contact_time : time under the contact patch [s], (ny, nx).
    charge_density : charge per open area [C/m2], (ny, nx).
    peak_density : highest current density of any stop [A/m2], (ny, nx).
    open_fraction : open part of each cell [-], 0 to 1, (ny, nx).
    rim_distance : distance from the cell's centre to the nearest rim [m], (ny, nx).
    time, dwell : when each stop begins and how long it lasts [s], (n_stops,).
    current, voltage : through [A] and across [V] the cell during the stop, (n_stops,).
    swab_x, swab_y : position of the contact patch's centre [m], (n_stops,).
    rewet : True where the swab is wetted again just before the stop, (n_stops,).
    temperature : of the swab in the middle of the stop [K], (n_stops,), or None where its state
        was not followed; so are the next four.
    conductivity_factor, acid, saturation : of the swab, over the fresh one [-], (n_stops,).
    gas : share of the liquid's volume [-], (n_stops,).
    sample_stop : stops whose map of current density was kept, (m,).
    sample_density : those maps [A/m2], (m, ny, nx), single precision.
    sample_depth : depth at the end of each kept stop [m], (m, ny, nx), single precision, or None
        where it was not followed.
    numerical : estimated numerical errors, relative [-], by the quantity they belong to.
    ledgers : budgets of charge, energy, water, acid, metal in SI, each with an ``imbalance`` [-].
    remarks : what a person should know of the run, in words.
    statistics : counts of the work done, such as ``solves`` and ``iterations``, and ``seconds``,
        which are not kept in a file.
    partial : True if the run was stopped before the end of the stroke.

    Raises
    ------
    InputError
        If an array's shape does not fit, or the edges do not increase.
    """

    case: Case
    x_edges: np.ndarray
    y_edges: np.ndarray
    depth: np.ndarray
    contact_time: np.ndarray
    charge_density: np.ndarray
    peak_density: np.ndarray
    open_fraction: np.ndarray
    rim_distance: np.ndarray
    time: np.ndarray
    dwell: np.ndarray
    current: np.ndarray
    voltage: np.ndarray
    swab_x: np.ndarray
    swab_y: np.ndarray
    rewet: np.ndarray
    sample_stop: np.ndarray
    sample_density: np.ndarray
    temperature: np.ndarray | None = None
    sample_depth: np.ndarray | None = None
    conductivity_factor: np.ndarray | None = None
    acid: np.ndarray | None = None
    saturation: np.ndarray | None = None
    gas: np.ndarray | None = None
    numerical: Mapping[str, float] = field(default_factory=dict)
    statistics: Mapping[str, float] = field(default_factory=dict)
    ledgers: Mapping[str, Mapping[str, float]] = field(default_factory=dict)
    remarks: tuple[str, ...] = ()
    partial: bool = False

    def __post_init__(self) -> None:
        """Copy, check and freeze the arrays."""
        arrays = {
            "x_edges": _frozen(self.x_edges, np.float64),
            "y_edges": _frozen(self.y_edges, np.float64),
        }
        for name, variable in VARIABLES.items():
            value = getattr(self, name)
            if value is not None:
                arrays[name] = _frozen(value, variable.dtype)
        _check_shapes(arrays)
        for name, array in arrays.items():
            object.__setattr__(self, name, array)
        object.__setattr__(self, "numerical", dict(self.numerical))
        object.__setattr__(self, "statistics", dict(self.statistics))
        ledgers = {name: dict(ledger) for name, ledger in self.ledgers.items()}
        object.__setattr__(self, "ledgers", ledgers)
        object.__setattr__(self, "remarks", tuple(self.remarks))

    @property
    def x(self) -> np.ndarray:
        """Centres of the cells along the plate [m], (nx,)."""
        return np.asarray(0.5 * (self.x_edges[:-1] + self.x_edges[1:]))

    @property
    def y(self) -> np.ndarray:
        """Centres of the cells across the plate [m], (ny,)."""
        return np.asarray(0.5 * (self.y_edges[:-1] + self.y_edges[1:]))

    @property
    def open_area(self) -> np.ndarray:
        """Open area of each cell [m2], (ny, nx)."""
        cells = np.outer(np.diff(self.y_edges), np.diff(self.x_edges))
        return np.asarray(self.open_fraction * cells)

    @property
    def duration(self) -> float:
        """Time from the start to the end of the last stop done [s]."""
        return float(self.time[-1] + self.dwell[-1]) if self.time.size else 0.0

    @property
    def summary(self) -> dict[str, Any]:
        """The result in a few numbers, ready for JSON.

        A quantity is ``{"value": number, "unit": SI unit}``; a value that does not exist (an
        edge ratio where all the open area lies in the band) is None. The words mean:

        - mean_depth, max_depth: over the open area, weighted by it.
        - evenness: 1 - standard deviation / mean of depth over the open area.
        - edge_ratio: mean depth within 0.1 mm of a rim / mean depth of the rest.
        - charge, peak_current, energy: what passed through the cell; energy is that given up
          between plate and cathode, the loss inside the supply is not in it.
        """
        return _summarise(self)

    def to_xarray(self) -> xarray.Dataset:
        """The result as a labelled data set; needs the extra ``analysis``.

        Raises
        ------
        ResultError
            If xarray is not installed.
        """
        try:
            import xarray
        except ImportError as error:
            raise ResultError(
                "labelled data sets need xarray: pip install 'swabfield[analysis]'"
            ) from error
        arrays = _labelled(self)
        coordinates = {name: arrays.pop(name) for name in ("x", "y", "time", "sample_stop")}
        return xarray.Dataset(arrays, coords=coordinates, attrs=_attributes(self))


def _frozen(value: Any, dtype: type) -> np.ndarray:
    """A read-only, C-ordered array that nobody else can write to."""
    array: np.ndarray = np.array(value, dtype=dtype, order="C")
    array.setflags(write=False)
    return array


def _check_shapes(arrays: Mapping[str, np.ndarray]) -> None:
    """Raise InputError with every array whose shape or order is wrong."""
    faults = []
    for name in ("x_edges", "y_edges"):
        edges = arrays[name]
        if edges.ndim != 1 or edges.size < 2 or not np.all(np.diff(edges) > 0):
            faults.append(Fault("edges do not increase", "a rising array of 2 or more", key=name))
    sizes = {
        "x": arrays["x_edges"].size - 1,
        "y": arrays["y_edges"].size - 1,
        "stop": arrays["time"].size,
        "sample": arrays["sample_stop"].size,
    }
    for name, variable in VARIABLES.items():
        if name in arrays:
            shape = tuple(sizes[dim] for dim in variable.dims)
            if arrays[name].shape != shape:
                faults.append(Fault(f"has shape {arrays[name].shape}", str(shape), key=name))
    if faults:
        raise InputError(faults)


# --- the numbers ------------------------------------------------------------------------------


def _quantity(value: float, unit: str) -> dict[str, Any]:
    """A number with its unit; not-a-number becomes None, since JSON has none."""
    return {"value": float(value) if math.isfinite(value) else None, "unit": unit}


def _mean(values: np.ndarray, weight: np.ndarray) -> float:
    """Weighted mean; not-a-number where there is no weight."""
    total = float(weight.sum())
    return float((values * weight).sum()) / total if total > 0.0 else math.nan


def rim_share(result: Result) -> np.ndarray:
    """Share of each cell within `RIM_BAND` of a rim, as for a straight rim along the cell [-].

    The share passes from 1 to 0 over one cell width, so that the edge ratio does not jump
    when a cell centre crosses the line.
    """
    width = np.sqrt(np.outer(np.diff(result.y_edges), np.diff(result.x_edges)))
    return np.asarray(np.clip((RIM_BAND - result.rim_distance) / width + 0.5, 0.0, 1.0))


def _mass_of(metal: Metal, depth: np.ndarray) -> np.ndarray:
    """Mass per area that a depth of a metal's layers makes [kg/m2]."""
    mass, left = np.zeros_like(depth), depth
    for layer, thickness in layers(metal):
        taken = np.minimum(left, thickness)
        mass, left = mass + taken * layer.density.value, left - taken
    return mass


def _summarise(result: Result) -> dict[str, Any]:
    """The dict of `Result.summary`."""
    area, depth = result.open_area, result.depth
    mean = _mean(depth, area)
    deviation = math.sqrt(_mean((depth - mean) ** 2, area))
    share = rim_share(result)
    rest = _mean(depth, area * (1.0 - share))
    volume = float((depth * area).sum())
    current, dwell = result.current, result.dwell
    return {
        "title": result.case.title,
        "partial": result.partial,
        "duration": _quantity(result.duration, "s"),
        "stops": int(result.time.size),
        "rewets": int(result.rewet.sum()),
        "open_area": _quantity(float(area.sum()), "m2"),
        "mean_depth": _quantity(mean, "m"),
        "max_depth": _quantity(float(depth[area > 0.0].max(initial=0.0)), "m"),
        "evenness": _quantity(1.0 - deviation / mean if mean > 0.0 else math.nan, "1"),
        "edge_ratio": _quantity(_mean(depth, area * share) / rest if rest > 0.0 else math.nan, "1"),
        "removed_volume": _quantity(volume, "m3"),
        "removed_mass": _quantity(float((_mass_of(result.case.metal, depth) * area).sum()), "kg"),
        "charge": _quantity(float((current * dwell).sum()), "C"),
        "peak_current": _quantity(float(current.max(initial=0.0)), "A"),
        "peak_density": _quantity(float(result.peak_density.max(initial=0.0)), "A/m2"),
        "energy": _quantity(float((current * result.voltage * dwell).sum()), "J"),
        "numerical_error": {name: _quantity(e, "1") for name, e in result.numerical.items()},
        "statistics": dict(result.statistics),
        "ledgers": {name: dict(ledger) for name, ledger in result.ledgers.items()},
        "remarks": list(result.remarks),
    }


# --- labels -----------------------------------------------------------------------------------


def _labelled(result: Result) -> dict[str, Labelled]:
    """Every array with its dimensions and CF attributes, coordinates first."""
    along = {"units": "m", "axis": "X", "long_name": "distance along the plate"}
    across = {"units": "m", "axis": "Y", "long_name": "distance across the plate"}
    arrays: dict[str, Labelled] = {
        "x": (("x",), result.x, along | {"bounds": "x_bounds"}),
        "y": (("y",), result.y, across | {"bounds": "y_bounds"}),
    }
    for name, edges in (("x", result.x_edges), ("y", result.y_edges)):
        pairs = np.stack([edges[:-1], edges[1:]], axis=1)
        attributes = {"units": "m", "long_name": f"edges of the cells in {name}"}
        arrays[f"{name}_bounds"] = ((name, "edge"), pairs, attributes)
    for name, variable in VARIABLES.items():
        array = getattr(result, name)
        if array is not None:
            attributes = {"units": variable.units, "long_name": variable.long_name}
            stored = array.astype(np.int8) if variable.dtype is np.bool_ else array
            arrays[name] = (variable.dims, stored, attributes)
    return arrays | _outlines(result.case.drawings)


def _outlines(drawings: tuple[DrawingFile, ...]) -> dict[str, Labelled]:
    """The drawings of a case, so that a result can be read where their files are not."""
    if not drawings:
        return {}
    _, points, rings = to_arrays(drawings)
    meant = "drawing and polygon it belongs to, from 0, and number of its points"
    of_points = {"units": "m", "long_name": "outlines of the drawings, each in its own frame"}
    of_rings = {"units": "1", "long_name": f"of each ring of an outline: {meant}"}
    return {
        "drawing_points": (("drawing_point", "plane"), points, of_points),
        "drawing_rings": (("drawing_ring", "column"), rings, of_rings),
    }


def _attributes(result: Result) -> dict[str, str | int]:
    """Global attributes: CF's, and what it takes to make the `Result` again.

    Not how long it took: two runs of one case leave the same file.
    """
    drawings = result.case.drawings
    return {
        "Conventions": "CF-1.11",
        "title": result.case.title,
        "source": f"swabfield {_version()}, simulation of swab etching through a stencil",
        "history": "written by swabfield write_result",
        "comment": "axes: x along the plate, y across it, origin at its lower left corner",
        "swabfield_format": FORMAT,
        "case_name": Path(result.case.path or "case.toml").name,
        "case_text": result.case.text,
        "numerical_error": json.dumps(dict(result.numerical)),
        "statistics": json.dumps({k: v for k, v in result.statistics.items() if k != "seconds"}),
        "ledgers": json.dumps(result.ledgers),
        "remarks": json.dumps(result.remarks),
        "partial": int(result.partial),
        **({"drawings": to_arrays(drawings)[0]} if drawings else {}),
    }


def _version() -> str:
    """Version of the installed distribution."""
    try:
        return metadata.version("swabfield")
    except metadata.PackageNotFoundError:
        return "(not installed)"


# --- the file ---------------------------------------------------------------------------------


@contextlib.contextmanager
def replacing(path: str | os.PathLike[str]) -> Iterator[Path]:
    """Write a file whole or not at all.

    Yields the name of a temporary file in the same folder, with the same ending; when the block
    ends well, its content is forced to disk and it takes the place of ``path``. When the block
    fails, the temporary file is removed and ``path`` is as it was.

    Raises
    ------
    ResultError
        If the file cannot be written: one line, with the reason.
    """
    target = Path(path)
    part = target.with_name(f".{target.stem}.{os.getpid()}.part{target.suffix}")
    try:
        yield part
        with open(part, "rb+") as stream:
            os.fsync(stream.fileno())
        os.replace(part, target)
    except OSError as error:
        if isinstance(error, SwabfieldError):
            raise
        raise ResultError(f"{target}: cannot be written: {_one_line(error)}") from error
    finally:
        part.unlink(missing_ok=True)


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

    arrays = _labelled(result)
    sizes = {
        dim: n
        for dims, array, _ in arrays.values()
        for dim, n in zip(dims, array.shape, strict=True)
    }
    with replacing(path) as part, h5netcdf.File(part, "w") as file:
        file.attrs.update(_attributes(result))
        file.dimensions = {dim: n for dim, n in sizes.items() if n}
        for name, (dims, array, attributes) in arrays.items():
            if array.size:
                _write_variable(file, name, dims, array, attributes)


def _write_variable(
    file: Any, name: str, dims: tuple[str, ...], array: np.ndarray, attributes: dict[str, str]
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
    variable.attrs.update(attributes)
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
            attributes = {name: _scalar(value) for name, value in file.attrs.items()}
            _check_format(path, attributes)
            arrays = {name: np.asarray(file[name][...]) for name in file}
        return _assemble(attributes, arrays)
    except ResultError:
        raise
    except Exception as error:  # a damaged HDF5 file raises errors of any class
        raise ResultError(
            f"{path}: not a readable result: {_one_line(error)}; "
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


def _one_line(error: BaseException) -> str:
    """The first line of an error's message, or its class if it has none."""
    lines = str(getattr(error, "strerror", None) or error).splitlines()
    return lines[0] if lines else type(error).__name__
