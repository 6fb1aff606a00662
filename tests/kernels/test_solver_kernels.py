"""The loops of the linear solver against slow twins, compiled and as plain Python.

They are run through `Hierarchy`, which lends them their arrays; `twins` has the same mathematics on
dense matrices. Boxes are small, odd and thin; plans even (pairs join) and uneven (tables say).
"""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
import twins
from geometries import awkward_box, loaded, packed, solve_fully, ties_of, without_pockets

from simulate.kernels import coarse_operators, faces, krylov, layout, smoothing

MODULES = (faces, krylov, layout, coarse_operators, smoothing)
SINGLE = 1.2e-7  # two roundings to single precision

SHAPES = [
    (4, 5, 6),
    (3, 4, 7),
    (1, 5, 4),
    (4, 1, 5),
    (4, 5, 1),
    (6, 1, 1),
    (1, 1, 6),
    (2, 2, 2),
    (2, 3, 19),
    (2, 2, 35),
]
every_shape = pytest.mark.parametrize("shape", SHAPES, ids=str)
even_or_not = pytest.mark.parametrize("even", [True, False], ids=["even", "uneven"])


@pytest.fixture(autouse=True, params=["compiled", "plain"])
def mode(request, monkeypatch):
    """Once as they are, once with every loop replaced by the Python it was compiled from."""
    if request.param == "plain":
        for module in MODULES:
            for name, loop in vars(module).copy().items():
                if hasattr(loop, "py_func"):
                    monkeypatch.setattr(module, name, loop.py_func)
    return request.param


def natural(values, level):
    """The cells of an array in a level's packed layout, (nz, ny, nx), in double precision."""
    out = np.empty(level.shape)
    layout.unpack(values, level.shape, level.rows, out)
    return out


def spread(mesh, values, kind=np.float64):
    """An array in the packed layout of the finest level, 0 between the cells."""
    out = np.zeros(mesh.r.size, kind)
    layout.pack(values, values.shape, mesh.levels[0].rows, out)
    return out


def tied_box(shape, even, seed=3):
    """A box in which every cell leads to an electrode, loaded; and its ties by cell."""
    cell = without_pockets(awkward_box(shape, seed, metal=0.15, even=even))
    network, mesh = loaded(cell, series=1e-4)
    extra = np.zeros(shape)
    k, j, i = network.faces.where[:, :3].T
    np.add.at(extra, (k, j, i), ties_of(network, 1e-4))
    return cell, mesh, extra


def finest_faces(mesh):
    """The twin starts from the rounded conductances, which define the matrix."""
    level = mesh.levels[0]
    return tuple(natural(t, level) for t in (level.tz, level.ty, level.tx))


# ----------------------------------------------------------------------------------------- layout


@every_shape
@pytest.mark.parametrize("dead", [0.0, 0.5])
def test_an_array_comes_back_from_the_packed_layout(shape, dead):
    cell = awkward_box(shape, seed=29, dead=dead)
    network = cell.network()
    values = np.where(cell.solved, np.random.default_rng(5).normal(size=shape), 0.0)
    there = packed(network, values)
    assert (network.unpack(there) == values).all()
    assert np.count_nonzero(there) == cell.solved.sum()
    assert (there[network.places(np.argwhere(cell.solved))] == values[cell.solved]).all()


@every_shape
def test_potentials_are_carried_where_both_layouts_have_the_cell(shape):
    one, two = (awkward_box(shape, seed=seed, dead=0.5).network() for seed in (29, 31))
    values = np.random.default_rng(7).normal(size=shape)
    there = packed(one, values)
    carried = np.zeros(two.tx.size)
    layout.carry(shape, one.rows, there, two.rows, carried)
    both = np.ones(shape, bool)
    for network in (one, two):
        spans = network.rows[1:-1, 1:-1]
        i = np.arange(shape[2])
        inside = (spans[..., 4, None] <= i) & (i < spans[..., 5, None])
        both &= inside.transpose(1, 0, 2)
    assert (two.unpack(carried) == np.where(both, values, 0.0)).all()


@every_shape
def test_cells_that_hold_nothing_take_what_is_next_to_them_in_the_row_or_above(shape):
    cell = awkward_box(shape, seed=29, dead=0.3)
    network = cell.network()
    draw = np.random.default_rng(11)
    values = np.where(cell.solved & (draw.random(shape) < 0.3), draw.normal(size=shape), 0.0)
    filled = packed(network, values)
    layout.fill_gaps(network.rows, filled)
    expected = values.copy()
    for k, j in product(range(shape[0] - 1, -1, -1), range(shape[1])):
        first, last = network.rows[j + 1, k + 1, 4:]
        row = expected[k, j, first:last]
        held = np.flatnonzero(row)
        for n in np.flatnonzero(row == 0.0):
            before, behind = held[held < n], held[held > n]
            if before.size:
                row[n] = row[before[-1]]
            elif behind.size:
                row[n] = row[behind[0]]
            elif k + 1 < shape[0]:
                low, high = network.rows[j + 1, k + 2, 4:]
                row[n] = expected[k + 1, j, first + n] if low <= first + n < high else 0.0
    assert (network.unpack(filled) == expected).all()


