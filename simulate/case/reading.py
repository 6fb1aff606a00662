"""Validation of a case file: each table against its model, every fault noted."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from simulate.case.document import FaultList, KeyPath
from simulate.case.keys import Table, mend, nearest, read_table
from simulate.case.tables import (
    AimTable,
    BudTable,
    CaseTable,
    CircleTable,
    DabsTable,
    DrawingTable,
    ElectrolyteTable,
    GridTable,
    HatchTable,
    HoldTable,
    PadTable,
    PathTable,
    PlateTable,
    PolygonTable,
    RectangleTable,
    RewetTable,
    RingTable,
    RoomTable,
    StencilTable,
    SupplyTable,
    TextTable,
)

SHAPES: Mapping[str, type[Table]] = {
    "rectangle": RectangleTable,
    "circle": CircleTable,
    "ring": RingTable,
    "polygon": PolygonTable,
    "text": TextTable,
    "drawing": DrawingTable,
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


def tables_in(
    values: Mapping[str, Any],
) -> Iterator[tuple[KeyPath, type[Table], Mapping[str, Any]]]:
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


def defaults_of(values: Mapping[str, Any]) -> dict[KeyPath, Any]:
    """What a valid case leaves unsaid, as it would be written, by path."""
    given = {"grid": {}, **values}
    return {
        (*path, key): field.default
        for path, model, table in tables_in(given)
        for key, field in model.model_fields.items()
        if key not in table and not field.is_required() and field.default not in (None, [])
    }


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
    shapes: dict[KeyPath, Any]
    swab: BudTable | PadTable | None
    strokes: dict[KeyPath, Any]
    rewet: RewetTable | None
    aim: AimTable | None
    room: RoomTable | None
    grid: GridTable | None


def read_tables(values: Mapping[str, Any], found: FaultList) -> Checked:
    """Check every table of a case file; what is wrong is noted, the rest handed on."""
    homes = key_homes()
    top = mend(CaseTable, values, (), found, homes)
    plain = {
        name: read_table(model, top[name], (name,), found, homes) if name in top else None
        for name, model in PLAIN.items()
    }
    stencil, stroke = top.get("stencil"), top.get("stroke", [])
    shapes = stencil.get("shapes", []) if isinstance(stencil, Mapping) else []
    listed = _numbered(("stroke",), stroke)
    if isinstance(stroke, Mapping):
        listed[("stroke",)] = stroke
    return Checked(
        title=top.get("title", ""),
        note=top.get("note", ""),
        metal=top.get("metal"),
        shapes=_read_choices(_numbered(("stencil", "shapes"), shapes), "shapes", found, homes),
        swab=_read_choice(top["swab"], ("swab",), "swab", found, homes) if "swab" in top else None,
        strokes=_read_choices(listed, "stroke", found, homes),
        **plain,
    )


def _numbered(path: KeyPath, entries: Any) -> dict[KeyPath, Any]:
    if not isinstance(entries, list):
        return {}
    return {(*path, number): entry for number, entry in enumerate(entries, start=1)}


def _read_choices(
    entries: Mapping[KeyPath, Any],
    name: str,
    found: FaultList,
    homes: Mapping[str, tuple[str, ...]],
) -> dict[KeyPath, Any]:
    """Tables of a list by path; those beyond use left out."""
    tables = {path: _read_choice(one, path, name, found, homes) for path, one in entries.items()}
    return {path: table for path, table in tables.items() if table is not None}


def _read_choice(
    values: Any, path: KeyPath, name: str, found: FaultList, homes: Mapping[str, tuple[str, ...]]
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
