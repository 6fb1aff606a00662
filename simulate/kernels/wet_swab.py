"""Compiled loops of the wet swab as a lumped body, and of its march over the stops of a run.

Arrays and plain records only. The formulas are those of `drying`, `souring`, `wetting` and
`circuit`, where they stand in words with their sources; `tests/run/test_time_march.py` holds the
two against each other.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from simulate.kernels.compiling import compiled, inner

# whether the swab lies on the plate; not as Python's truths, for each of which it would be compiled
_TOUCHING, _LIFTED = np.bool_(True), np.bool_(False)

# Places in a state: see simulate.swab.state.WetState.
TEMPERATURE, WATER, ACID, ACETATE, HYDROXIDE, METAL, GAS = 0, 1, 2, 3, 4, 5, 6
TIME, WETTED_TIME, WETTED_CHARGE = 7, 8, 9
STATE_SIZE = 10

# Places in a book: the fields of simulate.swab.state.Ledger, in their order.
CHARGE, HEAT_IN, HEAT_PLATE, HEAT_AIR, HEAT_VAPOUR, HEAT_DISCARDED = 0, 1, 2, 3, 4, 5
WATER_TAKEN, WATER_EVAPORATED, WATER_BOILED, WATER_DISCARDED = 6, 7, 8, 9
ACID_TAKEN, ACID_USED, ACID_DISCARDED = 10, 11, 12
HYDROXIDE_MADE, HYDROXIDE_DISCARDED = 13, 14
METAL_DISSOLVED, METAL_DISCARDED, DIPS = 15, 16, 17
BOOK_SIZE = 18

# Places in the state of the circuit: share of the battery used, batteries spent before it, time
# spent wetting the swab again [s], work of the electromotive force and energy between plate and
# cathode [J].
USED, SPENT_BATTERIES, PAUSED, WORK, GIVEN = 0, 1, 2, 3, 4
CIRCUIT_SIZE = 5

# Columns of a stop's record.
OUT_TIME, OUT_CURRENT, OUT_VOLTAGE, OUT_EMF, OUT_RESISTANCE = 0, 1, 2, 3, 4
OUT_FACTOR, OUT_SATURATION, OUT_GAS, OUT_LEVEL, OUT_SHARE = 5, 6, 7, 8, 9
RECORD_SIZE = 10

# Columns of a node: current [A], voltage [V], differential conductance [S], ohmic resistance of
# the liquid [ohm]. The current is not a number where a node is not there.
NODE_CURRENT, NODE_VOLTAGE, NODE_CONDUCTANCE, NODE_OHMIC = 0, 1, 2, 3

FARADAY = 96485.33212  # [C/mol]
GAS_CONSTANT = 8.314462618  # [J/(mol K)]
ATMOSPHERE = 101325.0  # [Pa]
ZERO_CELSIUS = 273.15  # [K]
WATER_MOLAR_MASS = 0.018015  # [kg/mol]
WATER_HEAT = 4180.0  # [J/(kg K)]
AIR_HEAT = 1.15 * 1007.0 * 0.85 ** (2 / 3)  # rho c Le^(2/3) of air [J/(m3 K)]
WATER_PRODUCT = 1e-14  # [(mol/L)^2]


class SwabNumbers(NamedTuple):
    """`simulate.swab.state.WetBody` and its `HeatBody` as plain numbers."""

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


class SourceNumbers(NamedTuple):
    """`materials.battery.Supply` or `Battery` with its leads as plain numbers; no fall, no limit
    and no capacity are 0, infinite and infinite."""

    emf: float
    resistance: float
    leads: float
    limit: float
    fall: float
    growth: float
    spent: float


class RewetNumbers(NamedTuple):
    """When the swab is wetted again, infinite for no such rule, and the pause it takes [s]."""

    charge: float
    time: float
    temperature: float
    pause: float


class Reaction(NamedTuple):
    """Difference of the electrodes' equilibria [V]; sum of their slopes, volts per e-fold [V]."""

    reversible: float
    fold: float


