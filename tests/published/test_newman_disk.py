"""The disk in an insulating plane: primary current, and current limited by kinetics.

Sources: Newman, J. Electrochem. Soc. 113 (1966) 501 and 1235 (from memory); confocal spheroids by
separation of variables. Numbers of finite cells: reference tables, two methods each.

A flush edge at a fixed potential is singular as r^-1/2, and a plain scheme converges at first
order there: the order is asserted with the value.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from cells import (
    REFERENCE,
    Body,
    Opening,
    extrapolated_ring_means,
    observed_orders,
    ring_means,
    solve_plane,
)

import simulate as sf
from simulate.exact import bodies
from simulate.exact.recess import disk_opening
from simulate.result.grid_convergence import grid_convergence

DISK = REFERENCE["disk_in_cell"]


def test_disk_in_a_cell_converges_at_first_order_to_the_table():
    values = [Opening("disk", fineness).resistance() for fineness in (20, 40, 80)]
    assert values[1] == pytest.approx(DISK["resistance"], rel=0.01)
    orders = observed_orders(values, DISK["resistance"])
    assert orders == pytest.approx([1.0, 1.0], abs=0.03)
    finest = grid_convergence(values[:0:-1], 2.0, order=1.0)
    assert finest.extrapolated == pytest.approx(DISK["resistance"], rel=1e-4)


def test_disk_in_a_cell_has_the_tables_current_in_every_tenth_of_the_radius():
    """Ring means, extrapolated at the order of the flush edge; the last ring holds the rim."""
    edges = np.array([0.0, *DISK["cumulative_at"]])
    exact = np.diff(np.array([0.0, *DISK["cumulative"]])) / np.diff(edges**2)
    cells = Opening("disk", 40), Opening("disk", 80)
    found = extrapolated_ring_means(cells, edges, order=1.0)
    assert found[:8] == pytest.approx(exact[:8], rel=5e-4)
    assert found[8:] == pytest.approx(exact[8:], rel=2e-3)


@pytest.mark.parametrize(
    "case", REFERENCE["kinetic_disk_in_cell"]["cases"], ids=lambda c: c["wagner"]
)
def test_disk_with_kinetics_in_a_cell_converges_faster_than_flush(case):
    law = sf.Linear(case["wagner"])
    values = [Opening("disk", fineness).resistance(law) for fineness in (20, 40, 80)]
    assert values[1] == pytest.approx(case["resistance"], rel=0.002)
    orders = observed_orders(values, case["resistance"])
    assert all(1.6 < order < 1.9 for order in orders)
    extrapolated = grid_convergence(values[::-1], 2.0).extrapolated
    assert extrapolated == pytest.approx(case["resistance"], rel=1e-4)


@pytest.mark.parametrize(
    ("wagner", "interior", "rim"), [(0.1, 0.0015, 0.0100), (1.0, 0.0003, 0.0012)]
)
def test_disk_with_kinetics_has_newmans_profile_up_to_the_rim(wagner, interior, rim):
    """Means of 40 rings at a/80. With kinetics the rim converges too: 2.7 and 1.0 % at a/40 and
    a/80 for Wa = 0.1, 0.3 and 0.1 % for Wa = 1."""
    exact = disk_opening(0.0, wagner=wagner, cell=(3.0, 3.0))
    edges = np.linspace(0.0, 1.0, 41)
    found = ring_means(Opening("disk", 80).solve(sf.Linear(wagner)).faces("plate"), edges)
    means = np.diff(exact.cumulative(edges)) / np.diff(edges**2)
    assert found[:-1] == pytest.approx(means[:-1], rel=interior)
    assert found[-1] == pytest.approx(means[-1], rel=rim)


def test_disk_below_a_half_spheroid_is_right_on_a_staircase():
    errors = []
    exact = bodies.spheroid_resistance(1.0, 2.0)
    for step in (1 / 20, 1 / 40, 1 / 80):
        edges = np.arange(0.0, 2.4 + step / 2, step)
        grid = sf.Grid.axisymmetric(edges, np.concatenate([[-step], edges]))
        found = solve_plane(
            grid,
            lambda r, z: (z > 0) | (r < 1),
            Body("disk", lambda r, z: (z < 0) & (r < 1), 1.0),
            Body("counter", lambda r, z: (z > 0) & (bodies.oblate_xi(r, z) > 2.0)),
        )
        errors.append(abs(1 / found.currents["disk"] / exact - 1))
    assert errors[0] < 0.03
    assert errors[1] < 0.02
    assert math.log2(errors[0] / errors[2]) / 2 == pytest.approx(1.0, abs=0.1)


def test_two_confocal_half_spheroids_are_right_on_a_staircase():
    edges = np.arange(0.0, 2.41, 1 / 40)
    found = solve_plane(
        sf.Grid.axisymmetric(edges, edges),
        1.0,
        Body("inner", lambda r, z: bodies.oblate_xi(r, z) < 0.5, 1.0),
        Body("outer", lambda r, z: bodies.oblate_xi(r, z) > 2.0),
    )
    exact = bodies.spheroid_resistance(1.0, 2.0, inner=0.5)
    assert 1 / found.currents["inner"] == pytest.approx(exact, rel=0.01)


def test_disk_in_a_half_space_on_a_round_grid_with_the_exact_field_around_it():
    """I = 4 kappa a V, by the exact potential on the faces of a finite cylinder."""
    size, ratios, worst = 2.0, [], []

    def exact(r: np.ndarray, z: np.ndarray) -> np.ndarray:
        return bodies.oblate_potential(np.minimum(r, size), np.clip(z, 0.0, size))

    for fineness in (20, 40, 80):
        step = 1 / fineness
        out = np.arange(2 * fineness + 2) * step
        grid = sf.Grid.axisymmetric(out, np.concatenate([[-step], out]))
        found = solve_plane(
            grid,
            lambda r, z: (z > 0) | (r < 1),
            Body("disk", lambda r, z: (z < 0) & (r < 1), 1.0),
            Body("far", lambda r, z: (z > 0) & (np.maximum(r, z) > size), exact),
        )
        ratios.append(found.currents["disk"] * bodies.disk_resistance(1.0))
        r, z = np.meshgrid(grid.centres[0], grid.centres[2])
        away = (z > 0) & (np.hypot(r - 1, z) > 0.5)
        worst.append(np.abs(found.potential[:, 0] - exact(r, z))[away].max())
    assert [1 / ratio for ratio in ratios] == pytest.approx([1.0, 1.0, 1.0], rel=0.03)
    assert observed_orders(ratios, 1.0) == pytest.approx([1.0, 1.0], abs=0.03)
    assert 2 * ratios[2] - ratios[1] == pytest.approx(1.0, abs=1e-4)
    assert worst[2] < 2e-3
    assert worst[0] / worst[2] == pytest.approx(4.0, rel=0.05)


@pytest.mark.parametrize(
    ("fineness", "current", "field"), [(8, 0.035, 9e-3), pytest.param(32, 0.012, 3e-3, id="fine")]
)
def test_disk_in_three_dimensions_with_the_exact_field_around_it(fineness, current, field):
    """A quarter of the disk on a plain Cartesian grid: no truncation, no counter staircase."""
    step, size = 1 / fineness, 2.0
    out = np.arange(2 * fineness + 2) * step
    grid = sf.Grid.box(out, out, np.concatenate([[-step], out]))
    z, y, x = np.meshgrid(*reversed(grid.centres), indexing="ij")
    disk = (z < 0) & (np.hypot(x, y) < 1)
    far = (z > 0) & (np.maximum(np.maximum(x, y), z) > size)
    x_face, y_face = np.minimum(x, size), np.minimum(y, size)
    exact = bodies.oblate_potential(np.hypot(x_face, y_face), np.clip(z, 0.0, size))
    found = sf.solve_potential(
        grid,
        np.where((z > 0) | disk, 1.0, 0.0),
        [sf.Electrode("disk", disk, 1.0), sf.Electrode("far", far, exact)],
    )
    assert found.currents["disk"] == pytest.approx(1.0, rel=current)  # a quarter of 4 kappa a V
    away = (z > 0) & (np.hypot(np.hypot(x, y) - 1, z) > 0.5)
    assert np.abs(found.potential - exact)[away].max() < field
