"""Rules for inputs: what is refused, what is accepted, and how each fault reads."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pytest

from simulate import rules
from simulate.errors import InputError


@dataclass(frozen=True)
class Part:
    """A record of numbers."""

    angle: float = 0.0
    width: float = 1.0
    press: float = 0.0
    porosity: float = 0.5


def faults(part: Part) -> list[str]:
    with pytest.raises(InputError) as caught:
        rules.check(
            part,
            rules.finite(part, "angle")
            + rules.above_zero(part, "width")
            + rules.zero_or_more(part, "press")
            + rules.fraction(part, "porosity"),
        )
    return [str(fault) for fault in caught.value.faults]


def test_every_broken_rule_is_reported_with_key_value_and_what_is_accepted():
    assert faults(Part(math.inf, 0.0, -1.0, 1.5)) == [
        "angle = inf: not a finite number; expected a finite number",
        "width = 0: not above zero; expected above zero",
        "press = -1: negative; expected zero or more",
        "porosity = 1.5: not a fraction; expected 0 to 1",
    ]


def test_only_the_broken_rules_are_reported():
    assert faults(Part(width=-2.0)) == ["width = -2: not above zero; expected above zero"]


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, "1", None, True])
def test_what_is_no_finite_number_is_said_to_be_none(value):
    for fault in faults(Part(value, value, value, value)):
        assert ": not a finite number; expected " in fault


@pytest.mark.parametrize("one", [1, 1.0, np.float64(1.0), np.float32(1.0), np.int64(1)])
def test_numbers_of_python_and_numpy_are_numbers(one):
    part = Part(one, one, one, one)
    rules.check(part, rules.above_zero(part, "angle", "width") + rules.fraction(part, "porosity"))


@pytest.mark.parametrize(
    ("require", "edge", "beyond"),
    [
        (rules.require_positive, 5e-324, 0.0),
        (rules.require_zero_or_more, 0.0, -5e-324),
        (rules.require_fraction, 1.0, math.nextafter(1.0, 2.0)),
        (rules.require_fraction, 0.0, -5e-324),
    ],
)
def test_arguments_are_accepted_up_to_the_bound_and_refused_beyond(require, edge, beyond):
    require(first=edge, second=edge)
    with pytest.raises(InputError) as caught:
        require(first=beyond, second=edge, third=math.nan)
    assert [fault.key for fault in caught.value.faults] == ["first", "third"]
