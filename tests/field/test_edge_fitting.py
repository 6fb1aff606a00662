"""Edges found, fitted and left alone; the fields the fit rests on."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

import simulate as sf
from simulate.field.edge_fitting import edge_factors, find_edges, fit_edges
from simulate.field.edge_singularities import FlushEdge, KineticEdge, Lip, MetalCorner
from simulate.field.network import Network, build_network
from simulate.stencil.measure import dilated_coverage

UNEVEN = np.concatenate([[0.0], np.cumsum(1.03 ** np.arange(23))])
FIELDS = [FlushEdge(), KineticEdge(3.0), MetalCorner(), Lip(), Lip(2.5), Lip(0.3)]


def reorient(array: np.ndarray, swap: bool, flip_t: bool, flip_n: bool) -> np.ndarray:
    """(normal, tangential) to (z, 1, x): mirrored, and with the axes exchanged."""
    array = array[:: -1 if flip_n else 1, :: -1 if flip_t else 1]
    return np.ascontiguousarray((array.T if swap else array)[:, None, :])


def unbalanced(network: Network, phi: np.ndarray, metal: float) -> np.ndarray:
    """Net current out of every cell of a section at given potentials, over the currents' size."""
    net = np.zeros(network.shape)
    size = np.full(network.shape, 1e-300)
    for axis, name in ((0, "tz"), (2, "tx")):
        t = np.moveaxis(network.unpack(getattr(network, name)), axis, 0)[:-1]
        value, total, scale = (np.moveaxis(a, axis, 0) for a in (phi, net, size))
        flow = t * (value[:-1] - value[1:])
        total[:-1] += flow
        total[1:] -= flow
        scale[:-1] += np.abs(flow)
        scale[1:] += np.abs(flow)
    faces = network.faces
    k, j, i = faces.where[:, :3].T
    np.add.at(net, (k, j, i), faces.conductance * (phi[k, j, i] - metal))
    return net / size


@pytest.mark.parametrize(("swap", "flip_t", "flip_n"), [*product([False, True], repeat=3)])
@pytest.mark.parametrize("field", FIELDS[:1] + FIELDS[2:], ids=repr)
def test_fitted_conductances_hold_the_exact_field_in_balance(field, swap, flip_t, flip_n):
    """On unequal cells, in every orientation: Kirchhoff's law to single precision in the room."""
    x, y = UNEVEN - UNEVEN[12], (UNEVEN - UNEVEN[11]) * 0.7
    xc, yc = np.meshgrid(0.5 * (x[1:] + x[:-1]), 0.5 * (y[1:] + y[:-1]))
    side = {FlushEdge: xc < 0, MetalCorner: xc > 0}.get(type(field), False)
    label = ((yc < 0) & side).astype(np.int8)
    dry = (yc < 0) & (xc > 0) & (label == 0)
    kappa = np.where(dry, 0.0, np.where(yc > 0, field.up, field.down))
    phi = np.where(dry | (label > 0), 0.0, field.field(xc, yc).real)
    along = -x[::-1] if flip_t else x
    across = -y[::-1] if flip_n else y
    grid = sf.Grid.section(*((across, along) if swap else (along, across)))
    kappa, label, phi = (reorient(a, swap, flip_t, flip_n) for a in (kappa, label, phi))
    plain = unbalanced(build_network(grid, kappa, label, np.zeros(1)), phi, 0.0)
    network = build_network(grid, kappa, label, np.zeros(1))
    assert len(find_edges(kappa, label)) == 1
    fitted = unbalanced(fit_edges(network, grid, kappa, label, [None]), phi, 0.0)
    rooms = reorient((np.abs(xc) < 4) & (np.abs(yc) < 3) & ~dry, swap, flip_t, flip_n)
    rooms &= label == 0
    assert np.abs(plain[rooms]).max() > 0.02
    assert np.abs(fitted[rooms]).max() < 2e-6


@pytest.mark.parametrize("field", FIELDS, ids=repr)
def test_factors_tend_to_one_as_the_square_of_cells_over_distance(field):
    x = np.arange(-16.0, 17.0)
    y = x if isinstance(field, Lip | MetalCorner) else x[16:]
    factors = edge_factors(field, x, y)
    across = factors.across[-1]  # 15 cells up
    assert np.abs(across - 1).max() < 0.3 / 15**2
    assert factors.along[-1] == pytest.approx(1.0, abs=0.3 / 15**2)
    nearest = factors.along[y.size - 17 if y.size > 17 else 0][14:17]
    assert np.abs(nearest - 1).max() > 0.01


