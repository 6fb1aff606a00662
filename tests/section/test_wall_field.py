"""The field at a wall: both forms against a closed form, and conservation."""

from __future__ import annotations

import numpy as np
import pytest
from cavities import equal, laws, under_a_plate

from simulate.field.polarisation import Linear, Tafel
from simulate.field.supply import Supply
from simulate.section.cut_cells import LEAST_SHARE, Ground
from simulate.section.moving_wall import Cavity, Field
from simulate.section.wall_curve import Wall
from simulate.section.wall_field import Circuit
from simulate.section.wall_newton import YIELD

OFF = 0.4  # of the source from the middle of the unit circle


def error(cells: int, form: str, resistance: float, solves: int = 3) -> float:
    """Largest error of the density on a circle with a line source off its middle.

    Polarisation resistance rho, conductivity 1, current 2 pi: by Fourier series
    i = 1 + 2 sum d**n cos(n theta) / (1 + n rho).
    """
    edges = np.linspace(-1.2, 1.2, cells + 1)
    h = edges[1] - edges[0]
    source = np.zeros((cells, cells))
    at = (OFF + 1.2) / h - 0.5
    i, share = int(at), at - int(at)
    for k in (cells // 2 - 1, cells // 2):
        source[k, i : i + 2] = 0.5 * (1.0 - share), 0.5 * share
    circuit = Circuit(
        laws(Linear(resistance) if resistance else None), current=2.0 * np.pi, source=source
    )
    angle = 2.0 * np.pi * np.arange(240) / 240
    wall = Wall(np.column_stack([np.cos(angle), np.sin(angle)]), None)
    field = Field(Cavity(Ground(edges, edges, 1.0), circuit, equal, form=form))
    wall = wall.respaced(lambda places: np.full(len(places), h))
    for _ in range(solves):
        density = field.at((wall,)).density[0]
    turn = np.arctan2(wall.points[:, 1], wall.points[:, 0])
    n = np.arange(1, 60)[:, None]
    exact = 1.0 + 2.0 * (OFF**n * np.cos(n * turn) / (1.0 + n * resistance)).sum(axis=0)
    return float(np.abs(density - exact).max())


@pytest.mark.parametrize("resistance", [0.0, 0.3, 3.0])
def test_the_second_order_form_finds_an_uneven_density_to_second_order(resistance):
    """Also where the wall's own potential varies: without the current along the wall the error
    would stay at 6e-3 (0.3) and 3e-3 (3.0), however small the cells."""
    errors = [error(cells, "second-order", resistance) for cells in (40, 80, 160)]
    assert errors[-1] < 8e-4
    assert np.log2(errors[0] / errors[-1]) / 2 > (1.7 if resistance < 1.0 else 1.2)


@pytest.mark.parametrize("resistance", [0.0, 0.3, 3.0])
def test_the_symmetric_form_finds_it_to_first_order(resistance):
    errors = [error(cells, "symmetric", resistance) for cells in (40, 160)]
    assert errors[-1] < 1.5e-2
    assert 0.5 < np.log2(errors[0] / errors[-1]) / 2 < 2.0


@pytest.mark.parametrize("form", ["symmetric", "second-order"])
def test_a_level_wall_anywhere_passes_what_the_gap_lets_through(form):
    """Where the wall lies between two nodes makes no difference to a level one, but on a node."""
    for depth in np.linspace(0.01, 0.31, 16):
        cavity = under_a_plate(
            np.linspace(0, 0.4, 5), np.arange(-5, 1) * 0.1, 1.0, Tafel(1e-3, 1.0), 10.0, form
        )
        wall = Wall(
            np.column_stack([np.linspace(0, 0.4, 9), np.full(9, -depth)]), ("upright", "upright")
        )
        density = Field(cavity).at((wall,)).density[0]
        drop = density * (1.0 + depth) + np.arcsinh(density / 2e-3)
        moved = LEAST_SHARE * 0.1 if abs(10 * depth % 1 - 0.5) < 1e-9 else 0.0  # off the node
        assert np.abs(drop - 10.0).max() <= 1.01 * density.max() * moved + 1e-8


def test_in_the_symmetric_form_what_leaves_the_walls_enters_the_cathode_to_rounding():
    cavity = under_a_plate(
        np.linspace(0, 1.0, 21), np.arange(-20, 1) * 0.05, 1.0, Linear(0.4), 1.0, "symmetric"
    )
    x = np.linspace(0.0, 1.0, 21)
    wall = Wall(np.column_stack([x, -0.3 + 0.1 * np.cos(np.pi * x)]), ("upright", "upright"))
    found = Field(cavity).at((wall,))
    assert found.field.carried.sum() == pytest.approx(found.current, rel=1e-12)
    assert wall.surface(found.density[0]) == pytest.approx(found.current, rel=1e-12)


@pytest.mark.parametrize("form", ["symmetric", "second-order"])
@pytest.mark.parametrize(
    "supply", [Supply(5.0, 2.0), Supply(5.0, 2.0, 0.6), Supply(5.0, 0.0, 0.6), Supply(5.0)]
)
def test_the_circuit_is_met(form, supply):
    """A supply behind a resistance, at its limit of current, and without either."""
    law = Tafel(1e-2, 0.3, film_resistance=0.1, limit=4.0, equilibrium=0.2)
    x = np.linspace(0, 0.4, 5)
    cavity = under_a_plate(x, np.arange(-5, 1) * 0.1, 1.0, law, 5.0, form)
    circuit = Circuit(laws(law, Linear(0.3)), supply)
    cavity = Cavity(cavity.ground, circuit, equal, cavity.upper, (), form)
    wall = Wall(
        np.column_stack([np.linspace(0, 0.4, 9), np.full(9, -0.23)]), ("upright", "upright")
    )
    found = Field(cavity).at((wall,))
    current, voltage = found.current, found.field.voltage
    free = np.inf if supply.resistance == 0.0 else (supply.emf - voltage) / supply.resistance
    limit = supply.current_limit or np.inf
    assert current <= min(free, limit) * (1.0 + YIELD)
    if np.isfinite(min(free, limit)):
        assert current == pytest.approx(min(free, limit), rel=2.0 * YIELD)
    density = current / 0.4
    kinetic = density / (1.0 - (density / 4.0) ** 4) ** 0.25
    drop = 0.2 + 0.3 * np.arcsinh(kinetic / 2e-2) + density * (0.1 + 1.23 + 0.3)
    assert voltage == pytest.approx(drop, rel=1e-8)


def test_newton_steps_do_not_grow_with_the_cells():
    """The linear systems are factored: there are no other iterations."""
    counts = []
    for cells in (10, 40):
        x = np.linspace(0, 0.5, cells + 1)
        below = np.arange(-cells, 1) * (0.5 / cells)
        cavity = under_a_plate(x, below, 0.5, Tafel(1e-3, 0.5, limit=20.0), 8.0, "second-order")
        s = np.linspace(0, 0.5, cells + 1)
        wall = Wall(
            np.column_stack([s, -0.2 + 0.1 * np.cos(2 * np.pi * s)]), ("upright", "upright")
        )
        field = Field(cavity)
        field.at((wall,))
        counts.append(field.newton_steps / field.solves)
    assert counts[1] <= counts[0] + 1.0
    assert max(counts) < 8.0
