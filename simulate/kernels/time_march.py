"""Time integration of swab and battery over the stops of a stroke, compiled.

The balances are those of `swab_balance` and `battery_discharge`, compiled from the same text.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from simulate.kernels import battery_discharge, swab_balance
from simulate.kernels.battery_discharge import SourceNumbers, capacity, supply_at
from simulate.kernels.compiling import compiled, inner
from simulate.kernels.response_lookup import Reaction, find_level, meet
from simulate.kernels.swab_balance import (
    RedipNumbers,
    SwabNumbers,
    advance,
    conduction,
    dip,
    due_rule,
)

for _law in (*swab_balance.LAWS, *battery_discharge.LAWS):
    inner(_law)

# whether the swab lies on the plate; not as Python's truths, for each of which it would be compiled
_TOUCHING, _LIFTED = np.bool_(True), np.bool_(False)

# Places in the state of the circuit: share of the battery used, batteries spent before it, time
# spent wetting the swab again [s], work of the electromotive force and energy between plate and
# cathode [J].
USED, SPENT_BATTERIES, PAUSED, WORK, GIVEN = 0, 1, 2, 3, 4
CIRCUIT_SIZE = 5

# Columns of a stop's record.
OUT_TIME, OUT_CURRENT, OUT_VOLTAGE, OUT_EMF, OUT_RESISTANCE = 0, 1, 2, 3, 4
OUT_FACTOR, OUT_SATURATION, OUT_GAS, OUT_LEVEL, OUT_SHARE = 5, 6, 7, 8, 9
RECORD_SIZE = 10


class SwabInputs(NamedTuple):
    """The swab: its numbers, (n, 3) elements as for `fallen_metal`, and when it is dipped again."""

    body: SwabNumbers
    elements: Any
    rule: RedipNumbers


class SourceInputs(NamedTuple):
    """The supply: its numbers, and logarithms of currents and charges as for `capacity`."""

    numbers: SourceNumbers
    rates: Any
    charges: Any


class ResponseInputs(NamedTuple):
    """Responses: samples (positions, levels, 4), lowest level and step of ln(factor), reaction."""

    samples: Any
    lowest: int
    step: float
    reaction: Reaction


class StopInputs(NamedTuple):
    """Stops: start, dwell and time in the air before each [s]; row of the samples of each; all
    (n,)."""

    start: Any
    dwell: Any
    lifted: Any
    position: Any


class Carried(NamedTuple):
    """What is carried on in place: state and ledger of the swab, state of the circuit."""

    state: Any
    ledger: Any
    circuit: Any


class MarchOutput(NamedTuple):
    """What is filled: record (n, RECORD_SIZE), swab in the middle of each stop (n, STATE_SIZE),
    samples
    used (n, 2), whether a re-dip came before the stop (n,); and a ledger to spoil."""

    record: Any
    middle: Any
    used: Any
    redip: Any
    spare: Any


@inner
def _step(swab, table, samples, supply, dwell, carried, out):
    """One stop at the current the swab passes in the middle of it.

    supply : electromotive force [V], resistance [ohm], limit [A]. out : state in the middle, spare
        ledger. Returns factor, saturation, gas and what `meet` gives.
    """
    middle, spare = out
    body, elements, reaction = swab.body, swab.elements, table.reaction
    state, ledger = carried.state, carried.ledger
    lowest, step = table.lowest, table.step
    factor, _, _ = conduction(body, state, elements)
    current, voltage, _, _, _ = meet(samples, lowest, step, factor, reaction.fold, supply)
    heat = max(current * (voltage - reaction.reversible), 0.0)
    for n in range(state.size):
        middle[n] = state[n]
    advance(body, middle, spare, current, heat, 0.5 * dwell, _TOUCHING)
    factor, wet, gas = conduction(body, middle, elements)
    answer = meet(samples, lowest, step, factor, reaction.fold, supply)
    heat = max(answer[0] * (answer[1] - reaction.reversible), 0.0)
    advance(body, state, ledger, answer[0], heat, dwell, _TOUCHING)
    return factor, wet, gas, answer


@compiled
def march(swab, source, table, stops, carried, out):
    """Carry the swab and its supply over stops.

    Parameters
    ----------
    swab, source, table, stops : `SwabInputs`, `SourceInputs`, `ResponseInputs`, `StopInputs`.
    carried : `Carried`, advanced in place. out : `MarchOutput`, filled.
    """
    body, circuit = swab.body, carried.circuit
    for n in range(stops.start.size):
        if stops.lifted[n] > 0.0:
            advance(body, carried.state, carried.ledger, 0.0, 0.0, stops.lifted[n], _LIFTED)
        out.redip[n] = due_rule(carried.state, swab.rule) > 0
        if out.redip[n]:
            if swab.rule.pause > 0.0:
                advance(body, carried.state, carried.ledger, 0.0, 0.0, swab.rule.pause, _LIFTED)
            circuit[PAUSED] += swab.rule.pause
            dip(body, carried.state, carried.ledger)
        emf, resistance = supply_at(source.numbers, circuit[USED])
        samples, dwell = table.samples[stops.position[n]], stops.dwell[n]
        factor, wet, gas, answer = _step(
            swab, table, samples, (emf, resistance, source.numbers.limit), dwell, carried,
            (out.middle[n], out.spare),
        )  # fmt: skip
        current, voltage, lower, upper, share = answer
        record = out.record[n]
        record[OUT_TIME] = stops.start[n] + circuit[PAUSED]
        record[OUT_CURRENT] = current
        record[OUT_VOLTAGE] = voltage
        record[OUT_EMF] = emf
        record[OUT_RESISTANCE] = resistance
        record[OUT_FACTOR] = factor
        record[OUT_SATURATION] = wet
        record[OUT_GAS] = gas
        record[OUT_LEVEL] = find_level(factor, table.lowest, table.step, table.samples.shape[1])
        record[OUT_SHARE] = share
        out.used[n, 0] = lower
        out.used[n, 1] = upper
        circuit[WORK] += emf * current * dwell
        circuit[GIVEN] += voltage * current * dwell
        if current > 0.0:
            circuit[USED] += current * dwell / capacity(source.rates, source.charges, current)
        if circuit[USED] >= source.numbers.spent:
            circuit[USED] = 0.0
            circuit[SPENT_BATTERIES] += 1.0
