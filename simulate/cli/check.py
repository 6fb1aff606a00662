"""``swabfield check``: what a case means, before it is run."""

from __future__ import annotations

import argparse
import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from simulate.cli import options, words

if TYPE_CHECKING:
    from simulate.case import Case

_STORY = """\
Read a case and say what it means in plain words: metal, liquid, supply,
stencil, swab and stroke, what a run of it costs, and what to beware of.
No field is solved and nothing is written."""


@dataclass(frozen=True)
class Fact:
    """One line of the report.

    Parameters
    ----------
    name : what it is; empty for a sentence that stands by itself.
    value : a number in SI, or words.
    si, shown : unit of the value, and the unit to show it in; both empty for words.
    low, high : range of the value, where there is one.
    """

    name: str
    value: float | str
    si: str = ""
    shown: str = ""
    low: float | None = None
    high: float | None = None

    def text(self) -> str:
        """The value for people."""
        from simulate.units import format_number, format_quantity, in_unit

        if isinstance(self.value, str):
            return self.value
        text = format_quantity(self.value, self.shown)
        if self.low is None or self.high is None:
            return text
        low, high = (format_number(in_unit(end, self.shown)) for end in (self.low, self.high))
        return f"{text} ({low} to {high})"

    def plain(self) -> Any:
        """The value for machines."""
        if isinstance(self.value, str):
            return self.value
        band = {} if self.low is None else {"low": self.low, "high": self.high}
        return {"value": self.value, "unit": self.si or "1", **band}


Section = tuple[str, list[Fact]]


def register(commands: argparse._SubParsersAction[options.Parser]) -> None:
    """Add the command."""
    parser = options.add_command(commands, "check", check, "say what a case means", _STORY)
    options.add_case(parser)


def check(arguments: argparse.Namespace) -> int:
    """Read and tell."""
    from simulate.case import read_case

    case = read_case(arguments.case)
    sections = list(_sections(case))
    if arguments.json:
        words.tell_json(
            "check",
            {
                "exit": options.EXIT_DONE,
                "title": case.title,
                "etches": case.metal.etches,
                **{heading.lower(): _plain(facts) for heading, facts in sections},
            },
        )
    elif not arguments.quiet:
        lines = [(head, [(fact.name, fact.text()) for fact in facts]) for head, facts in sections]
        words.tell(words.report(case.title, lines))
    return options.EXIT_DONE


def _plain(facts: list[Fact]) -> Any:
    """Facts with names as an object, sentences as a list."""
    if all(not fact.name for fact in facts):
        return [fact.plain() for fact in facts]
    return {fact.name.replace(" ", "_"): fact.plain() for fact in facts}


def _sections(case: Case) -> Iterator[Section]:
    from simulate.safety import cautions

    yield "Plate", _plate(case)
    yield "Liquid", _liquid(case)
    yield "Supply", _supply(case)
    yield "Stencil", _stencil(case)
    yield "Swab", _swab(case)
    yield "Stroke", _stroke(case)
    yield "Cost", _cost(case)
    yield "Remarks", [Fact("", text) for text in _remarks(case)]
    yield "Cautions", [Fact("", text) for text in cautions(case.metal)]


def _plate(case: Case) -> list[Fact]:
    metal, plate = case.metal, case.plate
    facts = [
        Fact("metal", metal.label or metal.name),
        Fact("verdict", metal.verdict or ("etches" if metal.etches else "does not etch")),
        Fact("width", plate.width, "m", "mm"),
        Fact("height", plate.height, "m", "mm"),
    ]
    if metal.etches:
        rate, share = metal.depth_per_charge, metal.efficiency
        ends = (rate * share.low, rate * share.high)
        facts.append(Fact("depth per charge", rate * share.value, "m3/C", "um cm2/C", *ends))
    if case.aim.depth is not None:
        facts.append(Fact("depth wanted", case.aim.depth, "m", "um"))
    return facts


