"""Cut cells: what is enclosed, and that the links stand for the whole wall."""

from __future__ import annotations

import numpy as np
import pytest
from cavities import undercut

from simulate.section.cut_cells import LEAST_SHARE, Ground, cut
from simulate.section.wall_curve import Wall


def disc(cells: int, offset=(0.013, -0.029)) -> tuple[Ground, Wall]:
    edges = np.linspace(-1.3, 1.3, cells + 1)
    angle = 2.0 * np.pi * np.arange(240) / 240
    points = np.column_stack([np.cos(angle), np.sin(angle)]) + offset
    return Ground(edges, edges, 2.0), Wall(points, None)


def cut_disc(cells: int):
    ground, wall = disc(cells)
    return cut(ground, [wall], [0])


def test_nodes_inside_the_wall_are_enclosed_and_no_other():
    ground, wall = disc(40)
    network = cut(ground, [wall], [0])
    x, z = np.meshgrid(*ground.centres)
    inside = np.hypot(x - 0.013, z + 0.029) < 1.0
    assert ((network.number >= 0) == inside).all()
    assert network.nodes == int(inside.sum())


def test_every_link_of_a_node_leads_to_a_node_or_to_the_wall():
    network = cut_disc(40)
    ends = np.concatenate([network.one, network.other, network.links.node])
    assert (np.bincount(ends, minlength=network.nodes) == 4).all()


def test_links_are_cut_where_the_wall_is():
    ground, wall = disc(40)
    links = cut(ground, [wall], [0]).links
    assert np.hypot(*(wall.at(links.u) - (0.013, -0.029)).T) == pytest.approx(1.0, abs=1e-6)
    h = ground.x[1] - ground.x[0]
    assert (links.near * 2.0 <= h * (1.0 + 1e-12)).all()
    assert (links.near > 0.0).all()
    node = np.flatnonzero(cut(ground, [wall], [0]).number.ravel() >= 0)[links.node]
    centre = np.column_stack([g.ravel()[node] for g in np.meshgrid(*ground.centres)])
    reach = np.maximum(np.abs(wall.at(links.u) - centre).max(axis=1), LEAST_SHARE * h)
    np.testing.assert_allclose(links.near * 2.0, reach, rtol=1e-9)


def test_the_two_kinds_of_links_together_stand_for_the_length_of_the_wall():
    """(nx**2 + nz**2) ds = ds: within the scatter of the cuts, whatever the size of cells."""
    for cells in (40, 80, 160):
        links = cut_disc(cells).links
        length = float((links.area * links.share).sum())
        assert length == pytest.approx(2.0 * np.pi, rel=0.2 / cells)


def test_a_wall_that_hangs_over_encloses_only_what_is_under_it():
    """A neck at the mask: columns beside it are entered and left again."""
    squeezed = undercut(1.0, -0.1, 3, (-np.pi, 0.0))
    squeezed[:, 0] *= 1.0 - 1.2 * squeezed[:, 1] * (squeezed[:, 1] + 1.1)
    ground = Ground(np.linspace(-2, 2, 81), np.linspace(-2, 0, 41), 1.0)
    wall = Wall(squeezed[:: len(squeezed) // 100], ("level", "level"))
    network = cut(ground, [wall], [0])
    from shapely import Polygon, contains_xy

    x, z = np.meshgrid(*ground.centres)
    inside = contains_xy(Polygon(wall.at(wall.samples)), x, z)
    assert ((network.number >= 0) == inside).all()
    top, widest = inside[-1].sum(), inside.sum(axis=1).max()
    assert widest > top + 4


def test_a_node_on_the_wall_itself_is_cut_at_the_least_share():
    ground = Ground(np.linspace(-1.0, 1.0, 21), np.linspace(-1.0, 0.0, 11), 1.0)
    depth = -ground.centres[1][4]
    x = np.linspace(-1.0, 1.0, 9)
    wall = Wall(np.column_stack([x, np.full(9, -depth)]), ("upright", "upright"))
    network = cut(ground, [wall], [0])
    links = network.links
    assert np.isfinite(links.near).all()
    assert len(links) == 20
    assert links.near.min() > 0.0