def test_the_first_factors_of_a_flush_edge_are_those_of_its_map():
    """1.553 at the last metal face, 1.554 across the edge: exact current over plain current of
    sqrt(zeta) on square cells, worked out by hand from the four values."""
    factors = edge_factors(FlushEdge(), np.arange(-8.0, 9.0), np.arange(0.0, 9.0))

    def root(x: float, y: float) -> complex:
        return np.sqrt(complex(x, y))

    wall = root(-1, 0).imag / (root(-0.5, 0.5).real / 0.5)
    across = root(0, 1).imag / (root(0.5, 0.5).real - root(-0.5, 0.5).real)
    assert factors.floor[7] == pytest.approx(wall, rel=1e-12)
    assert factors.along[0, 7] == pytest.approx(across, rel=1e-12)
    assert (wall, across) == pytest.approx((1.553, 1.554), abs=1e-3)


@pytest.mark.parametrize("down", [0.1, 1.0, 7.0])
def test_a_lips_field_passes_currents_on_and_leaves_the_walls_tight(down):
    lip = Lip(down)
    x = np.array([-0.3, -2.0])
    for part in (lip.field, lip.correction):
        above, below = part(x, np.zeros(2)), part(x, np.full(2, -1e-13))
        assert below.real == pytest.approx(above.real, abs=1e-9)
        assert down * below.imag == pytest.approx(above.imag, abs=1e-9)
    tiny, deep = np.full(2, -1e-6), np.array([-0.2, -1.0])
    top, wall = lip.field(-x, np.zeros(2)), lip.field(0 * tiny, deep)
    assert top.imag == pytest.approx(0.0, abs=1e-12)
    assert wall.imag == pytest.approx(0.0, abs=1e-9)
    slope = (lip.correction(0 * tiny, deep) - lip.correction(tiny, deep)).real / 1e-6
    assert slope == pytest.approx(0.5 * wall.real, rel=1e-4)


def test_a_lips_exponent_is_two_thirds_between_equals_and_that_of_a_slit_or_a_plane_beyond():
    assert Lip(1.0).exponent == pytest.approx(2 / 3, rel=1e-14)
    assert Lip(1e9).exponent == pytest.approx(0.5, abs=1e-4)
    assert Lip(1e-9).exponent == pytest.approx(1.0, abs=1e-4)


def test_a_kinetic_edges_field_obeys_its_law_on_the_metal():
    """kappa du/dy = kappa u / l, by differences; nothing passes the insulator."""
    edge = KineticEdge(0.7)
    x, step = np.array([-5.0, -1.0, -0.3, -0.05]), 1e-5
    on, above = (edge.field(x, np.full(4, y)) for y in (0.0, step))
    left, right = (edge.field(x + d, np.zeros(4)) for d in (-step, step))
    density = -(right - left).imag / (2 * step)
    assert density == pytest.approx(on.real / 0.7, rel=1e-5)
    assert (above - on).real / step == pytest.approx(density, rel=1e-3)
    assert edge.field(-x, np.zeros(4)).imag == pytest.approx(0.0, abs=1e-9)


def test_a_kinetic_edge_is_ideal_where_its_length_is_short():
    x, y = np.array([-3.0, 2.0, -7.0, 40.0]), np.array([1.0, 2.0, 0.0, 0.0])
    found, ideal = KineticEdge(1e-5).field(x, y), FlushEdge().field(x, y)
    assert found / found[3] == pytest.approx(ideal / ideal[3], rel=3e-3)


def cell(nx: int = 24, edges: str = "fitted", law: object = None, mirror: bool = False) -> sf.Field:
    """A flush strip and a lid; the strip lies to the left, or mirrored."""
    grid = sf.Grid.section(np.arange(nx + 1.0), np.arange(-1.0, 14.0))
    x, _, z = grid.centres
    x = x[::-1] if mirror else x
    plate = ((z < 0)[:, None] & (x < 10))[:, None, :]
    lid = np.broadcast_to((z > 12)[:, None, None], grid.shape)
    kappa = np.broadcast_to(np.where(z > 0, 1.0, 0.0)[:, None, None], grid.shape)
    bodies = [sf.Electrode("plate", plate, 1.0, law), sf.Electrode("lid", lid)]
    return sf.solve_potential(grid, kappa, bodies, tolerance=1e-12, edges=edges)


