"""The 267 mL Hull cell: potential field by a conformal map, and the trade's empirical law.

Sources: Schwarz-Christoffel map (`conformal_maps.HullCell`; finite elements agree to 3e-7); West,
Matlosz & Landolt, J. Appl. Electrochem. 22 (1992) 301 (same problem); Metal Finishing Guidebook
2013, Hull-cell chapter (law). The law is a plausibility band, not a check of the solver.
"""

from __future__ import annotations

import numpy as np
import pytest
from cells import Body, solve_plane

import simulate as sf
from simulate.exact.conformal_maps import HullCell, hull_cell_law
from simulate.field.potential import Field

CELL = HullCell()
SLOPE = (CELL.far - CELL.near) / CELL.anode


def staircase(fineness: int) -> Field:
    """The trapezoid on square cells: anode at x = 0, the slanted cathode a staircase."""
    step = CELL.anode / fineness
    along = np.arange(-1, int(CELL.far / step) + 2) * step
    across = np.arange(fineness + 1) * step
    return solve_plane(
        sf.Grid.section(along, across),
        1.0,
        Body("cathode", lambda x, z: x > CELL.far - SLOPE * z),
        Body("anode", lambda x, z: x < 0, 1.0),
    )


def from_near_end(field: Field) -> tuple[np.ndarray, np.ndarray]:
    """Position of each cathode face along the cathode [m], and its current [A per metre]."""
    faces = field.faces("cathode")
    away = ((CELL.far - faces.x) * (CELL.far - CELL.near) + faces.z * CELL.anode) / CELL.cathode
    return CELL.cathode - away, -faces.density * faces.area


def test_hull_cell_on_a_staircase_has_the_maps_resistance():
    exact = CELL.resistance(1.0)
    errors = [1 / staircase(n).currents["anode"] / exact - 1 for n in (40, 80, 160)]
    assert abs(errors[0]) < 0.01
    assert abs(errors[2]) < 0.002


def test_hull_cell_on_a_staircase_has_the_maps_current_along_the_cathode():
    """Share of the current up to each of eleven points; one stair carries 0.5 % of it."""
    place, current = from_near_end(staircase(160))
    points = np.linspace(0.0, CELL.cathode, 13)[1:-1]
    shares = np.array([current[place < point].sum() for point in points]) / current.sum()
    assert shares == pytest.approx(CELL.cumulative(points), abs=0.004)
    wide = np.linspace(0.0, CELL.cathode, 5)
    means = np.histogram(place, wide, weights=current)[0] / current.sum() * 4
    assert means == pytest.approx(np.diff(CELL.cumulative(wide)) * 4, rel=0.02)


def test_the_trades_law_lies_within_a_third_of_the_solved_current():
    place, current = from_near_end(staircase(160))
    edges = np.linspace(0.0064, 0.0825, 8)
    solved = np.histogram(place, edges, weights=current)[0] / current.sum()
    points = np.linspace(edges[:-1], edges[1:], 21)
    law = hull_cell_law(points, 1.0).mean(axis=0) * 0.0482 * np.diff(edges)
    assert np.all(np.abs(solved / law - 1) < 0.35)
    assert solved[0] < law[0]
    assert solved[-1] > law[-1]
