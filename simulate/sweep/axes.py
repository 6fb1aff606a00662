"""What a sweep varies: keys of a case file with their values, and the points they make.

``stencil.thickness="0.05..0.4 mm:8"`` is eight values in equal steps,
``electrolyte.salt="3 g,6 g"`` a list. Values are written into the case as they would stand in its
file.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simulate.errors import Fault, InputError
from simulate.units import format_number

Doubles = NDArray[np.float64]

MOST = 100_000
"""Points of a sweep beyond which it is taken for a slip."""

_NUMBER = r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?"
_VALUE = re.compile(rf"({_NUMBER})\s*(.*)")
_RANGE = re.compile(rf"({_NUMBER})\s*([^.:]*?)\s*\.\.\s*({_NUMBER})\s*([^:]*?)\s*(?::\s*(\d+))?")
_EXPECTED = '"0.05..0.4 mm:8" or "3 g,6 g,12 g"'


@dataclass(frozen=True)
class Axis:
    """One key that is varied.

    Parameters
    ----------
    key : as in ``stencil.thickness``; entries of lists count from 1.
    values : in the case file's words, numbers without a unit as numbers.
    unit : common to all values; "" where they have none, or none in common.
    span : the two ends of a range, for sampling; None for a list.
    """

    key: str
    values: tuple[Any, ...]
    unit: str = ""
    span: tuple[float, float] | None = None

    @property
    def numbers(self) -> Doubles | None:
        """The values in `unit`, (n,); None where they are no numbers or their units differ."""
        found = [self.number(value) for value in self.values]
        return None if None in found else np.array(found, dtype=float)

    def number(self, value: Any) -> float | None:
        """A value in `unit`, if it is a number in that unit."""
        if isinstance(value, bool):
            return None
        if isinstance(value, int | float):
            return float(value)
        match = _VALUE.fullmatch(str(value).strip())
        return float(match[1]) if match and match[2] == self.unit else None

    def at(self, share: float) -> Any:
        """The value at a share 0 to 1 of the range, or of the list."""
        if self.span is None:
            return self.values[min(int(share * len(self.values)), len(self.values) - 1)]
        low, high = self.span
        return written(low + share * (high - low), self.unit)

    @property
    def label(self) -> str:
        """For the axis of a chart: the key in words and the unit."""
        name = self.key.replace("_", " ").replace(".", " ")
        return f"{name} ({self.unit})" if self.unit else name


def parse_vary(text: str) -> Axis:
    """Read ``key=values``.

    Raises
    ------
    InputError : there is no key, no value, or a range that does not run from one number to another.
    """
    key, equals, values = text.partition("=")
    key, values = key.strip(), values.strip()
    if not equals or not key or not values:
        raise InputError(Fault("cannot be read", f"key={_EXPECTED}", key="vary", value=text))
    if ".." in values:
        return _range(key, values)
    given = tuple(_plain(part.strip()) for part in values.split(",") if part.strip())
    units = {match[2] for part in given if (match := _VALUE.fullmatch(str(part)))}
    return Axis(key, given, units.pop() if len(units) == 1 else "")


def _range(key: str, values: str) -> Axis:
    match = _RANGE.fullmatch(values)
    units = {unit for unit in (match[2], match[4]) if unit} if match else set()
    if match is None or len(units) > 1 or float(match[1]) == float(match[3]):
        raise InputError(Fault("no range", _EXPECTED, key=key, value=values))
    unit = units.pop() if units else ""
    low, high, count = float(match[1]), float(match[3]), int(match[5] or 5)
    if not 2 <= count <= MOST:
        raise InputError(Fault("no such number of values", "2 or more", key=key, value=values))
    steps = np.linspace(low, high, count)
    whole = not unit and all(float(step).is_integer() for step in steps)
    given = tuple(int(step) if whole else written(float(step), unit) for step in steps)
    return Axis(key, given, unit, (low, high))


def written(number: float, unit: str) -> Any:
    """A number in the case file's words, to six digits; a plain number where there is no unit."""
    number = float(f"{number:.6g}")
    return f"{number:.6g} {unit}" if unit else number


def _plain(text: str) -> Any:
    """A bare number as a number, true and false as such, anything else as the text it is."""
    if text in ("true", "false"):
        return text == "true"
    try:
        return int(text)
    except ValueError:
        return float(text) if re.fullmatch(_NUMBER, text) else text


def shown(value: Any) -> str:
    """A value for people."""
    return format_number(value) if isinstance(value, float) else str(value)


# Points -------------------------------------------------------------------------------------------


def grid_points(axes: Sequence[Axis]) -> list[tuple[Any, ...]]:
    """Every combination, the last axis fastest."""
    _check(axes, int(np.prod([len(axis.values) for axis in axes])))
    return list(itertools.product(*(axis.values for axis in axes)))


def sample_points(axes: Sequence[Axis], count: int, seed: int = 0) -> list[tuple[Any, ...]]:
    """A Latin hypercube: in each axis one point in the middle of each of `count` equal parts.

    The same seed gives the same points. Source: McKay, Beckman & Conover, Technometrics 21 (1979)
    239, with centred strata.
    """
    _check(axes, count)
    random = np.random.default_rng(seed)
    shares = [(random.permutation(count) + 0.5) / count for _ in axes]
    return [
        tuple(axis.at(float(part[n])) for axis, part in zip(axes, shares, strict=True))
        for n in range(count)
    ]


def _check(axes: Sequence[Axis], count: int) -> None:
    faults = []
    if not axes:
        faults.append(Fault("nothing is varied", f"key={_EXPECTED}", key="vary"))
    keys = [axis.key for axis in axes]
    faults += [
        Fault("is varied twice", "each key once", key=k) for k in {*keys} if keys.count(k) > 1
    ]
    if not 1 <= count <= MOST:
        faults.append(Fault("too many or too few cases", f"1 to {MOST}", value=str(count)))
    if faults:
        raise InputError(faults)
