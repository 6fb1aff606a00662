"""``swabfield metals``: which metals etch, how fast, and what to beware of."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from simulate.cli import options, terminal
from simulate.cli.report_rows import Fact, of_band, plain_datum, span, table

if TYPE_CHECKING:
    from simulate.materials.catalogue import Datum
    from simulate.materials.metals import Metal

_STORY = """\
List the metals of the catalogue: whether they etch under salt and vinegar, how
deep a charge goes, the voltage the reactions take before any drives current,
where a film caps the current, how long a common job takes, and what must be
collected. With --metal, every number of one metal with its range and source."""

_DEPTH, _AREA, _SUPPLY = 25e-6, 0.5e-4, "alkaline_9v"

_COLUMNS = (
    ("um per C/cm2", "depth for each coulomb through a square centimetre"),
    ("floor", "voltage the reactions take before any drives current"),
    ("film cap", "current density at which a film holds a stroked swab back"),
    ("25 um takes", "0.5 cm2, 9 V alkaline block, a bud, 6 g of salt in 60 mL of vinegar"),
    ("collect", "what dissolves and must not go down the drain"),
)
_BANDS = "Each has a wide band: `swabfield metals --metal NAME` shows it, with the sources."

_NUMBERS = {
    "density": ("density", "g/cm3"),
    "efficiency": ("share of the charge that removes metal", "%"),
    "high_share": ("share of atoms leaving more highly charged", "%"),
    "equilibrium": ("potential where it begins to dissolve", "V"),
    "slope": ("voltage for ten times the current", "mV"),
    "exchange": ("current the slope is counted from", "mA/cm2"),
    "film_resistance": ("resistance of the film", "ohm cm2"),
    "film_charge": ("charge that grows the film", "C/cm2"),
    "limit_stroked": ("cap by a salt film, swab moving", "A/cm2"),
    "limit_still": ("cap by a salt film, swab at rest", "A/cm2"),
    "saturation": ("dissolved metal at which its salt comes out", "mol/L"),
    "chlorine_share": ("share of the current that may make chlorine", "%"),
    "thickness": ("thickness of the layer", "um"),
}


def register(commands: argparse._SubParsersAction[options.Parser]) -> None:
    """Add the command."""
    parser = options.add_command(
        commands, "metals", metals, "say which metals etch, and what to beware of", _STORY
    )
    parser.add_argument("--metal", metavar="NAME", help="every number of one metal")


@options.quick
def metals(arguments: argparse.Namespace) -> int:
    """List them, or tell all of one."""
    from simulate.materials.metals import find_metal, load_metals

    chosen = [find_metal(arguments.metal)] if arguments.metal else list(load_metals().values())
    if arguments.json:
        entries = [_plain(metal) for metal in chosen]
        terminal.tell_json("metals", {"exit": options.EXIT_DONE, "job": _job(), "metals": entries})
    elif not arguments.quiet:
        terminal.tell(_details(chosen[0]) if arguments.metal else _overview(chosen))
    return options.EXIT_DONE


def _job() -> dict[str, Any]:
    """The common job whose time is told."""
    from simulate.estimate.salt_dose import USUAL
    from simulate.materials.lookup import find_source

    return {
        "depth": {"value": _DEPTH, "unit": "m"},
        "open_area": {"value": _AREA, "unit": "m2"},
        "supply": _SUPPLY,
        "supply_label": find_source(_SUPPLY).label,
        "liquid": "6 g of salt in 60 mL of 5 % vinegar at 20 degC",
        "bench": USUAL,
    }


# The table ----------------------------------------------------------------------------------------


def _overview(chosen: list[Metal]) -> str:
    heads = [
        ["metal", "etches", "um per", "floor", "film cap", "25 um", "collect"],
        ["", "", "C/cm2", "V", "A/cm2", "takes", ""],
    ]
    ordered = sorted(chosen, key=_rank)
    lines = table(heads, map(_row, ordered), left=(0, 1, 6))
    return terminal.report(
        "Metals under a swab of salt and vinegar",
        [
            ("Best values", [(terminal.ROW, line) for line in lines]),
            ("Columns", [*_COLUMNS, ("", _BANDS)]),
            ("In words", [(metal.name, metal.verdict) for metal in ordered]),
        ],
    )


def _rank(metal: Metal) -> int:
    """The order in which to offer them: those that do well first."""
    return ["well", "fast", "in layers", "yes", "shallow", "slowly", "poorly", "no"].index(
        in_a_word(metal)
    )


def in_a_word(metal: Metal) -> str:
    """Whether a metal etches: its verdict in a word."""
    if not metal.etches:
        return "no"
    first = metal.verdict.split(":")[0]
    marks = {
        "poor": "poorly",
        "well": "well",
        "slowly": "slowly",
        "shallow": "shallow",
        "layers": "in layers",
        "fast": "fast",
    }
    return next((word for mark, word in marks.items() if mark in first), "yes")


def _row(metal: Metal) -> list[str]:
    from simulate.units import format_number, in_unit

    if not metal.etches:
        floor = f"> {metal.equilibrium.value:.0f}"
        return [metal.name, in_a_word(metal), "none", floor, "none", "never", "-"]
    time = _time(metal)
    return [
        metal.name,
        in_a_word(metal),
        format_number(in_unit(_yield(metal).value, "um cm2/C"), 2),
        f"{_floor(metal).value:.1f}",
        format_number(in_unit(metal.limit_stroked.value, "A/cm2"), 2),
        span(time.value) if time else "",
        " ".join(_collected(metal)) or "-",
    ]


def _yield(metal: Metal) -> Datum:
    from simulate.estimate.forecast import depth_yield

    return depth_yield(metal)


def _floor(metal: Metal) -> Datum:
    """The voltage floor with the range that the metal's own numbers leave."""
    from simulate.materials.catalogue import Datum
    from simulate.materials.lookup import voltage_floor

    best = voltage_floor(metal)
    up = down = 0.0
    for name in ("equilibrium", "slope", "exchange", "film_resistance"):
        ends = [voltage_floor(metal.moved(end, name)) - best for end in ("low", "high")]
        up, down = up + max(*ends, 0.0) ** 2, down + min(*ends, 0.0) ** 2
    return Datum(best, best - down**0.5, best + up**0.5, "V", "at half of the film cap", "fair")


