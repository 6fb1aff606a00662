"""Openings from a drawing in DXF, with the optional library ezdxf.

What counts: outlines that close, alone or by lines that meet end to end, filled by the even-odd
rule (a circle in a circle is a ring), and hatches and solids.  Layers that are off or frozen do not
count; text, dimensions and pictures on visible layers are refused by name.  Everything is seen from
above; heights are left out.
"""

from __future__ import annotations

import logging
import os
from collections import Counter
from collections.abc import Iterator
from math import acos, atan, ceil
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from simulate.errors import InputError
from simulate.stencil.outlines import FLATNESS, as_areas, fill_rings
from simulate.stencil_files.limits import (
    MAX_LENGTH,
    MAX_PIECES,
    MAX_POINTS,
    check_outlines,
    one_line,
    read_bytes,
    refuse,
)

if TYPE_CHECKING:
    from shapely import MultiPolygon

Floats = NDArray[np.float64]

MAX_BYTES = 2_500_000
MAX_RECORDS = 10_000  # entities, tables and blocks in the text of a drawing
GAP = 2e-6  # ends of lines nearer than this meet [m]
UNITS = {  # the header's number of the unit: [m]
    1: 0.0254,
    2: 0.3048,
    4: 1e-3,
    5: 1e-2,
    6: 1.0,
    8: 0.0254e-6,
    9: 0.0254e-3,
    10: 0.9144,
    13: 1e-6,
    14: 0.1,
}
CURVES = {"CIRCLE", "ARC", "ELLIPSE", "SPLINE"}
FILLED = {"HATCH", "MPOLYGON", "SOLID", "TRACE"}
KNOWN = {*CURVES, *FILLED, "LINE", "LWPOLYLINE", "POLYLINE", "INSERT"}


def dxf_area(path: Path, width: float | None = None) -> MultiPolygon:
    """The area a drawing encloses [m].

    width : what the drawing will be scaled to later [m]; needed when the drawing states no unit.
    """
    import shapely

    document = _read(path)
    try:
        entities = _visible(path, document)
        unit = UNITS.get(int(document.header.get("$INSUNITS", 0)))
        if width is not None:
            unit = _unit_for(path, entities, width)
        if unit is None:
            problem = "the drawing states no unit of length"
            refuse(path, problem, "$INSUNITS, or a width to scale the drawing to")
        rings, lines, filled = _outlines(path, entities, unit)
    except InputError:
        raise
    except Exception as error:  # the library raises whatever comes of odd input
        refuse(path, f"the drawing is damaged: {one_line(error, 80)}", "a DXF drawing")
    check_outlines(path, [*rings, *lines, *(ring for group in filled for ring in group)])
    rings += _joined(path, lines)
    areas = [fill_rings(rings, "evenodd"), *(fill_rings(group, "evenodd") for group in filled)]
    return as_areas(shapely.union_all(areas))


def _read(path: Path) -> Any:
    """The library's document of a drawing."""
    content = read_bytes(path, MAX_BYTES)
    if b"Binary DXF" in content[:32]:
        refuse(path, "it is a binary drawing", "DXF saved as text")
    if sum(code.strip() == b"0" for code in content.split(b"\n")[::2]) > MAX_RECORDS:
        refuse(path, f"more than {MAX_RECORDS} records", "a simpler drawing")
    try:
        import ezdxf
    except ImportError:
        refuse(path, "DXF needs the library ezdxf", "pip install 'swabfield[dxf]'")
    log = logging.getLogger("ezdxf")
    if not log.handlers:  # what it notes about odd files would reach the terminal
        log.addHandler(logging.NullHandler())
    try:
        return ezdxf.readfile(os.fspath(path))  # type: ignore[attr-defined]
    except Exception as error:  # the library raises whatever comes of odd input
        reason = str(error).replace(os.fspath(path), path.name)
        refuse(path, f"it cannot be read as DXF: {one_line(reason, 80)}", "a DXF drawing")


def _visible(path: Path, document: Any) -> list[Any]:
    """Entities of the model on visible layers, blocks taken apart."""
    from ezdxf.disassemble import recursive_decompose

    space = document.modelspace()
    _count_entities(path, document, space, {}, ())
    hidden = {
        layer.dxf.name.lower() for layer in document.layers if layer.is_off() or layer.is_frozen()
    }
    found = [
        entity
        for entity in recursive_decompose(space)
        if entity.dxf.get("layer", "0").lower() not in hidden and not entity.dxf.get("invisible", 0)
    ]
    odd = Counter(entity.dxftype() for entity in found if entity.dxftype() not in KNOWN)
    if odd:
        names = ", ".join(f"{one_line(name, 20)} ({odd[name]})" for name in sorted(odd)[:5])
        refuse(path, f"not outlines: {names}", "outlines; remove these or switch off their layer")
    return found


