"""The swab as a lumped body: heat, water, acid, dissolved metal and gas in one small wet thing.

`advance` carries a `WetState` over a time at a constant current and heat; `rewet` dips the swab
again; `conduction` says what the state does to the conductivity, `notices` what a person should
know. All that goes in and out is summed in a `Ledger`; `imbalance` shows that nothing is lost.

    heat, water   as in `drying`
    acid          one hydrogen ion per electron at the cathode; beyond the acid, hydroxide
    metal         by Faraday's law, all of it kept in the swab until the next dip
    gas           hydrogen comes at I R T / (2 F p) and stays a residence time in the liquid

Left out: metal plated on the wire, and water split once the acid is spent (0.19 mg per coulomb).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

from simulate.materials.catalogue import Datum, read_catalogue
from simulate.materials.electrolyte import Electrolyte, viscosity_ratio
from simulate.materials.metals import FARADAY, Metal, atomic_mass
from simulate.rules import above_zero, check, require_fraction, require_zero_or_more, zero_or_more
from simulate.swab.cell_fractions import body_volume, wet_volume
from simulate.swab.chemistry import Solution, settle
from simulate.swab.contact_patch import contact_area
from simulate.swab.geometry import Bud, Swab
from simulate.swab.heat import (
    ATMOSPHERE,
    GAS_CONSTANT,
    WATER_HEAT,
    ZERO_CELSIUS,
    Drying,
    HeatBody,
    brine_activity,
)

WET_COTTON: Final = Datum(0.55, 0.45, 0.62, "W/(m K)", "water and cotton, from memory", "firm")
PLATE_PATH: Final = Datum(
    0.4, 0.25, 0.6, "", "share of the height that heat crosses to the plate; chosen", "loose"
)
GAS_RESIDENCE: Final = Datum(0.5, 0.1, 2.0, "s", "chosen; calibrate it on a current trace", "guess")
SLUDGE_VOLUME: Final = Datum(
    1e-4, 0.3e-4, 3e-4, "m3/mol", "of a fresh hydroxide and its water; chosen", "guess"
)
COTTON_HEAT: Final = 1520.0 * 1300.0  # of the fibre [J/(m3 K)], from memory
WIRE_HEAT: Final = 3.5e6  # [J/(m3 K)], copper or steel within 5 %, from memory
MASK_LIFTS: Final = 333.15  # [K], tape lets go above 60 degC, common practice


@dataclass(frozen=True, kw_only=True)
class WetBody:
    """What does not change while the swab works; built by `wet_body`.

    Parameters
    ----------
    heat : how it warms and dries.
    volume : of liquid when freshly dipped [m3].
    acid : acetic acid of the fresh liquid, dissociated or not [mol/m3].
    dissociation : of that acid [mol/m3].
    metal_rate : mass dissolved per charge [kg/C].
    elements : moles of each element per mass of dissolved metal [mol/kg].
    gas_residence : time hydrogen stays in the liquid [s].
    sludge_volume : of hydroxide and the water it holds, per metal fallen out [m3/mol].

    Raises
    ------
    InputError : a volume or a residence that is not above zero, a negative acid.
    """

    heat: HeatBody
    volume: float
    acid: float = 0.0
    dissociation: float = 1.754e-2
    metal_rate: float = 0.0
    elements: tuple[tuple[str, float], ...] = ()
    gas_residence: float = GAS_RESIDENCE.value
    sludge_volume: float = SLUDGE_VOLUME.value

    def __post_init__(self) -> None:
        rules = above_zero(self, "volume", "gas_residence")
        check(self, rules + zero_or_more(self, "acid", "metal_rate"))


@dataclass(frozen=True)
class Ledger:
    """All that went in or out since the first wetting: [C], [J], [kg], [mol].

    Heat is counted from the fresh liquid's temperature, so that fresh liquid brings none.
    """

    charge: float = 0.0
    heat_in: float = 0.0
    heat_plate: float = 0.0
    heat_air: float = 0.0
    heat_vapour: float = 0.0
    heat_discarded: float = 0.0
    water_taken: float = 0.0
    water_evaporated: float = 0.0
    water_boiled: float = 0.0
    water_discarded: float = 0.0
    acid_taken: float = 0.0
    acid_used: float = 0.0
    acid_discarded: float = 0.0
    hydroxide_made: float = 0.0
    hydroxide_discarded: float = 0.0
    metal_dissolved: float = 0.0
    metal_discarded: float = 0.0
    dips: int = 0

    def plus(self, **amounts: float) -> Ledger:
        """The ledger with amounts added."""
        sums = {key: getattr(self, key) + amount for key, amount in amounts.items()}
        return replace(self, **sums)


@dataclass(frozen=True)
class WetState:
    """The swab at one moment.

    Parameters
    ----------
    temperature : [K].
    water : left in the swab [kg].
    acid, acetate : acid left; acid and its salts together [mol].
    hydroxide : made at the cathode since the acid was spent [mol].
    metal : in the swab, dissolved or fallen out [kg].
    gas : hydrogen in the liquid [m3].
    time : since the first wetting [s].
    wetted_time, wetted_charge : in use [s] and passed [C] since the last wetting.
    ledger : the sums.
    """

    temperature: float
    water: float
    acid: float
    acetate: float
    hydroxide: float = 0.0
    metal: float = 0.0
    gas: float = 0.0
    time: float = 0.0
    wetted_time: float = 0.0
    wetted_charge: float = 0.0
    ledger: Ledger = Ledger()


@dataclass(frozen=True)
class Conduction:
    """What the swab's state does to conduction, relative to the liquid as it was mixed.

    Parameters
    ----------
    liquid : factor of the liquid itself, by temperature and sludge [-]; holds in openings too.
    saturation : liquid over liquid when freshly dipped [-].
    gas : share of gas in the liquid by volume [-].
    """

    liquid: float
    saturation: float
    gas: float

    @property
    def wick(self) -> float:
        """Factor of the wet body, its porosity apart: liquid * saturation^2 * (1 - gas)^1.5 [-]."""
        return float(self.liquid * self.saturation**2 * (1.0 - self.gas) ** 1.5)


@dataclass(frozen=True)
class Notice:
    """Something a person should know: a short key, and words."""

    key: str
    words: str


def wet_body(
    swab: Swab,
    electrolyte: Electrolyte,
    metal: Metal | None = None,
    *,
    filling: float = 1.0,
    room_temperature: float = 293.15,
    humidity: float = 0.5,
) -> WetBody:
    """The lumped body of a swab with its liquid on a metal.

    Heat flows to the plate through `WET_COTTON` over `PLATE_PATH` of the swab's height. A bud gives
    off heat and vapour all round; a pad vapour at its sides only, its back being metal.

    Parameters
    ----------
    filling : share of the pores that a dip fills [-].
    room_temperature : of air and plate [K].
    humidity : relative [-].
    """
    volume, patch = filling * wet_volume(swab), contact_area(swab)
    solids = body_volume(swab) * (1.0 - swab.porosity) * COTTON_HEAT
    if isinstance(swab, Bud):
        height = swab.diameter - swab.press
        air = wet = math.pi * swab.diameter * swab.length - patch
        bar = swab.length - swab.wire_gap
        solids += 0.25 * math.pi * swab.wire_diameter**2 * bar * WIRE_HEAT
    else:
        height = swab.height
        wet = 2.0 * swab.height * (swab.length + swab.width)
        air = wet + patch
    share_of_water = (1.0 - electrolyte.salt_fraction) * (1.0 - electrolyte.acid_mass_fraction)
    heat = HeatBody(
        water=volume * electrolyte.density() * share_of_water,
        dry_heat=solids,
        plate_conductance=WET_COTTON.value * patch / (PLATE_PATH.value * height),
        air_area=air,
        wet_area=wet,
        water_activity=brine_activity(electrolyte.salt_fraction),
        fresh_temperature=electrolyte.temperature,
        room_temperature=room_temperature,
        plate_temperature=room_temperature,
        humidity=humidity,
    )
    acetic = read_catalogue("electrolytes.toml")["acetic_acid"]
    parts = metal.composition.items() if metal else ()
    return WetBody(
        heat=heat,
        volume=volume,
        acid=electrolyte.acid,
        dissociation=1e3 * float(acetic["dissociation"]),
        metal_rate=metal.efficiency.value * metal.equivalent_weight / FARADAY if metal else 0.0,
        elements=tuple((name, share / atomic_mass(name)) for name, share in parts),
    )


def wetted(body: WetBody) -> WetState:
    """The swab dipped for the first time."""
    acid, water = body.acid * body.volume, body.heat.water
    taken = Ledger(water_taken=water, acid_taken=acid, dips=1)
    return WetState(body.heat.fresh_temperature, water, acid, acid, ledger=taken)


def rewet(state: WetState, body: WetBody, exchange: float = 1.0) -> WetState:
    """Dip the swab again: part of the old liquid goes, fresh liquid fills it up, the gas goes.

    Heat is shared between what stays and what comes in.

    Parameters
    ----------
    exchange : share of the old liquid squeezed out, 0 (topped up) to 1 (all) [-].

    Raises
    ------
    InputError : an exchange outside 0 to 1.
    """
    require_fraction(exchange=exchange)
    kept, heat = 1.0 - exchange, body.heat
    fresh = max(heat.water - kept * state.water, 0.0)
    acid = body.acid * body.volume * fresh / heat.water
    warmth = state.temperature - heat.fresh_temperature
    old = kept * state.water * WATER_HEAT + heat.dry_heat
    ledger = state.ledger.plus(
        water_taken=fresh,
        water_discarded=exchange * state.water,
        acid_taken=acid,
        acid_discarded=exchange * state.acid,
        hydroxide_discarded=exchange * state.hydroxide,
        metal_discarded=exchange * state.metal,
        heat_discarded=exchange * state.water * WATER_HEAT * warmth,
        dips=1,
    )
    return replace(
        state,
        temperature=heat.fresh_temperature + old * warmth / (old + fresh * WATER_HEAT),
        water=kept * state.water + fresh,
        acid=kept * state.acid + acid,
        acetate=kept * state.acetate + acid,
        hydroxide=kept * state.hydroxide,
        metal=kept * state.metal,
        gas=0.0,
        wetted_time=0.0,
        wetted_charge=0.0,
        ledger=ledger,
    )


def rewet_reason(
    state: WetState,
    *,
    charge: float | None = None,
    time: float | None = None,
    temperature: float | None = None,
) -> str:
    """Which of the rules says that the swab is due to be wetted again; empty if none does.

    Common practice is 10 C (5 to 12) or 20 s, whichever comes first.

    Parameters
    ----------
    charge, time : passed [C] and in use [s] since it was last wetted. None: no such rule.
    temperature : reached [K].
    """
    rules = {
        "charge": (charge, state.wetted_charge),
        "time": (time, state.wetted_time),
        "temperature": (temperature, state.temperature),
    }
    due = (key for key, (limit, now) in rules.items() if limit is not None and now >= limit)
    return next(due, "")


def heat_power(current: float, voltage: float, reversible: float = 0.0) -> float:
    """Heat set free in the swab [W], I (U - E): all but what the chemistry stores.

    Parameters
    ----------
    current : [A].
    voltage : between plate and cathode [V].
    reversible : anode's less cathode's equilibrium potential, E [V].
    """
    return current * (voltage - reversible)


def advance(
    state: WetState,
    body: WetBody,
    *,
    current: float,
    heat: float,
    time: float,
    touching: bool = True,
) -> WetState:
    """The swab after a time at a constant current and a constant heat set free in it.

    Acid, metal and gas are exact. Temperature and water take steps of a twentieth of the swab's own
    time constant: exact where the loss is linear, second order elsewhere.

    Parameters
    ----------
    current : through the swab [A], zero or more.
    heat : set free in it [W], as from `heat_power`.
    time : [s].
    touching : whether it is on the plate; in the air it gives the plate no heat.

    Raises
    ------
    InputError : a number that is negative or not finite.
    """
    require_zero_or_more(current=current, heat=heat, time=time)
    path = Drying(body.heat, state.temperature, state.water, touching)
    path.run(heat, time)
    charge = current * time
    moles = charge / FARADAY
    used = min(moles, state.acid)
    inflow = current * GAS_CONSTANT * state.temperature / (2.0 * FARADAY * ATMOSPHERE)
    steady = inflow * body.gas_residence
    ledger = state.ledger.plus(
        charge=charge,
        heat_in=heat * time,
        heat_plate=path.heat_plate,
        heat_air=path.heat_air,
        heat_vapour=path.heat_vapour,
        water_evaporated=path.evaporated,
        water_boiled=path.boiled,
        acid_used=used,
        hydroxide_made=moles - used,
        metal_dissolved=body.metal_rate * charge,
    )
    return replace(
        state,
        temperature=path.temperature,
        water=path.water,
        acid=state.acid - used,
        hydroxide=state.hydroxide + (moles - used),
        metal=state.metal + body.metal_rate * charge,
        gas=steady + (state.gas - steady) * math.exp(-time / body.gas_residence),
        time=state.time + time,
        wetted_time=state.wetted_time + time,
        wetted_charge=state.wetted_charge + charge,
        ledger=ledger,
    )


def imbalance(state: WetState, body: WetBody) -> dict[str, float]:
    """By what ledger and state disagree, relative to the turnover [-]: nothing but rounding.

    Keys: charge, energy, water, acid, hydroxide, metal.
    """
    book = state.ledger
    capacity = state.water * WATER_HEAT + body.heat.dry_heat
    stored = capacity * (state.temperature - body.heat.fresh_temperature)
    flows = {
        "charge": (book.charge / FARADAY, -book.acid_used, -book.hydroxide_made),
        "energy": (
            book.heat_in,
            -stored,
            -book.heat_plate,
            -book.heat_air,
            -book.heat_vapour,
            -book.heat_discarded,
        ),
        "water": (
            book.water_taken,
            -state.water,
            -book.water_evaporated,
            -book.water_boiled,
            -book.water_discarded,
        ),
        "acid": (book.acid_taken, -state.acid, -book.acid_used, -book.acid_discarded),
        "hydroxide": (book.hydroxide_made, -state.hydroxide, -book.hydroxide_discarded),
        "metal": (book.metal_dissolved, -state.metal, -book.metal_discarded),
    }
    return {
        key: math.fsum(parts) / (math.fsum(map(abs, parts)) or 1.0) for key, parts in flows.items()
    }


def saturation(state: WetState, body: WetBody) -> float:
    """Liquid over liquid when freshly dipped [-]."""
    return state.water / body.heat.water


def gas_share(state: WetState, body: WetBody) -> float:
    """Gas in the liquid by volume [-], V_gas / (V_liquid + V_gas)."""
    liquid = body.volume * saturation(state, body)
    return state.gas / (liquid + state.gas) if state.gas > 0.0 else 0.0


def metal_content(state: WetState, body: WetBody) -> dict[str, float]:
    """Each element in the liquid, dissolved or fallen out [mol/m3]."""
    liquid = body.volume * max(saturation(state, body), 1e-3)
    return {name: state.metal * moles / liquid for name, moles in body.elements}


def solution(state: WetState, body: WetBody) -> Solution:
    """The liquid's pH and what has fallen out of it."""
    liquid = body.volume * max(saturation(state, body), 1e-3)
    used = state.acetate - state.acid + state.hydroxide
    content = metal_content(state, body)
    return settle(state.acetate / liquid, used / liquid, body.dissociation, content)


