"""From validated tables to the parts of a case: catalogue look-up, construction, consistency."""

from __future__ import annotations

import math
from collections.abc import Mapping
from pathlib import PurePath
from typing import Any

from simulate.case.consistency import check_cell, check_openings, check_stroke, check_swab
from simulate.case.document import FaultList, KeyPath
from simulate.case.reading import Checked, read_tables
from simulate.case.settings import Aim, GridSettings, Plate, Power, Rewet, Room
from simulate.case.tables import (
    BudTable,
    DrawingTable,
    ElectrolyteTable,
    PadTable,
    PlateTable,
    PolygonTable,
    StencilTable,
    SupplyTable,
)
from simulate.field.supply import Supply
from simulate.materials.electrolyte import Electrolyte
from simulate.materials.lookup import (
    Mask,
    Wick,
    find_cathode,
    find_mask,
    find_source,
    find_wick,
)
from simulate.materials.metals import Metal, find_metal, read_metal
from simulate.stencil.shapes import Circle, Drawing, Polygon, Rectangle, Ring, Shape, Stencil, Text
from simulate.stencil_files.read import KINDS, place_openings
from simulate.stencil_files.store import DrawingStore, Reading
from simulate.swab.geometry import Bud, Pad, Swab
from simulate.swab.stroke import Dabs, Hatch, Hold, Path, Stroke


def case_parts(values: Mapping[str, Any], store: DrawingStore, found: FaultList) -> dict[str, Any]:
    """The fields of a `simulate.case.case.Case` but its text and path.

    Parameters
    ----------
    values : of a case file, as `read_toml` gives them.
    store : gives the drawings that the stencil names.
    found : takes every fault; if there is any, the parts are of no use.
    """
    tables = read_tables(values, found)
    wick = _wick(tables.swab, found)
    swab = _swab(tables.swab, wick, found)
    shapes = {path: _shape(table, path, store, found) for path, table in tables.shapes.items()}
    strokes = {path: _stroke(table, path, found) for path, table in tables.strokes.items()}
    openings = {path: shape for path, shape in shapes.items() if shape is not None}
    moves = {path: stroke for path, stroke in strokes.items() if stroke is not None}
    mask = _mask(tables.stencil, found)
    _check_fit(tables, openings, swab, moves, found)
    return {
        "title": tables.title,
        "note": tables.note,
        "plate": _plate(tables.plate),
        "metal": _metal(tables.plate, tables.metal, found),
        "electrolyte": _electrolyte(tables.electrolyte, found),
        "additions": tuple(tables.electrolyte.additions) if tables.electrolyte else (),
        "supply": _power(tables.supply, found),
        "stencil": _stencil(tables.stencil, mask, tuple(openings.values()), found),
        "drawings": tuple(store.taken.values()),
        "mask": mask,
        "swab": swab,
        "wick": wick,
        "cathode": tables.swab.cathode if tables.swab else "",
        "trail": tables.swab.trail if tables.swab else False,
        "strokes": tuple(moves.values()),
        "rewet": Rewet(**dict(tables.rewet)) if tables.rewet else Rewet(),
        "aim": Aim(**dict(tables.aim)) if tables.aim else Aim(),
        "room": Room(**dict(tables.room)) if tables.room else None,
        "grid": GridSettings(**dict(tables.grid)) if tables.grid else GridSettings(),
    }


def _check_fit(
    tables: Checked,
    shapes: Mapping[KeyPath, Shape],
    swab: Swab | None,
    strokes: Mapping[KeyPath, Stroke],
    found: FaultList,
) -> None:
    """What can be said of the parts together, as far as they are there."""
    if swab is not None and tables.grid is not None:
        check_cell(tables.grid.cell, swab, found)
    if tables.plate is None:
        return
    width, height = tables.plate.width, tables.plate.height
    check_openings(width, height, shapes, found)
    if swab is not None:
        check_swab(width, height, swab, found)
        for path, stroke in strokes.items() if shapes else ():
            check_stroke((width, height), shapes, swab, stroke, path, found)


# Plate and liquid ---------------------------------------------------------------------------------


def _plate(table: PlateTable | None) -> Plate | None:
    if table is None:
        return None
    return Plate(table.metal, table.width, table.height, table.thickness)


