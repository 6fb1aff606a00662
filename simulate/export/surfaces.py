"""Results in files that other programs open: surfaces, cells, tables, pictures.

The one module that uses meshio. Whatever the kind, lengths are in mm and depth is in µm, and every
name of a quantity ends in its unit: ``depth_um``, ``peak_density_A_per_cm2``.

A surface has its vertices at the centres of the cells, and once more on the plate's edges. It
lies at the depth of a cell that is at least half open, at 0 elsewhere; a wall is therefore one
cell wide. Depth may be exaggerated by a factor, which the file states.
"""

from __future__ import annotations

import base64
import csv
import math
import os
import re
import struct
import zlib
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any
from xml.sax.saxutils import quoteattr

import numpy as np

from simulate.errors import Fault, InputError, ResultError
from simulate.field.potential import Field
from simulate.files import replacing
from simulate.result.result import Result

if TYPE_CHECKING:
    import meshio

MM, UM, A_CM2 = 1e3, 1e6, 1e-4  # from SI to the unit of the file

MAPS: dict[str, tuple[str, float]] = {
    "depth_um": ("depth", UM),
    "contact_time_s": ("contact_time", 1.0),
    "charge_density_C_per_cm2": ("charge_density", A_CM2),
    "peak_density_A_per_cm2": ("peak_density", A_CM2),
    "open_fraction": ("open_fraction", 1.0),
    "rim_distance_mm": ("rim_distance", MM),
}
"""Names of the maps in files: the result's array, and the factor from SI."""

STOPS: dict[str, tuple[str, float]] = {
    "time_s": ("time", 1.0),
    "dwell_s": ("dwell", 1.0),
    "current_A": ("current", 1.0),
    "voltage_V": ("voltage", 1.0),
    "swab_x_mm": ("swab_x", MM),
    "swab_y_mm": ("swab_y", MM),
    "rewet": ("rewet", 1.0),
}
"""Columns of the table of stops, likewise."""

BASE = 1.0  # thickness of a solid below its deepest point [mm]


def export_result(
    result: Result, path: str | os.PathLike[str], kind: str, *, exaggeration: float = 1.0
) -> Path:
    """Write a result for other programs. The same result gives the same bytes.

    Parameters
    ----------
    result : what to write.
    path : name of the file, which need not end in its kind; `file_name` proposes one.
    kind : one of `KINDS`:

        - ``vtu``: depth as a surface of quadrangles, with the maps at its vertices;
        - ``vtr``: all maps as cells in the plate's plane;
        - ``stl``: depth as a closed solid, 1 mm thick below the deepest point, to be printed;
        - ``ply``: depth as a surface of triangles, coloured as in the figures;
        - ``csv``: table of the cells that are open at all;
        - ``stops``: table of the stops, also CSV;
        - ``png16``: depth as grey levels, 16 bits deep, one pixel per cell; scale in its text.
    exaggeration : factor on depth in ``vtu``, ``stl`` and ``ply`` [-]; the others are to scale.

    Raises
    ------
    InputError
        If the kind is not known, or the exaggeration is not above zero.
    ResultError
        If the file cannot be written, or the cells do not suit the kind.
    """
    faults = []
    if kind not in KINDS:
        faults.append(Fault("not known", "one of " + ", ".join(KINDS), key="kind", value=kind))
    if not (math.isfinite(exaggeration) and exaggeration > 0.0):
        faults.append(Fault("is no factor", "a number above 0", key="exaggeration"))
    if faults:
        raise InputError(faults)
    with replacing(path) as part:
        KINDS[kind](result, part, exaggeration)
    return Path(path)


def file_name(kind: str, exaggeration: float = 1.0) -> str:
    """A name for a file of a kind; an exaggeration of depth is in it.

    >>> file_name("stl", 20.0)
    'depth_x20.stl'
    """
    factor = "" if exaggeration == 1.0 else f"_x{exaggeration:g}"
    plain = {"vtr": "maps.vtr", "csv": "cells.csv", "stops": "stops.csv", "png16": "depth.png"}
    return plain.get(kind, f"depth{factor}.{kind}")


