"""One table of what the field solver does on this machine, beside general-purpose solvers.

    python benchmarks/field.py            about five minutes
    python benchmarks/field.py --quick    about one
    python benchmarks/field.py --large    also as many cells as fit

Run it on a quiet machine. Ratios are taken within one run, on the same matrix and to the same
relative residual; times are medians of a few runs.
"""

from __future__ import annotations

import argparse
import importlib.util
import os
import statistics
import subprocess
import sys
import tempfile
import time
import tracemalloc
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
from numba import njit

sys.path.insert(0, str(Path(__file__).parent))
from geometries import Cell, make

from simulate.field.memory import memory_needed
from simulate.field.multigrid import FINEST, Hierarchy
from simulate.field.network import Network, build_network
from simulate.field.newton import solve_network
from simulate.field.polarisation import ButlerVolmer, Tafel, law_row
from simulate.field.supply import Supply
from simulate.machine import available_memory, processors
from simulate.run.local_solve import TOLERANCE as PLACE_TOLERANCE

TOLERANCE = 1e-8
TRAFFIC = 137.0
"""Bytes moved per active cell and iteration, counted from the arrays that each pass streams: the
cycle 56, operator and direction 36, update 12, coarse levels 17; and a ninth of what a solve takes
besides, in three rounds of refinement: balance 28, potentials 20."""


def median_time(work: Callable[[], object], repeats: int) -> float:
    """Median wall time of ``work`` [s], after one run that is not counted."""
    work()
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return statistics.median(times)


@njit(nogil=True, error_model="numpy", fastmath=True)
def _triad(a, b, c, first, last):  # type: ignore[no-untyped-def]
    for n in range(first, last):
        a[n] = b[n] + 3.0 * c[n]


