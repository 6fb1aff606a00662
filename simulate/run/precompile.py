"""Parallel compilation of the kernels on a cold cache: two processes share the first run's work.

Compiling takes longer than the demo's fields, and one process compiles one function at a time. The
solver's kernels are compiled in a second process, while this one lays out the case and compiles
the others; both find them in numba's cache from then on.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

PATIENCE = 300.0
"""Longest wait for the second process [s]; after it this one compiles what is missing."""

_SOLVE = """
import gc
gc.disable()  # compiling leaves little garbage
from simulate.run.precompile import solve_a_small_box
solve_a_small_box()
"""


class SecondCompiler:
    """Compiles the solver's kernels while its block runs; does nothing if they are cached."""

    def __init__(self) -> None:
        self._process: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> SecondCompiler:
        if not solver_is_compiled() and sys.executable:
            self._process = subprocess.Popen(
                [sys.executable, "-c", _SOLVE], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
            )
        return self

    def __exit__(self, *_: object) -> None:
        if self._process is not None and self._process.poll() is None:
            self._process.kill()
            self._process.wait()

    @property
    def is_wanted(self) -> bool:
        """True if the second process was started: this one should compile the rest at once."""
        return self._process is not None

    def finish(self) -> None:
        """Wait until it is done, or for as long as that may take."""
        if self._process is not None:
            try:
                self._process.wait(PATIENCE)
            except subprocess.TimeoutExpired:
                self._process.kill()


def solver_is_compiled() -> bool:
    """Whether the last of the solver's kernels is cached, or nothing is compiled at all."""
    from simulate.kernels import smoothing

    stats = getattr(smoothing.cycle_below, "stats", None)
    if stats is None or not stats.cache_path:
        return True
    return any(Path(stats.cache_path).glob("smoothing.cycle_below-*.nbi"))


def solve_a_small_box() -> None:
    """Call each kernel of the solver once, as a run does."""
    import numpy as np

    from simulate.field.grid import Grid
    from simulate.field.multigrid import Hierarchy
    from simulate.field.network import build_network
    from simulate.field.newton import solve_network
    from simulate.field.polarisation import Tafel, law_row
    from simulate.field.supply import Supply

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
