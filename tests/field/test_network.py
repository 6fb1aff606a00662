"""The resistor network: face conductances, faces to electrodes, packed layout."""

from __future__ import annotations

import math

import numpy as np
import pytest
from geometries import Cell, awkward_box, between_plates, swab
from twins import conductances, electrode_faces

import simulate as sf
from simulate.field.memory import packed_size
from simulate.field.network import build_network

SINGLE = 1.2e-7  # two roundings to single precision, relative

SHAPES = [(4, 5, 6), (3, 4, 7), (1, 4, 5), (4, 1, 5), (4, 5, 1), (6, 1, 1), (1, 1, 1), (2, 2, 2)]


def ring_cell(kappa):
    """Rings of uneven width; an electrode at the innermost and one at the outermost."""
    r = np.array([0.1, 0.3, 0.35, 0.9, 1.0, 2.2, 2.4])
    grid = sf.Grid.axisymmetric(r, [0.0, 0.2, 0.7])
    inner, outer = (np.zeros(grid.shape, bool) for _ in range(2))
    inner[..., 0], outer[..., -1] = True, True
    field = np.broadcast_to(np.asarray(kappa, float), grid.shape).copy()
    return Cell(grid, field, (sf.Electrode("pin", inner, 1.0), sf.Electrode("shell", outer)))


def test_two_half_cells_in_series_make_a_face():
    """T = A / (h_1 / kappa_1 + h_2 / kappa_2): the harmonic mean of equal cells."""
    grid = sf.Grid.box([0.0, 1.0, 4.0], [0.0, 2.0], [0.0, 5.0])
    kappa = np.array([[[3.0, 0.7]]])
    network = build_network(grid, kappa, np.zeros(grid.shape, np.int8), np.zeros(1))
    expected = 2.0 * 5.0 / (0.5 / 3.0 + 1.5 / 0.7)
    assert network.unpack(network.tx)[0, 0, 0] == pytest.approx(expected, rel=SINGLE)
    assert network.unpack(network.tx)[0, 0, 1] == 0.0


def test_the_worse_conductor_decides_at_a_thousandfold_step():
    grid = sf.Grid.box([0.0, 1.0, 2.0], [0.0, 1.0], [0.0, 1.0])
    kappa = np.array([[[1e3, 1.0]]])
    network = build_network(grid, kappa, np.zeros(grid.shape, np.int8), np.zeros(1))
    face = network.unpack(network.tx)[0, 0, 0]
    assert face == pytest.approx(2.0 / (1.0 + 1e-3), rel=SINGLE)


def test_layers_between_plates_add_their_resistances():
    """sum(1/T) over a column, half cells at the plates included = sum(d / kappa) / A."""
    z = np.array([-0.1, 0.0, 0.3, 0.4, 1.1, 1.3, 1.4])
    kappa = np.array([1.0, 5.0, 1e-4, 2.0, 0.3, 1.0])
    cell = between_plates(sf.Grid.box([0.0, 2.0], [0.0, 3.0], z), kappa[:, None, None])
    network = cell.network()
    inside = network.unpack(network.tz)[1:-2, 0, 0].astype(float)
    total = (1.0 / inside).sum() + (1.0 / network.faces.conductance).sum()
    exact = (np.diff(z) / kappa)[1:-1].sum() / 6.0
    assert total == pytest.approx(exact, rel=SINGLE)


@pytest.mark.parametrize(
    "kappa", [2.0, np.array([1.0, 0.3, 8.0, 1e-3, 2.0, 1.0])], ids=["uniform", "rings"]
)
def test_radial_flow_is_exact_in_rings_of_any_width(kappa):
    """R = sum ln(r2 / r1) / (2 pi h kappa), faces at the electrodes included."""
    cell = ring_cell(kappa)
    r = cell.grid.x
    rings = np.broadcast_to(kappa, (6,))[1:-1]
    exact = 2 * math.pi * 0.7 / (np.log(r[2:-1] / r[1:-2]) / rings).sum()
    assert cell.solve().currents["pin"] == pytest.approx(exact, rel=2 * SINGLE)


@pytest.mark.parametrize("shape", SHAPES, ids=str)
def test_conductances_agree_with_the_slow_twin(shape):
    cell = awkward_box(shape, seed=11)
    network = cell.network()
    twin = conductances(cell.grid, cell.conductivity, cell.label)
    for ours, theirs in zip((network.tz, network.ty, network.tx), twin, strict=True):
        assert network.unpack(ours) == pytest.approx(theirs, rel=SINGLE, abs=0)
        assert ours.sum(dtype=float) == pytest.approx(theirs.sum(), rel=1e-6)  # ghosts hold none
    assert network.unknowns == cell.solved.sum()


