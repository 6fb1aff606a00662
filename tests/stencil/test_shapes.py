"""Openings stand on the cells exactly, and are measured rightly."""

from __future__ import annotations

from dataclasses import FrozenInstanceError, replace
from math import nan, pi, sqrt

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from simulate.errors import InputError
from simulate.kernels import coverage
from simulate.stencil.measure import (
    area_fractions,
    local_width,
    rim_distance,
    rim_segments,
    ring_points,
)
from simulate.stencil.shapes import (
    Circle,
    Polygon,
    Rectangle,
    Ring,
    Stencil,
    Text,
    openings,
    shape_area,
)

MM = 1e-3
MIXED = Stencil(
    150e-6,
    (
        Text("Rb & 8ß", 16 * MM, 15 * MM, 6 * MM),
        Ring(6 * MM, 5 * MM, 8 * MM, 5 * MM),
        Rectangle(18 * MM, 5 * MM, 9 * MM, 3 * MM, 0.3),
        Circle(20 * MM, 6 * MM, 4 * MM),
        Polygon(((26 * MM, 1 * MM), (33 * MM, 2 * MM), (29 * MM, 9 * MM))),
    ),
)


def graded(start: float, stop: float, count: int, seed: int) -> np.ndarray:
    """Cell edges [m] whose widths differ by up to a factor 9."""
    width = np.random.default_rng(seed).uniform(1, 9, count)
    return start + (stop - start) * np.concatenate([[0.0], np.cumsum(width) / width.sum()])


def slow_fractions(geometry, x_edges, y_edges):
    """The same by cutting every cell out with shapely."""
    left, bottom = np.meshgrid(x_edges[:-1], y_edges[:-1])
    right, top = np.meshgrid(x_edges[1:], y_edges[1:])
    cells = shapely.box(left, bottom, right, top)
    return shapely.area(shapely.intersection(geometry, cells)) / shapely.area(cells)


@pytest.fixture
def plain(monkeypatch):
    """Every kernel as plain Python."""
    for name, item in list(vars(coverage).items()):
        if hasattr(item, "py_func"):
            monkeypatch.setattr(coverage, name, item.py_func)


# --- area fractions ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    "frame", [(0, 34, 0, 20), (3, 21, 4, 16), (-5, 50, -9, 40)], ids=["whole", "cropped", "beyond"]
)
def test_fractions_equal_those_cut_out_cell_by_cell_on_graded_cells(frame):
    x = graded(frame[0] * MM, frame[1] * MM, 61, 7)
    y = graded(frame[2] * MM, frame[3] * MM, 43, 8)
    geometry = openings(MIXED)
    shares = area_fractions(geometry, x, y)
    assert shares.shape == (43, 61)
    assert np.abs(shares - slow_fractions(geometry, x, y)).max() < 1e-12
    assert shares.max() == 1.0
    assert shares.min() == 0.0


def test_the_kernel_as_plain_python_gives_the_same_bits(plain):
    x, y = graded(0, 34 * MM, 23, 3), graded(2 * MM, 20 * MM, 17, 4)
    points, starts = ring_points(openings(MIXED))
    slow = np.zeros((17, 24))
    coverage.cover_cells(points, starts, x, y, slow)
    share = area_fractions(openings(MIXED), x, y)  # plain as well: the fixture reaches it
    assert np.abs(slow[:, :-1] - share).max() < 1e-12
    assert np.abs(share - slow_fractions(openings(MIXED), x, y)).max() < 1e-12


def test_the_compiled_kernel_equals_its_plain_python():
    x, y = graded(0, 34 * MM, 23, 3), graded(2 * MM, 20 * MM, 17, 4)
    points, starts = ring_points(openings(MIXED))
    fast, slow = np.zeros((17, 24)), np.zeros((17, 24))
    coverage.cover_cells(points, starts, x, y, fast)
    coverage.cover_cells.py_func(points, starts, x, y, slow)
    assert np.abs(fast - slow).max() < 1e-14


@pytest.mark.parametrize("angle", [0.0, pi / 2, pi / 4, 0.3])
def test_edges_that_lie_on_cell_edges_and_corners_count_once(angle):
    square = shape_area(Rectangle(2.0, 2.0, 2.0, 2.0, angle))
    edges = np.arange(5.0)
    shares = area_fractions(square, edges, edges)
    assert np.abs(shares - slow_fractions(square, edges, edges)).max() < 1e-12
    assert shares.sum() == pytest.approx(4.0, rel=1e-14)
    if angle == 0.0:
        assert (shares == np.pad(np.ones((2, 2)), 1)).all()


