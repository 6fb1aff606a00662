"""Linear solver: one multigrid cycle as preconditioner of conjugate gradients, matrix-free.

The matrix is that of a resistor network on a box of cells,

    (A p)_c = sum over faces T (p_c - p_n) + D_c p_c - strength * lead_c (lead . p),

with T the face conductances [S], D_c the conductance of a cell to electrodes, and a rank-one term
by which an external circuit ties the electrode faces together.

Levels halve the plan (y, x) and keep z; vertical lines are solved exactly, in the order of a
chequered plan. Strong and weak coupling in z, thin films and graded layers are then met by the
same smoother, and a mask's openings are never merged with the mask above or below them
(semi-coarsening with line relaxation: Briggs, Henson & McCormick, A Multigrid Tutorial, 2nd ed.
2000, ch. 7; from memory). The coarse correction is spread as it was gathered, so that the cycle is
symmetric and sound for any conductances. It runs in float32 and changes from step to step by its
rounding, hence the flexible (Polak-Ribiere) conjugate gradients of Notay, SIAM J. Sci. Comput. 22
(2000) 1444 (from memory).
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simulate.coarsening import Merge, merge_pairs
from simulate.conductance import Network, split_size
from simulate.errors import ConvergenceError
from simulate.kernels import iteration, levels, smoothing

Floats = NDArray[np.float32]
Doubles = NDArray[np.float64]
Integers = NDArray[np.int64]
Shape = tuple[int, int, int]

THREADED = 250_000
"""Cells from which on a level's planes are shared among threads."""

_NONE = np.zeros(1, np.float32)


