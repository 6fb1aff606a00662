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
symmetric and sound for any conductances. All runs in single precision, and the cycle changes from
step to step by its rounding, hence the flexible (Polak-Ribiere) conjugate gradients of Notay, SIAM
J. Sci. Comput. 22 (2000) 1444 (from memory). What such a solve leaves of the potentials' balance is
found in double precision and solved for again: iterative refinement (Golub & Van Loan, Matrix
Computations, 4th ed. 2013, sec. 3.5.3; from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simulate.errors import ConvergenceError
from simulate.field.level import Level, make_levels, share_rows
from simulate.field.network import Faces, Network
from simulate.kernels import coarse_operators, krylov, layout, smoothing

Floats = NDArray[np.float32]
Doubles = NDArray[np.float64]
Integers = NDArray[np.int64]
Shape = tuple[int, int, int]

THREADED = 250_000
"""Cells from which on a level's planes are shared among threads."""

FINEST = 1e-5
"""To what part of itself a right-hand side is solved at a time [-]. The vectors of the iteration
are in single precision; who wants more finds what is left in double precision and solves again."""

ENOUGH, STALL = 1e-2, 10
"""A solve that has come down to `ENOUGH` [-] and in `STALL` iterations not to half is held up by
rounding."""

LAG = 0.5
"""By how much the conductances to electrodes may change before coarse levels are made anew [-]."""


class Hierarchy:
    """All levels for boxes of one shape, and the vectors of the iteration.

    The arrays are made once and reused for network after network of the same shape: `load` puts a
    network in, `retie` changes the conductances to electrodes, `solve` solves. The same numbers
    come out, to the last bit, for any number of threads. ``phi`` holds the potentials [V]; `place`
    is told what the next network starts from.

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
        self.levels = make_levels(shape, widths)
        self._table, self._all_rows = share_rows(self.levels[1:])
        self.phi = np.zeros(0)
        self.unit = 1.0
        self.p, self.q, self.move = (np.zeros(0, np.float32) for _ in range(3))
        self.threads = threads
        self._sums, self._no_sums = np.zeros((2, shape[1])), np.zeros((2, 0))
        self._cells = np.zeros(0, np.int64)
        self._where = np.zeros((0, 3), np.int64)
        self.ties = self._coarse_ties = np.zeros(0)
        self._slots = np.zeros(0, np.int64)
        self._crew = ThreadPoolExecutor(threads - 1) if threads > 1 else None
        self._rows = np.zeros((max(4, threads), shape[2] + 64), np.float32)
        self._whole = 1

    # ------------------------------------------------------------------------------ loading

    def place(self, network: Network, start: tuple[Doubles, Integers] | None = None) -> Doubles:
        """Make room for a network; returns ``phi``, with what it starts from in its layout.

        start : potentials [V] and the ``rows`` of their layout; from 0 without.
        """
        finest = self.levels[0]
        if network.shape != finest.shape:
            raise ValueError(f"network of {network.shape} in a hierarchy of {finest.shape}")
        finest.rows, finest.planes = network.rows, network.planes
        self._make_room(network.tx.size)
        size = self.move.size
        if start is not None and start[1] is network.rows and start[0].size == size:
            self.phi = start[0]
        else:
            self.phi = np.zeros(size)
            if start is not None:
                layout.carry(network.shape, start[1], start[0], network.rows, self.phi)
                layout.fill_gaps(network.rows, self.phi)
        return self.phi

    def load(self, network: Network, ties: Doubles) -> None:
        """Take a network's conductances, and ``ties`` [S] from cells to electrodes, one a face."""
        finest = self.levels[0]
        if finest.rows is not network.rows:
            self.place(network)
        finest.tx, finest.ty, finest.tz = network.tx, network.ty, network.tz
        self._slab_levels(finest)
        self._over(
            finest,
            lambda slab, _: coarse_operators.factor_lines(
                *slab, finest.shape, finest.rows, *finest.faces, finest.extra, finest.pivot
            ),
        )
        self._sort_cells(network.faces)
        self._coarse_ties = np.zeros(self._cells.size)
        self.retie(ties)
        self.clear_dead(self.phi)

    def _make_room(self, size: int) -> None:
        """The finest level's arrays, all 0, for a network of ``size`` places."""
        finest = self.levels[0]
        if self.move.size < size:
            room = size if self.move.size == 0 else size + size // 8
            self.p, self.q, self.move = (np.zeros(room, np.float32) for _ in range(3))
            finest.pivot, finest.b, finest.x = (np.zeros(room, np.float32) for _ in range(3))
        else:
            for vector in (self.p, self.q, self.move, finest.pivot, finest.b, finest.x):
                vector[:] = 0.0

    def _sort_cells(self, faces: Faces) -> None:
        """Distinct cells in the order of lines, each line from its top; and each entry's slot."""
        nz, _, nx = self.levels[0].shape
        k, j, i = faces.where[:, :3].astype(np.int64).T
        key = (j * nx + i) * nz + (nz - 1 - k)
        _, first, self._slots = np.unique(key, return_index=True, return_inverse=True)
        self._cells = faces.cell[first]
        self._where = np.ascontiguousarray(faces.where[first, :3], dtype=np.int64)

    def gather(self, values: Doubles) -> Doubles:
        """Sums of ``values`` over the entries of each distinct tied cell."""
        sums = np.bincount(self._slots, weights=values, minlength=self._cells.size)
        return np.asarray(sums, dtype=np.float64)

    @property
    def r(self) -> Floats:
        """What a solve starts from and leaves: the unbalanced currents, in ``unit`` [A]."""
        return self.levels[0].b

    @property
    def cells(self) -> Integers:
        """The distinct tied cells."""
        return self._cells

    def retie(self, ties: Doubles) -> None:
        """Change the conductances to electrodes; coarse levels follow if much has changed."""
        level = self.levels[0]
        self.ties = self.gather(ties)
        coarse_operators.factor_columns(
            level.rows, self._where, *level.faces, self.ties, level.pivot
        )
        changed = np.abs(self.ties - self._coarse_ties).sum()
        if changed > LAG * self._coarse_ties.sum():
            self._coarsen()

    def _coarsen(self) -> None:
        self._coarse_ties = self.ties
        end = 0
        for fine, coarse in pairwise(self.levels):
            assert fine.merge is not None
            ends = (fine.shape, coarse.shape)
            layout.merge_spans(*ends, *fine.merge.parents, fine.rows, coarse.rows)
            end = layout.lay_rows(end, coarse.shape, coarse.rows, coarse.planes)
        self._share(end)
        for n, (fine, coarse) in enumerate(pairwise(self.levels)):
            merge = fine.merge
            assert merge is not None
            rows = (fine.rows, coarse.rows)
            outs = (*coarse.faces, coarse.extra)
            if merge.regular and merge.factors == (2, 2):
                ends = (fine.shape, coarse.shape)
                coarse_operators.coarsen_level(
                    *ends, *rows, *fine.faces, fine.extra, *outs, self._rows
                )
            else:
                coarse_operators.coarsen_by_table(
                    fine.shape, *merge.parents, *rows, *fine.faces, fine.extra, *outs
                )
            if n == 0:
                parents = np.empty_like(self._cells)
                coarse_operators.coarse_places(self._where, *merge.parents, coarse.rows, parents)
                krylov.add_at(parents, self.ties, coarse.extra)
            self._slab_levels(coarse)
            coarse_operators.factor_lines(
                0, coarse.shape[1], coarse.shape, coarse.rows, *coarse.faces, coarse.extra,
                coarse.pivot,
            )  # fmt: skip
        self._whole = len(self.levels) - 1
        while self._whole > 1 and self._plain(self.levels[self._whole - 1]):
            self._whole -= 1

    @staticmethod
    def _plain(level: Level) -> bool:
        """Whether one compiled loop may take the level along."""
        return len(level.slabs) == 1 and level.merge is not None and level.merge.regular

    def _share(self, size: int) -> None:
        """The coarser levels' arrays, all 0, for ``size`` places."""
        if len(self.levels) == 1:
            return
        names = ("tx", "ty", "tz", "extra", "pivot", "b", "x")
        arrays = [getattr(self.levels[1], name) for name in names]
        if arrays[0].size < size:
            room = size if arrays[0].size <= 1 else size + size // 8
            arrays = [np.zeros(room, np.float32) for _ in names]
        else:
            for array in arrays:
                array[:] = 0.0
        for level in self.levels[1:]:
            for name, array in zip(names, arrays, strict=True):
                setattr(level, name, array)

    # ------------------------------------------------------------------------------ threads

    def _slab_levels(self, level: Level) -> None:
        """Cut the planes into slabs of even start and about equal numbers of cells."""
        planes = level.shape[1]
        held = level.planes - level.planes[0]
        count = self.threads if held[-1] >= THREADED and planes >= 8 * self.threads else 1
        share = held[1:] / max(int(held[-1]), 1)
        cuts = [0]
        for n in range(1, count):
            cut = int(np.searchsorted(share, n / count)) // 2 * 2
            cuts.append(min(max(cut, cuts[-1] + 4), planes - 4 * (count - n)))
        cuts.append(planes)
        level.slabs = tuple(pairwise(cuts))

    def _over(self, level: Level, work: Callable[[tuple[int, int], int], object]) -> None:
        """Do ``work(slab, number)`` for all slabs of a level, side by side if there are several."""
        first, *others = level.slabs
        if self._crew is None:
            for number, slab in enumerate(level.slabs):
                work(slab, number)
            return
        waiting = [self._crew.submit(work, slab, n) for n, slab in enumerate(others, 1)]
        work(first, 0)
        for part in waiting:
            part.result()

    def _seams(self, level: Level, reach: int) -> list[tuple[int, int]]:
        """Ranges of planes within ``reach`` of where two slabs meet."""
        return [(end - reach, end + reach) for _, end in level.slabs[:-1]]

    # ------------------------------------------------------------------------------ the cycle

    def cycle(self) -> Floats:
        """One cycle on the right-hand side ``r``, from 0; returns ``levels[0].x``.

        Its products with ``r`` and ``q`` are left in the sums.
        """
        top = self.levels[: self._whole + 1]
        for fine, coarse in pairwise(top):
            self._go_down(fine, coarse)
        last = top[-1]
        if len(self.levels) > 1:
            smoothing.cycle_below(
                self._table[self._whole - 1 :], self._all_rows, last.planes, *last.faces,
                last.pivot, last.b, last.x, self._rows[0], self._no_sums,
            )  # fmt: skip
        else:
            smoothing.solve_only_lines(
                last.shape[1], last.rows, last.tz, last.pivot, last.b, last.x
            )
            self._on_planes(smoothing.dots, last.x, last.b, self.q, self._sums)
        for coarse, fine in pairwise(reversed(top)):
            self._go_up(fine, coarse)
        return self.levels[0].x

    def _go_down(self, fine: Level, coarse: Level) -> None:
        merge = fine.merge
        assert merge is not None
        rows, tx, ty, tz, pivot, b, x = fine.lines
        if not merge.regular:
            planes = (0, fine.shape[1])
            smoothing.solve_lines_alone(*planes, 0, fine.shape, rows, tz, pivot, b, x)
            smoothing.smooth_colour(*planes, 1, fine.shape, *fine.lines)
            coarse.b[coarse.planes[0] : coarse.planes[-1]] = 0.0
            smoothing.restrict_by_table(
                fine.shape, *merge.parents, rows, tx, ty, pivot, x, coarse.rows, coarse.b
            )
            return
        ends = (fine.shape, merge.factors)
        self._over(
            fine,
            lambda slab, n: smoothing.down(
                *slab, *ends, *fine.lines, coarse.rows, self._rows[n], coarse.b
            ),
        )
        for seam in self._seams(fine, 1):
            smoothing.smooth_colour(*seam, 1, fine.shape, *fine.lines)
        for first, last in self._missing(fine, merge.factors[0]):
            smoothing.restrict_planes(
                first, last, *ends, rows, tx, ty, pivot, x, coarse.rows, self._rows[0], coarse.b
            )

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
                fine.shape, *merge.parents, fine.rows, coarse.rows, coarse.x, fine.x
            )
            smoothing.smooth_colour(*planes, 1, fine.shape, *fine.lines)
            smoothing.smooth_colour(*planes, 0, fine.shape, *fine.lines)
            if fine is self.levels[0]:
                smoothing.dots(*planes, fine.planes, fine.x, fine.b, self.q, self._sums)
            return
        rows, *lines = fine.lines
        sums = self._sums if fine is self.levels[0] else self._no_sums
        self._over(
            fine,
            lambda slab, _: smoothing.up(
                *slab, fine.shape, merge.factors, rows, fine.planes, *lines, coarse.rows,
                coarse.x, self.q, sums,
            ),
        )  # fmt: skip
        for colour, reach in ((1, 1), (0, 2)):
            for seam in self._seams(fine, reach):
                smoothing.smooth_colour(*seam, colour, fine.shape, *fine.lines)
        if fine is self.levels[0]:
            for seam in self._seams(fine, 2):
                smoothing.dots(*seam, fine.planes, fine.x, fine.b, self.q, sums)

    # ------------------------------------------------------------------------------ iteration

    def apply(self, p: Doubles, q: NDArray[Any], scale: float = 1.0) -> float:
        """q = scale * (network part of A) p, without ties or lead; returns p . q."""
        level, sums = self.levels[0], self._sums[0]
        self._over(
            level,
            lambda slab, _: krylov.apply_planes(
                *slab, level.shape, level.rows, *level.faces, scale, p, q, sums
            ),
        )
        return float(sums.sum())

    def balance(self, injected: Doubles, unit: float) -> float:
        """Put into ``r`` what ``injected`` [A] into the tied cells leaves of A phi; its norm [A].

        ``unit`` [A] is what it is measured in: about the size of the currents, for single
        precision to hold them.
        """
        level = self.levels[0]
        self.unit = unit
        self.apply(self.phi, self.r, -1.0 / unit)
        krylov.balance_cells(
            level.rows, self._where, *level.faces, self.phi, injected, -1.0 / unit, self.r
        )
        return unit * self._norm()

    def _norm(self) -> float:
        self._on_planes(krylov.norms, self.r, self._sums[0])
        return math.sqrt(float(self._sums[0].sum()))

    def rounding(self) -> float:
        """Norm of A phi below which it is nothing but rounding [A]."""
        level, sums = self.levels[0], self._sums[0]
        krylov.rounding(0, level.shape[1], level.shape, level.rows, *level.faces, self.phi, sums)
        return float(np.finfo(float).eps * np.sqrt(sums.sum()))

    def _on_planes(self, kernel: Callable[..., object], *arrays: Any) -> None:
        level = self.levels[0]
        self._over(level, lambda slab, _: kernel(*slab, level.planes, *arrays))

    def advance(self, length: float) -> None:
        """phi += length * move."""
        self._on_planes(krylov.add_along, length * self.unit, self.move, self.phi)

    def clear_dead(self, x: Doubles) -> None:
        """Zero x where nothing is solved for."""
        self._on_planes(krylov.clear_dead, self.levels[0].pivot, x)

    def _direct(self, keep: float, alpha: float, beta: float) -> None:
        """move = keep move + alpha p, then p = z + beta p; q = A p without ties."""
        level, p, q, sums = self.levels[0], self.p, self.q, self._sums[0]
        faces = (level.shape, level.rows)
        self._over(
            level,
            lambda slab, _: krylov.direct_and_apply(
                *slab, *faces, level.planes, *level.faces, keep, alpha, beta, level.x, p, q,
                self.move, sums,
            ),
        )  # fmt: skip
        for seam in self._seams(level, 1):
            krylov.apply_planes(*seam, *faces, *level.faces, 1.0, p, q, sums)

    def solve(
        self,
        *,
        tolerance: float,
        lead: Doubles | None = None,
        strength: float = 0.0,
        most: int = 200,
    ) -> tuple[int, float, float]:
        """Solve A move = r by preconditioned conjugate gradients, from move = 0.

        Parameters
        ----------
        tolerance : on the residual's norm relative to the right-hand side's [-], `FINEST` or more.
            Short of it, but below `ENOUGH`, a solve ends where rounding holds it up.
        lead : conductances [S] of the distinct tied ``cells`` that an external circuit joins, and
            ``strength`` [1/S] of the rank-one term they make.
        most : iterations allowed.

        Returns
        -------
        iterations, relative residual, move . A move. ``move`` holds the solution and ``r`` the
        residual.

        Raises
        ------
        ConvergenceError : not there after ``most`` iterations, or a value is not a number.
        """
        r, p, q = self.r, self.p, self.q
        joined = np.zeros(0) if lead is None else lead
        first, second = self._sums
        start = self._norm()
        alpha, zr, residual, count = 0.0, 1.0, 1.0, 0  # the step of length alpha is still to do
        energy, waypoint, held_up = 0.0, np.inf, False
        while not residual <= tolerance and start != 0.0 and count < most:
            if count % STALL == 0:
                held_up = 0.5 * waypoint < residual <= ENOUGH
                if held_up:
                    break
                waypoint = residual
            count += 1
            self.cycle()
            before, zr = zr, float(first.sum())
            beta = -alpha * float(second.sum()) / before if count > 1 else 0.0
            self._direct(float(count > 1), alpha, beta)
            alpha = 0.0
            tied = krylov.apply_ties(self._cells, self.ties, joined, strength, p, q)
            pq = float(first.sum()) + tied
            if not (zr > 0.0 and pq > 0.0):  # rounding, nothing left to hold on to, or NaN
                held_up = residual <= ENOUGH
                break
            alpha = zr / pq
            energy += alpha * zr
            self._on_planes(krylov.advance, alpha, q, r, first)
            residual = float(first.sum()) ** 0.5 / start
        if alpha != 0.0:
            self._on_planes(krylov.add_along, alpha, p, self.move)
        if start == 0.0:
            self.move[:] = 0.0
            return 0, 0.0, 0.0
        if not (residual <= tolerance or held_up):
            raise ConvergenceError(
                "the linear solve",
                residual=residual,
                tolerance=tolerance,
                iterations=count,
                remedy="use cells that are less elongated in plan, or a looser tolerance",
            )
        return count, residual, energy
