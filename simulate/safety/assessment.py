"""Safety assessment of a job: gas, dissolved metals, heat, electrical current, waste.

A verdict compares one quantity, with its band, with one published limit. Where a fraction is not
known there are two verdicts: the expected value, and the upper bound. Nothing here replaces local
codes or the judgement of licensed people; `DEFERENCE` says so in every report.

Limits and verdicts are defined in `simulate.safety.limits`.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Final

from simulate.case.settings import Room
from simulate.errors import Fault, InputError
from simulate.field.supply import Supply
from simulate.materials.battery import Battery
from simulate.materials.catalogue import Datum, End
from simulate.materials.metals import Metal
from simulate.materials.removal import dissolved_elements
from simulate.rules import above_zero, broken
from simulate.safety.limits import Verdict, assumed, limit
from simulate.safety.ventilation import (
    fresh_air,
    gas_volume,
    held_time,
    near_fraction,
    room_fraction,
    swabs_allowed,
)
from simulate.units import format_quantity

#: Said in every report.
DEFERENCE: Final = (
    "These are estimates for people who already work safely. Local codes decide, and people "
    "licensed for electrical work, ventilation and chemical waste; where they differ from this, "
    "follow them."
)

GENERAL: Final = (
    "Goggles and nitrile gloves; no rings or bracelets, which get hot across the clips.",
    "A tray under the work, a window or fan that takes the air away from your face.",
    "Take a clip off between strokes; never leave it connected and unattended.",
    "Never add bleach, peroxide or any other chemical to salt and vinegar.",
    "No lid, bag or box over the work: hydrogen collects and burns.",
    "A smell of swimming pool means chlorine: stop, air the room.",
    "Neutralise with baking soda, rinse, dry; wash hands before food.",
)

_ENDS: Final[tuple[End, End, End]] = ("value", "low", "high")

#: More swabs than a room holds; the count of those allowed stops here.
MOST_SWABS: Final = 100

_NAMES: Final = {"Cr": "chromium", "Cr(VI)": "hexavalent chromium", "Ni": "nickel", "Cu": "copper"}
_METAL_ADVICE: Final = {
    "Cr": "Gloves; collect everything; adults only.",
    "Cr(VI)": "Yellow liquid means hexavalent chromium: poisonous, causes cancer. Collect it all.",
    "Ni": "Nickel sensitises the skin for life: gloves, no splashes.",
    "Cu": "Copper salts irritate and harm water life: gloves, collect the liquid.",
}
#: Elements that must not go down the drain.
COLLECTED: Final = ("Cr", "Ni", "Cu", "Zn", "Ag")
_SHORT_SOURCE: Final = "open-circuit voltage over internal resistance; fire-service notices on 9 V"


@dataclass(frozen=True, kw_only=True)
class Job:
    """The quantities of one person's job that bear on safety.

    Parameters
    ----------
    current : while the swab touches [A], with its band.
    duration : of contact [s].
    voltage : open-circuit voltage of the supply [V].
    dips : times the swab is dipped, the first one included.
    liquid : in the swab [m3].
    swab_temperature : the hottest it gets [K], if it is known.
    """

    current: Datum
    duration: float
    voltage: float = 9.0
    dips: int = 1
    liquid: float = 0.15e-6
    swab_temperature: Datum | None = None

    def __post_init__(self) -> None:
        faults = broken(self, above_zero(self, "duration", "liquid"))
        if self.current.low < 0.0:
            faults.append(Fault("negative", "zero or more", key="current"))
        if self.dips < 1:
            faults.append(Fault("a dry swab", "at least one dip", key="dips"))
        if faults:
            raise InputError(faults)

    @property
    def charge(self) -> Datum:
        """Charge passed [C], with the current's band."""
        return self.current.times(self.duration, "C")


def assess(
    job: Job,
    metal: Metal,
    room: Room | None = None,
    *,
    source: Battery | Supply | None = None,
) -> tuple[Verdict, ...]:
    """All verdicts on a job, the most serious first.

    Parameters
    ----------
    job : one person's work.
    metal : its uppermost layer counts.
    room : and how many work in it; a small closed one is assumed if None.
    source : where the current comes from.
    """
    place = assumed_room() if room is None else room
    found = [
        *chlorine_verdicts(job, metal, place),
        *hydrogen_verdicts(job, metal, place),
        *metal_verdicts(job, metal, place),
        voltage_verdict(job),
        waste_verdict(job, metal, place),
    ]
    if job.swab_temperature is not None:
        found.append(skin_verdict(job.swab_temperature))
    if isinstance(source, Battery):
        found.append(short_verdict(source))
    order = {"past": 0, "watch": 1, "fine": 2}
    return tuple(sorted(found, key=lambda verdict: order[verdict.severity]))


