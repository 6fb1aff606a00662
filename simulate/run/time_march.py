"""The march: swab, battery and clock carried from stop to stop.

At each stop the place answers (`response`) with the current that belongs to the swab and the supply
in the middle of the stop; that current warms, dries, sours and gasses the swab (`wetting`), drains
the battery (`circuit`), and so decides what the next stop finds. Lifts cool the swab in the air.
When the case's rule is due the swab is lifted, squeezed out, dipped and set down again, which takes
a pause. A battery that is spent is changed for a fresh one. The loop is compiled
(`kernels.wet_swab`); here stand its inputs and what it leaves.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulate.case.case import Case
from simulate.case.settings import Power
from simulate.constants import FARADAY, WATER_HEAT
from simulate.field.supply import Supply
from simulate.kernels import swab_balance as balance
from simulate.kernels import time_march as kernel
from simulate.kernels.battery_discharge import SourceNumbers, supply_at
from simulate.kernels.response_lookup import Reaction
from simulate.materials.battery import SPENT, Battery, capacity, source_numbers
from simulate.run.local_solve import Setting
from simulate.run.response_table import LOWEST, SPLITS, STEP, Responses
from simulate.swab.body import WetBody, element_numbers, swab_numbers, wet_body
from simulate.swab.notices import notices
from simulate.swab.redip import redip_rule
from simulate.swab.state import WetState, columns_of, imbalance, state_of, wetted
from simulate.swab.stops import Stops

Doubles = NDArray[np.float64]
Integers = NDArray[np.int64]

DRAWN_AT = 0.5
"""Current at which charge drawn from a battery before the job counts [A]."""

LOOKS = 256
"""Stops at which the swab is looked at for what a person should know."""


@dataclass(frozen=True, eq=False)
class Rig:
    """Swab, supply and rule of a case as the compiled march reads them.

    Parameters
    ----------
    body : the swab as a lumped body.
    source : see `SourceNumbers`; rates, charges : logarithms of a battery's currents [A] and
        capacities [C], empty for a supply that is never drained.
    used : share of the battery used before the job.
    rule : when the swab is wetted again.
    reaction : equilibria and slopes of the electrodes.
    """

    body: WetBody
    source: SourceNumbers
    rates: Doubles
    charges: Doubles
    used: float
    rule: balance.RedipNumbers
    reaction: Reaction

    @property
    def swab(self) -> balance.SwabNumbers:
        """The body as plain numbers."""
        return swab_numbers(self.body)

    def supply(self, used: float) -> Supply:
        """The supply when a share of the battery is used."""
        emf, resistance = supply_at(self.source, used)
        limit = None if math.isinf(self.source.limit) else self.source.limit
        return Supply(float(emf), float(resistance), limit)


@dataclass(frozen=True, eq=False)
class Condition:
    """Swab, books and circuit between two stops; see `kernels.wet_swab` for their places."""

    state: Doubles
    ledger: Doubles
    circuit: Doubles

    @property
    def wet(self) -> WetState:
        """The swab with its ledger."""
        return state_of(self.state.tolist(), self.ledger.tolist())


@dataclass(frozen=True, eq=False)
class Track:
    """What a march leaves: per stop (n,) or (n, ...), and the condition at its end.

    Parameters
    ----------
    spot : row of the responses. dwell : [s].
    record : see `kernels.wet_swab`, columns of a stop's record.
    middle : the swab in the middle of each stop, (n, STATE_SIZE).
    nodes : levels of the two nodes used, -1 for none, (n, 2).
    rewet : whether the swab is wetted again before the stop.
    end : after the last stop.
    """

    spot: Integers
    dwell: Doubles
    record: Doubles
    middle: Doubles
    nodes: Integers
    rewet: NDArray[np.bool_]
    end: Condition

    @property
    def current(self) -> Doubles:
        """Current of each stop [A]."""
        return self.record[:, kernel.OUT_CURRENT]

    @property
    def level(self) -> Doubles:
        """Where each stop's factor lies among the levels."""
        return self.record[:, kernel.OUT_LEVEL]

    @property
    def share(self) -> Doubles:
        """Share of the second node in each stop's answer."""
        return self.record[:, kernel.OUT_SHARE]

    def known(self) -> int:
        """Stops from the first on whose nodes lie no farther off than a usual node would."""
        away = np.abs(self.nodes - self.level[:, None]).max(axis=1)
        lost = (away > SPLITS) & (self.record[:, kernel.OUT_FACTOR] > 0.0)
        return int(np.argmax(lost)) if lost.any() else lost.size