def processors() -> int:
    """Processors this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


@dataclass(eq=False)
class Level:
    """One level: coefficients and work arrays, in the split layout of `kernels.layout`.

    ``merge`` tells how its cells join into those of the next level; ``slabs`` are the ranges of
    planes that threads take.
    """

    shape: Shape
    tx: Floats
    ty: Floats
    tz: Floats
    lo: NDArray[np.int32]
    hi: NDArray[np.int32]
    extra: Floats
    pivot: Floats
    b: Floats
    x: Floats
    merge: Merge | None = None
    slabs: tuple[tuple[int, int], ...] = ()

    @property
    def faces(self) -> tuple[Floats, Floats, Floats]:
        """Conductances along x, y, z."""
        return self.tx, self.ty, self.tz

    @property
    def lines(self) -> tuple[Any, ...]:
        """What the line solvers read, and the vectors they work on."""
        return *self.faces, self.pivot, self.lo, self.hi, self.b, self.x


class Hierarchy:
    """All levels for boxes of one shape, and the vectors of the iteration.

    The arrays are made once and reused for network after network of the same shape: `load` puts a
    network in, `retie` changes the conductances to electrodes, `solve` solves. The same numbers
    come out, to the last bit, for any number of threads. ``phi`` holds the potentials [V]; it keeps
    them from network to network, as a start for the next.

    Parameters
    ----------
    shape : (nz, ny, nx).
    widths : cell widths along y and x [m], arrays or one number each; they decide which cells are
        joined first.
    threads : that share the planes of large levels.
    """

    def __init__(
        self,
        shape: Shape,
        widths: tuple[Any, Any] = (1.0, 1.0),
        threads: int = 1,
    ) -> None:
        self.levels = _make_levels(shape, widths)
        size = split_size(shape)
        self.phi, self.r, self.p, self.q, self.move = (np.zeros(size) for _ in range(5))
        self.threads = threads
        self._foreign = False
        self._sums = np.zeros((2, shape[1]))
        self._cells = np.zeros(0, np.int64)
        self._ties = np.zeros(0)
        self._slots = np.zeros(0, np.int64)
        self._crew = ThreadPoolExecutor(threads) if threads > 1 else None
        self._rows = [np.zeros(2 * shape[2] + 16, np.float32) for _ in range(max(1, threads))]

    # ------------------------------------------------------------------------------ loading

    def begin(self, phi: Doubles | None) -> None:
        """Put a start into ``phi``: None for zero, an array to copy, ``phi`` itself to go on."""
        if phi is None:
            self._on_spans(iteration.clear, self.phi)
        elif phi is not self.phi:
            self.phi[:] = phi
            self._foreign = True

    def load(self, network: Network, cells: Integers, ties: Doubles) -> None:
        """Take a network's conductances and ``ties`` [S] from ``cells`` to electrodes.

        Cells may repeat.
        """
        finest = self.levels[0]
        if network.shape != finest.shape:
            raise ValueError(f"network of {network.shape} in a hierarchy of {finest.shape}")
        # nothing is ever written outside spans, so only those of the last network need clearing
        for vector in (self.r, self.p, self.q, self.move, finest.b, finest.x, finest.pivot):
            self._on_spans(iteration.clear, vector)
        before = (0, finest.shape[1], finest.shape, finest.lo, finest.hi)
        finest.tx, finest.ty, finest.tz = network.tx, network.ty, network.tz
        finest.lo, finest.hi = network.lo, network.hi
        self._slab_levels(finest)
        self._over(
            finest,
            lambda slab, _: levels.factor_lines(
                *slab, finest.shape, *finest.faces, _NONE, finest.lo, finest.hi, finest.pivot
            ),
        )
        self._sort_cells(cells)
        self.retie(ties)
        if self._foreign:
            self.clear_dead(self.phi)
        iteration.clear_dead(*before, finest.pivot, self.phi)
        self._foreign = False
        self._coarsen()

    def _sort_cells(self, cells: Integers) -> None:
        """Distinct cells in the order of lines, each line from its top; and each entry's slot."""
        nz, _, nx = self.levels[0].shape
        stride = 2 * ((nx + 15) // 16 * 8 + 2)
        plane = (nz + 2) * stride
        down = nz + 1 - cells % plane // stride
        key = (cells // plane * stride + cells % stride) * (nz + 2) + down
        _, first, self._slots = np.unique(key, return_index=True, return_inverse=True)
        self._cells = cells[first]

    def gather(self, values: Doubles) -> Doubles:
        """Sums of ``values`` over the entries of each distinct tied cell."""
        sums = np.bincount(self._slots, weights=values, minlength=self._cells.size)
        return np.asarray(sums, dtype=np.float64)

    @property
    def cells(self) -> Integers:
        """The distinct tied cells."""
        return self._cells

    def retie(self, ties: Doubles) -> None:
        """Change the conductances to electrodes; coarse levels keep the earlier ones."""
        level = self.levels[0]
        self._ties = self.gather(ties)
        levels.factor_columns(level.shape, *level.faces, self._cells, self._ties, level.pivot)

    def _coarsen(self) -> None:
        for n, (fine, coarse) in enumerate(pairwise(self.levels)):
            extra = fine.extra if n else _NONE
            merge = fine.merge
            assert merge is not None
            ends = (fine.shape, coarse.shape)
            outs = (*coarse.faces, coarse.extra)
            if merge.regular:
                levels.coarsen_level(*ends, merge.factors, *fine.faces, extra, *outs)
            else:
                levels.coarsen_by_table(*ends, *merge.parents, *fine.faces, extra, *outs)
            if n == 0:
                parents = np.empty_like(self._cells)
                levels.cells_by_table(self._cells, *ends, *merge.parents, parents)
                iteration.add_at(parents, self._ties, coarse.extra)
            if merge.regular:
                levels.coarse_spans(*ends, merge.factors, fine.lo, fine.hi, coarse.lo, coarse.hi)
            else:
                levels.spans_of(coarse.shape, *coarse.faces, coarse.extra, coarse.lo, coarse.hi)
            for vector in (coarse.pivot, coarse.b, coarse.x):
                vector[:] = 0.0
            self._slab_levels(coarse)
            levels.factor_lines(
                0,
                coarse.shape[1],
                coarse.shape,
                *coarse.faces,
                coarse.extra,
                coarse.lo,
                coarse.hi,
                coarse.pivot,
            )

    # ------------------------------------------------------------------------------ threads

    def _slab_levels(self, level: Level) -> None:
        """Cut the planes into slabs of even start and about equal numbers of cells."""
        planes = level.shape[1]
        active = 2 * (level.hi - level.lo).sum(axis=1).astype(np.int64)
        count = self.threads if active.sum() >= THREADED and planes >= 8 * self.threads else 1
        share = np.cumsum(active) / max(int(active.sum()), 1)
        cuts = [0]
        for n in range(1, count):
            cut = int(np.searchsorted(share, n / count)) // 2 * 2
            cuts.append(min(max(cut, cuts[-1] + 4), planes - 4 * (count - n)))
        cuts.append(planes)
        level.slabs = tuple(pairwise(cuts))

    def _over(self, level: Level, work: Callable[[tuple[int, int], int], object]) -> None:
        """Do ``work(slab, number)`` for all slabs of a level, side by side if there are several."""
        if len(level.slabs) == 1 or self._crew is None:
            for number, slab in enumerate(level.slabs):
                work(slab, number)
        else:
            for waiting in [
                self._crew.submit(work, slab, number) for number, slab in enumerate(level.slabs)
            ]:
                waiting.result()

    def _seams(self, level: Level, reach: int) -> list[tuple[int, int]]:
        """Ranges of planes within ``reach`` of where two slabs meet."""
        return [(end - reach, end + reach) for _, end in level.slabs[:-1]]

    # ------------------------------------------------------------------------------ the cycle

    def cycle(self) -> Floats:
        """One cycle on the right-hand side in ``levels[0].b``, from 0; returns ``levels[0].x``."""
        for fine, coarse in pairwise(self.levels):
            self._go_down(fine, coarse)
        last = self.levels[-1]
        smoothing.solve_only_lines(
            last.shape, last.tz, last.pivot, last.lo, last.hi, last.b, last.x
        )
        for coarse, fine in pairwise(reversed(self.levels)):
            self._go_up(fine, coarse)
        return self.levels[0].x

    def _go_down(self, fine: Level, coarse: Level) -> None:
        merge = fine.merge
        assert merge is not None
        if not merge.regular:
            planes = (0, fine.shape[1])
            tx, ty, tz, pivot, lo, hi, b, x = fine.lines
            smoothing.solve_lines_alone(*planes, 0, fine.shape, tz, pivot, lo, hi, b, x)
            smoothing.smooth_colour(*planes, 1, fine.shape, *fine.lines)
            smoothing.restrict_by_table(
                fine.shape, coarse.shape, *merge.parents, tx, ty, pivot, lo, hi, x, coarse.b
            )
            return
        ends = (fine.shape, coarse.shape, merge.factors)
        self._over(
            fine,
            lambda slab, n: smoothing.down(
                *slab, *ends, *fine.lines, coarse.lo, coarse.hi, self._rows[n], coarse.b
            ),
        )
        for seam in self._seams(fine, 1):
            smoothing.smooth_colour(*seam, 1, fine.shape, *fine.lines)
        for first, last in self._missing(fine, merge.factors[0]):
            smoothing.restrict_planes(
                first, last, *ends, fine.tx, fine.ty, fine.pivot, fine.lo, fine.hi, fine.x,
                coarse.lo, coarse.hi, self._rows[0], coarse.b,
            )  # fmt: skip

    def _missing(self, fine: Level, fy: int) -> list[tuple[int, int]]:
        """Coarse planes that no slab finished by itself."""
        ny = fine.shape[1]
        if len(fine.slabs) == 1:
            return []
        done = [smoothing.inner_coarse(*slab, ny, fy) for slab in fine.slabs]
        return [(end, start) for (_, end), (start, _) in pairwise(done) if end < start]

    def _go_up(self, fine: Level, coarse: Level) -> None:
        merge = fine.merge
        assert merge is not None
        if not merge.regular:
            planes = (0, fine.shape[1])
            smoothing.prolong_by_table(
                fine.shape, coarse.shape, *merge.parents, fine.lo, fine.hi, coarse.x, fine.x
            )
            smoothing.smooth_colour(*planes, 1, fine.shape, *fine.lines)
            smoothing.smooth_colour(*planes, 0, fine.shape, *fine.lines)
            return
        ends = (fine.shape, coarse.shape, merge.factors)
        self._over(
            fine,
            lambda slab, n: smoothing.up(*slab, *ends, *fine.lines, coarse.x, self._rows[n]),
        )
        for colour, reach in ((1, 1), (0, 2)):
            for seam in self._seams(fine, reach):
                smoothing.smooth_colour(*seam, colour, fine.shape, *fine.lines)

    # ------------------------------------------------------------------------------ iteration

    def apply(self, p: Doubles, q: Doubles) -> float:
        """q = (network part of A) p, without ties or lead; returns p . q."""
        level, sums = self.levels[0], self._sums[0]
        self._over(
            level,
            lambda slab, _: iteration.apply_planes(
                *slab, level.shape, *level.faces, level.lo, level.hi, p, q, sums
            ),
        )
        return float(sums.sum())

    def rounding(self, x: Doubles) -> float:
        """Norm of A x below which it is nothing but rounding."""
        level, sums = self.levels[0], self._sums[0]
        common = (0, level.shape[1], level.shape, *level.faces, level.lo, level.hi)
        iteration.rounding(*common, x, sums)
        return float(np.finfo(float).eps * np.sqrt(sums.sum()))

    def _on_spans(self, kernel: Callable[..., object], *arrays: Any) -> None:
        level = self.levels[0]
        self._over(level, lambda slab, _: kernel(*slab, level.shape, level.lo, level.hi, *arrays))

    def dot(self, a: Doubles, b: Doubles) -> float:
        """a . b, summed plane by plane."""
        self._on_spans(iteration.inner_product, a, b, self._sums[0])
        return float(self._sums[0].sum())

    def advance(self, x: Doubles, length: float) -> None:
        """x += length * move, and move = 0."""
        self._on_spans(iteration.step_along, length, self.move, x)

    def negate(self, x: Doubles) -> None:
        """x = -x."""
        self._on_spans(iteration.negate, x)

    def clear_dead(self, x: Doubles) -> None:
        """Zero x where nothing is solved for."""
        x[self.levels[0].pivot == 0.0] = 0.0

    def _direct(self, beta: float, z: Floats, sums: Doubles) -> None:
        """p = z + beta p; q = A p without ties."""
        level, p, q = self.levels[0], self.p, self.q
        common = (level.shape, *level.faces, level.lo, level.hi)
        self._over(
            level,
            lambda slab, _: iteration.direct_and_apply(*slab, *common, beta, z, p, q, sums),
        )
        for seam in self._seams(level, 1):
            iteration.apply_planes(*seam, *common, p, q, sums)

    def solve(
        self,
        *,
        tolerance: float,
        lead: Doubles | None = None,
        strength: float = 0.0,
        most: int = 200,
    ) -> tuple[int, float]:
        """Solve A move = r by preconditioned conjugate gradients, from move = 0.

        Parameters
        ----------
        tolerance : on the residual's norm relative to the right-hand side's [-].
        lead : conductances [S] of the distinct tied ``cells`` that an external circuit joins, and
            ``strength`` [1/S] of the rank-one term they make.
        most : iterations allowed.

        Returns
        -------
        iterations, relative residual. ``move``, which must be 0 on entry, holds the solution and
        ``r`` the residual.

        Raises
        ------
        ConvergenceError : not there after ``most`` iterations, or a value is not a number.
        """
        finest = self.levels[0]
        r, p, q = self.r, self.p, self.q
        first, second = self._sums
        start = self.dot(r, r) ** 0.5
        unit = start or 1.0  # the cycle sees numbers of order one, whatever the currents are
        self._on_spans(iteration.begin, unit, r, finest.b, q)
        alpha, zr, residual, count = 0.0, 1.0, 1.0, 0
        while not residual <= tolerance and start != 0.0 and count < most:
            count += 1
            z = self.cycle()
            self._on_spans(iteration.dots, z, r, q, first, second)
            before, zr = zr, float(first.sum())
            beta = -alpha * float(second.sum()) / before if count > 1 else 0.0
            self._direct(beta, z, first)
            pq = float(first.sum()) + iteration.face_products(self._cells, self._ties, p, q)
            if lead is not None:
                along = iteration.gather_dot(self._cells, lead, p)
                iteration.add_at(self._cells, lead * (-strength * along), q)
                pq -= strength * along * along
            if not pq > 0.0:  # the circuit has left the matrix nothing to hold on to, or NaN
                break
            alpha = zr / pq
            self._on_spans(iteration.advance, alpha, unit, p, q, self.move, r, finest.b, first)
            residual = float(first.sum()) ** 0.5 / start
        if start != 0.0 and not residual <= tolerance:
            raise ConvergenceError(
                "the linear solve",
                residual=residual,
                tolerance=tolerance,
                iterations=count,
                remedy="use cells that are less elongated in plan, or a looser tolerance",
            )
        return count, residual if start != 0.0 else 0.0

    def energy(self, lead: Doubles | None, strength: float) -> tuple[float, float]:
        """move . A move, without ties and lead, and with them; uses ``q``."""
        bare = self.apply(self.move, self.q)
        along = self.move[self._cells]
        whole = bare + float(self._ties @ (along * along))
        if lead is not None:
            whole -= strength * float(lead @ along) ** 2
        return bare, whole


def _make_levels(shape: Shape, widths: Sequence[Any]) -> list[Level]:
    chain = [_empty_level(shape, finest=True)]
    hy, hx = (
        np.broadcast_to(np.asarray(w, dtype=float), n)
        for w, n in zip(widths, shape[1:], strict=True)
    )
    while max(chain[-1].shape[1:]) > 1:
        merge = merge_pairs(hy, hx)
        hy, hx = merge.widths
        chain[-1].merge = merge
        chain.append(_empty_level((shape[0], hy.size, hx.size)))
    return chain


def _empty_level(shape: Shape, finest: bool = False) -> Level:
    def array(own: bool = True) -> Floats:
        return np.zeros(split_size(shape) if own else 0, np.float32)

    def span() -> NDArray[np.int32]:
        return np.zeros((shape[1], shape[0]), np.int32)

    return Level(
        shape=shape,
        tx=array(not finest),
        ty=array(not finest),
        tz=array(not finest),
        lo=span(),
        hi=span(),
        extra=array(not finest),
        pivot=array(),
        b=array(),
        x=array(),
    )