def export_frames(result: Result, folder: str | os.PathLike[str]) -> tuple[Path, ...]:
    """Write the kept maps of current density and depth as a series: one VTR each, and a PVD index.

    Depth is that at the end of the stop, where the run followed it.

    Parameters
    ----------
    result : what to write.
    folder : where; made if it is not there.

    Returns
    -------
    The files written, the index ``current_density.pvd`` last; it names the others and their
    times [s].

    Raises
    ------
    ResultError
        If a file cannot be written.
    """
    target = Path(folder)
    try:
        target.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise ResultError(f"{target}: cannot be made: {error.strerror}") from error
    edges = (result.x_edges * MM, result.y_edges * MM, np.zeros(1))
    written = []
    for number, density in enumerate(result.sample_density):
        written.append(target / f"current_density_{number:04d}.vtr")
        with replacing(written[-1]) as part:
            maps = {"current_density_A_per_cm2": density * np.float32(A_CM2)}
            if result.sample_depth is not None:
                maps["depth_um"] = result.sample_depth[number] * np.float32(UM)
            _write_vtr(part, edges, maps, "lengths in mm")
    times = result.time[result.sample_stop]
    with replacing(target / "current_density.pvd") as part:
        part.write_text(_pvd(zip(times, written, strict=True)), encoding="utf-8")
    return (*written, target / "current_density.pvd")


def export_field(field: Field, path: str | os.PathLike[str]) -> Path:
    """Write a solved potential as the cells it was solved on: VTR, lengths in mm, ``potential_V``.

    Cells without electrolyte or electrode hold not-a-number. In an axisymmetric field x is the
    radius, in both axisymmetric and sectional ones the extent in y has no meaning.

    Raises
    ------
    ResultError
        If the file cannot be written.
    """
    grid = field.grid
    edges = (grid.x * MM, grid.y * MM, grid.z * MM)
    remark = f"potential in V on a {grid.kind} grid; lengths in mm"
    with replacing(path) as part:
        _write_vtr(part, edges, {"potential_V": field.potential}, remark)
    return Path(path)


# --- surfaces ---------------------------------------------------------------------------------


def _padded(values: np.ndarray) -> np.ndarray:
    """Values of cells, carried on to the plate's edges: one more on every side."""
    return np.pad(values, 1, mode="edge")


def _surface(result: Result, exaggeration: float) -> tuple[np.ndarray, np.ndarray]:
    """Vertices [mm], (n, 3), row by row, and quadrangles, (m, 4), anticlockwise from above."""
    x = np.concatenate([result.x_edges[:1], result.x, result.x_edges[-1:]]) * MM
    y = np.concatenate([result.y_edges[:1], result.y, result.y_edges[-1:]]) * MM
    depth = np.where(result.open_fraction >= 0.5, result.depth, 0.0)
    z = -_padded(depth) * (MM * exaggeration)
    points = np.stack([*np.meshgrid(x, y), z], axis=-1).reshape(-1, 3).astype(np.float32)
    corner = (np.arange(y.size - 1)[:, None] * x.size + np.arange(x.size - 1)).ravel()
    quads = np.stack([corner, corner + 1, corner + 1 + x.size, corner + x.size], axis=1)
    return points + np.float32(0.0), quads.astype(np.int32)  # + 0 makes -0 a plain 0


def _triangles(quads: np.ndarray) -> np.ndarray:
    """Each quadrangle as two triangles of the same sense."""
    return np.concatenate([quads[:, [0, 1, 2]], quads[:, [0, 2, 3]]])


def _solid(points: np.ndarray, quads: np.ndarray, shape: tuple[int, int]) -> Any:
    """The surface closed by four walls and a floor: vertices and triangles seen from outside."""
    rows, columns = shape
    number = np.arange(rows * columns).reshape(shape)
    sides = [number[0, :-1], number[:-1, -1], number[-1, :0:-1], number[:0:-1, 0]]
    rim = np.concatenate(sides)
    floor = points[rim].copy()
    floor[:, 2] = points[:, 2].min() - BASE
    centre = np.array([[*points[:, :2].mean(axis=0), floor[0, 2]]], dtype=points.dtype)
    below = np.arange(rim.size) + len(points)
    next_rim, next_below = np.roll(rim, -1), np.roll(below, -1)
    middle = np.full(rim.size, len(points) + rim.size)
    faces = [
        _triangles(quads),
        _triangles(np.stack([below, next_below, next_rim, rim], axis=1)),
        np.stack([middle, next_below, below], axis=1),
    ]
    return np.concatenate([points, floor, centre]), np.concatenate(faces).astype(np.int32)


