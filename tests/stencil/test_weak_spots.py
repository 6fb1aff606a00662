"""What falls out, tears or stays dry is found, with its place and its size."""

from __future__ import annotations

from math import pi, sqrt

import numpy as np
import pytest
import shapely

from simulate.stencil.shapes import Circle, Polygon, Rectangle, Ring, Stencil, Text, openings
from simulate.stencil.weak_spots import necks, stencil_findings

MM = 1e-3
PLATE = np.array([(0, 0), (40, 0), (40, 20), (0, 20)]) * MM


def findings(*shapes, **limits):
    return stencil_findings(Stencil(0.1 * MM, shapes), PLATE, **limits)


def kinds(found):
    return [finding.kind for finding in found]


def test_a_sound_stencil_gives_no_finding():
    assert findings(Rectangle(10 * MM, 10 * MM, 5 * MM, 5 * MM), Circle(25 * MM, 10 * MM, MM)) == ()


def test_the_middle_of_a_ring_falls_out():
    (island,) = findings(Ring(10 * MM, 8 * MM, 10 * MM, 6 * MM))
    assert island.kind == "island"
    assert np.hypot(island.x - 10 * MM, island.y - 8 * MM) < 3 * MM
    assert island.size == pytest.approx(6 * MM, abs=2e-6)
    assert "falls out" in island.words
    assert "6 mm by 6 mm" in island.words


def test_every_closed_letter_has_its_islands_and_bridges_hold_them():
    loose = findings(Text("BOA", 20 * MM, 10 * MM, 8 * MM))
    assert kinds(loose).count("island") == 4
    held = findings(Text("BOA", 20 * MM, 10 * MM, 8 * MM, bridge=1.1 * MM))
    assert "island" not in kinds(held)


def test_a_bridge_is_measured_between_straight_sides_exactly():
    found = findings(
        Rectangle(10 * MM, 10 * MM, 8 * MM, 4 * MM), Rectangle(18.6 * MM, 10 * MM, 8 * MM, 4 * MM)
    )
    assert kinds(found) == ["bridge"]
    assert found[0].size == pytest.approx(0.6 * MM, rel=1e-9)
    assert found[0].x == pytest.approx(14.3 * MM)
    assert 8 * MM <= found[0].y <= 12 * MM
    assert "0.6 mm wide" in found[0].words


@pytest.mark.parametrize("gap", [0.05, 0.3, 0.9, 0.98])
def test_a_bridge_between_round_openings_is_measured_to_the_stated_error(gap):
    pair = Circle(10 * MM, 10 * MM, 6 * MM), Circle((16 + gap) * MM, 10 * MM, 6 * MM)
    (bridge,) = findings(*pair)
    assert bridge.size == pytest.approx(gap * MM, abs=MM / 250 + 2e-6)
    assert bridge.y == pytest.approx(10 * MM, abs=0.2 * MM)


def test_a_bridge_as_wide_as_the_limit_is_no_finding():
    pair = Rectangle(10 * MM, 10 * MM, 8 * MM, 4 * MM), Rectangle(19 * MM, 10 * MM, 8 * MM, 4 * MM)
    assert kinds(findings(*pair, least_bridge=0.999 * MM)) == []
    assert kinds(findings(*pair, least_bridge=1.001 * MM)) == ["bridge"]


def test_facing_points_leave_a_bridge_between_them():
    left = Polygon(((5 * MM, 5 * MM), (10 * MM, 10 * MM), (5 * MM, 15 * MM)))
    right = Polygon(((15.7 * MM, 5 * MM), (15.7 * MM, 15 * MM), (10.7 * MM, 10 * MM)))
    (bridge,) = findings(left, right)
    assert bridge.size == pytest.approx(0.7 * MM, rel=1e-9)


def test_an_opening_near_the_edge_leaves_one_thin_strip_of_mask():
    (strip,) = findings(Rectangle(20 * MM, 2.4 * MM, 30 * MM, 4 * MM))
    assert strip.kind == "bridge"
    assert strip.size == pytest.approx(0.4 * MM, rel=1e-9)


def test_a_thin_slot_is_one_finding_with_its_width():
    (slot,) = findings(Rectangle(20 * MM, 10 * MM, 30 * MM, 0.25 * MM, 0.3))
    assert slot.kind == "slot"
    assert slot.size == pytest.approx(0.25 * MM, rel=1e-9)
    assert "0.3 mm" in slot.words  # three times the mask
    assert findings(Rectangle(20 * MM, 10 * MM, 30 * MM, 0.31 * MM)) == ()
    assert kinds(findings(Rectangle(20 * MM, 10 * MM, 30 * MM, MM), least_slot=1.1 * MM)) == [
        "slot"
    ]