def conduction(state: WetState, body: WetBody) -> Conduction:
    """What the state does to conduction, relative to the liquid at the temperature it was mixed.

    Temperature by the power of water's viscosity (`viscosity_ratio`, about 2 % per kelvin); sludge
    takes its share of the volume, at most half of it, by Bruggeman's (1 - share)^1.5.
    """
    warmer = viscosity_ratio(body.heat.fresh_temperature, state.temperature)
    sludge = body.sludge_volume * sum(solution(state, body).fallen.values())
    clear = (1.0 - min(sludge, 0.5)) ** 1.5
    return Conduction(warmer * clear, saturation(state, body), gas_share(state, body))


def notices(state: WetState, body: WetBody) -> tuple[Notice, ...]:
    """What a person should know about the swab now, the gravest first."""
    celsius = state.temperature - ZERO_CELSIUS
    content = metal_content(state, body)
    lost = solution(state, body).fallen
    fallen = ", ".join(name for name, out in lost.items() if out > 0.01 * content[name])
    wet, gas = saturation(state, body), gas_share(state, body)
    boils = state.temperature >= body.heat.boiling_point - 1e-6
    spent = body.acid > 0 and state.acid <= 0.0
    rules = [
        ("boiling", boils, "the swab boils: lift it, wet it, lower the current"),
        ("dry", wet < 0.3, f"nearly dry: {100 * wet:.0f} % of the liquid is left"),
        ("hot", state.temperature > MASK_LIFTS, f"{celsius:.0f} degC: burns, and masks let go"),
        ("drying", 0.3 <= wet < 0.6, f"{100 * wet:.0f} % of the liquid is left"),
        ("acid", spent, "the acid is spent and the swab turns alkaline: wet it again"),
        ("hydroxide", bool(fallen), f"hydroxide of {fallen} falls out in the swab"),
        ("gas", gas > 0.3, f"{100 * gas:.0f} % gas in the liquid: lift the swab now and then"),
    ]
    return tuple(Notice(key, words) for key, holds, words in rules if holds)