def test_no_opening_and_openings_beyond_the_frame_leave_every_cell_shut():
    edges = np.linspace(0, 1, 5)
    assert not area_fractions(shapely.MultiPolygon(), edges, edges).any()
    for x, y in [(-2, 0.5), (3, 0.5), (0.5, -2), (0.5, 3)]:
        assert not area_fractions(shape_area(Circle(x, y, 1.0)), edges, edges).any()


def test_a_frame_within_an_opening_is_open_throughout():
    edges = graded(-0.1, 0.1, 9, 5)
    assert (area_fractions(shape_area(Circle(0.0, 0.0, 1.0)), edges, edges) == 1.0).all()


def test_the_sense_of_a_polygon_does_not_matter():
    points = ((0.1, 0.1), (0.9, 0.2), (0.4, 0.8))
    edges = np.linspace(0, 1, 8)
    one, other = Polygon(points), Polygon(points[::-1])
    shares = area_fractions(shape_area(one), edges, edges)
    for area in (shape_area(other), shapely.Polygon(one.points), shapely.Polygon(other.points)):
        assert np.abs(area_fractions(area, edges, edges) - shares).max() < 1e-15


@st.composite
def stars(draw):
    """A star-shaped polygon round (0.5, 0.5) with a hole, all within the unit square."""
    count = draw(st.integers(3, 12))
    radii = np.array(draw(st.lists(st.floats(0.1, 0.49), min_size=count, max_size=count)))
    angle = 2 * pi * np.arange(count) / count + draw(st.floats(0, 1))
    ring = np.column_stack([np.cos(angle), np.sin(angle)])
    star = shapely.Polygon(0.5 + radii[:, None] * ring)
    return star.difference(shapely.Polygon(0.5 + 0.5 * radii[:, None] * ring))


@st.composite
def cell_edges(draw):
    """Graded edges from 0 to 1."""
    widths = np.array(draw(st.lists(st.floats(0.05, 1.0), min_size=1, max_size=9)))
    return np.concatenate([[0.0], np.cumsum(widths)[:-1] / widths.sum(), [1.0]])


@given(stars(), cell_edges(), cell_edges())
def test_no_area_is_lost_or_made_whatever_the_cells(star, x, y):
    shares = area_fractions(star, x, y)
    assert (shares * np.outer(np.diff(y), np.diff(x))).sum() == pytest.approx(star.area, abs=1e-12)
    assert shares.min() >= 0.0
    assert shares.max() <= 1.0
    assert np.abs(shares - slow_fractions(star, x, y)).max() < 1e-11


@given(stars(), cell_edges(), st.integers(-8, 8), st.integers(-8, 8))
def test_moving_opening_and_cells_together_changes_nothing(star, edges, right, up):
    moved = shapely.transform(star, lambda points: points + np.array([right, up]) / 4)
    before = area_fractions(star, edges, edges)
    assert np.abs(area_fractions(moved, edges + right / 4, edges + up / 4) - before).max() < 1e-11


@given(stars(), cell_edges(), cell_edges())
def test_a_mirrored_opening_has_mirrored_fractions(star, x, y):
    shares = area_fractions(star, x, y)
    across = shapely.transform(star, lambda points: points * [-1, 1])
    assert np.abs(area_fractions(across, -x[::-1], y) - shares[:, ::-1]).max() < 1e-11
    turned = shapely.transform(star, lambda points: points[:, ::-1])
    assert np.abs(area_fractions(turned, y, x) - shares.T).max() < 1e-11


@given(stars(), cell_edges(), cell_edges())
def test_what_is_not_open_is_mask(star, x, y):
    mask = shapely.box(0, 0, 1, 1).difference(star)
    total = area_fractions(star, x, y) + area_fractions(mask, x, y)
    assert np.abs(total - 1.0).max() < 1e-11


@pytest.mark.parametrize("bad", [[0.0], [0.0, 0.0], [1.0, 0.0], [0.0, nan], [[0.0, 1.0]]])
def test_edges_that_do_not_increase_are_refused_by_name(bad):
    with pytest.raises(ValueError, match="y_edges"):
        area_fractions(openings(MIXED), [0.0, 1.0], bad)


# --- shapes -----------------------------------------------------------------------------------


def test_shapes_have_their_areas():
    assert shape_area(Rectangle(0, 0, 2, 3, 0.7)).area == pytest.approx(6, rel=1e-12)
    assert shape_area(Circle(0, 0, 2 * MM)).area == pytest.approx(pi * MM**2, rel=1e-12)
    assert shape_area(Ring(0, 0, 4 * MM, 2 * MM)).area == pytest.approx(3 * pi * MM**2, rel=1e-12)
    hole = ((1, 1), (2, 1), (2, 2), (1, 2))
    assert shape_area(Polygon(((0, 0), (4, 0), (0, 4)), (hole,))).area == pytest.approx(7)


