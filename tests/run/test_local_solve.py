"""One spot solved: conductivities, films, depth, layers, rests, and the order of solving."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from disc_under_bud import FILMED, course, field, moved, spot

from simulate.field.multigrid import Hierarchy
from simulate.field.supply import Supply
from simulate.run import local_solve as spots
from simulate.run.local_solve import (
    Setting,
    Spot,
    StopField,
    solve_alone,
    solve_places,
    solve_spots,
)
from simulate.run.metal_surface import Surface
from simulate.run.window import Conductivities


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


@pytest.mark.parametrize("count", [0, 1, 9, 10, 16, 17, 33, 138])
def test_groups_hold_every_spot_once_and_are_about_equal(count):
    cuts = spots._cuts(count)
    sizes = np.diff(cuts)
    assert (cuts[0], cuts[-1]) == (0, count)
    assert sizes.max(initial=0) <= spots.GROUP
    assert np.ptp(sizes) <= 1 if sizes.size else count == 0
    assert sizes.size % 2 == 0 or count < 2 * spots.LEAST_GROUP


def test_a_window_is_solved_the_same_with_x_and_y_exchanged(monkeypatch):
    made = course()
    _, ny, nx = made.setting.window.shape
    plain = field(made)
    bench = spots._Bench(made.setting, made.bare())
    monkeypatch.setattr(bench, "turned", not bench.turned)
    monkeypatch.setattr(bench, "plan", bench.plan[::-1])
    monkeypatch.setattr(bench, "mesh", Hierarchy((bench.mesh.levels[0].shape[0], *bench.plan)))
    assert {bench.plan, (ny, nx)} == {(nx, ny), (ny, nx)}
    (other,) = bench.solve(spot(), [1.0])
    assert (other.cells == plain.cells).all()
    assert (np.diff(plain.cells) > 0).all()
    assert other.total == pytest.approx(plain.total, rel=1e-5)
    assert moved(other, plain) < 1e-4
