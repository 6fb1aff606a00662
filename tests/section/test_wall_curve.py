"""A wall as a curve: areas, normals, mirrored ends, and shifts that close a volume."""

from __future__ import annotations

import numpy as np
import pytest
from cavities import arc

from simulate.errors import InputError
from simulate.section.wall_curve import Wall


def circle(radius: float, count: int) -> Wall:
    angle = 2.0 * np.pi * np.arange(count) / count
    return Wall(radius * np.column_stack([np.cos(angle), np.sin(angle)]), None)


def test_area_length_and_volume_of_round_walls_are_found_to_fourth_order():
    errors = []
    for count in (16, 32):
        whole = circle(2.0, count)
        quarter = Wall(arc(2.0, count), ("upright", "level"))
        bowl = Wall(arc(2.0, count), ("upright", "level"), round=True)
        errors.append(
            [
                abs(whole.volume / (4.0 * np.pi) - 1.0),
                abs(whole.length / (4.0 * np.pi) - 1.0),
                abs(quarter.volume / np.pi - 1.0),
                abs(bowl.volume / (16.0 * np.pi / 3.0) - 1.0),
                abs(bowl.surface() / (8.0 * np.pi) - 1.0),
            ]
        )
    assert (np.log2(np.divide(*errors)) > 3.5).all()
    assert max(errors[1]) < 1e-5


def test_normals_point_into_the_metal_and_mirrored_ends_are_met_square():
    wall = Wall(arc(1.0, 12), ("upright", "level"))
    normals = wall.normals(wall.knots)
    np.testing.assert_allclose(normals, wall.points, atol=1e-4)
    assert normals[0, 0] == pytest.approx(0.0, abs=1e-15)
    assert normals[-1, 1] == pytest.approx(0.0, abs=1e-15)
    level = Wall(np.column_stack([np.linspace(0, 1, 6), np.full(6, -0.5)]), ("upright", "upright"))
    np.testing.assert_allclose(level.normals(level.knots), [[0.0, -1.0]] * 6, atol=1e-15)
    assert level.volume == pytest.approx(0.5, rel=1e-15)


def test_ends_stay_on_their_lines():
    wall = Wall(arc(1.0, 12), ("upright", "level")).moved(np.full((12, 2), 0.1))
    assert wall.points[0, 0] == 0.0
    assert wall.points[-1, 1] == 0.0


@pytest.mark.parametrize("round", [False, True])
def test_a_shift_closes_the_volume_to_rounding(round):
    wall = Wall(arc(1.0, 20), ("upright", "level"), round)
    wanted = 1.21 * wall.volume
    closed, shift = wall.closed_on(wanted)
    assert closed.volume == pytest.approx(wanted, rel=1e-14)
    assert shift == pytest.approx(1.21 ** (1 / 3 if round else 0.5) - 1.0, rel=1e-4)


def test_points_set_anew_stay_on_the_curve_at_the_distance_asked_for():
    wall = circle(1.0, 60)
    new = wall.respaced(lambda places: 0.05 + 0.05 * (places[:, 0] > 0.0))
    assert np.abs(np.hypot(*new.points.T) - 1.0).max() < 1e-5
    chords = np.hypot(*np.diff(new.points, axis=0).T)
    right = new.points[:-1, 0] > 0.1
    assert chords[right] == pytest.approx(0.1, rel=0.03)
    assert chords[new.points[:-1, 0] < -0.1] == pytest.approx(0.05, rel=0.03)


def test_what_is_no_curve_is_refused():
    with pytest.raises(InputError, match="5 or more"):
        Wall(np.zeros((3, 2)), None)
    with pytest.raises(InputError, match="coincide"):
        Wall(np.zeros((6, 2)), None)