# --- heat and water: simulate.swab.heat ----------------------------------------------------------


@inner
def _vapour_pressure(temperature):
    celsius = temperature - ZERO_CELSIUS
    return 133.322 * 10.0 ** (8.07131 - 1730.63 / (celsius + 233.426))


@inner
def _heat_of_vaporisation(temperature):
    return 2.501e6 - 2.38e3 * (temperature - ZERO_CELSIUS)


@inner
def _evaporation(body, temperature, water):
    if water <= 0.0:
        return 0.0
    surface = body.water_activity * _vapour_pressure(temperature) / temperature
    room = body.humidity * _vapour_pressure(body.room_temperature) / body.room_temperature
    difference = (surface - room) * WATER_MOLAR_MASS / GAS_CONSTANT
    rate = body.air_coefficient / AIR_HEAT * body.wet_area * difference
    return max(rate, 0.0) * min(1.0, water / body.water / body.falling_rate)


@inner
def _plate_loss(body, temperature, touching):
    return body.plate_conductance * (temperature - body.plate_temperature) if touching else 0.0


@inner
def _air_loss(body, temperature):
    return body.air_coefficient * body.air_area * (temperature - body.room_temperature)


@inner
def _loss(body, temperature, water, touching):
    sensible = _plate_loss(body, temperature, touching) + _air_loss(body, temperature)
    return sensible + _heat_of_vaporisation(temperature) * _evaporation(body, temperature, water)


@inner
def _leave(body, state, book, temperature, evaporated, boiled):
    """Let water go as vapour from a temperature; returns the enthalpy it takes."""
    warmth = temperature - body.fresh_temperature
    taken = (evaporated + boiled) * (WATER_HEAT * warmth + _heat_of_vaporisation(temperature))
    state[WATER] -= evaporated + boiled
    book[WATER_EVAPORATED] += evaporated
    book[WATER_BOILED] += boiled
    book[HEAT_VAPOUR] += taken
    return taken


@inner
def _boil(body, state, book, power, time, touching):
    point = state[TEMPERATURE]
    plate, air = _plate_loss(body, point, touching), _air_loss(body, point)
    rate = (power - plate - air) / _heat_of_vaporisation(point)
    step = min(time, state[WATER] / rate)
    lost = state[WATER] if step < time else min(rate * step, state[WATER])
    evaporated = min(_evaporation(body, point, state[WATER]) * step, lost)
    book[HEAT_PLATE] += plate * step
    book[HEAT_AIR] += air * step
    _leave(body, state, book, point, evaporated, lost - evaporated)
    return step


@inner
def _warm(body, state, book, power, time, touching):
    start, water = state[TEMPERATURE], state[WATER]
    capacity = water * WATER_HEAT + body.dry_heat
    before = capacity * (start - body.fresh_temperature)
    high = _loss(body, start + 0.01, water, touching)
    slope = (high - _loss(body, start - 0.01, water, touching)) / 0.02
    scale = capacity / slope
    step = min(time, 0.05 * scale)
    a = step / scale
    lag = 0.5 * a - a * a / 6.0 if a < 1e-4 else 1.0 + math.expm1(-a) / a
    mean = start + (power - _loss(body, start, water, touching)) / slope * lag
    plate, air = _plate_loss(body, mean, touching), _air_loss(body, mean)
    lost = _evaporation(body, mean, water) * step
    if 0.0 < water < body.falling_rate * body.water:
        lost = -water * math.expm1(-lost / water)
    gone = _leave(body, state, book, mean, min(lost, water), 0.0)
    book[HEAT_PLATE] += plate * step
    book[HEAT_AIR] += air * step
    left = before + (power - plate - air) * step - gone
    capacity = state[WATER] * WATER_HEAT + body.dry_heat
    state[TEMPERATURE] = body.fresh_temperature + left / capacity
    _flash(body, state, book)
    return step