def _mesh(points: np.ndarray, kind: str, cells: np.ndarray, **data: Any) -> meshio.Mesh:
    import meshio

    return meshio.Mesh(points, [(kind, cells)], **data)


def _remark(exaggeration: float) -> str:
    """What a surface's file says of itself; fits the 80 bytes that STL has for it."""
    factor = "to scale" if exaggeration == 1.0 else f"x{exaggeration:g}, not to scale"
    return f"swabfield etch depth; lengths in mm; depth {factor}"


def _write_vtu(result: Result, path: Path, exaggeration: float) -> None:
    from meshio import vtu

    points, quads = _surface(result, exaggeration)
    data = {
        name: _padded(getattr(result, source) * factor).astype(np.float32).ravel()
        for name, (source, factor) in MAPS.items()
    }
    vtu.write(path, _mesh(points, "quad", quads, point_data=data), binary=True)
    remark = f"<!--{_remark(exaggeration)}-->".encode()
    _replace_bytes(path, rb"<!--This file was created by meshio[^>]*-->", remark)


def _write_stl(result: Result, path: Path, exaggeration: float) -> None:
    from meshio import stl

    points, quads = _surface(result, exaggeration)
    shape = (result.y.size + 2, result.x.size + 2)
    stl.write(path, _mesh(*_with_kind(_solid(points, quads, shape))), binary=True)
    with path.open("rb+") as stream:
        stream.write(_remark(exaggeration).encode().ljust(80)[:80])


def _with_kind(solid: tuple[np.ndarray, np.ndarray]) -> tuple[np.ndarray, str, np.ndarray]:
    return solid[0], "triangle", solid[1]


def _write_ply(result: Result, path: Path, exaggeration: float) -> None:
    from matplotlib import colormaps
    from meshio import ply

    points, quads = _surface(result, exaggeration)
    depth = np.where(result.open_fraction >= 0.5, result.depth, 0.0)
    level = _padded(depth / (depth.max() or 1.0))
    colours = np.round(255.0 * colormaps["cividis"](level.ravel())[:, :3]).astype(np.uint8)
    data = dict(zip(("red", "green", "blue"), colours.T, strict=True))
    data["depth_um"] = _padded(depth * UM).astype(np.float32).ravel()
    ply.write(path, _mesh(points, "triangle", _triangles(quads), point_data=data), binary=True)
    remark = f"comment {_remark(exaggeration)}".encode()
    _replace_bytes(path, rb"comment Created by meshio[^\n]*", remark)  # it bore the date


def _replace_bytes(path: Path, pattern: bytes, new: bytes) -> None:
    """Replace the first match in a file's head."""
    content = path.read_bytes()
    head = re.sub(pattern, lambda _: new, content[:4096], count=1)
    path.write_bytes(head + content[4096:])


# --- cells ------------------------------------------------------------------------------------


def _write_maps(result: Result, path: Path, _: float) -> None:
    edges = (result.x_edges * MM, result.y_edges * MM, np.zeros(1))
    maps = {name: getattr(result, source) * factor for name, (source, factor) in MAPS.items()}
    _write_vtr(path, edges, maps, "etch of a plate, seen from above; lengths in mm")


