"""Export as VTK's XML files: structured cells, time series, fields."""

from __future__ import annotations

import base64
import os
import struct
import zlib
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING
from xml.sax.saxutils import quoteattr

import numpy as np

from simulate.errors import ResultError
from simulate.field.potential import Field
from simulate.files import replacing
from simulate.result.result import Result

if TYPE_CHECKING:
    pass
from simulate.export.tables import A_CM2, MAPS, MM, UM


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
            write_vtr(part, edges, maps, "lengths in mm")
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
        write_vtr(part, edges, {"potential_V": field.potential}, remark)
    return Path(path)


def write_vtr(
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


def write_maps(result: Result, path: Path, _: float) -> None:
    """The maps as a rectilinear VTK file."""
    edges = (result.x_edges * MM, result.y_edges * MM, np.zeros(1))
    maps = {name: getattr(result, source) * factor for name, (source, factor) in MAPS.items()}
    write_vtr(path, edges, maps, "etch of a plate, seen from above; lengths in mm")