# ------------------------------------------------------------------------------------------ levels


@every_shape
def test_conductances_are_the_twins(shape):
    cell = awkward_box(shape, seed=29)
    network = cell.network()
    twin = twins.conductances(cell.grid, cell.conductivity, cell.label)
    for ours, theirs in zip((network.tz, network.ty, network.tx), twin, strict=True):
        assert network.unpack(ours) == pytest.approx(theirs, rel=SINGLE, abs=0)
    assert network.faces.cell.size == len(
        twins.electrode_faces(cell.grid, cell.conductivity, cell.label)
    )
    assert network.unknowns == cell.solved.sum()


@every_shape
def test_spans_hold_every_cell_that_is_solved_for(shape):
    cell = awkward_box(shape, seed=29, dead=0.6)
    network = cell.network()
    spans = network.rows[1:-1, 1:-1]
    low, high = spans[..., layout.LO], spans[..., layout.HI]
    for k, j, i in np.argwhere(cell.solved):
        assert low[j, k] <= i >> 1 < high[j, k]
        assert spans[j, k, layout.FIRST] <= i < spans[j, k, layout.LAST]
    assert (low[~cell.solved.any(axis=2).T] == high[~cell.solved.any(axis=2).T]).all()
    assert ((high - low) % layout.WIDTH == 0).all()
    assert (2 * (high - low) < shape[2] + 2 * layout.WIDTH + 2).all()


@every_shape
@even_or_not
def test_coarse_levels_are_the_twins(shape, even):
    _, mesh, extra = tied_box(shape, even)
    faces_, gathered = finest_faces(mesh), extra
    for fine, coarse in zip(mesh.levels, mesh.levels[1:], strict=False):
        faces_, gathered = twins.coarsen(faces_, gathered, fine.merge)
        assert coarse.shape == gathered.shape
        for ours, theirs in zip((coarse.tz, coarse.ty, coarse.tx), faces_, strict=True):
            assert natural(ours, coarse) == pytest.approx(theirs, rel=1e-5, abs=0)
        assert natural(coarse.extra, coarse) == pytest.approx(gathered, rel=1e-5, abs=0)
    assert mesh.levels[-1].shape[1:] == (1, 1)


@every_shape
@even_or_not
def test_pivots_are_those_of_elimination_from_the_top(shape, even):
    """1 / (d_k - T_k**2 pivot_{k+1}) along each line, at every level."""
    _, mesh, extra = tied_box(shape, even)
    faces_, held = finest_faces(mesh), extra
    for level in mesh.levels:
        diagonal = np.diag(twins.matrix(faces_, held)).reshape(level.shape)
        above = np.zeros(level.shape[1:])
        for k in range(level.shape[0] - 1, -1, -1):
            left = diagonal[k] - faces_[0][k] ** 2 * above
            above = np.divide(1.0, left, out=np.zeros_like(left), where=diagonal[k] > 0)
            ours = natural(level.pivot, level)[k]
            assert ours == pytest.approx(above, rel=2e-4, abs=0)
        if level.merge is not None:
            faces_, held = twins.coarsen(faces_, held, level.merge)


# ------------------------------------------------------------------------------------------- cycle


@every_shape
@even_or_not
def test_a_cycle_is_the_twins(shape, even):
    """Sweeps, restriction and prolongation, level by level; single against double precision."""
    cell, mesh, extra = tied_box(shape, even)
    b = np.where(cell.solved, np.random.default_rng(41).normal(size=shape), 0.0)
    mesh.levels[0].b[:] = spread(mesh, b, np.float32)
    x = natural(mesh.cycle(), mesh.levels[0])
    twin, rights = twins.cycle(finest_faces(mesh), extra, [lv.merge for lv in mesh.levels], b)
    for level, right in zip(mesh.levels, rights, strict=True):
        assert natural(level.b, level) == pytest.approx(right, abs=1e-4 * np.abs(b).max())
    assert x == pytest.approx(twin, abs=1e-4 * np.abs(twin).max())
    assert not x[~cell.solved].any()


# --------------------------------------------------------------------------------------- iteration


