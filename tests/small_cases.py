"""Texts of small case files, all invented: the tables the tests share, with the changes of each."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence

from simulate.case.case import Case, parse_case

Table = Mapping[str, object]


def mm(length: float) -> str:
    """A length as a case file says it."""
    return f"{length:.12g} mm"


def circle(x: float, y: float, diameter: float) -> Table:
    """A round opening [mm]."""
    return {"kind": "circle", "x": mm(x), "y": mm(y), "diameter": mm(diameter)}


def rectangle(x: float, y: float, width: float, height: float) -> Table:
    """An opening with straight sides about its middle [mm]."""
    sides = {"width": mm(width), "height": mm(height)}
    return {"kind": "rectangle", "x": mm(x), "y": mm(y), **sides}


def ring(x: float, y: float, outer: float, inner: float) -> Table:
    """A round opening with an island [mm]."""
    return {"kind": "ring", "x": mm(x), "y": mm(y), "outer": mm(outer), "inner": mm(inner)}


def bud(diameter: float, length: float, press: float, **more: str | bool) -> Table:
    """A cotton bud [mm]."""
    sizes = {"diameter": mm(diameter), "length": mm(length), "press": mm(press)}
    return {"form": "bud", **sizes, **more}


UPRIGHT = bud(3, 7, 0.5, tilt="90 deg", wire_diameter="0.8 mm", wire_gap="1.6 mm")
"""The smallest bud, on its tip."""


def hold(x: float, y: float, seconds: float) -> Table:
    """A swab held still [mm, s]."""
    return {"pattern": "hold", "x": mm(x), "y": mm(y), "time": f"{seconds:.12g} s"}


def dabs(points: Sequence[Sequence[float]], seconds: float) -> Table:
    """A swab set down at one point after another [mm, s]."""
    return {"pattern": "dabs", "points": points, "unit": "mm", "time": f"{seconds:.12g} s"}


def path(points: Sequence[Sequence[float]], speed: float, passes: int) -> Table:
    """A swab led along a line [mm, mm/s]."""
    going = {"speed": f"{speed:.12g} mm/s", "passes": passes}
    return {"pattern": "path", "points": points, "unit": "mm", **going}


def hatch(
    x: float, y: float, width: float, height: float, *, spacing: float, speed: float, **more: object
) -> Table:
    """A swab led to and fro over a rectangle about its middle [mm, mm/s]."""
    area = {"x": mm(x), "y": mm(y), "width": mm(width), "height": mm(height)}
    going = {"spacing": mm(spacing), "speed": f"{speed:.12g} mm/s"}
    return {"pattern": "hatch", **area, **going, **more}


USUAL: Mapping[str, Table] = {
    "plate": {"metal": "carbon_steel", "width": "8 mm", "height": "8 mm"},
    "electrolyte": {"vinegar": "50 mL", "salt": "5 g"},
    "supply": {"emf": "1.5 V", "resistance": "1 ohm"},
    "stencil": {"thickness": "0.1 mm", "shapes": [circle(4, 4, 2.4)]},
    "swab": UPRIGHT,
    "stroke": hold(4, 4, 2),
    "grid": {"cell": "0.4 mm"},
}
"""A disc under an upright bud, at a voltage that builds no salt film."""

OF_ITS_OWN = {"form", "pattern", "name"}
"""A swab, stroke or supply that says what it is takes the place of the usual one."""


def case_text(title: str, **tables: Table | Sequence[Table] | None) -> str:
    """Text of a case: the usual tables, with the keys given changed; without those that are None.

    Several strokes come as a list.
    """
    parts = [f"title = {json.dumps(title)}"]
    for name, table in changed(tables).items():
        if isinstance(table, Mapping):
            parts.append(written(name, table))
        else:
            parts += [written(name, each, listed=True) for each in table]
    return "\n\n".join(parts) + "\n"


def small_case(title: str, **tables: Table | Sequence[Table] | None) -> Case:
    """The same, read."""
    return parse_case(case_text(title, **tables), "small.toml")


def changed(
    tables: Mapping[str, Table | Sequence[Table] | None],
) -> dict[str, Table | Sequence[Table]]:
    """The usual tables and those given, in the order of a case file."""
    merged: dict[str, Table | Sequence[Table]] = {}
    for name in [*USUAL, *(name for name in tables if name not in USUAL)]:
        table = tables.get(name, {})
        if isinstance(table, Mapping) and not OF_ITS_OWN & table.keys():
            table = {**USUAL.get(name, {}), **table}
        if table is not None:
            merged[name] = table
    return merged


def written(name: str, table: Table, listed: bool = False) -> str:
    """A table of TOML; lists of tables in it stand below it, each under its own heading."""
    lines = [f"[[{name}]]" if listed else f"[{name}]"]
    below = []
    for key, value in table.items():
        if isinstance(value, list) and value and isinstance(value[0], Mapping):
            below += [written(f"{name}.{key}", each, listed=True) for each in value]
        else:
            lines.append(f"{key} = {json.dumps(value)}")  # such values are written alike in TOML
    return "\n".join([*lines, *below])
