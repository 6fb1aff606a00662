"""``swabfield recipe``: what a dose of salt does, and what more of it gains."""

from __future__ import annotations

import json
from itertools import pairwise

import pytest
from places import ROOT

from simulate.cli import main

TAG = str(ROOT / "cases/garden_tag.toml")

HEAD = {
    "schema", "command", "exit", "title", "metal", "supply", "vinegar", "water", "temperature",
    "open_area", "depth", "charge_per_dip", "enough", "doses",
}  # fmt: skip
DOSE = {
    "salt", "spoons", "mass_fraction", "molarity", "undissolved", "conductivity", "current", "time",
    "gain", "held_by",
}  # fmt: skip


def run(capsys, *arguments):
    status = main(["recipe", *arguments])
    return status, *capsys.readouterr()


def told(capsys, *arguments):
    status, out, complaint = run(capsys, *arguments, "--json")
    assert (status, complaint) == (0, "")
    return json.loads(out)


def test_the_table_fits_80_columns_and_says_what_it_means(capsys):
    status, out, complaint = run(capsys)
    assert (status, complaint) == (0, "")
    assert max(map(len, out.splitlines())) <= 80
    flat = " ".join(out.split())
    for words in (
        "are enough",
        "The vinegar's acid lasts for",
        "what just dissolves",
        "6 g (5 to 7)",
    ):
        assert words in flat


def test_a_spoon_in_60_mL_conducts_as_the_published_table_says(capsys):
    """9.1 %: 116 mS/cm at 20 degC, CRC Handbook; 1 level teaspoon is taken as 6 g."""
    dose = next(d for d in told(capsys)["doses"] if d["salt"]["value"] == 6e-3)
    assert dose["conductivity"]["value"] == pytest.approx(11.6, rel=0.03)
    assert dose["conductivity"]["low"] < 11.6 < dose["conductivity"]["high"]
    assert dose["mass_fraction"]["value"] == pytest.approx(0.091, abs=0.001)
    assert dose["spoons"]["value"] == pytest.approx(1.0, rel=1e-12)
    assert dose["spoons"]["low"] < 1.0 < dose["spoons"]["high"]


def test_the_json_object_is_complete(capsys):
    found = told(capsys)
    assert set(found) == HEAD
    assert all(set(dose) == DOSE for dose in found["doses"])
    assert found["doses"][0]["gain"] is None
    salts = [dose["salt"]["value"] for dose in found["doses"]]
    assert salts == sorted(salts)
    assert found["doses"][-1]["undissolved"]["value"] == pytest.approx(0.0, abs=1e-9)
    assert salts[-1] == pytest.approx(20.6e-3, rel=0.01)


def test_gain_is_the_current_over_that_of_the_dose_before(capsys):
    doses = told(capsys, "--emf", "2 V")["doses"]
    for before, dose in pairwise(doses):
        ratio = dose["current"]["value"] / before["current"]["value"]
        assert dose["gain"] == pytest.approx(ratio - 1.0, rel=1e-9)


def test_more_salt_stops_helping_earlier_where_the_voltage_is_high(capsys):
    """At 9 V a salt film holds the current; at 2 V the swab does, and salt goes on helping."""
    high, low = told(capsys), told(capsys, "--emf", "2 V")
    assert high["enough"]["value"] < low["enough"]["value"]
    assert high["doses"][-1]["held_by"] == "film"
    assert {dose["held_by"] for dose in low["doses"][:3]} <= {"swab", "reactions"}


def test_a_limit_that_is_set_holds_whatever_the_salt(capsys):
    found = told(capsys, "--emf", "9 V", "--current-limit", "50 mA")
    assert found["supply"]["current_limit"] == 0.05
    assert found["doses"][-1]["current"]["value"] == pytest.approx(0.05, rel=1e-9)
    assert found["doses"][-1]["held_by"] == "supply"


def test_water_takes_the_acid_away_and_hardly_any_current(capsys):
    sour, plain = told(capsys, "--emf", "2 V"), told(capsys, "--emf", "2 V", "--liquid", "water")
    assert plain["charge_per_dip"]["value"] == 0.0
    assert sour["charge_per_dip"]["value"] > 5.0
    assert plain["doses"][3]["current"]["value"] == pytest.approx(
        sour["doses"][3]["current"]["value"], rel=0.25
    )
    assert "no acid to spend" in run(capsys, "--liquid", "water")[1]


def test_a_weak_battery_and_a_slow_metal_take_longer(capsys):
    def slowest(*arguments):
        return told(capsys, *arguments)["doses"][4]["time"]["value"]

    assert slowest() < slowest("--supply", "zinc_carbon_9v") < slowest("--metal", "copper")


def test_ones_own_dose_is_marked_and_spoons_are_weighed(capsys):
    status, out, _ = run(capsys, "--salt", "7 g", "--salt", "1/2 tsp")
    marked = [line.split()[1] for line in out.splitlines() if line.startswith("   * ")]
    assert status == 0
    assert marked == ["3", "7"]
    assert "* your own dose" in out


def test_a_case_brings_its_swab_and_its_own_dose(capsys):
    found = told(capsys, "--case", TAG)
    assert found["title"] == "Salt for Tag for the mint bed"
    assert found["depth"] == {"value": 6e-6, "unit": "m"}
    assert 1.5e-3 in [dose["salt"]["value"] for dose in found["doses"]]
    assert "* 1.5" in run(capsys, "--case", TAG)[1]


def test_a_case_without_an_aim_has_no_column_of_times(capsys):
    found = run(capsys, "--case", str(ROOT / "cases/press_and_hold.toml"))
    assert "takes" not in found[1].split("What it means")[0]
    assert max(map(len, found[1].splitlines())) <= 80


@pytest.mark.parametrize(
    ("typed", "complaint"),
    [
        (["--metal", "titanium"], "does not etch: its oxide film withstands about 9 V"),
        (["--metal", "coper"], "did you mean 'copper'?"),
        (["--area", "3 cm"], "--area = '3 cm': 'cm' is a length"),
        (["--depth", "0 um"], "--depth = 0 um: not above zero"),
        (["--salt", "2 V"], "--salt"),
        (["--supply", "bench"], "is no battery"),
        (["--emf", "3 V", "--supply", "alkaline"], "two supplies"),
        (["--current-limit", "1 A"], "a limit needs a bench supply"),
        (["--case", TAG, "--metal", "copper", "--emf", "3 V"], "--emf: the case brings its own"),
        (["--acid", "60 %"], "too strong for kitchen work"),
    ],
)
def test_what_cannot_be_is_refused_with_the_reason(capsys, typed, complaint):
    status, out, told_off = run(capsys, *typed)
    assert (status, out) == (2, "")
    assert complaint in told_off


def test_quiet_says_nothing(capsys):
    assert run(capsys, "--quiet") == (0, "", "")