def _metal(
    plate: PlateTable | None, own: Mapping[str, Any] | None, found: FaultList
) -> Metal | None:
    """The plate's metal: of the catalogue, with a person's own numbers where there are any."""
    if plate is None:
        return None
    if own is None:
        metal = found.attempt(("plate", "metal"), lambda: find_metal(plate.metal))
    else:
        table = {"base": plate.metal, **own}
        metal = found.attempt(("metal",), lambda: read_metal(plate.metal, table))
    if metal is None:
        return None
    if not metal.etches:
        found.add(("plate", "metal"), f"{metal.label} {metal.verdict}", metal.instead)
    if plate.coating is not None:
        if metal.thickness is None:
            found.add(("plate", "coating"), f"{metal.label} has no coating", "a coated metal")
        else:
            metal = metal.put(thickness=plate.coating)
    return metal


def _electrolyte(table: ElectrolyteTable | None, found: FaultList) -> Electrolyte | None:
    if table is None:
        return None
    names = {"acid_fraction": "acid", "measured_conductivity": "conductivity"}
    return found.attempt(
        ("electrolyte",),
        lambda: Electrolyte(
            vinegar=table.vinegar,
            water=table.water,
            salt=table.salt,
            acid_fraction=table.acid,
            temperature=table.temperature,
            measured_conductivity=table.conductivity,
        ),
        names,
    )


def _power(table: SupplyTable | None, found: FaultList) -> Power | None:
    """A battery of the catalogue, a named supply with a voltage, or plain numbers."""
    if table is None:
        return None
    if table.name is None:
        return _plain_power(table, found)
    name = table.name
    source = found.attempt(("supply", "name"), lambda: find_source(name))
    if source is None:
        return None
    if source.open_circuit is None:
        if table.emf is None and not found.has(("supply", "emf")):
            found.add(("supply", "emf"), "missing", f'emf = "9 V" as {source.label} is set')
        if table.emf is None:
            return None
        if table.resistance is None:
            table = table.model_copy(update={"resistance": source.resistance.value})
        return _plain_power(table, found, source.label)
    for key in ("emf", "resistance", "current_limit"):
        if getattr(table, key) is not None:
            found.add(
                ("supply", key), f"{source.label} brings its own", "either a name or these numbers"
            )
    return Power(source.battery(), table.leads, table.drawn, source.label)


def _plain_power(table: SupplyTable, found: FaultList, label: str = "") -> Power | None:
    """A supply of given numbers."""
    needed = {"emf": '"9 V"', "resistance": '"2 ohm"'}
    lacking = [key for key in needed if getattr(table, key) is None]
    for key in lacking:
        if not found.has(("supply", key)):
            expected = f'{key} = {needed[key]}, or name = "alkaline_9v"'
            found.add(("supply", key), "missing", expected)
    if table.drawn:
        found.add(("supply", "drawn"), "only a battery of the catalogue is drained", "no such key")
    if lacking:
        return None
    supply = Supply(table.emf or 0.0, table.resistance or 0.0, table.current_limit)
    return Power(supply, table.leads, label=label or "supply of given voltage")


# Stencil ------------------------------------------------------------------------------------------

_SHAPES: Mapping[str, Any] = {
    "rectangle": Rectangle,
    "circle": Circle,
    "ring": Ring,
    "text": Text,
}


def _shape(table: Any, path: KeyPath, store: DrawingStore, found: FaultList) -> Shape | None:
    if isinstance(table, DrawingTable):
        return _drawing(table, path, store, found)
    if isinstance(table, PolygonTable):
        outline, *holes = (_put(points, table) for points in (table.points, *table.holes))
        return found.attempt(path, lambda: Polygon(outline, tuple(holes)))
    fields = table.model_dump(exclude={"kind"})
    return found.attempt(path, lambda: _SHAPES[table.kind](**fields))


def _put(
    points: tuple[tuple[float, float], ...], place: PolygonTable
) -> tuple[tuple[float, float], ...]:
    """Points of a drawing turned about its zero and put on the plate."""
    cosine, sine = math.cos(place.angle), math.sin(place.angle)
    return tuple(
        (place.x + cosine * x - sine * y, place.y + sine * x + cosine * y) for x, y in points
    )


