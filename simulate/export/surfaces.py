"""Results in files that other programs open: surfaces, cells, tables, pictures.

The one module that uses meshio. Whatever the kind, lengths are in mm and depth is in µm, and every
name of a quantity ends in its unit: ``depth_um``, ``peak_density_A_per_cm2``.

A surface has its vertices at the centres of the cells, and once more on the plate's edges. It
lies at the depth of a cell that is at least half open, at 0 elsewhere; a wall is therefore one
cell wide. Depth may be exaggerated by a factor, which the file states.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from simulate.result.result import Result

if TYPE_CHECKING:
    import meshio
from simulate.export.tables import MAPS, MM, UM

BASE = 1.0  # thickness of a solid below its deepest point [mm]


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


def height_remark(exaggeration: float) -> str:
    """What a surface's file says of itself; fits the 80 bytes that STL has for it."""
    factor = "to scale" if exaggeration == 1.0 else f"x{exaggeration:g}, not to scale"
    return f"swabfield etch depth; lengths in mm; depth {factor}"


def write_vtu(result: Result, path: Path, exaggeration: float) -> None:
    """The etched surface as VTU, with the maps on its cells."""
    from meshio import vtu

    points, quads = _surface(result, exaggeration)
    data = {
        name: _padded(getattr(result, source) * factor).astype(np.float32).ravel()
        for name, (source, factor) in MAPS.items()
    }
    vtu.write(path, _mesh(points, "quad", quads, point_data=data), binary=True)
    remark = f"<!--{height_remark(exaggeration)}-->".encode()
    _replace_bytes(path, rb"<!--This file was created by meshio[^>]*-->", remark)


def write_stl(result: Result, path: Path, exaggeration: float) -> None:
    """A solid under the etched surface as binary STL."""
    from meshio import stl

    points, quads = _surface(result, exaggeration)
    shape = (result.y.size + 2, result.x.size + 2)
    stl.write(path, _mesh(*_with_kind(_solid(points, quads, shape))), binary=True)
    with path.open("rb+") as stream:
        stream.write(height_remark(exaggeration).encode().ljust(80)[:80])


def _with_kind(solid: tuple[np.ndarray, np.ndarray]) -> tuple[np.ndarray, str, np.ndarray]:
    return solid[0], "triangle", solid[1]


def write_ply(result: Result, path: Path, exaggeration: float) -> None:
    """The same solid as PLY, coloured by depth."""
    from matplotlib import colormaps
    from meshio import ply

    points, quads = _surface(result, exaggeration)
    depth = np.where(result.open_fraction >= 0.5, result.depth, 0.0)
    level = _padded(depth / (depth.max() or 1.0))
    colours = np.round(255.0 * colormaps["cividis"](level.ravel())[:, :3]).astype(np.uint8)
    data = dict(zip(("red", "green", "blue"), colours.T, strict=True))
    data["depth_um"] = _padded(depth * UM).astype(np.float32).ravel()
    ply.write(path, _mesh(points, "triangle", _triangles(quads), point_data=data), binary=True)
    remark = f"comment {height_remark(exaggeration)}".encode()
    _replace_bytes(path, rb"comment Created by meshio[^\n]*", remark)  # it bore the date


def _replace_bytes(path: Path, pattern: bytes, new: bytes) -> None:
    """Replace the first match in a file's head."""
    content = path.read_bytes()
    head = re.sub(pattern, lambda _: new, content[:4096], count=1)
    path.write_bytes(head + content[4096:])