@inner
def _flash(body, state, book):
    """Turn heat above the boiling point into steam."""
    point = body.boiling_point
    if state[TEMPERATURE] <= point or state[WATER] == 0.0:
        return
    capacity = state[WATER] * WATER_HEAT + body.dry_heat
    stored = capacity * (state[TEMPERATURE] - body.fresh_temperature)
    surplus = capacity * (state[TEMPERATURE] - point)
    lost = min(surplus / _heat_of_vaporisation(point), state[WATER])
    left = stored - _leave(body, state, book, point, 0.0, lost)
    if state[WATER] == 0.0:
        state[TEMPERATURE] = body.fresh_temperature + left / body.dry_heat
    else:
        state[TEMPERATURE] = point


# --- the lumped body: swab.state, swab.chemistry -------------------------------------------------


@compiled
def advance(body, state, book, current, heat, time, touching):
    """The swab after a time at a constant current and heat: `simulate.swab.state.advance`."""
    inflow = current * GAS_CONSTANT * state[TEMPERATURE] / (2.0 * FARADAY * ATMOSPHERE)
    left = time
    while left > 0.0:
        hot = state[WATER] > 0.0 and state[TEMPERATURE] >= body.boiling_point
        if hot and heat > _loss(body, state[TEMPERATURE], state[WATER], touching):
            left -= _boil(body, state, book, heat, left, touching)
        else:
            left -= _warm(body, state, book, heat, left, touching)
    charge = current * time
    moles = charge / FARADAY
    used = min(moles, state[ACID])
    steady = inflow * body.gas_residence
    state[ACID] -= used
    state[HYDROXIDE] += moles - used
    state[METAL] += body.metal_rate * charge
    state[GAS] = steady + (state[GAS] - steady) * math.exp(-time / body.gas_residence)
    state[TIME] += time
    state[WETTED_TIME] += time
    state[WETTED_CHARGE] += charge
    book[CHARGE] += charge
    book[HEAT_IN] += heat * time
    book[ACID_USED] += used
    book[HYDROXIDE_MADE] += moles - used
    book[METAL_DISSOLVED] += body.metal_rate * charge


@compiled
def dip(body, state, book):
    """The swab squeezed out and dipped again: `simulate.swab.state.rewet` with a full exchange."""
    acid = body.acid * body.volume
    warmth = state[TEMPERATURE] - body.fresh_temperature
    book[WATER_TAKEN] += body.water
    book[WATER_DISCARDED] += state[WATER]
    book[ACID_TAKEN] += acid
    book[ACID_DISCARDED] += state[ACID]
    book[HYDROXIDE_DISCARDED] += state[HYDROXIDE]
    book[METAL_DISCARDED] += state[METAL]
    book[HEAT_DISCARDED] += state[WATER] * WATER_HEAT * warmth
    book[DIPS] += 1.0
    capacity = body.dry_heat + body.water * WATER_HEAT
    state[TEMPERATURE] = body.fresh_temperature + body.dry_heat * warmth / capacity
    state[WATER] = body.water
    state[ACID] = acid
    state[ACETATE] = acid
    state[HYDROXIDE] = 0.0
    state[METAL] = 0.0
    state[GAS] = 0.0
    state[WETTED_TIME] = 0.0
    state[WETTED_CHARGE] = 0.0


@inner
def _out_of_solution(content, valence, log_product, ph):
    soluble = log_product + valence * (14.0 - ph)
    return max(1e-3 * content - 10.0 ** min(soluble, 3.0), 0.0)


@inner
def _all_stays(metal, elements, acid):
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


