"""``swabfield check``: what a case means, before it is run."""

from __future__ import annotations

import argparse
import math
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from simulate.cli import options, safety_box, terminal
from simulate.cli.report_rows import Fact, Section, of_band, span
from simulate.errors import Fault, InputError

if TYPE_CHECKING:
    from simulate.case.case import Case
    from simulate.estimate.forecast import Forecast
    from simulate.estimate.inputs import Bench
    from simulate.estimate.operating_point import Cause, OperatingPoint
    from simulate.stencil.weak_spots import Finding

_STORY = """\
Read a case and say what it means in plain words: what your meter should read,
how long it takes, when to wet the swab, how many batteries, whether it is safe
in your room, what the stencil will not survive, and what a run costs. Quick
formulas, each with its band; no field is solved, and nothing is written but the
picture of the stencil that --draw asks for."""

#: Time of one processor for one cell of one solve [s], measured on a common machine.
_SOLVE_TIME = 3e-7

#: Solves for each place of the swab and each state of the surface; least number; most states.
_SOLVES, _LEAST_SOLVES, _BLOCKS = 4, 20, 6

_SHOWN = 6  # findings of one kind in a report; the JSON object holds all

_HOLDERS = {
    "film": "a salt film on the metal: more salt or voltage hardly help, brisker strokes do",
    "swab": "the swab: more salt, or the wire nearer to the tip",
    "supply": "the supply and its leads: more salt hardly helps",
    "reactions": "the two reactions: more voltage helps, more salt hardly",
}


def register(commands: argparse._SubParsersAction[options.Parser]) -> None:
    """Add the command."""
    parser = options.add_command(commands, "check", check, "say what a case means", _STORY)
    options.add_case(parser)
    parser.add_argument(
        "--draw", metavar="FILE", help="draw the stencil as understood: .png, .svg or .pdf"
    )
    parser.add_argument("--force", action="store_true", help="draw over a file that is there")


@options.quick
def check(arguments: argparse.Namespace) -> int:
    """Read and tell."""
    from simulate.case.case import read_case
    from simulate.estimate.forecast import forecast_of
    from simulate.estimate.inputs import bench_of
    from simulate.safety.precautions import foreseen

    picture = _picture_path(arguments)
    case = read_case(arguments.case)
    bench = bench_of(case)
    forecast = forecast_of(bench)
    box = foreseen(case, forecast)
    findings = _findings(case)
    sections = list(_sections(case, bench, forecast, findings))
    if picture is not None:
        _draw(case, findings, picture)
    if arguments.json:
        content: dict[str, Any] = {section.key: section.plain() for section in sections}
        content |= {"safety": box.plain(), "cautions": list(box.cautions)}
        content |= {"findings": [vars(finding) for finding in findings]}
        content |= {"causes": [_plain_cause(cause) for cause in forecast.point.causes]}
        content |= {"wetting": _plain_wetting(forecast)}
        head = {"exit": options.EXIT_DONE, "title": case.title, "etches": case.metal.etches}
        head |= {"picture": str(picture)} if picture is not None else {}
        terminal.tell_json("check", head | {"level": box.severity} | content)
    elif not arguments.quiet:
        lines = [(section.heading, section.lines()) for section in sections]
        if picture is not None:
            lines.append(("Drawn", [("", str(picture))]))
        parts = [*safety_box.on_top(box), lines[0], *safety_box.in_place(box), *lines[1:]]
        terminal.tell(terminal.report(case.title, [*parts, *safety_box.cautions(box)]))
    if arguments.json or arguments.quiet:
        safety_box.warn(box)
    return options.EXIT_DONE


def _picture_path(arguments: argparse.Namespace) -> Path | None:
    """Where to draw; refused before any work where that cannot or must not be."""
    if arguments.draw is None:
        return None
    from simulate.figures.style import FORMATS

    path = Path(arguments.draw)
    if path.suffix.lstrip(".") not in FORMATS:
        expected = "a name ending in " + ", ".join(f".{kind}" for kind in FORMATS)
        raise InputError(Fault("no such kind of picture", expected, file=str(path)))
    if path.exists() and not (arguments.force and path.is_file()):
        expected = "a new name, or --force to draw over a picture"
        raise InputError(Fault("is there already", expected, file=str(path)))
    return path