def test_a_thin_waist_in_a_wide_opening_is_found_where_it_is():
    whole = (
        Rectangle(10 * MM, 10 * MM, 6 * MM, 6 * MM),
        Rectangle(20 * MM, 10 * MM, 6 * MM, 6 * MM),
        Rectangle(15 * MM, 11 * MM, 8 * MM, 0.2 * MM),
    )
    (waist,) = findings(*whole)
    assert (waist.kind, waist.size) == ("slot", pytest.approx(0.2 * MM, rel=1e-9))
    assert waist.x == pytest.approx(15 * MM, abs=2 * MM)
    assert waist.y == pytest.approx(11 * MM, abs=1e-9)


def test_a_hole_too_small_to_wet_is_a_slot():
    (dot,) = findings(Circle(20 * MM, 10 * MM, 0.2 * MM))
    assert (dot.kind, dot.size) == ("slot", pytest.approx(0.2 * MM, abs=2e-6))


def test_a_thin_ring_is_one_slot_all_round():
    found = findings(Ring(20 * MM, 10 * MM, 8 * MM, 7.6 * MM))
    assert kinds(found) == ["island", "slot"]
    assert found[1].size == pytest.approx(0.2 * MM, abs=0.3 * MM / 250 + 2e-6)


def test_a_tongue_of_mask_counts_as_a_bridge():
    combed = Polygon(
        tuple(
            (x * MM, y * MM)
            for x, y in [
                (5, 5),
                (15, 5),
                (15, 15),
                (10.4, 15),
                (10.4, 8),
                (9.8, 8),
                (9.8, 15),
                (5, 15),
            ]
        )
    )
    (tongue,) = findings(combed)
    assert (tongue.kind, tongue.size) == ("bridge", pytest.approx(0.6 * MM, rel=1e-9))


def test_corners_and_wedges_are_not_necks():
    wedge = shapely.Polygon([(0, 0), (10, 0), (0, 1)])
    square = shapely.box(0, 0, 10, 10)
    assert necks(wedge, 0.5) == []
    assert necks(square, 5.0) == []


def test_a_waist_is_found_however_the_outline_is_turned():
    hourglass = shapely.Polygon([(0, 0), (4, 0), (2.3, 3), (4, 6), (0, 6), (1.7, 3)])
    for angle in (0.0, 0.4, pi / 2, 2.0):
        turned = shapely.affinity.rotate(hourglass, angle, origin=(2, 3), use_radians=True)
        ((x, y, size),) = necks(turned, 1.0)
        assert (x, y, size) == (pytest.approx(2), pytest.approx(3), pytest.approx(0.6))


def test_necks_agree_with_the_inward_offset_that_cuts_the_area_in_two():
    area = openings(Stencil(1e-4, (Circle(0, 0, 4.0), Circle(3.9, 0, 4.0))))
    ((_, _, size),) = necks(area, 2.0)
    low, high = 0.0, 1.0
    for _ in range(40):
        middle = 0.5 * (low + high)
        parts = len(shapely.get_parts(area.buffer(-middle, quad_segs=64)))
        low, high = (middle, high) if parts == 1 else (low, middle)
    assert size == pytest.approx(2 * low, abs=2.0 / 250)
    assert size == pytest.approx(2 * sqrt(4 - 1.95**2), abs=2.0 / 250)


def test_an_opening_beyond_the_plate_is_told_with_how_far():
    found = findings(Circle(40 * MM, 10 * MM, 4 * MM), Rectangle(10 * MM, 25 * MM, 3 * MM, 3 * MM))
    assert kinds(found) == ["outside", "outside"]
    assert found[0].size == pytest.approx(6.5 * MM)
    assert found[1].size == pytest.approx(2 * MM, abs=2e-6)
    assert "beyond the plate" in found[1].words


def test_an_opening_as_large_as_the_plate_leaves_nothing_to_tear():
    assert findings(Rectangle(20 * MM, 10 * MM, 40 * MM, 20 * MM)) == ()


def test_many_segments_are_looked_at_block_by_block(monkeypatch):
    shapes = (Text("mesh", 20 * MM, 10 * MM, 7 * MM), Ring(6 * MM, 6 * MM, 5 * MM, 4.8 * MM))
    whole = findings(*shapes)
    monkeypatch.setattr("simulate.stencil.weak_spots.BLOCK", 7)
    sizes = [finding.size for finding in findings(*shapes)]
    assert sizes == pytest.approx([finding.size for finding in whole])