def _time(metal: Metal) -> Datum | None:
    """Time of the common job [s]."""
    from simulate.estimate.operating_point import operating_point
    from simulate.estimate.salt_dose import power_of, time_to_depth, usual_bench
    from simulate.materials.electrolyte import Electrolyte

    liquid = Electrolyte(vinegar=60e-6, salt=6e-3)
    bench = usual_bench(metal, liquid, power_of(_SUPPLY), open_area=_AREA, depth=_DEPTH)
    return time_to_depth(bench, operating_point(bench))


def _collected(metal: Metal) -> list[str]:
    from simulate.safety.assessment import COLLECTED

    return [element for element in metal.composition if element in COLLECTED]


# One metal ----------------------------------------------------------------------------------------


def _words_of(metal: Metal) -> list[str]:
    """The words of confidence in use, the surest first."""
    from simulate.materials.catalogue import CONFIDENCE

    used = {getattr(metal, name).confidence for name in _present(metal)}
    return [word for word in CONFIDENCE if word in used]


def _details(metal: Metal) -> str:
    from simulate.materials.catalogue import CONFIDENCE

    facts = [Fact("name", metal.name), Fact("etches", metal.verdict)]
    if metal.instead:
        facts.append(Fact("instead", metal.instead))
    if metal.etches:
        depth, time, floor = _yield(metal), _time(metal), _floor(metal)
        facts += [
            Fact("depth", f"{of_band(depth, 'um cm2/C').replace(' um cm2/C', ' um')} per C/cm2"),
            Fact("voltage floor", of_band(floor, "V")),
            Fact("25 um take", f"{span(time.low)} to {span(time.high)}, see below" if time else ""),
        ]
    made = ", ".join(f"{100 * part:.3g} % {name}" for name, part in metal.composition.items())
    leave = ", ".join(f"{name}({metal.valences[name]:+.2g})" for name in metal.composition)
    facts += [Fact("made of", made), Fact("leaves as", leave)]
    if metal.high_valences:
        others = ", ".join(f"{n}({metal.high_valences[n]:+.2g})" for n in metal.composition)
        facts.append(Fact("or in part as", others))
    if metal.under is not None:
        facts.append(Fact("below it", metal.under.label))
    facts.append(Fact("collect", ", ".join(_collected(metal)) or "nothing special"))
    sections = [("At a glance", [(fact.name, fact.text()) for fact in facts])]
    sections.append(("Numbers", _numbers(metal)))
    sections.append(("How sure", [(word, CONFIDENCE[word]) for word in _words_of(metal)]))
    sections.append(("Cautions", [("", text) for text in metal.cautions]))
    if metal.etches:
        sections.append(("25 um take", [("", f"0.5 cm2, 9 V alkaline block, {_job()['liquid']}. "
                                         f"{_job()['bench']}")]))  # fmt: skip
    return terminal.report(metal.label, sections)


def _present(metal: Metal) -> list[str]:
    return [name for name in _NUMBERS if getattr(metal, name) is not None]


def _numbers(metal: Metal) -> list[tuple[str, str]]:
    """Each number of the catalogue: value and range, what it is, how sure, and where from."""
    from simulate.cli.report_rows import banded

    lines = []
    for name in _present(metal):
        datum: Datum = getattr(metal, name)
        meaning, unit = _NUMBERS[name]
        if name == "high_share" and not metal.high_valences:
            continue
        text = banded(datum.value, datum.low, datum.high, unit, 3)
        sure = datum.confidence.capitalize()
        lines.append((name.replace("_", " "), f"{text}: {meaning}. {sure}; {datum.source}."))
    return lines


def _plain(metal: Metal) -> dict[str, Any]:
    """Everything known of a metal, for machines."""
    told: dict[str, Any] = {
        "name": metal.name,
        "label": metal.label,
        "etches": metal.etches,
        "in_a_word": in_a_word(metal),
        "verdict": metal.verdict,
        "instead": metal.instead,
        "composition": dict(metal.composition),
        "valences": dict(metal.valences),
        "high_valences": dict(metal.high_valences),
        "equivalent_weight": {"value": metal.equivalent_weight, "unit": "kg/mol"},
        "under": metal.under.name if metal.under else None,
        "film_settles": metal.film_settles,
        "collect": _collected(metal),
        "cautions": list(metal.cautions),
        "numbers": {name: plain_datum(getattr(metal, name)) for name in _present(metal)},
        "depth_per_charge": None,
        "voltage_floor": None,
        "time": None,
    }
    if metal.etches:
        time = _time(metal)
        told["depth_per_charge"] = plain_datum(_yield(metal))
        told["voltage_floor"] = plain_datum(_floor(metal))
        told["time"] = plain_datum(time) if time else None
    return told
