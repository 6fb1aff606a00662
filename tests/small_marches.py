"""A swab and its march made up by hand, small enough to follow."""

from __future__ import annotations

import math

import numpy as np

from simulate.kernels import swab_balance as balance
from simulate.kernels.battery_discharge import SourceNumbers
from simulate.kernels.response_lookup import Reaction
from simulate.materials import battery as circuit
from simulate.materials.electrolyte import Electrolyte
from simulate.materials.lookup import find_battery
from simulate.materials.metals import find_metal
from simulate.run.local_solve import Spot, StopField
from simulate.run.response_table import Responses, factor_of
from simulate.run.time_march import (
    Condition,
    Rig,
    Track,
    first_condition,
    march_on,
    time_lifted,
)
from simulate.run.window import Place
from simulate.swab.body import wet_body
from simulate.swab.geometry import Bud
from simulate.swab.stops import Stops, make_stops
from simulate.swab.stroke import Hold

BRINE = Electrolyte(vinegar=60e-6, salt=6e-3)
BUD = Bud(5e-3, 14e-3, 0.5e-3)
BODY = wet_body(BUD, BRINE, find_metal("carbon_steel"))
ALKALINE = find_battery("alkaline_9v")
FLOOR, FOLD = 1.4, 0.08
"""Voltage of the reactions at 0.4 A, and volts per e-fold, of the swabs made up here [V]."""

NEVER = balance.RedipNumbers(math.inf, math.inf, math.inf, 5.0)


def source(battery: circuit.Battery | None = ALKALINE, limit: float = math.inf, emf: float = 9.0):
    if battery is None:
        numbers = SourceNumbers(emf, 1.5, 0.5, limit, 0.0, 0.0, circuit.SPENT)
        return numbers, np.zeros(0), np.zeros(0)
    numbers = SourceNumbers(
        battery.open_circuit, battery.resistance, 0.3, math.inf,
        battery.fall, battery.growth, circuit.SPENT,
    )  # fmt: skip
    return numbers, np.log(battery.currents), np.log(battery.capacities)


def rig(body=BODY, rule=NEVER, used=0.0, **supply) -> Rig:
    return Rig(body, *source(**supply), used, rule, Reaction(-0.28, FOLD))


def swab_of(ohms: float, rows: int = 1) -> Responses:
    """Responses of a swab whose liquid resists so much when fresh, with all nodes there.

    V = FLOOR + FOLD ln(I / 0.4) + ohms I / factor, on one cell of the plate.
    """
    found = Responses([Spot(Place((0, 0), (0, n))) for n in range(rows)], circuit.Supply(9.0), FOLD)
    one = np.ones(1)
    for level in range(found.numbers.shape[1]):
        resistance = ohms / factor_of(level)
        voltage = FLOOR + resistance * 0.4
        slope = 1.0 / (resistance + FOLD / 0.4)
        node = StopField(0.4, voltage, slope, resistance, np.zeros(1, np.int64), one, one)
        for row in range(rows):
            found.add(row, level, node)
    return found


def held(seconds: float, longest: float = 0.5) -> Stops:
    return make_stops(Hold(0.0, 0.0, seconds), 1e-3, longest_dwell=longest)


def marched(made: Rig, ohms: float, stops: Stops, start: Condition | None = None) -> Track:
    return march_on(
        made,
        swab_of(ohms),
        stops,
        np.zeros(len(stops), np.int64),
        first_condition(made) if start is None else start,
        lifted=time_lifted(stops),
    )


def column(track: Track, place: int) -> np.ndarray:
    return track.record[:, place]


def rule(charge=math.inf, time=math.inf, temperature=math.inf, pause=5.0):
    return balance.RedipNumbers(charge, time, temperature, pause)
