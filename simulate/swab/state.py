"""State of the swab (lumped model): temperature, water, acid, metal and gas, and their ledger.

`advance` carries a `WetState` over a time at a constant current and heat, `redip` dips the swab
again, `conduction` gives the effect on conductivity; each calls the balances of
`kernels.swab_balance`, which a run compiles from the same text. All that goes in and out is summed
in a `Ledger`; `imbalance` shows that nothing is lost.

    heat, water   see `swab.heat`
    acid          one hydrogen ion per electron at the cathode; beyond the acid, hydroxide
    metal         by Faraday's law, all of it kept in the swab until the next dip
    gas           hydrogen comes at I R T / (2 F p) and stays a residence time in the liquid

Left out: metal plated on the wire, and water split once the acid is spent (0.19 mg per coulomb).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from simulate.constants import FARADAY, WATER_HEAT
from simulate.kernels import swab_balance as balance
from simulate.rules import require_zero_or_more
from simulate.swab.acid_base import Solution, settle
from simulate.swab.body import WetBody, element_numbers, swab_numbers


@dataclass(frozen=True)
class Ledger:
    """All that went in or out since the first dip: [C], [J], [kg], [mol].

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
    dips: float = 0.0


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
    time : since the first dip [s].
    dipped_time, dipped_charge : in use [s] and passed [C] since the last dip.
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
    dipped_time: float = 0.0
    dipped_charge: float = 0.0
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
        return float(balance.wet_factor(self.liquid, self.saturation, self.gas))


def wetted(body: WetBody) -> WetState:
    """The swab dipped for the first time."""
    acid, water = body.acid * body.volume, body.heat.water
    taken = Ledger(water_taken=water, acid_taken=acid, dips=1.0)
    return WetState(body.heat.fresh_temperature, water, acid, acid, ledger=taken)


def columns_of(state: WetState) -> tuple[list[float], list[float]]:
    """State and ledger as the columns of `kernels.swab_balance`, matched by name."""
    ledger = [float(getattr(state.ledger, name)) for name in balance.LEDGER]
    return [float(getattr(state, name)) for name in balance.STATE], ledger


def state_of(state: Sequence[float], ledger: Sequence[float]) -> WetState:
    """A state from its columns and those of its ledger."""
    sums = Ledger(**{n: float(v) for n, v in zip(balance.LEDGER, ledger, strict=True)})
    numbers = {n: float(v) for n, v in zip(balance.STATE, state, strict=True)}
    return WetState(**numbers, ledger=sums)


def redip(state: WetState, body: WetBody) -> WetState:
    """Re-dip: the old liquid is squeezed out and fresh liquid fills the swab; the gas goes.

    Heat is shared between what stays, cotton and wire, and the liquid that comes in.
    """
    columns, ledger = columns_of(state)
    balance.dip(swab_numbers(body), columns, ledger)
    return state_of(columns, ledger)


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
    heat : set free in it [W], I (U - E): all but what the chemistry stores.
    time : [s].
    touching : whether it is on the plate; in the air it gives the plate no heat.

    Raises
    ------
    InputError : a number that is negative or not finite.
    """
    require_zero_or_more(current=current, heat=heat, time=time)
    columns, ledger = columns_of(state)
    balance.advance(swab_numbers(body), columns, ledger, current, heat, time, touching)
    return state_of(columns, ledger)


def imbalance(state: WetState, body: WetBody) -> dict[str, float]:
    """By what ledger and state disagree, relative to the turnover [-]: nothing but rounding.

    Keys: charge, energy, water, acid, hydroxide, metal.
    """
    ledger = state.ledger
    capacity = state.water * WATER_HEAT + body.heat.dry_heat
    stored = capacity * (state.temperature - body.heat.fresh_temperature)
    flows = {
        "charge": (ledger.charge / FARADAY, -ledger.acid_used, -ledger.hydroxide_made),
        "energy": (
            ledger.heat_in,
            -stored,
            -ledger.heat_plate,
            -ledger.heat_air,
            -ledger.heat_vapour,
            -ledger.heat_discarded,
        ),
        "water": (
            ledger.water_taken,
            -state.water,
            -ledger.water_evaporated,
            -ledger.water_boiled,
            -ledger.water_discarded,
        ),
        "acid": (ledger.acid_taken, -state.acid, -ledger.acid_used, -ledger.acid_discarded),
        "hydroxide": (ledger.hydroxide_made, -state.hydroxide, -ledger.hydroxide_discarded),
        "metal": (ledger.metal_dissolved, -state.metal, -ledger.metal_discarded),
    }
    return {
        key: math.fsum(parts) / (math.fsum(map(abs, parts)) or 1.0) for key, parts in flows.items()
    }


def saturation(state: WetState, body: WetBody) -> float:
    """Liquid over liquid when freshly dipped [-]."""
    return float(balance.saturation(swab_numbers(body), columns_of(state)[0]))


def gas_fraction(state: WetState, body: WetBody) -> float:
    """Gas in the liquid by volume [-], V_gas / (V_liquid + V_gas)."""
    return float(balance.gas_fraction(swab_numbers(body), columns_of(state)[0]))


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
    """What the state does to conduction, relative to the liquid at the temperature it was mixed."""
    numbers, (columns, _) = swab_numbers(body), columns_of(state)
    liquid = balance.liquid_factor(numbers, columns, element_numbers(body))
    return Conduction(
        float(liquid),
        float(balance.saturation(numbers, columns)),
        float(balance.gas_fraction(numbers, columns)),
    )