@every_shape
def test_the_operator_is_the_twins_matrix(shape):
    cell, mesh, _ = tied_box(shape, even=False)
    p = np.where(cell.solved, np.random.default_rng(43).normal(size=shape), 0.0)
    q = np.zeros(mesh.r.size)
    product = mesh.apply(spread(mesh, p), q)
    exact = (twins.matrix(finest_faces(mesh)) @ p.ravel()).reshape(shape)
    assert natural(q, mesh.levels[0]) == pytest.approx(
        exact, abs=1e-14 * np.abs(exact).max() + 1e-300
    )
    assert product == pytest.approx((p * exact).sum(), rel=1e-12)


@every_shape
def test_conjugate_gradients_solve_the_twins_system(shape):
    cell, mesh, extra = tied_box(shape, even=True)
    b = np.where(cell.solved, np.random.default_rng(47).normal(size=shape), 0.0)
    mesh.r[:] = spread(mesh, b)
    iterations, residual, _ = mesh.solve(tolerance=1e-5)
    assert residual <= 1e-5
    assert iterations <= 12
    system = twins.matrix(finest_faces(mesh), extra)
    on = cell.solved.ravel()
    x = np.zeros(b.size)
    x[on] = np.linalg.solve(system[np.ix_(on, on)], b.ravel()[on])
    assert natural(mesh.move, mesh.levels[0]) == pytest.approx(
        x.reshape(shape), abs=3e-5 * np.abs(x).max()
    )
    assert np.linalg.norm(natural(mesh.r, mesh.levels[0])) <= 1.01e-5 * np.linalg.norm(b)
    x64, _ = solve_fully(mesh, spread(mesh, b), 1e-12)
    assert natural(x64, mesh.levels[0]) == pytest.approx(
        x.reshape(shape), abs=1e-9 * np.abs(x).max()
    )


@every_shape
def test_sums_and_steps_over_spans_are_numpys(shape):
    cell, mesh, _ = tied_box(shape, even=False)
    draw = np.random.default_rng(53)
    a, b = (np.where(cell.solved, draw.normal(size=shape), 0.0) for _ in range(2))
    finest = mesh.levels[0]
    mesh.phi[:] = spread(mesh, a)
    mesh.move[:] = spread(mesh, b)
    mesh.unit = 2.0
    mesh.advance(0.3)
    assert natural(mesh.phi, finest) == pytest.approx(a + 0.6 * b, rel=SINGLE, abs=SINGLE)
    every = (0, finest.shape[1])
    z, r, q = (spread(mesh, v, np.float32) for v in (a, b, a - b))
    sums = np.zeros((2, finest.shape[1]))
    smoothing.dots(*every, finest.planes, z, r, q, sums)
    assert sums.sum(axis=1) == pytest.approx([(a * b).sum(), (a * (a - b)).sum()], abs=1e-5)
    krylov.norms(*every, finest.planes, r, sums[0])
    assert sums[0] == pytest.approx((b * b).sum(axis=(0, 2)), rel=1e-6)
    krylov.advance(*every, finest.planes, 0.5, q, r, sums[1])
    left = b - 0.5 * (a - b)
    assert natural(r, finest) == pytest.approx(left, abs=1e-6)
    assert sums[1] == pytest.approx((left * left).sum(axis=(0, 2)), rel=1e-6)


def test_sums_at_cells_count_repeats():
    cells, values = np.array([2, 0, 2]), np.array([1.0, 10.0, 100.0])
    out = np.array([0.5, 0.0, 0.25])
    krylov.add_at(cells, values, out)
    assert (out == [10.5, 0.0, 101.25]).all()
    p = np.array([2.0, 7.0, 3.0])
    assert krylov.gather_dot(cells, values, p) == pytest.approx(3.0 + 20.0 + 300.0)


def test_ties_and_a_circuit_that_all_but_lifts_them_cancel_in_double_precision():
    cells, ties = np.array([2, 0]), np.array([1.0, 10.0])
    p = np.array([3.0, 7.0, 2.0], np.float32)
    q = np.array([1.0, 5.0, 1.0], np.float32)
    none = np.zeros(0)
    assert krylov.apply_ties(cells, ties, none, 0.0, p, q) == pytest.approx(4.0 + 90.0)
    assert q == pytest.approx([31.0, 5.0, 3.0])
    same, q[:] = np.full(3, 0.7, np.float32), 0.0
    strength = (1.0 - 1e-9) / ties.sum()
    added = krylov.apply_ties(cells, ties, ties, strength, same, q)
    assert added == pytest.approx(1e-9 * 11.0 * 0.49, rel=1e-5)
    assert q == pytest.approx(np.array([7e-9, 0.0, 7e-10]), rel=1e-5)


@every_shape
def test_what_is_not_solved_for_is_cleared(shape):
    cell, mesh, _ = tied_box(shape, even=False)
    x = spread(mesh, np.ones(shape))
    mesh.clear_dead(x)
    assert (natural(x, mesh.levels[0]) == cell.solved).all()
