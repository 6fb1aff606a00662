"""How one place answers: nodes, what is carried from them, and direct solves beside both."""

from __future__ import annotations

import dataclasses
import math
from functools import cache
from itertools import pairwise

import numpy as np
import pytest

import simulate as sf
from simulate.circuit import Supply
from simulate.course import Course, lay_out
from simulate.response import (
    FRESH,
    LEVELS,
    LOWEST,
    MISMATCH,
    SPLITS,
    STEP,
    Responses,
    Setting,
    Spot,
    StopField,
    answer,
    factor_of,
    solve_alone,
    solve_places,
    solve_spots,
)
from simulate.surface import Surface
from simulate.window import Conductivities

TEXT = """
title = "A disc under a bud, all invented"

[plate]
metal = "carbon steel"
width = "8 mm"
height = "8 mm"

[electrolyte]
vinegar = "50 mL"
salt = "5 g"

[supply]
emf = "{emf}"
resistance = "{resistance}"
leads = "0 ohm"

[stencil]
thickness = "0.2 mm"
shapes = [
  {{ kind = "circle", x = "4 mm", y = "4 mm", diameter = "2.4 mm" }},
  {{ kind = "rectangle", x = "4 mm", y = "6 mm", width = "2.4 mm", height = "0.8 mm" }},
]

[swab]
form = "bud"
diameter = "3 mm"
length = "7 mm"
press = "0.5 mm"
tilt = "90 deg"
wire_diameter = "0.8 mm"
wire_gap = "1.6 mm"

[stroke]
pattern = "dabs"
points = [[4, 4.4], [1.5, 1.5]]
unit = "mm"
time = "1 s"

[grid]
cell = "0.4 mm"
"""

UNFILMED, KNEE, FILMED = "1.2 V", "2.6 V", "9 V"
"""No salt film; the rim filmed over and the middle not; all of it filmed over."""


@cache
def course(emf: str = UNFILMED, resistance: str = "2 ohm") -> Course:
    return lay_out(sf.parse_case(TEXT.format(emf=emf, resistance=resistance), "disc.toml"))


def spot(which: int = 0) -> Spot:
    return course().spots[which]


def field(made: Course, factor: float = 1.0, supply: Supply | None = None) -> StopField:
    given = made.setting.supply if supply is None else supply
    return solve_alone(made.setting, made.bare(), spot(), factor, given)


def responses(made: Course) -> Responses:
    return Responses(made.spots, made.setting.supply, made.setting.fold)


def one_node(made: Course) -> Responses:
    found = responses(made)
    found.add(0, FRESH, field(made))
    return found


def moved(one: StopField, other: StopField) -> float:
    """Share of the current that runs elsewhere."""
    return 0.5 * float(np.abs(one.share - other.share).sum())


# --------------------------------------------------------------------------------- one field


def test_currents_of_the_cells_add_up_and_none_runs_outside_the_openings():
    found = field(course())
    assert found.share.sum() == pytest.approx(1.0, rel=1e-12)
    assert found.current.sum() == pytest.approx(found.total, rel=1e-12)
    assert (course().open_fraction.ravel()[found.cells] > 0).all()


def test_a_factor_does_what_as_many_times_the_conductivities_do():
    made = course()
    kappa = made.setting.kappa
    better = dataclasses.replace(
        made.setting, kappa=Conductivities(1.7 * kappa.free, 1.7 * kappa.wick)
    )
    direct = solve_alone(better, made.bare(), spot(), 1.0, made.setting.supply)
    scaled = field(made, 1.7)
    assert scaled.total == pytest.approx(direct.total, rel=1e-5)
    assert scaled.voltage == pytest.approx(direct.voltage, rel=1e-5)
    assert scaled.ohmic == pytest.approx(direct.ohmic, rel=1e-4)
    assert scaled.conductance == pytest.approx(direct.conductance, rel=1e-4)
    assert moved(scaled, direct) < 1e-5


def test_the_slope_is_that_between_two_solves():
    made = course()
    emf = made.setting.supply.emf
    low, high = (field(made, 1.0, Supply(emf + step, 2.0)) for step in (-0.02, 0.02))
    slope = (high.total - low.total) / (high.voltage - low.voltage)
    assert field(made).conductance == pytest.approx(slope, rel=2e-3)


def test_the_liquids_losses_and_the_reactions_take_the_whole_voltage():
    """V = R I + equilibria + Tafel overpotentials + film; the wire's current is taken as even."""
    found, laws = field(course()), course().setting.laws
    density = found.current / found.area
    film = course().case.metal.film_resistance.value
    anode = laws[0, 2] * np.arcsinh(density / (2 * laws[0, 1])) + film * density
    rest = found.voltage - found.ohmic * found.total - found.share @ anode
    rest -= course().setting.equilibrium[0] - course().setting.equilibrium[1]
    wire = laws[-1, 3] * math.log(found.total / (2 * math.pi * 0.4e-3 * 5.4e-3 * laws[-1, 1]))
    assert rest == pytest.approx(wire, abs=0.03)


