"""The linear solver: its matrix, and how many iterations it takes, whatever it is given."""

from __future__ import annotations

import numpy as np
import pytest
from geometries import (
    awkward_box,
    bath,
    between_plates,
    grainy,
    heights,
    loaded,
    scattered,
    solve_fully,
    swab,
    ties_of,
    whole_operator,
    without_pockets,
)

import simulate as sf
from simulate.field import multigrid
from simulate.field.multigrid import Hierarchy

BOXES = [awkward_box(shape, seed=5) for shape in ((6, 7, 8), (5, 9, 1), (4, 1, 9), (1, 6, 6))]
every_box = pytest.mark.parametrize("cell", BOXES, ids=lambda cell: str(cell.grid.shape))


def somewhere(cell, seed):
    """Random numbers in the cells that are solved for, in the packed layout."""
    network = cell.network()
    values = np.zeros(network.tx.size)
    places = network.places(np.argwhere(cell.solved))
    values[places] = np.random.default_rng(seed).normal(size=places.size)
    return values


# -------------------------------------------------------------------------------------- the matrix


@every_box
@pytest.mark.parametrize("circuit", [False, True])
def test_the_matrix_is_symmetric(cell, circuit):
    _, mesh = loaded(cell)
    lead = mesh.gather(np.ones(cell.network().faces.cell.size)) * 1e-3 if circuit else None
    A = whole_operator(mesh, lead, 0.5 / lead.sum() if circuit else 0.0)
    x, y = somewhere(cell, 7), somewhere(cell, 8)
    assert x @ A(y) == pytest.approx(y @ A(x), rel=1e-13)


@every_box
def test_the_matrix_is_positive_definite(cell):
    cell = without_pockets(cell)
    network, mesh = loaded(cell)
    A = whole_operator(mesh)
    for seed in range(20, 30):
        x = somewhere(cell, seed)
        assert x @ A(x) > 0
    ones = (somewhere(cell, 31) != 0).astype(float)
    assert ones @ A(ones) == pytest.approx(ties_of(network).sum(), rel=1e-12)


@every_box
def test_a_constant_potential_drives_no_current_at_all(cell):
    """In flux form each face's current is a difference: exactly 0, not to rounding."""
    _, mesh = loaded(cell)
    q = np.full(mesh.r.size, np.nan)
    assert mesh.apply(np.full(mesh.r.size, 0.7), q) == 0.0
    assert not q[cell.network().places(np.argwhere(cell.solved))].any()


@every_box
def test_what_leaves_one_cell_enters_another(cell):
    """sum(A p) = 0 to rounding, also on a potential that is large against its differences."""
    _, mesh = loaded(cell)
    q = np.zeros(mesh.r.size)
    p = 1e6 + somewhere(cell, 9)
    mesh.apply(p, q)
    assert abs(q.sum()) <= 1e-13 * np.abs(q).sum()


@every_box
def test_the_product_is_summed_on_the_way(cell):
    _, mesh = loaded(cell)
    p, q = somewhere(cell, 10), np.zeros(mesh.r.size)
    product = mesh.apply(p, q)
    assert product == pytest.approx(p @ q, rel=1e-13)


@every_box
@pytest.mark.parametrize("circuit", [False, True])
def test_the_energy_is_that_of_the_whole_matrix(cell, circuit):
    cell = without_pockets(cell)
    _, mesh = loaded(cell)
    lead, strength = (0.3 * mesh.ties, 0.2) if circuit else (None, 0.0)
    mesh.r[:] = somewhere(cell, 11)
    _, _, energy = mesh.solve(tolerance=1e-5, lead=lead, strength=strength)
    x = mesh.move.astype(float)
    assert energy == pytest.approx(x @ whole_operator(mesh, lead, strength)(x), rel=1e-5)


@every_box
def test_what_is_left_of_a_balance_is_what_is_injected_less_what_flows_off(cell):
    """Digit for digit where the two all but cancel: the tied cells, in double precision."""
    _, mesh = loaded(cell)
    mesh.phi[:] = phi = 1e3 + somewhere(cell, 21)
    q = np.zeros(phi.size)
    mesh.apply(phi, q)
    injected = q[mesh.cells] * (1.0 + 1e-9)
    norm = mesh.balance(injected, 0.25)
    left = -q
    left[mesh.cells] += injected
    assert 0.25 * mesh.r == pytest.approx(left, rel=3e-7, abs=1e-13 * np.abs(q).max())
    assert norm == pytest.approx(np.linalg.norm(left), rel=1e-6)


