"""Shells and wedges: separation of variables, on grids that fit and on staircases.

Source: textbook integration of Laplace's equation (closed forms in `simulate.exact`).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from cells import REFERENCE, Body, solve_plane

import simulate as sf
from simulate.exact import bodies, corners


@pytest.mark.parametrize("rho", [0.0, 0.5])
def test_cylinders_on_a_radial_grid_are_exact(rho):
    radii = REFERENCE["cylinders"]["radii"]
    grid = sf.Grid.axisymmetric(np.linspace(0.8, 3.2, 13), [0.0, 0.7])
    law = sf.Linear(rho) if rho else None
    found = solve_plane(
        grid, 1.0, Body("in", lambda r, z: r < 1, 1.0, law), Body("out", lambda r, z: r > 3)
    )
    exact = 1 / bodies.coaxial_cylinders_resistance(radii, [1.0], interface_resistance=rho)
    assert found.currents["in"] / 0.7 == pytest.approx(exact, rel=1e-7)


def test_layered_cylinders_on_a_radial_grid_are_exact():
    grid = sf.Grid.axisymmetric(np.array([0.9, 1.0, 1.3, 1.6, 2.0, 2.3, 3.0, 3.1]), [0.0, 1.0])
    found = solve_plane(
        grid,
        lambda r, z: np.where(r < 2, 5.0, 0.2),
        Body("in", lambda r, z: r < 1, 1.0),
        Body("out", lambda r, z: r > 3),
    )
    exact = bodies.coaxial_cylinders_resistance([1, 2, 3], [5.0, 0.2])
    assert 1 / found.currents["in"] == pytest.approx(exact, rel=1e-7)


@pytest.mark.parametrize("rho", [0.0, 0.5])
def test_cylinders_on_a_staircase_are_within_one_per_cent(rho):
    edges = np.arange(0.0, 3.21, 0.05)
    law = sf.Linear(rho) if rho else None
    found = solve_plane(
        sf.Grid.section(edges, edges),
        1.0,
        Body("in", lambda x, z: np.hypot(x, z) < 1, 1.0, law),
        Body("out", lambda x, z: np.hypot(x, z) > 3),
    )
    inner = found.faces("in").area.sum() / (math.pi / 2)  # the staircase is longer than the arc
    exact = bodies.coaxial_cylinders_resistance([1, 3], [1.0], interface_resistance=rho / inner)
    assert 4 * found.currents["in"] == pytest.approx(1 / exact, rel=0.01)


def test_spheres_on_a_staircase_are_within_one_per_cent_and_improve():
    exact = REFERENCE["spheres"]["current"][0]
    errors = []
    for step in (0.05, 0.0125):
        edges = np.arange(0.0, 3.2 + step / 2, step)
        found = solve_plane(
            sf.Grid.axisymmetric(edges, edges),
            1.0,
            Body("in", lambda r, z: np.hypot(r, z) < 1, 1.0),
            Body("out", lambda r, z: np.hypot(r, z) > 3),
        )
        errors.append(abs(2 * found.currents["in"] / exact - 1))
    assert errors[0] < 0.01
    assert errors[1] < 0.002


def test_spheres_in_three_dimensions_on_a_staircase_are_within_one_per_cent():
    edges = np.arange(0.0, 3.21, 0.0625)
    grid = sf.Grid.box(edges, edges, edges)
    z, y, x = np.meshgrid(*reversed(grid.centres), indexing="ij")
    distance = np.sqrt(x**2 + y**2 + z**2)
    electrodes = [sf.Electrode("in", distance < 1, 1.0), sf.Electrode("out", distance > 3)]
    found = sf.solve_potential(grid, np.ones(grid.shape), electrodes)
    assert 8 * found.currents["in"] == pytest.approx(REFERENCE["spheres"]["current"][0], rel=0.01)


def test_a_right_angled_wedge_has_its_resistance_on_a_staircase():
    """Plates along x and z from 0.5 to 2, the arcs that close the wedge insulating."""
    step = 1 / 80
    edges = np.arange(-1, 161) * step

    def plate(along: np.ndarray, across: np.ndarray) -> np.ndarray:
        return (across < 0) & (along > 0.5) & (along < 2)

    found = solve_plane(
        sf.Grid.section(edges, edges),
        lambda x, z: (np.hypot(x, z) > 0.5) & (np.hypot(x, z) < 2) & (x > 0) & (z > 0),
        Body("floor", lambda x, z: plate(x, z), 1.0),
        Body("wall", lambda x, z: plate(z, x)),
    )
    exact = corners.wedge_resistance(math.pi / 2, 0.5, 2.0)
    assert 1 / found.currents["floor"] == pytest.approx(exact, rel=0.01)


def test_a_right_angled_wedge_has_its_density_when_the_field_around_it_is_exact():
    """phi = 2 theta / pi imposed on the square's other sides and on a square at the corner."""
    step, size, corner = 1 / 64, 2.0, 0.5
    edges = np.arange(-1, 130) * step

    def angle(x: np.ndarray, z: np.ndarray) -> np.ndarray:
        """Of the nearest point of the electrolyte, so that faces carry their own value."""
        block = np.maximum(x, z) < corner
        x, z = np.clip(x, 0, size), np.clip(z, 0, size)
        x = np.where(block & (x >= z), corner, x)
        z = np.where(block & (x < z), corner, z)
        return 2 / math.pi * np.arctan2(z, x)

    def rest(x: np.ndarray, z: np.ndarray) -> np.ndarray:
        inner, outer = np.maximum(x, z) < corner, np.maximum(x, z) > size
        return (inner | outer) & (x > 0) & (z > 0)

    found = solve_plane(
        sf.Grid.section(edges, edges),
        lambda x, z: (x > 0) & (z > 0),
        Body("floor", lambda x, z: (z < 0) & (x > corner) & (x < size), 0.0),
        Body("wall", lambda x, z: (x < 0) & (z > corner) & (z < size), 1.0),
        Body("rest", rest, angle),
    )
    faces = found.faces("floor")
    exact = -corners.wedge_density(faces.x, math.pi / 2)
    away = (faces.x > corner + 0.2) & (faces.x < size - 0.2)
    assert faces.density[away] == pytest.approx(exact[away], rel=2e-3)
    middle = (faces.x > 1.0) & (faces.x < 1.5)
    assert faces.density[middle] == pytest.approx(exact[middle], rel=1e-3)