def test_a_rectangle_turns_anticlockwise_about_its_centre():
    turned = shape_area(Rectangle(1, 2, 2 * sqrt(2), sqrt(2), pi / 4))
    assert turned.covers(shapely.Point(1.7, 2.7))
    assert not turned.covers(shapely.Point(1.7, 1.3))
    assert (turned.centroid.x, turned.centroid.y) == (pytest.approx(1), pytest.approx(2))


def test_overlapping_openings_count_once():
    stencil = Stencil(1e-4, (Rectangle(0, 0, 2, 2), Rectangle(1, 0, 2, 2)))
    assert openings(stencil).area == pytest.approx(6)
    assert len(openings(stencil).geoms) == 1
    assert openings(stencil) is openings(Stencil(1e-4, stencil.shapes))


@pytest.mark.parametrize(("anchor", "place"), [("left", 0), ("centre", 0.5), ("right", 1)])
def test_text_stands_at_its_anchor_halfway_up_its_capitals(anchor, place):
    left, bottom, right, top = shape_area(Text("HIH", 3 * MM, 2 * MM, 5 * MM, anchor)).bounds
    assert left + place * (right - left) == pytest.approx(3 * MM)
    assert (bottom, top) == (pytest.approx(-0.5 * MM), pytest.approx(4.5 * MM))


def test_text_turns_about_its_anchor():
    left, bottom, right, top = shape_area(Text("HIH", 0, 0, 5 * MM, "left", angle=pi / 2)).bounds
    assert (left, right) == (pytest.approx(-2.5 * MM), pytest.approx(2.5 * MM))
    assert bottom == pytest.approx(0, abs=1e-9)
    assert top > 8 * MM


def test_bridges_hold_the_middle_of_every_letter_and_cost_their_width():
    text = Text("O8Aß&@", 0, 0, 8 * MM)
    bridged = replace(text, bridge=0.6 * MM)
    assert sum(len(part.interiors) for part in shape_area(text).geoms) >= 5
    assert not any(part.interiors for part in shape_area(bridged).geoms)
    lost = shape_area(replace(text, text="O")).area - shape_area(replace(bridged, text="O")).area
    assert lost == pytest.approx(2 * 0.6 * MM * 8 * MM * 201 / 1493, rel=0.2)  # two bars of the O
    assert shape_area(replace(bridged, text="HI")).equals(shape_area(replace(text, text="HI")))


@pytest.mark.parametrize(
    ("make", "keys"),
    [
        (lambda: Rectangle(nan, 0, -1, 0), ["x", "width", "height"]),
        (lambda: Circle(0, float("inf"), 0.0), ["y", "diameter"]),
        (lambda: Circle("1", 0, True), ["x", "diameter"]),
        (lambda: Ring(0, 0, 1e-3, 1e-3), ["inner"]),
        (lambda: Ring(0, 0, -1e-3, 0.0), ["outer", "inner"]),
        (lambda: Polygon(((0, 0), (1, 0))), ["points"]),
        (lambda: Polygon(((0, 0), (1, 0), (0, nan))), ["points"]),
        (lambda: Polygon(((0, 0), (1, 1), (1, 0), (0, 1))), ["points"]),
        (lambda: Polygon(((0, 0), (1, 0), (2, 0))), ["points"]),
        (lambda: Polygon("abc"), ["points"]),
        (lambda: Polygon(()), ["points"]),
        (lambda: Polygon(((0, 0), (1, 0), (0, 1)), (((2, 2), (3, 2), (3, 3)),)), ["holes"]),
        (lambda: Text(" ", 0, 0, 1e-3), ["text"]),
        (lambda: Text("a\nb", 0, 0, 1e-3), ["text"]),
        (lambda: Text("a中", 0, 0, -1.0, "middle", font="x"), ["height", "anchor", "font"]),
        (lambda: Text("a中", 0, 0, 1e-3, bridge=-1.0), ["bridge", "text"]),
        (lambda: Stencil(0.0, ()), ["thickness", "shapes"]),
    ],
)
def test_every_fault_of_a_shape_is_reported_at_once_by_its_key(make, keys):
    with pytest.raises(InputError) as raised:
        make()
    assert [fault.key for fault in raised.value.faults] == keys
    assert all(fault.expected for fault in raised.value.faults)


def test_a_missing_letter_is_named_with_its_code():
    with pytest.raises(InputError, match=r"no letter for '中' \(U\+4E2D\)"):
        Text("No 中", 0, 0, 5e-3)


def test_a_crossing_is_told_by_its_place():
    with pytest.raises(InputError, match=r"Self-intersection at \(0\.5 0\.5\) m"):
        Polygon(((0, 0), (1, 1), (1, 0), (0, 1)))


