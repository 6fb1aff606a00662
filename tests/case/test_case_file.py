"""The case file as text and tables: lines, edits, faults, keys."""

from __future__ import annotations

import json
import tomllib

import pytest
from pydantic_core import PydanticCustomError

from simulate.case.document import (
    FaultList,
    edited,
    key_lines,
    line_of,
    path_name,
    path_of,
    read_toml,
    value_at,
    written,
)
from simulate.case.keys import Quantity, mend
from simulate.case.reading import PLAIN, key_homes, tables_in
from simulate.case.tables import CaseTable, PlateTable, refusal
from simulate.errors import Fault, InputError

TORTURE = '''# a comment
title = "a # b"   # 2

[plate]                          # 4
width = "5 mm"                   # 5
own.depth = 1                    # 6
own.words = """one
two"""                           # 8 ends what 7 began

[stencil]                        # 10
shapes = [                       # 11
  # { kind = "ring" },
  { kind = "ring" },             # 13
  { kind = "ring" },             # 14

  { kind = "a # [b", x = 1 },    # 16
]
after = 1                        # 18

  [[stroke]]                     # 20
  pattern = "dabs"
  points = [
    [1, 2],

    [3, 4],
  ]                              # 26
[[stroke]]                       # 27
pattern = "hold"                 # 28
[a.b.c]
k = 1                            # 30
[plate.more]                     # 31
k = 2                            # 32
'''


def test_every_key_of_a_tortuous_file_has_its_line():
    lines = {path_name(path): line for path, line in key_lines(TORTURE).items()}
    expected = {
        "title": 2,
        "plate": 4,
        "plate.width": 5,
        "plate.own.depth": 6,
        "plate.own.words": 7,
        "stencil": 10,
        "stencil.shapes": 11,
        "stencil.shapes.1": 13,
        "stencil.shapes.2": 14,
        "stencil.shapes.3": 16,
        "stencil.after": 18,
        "stroke.1": 20,
        "stroke.1.points": 22,
        "stroke.2": 27,
        "stroke.2.pattern": 28,
        "a.b.c.k": 30,
        "plate.more": 31,
        "plate.more.k": 32,
    }
    assert {name: lines[name] for name in expected} == expected


def test_what_has_no_line_of_its_own_stands_on_its_holders():
    lines = key_lines(TORTURE)
    assert line_of(lines, ("stencil", "shapes", 3, "x")) == 16
    assert line_of(lines, ("stroke", 1, "points", 2)) == 22
    assert line_of(lines, ("plate", "missing")) == 4
    assert line_of(lines, ("nowhere",)) is None


def test_names_of_paths_read_back():
    path = ("stencil", "shapes", 2, "height")
    assert path_name(path) == "stencil.shapes.2.height"
    assert path_of(path_name(path)) == path


def test_lists_count_from_one():
    values = tomllib.loads(TORTURE)
    assert value_at(values, ("stroke", 2, "pattern")) == "hold"
    assert value_at(values, ("stroke", 0, "pattern")) is None
    assert value_at(values, ("stroke", 3)) is None


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ("a = 1\nb = \n", 2, "invalid value"),
        ("[plate\nwidth = 1\n", 1, "expected"),
        ("a = 1\na = 2\n", 2, "overwrite"),
        ('a = 1\nb = "x\n', 2, "character"),
        ('a = 1\nb = """x\n', 2, "before the end of the file"),
    ],
)
def test_a_slip_in_toml_is_reported_with_its_line(text, line, words):
    with pytest.raises(InputError) as caught:
        read_toml(text, "slip.toml")
    (fault,) = caught.value.faults
    assert (fault.file, fault.line) == ("slip.toml", line)
    assert words in fault.problem
    assert fault.expected


def test_values_are_shown_as_they_stand_in_the_file():
    assert written("9 A") == '"9 A"'
    assert written(True) == "true"
    assert written([1, "½"]) == '[1, "½"]'
    assert written({"x": "1 mm"}) == '{x = "1 mm"}'
    assert len(written("x" * 500)) == 60


def test_edits_keep_comments_and_order():
    text = '# head\n[plate] # p\nwidth = "5 mm" # w\nheight = "3 mm"\n\n[aim]\n'
    changed = edited(text, {"plate.height": "4 mm", "aim.depth": "9 um", "room.swabs": 2})
    assert changed.startswith('# head\n[plate] # p\nwidth = "5 mm" # w\nheight = "4 mm"\n')
    assert tomllib.loads(changed) == {
        "plate": {"width": "5 mm", "height": "4 mm"},
        "aim": {"depth": "9 um"},
        "room": {"swabs": 2},
    }


def test_edits_reach_into_lists_and_take_keys_out():
    changed = tomllib.loads(edited(TORTURE, {"stroke.2.pattern": "path", "plate.width": None}))
    assert changed["stroke"][1]["pattern"] == "path"
    assert "width" not in changed["plate"]
    inline = tomllib.loads(edited(TORTURE, {"stencil.shapes.3.x": "2 mm"}))
    assert inline["stencil"]["shapes"][2] == {"kind": "a # [b", "x": "2 mm"}


@pytest.mark.parametrize("place", ["stroke.pattern", "stroke.3.pattern", "title.x", "stroke.1"])
def test_an_edit_to_a_place_that_is_not_there_is_refused(place):
    with pytest.raises(InputError, match="no such place") as caught:
        edited(TORTURE, {place: "x"})
    assert place.startswith(caught.value.faults[0].key)


