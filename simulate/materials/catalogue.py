"""One number of a catalogue: best value, range, unit, source and confidence.

The catalogues are TOML files beside this module, in ``catalogue/``, that a person can read and
extend. A number stands there as ::

    slope = { value = 60, low = 40, high = 110, unit = "mV", source = "fe75", confidence = "fair" }

and is kept in SI. ``source`` is either words or keys of the file's own ``[sources]`` table, where
the citation is written once. A person's own number may also be plain text such as ``"60 mV"``.
"""

from __future__ import annotations

import difflib
import math
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any, Final, Literal

from simulate.errors import Fault, InputError
from simulate.units import parse_quantity

#: What the words of confidence mean: the share of its value by which a number may be wrong.
CONFIDENCE: Final = {
    "exact": "by definition, or known far better than it is needed",
    "firm": "within 5 %",
    "fair": "within 30 %",
    "loose": "within a factor of 2",
    "guess": "within a factor of 3 or more",
    "stated": "given by the person who wrote the case",
}

#: The SI unit in which a number of each dimension is kept.
SI_UNITS: Final = {
    "length": "m",
    "mass": "kg",
    "volume": "m3",
    "time": "s",
    "temperature": "K",
    "voltage": "V",
    "current": "A",
    "resistance": "ohm",
    "area_resistance": "ohm m2",
    "current_density": "A/m2",
    "conductivity": "S/m",
    "charge": "C",
    "charge_density": "C/m2",
    "ratio": "",
    "concentration": "mol/m3",
    "density": "kg/m3",
    "pressure": "Pa",
    "power": "W",
    "area": "m2",
    "speed": "m/s",
}

End = Literal["low", "value", "high"]


@dataclass(frozen=True)
class Datum:
    """A number that can be traced and doubted.

    Parameters
    ----------
    value, low, high : best value and the range it may lie in, in SI.
    unit : the SI unit, empty for a pure number.
    source : where it comes from, in words.
    confidence : one of `CONFIDENCE`.

    Raises
    ------
    InputError : not finite, the value outside its range, or an unknown word of confidence.
    """

    value: float
    low: float
    high: float
    unit: str = ""
    source: str = ""
    confidence: str = "stated"

    def __post_init__(self) -> None:
        """Refuse what cannot be a number with a range."""
        if not all(map(math.isfinite, (self.low, self.value, self.high))):
            raise InputError(Fault("not a finite number", "a finite value, low and high"))
        if not self.low <= self.value <= self.high:
            raise InputError(
                Fault(
                    f"{self.value:g} is not between low {self.low:g} and high {self.high:g}",
                    "low <= value <= high",
                )
            )
        if self.confidence not in CONFIDENCE:
            raise unknown_name("confidence", self.confidence, CONFIDENCE)

    def __float__(self) -> float:
        return self.value

    def at(self, end: End) -> Datum:
        """The same number moved to an end of its range; the range stays."""
        return replace(self, value=float(getattr(self, end)))

    def put(self, value: float) -> Datum:
        """A number put in its place by the person who asks; it has no range of its own."""
        return Datum(value, value, value, self.unit, "given by the user", "stated")

    def times(self, factor: Datum | float, unit: str) -> Datum:
        """The product of two numbers of zero or more, end with end; source and confidence stay.

        Parameters
        ----------
        unit : of the product, in SI.
        """
        by = factor if isinstance(factor, Datum) else Datum(factor, factor, factor)
        return Datum(
            self.value * by.value,
            self.low * by.low,
            self.high * by.high,
            unit,
            self.source,
            self.confidence,
        )


def unknown_name(
    kind: str, name: str, known: Iterable[str], also: Iterable[str] = ()
) -> InputError:
    """The error for a name that is not in a catalogue, with the nearest one that is.

    also : other names that may be the nearest.
    """
    names = sorted(known)
    near = difflib.get_close_matches(name, [*names, *also], 1, 0.5)
    hint = f"; did you mean {near[0]!r}?" if near else ""
    return InputError(
        Fault(f"no {kind} {name!r}{hint}", "one of " + ", ".join(names), value=repr(name))
    )


def plain_name(name: str) -> str:
    """A name as the catalogues write it: ``"Carbon steel"`` is ``"carbon_steel"``."""
    return "_".join(name.lower().replace("-", " ").replace("_", " ").split())


def resolve_name(kind: str, name: str, tables: Mapping[str, Any]) -> str:
    """The key of a catalogue that a name or one of its other names (``also``) stands for.

    Raises
    ------
    InputError : there is none; says which there are and which is nearest.
    """
    wanted = plain_name(name)
    for key, table in tables.items():
        if wanted == key or wanted in map(plain_name, table.get("also", ())):
            return key
    also = (plain_name(other) for table in tables.values() for other in table.get("also", ()))
    raise unknown_name(kind, wanted, tables, also)


