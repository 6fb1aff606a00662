"""What a case file may hold: its tables and their keys, each with its unit, bounds and meaning.

One model per table; field names are the keys of the file. Values come out as SI floats. Only
`simulate.case` uses this module, and only when a file is read: it loads pydantic.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import Field, SkipValidation, ValidationInfo
from pydantic.functional_validators import field_validator

from simulate.document import Findings, Path
from simulate.errors import InputError
from simulate.keys import (
    Angle,
    Charge,
    Duration,
    Length,
    LengthUnit,
    Pause,
    Places,
    Quantity,
    Resistance,
    Share,
    Size,
    Speed,
    Table,
    Temperature,
    Volume,
    Width,
    mend,
    nearest,
    read_table,
    refuse,
)
from simulate.units import parse_quantity


class PlateTable(Table):
    """[plate]: the metal that is etched."""

    metal: str = Field(description="name in the catalogue, or the base of your own [metal]")
    width: Size = Field(description="size along x", examples=["50 mm"])
    height: Size = Field(description="size along y", examples=["25 mm"])
    thickness: Size | None = Field(None, description="thickness of the sheet", examples=["2 mm"])
    coating: Size | None = Field(
        None, description="thickness of the layer on a coated metal", examples=["20 um"]
    )


#: What must not go into the liquid, and why.
REFUSED = {
    "bleach": "bleach and vinegar give off chlorine, a poison gas",
    "hypochlorite": "hypochlorite (bleach) and vinegar give off chlorine, a poison gas",
    "peroxide": "peroxide and vinegar make peracetic acid, which burns eyes and lungs, and "
    "dissolved metal makes peroxide foam and heat",
    "ammonia": "ammonia fumes, and with the chlorine an anode can make it forms chloramines",
    "hydrochloric": "hydrochloric acid fumes and eats the metal without any current",
    "muriatic": "muriatic (hydrochloric) acid fumes and eats the metal without any current",
    "fluoride": "fluorides in acid poison through the skin",
    "hydrofluoric": "hydrofluoric acid poisons through the skin",
}
ALLOWED = ("detergent", "washing-up liquid")


def refusal(name: str) -> str | None:
    """Why a thing must not go into the liquid; None if it is not on the list of `REFUSED`."""
    folded = name.lower()
    return next((reason for word, reason in REFUSED.items() if word in folded), None)


class ElectrolyteTable(Table):
    """[electrolyte]: salt in vinegar or water."""

    vinegar: Volume = Field("0 mL", description="volume of vinegar", examples=["60 mL"])
    water: Volume = Field("0 mL", description="volume of water", examples=["60 mL"])
    acid: Share = Field("5 %", description="acetic acid in the vinegar, by mass")
    bulk_density: Annotated[float, Quantity("density", above="0 g/mL")] | None = Field(
        None, description="mass of a level spoon of salt over its volume", examples=["1.2 g/mL"]
    )
    salt: float = Field(description="mass of salt", examples=["6 g"])
    temperature: Temperature = Field("20 degC", description="temperature when mixed")
    conductivity: Annotated[float, Quantity("conductivity", above="0 S/m")] | None = Field(
        None, description="measured, overrides the recipe", examples=["11 S/m"]
    )
    additions: list[str] = Field([], description="other things in the liquid, for the record")

    @classmethod
    def objection(cls, key: str) -> str | None:
        """Why bleach and the like are no keys here."""
        reason = refusal(key)
        return f"do not add it: {reason}" if reason else None

    @field_validator("salt", mode="plain", json_schema_input_type=str)
    @classmethod
    def _weigh(cls, value: Any, info: ValidationInfo) -> float:
        """Salt by mass [kg]; a spoon is a volume and needs the bulk density."""
        mass = Quantity("mass", least="0 g")
        try:
            volume = parse_quantity(value, "volume") if isinstance(value, str) else None
        except InputError:
            volume = None
        if volume is None:
            return mass.read(value)
        bulk_density = info.data.get("bulk_density")
        if bulk_density is None:
            raise refuse(
                "a spoon is a volume, and what it weighs depends on the grain",
                'a mass such as "6 g"; or bulk_density = "1.2 g/mL" beside it, which is usual for '
                "level fine table salt (1.0 for coarse salt, 0.6 for flakes)",
            )
        return float(volume * bulk_density)

    @field_validator("additions")
    @classmethod
    def _screen(cls, additions: list[str]) -> list[str]:
        """Refuse what is dangerous, and what nothing here can compute."""
        for name in additions:
            reason = refusal(name)
            if reason:
                raise refuse(f"do not add {name}: {reason}", "salt and vinegar alone")
            if name.lower() not in ALLOWED:
                known = " or ".join(f'"{one}"' for one in ALLOWED)
                raise refuse(f"nothing is known here of {name!r}", f"{known}, or leave it out")
        return additions


class SupplyTable(Table):
    """[supply]: a name of the catalogue, or numbers."""

    name: str | None = Field(None, description="in the catalogue", examples=["alkaline_9v"])
    emf: Annotated[float, Quantity("voltage", above="0 V")] | None = Field(
        None, description="voltage at no current", examples=["9 V"]
    )
    resistance: Resistance | None = Field(
        None, description="internal resistance", examples=["2 ohm"]
    )
    leads: Resistance = Field("0.3 ohm", description="resistance of leads and clips together")
    current_limit: Annotated[float, Quantity("current", above="0 A")] | None = Field(
        None, description="the most it gives", examples=["0.5 A"]
    )
    drawn: Annotated[float, Quantity("charge", least="0 C")] = Field(
        "0 mAh", description="charge taken from the battery before this job"
    )


class _Shape(Table):
    x: Length = Field(description="centre, from the plate's left edge", examples=["25 mm"])
    y: Length = Field(description="centre, from the plate's lower edge", examples=["12 mm"])


class RectangleTable(_Shape):
    """A rectangular opening."""

    kind: Literal["rectangle"]
    width: Size = Field(description="along x before it is turned", examples=["6 mm"])
    height: Size = Field(description="along y before it is turned", examples=["1 mm"])
    angle: Angle = Field("0 deg", description="turned anticlockwise about its centre")


class CircleTable(_Shape):
    """A round opening."""

    kind: Literal["circle"]
    diameter: Size = Field(description="across", examples=["3 mm"])


class RingTable(_Shape):
    """A ring; the mask inside it is an island."""

    kind: Literal["ring"]
    outer: Size = Field(description="outer diameter", examples=["10 mm"])
    inner: Size = Field(description="inner diameter", examples=["8 mm"])


class PolygonTable(Table):
    """An opening with straight sides, drawn about a point that x and y put on the plate."""

    kind: Literal["polygon"]
    x: Length = Field("0 mm", description="where the drawing's own zero lies along the plate")
    y: Length = Field("0 mm", description="where the drawing's own zero lies up the plate")
    angle: Angle = Field("0 deg", description="turned anticlockwise about the drawing's zero")
    unit: LengthUnit | None = Field(None, description="unit of the points", examples=["mm"])
    points: Places = Field(description="corners in order", examples=[[[0, 0], [4, 0], [2, 3]]])
    holes: list[Places] = Field([], description="outlines inside that stay covered")


class TextTable(_Shape):
    """One line of letters."""

    kind: Literal["text"]
    text: str = Field(description="the words", examples=["PEAS"])
    height: Size = Field(description="height of a capital letter", examples=["6 mm"])
    anchor: str = Field("centre", description="what x is: left, centre or right of the words")
    font: str = Field("sans", description="sans, serif or mono; each also as sans-bold")
    angle: Angle = Field("0 deg", description="turned anticlockwise about the anchor")
    bridge: Width = Field(
        "0 mm", description="strip of mask across closed letters that holds their middle"
    )


ShapeTable = Annotated[
    RectangleTable | CircleTable | RingTable | PolygonTable | TextTable,
    Field(discriminator="kind"),
]


class StencilTable(Table):
    """[stencil]: a mask of one thickness, and its openings."""

    thickness: Size | None = Field(None, description="of the whole mask", examples=["0.15 mm"])
    material: str | None = Field(None, description="in the catalogue", examples=["electrical_tape"])
    layers: int = Field(1, ge=1, le=50, description="how many layers of the material")
    shapes: list[SkipValidation[ShapeTable]] = Field(
        min_length=1, description="the openings, one [[stencil.shapes]] each"
    )


class _Swab(Table):
    heading: Angle = Field("0 deg", description="way its length points, anticlockwise from x")
    porosity: Share | None = Field(None, description="liquid share under load", examples=["0.86"])
    wick_exponent: Annotated[float, Quantity("ratio", least="1", most="5")] | None = Field(
        None, description="conductivity = liquid's * porosity^exponent", examples=[1.7]
    )
    skirt_width: Width = Field("0 mm", description="film of liquid around the swab: how wide")
    skirt_thickness: Width = Field("0 mm", description="film of liquid around the swab: how thick")


class BudTable(_Swab):
    """[swab]: a cotton bud with a wire inside, lying on the mask."""

    form: Literal["bud"]
    diameter: Size = Field(description="of the cotton", examples=["5 mm"])
    length: Size = Field(description="of the cotton", examples=["14 mm"])
    press: Size = Field(description="how far it is pressed flat", examples=["0.8 mm"])
    tilt: Angle = Field("0 deg", description="lifted out of the plate's plane: 0 lying")
    wick: str = Field("cotton_bud", description="material, in the catalogue")
    cathode: str = Field("copper", description="metal of the wire, in the catalogue")
    wire_diameter: Size = Field("0.8 mm", description="of the wire in the axis")
    wire_gap: Size = Field("3 mm", description="from the tip of the cotton to the wire's end")


class PadTable(_Swab):
    """[swab]: a pad of felt with a metal back."""

    form: Literal["pad"]
    length: Size = Field(description="along its heading", examples=["20 mm"])
    width: Size = Field(description="across its heading", examples=["12 mm"])
    height: Size = Field(description="from mask to metal back", examples=["5 mm"])
    wick: str = Field("wool_felt", description="material, in the catalogue")
    cathode: str = Field("stainless", description="metal of the back, in the catalogue")


SwabTable = Annotated[BudTable | PadTable, Field(discriminator="form")]


class HoldTable(Table):
    """[stroke]: pressed on one place."""

    pattern: Literal["hold"]
    x: Length = Field(description="centre of the contact patch", examples=["12 mm"])
    y: Length = Field(description="centre of the contact patch", examples=["12 mm"])
    time: Duration = Field(description="how long", examples=["20 s"])


class DabsTable(Table):
    """[stroke]: pressed on one place after another."""

    pattern: Literal["dabs"]
    unit: LengthUnit | None = Field(None, description="unit of the points", examples=["mm"])
    points: Places = Field(description="places in order", examples=[[[5, 5], [10, 5]]])
    time: Duration = Field(description="on each place", examples=["3 s"])
    lift_time: Pause = Field("0 s", description="in the air between two places")


class HatchTable(Table):
    """[stroke]: parallel lines over a rectangle."""

    pattern: Literal["hatch"]
    x: Length = Field(description="centre of the rectangle", examples=["25 mm"])
    y: Length = Field(description="centre of the rectangle", examples=["12 mm"])
    width: Size = Field(description="along the lines", examples=["40 mm"])
    height: Width = Field(description="across the lines", examples=["20 mm"])
    spacing: Size = Field(description="between lines", examples=["2 mm"])
    speed: Speed = Field(description="along the lines", examples=["15 mm/s"])
    passes: int = Field(1, ge=1, description="how often the whole is gone over")
    turn_time: Pause = Field("0 s", description="rest at each turn")
    alternate: bool = Field(True, description="back and forth, or always in one direction")
    angle: Angle = Field("0 deg", description="of the lines, anticlockwise from x")


class PathTable(Table):
    """[stroke]: along a line with corners."""

    pattern: Literal["path"]
    unit: LengthUnit | None = Field(None, description="unit of the points", examples=["mm"])
    points: Places = Field(description="corners in order", examples=[[[5, 5], [45, 5]]])
    speed: Speed = Field(description="along the line", examples=["15 mm/s"])
    passes: int = Field(1, ge=1, description="how often")


StrokeTable = Annotated[
    HoldTable | DabsTable | HatchTable | PathTable, Field(discriminator="pattern")
]


class RewetTable(Table):
    """[rewet]: when the swab is wetted again, whichever comes first; without it, never."""

    charge: Charge | None = Field(None, description="passed since wetted", examples=["10 C"])
    time: Duration | None = Field(None, description="in use since wetted", examples=["20 s"])
    temperature: Temperature | None = Field(
        None, description="of the swab, when it is reached", examples=["60 degC"]
    )


class AimTable(Table):
    """[aim]: what the etch is for."""

    depth: Size | None = Field(None, description="wanted", examples=["25 um"])
    tolerance: Share = Field("10 %", description="of the depth, either way")


class RoomTable(Table):
    """[room]: where it is done; for the gas that comes off."""

    volume: Annotated[float, Quantity("volume", above="0 m3")] = Field(
        description="of the air", examples=["30 m3"]
    )
    air_changes: Annotated[float, Quantity("air_changes", least="0 /h")] = Field(
        "0.5 /h", description="how often the air is renewed: 0.5 closed, 3 or more windows open"
    )
    swabs: int = Field(1, ge=1, description="how many people etch at once")


class GridTable(Table):
    """[grid]: how finely it is computed."""

    cell: Size = Field("0.2 mm", description="size of the cells over the plate")
    refine: int = Field(1, ge=1, le=64, description="divides all cells: 2 is twice as fine")
    stop_spacing: Annotated[float, Quantity("ratio", above="0", most="1")] = Field(
        0.25, description="of the swab's stops, as a share of the contact patch's lesser width"
    )
    rim_tolerance: Annotated[float, Quantity("ratio", above="0", most="0.1")] = Field(
        1e-3, description="share of the current that may leave the window around the swab"
    )


class CaseTable(Table):
    """A whole case file."""

    title: str = Field(description="what it is", examples=["Tag for the pea bed"])
    note: str = Field("", description="anything worth saying")
    plate: SkipValidation[PlateTable] = Field(description="with metal, width and height")
    metal: dict[str, Any] | None = Field(
        None, description="a metal of your own: base, and numbers as in the catalogue"
    )
    electrolyte: SkipValidation[ElectrolyteTable] = Field(description="with vinegar and salt")
    supply: SkipValidation[SupplyTable] = Field(description="with name, or emf and resistance")
    stencil: SkipValidation[StencilTable] = Field(
        description="with thickness, or material and layers, and [[stencil.shapes]]"
    )
    swab: SkipValidation[SwabTable] = Field(description="with form and its sizes")
    stroke: SkipValidation[StrokeTable | list[StrokeTable]] = Field(
        description="with pattern; [[stroke]] for several, one after the other"
    )
    rewet: SkipValidation[RewetTable | None] = None
    aim: SkipValidation[AimTable | None] = None
    room: SkipValidation[RoomTable | None] = None
    grid: SkipValidation[GridTable | None] = None


# Which model ---------------------------------------------------------------------------------------

SHAPES: Mapping[str, type[Table]] = {
    "rectangle": RectangleTable,
    "circle": CircleTable,
    "ring": RingTable,
    "polygon": PolygonTable,
    "text": TextTable,
}
SWABS: Mapping[str, type[Table]] = {"bud": BudTable, "pad": PadTable}
STROKES: Mapping[str, type[Table]] = {
    "hold": HoldTable,
    "dabs": DabsTable,
    "hatch": HatchTable,
    "path": PathTable,
}
PLAIN: Mapping[str, type[Table]] = {
    "plate": PlateTable,
    "electrolyte": ElectrolyteTable,
    "supply": SupplyTable,
    "stencil": StencilTable,
    "rewet": RewetTable,
    "aim": AimTable,
    "room": RoomTable,
    "grid": GridTable,
}
#: Tables that come in kinds, and the key that says which.
CHOICES: Mapping[str, tuple[str, Mapping[str, type[Table]]]] = {
    "shapes": ("kind", SHAPES),
    "swab": ("form", SWABS),
    "stroke": ("pattern", STROKES),
}


def key_homes() -> dict[str, tuple[str, ...]]:
    """The tables in which each key is legal, as people write their headings."""
    homes: dict[str, list[str]] = {}
    for name, model in PLAIN.items():
        for key in model.model_fields:
            homes.setdefault(key, []).append(f"[{name}]")
    for name, (choice, kinds) in CHOICES.items():
        heading = "[[stencil.shapes]]" if name == "shapes" else f"[{name}]"
        for key in dict.fromkeys(key for model in kinds.values() for key in model.model_fields):
            having = [kind for kind, model in kinds.items() if key in model.model_fields]
            which = "" if len(having) == len(kinds) else f" with {choice} " + " or ".join(having)
            homes.setdefault(key, []).append(heading + which)
    for name in CaseTable.model_fields:
        homes.setdefault(name, []).append("the first lines" if name in _FIRST else f"[{name}]")
    return {key: tuple(places) for key, places in homes.items()}


_FIRST = ("title", "note")


def tables_in(values: Mapping[str, Any]) -> Iterator[tuple[Path, type[Table], Mapping[str, Any]]]:
    """The tables of a valid case: path, model and values of each."""
    for name, model in PLAIN.items():
        if name in values:
            yield (name,), model, values[name]
    lists = {("stencil", "shapes"): values["stencil"]["shapes"], ("swab",): values["swab"]}
    for path, table in {**lists, ("stroke",): values["stroke"]}.items():
        key, kinds = CHOICES[path[-1]]
        if isinstance(table, Mapping):
            yield path, kinds[table[key]], table
        else:
            for number, entry in enumerate(table, start=1):
                yield (*path, number), kinds[entry[key]], entry


def defaults_of(values: Mapping[str, Any]) -> dict[Path, Any]:
    """What a valid case leaves unsaid, as it would be written, by path."""
    given = {"grid": {}, **values}
    return {
        (*path, key): field.default
        for path, model, table in tables_in(given)
        for key, field in model.model_fields.items()
        if key not in table and not field.is_required() and field.default not in (None, [])
    }


# Reading ------------------------------------------------------------------------------------------


@dataclass
class Checked:
    """The tables of a case as far as they can be used; None where one is absent or beyond use.

    `shapes` and `strokes` are by path, so that later checks can say which one they mean.
    """

    title: str
    note: str
    plate: PlateTable | None
    metal: Mapping[str, Any] | None
    electrolyte: ElectrolyteTable | None
    supply: SupplyTable | None
    stencil: StencilTable | None
    shapes: dict[Path, Any]
    swab: BudTable | PadTable | None
    strokes: dict[Path, Any]
    rewet: RewetTable | None
    aim: AimTable | None
    room: RoomTable | None
    grid: GridTable | None


def read_tables(values: Mapping[str, Any], found: Findings) -> Checked:
    """Check every table of a case file; what is wrong is noted, the rest handed on."""
    homes = key_homes()
    top = mend(CaseTable, values, (), found, homes)
    plain = {
        name: read_table(model, top[name], (name,), found, homes) if name in top else None
        for name, model in PLAIN.items()
    }
    stencil, stroke = top.get("stencil"), top.get("stroke", [])
    shapes = stencil.get("shapes", []) if isinstance(stencil, Mapping) else []
    listed = (
        {("stroke",): stroke} if isinstance(stroke, Mapping) else _numbered(("stroke",), stroke)
    )
    return Checked(
        title=top.get("title", ""),
        note=top.get("note", ""),
        metal=top.get("metal"),
        shapes=_read_choices(_numbered(("stencil", "shapes"), shapes), "shapes", found, homes),
        swab=_read_choice(top["swab"], ("swab",), "swab", found, homes) if "swab" in top else None,
        strokes=_read_choices(listed, "stroke", found, homes),
        **plain,
    )


def _numbered(path: Path, entries: Any) -> dict[Path, Any]:
    if not isinstance(entries, list):
        return {}
    return {(*path, number): entry for number, entry in enumerate(entries, start=1)}


def _read_choices(
    entries: Mapping[Path, Any], name: str, found: Findings, homes: Mapping[str, tuple[str, ...]]
) -> dict[Path, Any]:
    """Tables of a list by path; those beyond use left out."""
    tables = {path: _read_choice(one, path, name, found, homes) for path, one in entries.items()}
    return {path: table for path, table in tables.items() if table is not None}


def _read_choice(
    values: Any, path: Path, name: str, found: Findings, homes: Mapping[str, tuple[str, ...]]
) -> Any:
    """A table that comes in kinds, as the model of its kind."""
    key, kinds = CHOICES[name]
    if not isinstance(values, Mapping):
        found.add(path, "not a table", f"a table with {key} = one of " + ", ".join(kinds))
        return None
    known = "one of " + ", ".join(f'"{kind}"' for kind in kinds)
    written_as = key if key in values else nearest(key, list(values))
    if written_as is None:
        found.add((*path, key), "missing", f"{key} = {known}")
        return None
    if written_as != key:
        found.add((*path, written_as), f"no such key, did you mean {key!r}?", known)
        values = {key if name == written_as else name: value for name, value in values.items()}
    kind = values[key]
    if not isinstance(kind, str) or kind not in kinds:
        near = nearest(kind, list(kinds)) if isinstance(kind, str) else None
        hint = f", did you mean {near!r}?" if near else ""
        found.add((*path, written_as), f"no such {key}{hint}", known)
        return None
    return read_table(kinds[kind], values, path, found, homes)