def triad(threads: int) -> float:
    """Bandwidth of a = b + s c over arrays larger than any cache [B/s], 24 B counted an entry."""
    size = 20_000_000
    a, b, c = np.zeros(size), np.ones(size), np.ones(size)
    cuts = [size * n // threads for n in range(threads + 1)]
    with ThreadPoolExecutor(threads) as pool:

        def once() -> None:
            list(pool.map(lambda n: _triad(a, b, c, cuts[n], cuts[n + 1]), range(threads)))

        return 24.0 * size / median_time(once, 5)


def memory(cell: Cell) -> float:
    """Most memory that network, levels and vectors of a solve take [B], without the cell."""
    tracemalloc.start()
    Problem(cell).load_and_solve()
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return float(peak)


class Problem:
    """A linear problem: ideal electrodes, 1 V on the plate."""

    def __init__(self, cell: Cell, threads: int = 1) -> None:
        self.cell = cell
        grid = cell.grid
        self.mesh = Hierarchy(grid.shape, (np.diff(grid.y), np.diff(grid.x)), threads)
        self.network = self.build()
        self.iterations = 0

    def build(self) -> Network:
        """The network of the cell."""
        cell = self.cell
        return build_network(cell.grid, cell.conductivity, cell.label, np.zeros(2))

    def load(self) -> None:
        """Set-up: levels of the network."""
        faces = self.network.faces
        self.mesh.load(self.network, faces.conductance)

    def injected(self) -> np.ndarray:
        """Currents into the tied cells at the potentials there are [A]."""
        faces = self.network.faces
        drive = (faces.electrode == 0) - self.mesh.phi[faces.cell]
        return self.mesh.gather(faces.conductance * drive)

    def solve(self) -> None:
        """Solve from zero; needs `load` once."""
        mesh = self.mesh
        mesh.phi[:] = 0.0
        self.iterations = 0
        first = left = mesh.balance(self.injected(), 1.0)
        while left > TOLERANCE * first:
            self.iterations += mesh.solve(tolerance=max(FINEST, 0.5 * TOLERANCE * first / left))[0]
            mesh.advance(1.0)
            left = mesh.balance(self.injected(), left)

    def load_and_solve(self) -> None:
        """What a new place of the swab costs."""
        self.load()
        self.solve()

    def matrix(self):  # type: ignore[no-untyped-def]
        """The same matrix, assembled (SciPy CSR), and its right-hand side."""
        import scipy.sparse as sparse

        network, faces = self.network, self.network.faces
        ties = np.zeros(network.tx.size)
        np.add.at(ties, faces.cell, faces.conductance)
        put_in = np.zeros(network.tx.size)
        self.mesh.phi[:] = 0.0
        put_in[self.mesh.cells] = self.injected()
        tx, ty, tz, tied, rhs = (
            network.unpack(v) for v in (network.tx, network.ty, network.tz, ties, put_in)
        )
        diagonal = tied.copy()
        pairs = []
        number = np.arange(diagonal.size).reshape(diagonal.shape)
        for t, axis in ((tz, 0), (ty, 1), (tx, 2)):
            here, beyond = [slice(None)] * 3, [slice(None)] * 3
            here[axis], beyond[axis] = slice(None, -1), slice(1, None)
            inner = t[tuple(here)]
            diagonal[tuple(here)] += inner
            diagonal[tuple(beyond)] += inner
            on = inner > 0.0
            pairs.append((number[tuple(here)][on], number[tuple(beyond)][on], inner[on]))
        i, j, v = (np.concatenate(parts) for parts in zip(*pairs, strict=True))
        active = np.flatnonzero(diagonal.ravel())
        place = np.full(diagonal.size, -1, np.int64)
        place[active] = np.arange(active.size)
        off = sparse.coo_matrix((v, (place[i], place[j])), shape=(active.size, active.size))
        whole = sparse.diags(diagonal.ravel()[active]) - off - off.T
        return whole.tocsr(), rhs.ravel()[active]


def table_of_solves(sizes: list[int], repeats: int) -> None:
    """Iterations, times and share of the triad (of before and after) for bath and swab."""
    memory(make("swab", 20))  # what is loaded with the loops does not count
    print("\nLinear solve to a relative residual of 1e-8")
    print("cell       cells   active threads  its network  set-up   solve ns/act/it triad B/cell")
    for kind in ("bath", "swab"):
        for count in sizes:
            cell = make(kind, count)
            each_cell = memory(cell) / cell.label.size
            for threads in sorted({1, processors()}):
                before = triad(threads)
                problem = Problem(cell, threads)
                network = median_time(problem.build, 1)
                setup = median_time(problem.load, repeats)
                solve = median_time(problem.solve, repeats)
                active = problem.network.unknowns
                each = solve / problem.iterations / active
                bandwidth = 0.5 * (before + triad(threads))
                share = TRAFFIC / each / bandwidth
                print(
                    f"{kind:6s} {cell.label.size / 1e6:7.2f} M {active / 1e6:6.2f} M {threads:5d}"
                    f" {problem.iterations:6d} {network:7.4f} {setup:7.4f} {solve:7.4f}"
                    f" {1e9 * each:9.2f} {share:5.0%} {each_cell:5.0f}",
                    flush=True,
                )
                del problem


def table_of_hard_cells(count: int) -> None:
    """Iterations where a plain solver is weak."""
    print("\nIterations to 1e-8 on harder cells")
    hard = {
        "z graded 1:40": make("bath", count, z_ratio=40.0),
        "z graded 1:1000": make("bath", count, z_ratio=1000.0),
        "all axes graded, x and y 1:20": make("bath", count, z_ratio=20.0, xy_ratio=20.0),
        "all axes graded, x and y 1:60": make("bath", count, z_ratio=20.0, xy_ratio=60.0),
        "swab, all axes graded 1:20": make("swab", count, z_ratio=20.0, xy_ratio=20.0),
        "30 % scattered dead cells": make("scattered", count),
        "log-normal conductivity": make("grainy", count),
    }
    for name, cell in hard.items():
        problem = Problem(cell)
        problem.load_and_solve()
        print(f"  {name:32s} {problem.iterations:4d}", flush=True)


def peers(matrix, rhs):  # type: ignore[no-untyped-def]
    """General-purpose solvers: name -> (set-up, solve); solve returns its iterations."""
    from scipy.sparse.linalg import LinearOperator, cg

    def run(preconditioner) -> int:  # type: ignore[no-untyped-def]
        count = 0

        def step(_: object) -> None:
            nonlocal count
            count += 1

        cg(matrix, rhs, rtol=TOLERANCE, maxiter=5000, M=preconditioner, callback=step)
        return count

    inverse = 1.0 / matrix.diagonal()
    jacobi = LinearOperator(matrix.shape, matvec=lambda v: inverse * v)
    found = {"CG + Jacobi (scipy)": (lambda: jacobi, run)}
    if importlib.util.find_spec("pyamg"):
        import pyamg

        found["CG + Ruge-Stueben (pyamg)"] = (
            lambda: pyamg.ruge_stuben_solver(matrix).aspreconditioner(),
            run,
        )
        found["CG + smoothed aggregation (pyamg)"] = (
            lambda: pyamg.smoothed_aggregation_solver(matrix).aspreconditioner(),
            run,
        )
    if importlib.util.find_spec("petsc4py"):
        found |= _petsc(matrix, rhs)
    return found


def _petsc(matrix, rhs):  # type: ignore[no-untyped-def]
    """CG + algebraic multigrid of PETSc, where it is installed."""
    from petsc4py import PETSc

    a = PETSc.Mat().createAIJ(matrix.shape, csr=(matrix.indptr, matrix.indices, matrix.data))
    b, x = PETSc.Vec().createWithArray(rhs), PETSc.Vec().createWithArray(np.zeros(rhs.size))

    def setup():  # type: ignore[no-untyped-def]
        solver = PETSc.KSP().create()
        solver.setOperators(a)
        solver.setType("cg")
        solver.getPC().setType("gamg")
        solver.setTolerances(rtol=TOLERANCE)
        solver.setUp()
        return solver

    def run(solver) -> int:  # type: ignore[no-untyped-def]
        solver.solve(b, x)
        return int(solver.getIterationNumber())

    return {"CG + GAMG (PETSc)": (setup, run)}


def table_of_peers(counts: list[tuple[str, int]], repeats: int) -> None:
    """Set-up and solve against general-purpose solvers on the same matrix, one thread each."""
    print("\nThe same matrix, one thread; ratios are theirs over ours")
    for kind, count in counts:
        problem = Problem(make(kind, count))
        setup = median_time(problem.load, repeats)
        solve = median_time(problem.solve, repeats)
        matrix, rhs = problem.matrix()
        print(f"  {kind}, {rhs.size / 1e6:.3f} M unknowns")
        print("    solver                               its  set-up    solve   solve x  both x")
        print(f"    {'this':34s} {problem.iterations:5d} {setup:7.3f} {solve:8.3f}", flush=True)
        for name, (make_one, run) in peers(matrix, rhs).items():
            start = time.perf_counter()
            ready = make_one()
            middle = time.perf_counter()
            iterations = run(ready)
            first = time.perf_counter() - middle
            again = median_time(lambda: run(ready), 3) if first < 5.0 else first  # noqa: B023
            theirs = (middle - start, again)
            print(
                f"    {name:34s} {iterations:5d} {theirs[0]:7.3f} {theirs[1]:8.3f}"
                f" {theirs[1] / solve:8.1f} {sum(theirs) / (setup + solve):8.1f}",
                flush=True,
            )


LAWS = np.array(
    [
        law_row(Tafel(0.3, 0.026, equilibrium=-0.42, film_resistance=1e-5, limit=2e4)),
        law_row(ButlerVolmer(1e-3, 0.052, 0.052, equilibrium=-0.14)),
    ]
)
SUPPLY = Supply(9.4, 2.3)


def table_of_stops(sizes: list[int], stops: int) -> None:
    """Whole stops: network, levels, Newton with circuit, at places one cell apart."""
    print(f"\nStops per second: polarisation and circuit included, tolerance {PLACE_TOLERANCE:g}")
    print("window                active  workers  stops/s  Newton  its warm  its cold  its linear")
    for count in sizes:
        cell = make("swab", count)
        problem = Problem(cell)
        problem.load_and_solve()
        cold = solve_network(
            problem.network, LAWS, SUPPLY, tolerance=PLACE_TOLERANCE, hierarchy=problem.mesh
        )
        for workers in sorted({1, processors()}):
            with ThreadPoolExecutor(workers) as pool:
                meshes = [Problem(cell) for _ in range(workers)]
                walked = []

                def walk(pool=pool, meshes=meshes, walked=walked):  # type: ignore[no-untyped-def]
                    walked[:] = pool.map(_walk, meshes, [stops // len(meshes)] * len(meshes))

                seconds = median_time(walk, 5)
            done = sum(len(each) for each in walked)
            warm = statistics.mean(s.iterations for each in walked for s in each[1:])
            steps = statistics.mean(s.newton_steps for each in walked for s in each[1:])
            shape = " x ".join(str(n) for n in reversed(cell.grid.shape))
            print(
                f"{shape:18s} {problem.network.unknowns / 1e6:7.3f} M {workers:6d}"
                f" {done / seconds:9.1f} {steps:7.1f} {warm:9.1f} {cold.iterations:9d}"
                f" {problem.iterations:11d}",
                flush=True,
            )


def _walk(problem: Problem, count: int):  # type: ignore[no-untyped-def]
    """Solve ``count`` places: the openings under the swab move by one cell a place."""
    cell, solution, found = problem.cell, None, []
    conductivity, wet = cell.conductivity.copy(), cell.conductivity.max()
    mask = (cell.grid.z[1:] > 0.0) & (cell.grid.z[1:] <= 0.2001e-3)
    under = cell.conductivity[np.flatnonzero(~mask)[1]] > 0.0
    wide = make("bath", cell.label.shape[2]).conductivity[1] > 0.0
    for n in range(count):
        openings = np.roll(wide, n, axis=1) & under
        conductivity[mask] = np.where(openings, wet, 0.0)
        network = build_network(cell.grid, conductivity, cell.label, np.zeros(2))
        solution = solve_network(
            network, LAWS, SUPPLY, tolerance=PLACE_TOLERANCE, hierarchy=problem.mesh, start=solution
        )
        found.append(solution)
    return found


def table_of_large(limit: float) -> None:
    """As many cells as fit."""
    print("\nLarge boxes, all processors")
    for kind, count in (("swab", 432), ("bath", 432), ("swab", 632), ("bath", 632), ("bath", 800)):
        shape = (round(0.4 * count) + 2, count, count)
        needed = memory_needed(shape) * (1.0 if kind == "bath" else 0.25) + 9.0 * np.prod(shape)
        if needed > limit:
            print(
                f"  {kind}, {np.prod(shape) / 1e6:.0f} M cells: {needed / 2**30:.0f} GiB, too many"
            )
            continue
        problem = Problem(make(kind, count), processors())
        start = time.perf_counter()
        problem.load_and_solve()
        seconds = time.perf_counter() - start
        active = problem.network.unknowns / 1e6
        print(
            f"  {kind}, {np.prod(shape) / 1e6:5.1f} M cells, {active:5.1f} M active: "
            f"{problem.iterations} iterations, {seconds:.1f} s",
            flush=True,
        )
        del problem
    free = available_memory()
    cells = free / (memory_needed((255, 632, 632)) / (255 * 632 * 632) + 9.0)
    print(f"  {free / 2**30:.1f} GiB free hold a bath of {cells / 1e6:.0f} M cells, conductivity")
    print(f"  and labels included; peak of this process {_peak() / 2**30:.1f} GiB")


def _peak() -> float:
    """Highest memory of this process so far [B]."""
    import resource

    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024.0


def latency() -> None:
    """Whole process on the demo: first run with an empty cache of compiled code, and cached."""
    print("\nThe demo case as a whole process")
    case = Path(__file__).parent.parent / "cases" / "garden_tag.toml"
    names = "first run, everything compiled", "cached"
    times: dict[str, list[float]] = {name: [] for name in names}
    for _ in range(3):
        with tempfile.TemporaryDirectory() as folder:
            environment = os.environ | {"NUMBA_CACHE_DIR": f"{folder}/compiled"}
            for name in names:
                start = time.perf_counter()
                subprocess.run(
                    [sys.executable, "-m", "simulate", "etch", str(case), "--quiet", "--force",
                     "--out", f"{folder}/run"],
                    check=True, env=environment, stdout=subprocess.DEVNULL,
                )  # fmt: skip
                times[name].append(time.perf_counter() - start)
    for name, found in times.items():
        each = ", ".join(f"{seconds:.1f}" for seconds in sorted(found))
        print(f"  {name:32s} {statistics.median(found):6.1f} s   ({each})", flush=True)


def main() -> None:
    """Print all tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="small sizes only")
    parser.add_argument("--large", action="store_true", help="also as many cells as fit")
    options = parser.parse_args()
    sizes = [108] if options.quick else [108, 216, 342]
    bandwidth = {threads: triad(threads) for threads in sorted({1, processors()})}
    print(f"{processors()} processors, {available_memory() / 2**30:.0f} GiB free")
    for threads, value in bandwidth.items():
        print(f"triad with {threads} threads: {value / 1e9:.1f} GB/s (24 B counted)")
    table_of_solves(sizes, 5)
    table_of_hard_cells(60 if options.quick else 108)
    table_of_peers([("swab", 100)] if options.quick else [("bath", 116), ("swab", 200)], 7)
    table_of_stops([100] if options.quick else [100, 200], 24 if options.quick else 60)
    if options.large:
        table_of_large(available_memory())
    latency()


if __name__ == "__main__":
    main()
