"""``swabfield recipe``: how much salt, and what one more spoon gains."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from simulate.cli import options, terminal
from simulate.cli.report_rows import of_band, plain_datum, span, table
from simulate.errors import Fault, InputError

if TYPE_CHECKING:
    from simulate.case.settings import Power
    from simulate.estimate.inputs import Bench
    from simulate.estimate.salt_dose import Dose
    from simulate.materials.catalogue import End
    from simulate.materials.electrolyte import Electrolyte

_STORY = """\
Try doses of salt: how well the liquid conducts, what current to expect, how
long a depth takes, and what each step gains. For the swab, stencil and supply
of a case, or for a common bench whose metal, supply and liquid you choose."""

_GAINS = 0.05  # a step that gains less is not worth its salt [-]

Defaults = dict[str, str]
_USUAL: Defaults = {
    "metal": "carbon_steel",
    "volume": "60 mL",
    "liquid": "vinegar",
    "acid": "5 %",
    "temperature": "20 degC",
    "area": "0.5 cm2",
    "depth": "25 um",
}


def register(commands: argparse._SubParsersAction[options.Parser]) -> None:
    """Add the command."""
    parser = options.add_command(
        commands, "recipe", recipe, "say how much salt, and what more of it gains", _STORY
    )
    add = parser.add_argument
    add("--case", metavar="CASE", help="take all but the salt from a case file")
    add("--metal", metavar="NAME", help="of the plate; carbon_steel")
    add("--supply", metavar="NAME", help="battery of the catalogue; alkaline_9v")
    add("--emf", metavar="VOLTAGE", help='a bench supply set to this, such as "6 V"')
    add("--current-limit", metavar="CURRENT", help="the most the bench supply gives")
    add("--volume", metavar="VOLUME", help='of the liquid, such as "60 mL" or "1/4 cup"')
    add("--liquid", choices=("vinegar", "water"), help="vinegar if not given")
    add("--acid", metavar="SHARE", help='acetic acid in the vinegar; "5 %%"')
    add("--temperature", metavar="T", help='of the liquid; "20 degC"')
    add("--area", metavar="AREA", help='of all openings; "0.5 cm2"')
    add("--depth", metavar="DEPTH", help='wanted; "25 um"')
    add("--salt", metavar="MASS", action="append", help='one more dose, such as "7 g" or "2 tsp"')


@options.quick
def recipe(arguments: argparse.Namespace) -> int:
    """Try the doses and tell."""
    from simulate.estimate.salt_dose import try_doses

    bench, title = _from_case(arguments) if arguments.case else _from_words(arguments)
    liquid = bench.electrolyte
    own = [_mass(text) for text in arguments.salt or ()]
    own += [liquid.salt_dissolved] if arguments.case else []
    doses = try_doses(bench, [*_usual_masses(liquid), *own])
    if arguments.json:
        terminal.tell_json("recipe", {"exit": options.EXIT_DONE, **_plain(bench, title, doses)})
    elif not arguments.quiet:
        terminal.tell(terminal.report(title, _report(bench, doses, own, common=not arguments.case)))
    return options.EXIT_DONE


# The bench ----------------------------------------------------------------------------------------


def _from_case(arguments: argparse.Namespace) -> tuple[Bench, str]:
    """The bench of a case; what a case brings cannot be given twice."""
    from simulate.case.case import read_case
    from simulate.estimate.inputs import bench_of

    keys = (*_USUAL, "supply", "emf", "current_limit")
    twice = [key for key in keys if getattr(arguments, key) is not None]
    if twice:
        raise InputError(
            Fault("the case brings its own", "--case, or these words", key="--" + key)
            for key in twice
        )
    case = read_case(arguments.case)
    return bench_of(case), f"Salt for {case.title}"


def _from_words(arguments: argparse.Namespace) -> tuple[Bench, str]:
    """The common bench with what was asked for."""
    from simulate.estimate.salt_dose import usual_bench
    from simulate.materials.electrolyte import Electrolyte
    from simulate.materials.metals import find_metal

    given = {key: getattr(arguments, key) or usual for key, usual in _USUAL.items()}
    volume = _quantity(given, "volume", "volume")
    sour = given["liquid"] == "vinegar"
    liquid = Electrolyte(
        vinegar=volume if sour else 0.0,
        water=0.0 if sour else volume,
        salt=0.0,
        acid_fraction=_quantity(given, "acid", "ratio"),
        temperature=_quantity(given, "temperature", "temperature"),
    )
    bench = usual_bench(
        find_metal(given["metal"]),
        liquid,
        _power(arguments),
        open_area=_quantity(given, "area", "area"),
        depth=_quantity(given, "depth", "length"),
    )
    return bench, f"Salt for {given['volume']} of {given['liquid']}"


def _quantity(given: Defaults, key: str, dimension: str) -> float:
    """A number of the command line in SI, zero and less refused."""
    from simulate.units import parse_quantity

    try:
        value = parse_quantity(given[key], dimension)
    except InputError as error:
        raise InputError(replace(fault, key=f"--{key}") for fault in error.faults) from None
    if not value > 0.0 and key != "acid":
        raise InputError(Fault("not above zero", "> 0", key=f"--{key}", value=given[key]))
    return value


def _power(arguments: argparse.Namespace) -> Power:
    """A battery, or a bench supply set to a voltage."""
    from simulate.case.settings import Power
    from simulate.estimate.salt_dose import power_of
    from simulate.field.supply import Supply
    from simulate.materials.lookup import find_source

    if arguments.emf is None:
        if arguments.current_limit is not None:
            raise InputError(Fault("a limit needs a bench supply", "--emf", key="--current-limit"))
        return power_of(arguments.supply or "alkaline_9v")
    if arguments.supply is not None:
        raise InputError(Fault("two supplies", "--supply or --emf", key="--emf"))
    limit = arguments.current_limit
    source = find_source("bench")
    supply = Supply(
        _quantity({"emf": arguments.emf}, "emf", "voltage"),
        source.resistance.value,
        None if limit is None else _quantity({"current-limit": limit}, "current-limit", "current"),
    )
    return Power(supply, find_source("leads").resistance.value, label=source.label)


def _mass(text: str) -> float:
    """A mass of salt [kg]; spoons are level and of table salt."""
    from simulate.materials.electrolyte import salt_in_spoons
    from simulate.units import parse_quantity

    try:
        return salt_in_spoons(parse_quantity(text, "volume")).value
    except InputError:
        return _quantity({"salt": text}, "salt", "mass")


def _usual_masses(liquid: Electrolyte) -> list[float]:
    """The doses in spoons, up to what dissolves, and what just saturates."""
    from simulate.estimate.salt_dose import DOSES, saturating

    most = saturating(liquid)
    volume = liquid.vinegar + liquid.water
    masses = (float(f"{dose * volume:.1e}") for dose in DOSES)
    return [*(mass for mass in masses if mass < 0.97 * most), most]


# The words ----------------------------------------------------------------------------------------


def _report(
    bench: Bench, doses: Sequence[Dose], own: list[float], *, common: bool
) -> list[tuple[str, list[tuple[str, str]]]]:
    from simulate.units import format_quantity

    first = ["salt", "level", "by", "conducts", "current", "likely", "gain", "held"]
    second = ["g", "tsp", "mass", "S/m", "A", "A", "", "back by"]
    rows = [_row(dose, dose.salt in own) for dose in doses]
    if bench.depth is not None:
        first.append(format_quantity(bench.depth, "um"))
        second.append("takes")
    lines = table([first, second], rows, left=(4, 7))
    found = [("Doses", [(terminal.ROW, line) for line in lines])]
    if own:
        found[0][1].append(("", "* your own dose"))
    found.append(("What it means", [("", text) for text in _meaning(bench, doses)]))
    if common:
        found.append(("For", _for(bench)))
    return found


def _row(dose: Dose, own: bool) -> list[str]:
    from simulate.units import format_number, in_unit

    gain = "" if dose.gain is None else f"{100 * dose.gain:+.0f} %"
    return [
        ("* " if own else "") + format_number(in_unit(dose.salt, "g"), 3),
        format_number(dose.spoons.value, 2),
        f"{100 * dose.electrolyte.salt_fraction:.1f} %",
        format_number(dose.conductivity.value, 2),
        of_band(dose.current, "A").replace(" A", ""),
        format_number(dose.current.value, 2),
        gain,
        dose.held_by,
        *([span(dose.time.value)] if dose.time else []),
    ]


def _meaning(bench: Bench, doses: Sequence[Dose]) -> list[str]:
    """The table in sentences."""
    from simulate.estimate.salt_dose import charge_per_dip
    from simulate.units import format_quantity

    enough, most = enough_of(doses), enough_of(doses, "high")
    dose = format_quantity(enough.salt, "g")
    if enough is doses[-1]:
        told = ["Every step gains, up to what dissolves."]
    else:
        told = [
            f"{dose} are enough by the best values: beyond it no step gains {100 * _GAINS:.0f} % "
            f"in current, for {_BUT[doses[-1].held_by]}."
        ]
    if most.salt > enough.salt:
        told.append(
            f"At the upper end of the band, doses up to {format_quantity(most.salt, 'g')} still "
            "gain; more than that helps in no case."
        )
    told.append(f"The last line is what just dissolves: {format_quantity(doses[-1].salt, 'g')}.")
    acid = charge_per_dip(bench)
    if acid > 0.0:
        told.append(
            f"The vinegar's acid lasts for {format_quantity(acid, 'C', 2)} of each wetting; then "
            "the swab turns alkaline and hydroxide falls out. Acid hardly conducts: it is the "
            "salt that carries the current."
        )
    else:
        told.append(
            "Without vinegar there is no acid to spend: the swab turns alkaline at once and "
            "hydroxide falls out in it. Wet it often."
        )
    told.append(
        "Bands are the catalogue's ranges; a reading of your own meter narrows them. A level "
        "metric teaspoon of fine table salt is taken as 6 g (5 to 7): weigh it."
    )
    return told


_BUT = {
    "film": "a salt film on the metal holds it",
    "swab": "the liquid hardly conducts better",
    "supply": "battery, leads or the limit that is set hold it",
    "reactions": "the two reactions take most of the voltage",
}


def enough_of(doses: Sequence[Dose], end: End = "value") -> Dose:
    """The least dose that no later one betters by a gain worth its salt.

    end : of the band of the current that is looked at.
    """
    best = doses[0]
    for dose in doses[1:]:
        if float(dose.current.at(end)) > float(best.current.at(end)) * (1.0 + _GAINS):
            best = dose
    return best


def _for(bench: Bench) -> list[tuple[str, str]]:
    from simulate.estimate.salt_dose import USUAL
    from simulate.units import format_quantity

    supply = bench.power.after()
    power = f"{bench.power.label}, {format_quantity(supply.emf, 'V')}"
    if supply.current_limit is not None:
        power += f", limited to {format_quantity(supply.current_limit, 'A')}"
    return [
        ("metal", bench.metal.label),
        ("supply", power),
        ("openings", format_quantity(bench.open_area, "cm2")),
        ("bench", USUAL),
    ]


def _plain(bench: Bench, title: str, doses: Sequence[Dose]) -> dict[str, Any]:
    """The table for machines, in SI."""
    from simulate.estimate.salt_dose import charge_per_dip

    liquid, supply = bench.electrolyte, bench.power.after()
    return {
        "title": title,
        "metal": bench.metal.name,
        "supply": {
            "label": bench.power.label,
            "emf": {"value": supply.emf, "unit": "V"},
            "resistance": {"value": supply.resistance, "unit": "ohm"},
            "current_limit": supply.current_limit,
        },
        "vinegar": {"value": liquid.vinegar, "unit": "m3"},
        "water": {"value": liquid.water, "unit": "m3"},
        "temperature": {"value": liquid.temperature, "unit": "K"},
        "open_area": {"value": bench.open_area, "unit": "m2"},
        "depth": None if bench.depth is None else {"value": bench.depth, "unit": "m"},
        "charge_per_dip": {"value": charge_per_dip(bench), "unit": "C"},
        "enough": {"value": enough_of(doses).salt, "unit": "kg"},
        "doses": [_plain_dose(dose) for dose in doses],
    }


def _plain_dose(dose: Dose) -> dict[str, Any]:
    liquid = dose.electrolyte
    return {
        "salt": {"value": dose.salt, "unit": "kg"},
        "spoons": plain_datum(dose.spoons),
        "mass_fraction": {"value": liquid.salt_fraction, "unit": "1"},
        "molarity": {"value": liquid.molarity, "unit": "mol/m3"},
        "undissolved": {"value": liquid.salt_undissolved, "unit": "kg"},
        "conductivity": plain_datum(dose.conductivity),
        "current": plain_datum(dose.current),
        "time": None if dose.time is None else plain_datum(dose.time),
        "gain": dose.gain,
        "held_by": dose.held_by,
    }
