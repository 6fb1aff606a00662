"""What the quick commands print: narrow enough to read, and all of it for machines too."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from typing import Any

import pytest
from places import ROOT

from simulate.cli import main
from simulate.cli.report_rows import table

QUICK = [
    *(["check", str(path)] for path in sorted((ROOT / "cases").glob("*.toml"))),
    ["metals"],
    *(["metals", "--metal", name] for name in ("copper", "stainless_304", "galvanised_steel")),
    ["recipe"],
    ["recipe", "--emf", "6 V", "--current-limit", "0.5 A", "--liquid", "water"],
    ["recipe", "--emf", "2.1 V", "--metal", "stainless_304", "--volume", "2 L"],
    ["recipe", "--supply", "zinc_carbon_9v", "--metal", "stainless_316"],
    ["recipe", "--case", str(ROOT / "cases" / "garden_tag.toml")],
]
quick = pytest.mark.parametrize("words", QUICK, ids=lambda words: " ".join(map(str, words[-2:])))

#: What SI is multiplied by for the units a report uses, and the zero of the Celsius scale.
SCALES = (1.0, 1e2, 1e3, 1e4, 1e6, 1e8, 1e9, 1e10, 1e-3, 1e-4, 1e-6, 3600.0, 1 / 60, 1 / 3600)
ZEROS = (0.0, -273.15)

NUMBER = re.compile(r"(?<![\w.])\d+(?:\.\d+)?")


def printed(capsys, words: list[str]) -> str:
    assert main(words) == 0
    return capsys.readouterr().out


def numbers(value: Any) -> Iterator[float]:
    """All numbers of a JSON object, those within its texts included."""
    if isinstance(value, dict | list):
        for part in value.values() if isinstance(value, dict) else value:
            yield from numbers(part)
    elif isinstance(value, str):
        yield from map(float, re.findall(r"\d+(?:\.\d+)?", value))
    elif isinstance(value, int | float) and not isinstance(value, bool):
        yield float(value)


def is_known(token: str, known: set[float]) -> bool:
    """Whether a printed number is one of those known, in some unit, as far as it is printed."""
    shown = float(token)
    last = 10.0 ** -len(token.partition(".")[2])
    if shown >= 10.0 and "." not in token:  # two or three figures are printed
        last = 10.0 ** max(len(token) - len(token.rstrip("0")), 0)
    return any(
        abs((number + zero) * scale - shown) <= 0.501 * last
        for number in known
        for scale in SCALES
        for zero in ZEROS
    )


@quick
def test_no_line_is_longer_than_80_columns(capsys, words):
    lines = printed(capsys, words).splitlines()
    assert len(lines) > 20
    assert max(map(len, lines)) <= 80


@quick
def test_every_number_a_person_is_shown_is_in_the_json_object(capsys, words):
    report = printed(capsys, words)
    content = json.loads(printed(capsys, [*words, "--json"]))
    known = set(numbers(content))
    tokens = NUMBER.findall(report)
    assert len(tokens) > 30
    assert [token for token in tokens if not is_known(token, known)] == []


def test_a_number_that_machines_are_not_told_would_be_missed():
    assert not is_known("0.37", {0.36, 4.1, 37.2, 300.0})
    assert is_known("0.37", {0.3749e-3, 4.1})
    assert is_known("53.2", {326.35})


def test_a_table_that_would_be_too_wide_stands_closer():
    words = ["x" * 18] * 4
    assert table([words], []) == ["  ".join(words)]
    wide = ["x" * 19] * 4
    assert table([wide], []) == [" ".join(wide)]
