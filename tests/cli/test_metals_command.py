"""``swabfield metals``: the verdicts a person needs first, and every number with its source."""

from __future__ import annotations

import json

import pytest

from simulate.cli import main
from simulate.cli.metals import in_a_word
from simulate.cli.report_rows import banded, span, table
from simulate.materials.catalogue import CONFIDENCE
from simulate.materials.lookup import find_metal, load_metals

ENTRY = {
    "name", "label", "etches", "in_a_word", "verdict", "instead", "composition", "valences",
    "high_valences", "equivalent_weight", "under", "film_settles", "collect", "cautions", "numbers",
    "depth_per_charge", "voltage_floor", "time",
}  # fmt: skip
DATUM = {"value", "low", "high", "unit", "source", "confidence"}


def run(capsys, *arguments):
    status = main(["metals", *arguments])
    return status, *capsys.readouterr()


@pytest.fixture
def told(capsys):
    return json.loads(run(capsys, "--json")[1])


def row(out, name):
    """The line of the table of one metal."""
    return next(line for line in out.splitlines() if line.split()[:1] == [name])


def test_every_metal_of_the_catalogue_has_its_line_within_80_columns(capsys):
    status, out, complaint = run(capsys)
    assert (status, complaint) == (0, "")
    assert max(map(len, out.splitlines())) <= 80
    for name in load_metals():
        assert row(out, name)


def test_the_table_answers_what_a_person_asks(capsys):
    out = run(capsys)[1]
    assert row(out, "carbon_steel").split()[1:4] == ["well", "0.35", "0.8"]
    assert row(out, "stainless_304").endswith("Cr Ni")
    assert row(out, "titanium").split()[1:] == ["no", "none", ">", "9", "none", "never", "-"]
    assert "wipe it off" in out
    assert "does not etch" in out


def test_what_does_well_comes_first_and_what_does_not_etch_last(capsys):
    names = [line.split()[0] for line in run(capsys)[1].splitlines()[4:] if line.startswith("  ")]
    listed = [name for name in names if name in load_metals()][: len(load_metals())]
    assert listed[0] == "carbon_steel"
    assert listed[-1] == "titanium"
    assert listed.index("copper") > listed.index("nickel")


def test_the_json_object_tells_everything_of_every_metal(told):
    assert {"schema", "command", "exit", "job", "metals"} == set(told)
    assert {entry["name"] for entry in told["metals"]} == set(load_metals())
    for entry in told["metals"]:
        assert set(entry) == ENTRY
        for number in entry["numbers"].values():
            assert set(number) == DATUM
            assert number["source"]
            assert number["confidence"] in CONFIDENCE
            assert number["low"] <= number["value"] <= number["high"]
        if entry["etches"]:
            assert set(entry["time"]) == set(entry["depth_per_charge"]) == DATUM


def test_depth_per_charge_is_faradays_with_the_efficiency(told):
    entry = next(one for one in told["metals"] if one["name"] == "copper")
    expected = 0.95 * 63.546e-3 / 96485.33212 / 8960.0
    assert entry["depth_per_charge"]["value"] == pytest.approx(expected, rel=1e-3)
    assert entry["depth_per_charge"]["low"] < 0.55 * expected  # half of it as divalent copper
    assert entry["high_valences"] == {"Cu": 2}


def test_the_floor_of_a_noble_metal_is_higher(told):
    floors = {one["name"]: one["voltage_floor"] for one in told["metals"]}
    assert floors["titanium"] is None
    assert floors["zinc"]["value"] < floors["carbon_steel"]["value"]
    assert floors["carbon_steel"]["value"] < floors["stainless_304"]["value"]
    assert floors["carbon_steel"]["low"] < 0.75 < 1.0 < floors["carbon_steel"]["high"]


def test_one_metal_shows_each_number_with_range_source_and_confidence(capsys):
    status, out, _ = run(capsys, "--metal", "stainless")
    assert status == 0
    assert max(map(len, out.splitlines())) <= 80
    flat = " ".join(out.split())
    for words in (
        "Mount, Howarth and Clifton",
        "0.5 V (0.45 to 0.65)",
        "Fe(+3), Cr(+6)",
        "hexavalent, which is poisonous",
        "guess within a factor of 3 or more",
        "carbon steel or brass, for schools",
    ):
        assert words in flat


def test_titanium_says_why_not_and_what_would_serve(capsys):
    out = " ".join(run(capsys, "--metal", "titanium")[1].split())
    assert "its oxide film withstands about 9 V" in out
    assert "laser for depth" in out


def test_galvanised_sheet_names_the_metal_below(capsys):
    assert "below it          carbon steel" in run(capsys, "--metal", "galvanised")[1]


def test_one_metal_as_json_is_one_entry(capsys):
    told = json.loads(run(capsys, "--metal", "brass", "--json")[1])
    assert [entry["name"] for entry in told["metals"]] == ["brass"]


@pytest.mark.parametrize(("typed", "hint"), [("stele", "steel"), ("galvanisd", "galvanised")])
def test_a_misspelt_metal_gets_the_nearest_name(capsys, typed, hint):
    status, out, complaint = run(capsys, "--metal", typed)
    assert (status, out) == (2, "")
    assert f"did you mean '{hint}" in complaint


def test_quiet_says_nothing(capsys):
    assert run(capsys, "--quiet") == (0, "", "")


@pytest.mark.parametrize("name", list(load_metals()))
def test_a_verdict_in_a_word_follows_the_verdict(name):
    metal = find_metal(name)
    word = in_a_word(metal)
    assert (word == "no") is (not metal.etches)
    assert word in {"well", "fast", "in layers", "yes", "shallow", "slowly", "poorly", "no"}


def test_words_of_time_bands_and_tables():
    assert [span(s) for s in (4.26, 89.0, 90.0, 5399.0, 9000.0)] == [
        "4.3 s", "89 s", "1.5 min", "90 min", "2.5 h"
    ]  # fmt: skip
    assert banded(0.238, 0.0357, 0.594, "A") == "0.24 A (0.036 to 0.59)"
    assert banded(2.0, 2.0, 2.0, "V") == "2 V"
    assert table([["a", "bb"]], [["long", "1"]]) == ["a     bb", "long   1"]
