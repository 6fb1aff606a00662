"""Input validation: rules for the fields of a record, every broken one reported at once."""

from __future__ import annotations

from collections.abc import Iterable
from math import isfinite
from numbers import Real
from types import SimpleNamespace

from simulate.errors import Fault, InputError

Rule = tuple[str, bool, str, str]
"""A field, whether its rule holds, what is wrong if not, and what is accepted."""


def check(owner: object, rules: Iterable[Rule]) -> None:
    """Raise `InputError` with every rule that does not hold.

    owner : the record; a fault shows the field's value.
    """
    faults = broken(owner, rules)
    if faults:
        raise InputError(faults)


def broken(owner: object, rules: Iterable[Rule]) -> list[Fault]:
    """A fault for every rule that does not hold."""
    return [
        fault_of(owner, key, problem, accepted)
        for key, holds, problem, accepted in rules
        if not holds
    ]


def fault_of(owner: object, key: str, problem: str, accepted: str) -> Fault:
    """A fault in a field, with the field's value."""
    return Fault(problem, accepted, key=key, value=_shown(getattr(owner, key)))


def finite(owner: object, *keys: str) -> list[Rule]:
    """The fields are finite numbers."""
    return [
        (key, _is_finite(value), "not a finite number", "a finite number")
        for key, value in _fields(owner, keys)
    ]


def above_zero(owner: object, *keys: str) -> list[Rule]:
    """The fields are finite numbers above zero."""
    return [
        (key, _is_finite(value) and value > 0, _what(value, "not above zero"), "above zero")
        for key, value in _fields(owner, keys)
    ]


def zero_or_more(owner: object, *keys: str) -> list[Rule]:
    """The fields are finite numbers of zero or more."""
    return [
        (key, _is_finite(value) and value >= 0, _what(value, "negative"), "zero or more")
        for key, value in _fields(owner, keys)
    ]


def fraction(owner: object, *keys: str) -> list[Rule]:
    """The fields are fractions, from 0 to 1."""
    return [
        (key, _is_finite(value) and 0 <= value <= 1, _what(value, "not a fraction"), "0 to 1")
        for key, value in _fields(owner, keys)
    ]


def require_positive(**values: float) -> None:
    """Raise `InputError` naming every argument that is not a finite number above zero."""
    arguments = SimpleNamespace(**values)
    check(arguments, above_zero(arguments, *values))


def require_zero_or_more(**values: float) -> None:
    """Raise `InputError` naming every argument that is not a finite number of zero or more."""
    arguments = SimpleNamespace(**values)
    check(arguments, zero_or_more(arguments, *values))


def require_fraction(**values: float) -> None:
    """Raise `InputError` naming every argument that is not a fraction, from 0 to 1."""
    arguments = SimpleNamespace(**values)
    check(arguments, fraction(arguments, *values))


def _fields(owner: object, keys: Iterable[str]) -> list[tuple[str, float]]:
    return [(key, getattr(owner, key)) for key in keys]


def _is_finite(value: object) -> bool:
    """Whether a value is a finite number; numpy's scalars count, truth values do not."""
    return not isinstance(value, bool) and isinstance(value, Real) and isfinite(value)


def _what(value: object, otherwise: str) -> str:
    return otherwise if _is_finite(value) else "not a finite number"


def _shown(value: object) -> str:
    return f"{value:g}" if isinstance(value, float) else repr(value)
