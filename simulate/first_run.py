"""The first run on a machine, when loops are not compiled yet: two processes share that work.

Compiling takes ten times as long as the demo's fields, and one process can compile only one loop at
a time. The linear solver's loops are compiled in a second process, while this one compiles the
others; both find them in numba's cache from then on.
"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

PATIENCE = 300.0
"""Longest time to wait for the second process [s]; without it this one compiles everything."""

_SOLVE = "from simulate.first_run import solve_a_small_box; solve_a_small_box()"


def share_compiling(others: Callable[[], object]) -> None:
    """Compile all loops, the solver's in a second process; does nothing when they are there.

    others : does what compiles the rest.
    """
    if solver_is_compiled() or not sys.executable:
        return
    second = subprocess.Popen(
        [sys.executable, "-c", _SOLVE], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    try:
        others()
        second.wait(PATIENCE)
    except subprocess.TimeoutExpired:
        pass
    finally:
        if second.poll() is None:
            second.kill()
            second.wait()


def solver_is_compiled() -> bool:
    """Whether the last of the solver's loops lies in the cache, or nothing is compiled at all."""
    from simulate.kernels import smoothing

    stats = getattr(smoothing.cycle_below, "stats", None)
    if stats is None or not stats.cache_path:
        return True
    return any(Path(stats.cache_path).glob("smoothing.cycle_below-*.nbi"))


def solve_a_small_box() -> None:
    """Call each loop of the linear solver once, as a run does."""
    import numpy as np

    from simulate.circuit import Supply
    from simulate.conductance import build_network
    from simulate.grid import Grid
    from simulate.multigrid import Hierarchy
    from simulate.polarisation import Tafel, law_row
    from simulate.potential import solve_network

    edges = np.arange(13.0)
    grid = Grid.box(edges, edges, edges)
    label = np.zeros(grid.shape, np.int8)
    label[0], label[-1] = 1, 2
    laws = np.array([law_row(Tafel(1.0, 0.05, limit=10.0)), law_row(Tafel(1.0, 0.05))])
    mesh, start = Hierarchy(grid.shape, (1.0, 1.0)), None
    for kappa in (1.0, 2.0):
        network = build_network(grid, np.full(grid.shape, kappa), label, np.zeros(2))
        start = solve_network(
            network, laws, Supply(1.0, 1.0), tolerance=1e-4, hierarchy=mesh, start=start
        )