def _write_vtr(
    path: Path,
    edges: tuple[np.ndarray, np.ndarray, np.ndarray],
    cells: Mapping[str, np.ndarray],
    remark: str,
) -> None:
    """A rectilinear grid in VTK's XML format, compressed by zlib.

    Parameters
    ----------
    path : where.
    edges : of the cells along x, y, z; a single z makes a plane.
    cells : values of the cells, the last axis along x.
    remark : goes in as a comment.
    """
    extent = " ".join(f"0 {edge.size - 1}" for edge in edges)
    arrays = "\n".join(_data_array(name, values) for name, values in cells.items())
    axes = "\n".join(_data_array(name, edge) for name, edge in zip("xyz", edges, strict=True))
    path.write_text(
        f"""<?xml version="1.0"?>
<!--swabfield: {remark}-->
<VTKFile type="RectilinearGrid" version="1.0" byte_order="LittleEndian" \
header_type="UInt64" compressor="vtkZLibDataCompressor">
<RectilinearGrid WholeExtent="{extent}">
<Piece Extent="{extent}">
<CellData>
{arrays}
</CellData>
<Coordinates>
{axes}
</Coordinates>
</Piece>
</RectilinearGrid>
</VTKFile>
""",
        encoding="utf-8",
    )


def _data_array(name: str, values: np.ndarray) -> str:
    """One array: little-endian, one zlib block, base64 of the sizes and of the block."""
    single = values.dtype == np.float32
    raw = np.ascontiguousarray(values, dtype="<f4" if single else "<f8").tobytes()
    block = zlib.compress(raw, 6)
    sizes = struct.pack("<4Q", 1, len(raw), len(raw), len(block))
    text = (base64.b64encode(sizes) + base64.b64encode(block)).decode()
    kind = "Float32" if single else "Float64"
    return f'<DataArray type="{kind}" Name={quoteattr(name)} format="binary">{text}</DataArray>'


def _pvd(frames: Iterable[tuple[float, Path]]) -> str:
    """The index of a series: names are relative to its own folder."""
    entries = "\n".join(
        f'<DataSet timestep="{float(time)!r}" file={quoteattr(path.name)}/>'
        for time, path in frames
    )
    return (
        '<?xml version="1.0"?>\n<VTKFile type="Collection" version="1.0" '
        f'byte_order="LittleEndian">\n<Collection>\n{entries}\n</Collection>\n</VTKFile>\n'
    )


# --- tables and pictures ----------------------------------------------------------------------


def _write_cells(result: Result, path: Path, _: float) -> None:
    row, column = np.nonzero(result.open_fraction > 0.0)
    columns = {"x_mm": result.x[column] * MM, "y_mm": result.y[row] * MM}
    columns |= {
        name: getattr(result, source)[row, column] * factor
        for name, (source, factor) in MAPS.items()
    }
    _write_table(path, columns)


def _write_stops(result: Result, path: Path, _: float) -> None:
    _write_table(
        path, {name: getattr(result, source) * factor for name, (source, factor) in STOPS.items()}
    )


def _write_table(path: Path, columns: Mapping[str, np.ndarray]) -> None:
    """A CSV table of numbers to 10 digits, one line of names above."""
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.writer(stream)
        writer.writerow(columns)
        for row in zip(*columns.values(), strict=True):
            writer.writerow([f"{value:.10g}" for value in row])


def _write_png(result: Result, path: Path, _: float) -> None:
    from PIL import Image
    from PIL.PngImagePlugin import PngInfo

    cell = float(result.x_edges[1] - result.x_edges[0])
    widths = np.concatenate([np.diff(result.x_edges), np.diff(result.y_edges)])
    if not np.allclose(widths, cell, rtol=1e-6, atol=0.0):
        raise ResultError(f"{path}: cells differ in size, a picture needs them alike")
    depth = np.where(result.open_fraction > 0.0, result.depth, 0.0)
    full = float(depth.max()) or UM**-1
    levels = np.round(65535.0 * depth / full).astype("<u2")
    notes = PngInfo()
    notes.add_text("Title", "Etch depth")
    notes.add_text(
        "Description", f"65535 = {full * UM:.9g} um, 1 px = {cell * MM:.9g} mm, 0 = 0 um"
    )
    per_inch = 25.4e-3 / cell
    picture = Image.fromarray(levels[::-1])  # the top row of a picture is the largest y
    picture.save(path, format="PNG", pnginfo=notes, dpi=(per_inch, per_inch))


KINDS: Mapping[str, Callable[[Result, Path, float], None]] = {
    "vtu": _write_vtu,
    "vtr": _write_maps,
    "stl": _write_stl,
    "ply": _write_ply,
    "csv": _write_cells,
    "stops": _write_stops,
    "png16": _write_png,
}
"""Kinds of files, and how each is written."""