def _draw(case: Case, findings: tuple[Finding, ...], path: Path) -> None:
    from simulate.figures.stencil_check import stencil_map
    from simulate.figures.style import save_figure

    save_figure(stencil_map(case, findings), path)


def _sections(
    case: Case, bench: Bench, forecast: Forecast, findings: tuple[Finding, ...]
) -> Iterator[Section]:
    yield Section("bench", "At the bench", _bench(case, bench, forecast))
    remarks = [*_remarks(case, forecast), *_shown(findings)]
    yield Section("remarks", "Remarks", [Fact("", text) for text in remarks])
    yield Section("plate", "Plate", _plate(case))
    yield Section("liquid", "Liquid", _liquid(case))
    yield Section("supply", "Supply", _supply(case))
    yield Section("stencil", "Stencil", _stencil(case))
    yield Section("swab", "Swab", _swab(case))
    yield Section("stroke", "Stroke", _stroke(case))
    yield Section("cost", "Cost of etching it here", _cost(case, bench, forecast))


# At the bench -------------------------------------------------------------------------------------


def _bench(case: Case, bench: Bench, forecast: Forecast) -> list[Fact]:
    from simulate.estimate.salt_dose import holder
    from simulate.safety.ventilation import gas_volume
    from simulate.units import format_quantity

    point, dip = forecast.point, forecast.dip
    best = format_quantity(point.current.value, "A", 2)
    held, doubt = holder(bench, point), point.causes[0]
    factors = f"x{doubt.at_low:.2g} to x{doubt.at_high:.2g}"
    return [
        Fact("this metal", case.metal.verdict, words=f"{case.metal.label}: {case.metal.verdict}"),
        Fact.of(
            "you should read",
            point.current,
            "A",
            f"{of_band(point.current, 'A')}, most likely {best}",
        ),
        *_swing(point),
        *_common(case),
        Fact("held back by", held, words=_HOLDERS[held]),
        Fact("largest doubt", doubt.name, words=f"{doubt.words} ({factors})"),
        Fact.of("at the swab", point.voltage, "V"),
        Fact.of("heat", point.power, "W"),
        Fact("swab gets to", dip.hottest, "K", "degC"),
        Fact.of(
            "this stroke",
            forecast.depth,
            "um",
            f"{span(bench.duration)}, leaves {Fact.of('', forecast.depth, 'um').text()}",
        ),
        *_time_to_depth(bench, forecast),
        Fact.of("charge", forecast.charge, "C"),
        Fact("wettings", float(forecast.dips), words=_wettings(bench, forecast)),
        *_batteries(bench, forecast),
        Fact.of("hydrogen", forecast.charge.times(gas_volume(1.0), "m3"), "mL"),
    ]


def _swing(point: OperatingPoint) -> list[Fact]:
    """How far the reading moves along the stroke, where it does."""
    low, high = point.swing
    if high <= 1.1 * low:
        return []
    words_of = f"{_two(low)} to {_two(high)} A, more where more is open"
    return [Fact("as it moves", point.current.value, "A", "A", low, high, words_of)]


def _two(number: float) -> str:
    from simulate.units import format_number

    return format_number(number, 2)


def _common(case: Case) -> list[Fact]:
    """What people read, where something is known of it."""
    from simulate.estimate.operating_point import COMMON_READINGS
    from simulate.materials.lookup import find_source
    from simulate.swab.geometry import Bud

    if not isinstance(case.swab, Bud) or case.metal.name != "carbon_steel":
        return []
    return [
        Fact.of("others read", usual, "A", f"{of_band(usual, 'A')} ({usual.source})")
        for name, usual in COMMON_READINGS.items()
        if find_source(name).label == case.supply.label
    ]


def _time_to_depth(bench: Bench, forecast: Forecast) -> list[Fact]:
    from simulate.units import format_quantity

    if forecast.time is None or bench.depth is None:
        return []
    told = f"{Fact.of('', forecast.time, 'time').text()} for {format_quantity(bench.depth, 'um')}"
    return [Fact.of("time to depth", forecast.time, "time", told)]


