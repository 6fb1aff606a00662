"""Facts: one number or one sentence, as a line for people and as a value for machines."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from simulate.materials.catalogue import Datum


@dataclass(frozen=True)
class Fact:
    """One line of a report.

    Parameters
    ----------
    name : what it is; empty for a sentence that stands by itself.
    value : a number in SI, or words.
    si, shown : unit of the value, and the unit to show it in; both empty for words. Shown in
        ``"time"``, seconds become minutes and hours where that reads better.
    low, high : range of the value, where there is one.
    words : what people are told instead, where the bare number would not do.
    """

    name: str
    value: float | str
    si: str = ""
    shown: str = ""
    low: float | None = None
    high: float | None = None
    words: str = ""

    @classmethod
    def of(cls, name: str, datum: Datum, shown: str, words: str = "") -> Fact:
        """A number of the catalogue, or one computed from it, with its band."""
        return cls(name, datum.value, datum.unit, shown, datum.low, datum.high, words)

    def text(self) -> str:
        """The value for people."""
        from simulate.units import format_quantity

        if self.words or isinstance(self.value, str):
            return self.words or str(self.value)
        if self.low is None or self.high is None:
            return span(self.value) if self.shown == "time" else format_quantity(
                self.value, self.shown
            )  # fmt: skip
        return banded(self.value, self.low, self.high, self.shown)

    def plain(self) -> Any:
        """The value for machines."""
        if isinstance(self.value, str):
            return self.value
        band = {} if self.low is None else {"low": self.low, "high": self.high}
        return {"value": self.value, "unit": self.si or "1", **band}


@dataclass(frozen=True)
class Section:
    """Some facts under a heading; `key` is the heading for machines."""

    key: str
    heading: str
    facts: Sequence[Fact]

    def lines(self) -> list[tuple[str, str]]:
        """Name and value of each, for people."""
        return [(fact.name, fact.text()) for fact in self.facts]

    def plain(self) -> Any:
        """Facts with names as an object, sentences as a list."""
        if all(not fact.name for fact in self.facts):
            return [fact.plain() for fact in self.facts]
        return {key_of(fact.name): fact.plain() for fact in self.facts}


def key_of(name: str) -> str:
    """A name as a key: "open area" is "open_area"."""
    return name.replace(" ", "_")


def banded(value: float, low: float, high: float, unit: str, digits: int = 2) -> str:
    """A number in SI with its band in a unit, few digits each: ``0.24 A (0.036 to 0.59)``."""
    if unit == "time":
        return f"{span(value)} ({span(low)} to {span(high)})"
    from simulate.units import format_number, format_quantity, in_unit

    if low == high:
        return format_quantity(value, unit)
    ends = (format_number(in_unit(end, unit), digits) for end in (low, high))
    return f"{format_quantity(value, unit, digits)} ({' to '.join(ends)})"


def of_band(datum: Datum, unit: str) -> str:
    """Only the band of a number: ``0.036 to 0.59 A``."""
    from simulate.units import format_number, in_unit

    low, high = (format_number(in_unit(end, unit), 2) for end in (datum.low, datum.high))
    return f"{low} {unit}" if low == high else f"{low} to {high} {unit}"


def span(seconds: float) -> str:
    """A time as people say it: ``45 s``, ``11.6 min``, ``2.3 h``.

    >>> span(45.2), span(696.0), span(9000.0)
    ('45 s', '12 min', '2.5 h')
    """
    from simulate.units import format_number

    for size, unit in ((5400.0, "h"), (90.0, "min")):
        if seconds >= size:
            return f"{format_number(seconds / {'h': 3600.0, 'min': 60.0}[unit], 2)} {unit}"
    return f"{format_number(seconds, 2)} s"


def plain_datum(datum: Datum) -> dict[str, Any]:
    """A number with all that is known of it, for machines."""
    return {
        "value": datum.value,
        "low": datum.low,
        "high": datum.high,
        "unit": datum.unit or "1",
        "source": datum.source,
        "confidence": datum.confidence,
    }


ACROSS = 78
"""Columns of the terminal a table may fill; a report sets it in by two."""


def table(
    heads: Sequence[Sequence[str]], rows: Iterable[Sequence[str]], left: Sequence[int] = (0,)
) -> list[str]:
    """A table as lines, each column as wide as it needs, two spaces apart, or one to fit `ACROSS`.

    Parameters
    ----------
    heads : lines of headings, one word a column.
    rows : the cells as text.
    left : columns that are set flush left; the others stand flush right.
    """
    cells = [*heads, *rows]
    widths = [max(len(row[k]) for row in cells) for k in range(len(cells[0]))]
    gap = "  " if sum(widths) + 2 * (len(widths) - 1) <= ACROSS else " "
    return [
        gap.join(
            text.ljust(width) if k in left else text.rjust(width)
            for k, (text, width) in enumerate(zip(row, widths, strict=True))
        ).rstrip()
        for row in cells
    ]