@compiled
def fallen_metal(body, state, elements):
    """Metal fallen out as hydroxide [mol/m3]: `simulate.swab.chemistry.settle`.

    elements : (n, 3) moles per mass of dissolved metal [mol/kg], valence and log10 of the
    solubility product.
    """
    liquid = body.volume * max(state[WATER] / body.water, 1e-3)
    k = 1e-3 * body.dissociation
    total = 1e-3 * state[ACETATE] / liquid
    b = 1e-3 * (state[ACETATE] - state[ACID] + state[HYDROXIDE]) / liquid
    if _all_stays(state[METAL] / liquid, elements, (k, total, b)):
        return 0.0
    low, high = -1.0, 15.0
    for _ in range(50):
        ph = 0.5 * (low + high)
        proton = 10.0**-ph
        taken = 0.0
        for n in range(elements.shape[0]):
            content = state[METAL] * elements[n, 0] / liquid
            if content > 0.0:
                taken += elements[n, 1] * _out_of_solution(
                    content, elements[n, 1], elements[n, 2], ph
                )
        if proton + b - taken - k * total / (k + proton) - WATER_PRODUCT / proton > 0.0:
            low = ph
        else:
            high = ph
    fallen = 0.0
    for n in range(elements.shape[0]):
        content = state[METAL] * elements[n, 0] / liquid
        if content > 0.0:
            valence, product = elements[n, 1], elements[n, 2]
            fallen += 1e3 * _out_of_solution(content, valence, product, 0.5 * (low + high))
    return fallen


@compiled
def conduction(body, state, elements):
    """Factor of the wet body's conductivity, its saturation and share of gas:
    `simulate.swab.state.conduction`."""
    warmer = body.viscosity_rise / (body.fresh_temperature - body.viscosity_pole)
    warmer -= body.viscosity_rise / (state[TEMPERATURE] - body.viscosity_pole)
    sludge = body.sludge_volume * fallen_metal(body, state, elements)
    clear = (1.0 - min(sludge, 0.5)) ** 1.5
    wet = state[WATER] / body.water
    liquid = body.volume * wet
    gas = state[GAS] / (liquid + state[GAS]) if state[GAS] > 0.0 else 0.0
    liquid_factor = 10.0 ** (body.viscosity_power * warmer) * clear
    return liquid_factor * wet**2 * (1.0 - gas) ** 1.5, wet, gas


# --- the supply: materials.battery ---------------------------------------------------------------


@compiled
def supply_at(source, used):
    """Electromotive force [V] and resistance, leads included [ohm]."""
    share = min(max(used, 0.0), 1.0 - 1e-6)
    resistance = source.resistance * (1.0 + source.growth * min(share, source.spent) ** 2)
    if share > source.spent:
        resistance *= (1.0 - source.spent) / (1.0 - share)
    return source.emf - source.fall * share, resistance + source.leads


@compiled
def capacity(rates, charges, current):
    """Charge a fresh battery gives at a constant current [C]; see `materials.battery.capacity`.

    rates, charges : logarithms of currents [A] and charges [C]; none for a supply without end.
    """
    last = rates.size - 1
    if last < 0:
        return math.inf
    if current <= math.exp(rates[0]):
        return math.exp(charges[0])
    rate = math.log(current)
    n = 1
    while n < last and rates[n] < rate:
        n += 1
    if last == 0:
        return math.exp(charges[0])
    slope = (charges[n] - charges[n - 1]) / (rates[n] - rates[n - 1])
    return math.exp(charges[n - 1] + slope * (rate - rates[n - 1]))


# --- one place's answer: run.response_table ------------------------------------------------------


@inner
def _shares(node, ratio, fold):
    """How a node's differential resistance parts: liquid at the factor asked for, reactions
    (volts per e-fold), and the rest; the sum never falls with current."""
    current = node[NODE_CURRENT]
    ohmic = node[NODE_OHMIC]
    whole = 1.0 / node[NODE_CONDUCTANCE]
    slope = min(fold, max(whole - ohmic, 0.0) * current)
    rest = max(whole - ohmic - slope / current, -ohmic * ratio)
    return ohmic * ratio, slope, rest


