"""The lesson sheet: its numbers are those that the runs give now, its cautions come first."""

from __future__ import annotations

import itertools
import re

import pytest
from places import CASES
from scripts import load_script

from simulate.errors import InputError

FOLDER = CASES / "lesson"
SHEET = (FOLDER / "lesson.md").read_text(encoding="utf-8")
NUMBER = re.compile(r"\d+(?:\.\d+)?")
SLACK = 0.06
"""Two figures are printed, which leaves up to 5 % of rounding."""


@pytest.fixture(scope="module")
def maker():
    return load_script(FOLDER / "make_sheet.py")


@pytest.fixture(scope="module")
def results(maker):
    return maker.run_all(maker.class_case())


def test_the_sheet_says_what_the_runs_give(maker, results):
    """Words alike, numbers within their rounding; else: python tools.py lesson."""
    made = maker.sheet_text(maker.sheet_numbers(results))
    assert NUMBER.sub("#", made) == NUMBER.sub("#", SHEET)
    pairs = zip(NUMBER.findall(made), NUMBER.findall(SHEET), strict=True)
    wrong = [(new, old) for new, old in pairs if float(old) != pytest.approx(float(new), rel=SLACK)]
    assert wrong == []


def test_the_answers_are_the_runs_own_numbers(results):
    told = dict(re.findall(r"^\| ([a-z /]+[a-z]) \| ([\d.]+)", answers(), re.MULTILINE))
    summary = results["as it is"].summary
    assert float(told["highest current"]) == pytest.approx(
        summary["peak_current"]["value"], rel=SLACK
    )
    assert float(told["charge"]) == pytest.approx(summary["charge"]["value"], rel=SLACK)
    assert float(told["metal removed"]) == pytest.approx(
        1e6 * summary["removed_mass"]["value"], rel=SLACK
    )


def test_the_answers_in_words_are_true_of_the_runs(maker, results):
    first = results["as it is"]
    assert maker.mean_depth(first, 1) > 1.2 * maker.mean_depth(first, 0)  # 5: the slot
    share = {
        name: run.summary["charge"]["value"] / first.summary["charge"]["value"]
        for name, run in results.items()
    }
    assert 0.25 < share["a quarter of the salt"] < 0.5  # 6: less than a half
    assert share["half the strokes"] == pytest.approx(0.5, abs=0.05)  # 7: about a half
    thick = results["four layers"]
    assert maker.mean_depth(thick, 0) < 0.95 * maker.mean_depth(first, 0)  # 8: shallower
    assert thick.summary["edge_ratio"]["value"] < first.summary["edge_ratio"]["value"]


def answers():
    return SHEET[SHEET.index("# Answers") :]


def test_cautions_stand_before_everything_that_is_done():
    care = SHEET.index("## Before anything else")
    for heading in ("## What each group has", "## Plan", "## Predict", "## Measure", "## Compare"):
        assert care < SHEET.index(heading)
    box = SHEET[care : SHEET.index("## What each group has")]
    for word in ("risk assessment", "licensed", "rules of your place", "Chlorine", "Hydrogen"):
        assert word in box
    for word in ("shorted battery", "swab grows hot", "Stainless steel is refused", "bleach"):
        assert word in box


def test_the_answers_stand_on_a_page_of_their_own_and_not_before():
    before = SHEET[: SHEET.index("page-break-before")]
    for row in ("highest current (A)", "charge (C)", "metal removed (mg)"):
        assert f"| {row} | | | |" in before
    for value in re.findall(r"^\| [a-z /]+ \| ([\d.]+ [A-Za-zµ]+) \(", answers(), re.MULTILINE):
        assert f" {value}" not in before


def test_the_plan_fills_forty_five_minutes_without_a_gap():
    spans = re.findall(r"^\| (\d+) to (\d+) \|", SHEET, re.MULTILINE)
    ends = [(int(a), int(b)) for a, b in spans]
    assert ends[0][0] == 0
    assert ends[-1][1] == 45
    assert all(a[1] == b[0] for a, b in itertools.pairwise(ends))


def test_the_time_of_the_stroke_fits_into_the_plan(results):
    """Nine minutes are planned for stroking and noting."""
    assert results["as it is"].duration < 6 * 60.0


@pytest.mark.parametrize("metal", ["stainless_304", "brass", "galvanised_steel", "nickel"])
def test_what_has_no_place_in_a_class_is_refused(maker, tmp_path, metal):
    text = (FOLDER / "lesson.toml").read_text(encoding="utf-8")
    other = tmp_path / "other.toml"
    other.write_text(text.replace("carbon_steel", metal), encoding="utf-8")
    with pytest.raises(InputError, match="not for class"):
        maker.class_case(other)


def test_numbers_are_written_without_powers_of_ten(maker):
    shown = [maker.digits(value) for value in (0.04712, 1.996, 54.9, 1234.0, 0.0)]
    assert shown == ["0.047", "2.0", "55", "1200", "0"]