def _count_entities(
    path: Path, document: Any, layout: Any, known: dict[str, int], trail: tuple[str, ...]
) -> int:
    """Entities of a layout with its blocks taken apart; refuse too many, or a block in itself."""
    total = 0
    for entity in layout:
        total += 1
        if entity.dxftype() != "INSERT":
            continue
        name = entity.dxf.name.lower()
        block = document.blocks.get(name)
        if name in trail or len(trail) > 50:
            refuse(path, f"the block '{one_line(name, 40)}' contains itself", "plain outlines")
        if block is None or block.block.is_xref:
            refuse(path, f"the block '{one_line(name, 40)}' is not in the file", "plain outlines")
        if name not in known:
            known[name] = _count_entities(path, document, block, known, (*trail, name))
        total += abs(int(entity.mcount)) * known[name]
        if total > MAX_PIECES:
            refuse(path, f"more than {MAX_PIECES} entities", "a simpler drawing")
    if total > MAX_PIECES:
        refuse(path, f"more than {MAX_PIECES} entities", "a simpler drawing")
    return total


def _unit_for(path: Path, entities: list[Any], width: float) -> float:
    """[m] per unit that makes the drawing ``width`` [m] wide."""
    from ezdxf.bbox import extents

    box = extents(entities, fast=True)
    span = float(box.size.x) if box.has_data else 0.0
    if not (np.isfinite(span) and span > 0.0):
        refuse(path, "the drawing has no width", "outlines")
    return width / span


def _outlines(
    path: Path, entities: list[Any], unit: float
) -> tuple[list[Floats], list[Floats], list[list[Floats]]]:
    """Closed rings, open lines, and groups of rings that fill one entity, all (n, 2) [m]."""
    rings: list[Floats] = []
    lines: list[Floats] = []
    filled: list[list[Floats]] = []
    budget = MAX_POINTS
    for entity in entities:
        if entity.dxftype() in FILLED:
            filled.append(list(_filled(path, entity, unit)))
            budget -= sum(map(len, filled[-1]))
        else:
            points = _checked(path, _points(path, entity, unit), unit)
            budget -= len(points)
            if len(points) > 1:
                closed = len(points) > 3 and np.hypot(*(points[0] - points[-1])) < GAP
                (rings if closed else lines).append(points)
        if budget < 0:
            refuse(path, f"more than {MAX_POINTS} points", "a simpler drawing")
    return rings, lines, filled


def _points(path: Path, entity: Any, unit: float) -> list[Any]:
    """Points on an open or closed outline, in the drawing's units."""
    kind, flatness = entity.dxftype(), FLATNESS / unit
    if kind == "LINE":
        return [entity.dxf.start, entity.dxf.end]
    if kind in CURVES:
        _check_curve(path, entity, unit)
        return list(entity.flattening(flatness))
    corners, height, closed = _corners(path, entity)
    system = entity.ocs()
    return [system.to_wcs((x, y, height)) for x, y in _bulged(path, corners, closed, unit)]


def _corners(path: Path, entity: Any) -> tuple[Floats, float, bool]:
    """Corners (n, 3) of a polyline as x, y, bulge in its own plane; its height; if it is closed."""
    if entity.dxftype() == "LWPOLYLINE":
        rows = [tuple(row) for row in entity.get_points("xyseb")]
        height, closed = entity.dxf.get("elevation", 0.0), entity.closed
        wide = entity.dxf.get("const_width", 0.0)
    elif entity.is_2d_polyline or entity.is_3d_polyline:
        corners = [vertex.dxf for vertex in entity.vertices]
        names = ("start_width", "end_width", "bulge")
        rows = [(*c.location.vec2, *(c.get(name, 0.0) for name in names)) for c in corners]
        height, closed = corners[0].location.z if corners else 0.0, entity.is_closed
        wide = max(entity.dxf.get(f"default_{name}", 0.0) for name in names[:2])
    else:
        refuse(path, "a mesh is not an outline", "outlines")
    table = np.array(rows, dtype=float).reshape(-1, 5)
    if wide or table[:, 2:4].any():
        refuse(path, "a polyline has a width", "its outline instead")
    return table[:, [0, 1, 4]], float(height), bool(closed)


def _check_curve(path: Path, entity: Any, unit: float) -> None:
    """Refuse curves that are too large or too involved, before they are flattened."""
    kind = entity.dxftype()
    if kind == "SPLINE":
        sizes = [abs(v) for point in entity.control_points for v in point]
        sizes += [abs(v) for point in entity.fit_points for v in point]
        if entity.dxf.degree > 11 or len(sizes) > 6000:
            refuse(path, "a spline is too involved", "at most 2000 control points, degree 11")
        if not np.isfinite([*entity.knots, *entity.weights]).all():
            refuse(path, "a coordinate is not a finite number", "numbers")
    elif kind == "ELLIPSE":
        sizes = [*map(abs, entity.dxf.center), *map(abs, entity.dxf.major_axis), entity.dxf.ratio]
    else:
        sizes = [*map(abs, entity.dxf.center), abs(entity.dxf.radius)]
    if not (np.array(sizes) * unit <= MAX_LENGTH).all():  # false for what is not a number, too
        refuse(path, "a coordinate is beyond 10 m or not a number", "a drawing in true size")


