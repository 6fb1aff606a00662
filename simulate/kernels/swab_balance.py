"""Balances of the swab as a lumped body: heat, water, acid, metal and gas; pH; the re-dip.

Plain Python on numbers and on columns of a state and a ledger: quick estimates call it as it
stands, and `kernels.time_march` compiles the same text. Sources of the formulas are beside them and
in `swab`.

    C dT/dt = P - G (T - T_plate) - h A (T - T_room) - L e(T)      up to the boiling point
    dm/dt   = -e(T) - (surplus heat at the boiling point) / L

with C = m c + C_dry. One hydrogen ion is used up for each electron while there is acid, hydroxide
is made afterwards. Left out: steam in the pores, the salt's concentration by drying, the plate's
own warming.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from simulate.constants import (
    ATMOSPHERE,
    FARADAY,
    GAS_CONSTANT,
    WATER_HEAT,
    WATER_MOLAR_MASS,
    WATER_PRODUCT,
    ZERO_CELSIUS,
)

STATE = (
    "temperature", "water", "acid", "acetate", "hydroxide", "metal", "gas", "time",
    "dipped_time", "dipped_charge",
)  # fmt: skip
"""Columns of a state, the fields of `swab.state.WetState` by name."""

(
    TEMPERATURE, WATER, ACID, ACETATE, HYDROXIDE, METAL, GAS, TIME, DIPPED_TIME, DIPPED_CHARGE,
) = range(len(STATE))  # fmt: skip
STATE_SIZE = len(STATE)

LEDGER = (
    "charge", "heat_in", "heat_plate", "heat_air", "heat_vapour", "heat_discarded",
    "water_taken", "water_evaporated", "water_boiled", "water_discarded",
    "acid_taken", "acid_used", "acid_discarded", "hydroxide_made", "hydroxide_discarded",
    "metal_dissolved", "metal_discarded", "dips",
)  # fmt: skip
"""Columns of a ledger, the fields of `swab.ledger.Ledger` by name."""

(
    CHARGE, HEAT_IN, HEAT_PLATE, HEAT_AIR, HEAT_VAPOUR, HEAT_DISCARDED,
    WATER_TAKEN, WATER_EVAPORATED, WATER_BOILED, WATER_DISCARDED,
    ACID_TAKEN, ACID_USED, ACID_DISCARDED, HYDROXIDE_MADE, HYDROXIDE_DISCARDED,
    METAL_DISSOLVED, METAL_DISCARDED, DIPS,
) = range(len(LEDGER))  # fmt: skip
LEDGER_SIZE = len(LEDGER)

AIR_HEAT = 1.15 * 1007.0 * 0.85 ** (2 / 3)
"""rho c Le^(2/3) of air [J/(m3 K)], from memory."""


class SwabNumbers(NamedTuple):
    """`swab.state.WetBody` and its `HeatBody` as plain numbers, by name."""

    water: float
    dry_heat: float
    plate_conductance: float
    air_area: float
    wet_area: float
    water_activity: float
    fresh_temperature: float
    room_temperature: float
    plate_temperature: float
    humidity: float
    air_coefficient: float
    falling_rate: float
    boiling_point: float
    volume: float
    acid: float
    dissociation: float
    metal_rate: float
    gas_residence: float
    sludge_volume: float
    viscosity_rise: float
    viscosity_pole: float
    viscosity_power: float


class RedipNumbers(NamedTuple):
    """When the swab is dipped again: charge [C], time [s] or temperature [K] reached, infinite for
    no
    such rule; and the pause it takes [s]."""

    charge: float
    time: float
    temperature: float
    pause: float


def vapour_pressure(temperature):
    """Of pure water [Pa], Antoine's equation, 1 to 100 degC within 0.5 % (constants from
    memory)."""
    celsius = temperature - ZERO_CELSIUS
    return 133.322 * 10.0 ** (8.07131 - 1730.63 / (celsius + 233.426))


def heat_of_vaporisation(temperature):
    """Of water [J/kg], a straight line within 0.5 % from 0 to 110 degC (from memory)."""
    return 2.501e6 - 2.38e3 * (temperature - ZERO_CELSIUS)


def evaporation(body, temperature, water):
    """Water evaporated into the room [kg/s], by the analogy of heat and mass transfer.

    h A / (rho c Le^(2/3)) times the difference of vapour densities, never negative; in proportion
    to the water [kg] once that has fallen below `falling_rate` of the fresh one.
    """
    if water <= 0.0:
        return 0.0
    surface = body.water_activity * vapour_pressure(temperature) / temperature
    room = body.humidity * vapour_pressure(body.room_temperature) / body.room_temperature
    difference = (surface - room) * WATER_MOLAR_MASS / GAS_CONSTANT
    rate = body.air_coefficient / AIR_HEAT * body.wet_area * difference
    return max(rate, 0.0) * min(1.0, water / body.water / body.falling_rate)


def plate_loss(body, temperature, touching):
    """Heat into the plate [W]; none while the swab is lifted."""
    return body.plate_conductance * (temperature - body.plate_temperature) if touching else 0.0


def air_loss(body, temperature):
    """Heat into the air [W], by convection and radiation."""
    return body.air_coefficient * body.air_area * (temperature - body.room_temperature)


def loss(body, temperature, water, touching):
    """Heat lost at a temperature [W], that of evaporation included."""
    sensible = plate_loss(body, temperature, touching) + air_loss(body, temperature)
    return sensible + heat_of_vaporisation(temperature) * evaporation(body, temperature, water)


def _leave(body, state, ledger, temperature, evaporated, boiled):
    """Let water go as vapour from a temperature; returns the enthalpy it takes."""
    warmth = temperature - body.fresh_temperature
    taken = (evaporated + boiled) * (WATER_HEAT * warmth + heat_of_vaporisation(temperature))
    state[WATER] -= evaporated + boiled
    ledger[WATER_EVAPORATED] += evaporated
    ledger[WATER_BOILED] += boiled
    ledger[HEAT_VAPOUR] += taken
    return taken


def _boil(body, state, ledger, power, time, touching):
    """Boil for a time or until dry, all surplus heat making vapour; returns the time taken [s]."""
    point = state[TEMPERATURE]
    plate, air = plate_loss(body, point, touching), air_loss(body, point)
    rate = (power - plate - air) / heat_of_vaporisation(point)
    step = min(time, state[WATER] / rate)
    lost = state[WATER] if step < time else min(rate * step, state[WATER])
    evaporated = min(evaporation(body, point, state[WATER]) * step, lost)
    ledger[HEAT_PLATE] += plate * step
    ledger[HEAT_AIR] += air * step
    _leave(body, state, ledger, point, evaporated, lost - evaporated)
    return step


def _warm(body, state, ledger, power, time, touching):
    """One step of at most a twentieth of the time constant, exact where the loss is linear; its
    time [s]."""
    start, water = state[TEMPERATURE], state[WATER]
    capacity = water * WATER_HEAT + body.dry_heat
    before = capacity * (start - body.fresh_temperature)
    high = loss(body, start + 0.01, water, touching)
    slope = (high - loss(body, start - 0.01, water, touching)) / 0.02
    scale = capacity / slope
    step = min(time, 0.05 * scale)
    a = step / scale
    lag = 0.5 * a - a * a / 6.0 if a < 1e-4 else 1.0 + math.expm1(-a) / a
    mean = start + (power - loss(body, start, water, touching)) / slope * lag
    plate, air = plate_loss(body, mean, touching), air_loss(body, mean)
    lost = evaporation(body, mean, water) * step
    if 0.0 < water < body.falling_rate * body.water:
        lost = -water * math.expm1(-lost / water)
    gone = _leave(body, state, ledger, mean, min(lost, water), 0.0)
    ledger[HEAT_PLATE] += plate * step
    ledger[HEAT_AIR] += air * step
    left = before + (power - plate - air) * step - gone
    capacity = state[WATER] * WATER_HEAT + body.dry_heat
    state[TEMPERATURE] = body.fresh_temperature + left / capacity
    _flash(body, state, ledger)
    return step


def _flash(body, state, ledger):
    """Turn heat above the boiling point into steam."""
    point = body.boiling_point
    if state[TEMPERATURE] <= point or state[WATER] == 0.0:
        return
    capacity = state[WATER] * WATER_HEAT + body.dry_heat
    stored = capacity * (state[TEMPERATURE] - body.fresh_temperature)
    surplus = capacity * (state[TEMPERATURE] - point)
    lost = min(surplus / heat_of_vaporisation(point), state[WATER])
    left = stored - _leave(body, state, ledger, point, 0.0, lost)
    if state[WATER] == 0.0:
        state[TEMPERATURE] = body.fresh_temperature + left / body.dry_heat
    else:
        state[TEMPERATURE] = point


def heat_up(body, state, ledger, heat, time, touching):
    """Temperature and water after a time [s] at a constant heat [W]: `_warm` and `_boil`
    in turn."""
    left = time
    while left > 0.0:
        hot = state[WATER] > 0.0 and state[TEMPERATURE] >= body.boiling_point
        if hot and heat > loss(body, state[TEMPERATURE], state[WATER], touching):
            left -= _boil(body, state, ledger, heat, left, touching)
        else:
            left -= _warm(body, state, ledger, heat, left, touching)


def advance(body, state, ledger, current, heat, time, touching):
    """Carry the swab on for a time [s] at a constant current [A] and a constant heat in it [W].

    Acid, metal and gas are exact; temperature and water as `heat_up` says. The hydrogen evolved at
    the cathode leaves with the time constant `gas_residence`.
    """
    inflow = current * GAS_CONSTANT * state[TEMPERATURE] / (2.0 * FARADAY * ATMOSPHERE)
    heat_up(body, state, ledger, heat, time, touching)
    charge = current * time
    moles = charge / FARADAY
    used = min(moles, state[ACID])
    steady = inflow * body.gas_residence
    state[ACID] -= used
    state[HYDROXIDE] += moles - used
    state[METAL] += body.metal_rate * charge
    state[GAS] = steady + (state[GAS] - steady) * math.exp(-time / body.gas_residence)
    state[TIME] += time
    state[DIPPED_TIME] += time
    state[DIPPED_CHARGE] += charge
    ledger[CHARGE] += charge
    ledger[HEAT_IN] += heat * time
    ledger[ACID_USED] += used
    ledger[HYDROXIDE_MADE] += moles - used
    ledger[METAL_DISSOLVED] += body.metal_rate * charge


def dip(body, state, ledger):
    """Re-dip: the old liquid is squeezed out, fresh liquid fills the swab, cotton and wire stay
    warm."""
    acid = body.acid * body.volume
    warmth = state[TEMPERATURE] - body.fresh_temperature
    ledger[WATER_TAKEN] += body.water
    ledger[WATER_DISCARDED] += state[WATER]
    ledger[ACID_TAKEN] += acid
    ledger[ACID_DISCARDED] += state[ACID]
    ledger[HYDROXIDE_DISCARDED] += state[HYDROXIDE]
    ledger[METAL_DISCARDED] += state[METAL]
    ledger[HEAT_DISCARDED] += state[WATER] * WATER_HEAT * warmth
    ledger[DIPS] += 1.0
    capacity = body.dry_heat + body.water * WATER_HEAT
    state[TEMPERATURE] = body.fresh_temperature + body.dry_heat * warmth / capacity
    state[WATER] = body.water
    state[ACID] = acid
    state[ACETATE] = acid
    state[HYDROXIDE] = 0.0
    state[METAL] = 0.0
    state[GAS] = 0.0
    state[DIPPED_TIME] = 0.0
    state[DIPPED_CHARGE] = 0.0


def out_of_solution(content, valence, log_product, ph):
    """Metal in excess of what its hydroxide's solubility product allows at a pH [mol/l]."""
    soluble = log_product + valence * (14.0 - ph)
    return max(1e-3 * content - 10.0 ** min(soluble, 3.0), 0.0)