def test_conductances_of_rings_agree_with_the_slow_twin():
    cell = ring_cell(np.array([1.0, 0.3, 8.0, 0.0, 2.0, 1.0]))
    network = cell.network()
    twin = conductances(cell.grid, cell.conductivity, cell.label)
    for ours, theirs in zip((network.tz, network.ty, network.tx), twin, strict=True):
        assert network.unpack(ours) == pytest.approx(theirs, rel=SINGLE, abs=0)


@pytest.mark.parametrize("shape", SHAPES, ids=str)
def test_faces_to_electrodes_agree_with_the_slow_twin(shape):
    check_faces(awkward_box(shape, seed=5, metal=0.25))


def test_faces_of_rings_agree_with_the_slow_twin():
    check_faces(ring_cell(np.linspace(0.4, 3.0, 6)))


def check_faces(cell):
    network = cell.network()
    faces = network.faces
    twin = electrode_faces(cell.grid, cell.conductivity, cell.label)
    assert faces.cell.size == len(twin)
    for n, face in enumerate(twin):
        assert tuple(faces.where[n]) == (*face["cell"], face["axis"], face["side"])
        assert faces.electrode[n] == face["electrode"]
        assert faces.area[n] == pytest.approx(face["area"], rel=1e-14)
        assert faces.conductance[n] == pytest.approx(face["conductance"], rel=1e-14)
        assert faces.offset[n] == (1.0 if face["electrode"] == 0 else 0.0)
        assert faces.film[n] == 0.0
    assert (faces.cell == network.places(faces.where)).all()


def test_a_potential_may_vary_from_cell_to_cell_of_an_electrode():
    cell = awkward_box((5, 4, 6), seed=23, metal=0.3)
    volts = np.random.default_rng(7).normal(size=cell.grid.shape)
    faces = build_network(cell.grid, cell.conductivity, cell.label, volts).faces
    twin = electrode_faces(cell.grid, cell.conductivity, cell.label)
    assert list(faces.offset) == [volts[face["metal"]] for face in twin]


def test_a_potential_may_be_one_number_an_electrode():
    cell = awkward_box((5, 4, 6), seed=23, metal=0.3)
    faces = build_network(cell.grid, cell.conductivity, cell.label, np.array([0.4, -2.0])).faces
    assert (faces.offset == np.where(faces.electrode == 0, 0.4, -2.0)).all()


def test_what_an_electrode_cell_holds_does_not_matter():
    cell = awkward_box((4, 5, 6), seed=3, metal=0.25)
    other = cell.conductivity.copy()
    other[cell.label > 0] = np.nan
    one, two = (
        build_network(cell.grid, kappa, cell.label, np.zeros(2))
        for kappa in (cell.conductivity, other)
    )
    for name in ("tx", "ty", "tz", "rows", "planes"):
        assert (getattr(one, name) == getattr(two, name)).all()
    assert (one.faces.conductance == two.faces.conductance).all()


@pytest.mark.parametrize("shape", SHAPES, ids=str)
@pytest.mark.parametrize("dead", [0.0, 0.6])
def test_every_cell_has_a_place_of_its_own_in_the_packed_layout(shape, dead):
    cell = awkward_box(shape, seed=11, dead=dead)
    network = cell.network()
    places = network.places(np.argwhere(cell.solved))
    assert np.unique(places).size == cell.solved.sum()
    assert (places > 0).all()
    assert (places < network.tx.size).all()
    assert network.tx.size <= packed_size(shape)


def test_neighbours_in_x_of_one_parity_lie_side_by_side():
    network = between_plates(
        sf.Grid.box(np.arange(10.0), np.arange(4.0), np.arange(5.0)), 1.0
    ).network()
    row = network.places(np.array([[1, 2, i] for i in range(9)]))
    assert (np.diff(row[0::2]) == 1).all()
    assert (np.diff(row[1::2]) == 1).all()


def test_a_swab_in_a_box_of_air_takes_no_more_room_than_its_own_cells():
    """Rows are whole vectors and hold their neighbours' spans: below twice as much."""
    cell = swab(3e5)
    assert cell.network().tx.size < 2 * cell.solved.sum() < 0.6 * cell.solved.size
