"""Cells: edges, centres, areas, distances, and what is refused."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

import simulate as sf

X = np.array([0.0, 0.5, 1.5, 3.0])
Y = np.array([-1.0, 1.0, 2.0])
Z = np.array([0.0, 0.1, 0.3, 0.6, 1.0])


def test_arrays_over_cells_are_indexed_z_y_x():
    assert sf.Grid.box(X, Y, Z).shape == (4, 2, 3)
    assert sf.Grid.section(X, Z).shape == (4, 1, 3)
    assert sf.Grid.axisymmetric(X, Z).shape == (4, 1, 3)


def test_a_box_keeps_its_edges_and_halves_them_for_centres():
    grid = sf.Grid.box(X, Y, Z)
    for kept, given in ((grid.x, X), (grid.y, Y), (grid.z, Z)):
        assert (kept == given).all()
    x, y, z = grid.centres
    assert x == pytest.approx([0.25, 1.0, 2.25])
    assert y == pytest.approx([0.0, 1.5])
    assert z == pytest.approx([0.05, 0.2, 0.45, 0.8])


def test_halves_on_either_side_of_a_centre_make_the_cell():
    x_below, x_above, y_below, y_above, z_below, z_above = sf.Grid.box(X, Y, Z).halves
    for below, above, edges in (
        (x_below, x_above, X),
        (y_below, y_above, Y),
        (z_below, z_above, Z),
    ):
        assert below + above == pytest.approx(np.diff(edges), rel=1e-15)
        assert below == pytest.approx(above)


def test_a_section_is_one_metre_deep():
    grid = sf.Grid.section(X, Z)
    assert (grid.y == [0.0, 1.0]).all()
    assert grid.plan_areas == pytest.approx(np.diff(X)[None, :])


def test_plan_areas_of_a_box_are_products_of_its_widths():
    areas = sf.Grid.box(X, Y, Z).plan_areas
    assert areas.shape == (2, 3)
    assert areas == pytest.approx(np.outer(np.diff(Y), np.diff(X)))


def test_rings_fill_the_disk():
    r = np.array([0.0, 0.3, 0.4, 1.1])
    areas = sf.Grid.axisymmetric(r, Z).plan_areas
    assert areas.sum() == pytest.approx(math.pi * 1.1**2, rel=1e-15)
    assert areas[0, 1] == pytest.approx(math.pi * (0.4**2 - 0.3**2), rel=1e-14)


def test_radial_halves_add_up_to_the_logarithm_of_the_radii():
    """Between two centres: below + above = ln(r2 / r1), whatever the face between them."""
    r = np.array([0.2, 0.3, 0.7, 1.1])
    grid = sf.Grid.axisymmetric(r, Z)
    below, above = grid.halves[:2]
    centre = grid.centres[0]
    assert above[:-1] + below[1:] == pytest.approx(np.log(centre[1:] / centre[:-1]), rel=1e-14)
    assert below + above == pytest.approx(np.log(r[1:] / r[:-1]), rel=1e-14)


def test_an_axis_has_no_radial_face():
    """r = 0 lies infinitely far in the logarithm: no current can come from there."""
    below = sf.Grid.axisymmetric([0.0, 1.0, 2.0], Z).halves[0]
    assert below[0] == math.inf
    assert np.isfinite(below[1:]).all()


def test_a_radial_face_goes_once_round():
    grid = sf.Grid.axisymmetric(X, Z)
    edge = np.array([0, 1, 3])
    assert grid.x_face_factor(edge) == pytest.approx(2 * math.pi * X[edge])
    assert grid.radial == pytest.approx(2 * math.pi)
    assert sf.Grid.box(X, Y, Z).x_face_factor(edge) == pytest.approx(1.0)
    assert sf.Grid.box(X, Y, Z).radial == pytest.approx(1.0)


def test_edges_are_copied_and_cannot_be_changed():
    mine = X.copy()
    grid = sf.Grid.box(mine, Y, Z)
    mine[0] = -7.0
    assert grid.x[0] == 0.0
    with pytest.raises(ValueError, match="read-only"):
        grid.x[0] = 1.0
    with pytest.raises(dataclasses.FrozenInstanceError):
        grid.kind = "section"


def test_lists_and_whole_numbers_are_edges_too():
    grid = sf.Grid.box([0, 1, 2], (0, 3), range(4))
    assert grid.x.dtype == np.float64
    assert grid.shape == (3, 1, 2)


@pytest.mark.parametrize(
    ("make", "key"),
    [
        (lambda: sf.Grid.box([0.0, 1.0, 1.0], Y, Z), "x"),
        (lambda: sf.Grid.box(X, [2.0, 1.0], Z), "y"),
        (lambda: sf.Grid.box(X, Y, [0.0]), "z"),
        (lambda: sf.Grid.box(X, Y, [0.0, math.nan, 1.0]), "z"),
        (lambda: sf.Grid.box(X, Y, [0.0, math.inf]), "z"),
        (lambda: sf.Grid.box([[0.0, 1.0], [2.0, 3.0]], Y, Z), "x"),
        (lambda: sf.Grid.section([], Z), "x"),
        (lambda: sf.Grid.section(X, Z[::-1]), "z"),
        (lambda: sf.Grid.axisymmetric([-0.1, 1.0], Z), "r"),
        (lambda: sf.Grid.axisymmetric([0.0, 0.0], Z), "r"),
    ],
)
def test_edges_that_are_none_are_refused_by_name(make, key):
    with pytest.raises(sf.InputError) as caught:
        make()
    (fault,) = caught.value.faults
    assert fault.key == key
    assert fault.expected


def test_every_axis_that_is_at_fault_is_reported():
    with pytest.raises(sf.InputError) as caught:
        sf.Grid.box([1.0, 0.0], [0.0], [0.0, math.nan])
    assert [fault.key for fault in caught.value.faults] == ["x", "y", "z"]
    with pytest.raises(sf.InputError) as caught:
        sf.Grid.axisymmetric([-1.0, 1.0], [2.0, 2.0])
    assert [fault.key for fault in caught.value.faults] == ["r", "z"]