def test_a_film_under_the_plate_stands_in_series():
    """A film of 100 ohm cm2 is nearly all the resistance there is: I = A (V - floor) / film."""
    made = course()
    film = np.full(made.shape, 1e-2)
    plain = field(made)
    filmed = solve_alone(
        made.setting,
        dataclasses.replace(made.bare(), film=film),
        spot(),
        1.0,
        made.setting.supply,
    )
    drop = filmed.total * (film[0, 0] / filmed.area.sum() + filmed.ohmic)
    assert filmed.total < 0.1 * plain.total
    assert filmed.total * (film[0, 0] / filmed.area.sum()) > 0.9 * drop
    assert filmed.share == pytest.approx(filmed.area / filmed.area.sum(), rel=0.03)


def test_depth_counts_as_liquid_below_the_opening():
    """A micrometre changes nothing; a millimetre adds about its own depth / (kappa A)."""
    made, depth = course(), 1e-3
    plain = field(made)

    def sunk(depth: float) -> StopField:
        surface = dataclasses.replace(made.bare(), depth=np.full(made.shape, depth))
        return solve_alone(made.setting, surface, spot(), 1.0, made.setting.supply)

    assert sunk(1e-6).total == pytest.approx(plain.total, rel=1e-3)
    own = depth / (made.setting.kappa.free * plain.area.sum())
    assert sunk(depth).ohmic - plain.ohmic == pytest.approx(own, rel=0.15)


def test_a_lower_layer_brings_its_own_law():
    made = course()
    laws = np.vstack([made.setting.laws[:1], made.setting.laws])
    laws[1, 7] += 0.25  # the layer below is nobler
    setting = dataclasses.replace(made.setting, laws=laws)
    layer = np.ones(made.shape, np.int64)
    below = dataclasses.replace(made.bare(), layer=layer)
    nobler = solve_alone(setting, below, spot(), 1.0, Supply(1.45, 2.0))
    assert nobler.total == pytest.approx(field(made).total, rel=1e-4)


def test_rest_lowers_the_cap_of_the_anode():
    made = course(FILMED)
    held = Spot(spot().place, made.setting.limits.shape[0] - 1)
    rested = solve_alone(made.setting, made.bare(), held, 1.0, made.setting.supply)
    limits = made.case.metal.limit_still.value, made.case.metal.limit_stroked.value
    assert (rested.current / rested.area).max() == pytest.approx(limits[0], rel=1e-3)
    moving = field(made)
    assert (moving.current / moving.area).max() == pytest.approx(limits[1], rel=1e-3)


def test_a_place_over_the_mask_alone_passes_nothing():
    found = solve_alone(course().setting, course().bare(), spot(1), 1.0, course().setting.supply)
    assert found.total == 0.0
    assert found.cells.size == 0
    assert found.voltage == course().setting.supply.emf


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
    assert wanted == {1: [FRESH - SPLITS, FRESH, FRESH + SPLITS], 0: [FRESH]}


def test_nothing_is_missing_once_it_is_there():
    nodes, rows = made_up(), np.array([0])
    nodes.add(0, FRESH, plain())
    assert nodes.missing(rows, np.array([FRESH])) == {}
    assert nodes.missing(rows, np.array([FRESH + 1.0])) == {0: [FRESH + SPLITS]}


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


# ------------------------------------------------------------------------------------- solving


def test_spots_are_solved_the_same_by_any_number_of_workers():
    made = course()
    tasks = [(Spot(made.places[n % 2]), [1.0, 1.5]) for n in range(40)]
    one, three = (list(solve_spots(made.setting, made.bare(), tasks, n)) for n in (1, 3))
    for mine, theirs in zip(one, three, strict=True):
        assert [node.numbers for node in mine] == [node.numbers for node in theirs]
        assert all((a.share == b.share).all() for a, b in zip(mine, theirs, strict=True))


def test_factors_come_back_in_the_order_they_were_asked_for():
    made = course()
    tasks = [(spot(), [1.5, 0.8, 1.0])] * 2
    for nodes in solve_spots(made.setting, made.bare(), tasks, 1):
        totals = [node.total for node in nodes]
        assert totals[1] < totals[2] < totals[0]


def test_places_are_solved_with_films_as_the_laws_have_them():
    made = course()
    laws = made.setting.laws.copy()
    laws[0, 4] = 1e-2
    thick = dataclasses.replace(made.setting, laws=laws)
    (found,) = solve_places(thick, [spot().place], 1)
    film = Surface(np.full(made.shape, 1e-2), made.bare().depth, made.bare().layer)
    same = solve_alone(thick, film, spot(), 1.0, made.setting.supply)
    assert found.total == pytest.approx(same.total, rel=1e-4)
    assert found.total < 0.1 * field(made).total


def test_a_setting_without_rests_has_laws_for_a_moving_swab():
    made = course()
    setting = Setting(*(getattr(made.setting, name) for name in FIRST))
    assert (setting.laws_at(0) == made.setting.laws).all()
    assert setting.laws_at(0) is not setting.laws


FIRST = ("window", "kappa", "laws", "supply", "open_fraction")
