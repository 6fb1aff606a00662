"""Schema of a case file: its tables and their keys, each with its unit, bounds and meaning.

One model per table; field names are the keys of the file. Values come out as SI floats. Only
`simulate.case.case` uses this module, and only when a file is read: it loads pydantic.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Field, SkipValidation, ValidationInfo
from pydantic.functional_validators import field_validator

from simulate.case.keys import (
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
    entry,
    refuse,
)
from simulate.errors import InputError
from simulate.units import parse_quantity


class PlateTable(Table):
    """[plate]: the metal that is etched."""

    metal: str = entry("name in the catalogue, or the base of your own [metal]")
    width: Size = entry("size along x", example="50 mm")
    height: Size = entry("size along y", example="25 mm")
    thickness: Size | None = entry("thickness of the sheet", usual=None, example="2 mm")
    coating: Size | None = entry(
        "thickness of the layer on a coated metal", usual=None, example="20 um"
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

    vinegar: Volume = entry("volume of vinegar", usual="0 mL", example="60 mL")
    water: Volume = entry("volume of water", usual="0 mL", example="60 mL")
    acid: Share = entry("acetic acid in the vinegar, by mass", usual="5 %")
    bulk_density: Annotated[float, Quantity("density", above="0 g/mL")] | None = entry(
        "mass of a level spoon of salt over its volume", usual=None, example="1.2 g/mL"
    )
    salt: float = entry("mass of salt", example="6 g")
    temperature: Temperature = entry("temperature when mixed", usual="20 degC")
    conductivity: Annotated[float, Quantity("conductivity", above="0 S/m")] | None = entry(
        "measured, overrides the recipe", usual=None, example="11 S/m"
    )
    additions: list[str] = entry("other things in the liquid, for the record", usual=[])

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

    name: str | None = entry("in the catalogue", usual=None, example="alkaline_9v")
    emf: Annotated[float, Quantity("voltage", above="0 V")] | None = entry(
        "open-circuit voltage", usual=None, example="9 V"
    )
    resistance: Resistance | None = entry("internal resistance", usual=None, example="2 ohm")
    leads: Resistance = entry("resistance of leads and clips together", usual="0.3 ohm")
    current_limit: Annotated[float, Quantity("current", above="0 A")] | None = entry(
        "largest current it gives", usual=None, example="0.5 A"
    )
    drawn: Annotated[float, Quantity("charge", least="0 C")] = entry(
        "charge taken from the battery before this job", usual="0 mAh"
    )


class _Shape(Table):
    x: Length = entry("centre, from the plate's left edge", example="25 mm")
    y: Length = entry("centre, from the plate's lower edge", example="12 mm")


class RectangleTable(_Shape):
    """A rectangular opening."""

    kind: Literal["rectangle"]
    width: Size = entry("along x before it is turned", example="6 mm")
    height: Size = entry("along y before it is turned", example="1 mm")
    angle: Angle = entry("turned anticlockwise about its centre", usual="0 deg")


class CircleTable(_Shape):
    """A round opening."""

    kind: Literal["circle"]
    diameter: Size = entry("across", example="3 mm")


class RingTable(_Shape):
    """A ring; the mask inside it is an island."""

    kind: Literal["ring"]
    outer: Size = entry("outer diameter", example="10 mm")
    inner: Size = entry("inner diameter", example="8 mm")


class PolygonTable(Table):
    """An opening with straight sides, drawn about a point that x and y put on the plate."""

    kind: Literal["polygon"]
    x: Length = entry("where the drawing's own zero lies along the plate", usual="0 mm")
    y: Length = entry("where the drawing's own zero lies up the plate", usual="0 mm")
    angle: Angle = entry("turned anticlockwise about the drawing's zero", usual="0 deg")
    unit: LengthUnit | None = entry("unit of the points", usual=None, example="mm")
    points: Places = entry("corners in order", example=[[0, 0], [4, 0], [2, 3]])
    holes: list[Places] = entry("outlines inside that stay covered", usual=[])


class TextTable(_Shape):
    """One line of letters."""

    kind: Literal["text"]
    text: str = entry("the words", example="PEAS", max_length=200)
    height: Size = entry("height of a capital letter", example="6 mm")
    anchor: str = entry("what x is: left, centre or right of the words", usual="centre")
    font: str = entry("sans, serif or mono; each also as sans-bold", usual="sans")
    angle: Angle = entry("turned anticlockwise about the anchor", usual="0 deg")
    bridge: Width = entry(
        "strip of mask across closed letters that holds their middle", usual="0 mm"
    )


class DrawingTable(_Shape):
    """Openings from a drawing in a file beside the case; x and y put the centre of its box."""

    kind: Literal["drawing"]
    file: str = entry("beside the case or below: .svg, .png or .dxf", example="leaf.svg")
    angle: Angle = entry("turned anticlockwise about its centre", usual="0 deg")
    width: Size | None = entry("total width to scale the drawing to", usual=None, example="30 mm")
    pixel: Size | None = entry(
        "side of one pixel of a .png, where no width is given", usual=None, example="0.1 mm"
    )
    threshold: Annotated[float, Quantity("ratio", above="0", most="1")] | None = entry(
        "grey at the rim in a .png, 0 black to 1 white; 0.5 if not given", usual=None, example=0.5
    )
    light: bool | None = entry(
        "whether the light part of a .png is open; the dark part if not given", usual=None
    )
    colour: str | None = entry(
        "colour of a .svg that counts as open; any if not given", usual=None, example="#000000"
    )


ShapeTable = Annotated[
    RectangleTable | CircleTable | RingTable | PolygonTable | TextTable | DrawingTable,
    Field(discriminator="kind"),
]


class StencilTable(Table):
    """[stencil]: a mask of one thickness, and its openings."""

    thickness: Size | None = entry("of the whole mask", usual=None, example="0.15 mm")
    material: str | None = entry("in the catalogue", usual=None, example="electrical_tape")
    layers: int | None = entry("of the material, one if not given", usual=None, ge=1, le=50)
    shapes: list[SkipValidation[ShapeTable]] = entry(
        "the openings, one [[stencil.shapes]] each", min_length=1
    )


class _Swab(Table):
    heading: Angle = entry("way its length points, anticlockwise from x", usual="0 deg")
    porosity: Share | None = entry("liquid fraction under load", usual=None, example="0.86")
    wick_exponent: Annotated[float, Quantity("ratio", least="1", most="5")] | None = entry(
        "conductivity = liquid's * porosity^exponent", usual=None, example=1.7
    )
    skirt_width: Width = entry("film of liquid around the swab: how wide", usual="0 mm")
    skirt_thickness: Width = entry("film of liquid around the swab: how thick", usual="0 mm")
    trail: bool = entry("openings stay filled where the swab is not", usual=False)


class BudTable(_Swab):
    """[swab]: a cotton bud with a wire inside, lying on the mask."""

    form: Literal["bud"]
    diameter: Size = entry("of the cotton", example="5 mm")
    length: Size = entry("of the cotton", example="14 mm")
    press: Annotated[float, Quantity("length", least="0.01 mm", most="1 m")] = entry(
        "how far it is pressed flat", example="0.8 mm"
    )
    tilt: Angle = entry("lifted out of the plate's plane: 0 lying", usual="0 deg")
    wick: str = entry("material, in the catalogue", usual="cotton_bud")
    cathode: str = entry("metal of the wire, in the catalogue", usual="copper")
    wire_diameter: Size = entry("of the wire in the axis", usual="0.8 mm")
    wire_gap: Size = entry("from the tip of the cotton to the wire's end", usual="3 mm")


class PadTable(_Swab):
    """[swab]: a pad of felt with a metal back."""

    form: Literal["pad"]
    length: Size = entry("along its heading", example="20 mm")
    width: Size = entry("across its heading", example="12 mm")
    height: Size = entry("from mask to metal back", example="5 mm")
    wick: str = entry("material, in the catalogue", usual="wool_felt")
    cathode: str = entry("metal of the back, in the catalogue", usual="stainless")


SwabTable = Annotated[BudTable | PadTable, Field(discriminator="form")]


class HoldTable(Table):
    """[stroke]: pressed on one place."""

    pattern: Literal["hold"]
    x: Length = entry("centre of the contact patch", example="12 mm")
    y: Length = entry("centre of the contact patch", example="12 mm")
    time: Duration = entry("how long", example="20 s")


class DabsTable(Table):
    """[stroke]: pressed on one place after another."""

    pattern: Literal["dabs"]
    unit: LengthUnit | None = entry("unit of the points", usual=None, example="mm")
    points: Places = entry("places in order", example=[[5, 5], [10, 5]])
    time: Duration = entry("on each place", example="3 s")
    lift_time: Pause = entry("in the air between two places", usual="0 s")


class HatchTable(Table):
    """[stroke]: parallel lines over a rectangle."""

    pattern: Literal["hatch"]
    x: Length = entry("centre of the rectangle", example="25 mm")
    y: Length = entry("centre of the rectangle", example="12 mm")
    width: Size = entry("along the lines", example="40 mm")
    height: Width = entry("across the lines", example="20 mm")
    spacing: Annotated[float, Quantity("length", least="0.01 mm", most="1 m")] = entry(
        "between lines", example="2 mm"
    )
    speed: Speed = entry("along the lines", example="15 mm/s")
    passes: int = entry("how often the whole pattern is repeated", usual=1, ge=1, le=10_000)
    turn_time: Pause = entry("rest at each turn", usual="0 s")
    alternate: bool = entry("back and forth, or always in one direction", usual=True)
    angle: Angle = entry("of the lines, anticlockwise from x", usual="0 deg")


class PathTable(Table):
    """[stroke]: along a line with corners."""

    pattern: Literal["path"]
    unit: LengthUnit | None = entry("unit of the points", usual=None, example="mm")
    points: Places = entry("corners in order", example=[[5, 5], [45, 5]])
    speed: Speed = entry("along the line", example="15 mm/s")
    passes: int = entry("how often", usual=1, ge=1, le=10_000)


StrokeTable = Annotated[
    HoldTable | DabsTable | HatchTable | PathTable, Field(discriminator="pattern")
]


class RewetTable(Table):
    """[rewet]: when the swab is re-dipped, whichever comes first; without it, never."""

    charge: Charge | None = entry("passed since the last dip", usual=None, example="10 C")
    time: Duration | None = entry("in use since the last dip", usual=None, example="20 s")
    temperature: Temperature | None = entry(
        "of the swab at which it is re-dipped", usual=None, example="60 degC"
    )
    pause: Pause = entry("in the air at each re-dip", usual="5 s")


class AimTable(Table):
    """[aim]: what the etch is for."""

    depth: Size | None = entry("wanted", usual=None, example="25 um")
    tolerance: Share = entry("of the depth, either way", usual="10 %")


class RoomTable(Table):
    """[room]: where it is done; for the gas that comes off."""

    volume: Annotated[float, Quantity("volume", above="0 m3")] = entry(
        "of the air", example="30 m3"
    )
    air_changes: Annotated[float, Quantity("air_changes", least="0 /h")] = entry(
        "how often the air is renewed: 0.5 closed, 3 or more windows open", usual="0.5 /h"
    )
    swabs: int = entry("how many people etch at once", usual=1, ge=1, le=10_000)


class GridTable(Table):
    """[grid]: resolution of the solver."""

    cell: Size = entry("size of the cells over the plate", usual="0.2 mm")
    refine: bool = entry(
        "solve again on cells and stops twice as coarse, and state the numerical error",
        usual=False,
    )
    finer: int = entry("divides all cells and stops: 2 is twice as fine", usual=1, ge=1, le=64)
    stop_spacing: Annotated[float, Quantity("ratio", above="0", most="1")] = entry(
        "spacing of the swab's stops, as a fraction of the contact patch's lesser width", usual=0.25
    )
    rim_tolerance: Annotated[float, Quantity("ratio", above="0", most="0.1")] = entry(
        "fraction of the current that may leave the window around the swab", usual=1e-3
    )
    depth_feedback: Literal["auto", "on", "off"] = entry(
        "whether the depth reached holds the current back", usual="auto"
    )


class CaseTable(Table):
    """A whole case file."""

    title: str = entry("what it is", example="Tag for the pea bed")
    note: str = entry("anything worth saying", usual="")
    plate: SkipValidation[PlateTable] = entry("with metal, width and height")
    metal: dict[str, Any] | None = entry(
        "a metal of your own: base, and numbers as in the catalogue", usual=None
    )
    electrolyte: SkipValidation[ElectrolyteTable] = entry("with vinegar and salt")
    supply: SkipValidation[SupplyTable] = entry("with name, or emf and resistance")
    stencil: SkipValidation[StencilTable] = entry(
        "with thickness, or material and layers, and [[stencil.shapes]]"
    )
    swab: SkipValidation[SwabTable] = entry("with form and its sizes")
    stroke: SkipValidation[StrokeTable | list[StrokeTable]] = entry(
        "with pattern; [[stroke]] for several, one after the other"
    )
    rewet: SkipValidation[RewetTable | None] = None
    aim: SkipValidation[AimTable | None] = None
    room: SkipValidation[RoomTable | None] = None
    grid: SkipValidation[GridTable | None] = None
