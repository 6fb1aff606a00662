"""Numbers with source and range: read, refused, traced."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

import simulate
from simulate.errors import InputError
from simulate.materials.catalogue import (
    CONFIDENCE,
    Datum,
    inherit,
    plain_name,
    read_catalogue,
    read_datum,
    read_entries,
    resolve_name,
)

PACKAGE = Path(simulate.__file__).parent
WITHOUT_RANGES = {"elements.toml"}  # one table of atomic masses under one source
CATALOGUES = [f for f in sorted(PACKAGE.rglob("data/*.toml")) if f.name not in WITHOUT_RANGES]
each_catalogue = pytest.mark.parametrize("file", CATALOGUES, ids=lambda file: file.stem)


def test_catalogues_are_looked_for_where_they_are():
    assert {"metals", "electrolytes", "supplies", "limits"} <= {file.stem for file in CATALOGUES}


def numbers_in(table, path=""):
    """Every table of a catalogue that holds a number with a source, with its place."""
    for key, entry in table.items():
        place = f"{path}.{key}"
        if isinstance(entry, dict) and "value" in entry:
            yield place, entry
        elif isinstance(entry, dict):
            yield from numbers_in(entry, place)
        elif isinstance(entry, list):
            rows = {str(k): row for k, row in enumerate(entry) if isinstance(row, dict)}
            yield from numbers_in(rows, place)


@each_catalogue
def test_every_number_of_the_catalogue_carries_range_source_and_confidence(file):
    found = list(numbers_in(read_catalogue(file.name, file.parent)))
    assert len(found) >= 5
    for place, entry in found:
        assert {"value", "low", "high", "source", "confidence"} <= set(entry), place
        assert entry["confidence"] in CONFIDENCE, place


@each_catalogue
def test_every_citation_is_used_and_every_key_of_a_source_is_cited(file):
    catalogue = read_catalogue(file.name, file.parent)
    cited = set()
    for _, entry in numbers_in(catalogue):
        source = entry["source"]
        cited |= set(source if isinstance(source, list) else [source])
    for section in catalogue.values():
        cited |= {text for key, text in section.items() if key.endswith("_source")}
    assert set(catalogue["sources"]) <= cited
    for key in cited - set(catalogue["sources"]):
        assert " " in key, f"{key!r} is neither a citation nor words"


def test_a_number_is_kept_in_si_with_its_citation_written_out():
    entry = {"value": 60, "low": 40, "high": 110, "unit": "mV", "source": ["a", "by eye"]}
    datum = read_datum(entry | {"confidence": "fair"}, "voltage", {"a": "Author (1978)"})
    assert datum == Datum(0.06, 0.04, 0.11, "V", "Author (1978); by eye", "fair")


def test_a_persons_own_number_is_plain_text_without_a_range():
    datum = read_datum("0.3 ohm cm2", "area_resistance")
    assert datum == Datum(3e-5, 3e-5, 3e-5, "ohm m2", "given by the user", "stated")


def test_an_end_of_the_range_may_bring_its_own_unit():
    datum = read_datum({"value": "60 degC", "low": "50 degC", "high": "353.15 K"}, "temperature")
    assert (datum.low, datum.value, datum.high) == pytest.approx((323.15, 333.15, 353.15))


@pytest.mark.parametrize(
    ("entry", "words"),
    [
        ({"value": 5}, "without its unit"),
        ({"low": 5}, "has no value"),
        ({"value": 5, "unit": "mV", "hihg": 6}, "no such key"),
        ({"value": 5, "unit": "mm"}, "length"),
        ({"value": 5, "low": 6, "unit": "V"}, "not between"),
        ({"value": True, "unit": "V"}, "not a number"),
        ({"value": 5, "unit": "V", "confidence": "sure"}, "no confidence 'sure'"),
        ("5 mm", "length"),
        (5.0, "has no unit"),
        (["5 V"], "not a quantity"),
    ],
)
def test_a_number_that_cannot_be_read_names_the_field(entry, words):
    with pytest.raises(InputError, match=words) as caught:
        read_datum(entry, "voltage", key="slope")
    assert all(fault.key.startswith("slope") for fault in caught.value.faults)


def test_infinity_is_no_number():
    with pytest.raises(InputError, match="finite"):
        Datum(1.0, 0.0, math.inf)


def test_an_end_replaces_the_value_and_keeps_the_range():
    datum = Datum(2.0, 1.0, 3.0, "V")
    assert datum.at("low").value == float(datum.at("low")) == 1.0
    assert datum.at("low").high == 3.0
    assert datum.put(9.0).low == 9.0


def test_names_are_found_in_any_spelling_and_by_their_other_names():
    entries = read_entries("metals.toml")
    for spelling in ("Carbon steel", "carbon-steel", " carbon_steel ", "Mild  Steel"):
        assert resolve_name("metal", spelling, entries) == "carbon_steel"


def test_no_two_entries_answer_to_one_name():
    for file in CATALOGUES[:-2]:
        names = [
            name
            for key, table in read_entries(file).items()
            for name in {key, *map(plain_name, table.get("also", ()))}
        ]
        assert len(names) == len(set(names)), file


def test_an_unknown_name_is_answered_with_the_nearest():
    with pytest.raises(InputError, match="did you mean 'titanium'"):
        resolve_name("metal", "titaniun", read_entries("metals.toml"))


def test_an_entry_inherits_what_it_does_not_say_but_never_the_other_names():
    tables = {"a": {"x": 1, "y": 2, "also": ["alpha"]}, "b": {"base": "a", "y": 3}}
    assert inherit(tables["b"], tables) == {"x": 1, "y": 3}
    with pytest.raises(InputError, match="no entry 'c'"):
        inherit({"base": "c"}, tables)