def _liquid(case: Case) -> list[Fact]:
    liquid = case.electrolyte
    band = liquid.conductivity_band()
    return [
        Fact("vinegar", liquid.vinegar, "m3", "mL"),
        Fact("water", liquid.water, "m3", "mL"),
        Fact("salt", liquid.salt, "kg", "g"),
        Fact("salt dissolved", liquid.molarity, "mol/m3", "mol/L"),
        Fact("temperature", liquid.temperature, "K", "degC"),
        Fact("conductivity", band.value, "S/m", "S/m", band.low, band.high),
    ]


def _supply(case: Case) -> list[Fact]:
    supply = case.supply.after()
    facts = [
        Fact("source", case.supply.label or "as given"),
        Fact("at no current", supply.emf, "V", "V"),
        Fact("resistance", supply.resistance, "ohm", "ohm"),
    ]
    if supply.current_limit is not None:
        facts.append(Fact("current limit", supply.current_limit, "A", "A"))
    return facts


def _stencil(case: Case) -> list[Fact]:
    from simulate.stencil import openings

    area = openings(case.stencil)
    facts = [Fact("mask", case.mask.label)] if case.mask else []
    return [
        *facts,
        Fact("thickness", case.stencil.thickness, "m", "mm"),
        Fact("openings", float(len(area.geoms))),
        Fact("open area", float(area.area), "m2", "cm2"),
    ]


def _swab(case: Case) -> list[Fact]:
    from simulate.swab import conductivity_factor, contact_area, contact_size, wet_volume

    swab = case.swab
    length, width = contact_size(swab)
    factor = conductivity_factor(swab.porosity, swab.wick_exponent, case.wick.saturation.value)
    return [
        Fact("wick", case.wick.label),
        Fact("contact length", length, "m", "mm"),
        Fact("contact width", width, "m", "mm"),
        Fact("contact area", contact_area(swab), "m2", "cm2"),
        Fact("liquid held", wet_volume(swab), "m3", "mL"),
        Fact("conductivity", factor * case.electrolyte.conductivity(), "S/m", "S/m"),
        Fact("cathode", case.cathode.replace("_", " ")),
    ]


def _stroke(case: Case) -> list[Fact]:
    from simulate.stroke import duration, path_length

    names = [type(stroke).__name__.lower() for stroke in case.strokes]
    return [
        Fact("pattern", ", then ".join(names)),
        Fact("way drawn", math.fsum(map(path_length, case.strokes)), "m", "mm"),
        Fact("time", math.fsum(map(duration, case.strokes)), "s", "s"),
    ]


def _cost(case: Case) -> list[Fact]:
    from simulate.case import all_stops
    from simulate.conductance import memory_needed
    from simulate.stroke import distinct_places
    from simulate.window import Window

    stops = all_stops(case)
    cell = case.grid.cell / case.grid.refine
    window = Window(case.swab, case.stencil.thickness, cell)
    nz, ny, nx = window.shape
    memory = memory_needed((nz, ny, nx)) / 1e6
    return [
        Fact("cell", cell, "m", "mm"),
        Fact("stops", float(len(stops))),
        Fact("places", float(len(distinct_places(stops)[0]))),
        Fact("window", f"{nx} x {ny} x {nz} cells around the swab"),
        Fact("memory", f"{math.ceil(memory)} MB for each processor at work"),
    ]


def _remarks(case: Case) -> Iterator[str]:
    """What is odd about a case, but no fault."""
    from simulate.tape import stencil_findings
    from simulate.units import format_quantity

    if not case.metal.etches:
        yield f"{case.metal.label} does not etch this way. {case.metal.instead}".strip()
    left = case.electrolyte.salt_undissolved
    if left > 0:
        yield f"{format_quantity(left, 'g')} of the salt stay undissolved and do nothing."
    plate = case.plate
    corners = [(0, 0), (plate.width, 0), (plate.width, plate.height), (0, plate.height)]
    for finding in stencil_findings(case.stencil, corners):
        place = f"{format_quantity(finding.x, 'mm')}, {format_quantity(finding.y, 'mm')}"
        yield f"Stencil at {place}: {finding.words}."