def _wettings(bench: Bench, forecast: Forecast) -> str:
    dip, count = forecast.dip, forecast.dips
    if dip.reason in ("charge", "time", "temperature"):
        every = f"every {span(dip.time)}, after {_two(dip.charge)} C"
        return "once" if count == 1 else f"{count}, {every}"
    told = "once; the case has no [rewet]"
    if forecast.practice_dips > 1:
        told += f"; common practice: every 10 C or 20 s, here {forecast.practice_dips}"
    return told


def _batteries(bench: Bench, forecast: Forecast) -> list[Fact]:
    """How much of a battery stroke and depth take, and how many that makes."""
    used = forecast.batteries
    if used is None:
        return []
    count = max(1, math.ceil(used.value))
    told = f"{count}; {Fact.of('', used, '').text()} of one is used up"
    facts = [Fact.of("batteries", used, "", told)]
    more = forecast.time_batteries
    if more is not None and math.ceil(more.value) > count:
        facts.append(Fact.of("to the depth", more, "", f"{math.ceil(more.value)} batteries"))
    return facts


def _remarks(case: Case, forecast: Forecast) -> Iterator[str]:
    """What is odd about a case, but no fault."""
    from simulate.units import format_quantity

    if forecast.point.current.value == 0.0:
        yield "No current flows: the supply's voltage is below what the two reactions take."
    left = case.electrolyte.salt_undissolved
    if left > 0:
        yield f"{format_quantity(left, 'g', 2)} of the salt stay undissolved and do nothing."
    wanted, depth = case.aim.depth, forecast.depth
    if wanted is not None and abs(depth.value / wanted - 1.0) > case.aim.tolerance:
        times = f"{wanted / depth.value:.2g} times as long" if depth.value > 0.0 else "much longer"
        yield (
            f"The stroke leaves {format_quantity(depth.value, 'um', 2)} of the "
            f"{format_quantity(wanted, 'um', 2)} wanted: work {times}."
        )
    for notice in forecast.dip.notices:
        yield f"Before it is wetted again: {notice.words}."


def _findings(case: Case) -> tuple[Finding, ...]:
    from simulate.stencil.weak_spots import BRIDGE_TO_DEPTH, LEAST_BRIDGE, stencil_findings

    plate = case.plate
    least = max(LEAST_BRIDGE, BRIDGE_TO_DEPTH * (case.aim.depth or 0.0))
    corners = [(0, 0), (plate.width, 0), (plate.width, plate.height), (0, plate.height)]
    return stencil_findings(case.stencil, corners, least_bridge=least)


def _shown(findings: tuple[Finding, ...]) -> Iterator[str]:
    """The findings in words, the worst few of each kind."""
    from simulate.units import format_quantity

    for kind in dict.fromkeys(finding.kind for finding in findings):
        same = [finding for finding in findings if finding.kind == kind]
        for finding in same[:_SHOWN]:
            place = f"{format_quantity(finding.x, 'mm')}, {format_quantity(finding.y, 'mm')}"
            yield f"Stencil at {place}: {finding.words}."
        if len(same) > _SHOWN:
            yield f"Stencil: {len(same) - _SHOWN} more places like the last; --json lists them."


def _plain_cause(cause: Cause) -> dict[str, Any]:
    return {"name": cause.name, "words": cause.words, "low": cause.at_low, "high": cause.at_high}


def _plain_wetting(forecast: Forecast) -> dict[str, Any]:
    """One wetting, and how many there are by the case's rule and by common practice."""
    dip = forecast.dip
    return {
        "time": {"value": dip.time, "unit": "s"},
        "charge": {"value": dip.charge, "unit": "C"},
        "current": {"value": dip.current, "unit": "A"},
        "hottest": {"value": dip.hottest, "unit": "K"},
        "ended_by": dip.reason,
        "stroke": forecast.dips,
        "to_depth": forecast.time_dips,
        "common_practice": forecast.practice_dips,
    }


# The case -----------------------------------------------------------------------------------------