@every_box
def test_the_cycle_is_symmetric(cell):
    """x . M y = y . M x to the rounding of single precision: sound for conjugate gradients."""
    cell = without_pockets(cell)
    _, mesh = loaded(cell)
    x, y = somewhere(cell, 18), somewhere(cell, 19)

    def cycle(b):
        mesh.levels[0].b[:] = b
        return mesh.cycle().astype(float)

    forth, back = x @ cycle(y), y @ cycle(x)
    size = np.linalg.norm(x) * np.linalg.norm(cycle(y))
    assert forth == pytest.approx(back, abs=1e-5 * size)
    assert x @ cycle(x) > 0


@every_box
@pytest.mark.parametrize("circuit", [False, True])
def test_the_solution_solves_the_matrix(cell, circuit):
    """Checked with the operator itself, not with the residual that the iteration carries along."""
    cell = without_pockets(cell)
    _, mesh = loaded(cell)
    lead = 0.8 * mesh.ties if circuit else None
    strength = 1.0 / lead.sum() if circuit else 0.0
    b = somewhere(cell, 12)
    mesh.r[:] = b
    iterations, residual, _ = mesh.solve(tolerance=1e-5, lead=lead, strength=strength)
    left = b - whole_operator(mesh, lead, strength)(mesh.move.astype(float))
    assert iterations <= 10
    assert residual <= 1e-5
    assert np.linalg.norm(left) <= 1.2e-5 * np.linalg.norm(b)
    x, iterations = solve_fully(mesh, b, 1e-11, lead, strength)
    assert iterations <= 24
    left = b - whole_operator(mesh, lead, strength)(x)
    assert np.linalg.norm(left) <= 1e-11 * np.linalg.norm(b)


def test_nothing_to_solve_takes_no_iteration():
    cell = BOXES[0]
    _, mesh = loaded(cell)
    mesh.move[:] = 1.0
    assert mesh.solve(tolerance=1e-5) == (0, 0.0, 0.0)
    assert not mesh.move.any()


# ----------------------------------------------------------------------------------- iterations

FINE_BELOW = heights(1e-5, 4e-4, 4e-3)
NEEDLES = heights(1e-7, 4e-4, 4e-3)


def graded_everywhere(cells):
    """A bath graded along all axes, from 0.02 to 0.5 mm in plan: aspects over 20."""
    half = np.cumsum(0.02e-3 * 1.12 ** np.arange(round(7 * cells ** (1 / 6))))
    plan = np.concatenate([-half[::-1], [0.0], half])
    return between_plates(sf.Grid.box(plan, plan, heights(2e-5, 5e-4, 6e-3)), 4.0)


CASES = {
    # what, most iterations to 1e-8 at any size, most growth from the least to the largest
    "bath": (bath, 13, 3),
    "swab": (swab, 14, 3),
    "film a thousandth": (lambda n: swab(n, film=1e-3), 16, 4),
    "film a millionth": (lambda n: swab(n, film=1e-6), 15, 4),
    "film a ten-thousand-millionth": (lambda n: swab(n, film=1e-10), 15, 4),
    "film a thousandfold": (lambda n: swab(n, film=1e3), 15, 4),
    "graded upwards, 40 to 1": (lambda n: bath(n, FINE_BELOW), 16, 2),
    "graded upwards, 4000 to 1": (lambda n: bath(n, NEEDLES), 16, 2),
    "graded along all axes": (graded_everywhere, 20, 5),
    "3 of 10 cells dead": (lambda n: scattered(n, 0.3, 7), 24, 6),
    "log-normal, sigma 1": (lambda n: grainy(n, 1.0, 7), 17, 4),
    "log-normal, sigma 2": (lambda n: grainy(n, 2.0, 7), 32, 12),
}


@pytest.mark.parametrize(("make", "most", "growth"), CASES.values(), ids=CASES)
def test_iterations_do_not_depend_on_the_grid(make, most, growth):
    """From five thousand cells to three hundred thousand, to 1e-8."""
    counts = [make(n).solve(tolerance=1e-8).statistics.iterations for n in (5e3, 4e4, 3e5)]
    assert max(counts) <= most
    assert counts[-1] - counts[0] <= growth


def test_a_swab_at_half_a_million_cells_takes_at_most_20_iterations_to_1e_10():
    statistics = swab(5e5).solve(tolerance=1e-10).statistics
    assert statistics.residual <= 1e-10
    assert statistics.iterations <= 20


@pytest.mark.slow
def test_a_swab_at_four_million_cells_takes_at_most_20_iterations_to_1e_10():
    statistics = swab(4e6).solve(tolerance=1e-10).statistics
    assert statistics.residual <= 1e-10
    assert statistics.iterations <= 20


@pytest.mark.slow
def test_iterations_at_four_million_cells_are_those_of_half_a_million():
    for make in (bath, swab):
        few, many = (make(n).solve(tolerance=1e-8).statistics.iterations for n in (5e5, 4e6))
        assert many <= few + 2