def cautions(metal: Metal, verdicts: Iterable[Verdict] = ()) -> tuple[str, ...]:
    """What to tell people: advice of verdicts not fine, the metal's own, the general."""
    advice = tuple(v.advice for v in verdicts if v.severity != "fine" and v.advice)
    return tuple(dict.fromkeys((*advice, *metal.cautions, *GENERAL, DEFERENCE)))


def assumed_room() -> Room:
    """A small closed room, for a case that describes none."""
    return Room(assumed("room_volume").value, assumed("air_changes").value / 3600.0)


# Gas ----------------------------------------------------------------------------------------------


def chlorine_verdicts(job: Job, metal: Metal, room: Room) -> tuple[Verdict, Verdict, Verdict]:
    """Chlorine at the nose when the work ends, expected and bound, and how many may work at once.

    Expected: the metal's share of the current. Bound: all of it, which calls for watching; a bound
    beyond what threatens life at once counts as past. What iron and other metal in the liquid take
    up again is left out.
    """
    short = limit("chlorine", "short")
    everything = Datum(1.0, 1.0, 1.0, "", "all anodic current to chlorine", "exact")
    expected = _at_the_nose(job, metal.chlorine_share, room)
    most = _at_the_nose(job, everything, room)
    flow = gas_volume(job.current.value) * room.swabs
    air = fresh_air(short.value, flow, assumed("mixing").value)
    return (
        Verdict(
            "chlorine",
            "chlorine at your nose when the work ends, expected",
            expected,
            "ppm",
            short,
            "Open windows and doors or work outside; fewer swabs at once, shorter spells.",
        ),
        Verdict(
            "chlorine bound",
            "chlorine at your nose if all the current made it, the bound",
            most,
            "ppm",
            short,
            "If it smells of chlorine, stop; the bound would take "
            f"{air * 3600.0:.0f} m3 of fresh air an hour.",
            bound=most.value <= limit("chlorine", "danger").value,
        ),
        _crowd_verdict(job, metal, room, short),
    )


def hydrogen_verdicts(job: Job, metal: Metal, room: Room) -> tuple[Verdict, Verdict]:
    """Hydrogen in the room against a quarter of the explosive limit, and under a lid of one litre.

    One molecule per two electrons at the swab; where the metal loses more than Faraday's mass
    (aluminium), the excess gives hydrogen at the plate as well.
    """
    value, low, high = (max(1.0, metal.efficiency.at(end).value) for end in _ENDS)
    share = Datum(value, low, high, "", "all cathodic current, and the plate's own", "firm")
    litre = job.charge.times(share, "C").times(gas_volume(1.0) / 1e-3, "")
    return (
        Verdict(
            "hydrogen",
            "hydrogen in the air about the swab when the work ends",
            _at_the_nose(job, share, room),
            "%",
            limit("hydrogen", "short"),
            "Air the room; keep flames and sparks away.",
        ),
        Verdict(
            "hydrogen under a lid",
            "hydrogen of the whole job in one closed litre",
            litre,
            "%",
            limit("hydrogen", "danger"),
            "Never cover the work: under a lid the gas of this job can explode.",
            bound=True,
        ),
    )


def _at_the_nose(job: Job, share: Datum, room: Room) -> Datum:
    """Volume fraction of a two-electron gas in one person's breathing air, when the work ends."""
    speed, reach = assumed("air_speed"), assumed("reach")

    def at(current: float, part: float, near: tuple[float, float]) -> float:
        flow = gas_volume(current * part)
        far = float(room_fraction(flow * room.swabs, room, job.duration))
        return min(1.0, far + near_fraction(flow, *near))

    return Datum(
        at(job.current.value, share.value, (reach.value, speed.value)),
        at(job.current.low, share.low, (reach.high, speed.high)),
        at(job.current.high, share.high, (reach.low, speed.low)),
        "",
        f"{share.source}; well-mixed room and near field",
        share.confidence,
    )


def _crowd_verdict(job: Job, metal: Metal, room: Room, short: Datum) -> Verdict:
    """How many swabs may work in the room at once, by the expected chlorine."""

    def allowed(current: float, share: float) -> float:
        flow = gas_volume(current * share)
        return min(
            MOST_SWABS,
            swabs_allowed(short.value, flow, room, job.duration, near=near_fraction(flow)),
        )

    share = metal.chlorine_share
    most = Datum(
        allowed(job.current.value, share.value),
        allowed(job.current.high, share.high),
        allowed(job.current.low, share.low),
        "",
        f"room model; {MOST_SWABS} stands for more than fit",
        "guess",
    )
    here = Datum(room.swabs, room.swabs, room.swabs, "", "the case", "stated")
    advice = "Let fewer work at once, or bring in more fresh air."
    return Verdict("swabs at once", "swabs at work in the room", here, "", most, advice)