def all_stays(metal, elements, acid):
    """Whether the liquid is too sour for any metal to fall out, as it is in most stops.

    The balance of charges falls with the pH: where it has turned negative a little below the pH at
    which the first metal comes, the liquid's own pH lies below that too.

    metal : dissolved, by volume. acid : dissociation, all acetate, and what outweighs it [mol/l].
    """
    k, total, b = acid
    onset = 15.0
    for n in range(elements.shape[0]):
        content = 1e-3 * metal * elements[n, 0]
        if content > 0.0:
            if content >= 1e3:
                return False
            soluble = (math.log10(content) - elements[n, 2]) / elements[n, 1]
            onset = min(onset, 14.0 - soluble)
    if onset <= 0.0:
        return False
    proton = 10.0 ** (1e-6 - onset)
    return proton + b - k * total / (k + proton) - WATER_PRODUCT / proton < 0.0


def equilibrium_ph(acid, metal, liquid, elements):
    """pH of the liquid [-] at which the charges balance, by bisection to round-off.

    [H] + b - sum(n fallen) = K C / (K + [H]) + Kw / [H], what has fallen of each metal being what
    exceeds the solubility product of its hydroxide.

    Parameters
    ----------
    acid : K, C and b: dissociation constant, acid and its salts together, hydrogen ions used up
        [mol/l].
    metal : dissolved or fallen [kg]. liquid : its volume [m3].
    elements : (n, 3), as for `fallen_metal`.
    """
    k, total, b = acid
    low, high = -1.0, 15.0
    for _ in range(50):
        ph = 0.5 * (low + high)
        proton = 10.0**-ph
        taken = 0.0
        for n in range(elements.shape[0]):
            content = metal * elements[n, 0] / liquid
            if content > 0.0:
                taken += elements[n, 1] * out_of_solution(
                    content, elements[n, 1], elements[n, 2], ph
                )
        if proton + b - taken - k * total / (k + proton) - WATER_PRODUCT / proton > 0.0:
            low = ph
        else:
            high = ph
    return 0.5 * (low + high)