@inner
def node_voltage(node, ratio, fold, current):
    """Voltage at which a node's place passes a current once its liquid resists ``ratio`` times as
    much: V_n + R_n (ratio I - I_n) + rest (I - I_n) + fold ln(I / I_n)."""
    liquid, slope, rest = _shares(node, ratio, fold)
    known = node[NODE_CURRENT]
    shift = liquid * current - node[NODE_OHMIC] * known + rest * (current - known)
    return node[NODE_VOLTAGE] + shift + slope * math.log(current / known)


@compiled
def node_current(node, ratio, fold, emf, resistance):
    """Current at which a node's characteristic (`node_voltage`) meets emf - resistance * I.

    The difference is concave and rises with the current, so Newton's method comes to the root
    from below after at most one step.
    """
    known = node[NODE_CURRENT]
    if known <= 0.0:
        return 0.0
    liquid, slope, rest = _shares(node, ratio, fold)
    line = liquid + rest + resistance
    level = node[NODE_VOLTAGE] - (node[NODE_OHMIC] + rest) * known - emf
    current = known
    for _ in range(60):
        gap = level + line * current + slope * math.log(current / known)
        step = gap / (line + slope / current)
        new = max(current - step, 0.05 * current)
        done = abs(new - current) <= 1e-14 * current
        current = new
        if done or current < 1e-12 * known:
            break
    return current if current >= 1e-12 * known else 0.0


@inner
def _bracket(nodes, level):
    """The nearest nodes at or below and at or above a level; -1 where there is none."""
    lower = math.floor(level)
    while lower >= 0 and math.isnan(nodes[lower, NODE_CURRENT]):
        lower -= 1
    upper = math.ceil(level)
    while upper < nodes.shape[0] and math.isnan(nodes[upper, NODE_CURRENT]):
        upper += 1
    return lower, upper if upper < nodes.shape[0] else -1


@inner
def find_level(factor, lowest, step, levels):
    """Where a factor lies among the nodes: 0 at the lowest, levels - 1 at the highest."""
    if factor <= 0.0:
        return 0.0
    level = min(max(math.log(factor) / step - lowest, 0.0), levels - 1.0)
    near = round(level)
    return near if abs(level - near) < 1e-9 else level


@compiled
def meet(nodes, lowest, step, factor, fold, supply):
    """Current and voltage of a place at a conductivity factor and with a supply.

    The nodes on either side are carried to the factor, meet the supply, and are mixed by their
    distance in ln(factor). Where one side has none, the other serves alone.

    Parameters
    ----------
    nodes : (levels, 4) of the place; node n has ln(factor) = step * (lowest + n).
    supply : electromotive force [V], resistance [ohm], limit [A].

    Returns
    -------
    current, voltage, the nodes used (-1 for none) and the share of the second. A place without
    nodes passes nothing.
    """
    emf, resistance, limit = supply
    if factor <= 0.0:
        return 0.0, emf, -1, -1, 0.0
    level = find_level(factor, lowest, step, nodes.shape[0])
    lower, upper = _bracket(nodes, level)
    if lower < 0 and upper < 0:
        return 0.0, emf, -1, -1, 0.0
    lower = upper if lower < 0 else lower
    upper = lower if upper < 0 else upper
    share = (level - lower) / (upper - lower) if upper > lower else 0.0
    ratio_low = math.exp(step * (lowest + lower)) / factor
    ratio_high = math.exp(step * (lowest + upper)) / factor
    low, high = nodes[lower], nodes[upper]
    current = (1.0 - share) * node_current(low, ratio_low, fold, emf, resistance)
    current += share * node_current(high, ratio_high, fold, emf, resistance)
    voltage = emf - resistance * current
    if current > limit:
        current = limit
        voltage = (1.0 - share) * node_voltage(low, ratio_low, fold, limit)
        voltage += share * node_voltage(high, ratio_high, fold, limit)
    return current, voltage, lower, upper, share


# --- the march: run.time_march -------------------------------------------------------------------


