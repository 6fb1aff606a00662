"""The march: the compiled swab beside the written one, dips, batteries, lifts, budgets, remarks."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from small_marches import (
    ALKALINE,
    BODY,
    BRINE,
    BUD,
    FLOOR,
    FOLD,
    NEVER,
    column,
    held,
    marched,
    rig,
    rule,
    swab_of,
)

from simulate.kernels import battery_discharge
from simulate.kernels import swab_balance as balance
from simulate.kernels import time_march as kernel
from simulate.kernels.compiling import compiled
from simulate.materials import battery as circuit
from simulate.materials.electrolyte import Electrolyte
from simulate.materials.metals import find_metal
from simulate.run.local_solve import Spot
from simulate.run.response_table import FRESH, SPLITS, Responses
from simulate.run.time_march import (
    condition_of,
    first_condition,
    ledgers,
    march_on,
    remarks,
    time_lifted,
    time_rested,
)
from simulate.run.window import Place
from simulate.swab import state as wetting
from simulate.swab.body import element_numbers, swab_numbers, wet_body
from simulate.swab.geometry import Pad
from simulate.swab.stops import Stops, make_stops
from simulate.swab.stroke import Dabs, Hatch

# ------------------------------------------------------------- one text, compiled and as it stands

BODIES = {
    "bud": BODY,
    "pad": wet_body(Pad(10e-3, 20e-3, 5e-3), BRINE, find_metal("brass"), filling=0.9),
    "steel in water": wet_body(
        BUD, Electrolyte(vinegar=0.0, water=60e-6, salt=3e-3), find_metal("stainless_304")
    ),
}


@pytest.mark.parametrize("name", BODIES)
@pytest.mark.parametrize("watts", [0.0, 2.0, 7.0])
def test_the_balances_give_the_same_compiled_and_as_plain_python(name, watts):
    """Uneven steps, lifts, dips; warm, boiling and dried out; to rounding."""
    body = BODIES[name]
    state = wetting.wetted(body)
    twin = condition_of(state)
    numbers, elements = swab_numbers(body), element_numbers(body)
    advance, dip, conduction = (
        compiled(law) for law in (balance.advance, balance.dip, balance.conduction)
    )
    for n, step in enumerate(np.random.default_rng(5).uniform(0.02, 3.0, 90)):
        on = float(n % 9 != 0)
        state = wetting.advance(
            state, body, current=0.5 * on, heat=watts * on, time=step, touching=bool(on)
        )
        advance(numbers, twin.state, twin.ledger, 0.5 * on, watts * on, step, bool(on))
        if n % 40 == 39:
            state = wetting.redip(state, body)
            dip(numbers, twin.state, twin.ledger)
        columns, ledger = wetting.columns_of(state)
        np.testing.assert_allclose(twin.state, columns, rtol=1e-10, atol=1e-15)
        np.testing.assert_allclose(twin.ledger, ledger, rtol=1e-9, atol=1e-14)
        plain = wetting.conduction(state, body)
        factor, wet, gas = conduction(numbers, twin.state, elements)
        assert factor == pytest.approx(plain.wick, rel=1e-9)
        assert (wet, gas) == pytest.approx((plain.saturation, plain.gas), rel=1e-11)
    assert state.ledger.dips == 3


def test_columns_and_fields_agree_by_name():
    names = [field.name for field in dataclasses.fields(wetting.WetState)]
    assert sorted(names) == sorted((*balance.STATE, "ledger"))
    assert sorted(f.name for f in dataclasses.fields(wetting.Ledger)) == sorted(balance.LEDGER)
    state = wetting.advance(wetting.wetted(BODY), BODY, current=0.4, heat=2.0, time=7.0)
    assert wetting.state_of(*wetting.columns_of(state)) == state


def test_a_body_that_boils_and_dries_was_among_them():
    state = wetting.wetted(BODY)
    for _ in range(60):
        state = wetting.advance(state, BODY, current=0.5, heat=7.0, time=3.0)
    assert state.water == 0.0
    assert state.ledger.water_boiled > 0


def test_a_supply_that_is_no_battery_has_no_end():
    assert battery_discharge.capacity(np.zeros(0), np.zeros(0), 0.5) == math.inf


# --------------------------------------------------------------------------------- the current


def test_the_first_current_is_that_of_ohms_and_tafels_laws():
    """9 V, 2 ohm and 10 ohm, by bisection; after a hundredth of a second the swab is fresh."""
    track = marched(rig(battery=None), 10.0, held(0.01))
    low, high = 1e-6, 1.0
    factor = column(track, kernel.OUT_FACTOR)[0]
    for _ in range(80):
        middle = 0.5 * (low + high)
        need = FLOOR + FOLD * math.log(middle / 0.4) + (10.0 / factor + 2.0) * middle
        low, high = (middle, high) if need < 9.0 else (low, middle)
    assert factor == pytest.approx(1.0, abs=5e-3)
    assert track.current[0] == pytest.approx(low, rel=1e-9)
    assert column(track, kernel.OUT_VOLTAGE)[0] == pytest.approx(9.0 - 2.0 * low, rel=1e-9)


def test_a_limited_supply_holds_its_current_and_gives_the_voltage_it_takes():
    track = marched(rig(battery=None, limit=0.25), 10.0, held(5.0))
    assert (track.current == 0.25).all()
    factor = column(track, kernel.OUT_FACTOR)
    need = FLOOR + FOLD * math.log(0.25 / 0.4) + 10.0 / factor * 0.25
    assert column(track, kernel.OUT_VOLTAGE) == pytest.approx(need, rel=1e-9)


def test_the_current_of_a_held_swab_rises_with_heat_and_falls_with_gas_and_drying():
    """Research notes 3.3: a trace that rises for 10 to 20 s and then falls is normal."""
    track = marched(rig(battery=None), 12.0, held(150.0))
    current, time = track.current, column(track, kernel.OUT_TIME)
    top = int(np.argmax(current))
    assert current[1] < current[0]  # gas within the first second
    assert current[top] > 1.1 * current[2]
    assert 5.0 < time[top] < 60.0
    assert current[-1] < 0.5 * current[top]
    assert column(track, kernel.OUT_SATURATION)[-1] < 0.5
    assert track.middle[top, balance.TEMPERATURE] > 340.0


def test_a_finer_cut_of_a_rest_changes_next_to_nothing():
    """Second order: the current of a stop is that in its middle."""
    coarse, fine = (marched(rig(), 12.0, held(40.0, longest)) for longest in (0.5, 0.05))
    for place in (balance.CHARGE, balance.WATER_EVAPORATED, balance.HEAT_IN):
        assert coarse.end.ledger[place] == pytest.approx(fine.end.ledger[place], rel=2e-3)


def test_a_swab_that_dries_out_passes_ever_less_and_the_march_goes_on():
    track = marched(rig(battery=None, emf=14.0), 6.0, held(1000.0))
    assert column(track, kernel.OUT_SATURATION)[-1] < 0.1
    assert (np.diff(track.current[-1000:]) < 0).all()
    assert track.current[-1] < 0.05 * track.current.max()
    assert np.isfinite(track.record).all()


def test_marching_in_two_pieces_is_marching_once():
    stops = held(20.0)
    whole = marched(rig(), 12.0, stops)
    half = len(stops) // 2
    pieces = [
        Stops(**{name: getattr(stops, name)[part] for name in NAMES})
        for part in (slice(0, half), slice(half, None))
    ]
    first = marched(rig(), 12.0, pieces[0])
    second = marched(rig(), 12.0, pieces[1], first.end)
    assert (np.concatenate([first.current, second.current]) == whole.current).all()
    assert (second.end.ledger == whole.end.ledger).all()


NAMES = ("x", "y", "dwell", "start", "moving", "pass_index")


def test_the_condition_a_march_starts_from_is_left_as_it_is():
    start = first_condition(rig())
    before = start.state.copy(), start.ledger.copy(), start.circuit.copy()
    marched(rig(), 12.0, held(5.0), start)
    for now, then in zip((start.state, start.ledger, start.circuit), before, strict=True):
        assert (now == then).all()


# ------------------------------------------------------------------------------------- rewetting


def test_the_swab_is_wetted_again_when_its_charge_is_passed():
    track = marched(rig(rule=rule(charge=4.0)), 12.0, held(60.0))
    dips = np.flatnonzero(track.rewet)
    between = np.add.reduceat(track.current * track.dwell, [0, *dips])[:-1]
    step = (track.current * track.dwell).max()
    assert dips.size >= 3
    assert ((between >= 4.0) & (between < 4.0 + step)).all()
    assert track.end.ledger[balance.DIPS] == dips.size + 1


@pytest.mark.parametrize(
    ("given", "most"), [({"time": 8.0}, 8.0 + 0.5), ({"temperature": 320.0}, 60.0)]
)
def test_the_swab_is_wetted_again_by_time_and_by_temperature(given, most):
    track = marched(rig(rule=rule(**given)), 12.0, held(60.0))
    dips = np.flatnonzero(track.rewet)
    assert dips.size >= 2
    assert (np.diff(dips) * 0.5 <= most).all()
    if "temperature" in given:
        assert track.middle[:, balance.TEMPERATURE].max() < 323.0


def test_a_dip_brings_back_cold_sour_wet_cotton_without_gas():
    track = marched(rig(rule=rule(time=15.0)), 12.0, held(31.0))
    (before, after) = (int(np.flatnonzero(track.rewet)[0]) + step for step in (-1, 0))
    fresh = BODY.acid * BODY.volume
    assert track.middle[before, balance.TEMPERATURE] > 330.0
    assert track.middle[after, balance.TEMPERATURE] < 305.0
    assert track.middle[after, balance.ACID] > 0.98 * fresh > track.middle[before, balance.ACID]
    assert column(track, kernel.OUT_GAS)[after] < 0.6 * column(track, kernel.OUT_GAS)[before]


def test_a_pause_shifts_the_clock_and_not_the_stops():
    stops = held(40.0)
    track = marched(rig(rule=rule(time=10.0, pause=7.0)), 12.0, stops)
    shift = column(track, kernel.OUT_TIME) - stops.start
    assert shift == pytest.approx(7.0 * np.cumsum(track.rewet), abs=1e-9)
    assert track.end.circuit[kernel.PAUSED] == pytest.approx(7.0 * track.rewet.sum())
    assert track.end.state[balance.TIME] == pytest.approx(40.0 + shift[-1], rel=1e-12)


def test_a_rule_that_can_not_be_met_wets_once_a_stop_and_no_more():
    track = marched(rig(rule=rule(temperature=100.0, pause=0.0)), 12.0, held(5.0))
    assert track.rewet.all()


# ---------------------------------------------------------------------------------------- lifts


def test_a_lifted_swab_loses_its_gas_and_no_heat_to_the_plate():
    points = ((0.0, 0.0), (1e-3, 0.0))
    short, long = (
        marched(rig(), 12.0, make_stops(Dabs(points, 10.0, lift), 1e-3, longest_dwell=0.5))
        for lift in (0.0, 4.0)
    )
    again = len(long.dwell) // 2
    assert column(long, kernel.OUT_GAS)[again] < 0.6 * column(short, kernel.OUT_GAS)[again]
    assert long.end.state[balance.TIME] == pytest.approx(24.0)
    assert time_lifted(make_stops(Dabs(points, 10.0, 4.0), 1e-3)) == pytest.approx([0.0, 4.0])


def test_rests_count_from_where_the_swab_comes_to_stand():
    hatch = Hatch(0.0, 0.0, 4e-3, 1e-3, 1e-3, 4e-3, passes=2, turn_time=1.0)
    stops = make_stops(hatch, 1e-3, longest_dwell=0.25)
    rested = time_rested(stops)
    assert (rested[stops.moving] == 0.0).all()
    assert (rested[~stops.moving] > 0.0).all()
    # half a second at each end of a turn from line to line, a whole one between passes
    turns = np.split(rested, np.flatnonzero(np.diff((rested > 0).astype(int)) != 0) + 1)
    assert [turn[-1] for turn in turns if turn[0] > 0] == pytest.approx([0.375, 0.875, 0.375])
    dabs = make_stops(Dabs(((0.0, 0.0), (0.0, 0.0)), 1.0, 0.5), 1e-3, longest_dwell=0.5)
    assert time_rested(dabs) == pytest.approx([0.25, 0.75, 0.25, 0.75])


# -------------------------------------------------------------------------------------- battery


def test_a_battery_sags_as_it_is_drained():
    track = marched(rig(), 12.0, held(300.0))
    assert (np.diff(column(track, kernel.OUT_EMF)) < 0).all()
    assert (np.diff(column(track, kernel.OUT_RESISTANCE)) > 0).all()
    share = (
        track.dwell * track.current / [circuit.capacity(ALKALINE, i) for i in track.current]
    ).sum()
    assert track.end.circuit[kernel.USED] == pytest.approx(share, rel=1e-12)


def test_a_battery_used_before_begins_lower():
    fresh, tired = (marched(rig(used=used), 12.0, held(1.0)) for used in (0.0, 0.5))
    assert tired.current[0] < 0.9 * fresh.current[0]
    assert column(tired, kernel.OUT_EMF)[0] == pytest.approx(
        ALKALINE.open_circuit - 0.5 * ALKALINE.fall
    )


def test_a_spent_battery_is_changed_for_a_fresh_one():
    made = rig(used=0.89, rule=rule(charge=8.0, pause=0.0))
    track = marched(made, 12.0, held(120.0))
    emf = column(track, kernel.OUT_EMF)
    change = int(np.argmax(np.diff(emf) > 1.0))
    assert track.end.circuit[kernel.SPENT_BATTERIES] == 1
    assert emf[change + 1] == ALKALINE.open_circuit
    assert any("2 batteries" in remark for remark in remarks(made, [track]))


# -------------------------------------------------------------------------------------- budgets


@pytest.mark.parametrize("ohms", [4.0, 12.0])
@pytest.mark.parametrize("wetted", [NEVER, rule(charge=6.0), rule(time=9.0, pause=2.0)])
def test_all_budgets_close_to_rounding(ohms, wetted):
    made = rig(rule=wetted)
    points = tuple((1e-3 * n, 0.0) for n in range(6))
    track = marched(made, ohms, make_stops(Dabs(points, 15.0, 1.0), 1e-3, longest_dwell=0.4))
    found = ledgers(made, track.end)
    assert set(found) == {"charge", "energy", "water", "acid", "metal"}
    for name, ledger in found.items():
        assert abs(ledger["imbalance"]) < 1e-12, name
    charge = float((track.current * track.dwell).sum())
    voltage = column(track, kernel.OUT_VOLTAGE)
    energy, heat = (
        found["energy"],
        float((track.current * voltage * track.dwell).sum()) + 0.28 * charge,
    )
    assert found["charge"]["passed"] == pytest.approx(charge, rel=1e-12)
    assert energy["heat"] == pytest.approx(heat, rel=1e-12)
    assert energy["chemical"] == pytest.approx(-0.28 * charge, rel=1e-9)
    loss = float((track.current**2 * column(track, kernel.OUT_RESISTANCE) * track.dwell).sum())
    assert energy["lost_in_supply"] == pytest.approx(loss, rel=1e-9)
    metal = found["metal"]
    assert metal["dissolved"] == pytest.approx(BODY.metal_rate * charge, rel=1e-12)
    assert metal["dissolved"] == pytest.approx(metal["in_swab"] + metal["discarded"], rel=1e-12)


def test_a_ledger_that_lost_something_shows_it():
    made = rig()
    end = marched(made, 12.0, held(20.0)).end
    state = end.state.copy()
    state[balance.WATER] *= 0.99
    found = ledgers(made, dataclasses.replace(end, state=state))
    assert abs(found["water"]["imbalance"]) > 1e-4


# -------------------------------------------------------------------------------------- remarks


def test_what_goes_wrong_is_told_once_with_its_time():
    made = rig(battery=None)
    told = remarks(made, [marched(made, 5.0, held(120.0))])
    times = [float(remark.split()[1]) for remark in told]
    assert times == sorted(times)
    for word in ("burns", "boils", "acid is spent", "hydroxide"):
        assert sum(word in remark for remark in told) == 1


def test_a_quiet_run_says_nothing():
    made = rig(battery=None, limit=0.05)
    assert remarks(made, [marched(made, 10.0, held(10.0))]) == ()
    assert remarks(made, []) == ()


# ------------------------------------------------------------------------- with nodes that lack


def test_a_stop_is_known_while_its_nodes_are_near():
    made, stops = rig(battery=None), held(40.0)
    few = Responses([Spot(Place((0, 0), (0, 0)))], circuit.Supply(9.0), FOLD)
    few.add(0, FRESH, swab_of(12.0).nodes[0, FRESH])
    rows = np.zeros(len(stops), np.int64)
    track = march_on(made, few, stops, rows, first_condition(made), lifted=time_lifted(stops))
    away = np.abs(track.level - FRESH)
    assert (track.nodes == FRESH).all()
    assert away.max() > SPLITS
    assert track.known() == int(np.argmax(away > SPLITS))
    full = marched(made, 12.0, stops)
    near = track.known()
    assert track.current[:near] == pytest.approx(full.current[:near], rel=1e-6)


def test_a_spot_without_nodes_is_not_known_and_passes_nothing():
    made, stops = rig(), held(2.0)
    none = Responses([Spot(Place((0, 0), (0, 0)))], circuit.Supply(9.0), FOLD)
    rows = np.zeros(len(stops), np.int64)
    track = march_on(made, none, stops, rows, first_condition(made), lifted=time_lifted(stops))
    assert track.known() == 0
    assert (track.current == 0.0).all()
    assert (track.nodes == -1).all()


def test_a_sour_liquid_is_told_at_once_where_solving_for_its_ph_finds_no_metal_either(monkeypatch):
    """Brass, whose two metals fall out at different pH; swabs fresh, spent and in between."""
    body = wet_body(BUD, BRINE, find_metal("brass"))
    numbers, elements = swab_numbers(body), element_numbers(body)
    random, fresh = np.random.default_rng(3), first_condition(rig(body)).state
    states = []
    for _ in range(300):
        state = fresh.copy()
        state[balance.WATER] *= random.uniform(0.01, 1.0)
        state[balance.ACID] *= random.choice([random.uniform(), 10.0 ** random.uniform(-8.0, 0.0)])
        state[balance.HYDROXIDE] = random.choice([0.0, random.uniform() * fresh[balance.ACID]])
        state[balance.METAL] = 10.0 ** random.uniform(-12.0, -4.0)
        states.append(state)
    quick = [balance.fallen_metal(numbers, state, elements) for state in states]
    monkeypatch.setattr(balance, "all_stays", lambda *_: False)
    solve = balance.fallen_metal
    assert quick == pytest.approx([solve(numbers, state, elements) for state in states], rel=1e-9)
    assert 60 < np.count_nonzero(quick) < 240