# --- a case's rig -----------------------------------------------------------------------------


def make_rig(case: Case, setting: Setting) -> Rig:
    """The rig of a case, air and plate as warm as the liquid when it was mixed."""
    body = wet_body(
        case.swab,
        case.electrolyte,
        case.metal,
        filling=case.wick.saturation.value,
        room_temperature=case.electrolyte.temperature,
    )
    source, rates, charges, used = _source(case.supply)
    given = case.rewet
    rule = redip_rule(given.charge, given.time, given.temperature, given.pause)
    reaction = Reaction(setting.equilibrium[0] - setting.equilibrium[1], setting.fold)
    return Rig(body, source, rates, charges, used, rule, reaction)


def _source(power: Power) -> tuple[SourceNumbers, Doubles, Doubles, float]:
    source, none = power.source, np.zeros(0)
    if isinstance(source, Battery):
        used = power.drawn / capacity(source, DRAWN_AT)
        numbers = source_numbers(source, power.leads)
        return numbers, np.log(source.currents), np.log(source.capacities), used
    limit = math.inf if source.current_limit is None else source.current_limit
    numbers = SourceNumbers(source.emf, source.resistance, power.leads, limit, 0.0, 0.0, SPENT)
    return numbers, none, none, 0.0


def first_condition(rig: Rig) -> Condition:
    """The swab dipped for the first time, the battery as far used as the case says."""
    circuit = np.zeros(kernel.CIRCUIT_SIZE)
    circuit[kernel.USED] = rig.used
    return condition_of(wetted(rig.body), circuit)


def condition_of(state: WetState, circuit: Doubles | None = None) -> Condition:
    """A condition from a swab's state with its ledger."""
    columns, ledger = columns_of(state)
    circuit = np.zeros(kernel.CIRCUIT_SIZE) if circuit is None else circuit
    return Condition(np.array(columns), np.array(ledger), circuit)


# --- the march --------------------------------------------------------------------------------


def march_on(
    rig: Rig,
    responses: Responses,
    stops: Stops,
    spot: Integers,
    start: Condition,
    *,
    lifted: Doubles,
) -> Track:
    """Carry a rig over stops, with what responses there are.

    Parameters
    ----------
    spot : row of the responses of each stop.
    start : where it begins; left as it is.
    lifted : time in the air before each stop, as from `time_lifted` [s].
    """
    count = len(stops)
    record = np.zeros((count, kernel.RECORD_SIZE))
    middle = np.zeros((count, balance.STATE_SIZE))
    nodes, rewet = np.zeros((count, 2), np.int64), np.zeros(count, np.bool_)
    end = Condition(start.state.copy(), start.ledger.copy(), start.circuit.copy())
    kernel.march(
        kernel.SwabInputs(rig.swab, element_numbers(rig.body), rig.rule),
        kernel.SourceInputs(rig.source, rig.rates, rig.charges),
        kernel.ResponseInputs(responses.numbers, LOWEST, STEP, rig.reaction),
        kernel.StopInputs(stops.start, stops.dwell, lifted, spot),
        kernel.Carried(end.state, end.ledger, end.circuit),
        kernel.MarchOutput(record, middle, nodes, rewet, end.ledger.copy()),
    )
    return Track(spot, stops.dwell, record, middle, nodes, rewet, end)


def time_lifted(stops: Stops) -> Doubles:
    """Time in the air before each stop [s]."""
    gap = stops.start[1:] - (stops.start[:-1] + stops.dwell[:-1])
    return np.concatenate([[0.0], np.where(gap > 1e-9, gap, 0.0)])