def fallen_metal(body, state, elements):
    """Metal fallen out as hydroxide [mol/m3]: see `equilibrium_ph`.

    elements : (n, 3) moles per mass of dissolved metal [mol/kg], valence and log10 of the
    solubility product.
    """
    liquid = body.volume * max(state[WATER] / body.water, 1e-3)
    k = 1e-3 * body.dissociation
    total = 1e-3 * state[ACETATE] / liquid
    b = 1e-3 * (state[ACETATE] - state[ACID] + state[HYDROXIDE]) / liquid
    if all_stays(state[METAL] / liquid, elements, (k, total, b)):
        return 0.0
    ph = equilibrium_ph((k, total, b), state[METAL], liquid, elements)
    fallen = 0.0
    for n in range(elements.shape[0]):
        content = state[METAL] * elements[n, 0] / liquid
        if content > 0.0:
            valence, product = elements[n, 1], elements[n, 2]
            fallen += 1e3 * out_of_solution(content, valence, product, ph)
    return fallen


def liquid_factor(body, state, elements):
    """Conductivity of the liquid over that of the liquid as mixed [-].

    Temperature by the power of water's viscosity; sludge takes its share of the volume, at most
    half of it, by Bruggeman's (1 - share)^1.5.
    """
    warmer = body.viscosity_rise / (body.fresh_temperature - body.viscosity_pole)
    warmer -= body.viscosity_rise / (state[TEMPERATURE] - body.viscosity_pole)
    sludge = body.sludge_volume * fallen_metal(body, state, elements)
    clear = (1.0 - min(sludge, 0.5)) ** 1.5
    return 10.0 ** (body.viscosity_power * warmer) * clear