def _bulged(path: Path, corners: Floats, closed: bool, unit: float) -> Floats:
    """Points (n, 2) through corners (x, y, bulge); a bulge is tan(quarter of the arc's angle)."""
    if len(corners) == 0:
        return np.empty((0, 2))
    if not (np.abs(corners[:, :2]) * unit <= MAX_LENGTH).all() or not np.isfinite(corners).all():
        refuse(path, "a coordinate is beyond 10 m or not a number", "a drawing in true size")
    place, bulge = corners[:, 0] + 1j * corners[:, 1], corners[:, 2]
    ends = np.append(place, place[:1]) if closed else place
    points = [ends[:1]]
    for start, end, b in zip(ends[:-1], ends[1:], bulge, strict=False):
        if abs(b) > 1e-9 and start != end:
            centre = 0.5 * (start + end) + 1j * (end - start) * (1.0 - b * b) / (4.0 * b)
            radius, angle = abs(start - centre), 4.0 * atan(b)
            if not radius * unit <= 100.0 * MAX_LENGTH:
                refuse(path, "an arc is too large", "a drawing in true size")
            step = 2.0 * acos(1.0 - min(FLATNESS / (unit * radius), 0.5))
            turn = np.arange(1, ceil(abs(angle) / step)) * angle / ceil(abs(angle) / step)
            points.append(centre + (start - centre) * np.exp(1j * turn))
        points.append(np.array([end]))
    line = np.concatenate(points)
    return np.column_stack([line.real, line.imag])


def _filled(path: Path, entity: Any, unit: float) -> Iterator[Floats]:
    """The rings of a hatch or solid; arcs of hatches within 0.03 % of their radius."""
    from ezdxf.path import from_hatch

    if entity.dxftype() in ("SOLID", "TRACE"):
        yield _checked(path, list(entity.wcs_vertices()), unit)
        return
    for outline in from_hatch(entity):
        _checked(path, list(outline.control_vertices()), unit)
        yield _checked(path, list(outline.flattening(FLATNESS / unit)), unit)


def _checked(path: Path, points: list[Any], unit: float) -> Floats:
    """Points as (n, 2) [m], finite and within bounds."""
    if len(points) > MAX_POINTS:
        refuse(path, f"more than {MAX_POINTS} points", "a simpler drawing")
    plan = np.array([(point[0], point[1]) for point in points], dtype=float).reshape(-1, 2) * unit
    if not (np.abs(plan) <= MAX_LENGTH).all():  # false for what is not a number, too
        refuse(path, "a coordinate is beyond 10 m or not a number", "a drawing in true size")
    return plan


def _joined(path: Path, lines: list[Floats]) -> list[Floats]:
    """Rings made of open lines that meet end to end; a line that encloses nothing is refused."""
    import shapely

    if not lines:
        return []
    whole = shapely.multilinestrings([shapely.linestrings(line) for line in _meeting(lines)])
    merged = shapely.get_parts(shapely.line_merge(whole))
    closed = shapely.is_closed(merged)
    rings = [shapely.get_coordinates(ring) for ring in merged[closed]]
    if not closed.all():
        noded = shapely.get_parts(shapely.union_all(merged[~closed]))
        faces, *rest = shapely.polygonize_full(noded)
        loose = [line for part in rest for line in shapely.get_parts(part)]
        if loose:
            x, y = shapely.get_coordinates(loose[0])[0]
            problem = f"a line at x = {x:.6g} m, y = {y:.6g} m encloses nothing"
            refuse(path, problem, "outlines that close")
        whole = as_areas(shapely.union_all(shapely.get_parts(faces)))
        rings += [
            shapely.get_coordinates(ring) for ring in shapely.get_rings(shapely.get_parts(whole))
        ]
    return rings


def _meeting(lines: list[Floats]) -> list[Floats]:
    """The same lines, with ends nearer than `GAP` made equal."""
    known: dict[tuple[int, int], Floats] = {}

    def met(end: Floats) -> Floats:
        column, row = (int(v) for v in np.floor(end / GAP))
        around = ((column + i, row + j) for i in (0, -1, 1) for j in (0, -1, 1))
        for place in around:
            if place in known and np.hypot(*(known[place] - end)) <= GAP:
                return known[place]
        known[column, row] = end
        return end

    return [np.vstack([met(line[0]), line[1:-1], met(line[-1])]) for line in lines]