def test_findings_come_out_in_the_order_of_the_file_each_once():
    found = FaultList()
    found.add(("stroke", 2, "pattern"), "second")
    found.add(("plate", "width"), "first", "a width")
    found.add(("plate", "width"), "first", "a width")
    found.add(("room",), "last")
    faults = found.placed(TORTURE, "f.toml")
    assert [fault.problem for fault in faults] == ["first", "second", "last"]
    assert faults[0] == Fault("first", "a width", "f.toml", 5, "plate.width", '"5 mm"')
    assert faults[2].line == len(TORTURE.splitlines())


def test_an_attempt_notes_the_faults_of_what_cannot_be_made():
    def fail() -> float:
        raise InputError([Fault("bad", key="field"), Fault("worse")])

    found = FaultList()
    assert found.attempt(("table",), fail, {"field": "key"}) is None
    assert found.attempt(("table",), lambda: 3.0) == 3.0
    assert [path for path, _ in found.faults] == [("table", "key"), ("table",)]


def test_one_misspelt_key_does_not_hide_the_faults_behind_it():
    found = FaultList()
    values = {"metal": "brass", "widht": "-4 mm", "height": "2 V", "leads": "1 ohm"}
    usable = mend(PlateTable, values, ("plate",), found, key_homes())
    notes = [(path_name(path), str(fault)) for path, fault in found.faults]
    for place, words in (
        ("plate.widht", "did you mean 'width'"),
        ("plate.widht", "too small; expected more than 0 mm"),
        ("plate.height", "is a voltage"),
        ("plate.leads", "legal in [supply]"),
    ):
        assert any(name == place and words in text for name, text in notes)
    assert usable == {"metal": "brass"}


def test_a_key_of_another_kind_is_told_where_it_is_legal():
    homes = key_homes()
    assert homes["speed"] == ("[stroke] with pattern hatch or path",)
    assert homes["diameter"] == ("[[stencil.shapes]] with kind circle", "[swab] with form bud")
    assert homes["vinegar"] == ("[electrolyte]",)


@pytest.mark.parametrize(
    ("quantity", "value", "words"),
    [
        (Quantity("length", above="0 mm"), "0 mm", "more than 0 mm"),
        (Quantity("temperature", least="0 degC", most="100 degC"), "120 degC", "100 degC or less"),
        (Quantity("voltage"), 9, "a voltage such as"),
        (Quantity("voltage"), True, "a voltage such as"),
        (Quantity("voltage"), ["9 V"], "a voltage such as"),
        (Quantity("ratio", least="0", most="1"), 1.5, "1 or less"),
    ],
)
def test_a_quantity_out_of_place_is_refused_with_what_would_be_accepted(quantity, value, words):
    with pytest.raises(PydanticCustomError) as caught:
        quantity.read(value)
    assert words in (caught.value.context or {})["expected"]


def test_a_ratio_may_be_bare_and_a_percentage():
    assert Quantity("ratio").read(0.25) == Quantity("ratio").read("25 %") == 0.25


def test_every_key_says_what_it_means():
    for _, model, _ in tables_in(EVERY_KIND):
        for key, field in model.model_fields.items():
            if key not in ("kind", "form", "pattern"):
                assert field.description, f"{model.__name__}.{key}"


def test_every_example_and_every_usual_value_is_itself_accepted():
    for _, model, _ in tables_in(EVERY_KIND):
        values = {
            key: field.examples[0]
            for key, field in model.model_fields.items()
            if field.examples and key not in ("unit", "points")
        }
        fixed = {"text": "A", "unit": "mm", "points": [[0, 0], [4, 0], [2, 3]], "metal": "brass"}
        values |= {key: fixed[key] for key in fixed if key in model.model_fields}
        values |= {"shapes": [{}]} if "shapes" in model.model_fields else {}
        for key in ("kind", "form", "pattern"):
            if key in model.model_fields:
                values[key] = model.model_fields[key].annotation.__args__[0]
        model.model_validate(values)


EVERY_KIND = {
    **{name: {} for name in PLAIN},
    "stencil": {
        "shapes": [
            {"kind": kind} for kind in ("rectangle", "circle", "ring", "polygon", "text", "drawing")
        ]
    },
    "swab": {"form": "bud"},
    "stroke": [{"pattern": pattern} for pattern in ("hold", "dabs", "hatch", "path")],
}


@pytest.mark.parametrize(
    "name", ["Bleach", "sodium hypochlorite", "hydrogen peroxide", "ammonia", "muriatic acid"]
)
def test_what_makes_poison_is_refused_with_the_reason(name):
    assert refusal(name)


def test_salt_and_soap_are_not_refused():
    assert refusal("detergent") is None
    assert refusal("salt") is None


def test_the_schema_names_every_table_and_forbids_other_keys():
    schema = CaseTable.model_json_schema()
    assert {"plate", "electrolyte", "supply", "stencil", "swab", "stroke"} <= set(
        schema["required"]
    )
    assert schema["additionalProperties"] is False
    kinds = json.dumps(schema["properties"]["stencil"])
    assert all(name in kinds for name in ("TextTable", "PolygonTable", "RingTable"))
