"""A uniform current entering a 3-D box through a square patch: the double cosine series.

Source: separation of variables (`patch_potential`). The imposed current is an
electrode behind a polarisation resistance of 1e7, so that the potential changes it by 1e-7.
"""

from __future__ import annotations

import numpy as np
import pytest
from cells import REFERENCE

import simulate as sf
from simulate.exact import moving_patch
from simulate.result.grid_convergence import grid_convergence

TABLE = REFERENCE["flux_patch"]


def floor_potential(fineness: int) -> tuple[np.ndarray, np.ndarray]:
    """Cell centres along x and the floor's potential over a quarter of the box, [y, x]."""
    across = np.arange(3 * fineness + 1) / fineness
    up = np.arange(-1, 2 * fineness + 2) / fineness
    grid = sf.Grid.box(across, across, up)
    x, y, _ = grid.centres
    patch = (x < 1) & (y[:, None] < 1)
    cells = np.zeros((2, *grid.shape), dtype=bool)
    cells[0, 0], cells[1, -1] = patch, True
    conductivity = np.ones(grid.shape)
    conductivity[0] = patch
    behind = 1e7
    electrodes = [
        sf.Electrode("patch", cells[0], behind, sf.Linear(behind)),
        sf.Electrode("lid", cells[1]),
    ]
    field = sf.solve_potential(grid, conductivity, electrodes, tolerance=1e-12)
    assert field.currents["patch"] == pytest.approx(1.0, rel=2e-7)
    return x, field.potential[1] + patch * 0.5 / fineness  # from the centre to the floor


def test_patch_has_the_tables_mean_and_a_centre_of_second_order():
    means, errors = [], []
    for fineness in (10, 20):
        x, floor = floor_potential(fineness)
        means.append(float(floor[np.ix_(x < 1, x < 1)].mean()))
        exact = float(moving_patch.patch_potential(x[0], x[0], patch=(1, 1), box=(3, 3, 2)))
        errors.append(abs(floor[0, 0] / exact - 1))
    assert errors[0] < 0.002
    assert errors[0] / errors[1] == pytest.approx(4.0, rel=0.02)
    extrapolated = grid_convergence(means[::-1], 2.0, order=1.8).extrapolated
    assert extrapolated == pytest.approx(TABLE["mean"], rel=0.0005)


def test_patch_has_the_series_potential_away_from_its_edge():
    x, floor = floor_potential(20)
    far = np.abs(x - 1) > 0.25
    places = np.flatnonzero(far)[::6]
    across, along = np.meshgrid(x[places], x[places])
    exact = moving_patch.patch_potential(across, along, patch=(1, 1), box=(3, 3, 2))
    assert floor[np.ix_(places, places)] == pytest.approx(exact, rel=0.002)