def saturation(body, state):
    """Liquid over liquid when freshly dipped [-]."""
    return state[WATER] / body.water


def gas_fraction(body, state):
    """Gas in the liquid by volume [-], V_gas / (V_liquid + V_gas)."""
    liquid = body.volume * saturation(body, state)
    return state[GAS] / (liquid + state[GAS]) if state[GAS] > 0.0 else 0.0


def wet_factor(liquid, wet, gas):
    """Conductivity of the wet body over that of the fresh one [-]: saturation^2 (1 - gas)^1.5."""
    return liquid * wet**2 * (1.0 - gas) ** 1.5


def conduction(body, state, elements):
    """Factor of the wet body's conductivity, its saturation and its gas fraction [-]."""
    wet, gas = saturation(body, state), gas_fraction(body, state)
    return wet_factor(liquid_factor(body, state, elements), wet, gas), wet, gas


def due_rule(state, rule):
    """Which rule asks for a re-dip: 0 none, 1 charge, 2 time, 3 temperature."""
    if state[DIPPED_CHARGE] >= rule.charge:
        return 1
    if state[DIPPED_TIME] >= rule.time:
        return 2
    return 3 if state[TEMPERATURE] >= rule.temperature else 0


LAWS = (
    vapour_pressure, heat_of_vaporisation, evaporation, plate_loss, air_loss, loss, _leave, _boil,
    _flash, _warm, heat_up, advance, dip, out_of_solution, all_stays, equilibrium_ph, fallen_metal,
    liquid_factor, saturation, gas_fraction, wet_factor, conduction, due_rule,
)  # fmt: skip
"""All of them, each after those that it calls."""