def _plate(case: Case) -> list[Fact]:
    from simulate.estimate.forecast import depth_yield

    metal, plate = case.metal, case.plate
    yielded = depth_yield(metal)
    told = Fact.of("", yielded, "um cm2/C").text().replace(" um cm2/C", "")
    facts = [
        Fact("metal", metal.label or metal.name),
        Fact("width", plate.width, "m", "mm"),
        Fact("height", plate.height, "m", "mm"),
        Fact.of("depth per charge", yielded, "um cm2/C", f"{told} um per C/cm2"),
    ]
    if case.aim.depth is not None:
        facts.append(Fact("depth wanted", case.aim.depth, "m", "um"))
    return facts


def _liquid(case: Case) -> list[Fact]:
    liquid = case.electrolyte
    return [
        Fact("vinegar", liquid.vinegar, "m3", "mL"),
        Fact("water", liquid.water, "m3", "mL"),
        Fact("salt", liquid.salt, "kg", "g"),
        Fact("salt dissolved", liquid.molarity, "mol/m3", "mol/L"),
        Fact("temperature", liquid.temperature, "K", "degC"),
        Fact.of("conductivity", liquid.conductivity_band(), "S/m"),
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
    from simulate.stencil.shapes import openings

    area = openings(case.stencil)
    facts = [Fact("mask", case.mask.label)] if case.mask else []
    names = dict.fromkeys(drawing.name for drawing in case.drawings)
    facts += [Fact("from files", ", ".join(names))] if names else []
    return [
        *facts,
        Fact("thickness", case.stencil.thickness, "m", "mm"),
        Fact("openings", float(len(area.geoms))),
        Fact("open area", float(area.area), "m2", "cm2"),
    ]


def _swab(case: Case) -> list[Fact]:
    from simulate.swab.cell_fractions import conductivity_factor, wet_volume
    from simulate.swab.contact_patch import contact_area, contact_size

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
    from simulate.swab.stops import duration
    from simulate.swab.stroke import path_length

    names = [type(stroke).__name__.lower() for stroke in case.strokes]
    time = math.fsum(map(duration, case.strokes))
    return [
        Fact("pattern", ", then ".join(names)),
        Fact("way drawn", math.fsum(map(path_length, case.strokes)), "m", "mm"),
        Fact("time", time, "s", "s"),
    ]


def _cost(case: Case, bench: Bench, forecast: Forecast) -> list[Fact]:
    """What a run will take; the number of solves is known only when it is done."""
    from simulate.case.case import all_stops
    from simulate.field.memory import memory_needed
    from simulate.run.window import Window
    from simulate.swab.stops import distinct_places

    stops = all_stops(case)
    cell = case.grid.cell / case.grid.finer
    window = Window(case.swab, case.stencil.thickness, cell)
    spots, _ = distinct_places(stops)
    places = len({window.place(float(x), float(y)) for x, y in spots})
    solves = max(_LEAST_SOLVES, _SOLVES * places * _blocks(bench, forecast))
    nz, ny, nx = window.shape
    seconds = _SOLVE_TIME * solves * nz * ny * nx
    memory = memory_needed((nz, ny, nx))
    size = f"{math.ceil(memory / 1e6)} MB for each processor at work"
    return [
        Fact("cell", cell, "m", "mm"),
        Fact("stops", float(len(stops))),
        Fact("places", float(places)),
        Fact("solves", float(solves), words=f"about {solves}, as swab and surface change"),
        Fact("window", f"{nx} x {ny} x {nz} cells around the swab"),
        Fact("work", seconds, "s", words=f"about {span(seconds)} of one processor, or shared"),
        Fact("memory", memory, "B", words=size),
    ]


def _blocks(bench: Bench, forecast: Forecast) -> int:
    """In how many states a run will take the surface of the metal."""
    from simulate.run.metal_surface import milestones, sinks_enough

    sinks = sinks_enough(forecast.depth.value, bench.width, bench.thickness)
    dose = forecast.charge.value / bench.open_area
    return min(_BLOCKS, 1 + len(milestones(bench.metal, dose, sinks=sinks)))
