"""Comparison of a quantity with a published exposure limit, and the limits themselves.

Limits and assumptions come from ``data/limits.toml``, each with its source.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, Final, Literal

from simulate.errors import Fault, InputError
from simulate.materials.catalogue import Datum, read_catalogue, read_datum
from simulate.units import format_number, in_unit

Severity = Literal["fine", "watch", "past"]

_DIMENSIONS: Final = {
    "chlorine": "ratio",
    "hydrogen": "ratio",
    "voltage": "voltage",
    "skin": "temperature",
}


@dataclass(frozen=True)
class Verdict:
    """Comparison of one quantity with one limit.

    Parameters
    ----------
    topic : chlorine, hydrogen, chromium, ...
    words : what the number is.
    value : with its band, in SI, and its source.
    unit : in which people read it.
    limit : published limit, in SI, with its source; None where there is none.
    advice : what to do.
    floor : the least severity this may have.
    bound : the value is an upper bound that is not expected: exceeding the limit calls for care.
    """

    topic: str
    words: str
    value: Datum
    unit: str
    limit: Datum | None = None
    advice: str = ""
    floor: Severity = "fine"
    bound: bool = False

    @property
    def severity(self) -> Severity:
        """past: over the limit; watch: the bands touch, or care is due anyway; else fine."""
        if self.limit is None:
            return self.floor
        if self.value.value > self.limit.value:
            return "watch" if self.bound else "past"
        return "watch" if self.value.high > self.limit.low else self.floor

    def sentence(self) -> str:
        """The verdict in one line: number, band, limit, and advice where it is not fine."""
        value, low, high = (
            format_number(in_unit(number, self.unit), 2)
            for number in (self.value.value, self.value.low, self.value.high)
        )
        band = "" if low == high else f" ({low} to {high})"
        line = f"{self.words}: {value}{band} {self.unit}".rstrip()
        if self.limit is not None:
            most = format_number(in_unit(self.limit.value, self.unit), 2)
            line += f" against a limit of {most} {self.unit}".rstrip()
        return f"{line}. {self.advice}" if self.advice and self.severity != "fine" else f"{line}."


def worst(verdicts: Iterable[Verdict]) -> Severity:
    """The greatest severity among verdicts."""
    found = {verdict.severity for verdict in verdicts}
    return "past" if "past" in found else "watch" if "watch" in found else "fine"


def limit(agent: str, kind: str) -> Datum:
    """The strictest limit of a kind for an agent, in SI.

    Raises
    ------
    InputError : the catalogue has none.
    """
    found = [datum for name, datum in limits(agent) if name == kind]
    if not found:
        raise InputError(Fault(f"no {kind!r} limit for {agent!r}", "one in limits.toml"))
    return min(found, key=float)


def _catalogue() -> Mapping[str, Any]:
    return read_catalogue("limits.toml", Path(__file__).with_name("data"))


@cache
def limits(agent: str) -> tuple[tuple[str, Datum], ...]:
    """All limits of an agent as pairs of kind and number, strictest first."""
    catalogue = _catalogue()
    entries = catalogue.get(agent, {}).values()
    dimension = _DIMENSIONS.get(agent, "density")
    found = [
        (str(entry["kind"]), read_datum(entry["limit"], dimension, catalogue["sources"], agent))
        for entry in entries
    ]
    return tuple(sorted(found, key=lambda pair: float(pair[1])))


@cache
def assumed(name: str) -> Datum:
    """A number assumed where nothing is known, in SI."""
    catalogue = _catalogue()
    dimension = {"air_speed": "speed", "reach": "length", "mist": "volume", "room_volume": "volume"}
    entry = catalogue["assumed"][name]
    return read_datum(entry, dimension.get(name, "ratio"), catalogue["sources"], name)