def _drawing(
    table: DrawingTable, path: KeyPath, store: DrawingStore, found: FaultList
) -> Drawing | None:
    """What a file draws, put on the plate; its faults stand under the key of the file."""
    given = table.model_dump(include=set(_READING), exclude_none=True)
    if not _fits_kind(table.file, given, path, found):
        return None

    def read() -> Drawing:
        drawing = store.take(table.file, Reading(**given))
        placed = place_openings(drawing.openings, table.x, table.y, table.angle)
        return Drawing(table.file, placed)

    return found.attempt(path, read, dict.fromkeys(("", "points", "holes", "polygons"), "file"))


#: How a drawing is read, and the kind of file each key belongs to.
_READING = {"width": KINDS, "pixel": (".png",), "threshold": (".png",), "light": (".png",)}
_READING |= {"colour": (".svg",)}


def _fits_kind(file: str, given: Mapping[str, Any], path: KeyPath, found: FaultList) -> bool:
    """Whether the keys of a drawing belong to its kind of file; what does not is noted."""
    kind = PurePath(file).suffix.lower()
    if kind not in KINDS:
        return True  # which the reader says better
    idle = [key for key in given if kind not in _READING[key]]
    for key in idle:
        only = " or ".join(_READING[key])
        found.add((*path, key), f"says nothing about a {kind} file", f"{key} for {only} alone")
    if kind != ".png":
        return not idle
    if "width" in given and "pixel" in given:
        found.add((*path, "pixel"), "width is given too", "either of them")
    elif not ("width" in given or "pixel" in given):
        expected = 'pixel = "0.1 mm", the side of one pixel, or width = "30 mm", of all it draws'
        found.add((*path, "pixel"), "missing", expected)
    else:
        return True
    return False


def _mask(table: StencilTable | None, found: FaultList) -> Mask | None:
    if table is None or table.material is None:
        return None
    material = table.material
    return found.attempt(("stencil", "material"), lambda: find_mask(material))


def _stencil(
    table: StencilTable | None, mask: Mask | None, shapes: tuple[Shape, ...], found: FaultList
) -> Stencil | None:
    """The mask's thickness as given, or from its material and layers; and the openings."""
    if table is None:
        return None
    if table.thickness is not None:
        for key in ("material", "layers"):
            if getattr(table, key) is not None:
                found.add(
                    ("stencil", key), "thickness is given too", "thickness, or material and layers"
                )
    elif table.material is None and not found.has(("stencil", "thickness")):
        found.add(
            ("stencil", "thickness"),
            "missing",
            'thickness = "0.15 mm", or material = "electrical_tape" and layers = 1',
        )
    thickness = mask.thickness.value * (table.layers or 1) if mask is not None else table.thickness
    return None if thickness is None or not shapes else Stencil(thickness, shapes)


# Swab and stroke ----------------------------------------------------------------------------------


def _wick(table: BudTable | PadTable | None, found: FaultList) -> Wick | None:
    if table is None:
        return None
    found.attempt(("swab", "cathode"), lambda: find_cathode(table.cathode))
    return found.attempt(("swab", "wick"), lambda: find_wick(table.wick))


def _swab(table: BudTable | PadTable | None, wick: Wick | None, found: FaultList) -> Swab | None:
    """The wet body; porosity and exponent are the wick's unless given."""
    if table is None or wick is None:
        return None
    given = table.model_dump(exclude={"form", "wick", "cathode", "trail"}, exclude_none=True)
    usual = {"porosity": wick.porosity.value, "wick_exponent": wick.exponent.value}
    form = Pad if table.form == "pad" else Bud
    return found.attempt(("swab",), lambda: form(**{**usual, **given}))


_STROKES: Mapping[str, Any] = {"hold": Hold, "dabs": Dabs, "hatch": Hatch, "path": Path}


def _stroke(table: Any, path: KeyPath, found: FaultList) -> Stroke | None:
    fields = table.model_dump(exclude={"pattern", "unit"})
    return found.attempt(path, lambda: _STROKES[table.pattern](**fields))
