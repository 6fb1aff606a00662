"""Openings from a file, by its kind, and their place on the plate.

A file is named in a case; it must lie in the case's folder or below.  Its drawing is scaled if a
width is given, and set down with the centre of its box at a place on the plate.
"""

from __future__ import annotations

from math import cos, sin
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from simulate.errors import Fault, InputError
from simulate.rules import require_positive
from simulate.stencil.outlines import as_areas, moved_areas
from simulate.stencil.shapes import Polygon
from simulate.stencil_files.limits import check_area, refuse

if TYPE_CHECKING:
    from shapely import MultiPolygon

GRID = 1e-9  # [m]
KINDS = (".svg", ".png", ".dxf")


def stencil_path(folder: Path, name: str) -> Path:
    """The path of a stencil file named in a case, which must not lead out of the case's folder.

    Raises InputError: an absolute name, ``..``, or a link that leads elsewhere.
    """
    given = Path(name)
    try:
        whole = (folder / given).resolve()
        within = not given.is_absolute() and whole.is_relative_to(folder.resolve())
    except (OSError, RuntimeError, ValueError):
        within = False
    if not within:
        refuse(Path(given.name), "it lies outside the folder of the case", "a file beside the case")
    return folder / given


def read_openings(
    path: Path,
    *,
    width: float | None = None,
    pixel: float | None = None,
    threshold: float = 0.5,
    light: bool = False,
    colour: str | None = None,
) -> MultiPolygon:
    """The openings a file draws, oriented, in the file's own frame [m], y up.

    Parameters
    ----------
    path : an SVG, PNG or DXF file, told by the end of its name.
    width : scale the drawing so that its openings are together this wide [m]; needed where the file
        states no size of its own.
    pixel : side of a pixel [m], for a picture without ``width``.
    threshold, light : grey at the rim, 0 to 1, and whether light is open instead of dark; pictures.
    colour : only paint of this colour is open; SVG.

    Raises
    ------
    InputError : one fault, with the file's name and the reason.
    """
    _check_options(path, width, pixel, threshold)
    match path.suffix.lower():
        case ".svg":
            from simulate.stencil_files.svg import svg_area

            area = svg_area(path, width, colour)
        case ".dxf":
            from simulate.stencil_files.dxf import dxf_area

            area = dxf_area(path, width)
        case ".png":
            from simulate.stencil_files.picture import picture_area

            if pixel is None and width is None:
                refuse(path, "a picture has no size of its own", "a pixel size, or a width")
            area = picture_area(path, pixel or 1e-4, threshold=threshold, light=light)
        case _:
            refuse(path, "its kind is not known", "a file ending in " + ", ".join(KINDS))
    if width is not None:
        area = _scaled(path, area, width)
    check_area(path, area)
    return area


def place_openings(
    area: MultiPolygon, x: float, y: float, angle: float = 0.0
) -> tuple[Polygon, ...]:
    """Openings with the centre of their box at x, y [m], turned about it by ``angle`` [rad].

    Points are put on a grid of 1 nm, so that turning cannot make outlines cross by rounding;
    slivers that vanish on it are left out.
    """
    import shapely

    left, bottom, right, top = area.bounds
    middle = np.array([0.5 * (left + right), 0.5 * (bottom + top)])
    turn = np.array([[cos(angle), sin(angle)], [-sin(angle), cos(angle)]])
    moved = moved_areas(area, lambda points: (points - middle) @ turn + [x, y])
    placed = as_areas(shapely.set_precision(moved, GRID))
    return tuple(
        Polygon(part.exterior.coords, tuple(hole.coords for hole in part.interiors))
        for part in placed.geoms
    )


def _check_options(path: Path, width: float | None, pixel: float | None, threshold: float) -> None:
    lengths = {"width": width, "pixel": pixel}
    require_positive(**{name: value for name, value in lengths.items() if value is not None})
    if not 0.0 < threshold < 1.0:
        raise InputError(
            Fault("not a grey", "between 0 and 1", key="threshold", value=f"{threshold:g}")
        )


def _scaled(path: Path, area: MultiPolygon, width: float) -> MultiPolygon:
    if area.is_empty:
        return area
    left, _, right, _ = area.bounds
    if not right > left:
        refuse(path, "the openings have no width", "filled shapes or strokes")
    factor = width / (right - left)
    return moved_areas(area, lambda points: points * factor)
