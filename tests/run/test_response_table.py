"""How one place answers: nodes, what is carried from them, and direct solves beside both."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from disc_under_bud import FILMED, KNEE, UNFILMED, course, field, moved, spot

from simulate.field.supply import Supply
from simulate.run.local_solve import Spot, StopField, solve_spots
from simulate.run.response_table import (
    FRESH,
    LEVELS,
    LOWEST,
    MISMATCH,
    SLACK,
    SPLITS,
    STEP,
    Responses,
    answer,
    factor_of,
)
from simulate.run.setup import Course


def responses(made: Course) -> Responses:
    return Responses(made.spots, made.setting.supply, made.setting.fold)


def one_node(made: Course) -> Responses:
    found = responses(made)
    found.add(0, FRESH, field(made))
    return found


# ------------------------------------------------------------------------- carried from a node


@pytest.mark.parametrize("emf", [UNFILMED, KNEE, FILMED])
def test_a_node_answers_for_itself_as_it_was_solved(emf):
    made = course(emf)
    nodes = one_node(made)
    current, voltage = answer(nodes.numbers[0], 1.0, made.setting.fold, made.setting.supply)
    node = nodes.nodes[0, FRESH]
    assert current == pytest.approx(node.total, rel=1e-5)
    assert voltage == pytest.approx(node.voltage, rel=1e-5)


@pytest.mark.parametrize(("emf", "resistance"), [(1.1, 2.0), (1.2, 4.0), (1.0, 3.0)])
def test_a_node_carried_to_another_supply_is_near_its_direct_solve(emf, resistance):
    made, supply = course(), Supply(emf, resistance)
    current, voltage = answer(one_node(made).numbers[0], 1.0, made.setting.fold, supply)
    direct = field(made, 1.0, supply)
    assert current == pytest.approx(direct.total, rel=3e-3)
    assert voltage == pytest.approx(direct.voltage, rel=3e-3)
    assert moved(one_node(made).nodes[0, FRESH], direct) < 5e-3


def test_a_current_limit_holds_and_the_voltage_falls():
    made = course()
    free = field(made).total
    supply = Supply(made.setting.supply.emf, 2.0, 0.6 * free)
    current, voltage = answer(one_node(made).numbers[0], 1.0, made.setting.fold, supply)
    direct = field(made, 1.0, supply)
    assert current == 0.6 * free
    assert voltage == pytest.approx(direct.voltage, rel=3e-3)
    assert voltage < supply.emf - 2.0 * current


def test_the_current_never_falls_as_the_swab_conducts_better():
    made = course(KNEE)
    nodes = filled(made, np.linspace(FRESH - 2 * SPLITS, FRESH + 2 * SPLITS, 33))
    levels = np.linspace(FRESH - 2 * SPLITS, FRESH + 2 * SPLITS, 201)
    supply, fold = made.setting.supply, made.setting.fold
    currents = [answer(nodes.numbers[0], factor_of(n), fold, supply)[0] for n in levels]
    assert (np.diff(currents) > -1e-3 * currents[-1]).all()


def test_no_current_flows_below_the_voltage_that_the_reactions_need():
    made = course()
    rest = made.setting.equilibrium[0] - made.setting.equilibrium[1]
    low = Supply(0.01, 2.0)
    assert rest < 0
    assert answer(one_node(made).numbers[0], 1.0, made.setting.fold, low)[0] < 1e-3


def test_a_swab_gone_dry_passes_nothing():
    made = course()
    supply = made.setting.supply
    assert answer(one_node(made).numbers[0], 0.0, made.setting.fold, supply) == (0.0, supply.emf)


# ---------------------------------------------------------------------------- between the nodes


def filled(made: Course, levels: np.ndarray) -> Responses:
    """All nodes that the levels ask for, and how many rounds it took is of no matter."""
    found = responses(made)
    rows = np.zeros(len(levels), np.int64)
    for _ in range(20):
        wanted = found.missing(rows, levels)
        if not wanted:
            return found
        tasks = [(spot(row), [factor_of(n) for n in few]) for row, few in wanted.items()]
        solved = solve_spots(made.setting, made.bare(), tasks, 1)
        for (row, few), nodes in zip(wanted.items(), solved, strict=True):
            for level, node in zip(few, nodes, strict=True):
                found.add(row, level, node)
    raise AssertionError("nodes go on missing")


@pytest.mark.parametrize("emf", [UNFILMED, KNEE, FILMED])
def test_between_nodes_current_and_map_are_within_three_in_a_thousand(emf):
    """The salt film comes on cell by cell where the middle voltage stands: nodes gather there."""
    made = course(emf)
    factors = np.exp(np.random.default_rng(17).uniform(math.log(0.5), math.log(2.5), 14))
    levels = np.log(factors) / STEP - LOWEST
    nodes = filled(made, levels)
    for factor, level in zip(factors, levels, strict=True):
        current, voltage = answer(nodes.numbers[0], factor, made.setting.fold, made.setting.supply)
        direct = field(made, factor)
        lower, upper = bracket(nodes, level)
        mix = (level - lower) / (upper - lower)
        low, high = nodes.nodes[0, lower], nodes.nodes[0, upper]
        share = (1 - mix) * low.share + mix * high.share
        assert current == pytest.approx(direct.total, rel=3e-3)
        assert voltage == pytest.approx(direct.voltage, rel=3e-3)
        assert 0.5 * np.abs(share - direct.share).sum() < 3e-3


def bracket(nodes: Responses, level: float) -> tuple[int, int]:
    there = sorted(n for row, n in nodes.nodes if row == 0)
    return max(n for n in there if n <= level), min(n for n in there if n > level)


def test_nodes_gather_where_the_film_comes_on_and_nowhere_else():
    levels = np.linspace(FRESH - SPLITS, FRESH + SPLITS, 50)
    distinct = {
        emf: len({id(node) for node in filled(course(emf), levels).nodes.values()})
        for emf in (UNFILMED, KNEE, FILMED)
    }
    assert distinct[UNFILMED] == 3
    assert 3 <= distinct[KNEE] <= 9
    assert distinct[FILMED] == 1  # the lowest stands for all above it


def test_neighbouring_nodes_agree_as_asked():
    made = course(KNEE)
    levels = np.linspace(FRESH - SPLITS, FRESH + SPLITS, 50)
    nodes = filled(made, levels)
    there = sorted({n for row, n in nodes.nodes if FRESH - SPLITS <= n <= FRESH + SPLITS})
    for low, high in pairwise(there):
        if high - low > 1:
            assert nodes.disagreement(0, low, high) < MISMATCH


# ------------------------------------------------------------------------------- what is missing


def plain(total: float = 0.4, conductance: float = 0.1) -> StopField:
    """A node made up: 5 ohm of liquid."""
    one = np.ones(1)
    return StopField(total, 5.0, conductance, 5.0, np.zeros(1, np.int64), one, one)


def made_up(rows: int = 2) -> Responses:
    places = [Spot(course().places[0])] * rows
    return Responses(places, Supply(9.0, 2.0), 0.08)


def test_what_is_missing_is_asked_for_in_the_order_of_need():
    nodes = made_up()
    wanted = nodes.missing(np.array([1, 0, 1]), np.array([FRESH + 1.0, FRESH, FRESH - 1.0]))
    assert list(wanted) == [1, 0]
    assert wanted == {1: [FRESH - 1, FRESH + 1], 0: [FRESH]}


def test_levels_far_apart_ask_for_nodes_at_even_steps_and_near_ones_for_their_ends():
    nodes, row = made_up(), np.zeros(2, np.int64)
    far = np.array([FRESH + 0.6, FRESH + SPLITS + 1.2])
    assert nodes.missing(row, far) == {0: [FRESH, FRESH + SPLITS, FRESH + 2 * SPLITS]}
    near = np.array([FRESH - 0.6, FRESH + SPLITS - 0.8])
    assert nodes.missing(row, near) == {0: [FRESH - 1, FRESH + SPLITS]}


def test_a_node_serves_a_little_beyond_itself():
    nodes, row = made_up(), np.zeros(2, np.int64)
    nodes.add(0, FRESH, plain())
    assert nodes.missing(row, FRESH + np.array([-SLACK, SLACK])) == {}
    assert nodes.missing(row, FRESH + np.array([-SLACK - 0.1, SLACK])) == {0: [FRESH - 1]}
    assert nodes.missing(row, FRESH + np.array([-SLACK, SLACK + 0.1])) == {0: [FRESH + 1]}


def test_nothing_is_missing_once_it_is_there():
    nodes, rows = made_up(), np.array([0])
    nodes.add(0, FRESH, plain())
    assert nodes.missing(rows, np.array([FRESH])) == {}
    assert nodes.missing(rows, np.array([FRESH + 1.0])) == {0: [FRESH + 1]}


def test_neighbours_that_disagree_ask_for_one_between_them():
    nodes, rows = made_up(), np.array([0])
    nodes.add(0, FRESH, plain())
    nodes.add(0, FRESH + SPLITS, plain(total=0.8))
    middle = FRESH + SPLITS // 2
    assert nodes.missing(rows, np.array([FRESH + 1.0])) == {0: [middle]}
    assert nodes.missing(rows, np.array([FRESH])) == {}
    twin = plain(total=0.4)
    agree = made_up()
    agree.nodes[0, FRESH] = agree.nodes[0, FRESH + SPLITS] = twin
    assert agree.missing(rows, np.array([FRESH + 1.0])) == {}


def test_a_node_without_current_answers_for_every_level():
    nodes = made_up()
    nodes.add(0, FRESH, plain(0.0))
    assert not np.isnan(nodes.numbers[0, :, 0]).any()
    assert nodes.missing(np.zeros(2, np.int64), np.array([0.0, LEVELS - 1.0])) == {}


def test_a_node_that_a_film_holds_answers_for_better_swabs_alone():
    nodes = made_up()
    nodes.add(0, FRESH, plain(0.4, 1e-5))
    assert not np.isnan(nodes.numbers[0, FRESH:, 0]).any()
    assert np.isnan(nodes.numbers[0, :FRESH, 0]).all()


def test_a_node_keeps_its_place_when_another_spreads_over_it():
    nodes = made_up()
    first = plain(0.5)
    nodes.add(0, FRESH + SPLITS, first)
    nodes.add(0, FRESH, plain(0.4, 1e-5))
    assert nodes.nodes[0, FRESH + SPLITS] is first


def test_an_overlay_takes_the_place_of_what_is_there():
    nodes, newer = made_up(), made_up()
    nodes.add(0, FRESH, plain(0.5))
    nodes.add(1, FRESH, plain(0.6))
    newer.add(0, FRESH, plain(0.7))
    nodes.overlay(newer)
    assert nodes.numbers[0, FRESH, 0] == 0.7
    assert nodes.numbers[1, FRESH, 0] == 0.6