def test_fitted_edges_keep_charge_and_mirror_symmetry():
    field, twin = cell(), cell(mirror=True)
    assert field.currents["plate"] == pytest.approx(-field.currents["lid"], rel=1e-10)
    assert twin.currents["plate"] == pytest.approx(field.currents["plate"], rel=1e-11)
    density = field.faces("plate").density
    assert twin.faces("plate").density[::-1] == pytest.approx(density, rel=1e-10)
    assert field.faces("plate").area == pytest.approx(np.ones(10))
    assert field.currents["plate"] > 0.5


def test_fitted_edges_change_currents_only_at_known_laws():
    known = [None, sf.Linear(2.0), sf.Linear(0.0), sf.Linear(1.0, film_resistance=1.0)]
    for law in known:
        change = cell(law=law).currents["plate"] / cell(law=law, edges="plain").currents["plate"]
        assert 1.002 < change < 1.05
    for law in (sf.Tafel(1e-3, 0.1), sf.ButlerVolmer(1e-3, 0.1, 0.1), sf.Linear(1.0, limit=0.1)):
        fitted, plain = cell(law=law), cell(law=law, edges="plain")
        assert (fitted.faces("plate").density == plain.faces("plate").density).all()


def test_an_extruded_strip_carries_what_its_section_does():
    """Edges along y in a box: the same numbers in every slice."""
    flat = cell()
    grid = sf.Grid.box(flat.grid.x, np.arange(5.0), flat.grid.z)
    z, _, x = np.meshgrid(*reversed(grid.centres), indexing="ij")
    bodies = [sf.Electrode("plate", (z < 0) & (x < 10), 1.0), sf.Electrode("lid", z > 12)]
    found = sf.solve_potential(grid, np.where(z > 0, 1.0, 0.0), bodies, tolerance=1e-12)
    assert found.currents["plate"] == pytest.approx(4 * flat.currents["plate"], rel=1e-9)


def plan_edges(plate: np.ndarray, coverage: np.ndarray | None = None) -> np.ndarray:
    """Edges found about metal cells of a plan at the bottom of a box of electrolyte."""
    label = np.zeros((9, *plate.shape), np.int8)
    label[0] = plate
    kappa = np.ones(label.shape)
    kappa[0] = 0.0
    return find_edges(kappa, label, coverage)


def test_edges_end_a_room_before_each_corner():
    """A rectangle of 10 x 20 cells: every edge but the eight that touch a corner has a room."""
    plate = np.zeros((40, 40), bool)
    plate[10:30, 15:25] = True
    edges = plan_edges(plate)
    assert len(edges) == 2 * (10 + 20) - 8
    rooms = edges[(edges[:, 3] == 2) & (edges[:, 4] == 1), 9]  # along the right-hand side
    assert list(rooms) == [1, 2, 3, 4, 5, 5, 5, 5, 5, 5, 5, 5, 5, 5, 4, 3, 2, 1]


def test_slanting_and_partly_covered_edges_are_left_alone():
    y, x = np.mgrid[:40, :40]
    assert len(plan_edges(x + y < 40)) == 0
    plate = x < 20
    assert len(plan_edges(plate)) == 40
    coverage = np.ones((9, 40, 40))
    coverage[0, :, 19] = 0.5
    assert len(plan_edges(plate, coverage)) == 0


def test_close_edges_share_the_room_between_them():
    """A strip of four cells: two cells of room for either edge; the box's end takes nothing."""
    x = np.broadcast_to(np.arange(40), (3, 40))
    edges = plan_edges((x >= 20) & (x < 24))
    assert sorted(set(edges[:, 9])) == [2]
    assert sorted(set(plan_edges(x < 6)[:, 9])) == [6]


def test_dilated_coverage_moves_the_outline_by_a_fifth_of_a_cell():
    import shapely

    edges = np.arange(13) * 0.5
    share = dilated_coverage(shapely.Point(3.0, 3.0).buffer(2.0, quad_segs=256), edges, edges)
    assert share.sum() * 0.25 == pytest.approx(np.pi * (2.0 + 0.207 * 0.5) ** 2, rel=1e-4)


@pytest.mark.parametrize("share", [0.0, 1.5, np.nan])
def test_shares_that_are_none_are_refused(share):
    grid = sf.Grid.section([0.0, 1.0, 2.0], [0.0, 1.0, 2.0])
    cells = np.zeros(grid.shape, bool)
    cells[0, 0, 0] = True
    plate = sf.Electrode("plate", cells, coverage=np.full(grid.shape, share))
    with pytest.raises(sf.InputError, match=r"plate\.coverage"):
        sf.solve_potential(grid, np.ones(grid.shape), [plate])