# Metals, heat, current, waste ---------------------------------------------------------------------


def metal_verdicts(job: Job, metal: Metal, room: Room) -> tuple[Verdict, ...]:
    """Chromium, hexavalent chromium, nickel and copper: what dissolves, and what mist may carry.

    The mist's mass flow is (volume of mist per charge) * current * concentration in the swab, the
    latter half of what it is at a re-dip; the room is well mixed.
    """
    found = []
    for element in ("Cr", "Cr(VI)", "Ni", "Cu"):
        mass = _dissolved(job, metal, element)
        if mass.high == 0.0:
            continue
        name = _NAMES[element]
        advice = _METAL_ADVICE[element]
        words = f"{name} dissolved by one job"
        found.append(Verdict(name, words, mass, "mg", None, advice, "watch"))
        if element != "Cr":
            found.append(
                Verdict(
                    f"{name} in the air",
                    f"{name} carried by mist in the room's air",
                    _mist(job, mass, room),
                    "ug/m3",
                    limit(element, "day"),
                    "Keep the swab wet and the current low, so that it does not spit; air it.",
                )
            )
    return tuple(found)


def skin_verdict(swab_temperature: Datum) -> Verdict:
    """The swab's heat against the burn threshold for a minute's touch; one holds its stick."""
    return Verdict(
        "skin",
        "hottest part of the swab",
        swab_temperature,
        "degC",
        limit("skin", "short"),
        "Hold it by the stick; re-dip it when it sizzles; gloves against hot drops.",
        bound=True,
    )


def voltage_verdict(job: Job) -> Verdict:
    """The supply's voltage against the touch limit for children."""
    volts = Datum(job.voltage, job.voltage, job.voltage, "V", "the case", "stated")
    advice = "Use a battery, or a supply isolated from the mains and below 30 V."
    most = limit("voltage", "short")
    return Verdict("voltage", "voltage you may touch", volts, "V", most, advice)


def short_verdict(battery: Battery) -> Verdict:
    """The current of a battery whose terminals touch metal."""
    amperes = Supply(battery.open_circuit, battery.resistance).short_circuit_current
    current = Datum(amperes, amperes / 1.5, amperes * 1.5, "A", _SHORT_SOURCE, "fair")
    advice = "Tape or cap the terminals when not in use; no keys, foil or steel wool near them."
    return Verdict("short circuit", "current if the terminals touch metal", current, "A", None,
                   advice, "watch")  # fmt: skip


def waste_verdict(job: Job, metal: Metal, room: Room) -> Verdict:
    """Metals that must not go down the drain, of everyone in the room together."""
    masses = [_dissolved(job, metal, element) for element in COLLECTED]
    value, low, high = (room.swabs * sum(mass.at(end).value for mass in masses) for end in _ENDS)
    liquid = format_quantity(job.dips * job.liquid * room.swabs, "mL", 2)
    swabs = "swab" if room.swabs == 1 else f"{room.swabs} swabs"
    return Verdict(
        "waste",
        f"chromium, nickel, copper, zinc and silver in {liquid} of liquid and the {swabs}",
        Datum(value, low, high, "kg", "Faraday's law", "fair"),
        "mg",
        None,
        "Collect swabs and first rinse in a closed jar for the local collection; no drain.",
        "watch" if high > 0.0 else "fine",
    )


def _dissolved(job: Job, metal: Metal, element: str) -> Datum:
    """Mass of an element one job gives to the liquid, over the metal's ranges and the current's."""

    def at(end: End) -> float:
        # a higher valence takes more charge, so that less is dissolved; but more of it hexavalent
        other: End = {"low": "high", "high": "low"}.get(end, end)  # type: ignore[assignment]
        share = metal.high_share.at(end if element == "Cr(VI)" else other)
        moved = replace(metal.moved(end, "efficiency"), high_share=share)
        return dissolved_elements(moved, job.charge.at(end).value).get(element, 0.0)

    low, value, high = at("low"), at("value"), at("high")
    return Datum(value, min(low, value), max(value, high), "kg", "Faraday's law", "fair")


def _mist(job: Job, mass: Datum, room: Room) -> Datum:
    """Mass of an element in the room's air when the work ends [kg/m3]."""
    per_charge = assumed("mist")
    charge = job.charge

    def at(end: End) -> float:
        concentration = 0.5 * mass.at(end).value / (job.dips * job.liquid)
        flow = per_charge.at(end).value * charge.at(end).value / job.duration * concentration
        return float(flow * room.swabs * held_time(room, job.duration) / room.volume)

    return Datum(at("value"), at("low"), at("high"), "kg/m3", per_charge.source, "guess")