@pytest.mark.parametrize(
    ("resistance", "most"), [(1e-9, 16), (1e-4, 16), (1e-2, 16), (1.0, 16), (1e2, 20), (1e4, 40)]
)
def test_the_electrodes_contact_hardly_matters_to_the_count(resistance, most):
    """From metal straight behind the half cell to metal all but cut off [ohm m2].

    The last is a Wagner number of ten million: what a potential common to all cells drives is then
    a thousand-millionth of what passes between neighbours, less than single precision tells: what
    the first solve leaves is the rounding of its potentials, which takes solves of its own.
    """
    law = sf.Linear(resistance)
    cell = swab(4e4, laws=(law, law))
    field = cell.solve(tolerance=1e-8)
    assert field.statistics.iterations <= most
    assert field.currents["plate"] == pytest.approx(-field.currents["wire"], rel=1e-7)


@pytest.mark.parametrize("weak", [1e-4, 1e-7, 1e-10])
def test_a_column_that_hangs_by_a_thread_takes_the_potential_at_its_end(weak):
    """Liquid joined sideways to the conducting leg by next to nothing: no current, full potential.

    Held to as much of the leg's own potential as the tolerance tells: weak links have weak claims.
    """
    edges = np.linspace(0.0, 8e-3, 9)
    cell = between_plates(sf.Grid.box(edges, edges, np.linspace(0.0, 12e-3, 13)), 1.0)
    kappa = cell.conductivity
    kappa[1:-1] = 0.0
    kappa[1:-1, 2, 2] = kappa[3:10, 4, 4] = 1.0
    kappa[5, 3, 2:5] = kappa[5, 4, 3] = weak
    field = cell.solve(tolerance=1e-10)
    assert field.statistics.iterations <= 12
    assert field.currents["plate"] == pytest.approx(1e-6 / 10e-3, rel=1e-6)
    slack = 1e-10 / weak
    assert field.potential[3:10, 4, 4] == pytest.approx(field.potential[5, 2, 2], abs=1e-6 + slack)


def test_a_pocket_of_liquid_tied_to_nothing_does_not_break_the_solve():
    """Nor if an earlier field left currents in it: they even out, and nothing else changes."""
    plan, up = np.linspace(0.0, 12e-3, 13), np.linspace(0.0, 14e-3, 15)
    cell = between_plates(sf.Grid.box(plan, plan, up), 3.0)
    kappa = cell.conductivity
    kappa[3:12, 2:9, 2:9] = 0.0
    bare = cell.solve().currents["plate"]
    draw = np.random.default_rng(67)
    kappa[4:11, 3:8, 3:8] = np.exp(draw.uniform(-2.0, 2.0, (7, 5, 5)))
    field = cell.solve()
    assert field.statistics.iterations <= 25
    assert field.currents["plate"] == pytest.approx(bare, rel=1e-9)
    network, mesh = loaded(cell)
    pocket = np.zeros(cell.grid.shape, bool)
    pocket[4:11, 3:8, 3:8] = True
    inside = network.places(np.argwhere(pocket))
    b = np.zeros(network.tx.size)
    b[inside] = draw.normal(size=inside.size)
    b[inside] -= b[inside].mean()  # what flows within it sums to nothing
    x, _ = solve_fully(mesh, b, 1e-8)
    assert np.linalg.norm(b - whole_operator(mesh)(x)) <= 1e-8 * np.linalg.norm(b)


# ------------------------------------------------------------------------------------ what it keeps


def solved(mesh, cell, seed=13, tolerance=1e-10):
    x, count = solve_fully(mesh, somewhere(cell, seed), tolerance)
    return count, x


def test_a_hierarchy_that_was_used_gives_the_bits_of_a_fresh_one():
    one, two = (without_pockets(awkward_box((6, 9, 10), seed=seed, even=True)) for seed in (3, 4))
    network, fresh = loaded(one)
    expected = solved(fresh, one)
    _, used = loaded(two)
    solved(used, two)
    used.load(network, ties_of(network))
    found = solved(used, one)
    assert found[0] == expected[0]
    assert (found[1] == expected[1]).all()


def test_new_ties_are_those_of_a_fresh_load_on_the_finest_level():
    cell = without_pockets(awkward_box((6, 9, 10), seed=3))
    _, mesh = loaded(cell, series=1e-3)
    network, fresh = loaded(cell, series=5e-5)
    mesh.retie(ties_of(network, 5e-5))
    assert (mesh.levels[0].pivot == fresh.levels[0].pivot).all()
    (_, x), (_, y) = solved(mesh, cell), solved(fresh, cell)
    assert x == pytest.approx(y, abs=1e-8 * np.abs(y).max())


