"""Current near the corner of an electrode with an insulator: i ~ r^(pi / 2 beta - 1).

Source: Jackson, Classical Electrodynamics, sec. 2.11 (from memory). The exact field
r^l sin(l theta) is imposed on a square around the corner; the fitted exponent is that of the
density between 8 cells and half the square. Slanted insulators are partly filled cells.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from cells import Body, solve_plane

import simulate as sf
from simulate.exact import corners
from simulate.field.potential import FaceRecord

FINENESS = 128


def open_share(x: np.ndarray, z: np.ndarray, angle: float) -> np.ndarray:
    """Share of each cell inside the wedge 0 < theta < angle, by 8 x 8 points."""
    points = ((np.arange(8) + 0.5) / 8 - 0.5) / FINENESS
    share = np.zeros_like(x)
    for dx in points:
        for dz in points:
            theta = np.mod(np.arctan2(z + dz, x + dx), 2 * math.pi)
            share += (theta < angle) & (z > 0)
    return share / 64


def around_the_corner(degrees: float) -> FaceRecord:
    """Electrode on 0 < x < 1, z = 0 at 0 V, insulator at the angle, exact field around."""
    angle = math.radians(degrees)
    step = 1 / FINENESS
    left = -FINENESS - 1 if degrees > 90 else 0
    grid = sf.Grid.section(np.arange(left, FINENESS + 2) * step, np.arange(-1, FINENESS + 2) * step)

    def exact(x: np.ndarray, z: np.ndarray) -> np.ndarray:
        return corners.corner_potential(np.clip(x, -1, 1), np.clip(z, 0, 1), angle)

    def outside(x: np.ndarray, z: np.ndarray) -> np.ndarray:
        return (np.maximum(np.abs(x), z) > 1) & (open_share(x, z, angle) > 0)

    return solve_plane(
        grid,
        lambda x, z: open_share(x, z, angle),
        Body("metal", lambda x, z: (z < 0) & (x > 0) & (x < 1), 0.0),
        Body("around", outside, exact),
    ).faces("metal")


def fitted_exponent(faces: FaceRecord) -> float:
    use = (faces.x > 8 / FINENESS) & (faces.x < 0.5)
    return float(np.polyfit(np.log(faces.x[use]), np.log(-faces.density[use]), 1)[0])


@pytest.mark.parametrize("degrees", [45, 60, 90, 120, 135, 180])
def test_current_near_a_corner_has_its_exponent(degrees):
    exponent = corners.corner_exponent(math.radians(degrees))
    assert fitted_exponent(around_the_corner(degrees)) == pytest.approx(exponent, abs=0.02)


@pytest.mark.parametrize("degrees", [60, 120, 180])
def test_current_near_a_corner_has_its_size_away_from_it(degrees):
    faces = around_the_corner(degrees)
    power = 0.5 * math.pi / math.radians(degrees)
    away = (faces.x > 0.3) & (faces.x < 0.9)
    exact = -power * faces.x ** (power - 1)
    assert faces.density[away] == pytest.approx(exact[away], rel=0.004)


def test_a_square_corner_passes_its_uniform_current_exactly():
    assert around_the_corner(90).density == pytest.approx(-1.0, rel=1e-7)


def test_current_near_an_electrodes_own_edge_has_the_exponent_of_the_lip():
    """An electrode fills x > 0, z < 0; the other three quadrants are electrolyte."""
    step, angle = 1 / FINENESS, 1.5 * math.pi
    edges = np.arange(-FINENESS - 1, FINENESS + 2) * step

    def exact(x: np.ndarray, z: np.ndarray) -> np.ndarray:
        x, z = np.clip(x, -1, 1), np.clip(z, -1, 1)
        theta = np.mod(np.arctan2(z, x), 2 * math.pi)
        return np.hypot(x, z) ** (2 / 3) * np.sin(2 / 3 * np.minimum(theta, angle))

    found = solve_plane(
        sf.Grid.section(edges, edges),
        1.0,
        Body("metal", lambda x, z: (x > 0) & (z < 0)),
        Body("around", lambda x, z: (np.maximum(abs(x), abs(z)) > 1) & ~((x > 0) & (z < 0)), exact),
    ).faces("metal")
    top = found.axis == 0
    use = top & (found.x > 8 * step) & (found.x < 0.5)
    slope = np.polyfit(np.log(found.x[use]), np.log(-found.density[use]), 1)[0]
    assert slope == pytest.approx(corners.lip_exponent(angle), abs=0.02)
    assert found.density[top].sum() == pytest.approx(found.density[~top].sum(), rel=1e-8)
