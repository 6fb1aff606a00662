"""Curves, rings and letters become the areas they should."""

from __future__ import annotations

from math import pi

import numpy as np
import pytest
import shapely

from simulate.stencil.outlines import (
    FLATNESS,
    FONTS,
    as_areas,
    circle_points,
    curve_points,
    fill_rings,
    letters,
    missing_glyphs,
    moved_areas,
    winding_numbers,
)

SQUARE = [(0, 0), (4, 0), (4, 4), (0, 4)]
INNER = [(1, 1), (3, 1), (3, 3), (1, 3)]


@pytest.mark.parametrize("radius", [20e-6, 0.2e-3, 5e-3, 80e-3])
def test_a_circle_has_its_exact_area_and_its_rim_within_the_flatness(radius):
    points = circle_points(0.02, -0.01, radius)
    assert shapely.Polygon(points).area == pytest.approx(pi * radius**2, rel=1e-13)
    middles = 0.5 * (points + np.roll(points, 1, axis=0))
    for ring in (points, middles):
        assert np.abs(np.hypot(*(ring - [0.02, -0.01]).T) - radius).max() <= FLATNESS


def test_a_circle_keeps_the_mirror_symmetries_of_the_plan():
    x, y = circle_points(0.0, 0.0, 3e-3).T
    points = {(round(a, 15), round(b, 15)) for a, b in zip(x, y, strict=True)}
    for mirrored in ((-x, y), (x, -y), (y, x)):
        assert {
            (round(a, 15) + 0.0, round(b, 15) + 0.0) for a, b in zip(*mirrored, strict=True)
        } == {(a + 0.0, b + 0.0) for a, b in points}


@pytest.mark.parametrize("flatness", [1e-2, 1e-4])
@pytest.mark.parametrize("controls", [[(0, 0), (1, 2), (3, 0)], [(0, 0), (1, 2), (2, -3), (3, 1)]])
def test_chords_stay_within_the_flatness_of_a_bezier_curve(controls, flatness):
    t = np.linspace(0, 1, 4001)[:, None]
    control = np.array(controls, dtype=float)
    if len(control) == 3:
        exact = (1 - t) ** 2 * control[0] + 2 * t * (1 - t) * control[1] + t**2 * control[2]
    else:
        exact = (1 - t) ** 3 * control[0] + 3 * t * (1 - t) ** 2 * control[1]
        exact = exact + 3 * t**2 * (1 - t) * control[2] + t**3 * control[3]
    chords = shapely.LineString(np.vstack([control[:1], curve_points(controls, flatness)]))
    departure = shapely.distance(chords, shapely.points(exact)).max()
    assert departure <= flatness
    assert departure > flatness / 50  # not many more chords than needed


def test_the_two_fill_rules_differ_where_rings_turn_the_same_way():
    assert fill_rings([SQUARE, INNER], "nonzero").area == pytest.approx(16)
    assert fill_rings([SQUARE, INNER], "evenodd").area == pytest.approx(12)
    assert fill_rings([SQUARE, INNER[::-1]], "nonzero").area == pytest.approx(12)


def test_a_ring_that_crosses_itself_is_filled_by_its_winding():
    turns = 2 * np.pi * 2 / 5 * np.arange(5)
    star = np.column_stack([np.cos(turns), np.sin(turns)])
    whole, points_only = fill_rings([star], "nonzero"), fill_rings([star], "evenodd")
    centre = shapely.Point(0, 0)
    assert whole.contains(centre)
    assert not points_only.contains(centre)
    assert whole.area - points_only.area == pytest.approx(
        5 * 0.5 * (np.cos(0.4 * np.pi) / np.cos(0.2 * np.pi)) ** 2 * np.sin(0.4 * np.pi)
    )


def test_rings_without_area_fill_nothing():
    assert fill_rings([]).is_empty
    assert fill_rings([[(0, 0), (1, 0), (0, 0)]]).is_empty
    assert fill_rings([[(0, 0), (1, 0), (2, 0), (1, 0)]]).is_empty