def time_rested(stops: Stops) -> Doubles:
    """Time the swab has stood still at its place by the middle of each stop [s]; 0 if it moves."""
    rested = np.zeros(len(stops))
    lifted = time_lifted(stops)
    since = 0.0
    for n in range(len(stops)):
        same = n > 0 and stops.x[n] == stops.x[n - 1] and stops.y[n] == stops.y[n - 1]
        if stops.moving[n] or not same or lifted[n] > 0.0 or stops.moving[n - 1]:
            since = 0.0
        if not stops.moving[n]:
            rested[n] = since + 0.5 * stops.dwell[n]
            since += stops.dwell[n]
    return rested


# --- what it leaves ---------------------------------------------------------------------------


def ledgers(rig: Rig, end: Condition) -> dict[str, dict[str, float]]:
    """Budgets of a run: what went in and out [J], [C], [kg], [mol], and the imbalance [-].

    Energy counts twice: the supply's work is lost in supply and leads or given to the cell; what
    the cell does not store in chemistry warms the swab, whose heat goes where the heat ledger says.
    """
    state, circuit = end.wet, end.circuit
    book, gaps = state.ledger, imbalance(state, rig.body)
    work, given = float(circuit[kernel.WORK]), float(circuit[kernel.GIVEN])
    capacity_now = state.water * WATER_HEAT + rig.body.heat.dry_heat
    stored = capacity_now * (state.temperature - rig.body.heat.fresh_temperature)
    return {
        "charge": {
            "passed": book.charge,
            "by_acid": book.acid_used * FARADAY,
            "by_water": book.hydroxide_made * FARADAY,
            "imbalance": gaps["charge"],
        },
        "energy": {
            "supply": work,
            "lost_in_supply": work - given,
            "chemical": given - book.heat_in,
            "heat": book.heat_in,
            "to_plate": book.heat_plate,
            "to_air": book.heat_air,
            "vapour": book.heat_vapour,
            "discarded": book.heat_discarded,
            "stored": stored,
            "imbalance": gaps["energy"],
        },
        "water": {
            "taken": book.water_taken,
            "evaporated": book.water_evaporated,
            "boiled": book.water_boiled,
            "discarded": book.water_discarded,
            "left": state.water,
            "imbalance": gaps["water"],
        },
        "acid": {
            "taken": book.acid_taken,
            "used": book.acid_used,
            "discarded": book.acid_discarded,
            "left": state.acid,
            "imbalance": gaps["acid"],
        },
        "metal": {
            "dissolved": book.metal_dissolved,
            "discarded": book.metal_discarded,
            "in_swab": state.metal,
            "imbalance": gaps["metal"],
        },
    }


def remarks(rig: Rig, tracks: Sequence[Track]) -> tuple[str, ...]:
    """What a person should know of a run, each with the time it is first seen, in order of time.

    The swab is looked at `LOOKS` times, and where it is hottest, driest and fullest of gas.
    """
    if not any(track.spot.size for track in tracks):
        return ()
    middle = np.concatenate([track.middle for track in tracks])
    record = np.concatenate([track.record for track in tracks])
    looks = set(np.unique(np.linspace(0, len(middle) - 1, LOOKS).astype(int)).tolist())
    looks |= {
        int(np.argmax(middle[:, balance.TEMPERATURE])),
        int(np.argmin(middle[:, balance.WATER])),
    }
    looks |= {int(np.argmax(record[:, kernel.OUT_GAS])), int(np.argmin(middle[:, balance.ACID]))}
    found: dict[str, str] = {}
    none = [0.0] * balance.LEDGER_SIZE
    for n in sorted(looks):
        when = record[n, kernel.OUT_TIME]
        for notice in notices(state_of(middle[n].tolist(), none), rig.body):
            found.setdefault(notice.key, f"after {when:.0f} s: {notice.words}")
    spent = int(tracks[-1].end.circuit[kernel.SPENT_BATTERIES])
    if spent:
        found["battery"] = f"{spent + 1} batteries: each is changed when nine tenths are used"
    return tuple(found.values())