@pytest.mark.parametrize(("factor", "follows"), [(100.0, True), (0.01, True), (1.2, False)])
def test_coarse_levels_follow_ties_that_change_much_and_keep_those_that_do_not(factor, follows):
    cell = without_pockets(awkward_box((6, 9, 10), seed=3))
    network, mesh = loaded(cell)
    before = mesh.levels[1].extra.copy()
    mesh.retie(factor * ties_of(network))
    after = mesh.levels[1].extra
    assert after == pytest.approx(factor * before if follows else before, rel=1e-6)


def test_ties_that_come_back_leave_no_trace():
    cell = without_pockets(awkward_box((6, 9, 10), seed=3))
    network, mesh = loaded(cell)
    before = mesh.levels[0].pivot.copy()
    mesh.retie(ties_of(network, 1e-3))
    assert (mesh.levels[0].pivot != before).any()
    mesh.retie(ties_of(network))
    assert (mesh.levels[0].pivot == before).all()


def test_entries_of_one_cell_add_up():
    """A cell with metal on two sides is listed twice; its ties are one number."""
    grid = sf.Grid.box(np.arange(4.0), [0.0, 1.0], [0.0, 1.0])
    cell = between_plates(grid, 2.0)
    ends = np.array([[[True, False, False]]]), np.array([[[False, False, True]]])
    for electrode, own in zip(cell.electrodes, ends, strict=True):
        electrode.cells[:] = own
    network, mesh = loaded(cell)
    assert network.faces.cell.size == 2
    assert mesh.cells.size == 1
    assert mesh.gather(np.array([3.0, 4.0])) == pytest.approx([7.0])
    mesh.r[mesh.cells] = 1.0
    mesh.solve(tolerance=1e-5)
    assert mesh.move[mesh.cells] == pytest.approx(1.0 / ties_of(network).sum())


@pytest.mark.parametrize("make", [bath, swab], ids=["bath", "swab"])
def test_any_number_of_threads_gives_the_same_bits(make, monkeypatch):
    monkeypatch.setattr(multigrid, "THREADED", 100)  # else so small a box is left to one
    cell = make(3e4)
    expected = None
    for threads in (1, 2, 3, 5):
        network, mesh = loaded(cell, threads=threads)
        assert len(mesh.levels[0].slabs) == threads
        mesh.r[:] = somewhere(cell, 14)
        result = mesh.solve(tolerance=1e-5), mesh.move.copy()
        expected = expected or result
        assert result[0] == expected[0]
        assert (result[1] == expected[1]).all()
    assert network.unknowns > 1000


# --------------------------------------------------------------------------------------- refusals


def test_a_network_of_another_shape_is_refused():
    network = BOXES[0].network()
    with pytest.raises(ValueError, match=r"\(6, 7, 8\).*\(6, 8, 7\)"):
        Hierarchy((6, 8, 7)).load(network, ties_of(network))


@pytest.mark.parametrize("where", ["right-hand side", "conductance", "tie"])
def test_nan_never_passes_for_converged(where):
    cell = without_pockets(BOXES[0])
    network, mesh = loaded(cell)
    ties = ties_of(network)
    if where == "conductance":
        network.tz[np.argmax(network.tz)] = np.nan
    if where == "tie":
        ties[3] = np.nan
    mesh.load(network, ties)
    mesh.r[:] = somewhere(cell, 15)
    if where == "right-hand side":
        mesh.r[np.argmax(mesh.r)] = np.nan
    with pytest.raises(sf.ConvergenceError) as caught:
        mesh.solve(tolerance=1e-5)
    assert not caught.value.residual <= 1e-5


def test_too_few_iterations_raise_with_what_was_reached():
    cell = without_pockets(BOXES[0])
    _, mesh = loaded(cell)
    mesh.r[:] = somewhere(cell, 16)
    with pytest.raises(sf.ConvergenceError) as caught:
        mesh.solve(tolerance=1e-5, most=3)
    assert caught.value.iterations == 3
    assert caught.value.tolerance == 1e-5
    assert 1e-5 < caught.value.residual < 1.0


def test_a_circuit_that_leaves_nothing_to_hold_on_to_raises():
    """All ties in one lead at full strength: a singular matrix, and currents that do not cancel."""
    cell = without_pockets(BOXES[0])
    _, mesh = loaded(cell)
    mesh.r[:] = np.abs(somewhere(cell, 17))
    lead = mesh.ties
    with pytest.raises(sf.ConvergenceError):
        mesh.solve(tolerance=1e-5, lead=lead, strength=1.0 / lead.sum())


def test_a_solve_that_rounding_holds_up_ends_and_one_that_diverges_does_not():
    """Asked for more than single precision holds, it stops once it gets no further."""
    cell = without_pockets(BOXES[0])
    _, mesh = loaded(cell)
    mesh.r[:] = somewhere(cell, 22)
    iterations, residual, _ = mesh.solve(tolerance=1e-30)
    assert iterations < 100
    assert 1e-30 < residual < multigrid.ENOUGH