def test_winding_counts_the_turns_and_their_sense():
    loop = np.array([*SQUARE, SQUARE[0]], dtype=float)
    points = np.array([(2.0, 2.0), (5.0, 2.0), (-1.0, 4.0)])
    assert winding_numbers([loop], points).tolist() == [1, 0, 0]
    assert winding_numbers([loop[::-1], loop[::-1]], points).tolist() == [-2, 0, 0]


def test_areas_drop_points_and_lines_and_turn_outlines_anticlockwise():
    mixed = shapely.GeometryCollection(
        [
            shapely.Point(0, 0),
            shapely.LineString([(0, 0), (1, 1)]),
            shapely.GeometryCollection([shapely.Polygon(SQUARE[::-1], [INNER])]),
        ]
    )
    areas = as_areas(mixed)
    assert areas.area == pytest.approx(12)
    assert areas.geoms[0].exterior.is_ccw
    assert not areas.geoms[0].interiors[0].is_ccw
    assert as_areas(shapely.Point(0, 0)).is_empty


def test_a_hole_that_touches_its_outline_stays_a_hole_however_it_is_turned():
    outline = [(0, 0), (3e-3, 0), (3e-3, 3e-3), (0, 3e-3)]
    area = shapely.Polygon(outline, [[(1e-3, 1e-3), (2e-3, 1e-3), (3e-3, 2e-3)]])
    for angle in np.linspace(0, 3, 40):
        turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
        moved = moved_areas(area, lambda points, turn=turn: points @ turn + [0.02, 0.01])
        assert moved.is_valid
        assert moved.area == pytest.approx(8.5e-6, rel=1e-9)


@pytest.mark.parametrize("font", FONTS)
def test_a_capital_h_is_as_high_as_asked(font):
    left, bottom, right, top = letters("H", 5e-3, font).bounds
    assert (bottom, top) == (0.0, pytest.approx(5e-3, rel=1e-12))
    assert 0.5e-3 < right - left < 7e-3


def test_letters_have_their_loops_and_their_size_scales():
    assert [len(letters(c, 5e-3).geoms[0].interiors) for c in "HOB8"] == [0, 1, 2, 2]
    assert letters("Rg", 10e-3).area == pytest.approx(4 * letters("Rg", 5e-3).area, rel=1e-3)


def test_the_letter_o_has_the_area_of_its_curves():
    # the outline of O in this font by Green's theorem on its quadratic arcs, no flattening
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import TextPath

    path = TextPath((0, 0), "O", size=100, prop=FontProperties(family="DejaVu Sans"))
    area, last, start, k = 0.0, np.zeros(2), np.zeros(2), 0
    points, codes = np.asarray(path.vertices), list(path.codes)
    while k < len(codes):
        if codes[k] == 1:
            last = start = points[k]
        elif codes[k] == 2:
            area += 0.5 * np.linalg.det([last, points[k]])
            last = points[k]
        elif codes[k] == 3:
            a, b, c = last, points[k], points[k + 1]
            dets = [np.linalg.det(pair) for pair in ((a, b), (b, c), (a, c))]
            area += (2 * dets[0] + 2 * dets[1] + dets[2]) / 6
            last, k = c, k + 1
        else:
            area += 0.5 * np.linalg.det([last, start])
        k += 1
    cap = 100 * 1493 / 2048
    ours = letters("O", 5e-3)
    exact = abs(area) * (5e-3 / cap) ** 2
    assert ours.area == pytest.approx(exact, abs=0.7 * FLATNESS * ours.length)
    assert ours.area == pytest.approx(exact, rel=1e-3)


def test_kerning_is_the_fonts_own():
    def width(text):
        left, _, right, _ = letters(text, 5e-3).bounds
        return right - left

    assert width("AV") < 0.97 * width("AA")  # the two letters are equally wide
    assert width("HH") > 2 * width("H")


def test_a_dollar_sign_is_a_letter_and_not_mathematics():
    assert len(letters("$x$", 5e-3).geoms) == 3


def test_missing_characters_are_named_once_each():
    assert missing_glyphs("Ok ß") == []
    assert missing_glyphs("中a中文") == ["中", "文"]