@inner
def _due(state, rule):
    return (
        state[WETTED_CHARGE] >= rule.charge
        or state[WETTED_TIME] >= rule.time
        or state[TEMPERATURE] >= rule.temperature
    )


@inner
def _step(body, elements, state, book, nodes, scale, reaction, supply, dwell, middle, spare):
    """One stop at the current the swab passes in the middle of it; fills the ``middle`` state.

    scale : lowest and step, as for `meet`. Returns factor, saturation, gas and what `meet` gives.
    """
    lowest, step = scale
    factor, _, _ = conduction(body, state, elements)
    current, voltage, _, _, _ = meet(nodes, lowest, step, factor, reaction.fold, supply)
    heat = max(current * (voltage - reaction.reversible), 0.0)
    for n in range(state.size):
        middle[n] = state[n]
    advance(body, middle, spare, current, heat, 0.5 * dwell, _TOUCHING)
    factor, wet, gas = conduction(body, middle, elements)
    answer = meet(nodes, lowest, step, factor, reaction.fold, supply)
    heat = max(answer[0] * (answer[1] - reaction.reversible), 0.0)
    advance(body, state, book, answer[0], heat, dwell, _TOUCHING)
    return factor, wet, gas, answer


@compiled
def march(
    body, elements, source, rates, charges, reaction, rule, nodes, scale,
    start, dwell, lifted, spot, state, book, circuit, record, middle, used, rewet, spare,
):  # fmt: skip
    """Carry the swab and its supply over stops.

    Parameters
    ----------
    body, source, reaction, rule : `SwabNumbers`, `SourceNumbers`, `Reaction`, `RewetNumbers`.
    elements : as for `fallen_metal`; rates, charges : as for `capacity`.
    nodes : (spots, levels, 4); scale : lowest and step, as for `meet`.
    start, dwell, lifted : of each stop, and the time in the air before it [s].
    spot : row of ``nodes`` of each stop.
    state, book, circuit : carried on in place.
    record : (stops, RECORD_SIZE). middle : (stops, STATE_SIZE), the swab in the middle of each
        stop. used : (stops, 2) nodes. rewet : (stops,). All filled. spare : a book to spoil.
    """
    lowest, step = scale
    for n in range(start.size):
        if lifted[n] > 0.0:
            advance(body, state, book, 0.0, 0.0, lifted[n], _LIFTED)
        rewet[n] = _due(state, rule)
        if rewet[n]:
            if rule.pause > 0.0:
                advance(body, state, book, 0.0, 0.0, rule.pause, _LIFTED)
            circuit[PAUSED] += rule.pause
            dip(body, state, book)
        emf, resistance = supply_at(source, circuit[USED])
        factor, wet, gas, answer = _step(
            body, elements, state, book, nodes[spot[n]], scale, reaction,
            (emf, resistance, source.limit), dwell[n], middle[n], spare,
        )  # fmt: skip
        current, voltage, lower, upper, share = answer
        record[n, OUT_TIME] = start[n] + circuit[PAUSED]
        record[n, OUT_CURRENT] = current
        record[n, OUT_VOLTAGE] = voltage
        record[n, OUT_EMF] = emf
        record[n, OUT_RESISTANCE] = resistance
        record[n, OUT_FACTOR] = factor
        record[n, OUT_SATURATION] = wet
        record[n, OUT_GAS] = gas
        record[n, OUT_LEVEL] = find_level(factor, lowest, step, nodes.shape[1])
        record[n, OUT_SHARE] = share
        used[n, 0] = lower
        used[n, 1] = upper
        circuit[WORK] += emf * current * dwell[n]
        circuit[GIVEN] += voltage * current * dwell[n]
        if current > 0.0:
            circuit[USED] += current * dwell[n] / capacity(rates, charges, current)
        if circuit[USED] >= source.spent:
            circuit[USED] = 0.0
            circuit[SPENT_BATTERIES] += 1.0
