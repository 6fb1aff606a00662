"""The record of a run: arrays with coordinates and units, and the numbers they sum up to.

A `Result` holds the plan maps [y, x], the history of the stops, and a few maps of current
density at chosen stops. One table, `VARIABLES`, says for each array its dimensions, unit, meaning
and type; the constructor, the file and the labelled data set all follow it.

The file is NetCDF-4 with CF-1.11 attributes. Etching has no standard names in the CF table, so
none are given; `long_name` and `units` are on everything.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from importlib import metadata
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from simulate.case.case import Case
from simulate.errors import Fault, InputError, ResultError
from simulate.materials.removal import mass_of_depth
from simulate.result.measures import edge_ratio, evenness, rim_share, weighted_mean
from simulate.stencil_files.store import DrawingFile, to_arrays

if TYPE_CHECKING:
    import xarray

FORMAT = 1
"""Number of the file's format; raised whenever an older reader would misread a newer file."""


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
        arrays = labelled(self)
        coordinates = {name: arrays.pop(name) for name in ("x", "y", "time", "sample_stop")}
        return xarray.Dataset(arrays, coords=coordinates, attrs=attributes(self))


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


def _summarise(result: Result) -> dict[str, Any]:
    """The dict of `Result.summary`."""
    area, depth = result.open_area, result.depth
    mean = weighted_mean(depth, area)
    ratio = edge_ratio(depth, area, rim_share(result.rim_distance, result.x_edges, result.y_edges))
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
        "evenness": _quantity(evenness(depth, area), "1"),
        "edge_ratio": _quantity(ratio, "1"),
        "removed_volume": _quantity(volume, "m3"),
        "removed_mass": _quantity(
            float((mass_of_depth(result.case.metal, depth) * area).sum()), "kg"
        ),
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


def labelled(result: Result) -> dict[str, Labelled]:
    """Every array with its dimensions and CF attributes, coordinates first."""
    along = {"units": "m", "axis": "X", "long_name": "distance along the plate"}
    across = {"units": "m", "axis": "Y", "long_name": "distance across the plate"}
    arrays: dict[str, Labelled] = {
        "x": (("x",), result.x, along | {"bounds": "x_bounds"}),
        "y": (("y",), result.y, across | {"bounds": "y_bounds"}),
    }
    for name, edges in (("x", result.x_edges), ("y", result.y_edges)):
        pairs = np.stack([edges[:-1], edges[1:]], axis=1)
        notes = {"units": "m", "long_name": f"edges of the cells in {name}"}
        arrays[f"{name}_bounds"] = ((name, "edge"), pairs, notes)
    for name, variable in VARIABLES.items():
        array = getattr(result, name)
        if array is not None:
            notes = {"units": variable.units, "long_name": variable.long_name}
            stored = array.astype(np.int8) if variable.dtype is np.bool_ else array
            arrays[name] = (variable.dims, stored, notes)
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


def attributes(result: Result) -> dict[str, str | int]:
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