_DATA = Path(__file__).with_name("data")


@cache
def read_catalogue(file: str, folder: Path = _DATA) -> Mapping[str, Any]:
    """A catalogue file as nested tables, read once; do not alter it.

    Parameters
    ----------
    file : its name, such as ``"metals.toml"``.
    folder : where it lies; that of the materials unless given.
    """
    return tomllib.loads((folder / file).read_text(encoding="utf-8"))


def read_entries(file: str) -> dict[str, dict[str, Any]]:
    """The entries of a catalogue file without its ``[sources]``; ``base`` names one to inherit.

    Raises
    ------
    InputError : an entry inherits from one that is not there.
    """
    tables = {key: dict(table) for key, table in read_catalogue(file).items() if key != "sources"}
    return {key: inherit(table, tables) for key, table in tables.items()}


def inherit(table: Mapping[str, Any], tables: Mapping[str, Mapping[str, Any]]) -> dict[str, Any]:
    """A table with what it does not say itself taken from the entry its ``base`` names."""
    own = {key: entry for key, entry in table.items() if key != "base"}
    if "base" not in table:
        return own
    base = inherit(tables[resolve_name("entry", str(table["base"]), tables)], tables)
    base.pop("also", None)
    return base | own


def read_datum(
    entry: object, dimension: str, sources: Mapping[str, str] | None = None, key: str = ""
) -> Datum:
    """One number of a catalogue or of a case.

    Parameters
    ----------
    entry : a table with ``value``, and where known ``low``, ``high``, ``unit``, ``source`` and
        ``confidence``; or text with a unit, or a bare number where a ratio is due.
    dimension : one of `simulate.units.DIMENSIONS`.
    sources : citations by their key.
    key : the field, for the message.

    Raises
    ------
    InputError : naming the field.
    """
    try:
        if isinstance(entry, Mapping):
            return _from_table(entry, dimension, sources or {})
        value = parse_quantity(entry, dimension)  # type: ignore[arg-type]
        return Datum(value, value, value, SI_UNITS[dimension], "given by the user", "stated")
    except InputError as error:
        raise InputError(
            replace(fault, key=f"{key}.{fault.key}" if fault.key else key) for fault in error.faults
        ) from None


def read_numbers(
    table: Mapping[str, Any], sources: Mapping[str, str], dimensions: Mapping[str, str]
) -> dict[str, Any]:
    """The numbers of an entry that are there, each read in its dimension, by key."""
    return {
        key: read_datum(table[key], dimension, sources, key)
        for key, dimension in dimensions.items()
        if key in table
    }


def _from_table(entry: Mapping[str, Any], dimension: str, sources: Mapping[str, str]) -> Datum:
    legal = ("value", "low", "high", "unit", "source", "confidence", "note")
    strange = [key for key in entry if key not in legal]
    if strange:
        raise InputError(
            Fault("no such key", "one of " + ", ".join(legal), key=key) for key in strange
        )
    if "value" not in entry:
        raise InputError(Fault("has no value", "value = ..."))
    scale = _scale(str(entry.get("unit", "")), dimension)
    ends = {end: _read_end(entry.get(end, entry["value"]), scale, dimension) for end in _ENDS}
    return Datum(
        **ends,
        unit=SI_UNITS[dimension],
        source=_cite(entry.get("source", "given by the user"), sources),
        confidence=str(entry.get("confidence", "stated")),
    )


_ENDS: Final = ("value", "low", "high")


def _read_end(number: object, scale: float | None, dimension: str) -> float:
    if isinstance(number, str):
        return parse_quantity(number, dimension)
    if isinstance(number, bool) or not isinstance(number, int | float):
        raise InputError(Fault("not a number", value=repr(number)))
    if scale is None:
        raise InputError(Fault("a number without its unit", 'unit = "..."', value=repr(number)))
    return number * scale


@cache
def _scale(unit: str, dimension: str) -> float | None:
    """What one of the unit is in SI; None if there is none and one is due."""
    if not unit:
        return 1.0 if dimension == "ratio" else None
    return parse_quantity(f"1 {unit}", dimension)


def _cite(source: object, sources: Mapping[str, str]) -> str:
    """Words of a source: citations looked up, several joined."""
    keys = source if isinstance(source, list) else [source]
    return "; ".join(sources.get(str(key), str(key)) for key in keys)