def test_shapes_are_frozen_and_hashable():
    with pytest.raises(FrozenInstanceError):
        MIXED.shapes[1].outer = 1.0
    assert hash(Polygon([[0, 0], [1, 0], [0, 1], [0, 0]])) == hash(
        Polygon(((0, 0), (1, 0), (0, 1)))
    )


# --- rim distance and local width -------------------------------------------------------------


def test_rim_distance_equals_the_distance_to_the_boundary():
    x, y = np.linspace(-2 * MM, 36 * MM, 53), graded(-3 * MM, 22 * MM, 36, 11)
    geometry = openings(MIXED)
    exact = shapely.distance(geometry.boundary, shapely.points(*np.meshgrid(x, y)))
    assert np.abs(rim_distance(geometry, x, y) - exact).max() < 1e-15


def test_rim_distance_as_plain_python_is_the_same():
    x, y = np.linspace(0, 34 * MM, 19), np.linspace(0, 20 * MM, 18)
    geometry = openings(Stencil(1e-4, MIXED.shapes[2:]))
    slow = np.empty((18, 19))
    segments = rim_segments(geometry)
    coverage.measure_rim.py_func(segments, x, y, np.empty(len(segments), np.int64), slow)
    assert np.abs(slow - rim_distance(geometry, x, y)).max() < 1e-16


def test_rim_distance_without_an_opening_is_infinite_and_takes_one_point():
    assert rim_distance(shapely.MultiPolygon(), [0.0], [0.0, 1.0]).tolist() == [[np.inf], [np.inf]]
    assert rim_distance(shape_area(Circle(0, 0, 1.0)), [2.0], [0.0])[0, 0] == pytest.approx(1.5)


@pytest.mark.parametrize("angle", [0.0, 0.4, pi / 4])
@pytest.mark.parametrize("cells_across", [2.0, 2.7, 5.0, 11.3])
def test_a_straight_slot_is_as_wide_as_it_is(cells_across, angle):
    slot = shape_area(Rectangle(0, 0, 40.0, cells_across, angle))
    x, y = np.arange(-12.2, 12.3), np.arange(-11.9, 12.0)
    width = local_width(slot, x, y)
    assert width.max() <= cells_across * (1 + 1e-12)
    assert width[width > 0].min() >= 0.99 * cells_across
    assert np.array_equal(width > 0, shapely.contains_xy(slot, *np.meshgrid(x, y)))


def test_a_disc_is_as_wide_as_its_diameter_but_for_its_rim():
    x = np.linspace(-1.3, 1.3, 41)
    width = local_width(shape_area(Circle(0, 0, 2.0)), x, x)
    distance = np.hypot(*np.meshgrid(x, x))
    assert np.abs(width[distance < 0.99] - 2.0).max() < 0.02
    assert not width[distance > 1.01].any()


def test_a_wide_and_a_narrow_part_of_one_opening_keep_their_widths():
    shapes = (Rectangle(0, 0, 4.0, 4.0), Rectangle(6, 0, 10.0, 1.0))
    x, y = np.arange(-2.95, 11, 0.1), np.arange(-2.95, 3, 0.1)
    width = local_width(openings(Stencil(1e-4, shapes)), x, y)
    along = width[np.argmin(np.abs(y)), :]
    assert along[np.argmin(np.abs(x))] == pytest.approx(4.0, rel=0.01)
    assert along[np.argmin(np.abs(x - 6))] == pytest.approx(1.0, rel=0.01)


def test_a_corner_is_narrower_than_its_middle_as_the_definition_says():
    # in a right angle the largest circle within b of (a, a) has radius
    # (sqrt 2 a + b) / (sqrt 2 - 1)
    square = shape_area(Rectangle(5, 5, 10.0, 10.0))
    x = np.arange(0.05, 10, 0.1)
    width = local_width(square, x, x)
    for k in (2, 5, 9):
        exact = 2 * (sqrt(2) * x[k] + 0.05) / (sqrt(2) - 1)
        assert exact * 0.97 <= width[k, k] <= exact * (1 + 1e-9)


def test_local_width_as_plain_python_is_the_same(plain):
    geometry = openings(Stencil(1e-4, MIXED.shapes[2:]))
    x, y = np.linspace(12 * MM, 34 * MM, 24), np.linspace(0, 10 * MM, 14)
    slow = local_width(geometry, x, y)
    inside = shapely.contains_xy(geometry, *np.meshgrid(x, y))
    assert np.array_equal(slow > 0, inside)
    assert (slow[inside] >= 2 * rim_distance(geometry, x, y)[inside]).all()
    assert slow.max() <= 4.7 * MM


def test_local_width_without_an_opening_is_zero():
    assert local_width(shapely.MultiPolygon(), [0.0, 1.0], [0.0]).tolist() == [[0.0, 0.0]]
