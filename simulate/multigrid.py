"""Linear solver: one multigrid cycle as preconditioner of conjugate gradients, matrix-free.

The matrix is that of a resistor network on a box of cells,

    (A p)_c = sum over faces T (p_c - p_n) + D_c p_c - strength * lead_c (lead . p),

with T the face conductances [S], D_c the conductance of a cell to electrodes, and a rank-one term
by which an external circuit ties the electrode faces together.

Levels halve the plan (y, x) and keep z; vertical lines are solved exactly, in the order of a
chequered plan. Strong and weak coupling in z, thin films and graded layers are then met by the
same smoother, and a mask's openings are never merged with the mask above or below them
(semi-coarsening with line relaxation: Briggs, Henson & McCormick, A Multigrid Tutorial, 2nd ed.
2000, ch. 7; from memory). The cycle runs in float32 and changes from step to step by its
rounding, hence the flexible (Polak-Ribiere) conjugate gradients of Notay, SIAM J. Sci. Comput. 22
(2000) 1444 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from simulate.conductance import Network, split_size
from simulate.errors import ConvergenceError
from simulate.kernels import multigrid as kernels

Floats = NDArray[np.float32]
Doubles = NDArray[np.float64]
Integers = NDArray[np.int64]
Shape = tuple[int, int, int]

ISOTROPY = 1.5
"""A direction is coarsened while its mean spacing is below this many times the other's."""


@dataclass(eq=False)
class Level:
    """One level: coefficients and work arrays, in the split layout of `kernels.multigrid`."""

    shape: Shape
    tx: Floats
    ty: Floats
    tz: Floats
    lo: NDArray[np.int32]
    hi: NDArray[np.int32]
    extra: Floats
    pivot: Floats
    diagonal: Floats
    b: Floats
    x: Floats
    factors: tuple[int, int] = (1, 1)
    row: Floats = field(default_factory=lambda: np.zeros(1, np.float32))
    weight: Floats = field(default_factory=lambda: np.zeros(1, np.float32))


class Hierarchy:
    """All levels for boxes of one shape, and the vectors of the iteration.

    The arrays are made once and reused for network after network of the same shape: `load` puts a
    network in, `retie` changes the conductances to electrodes, `solve` solves.

    Parameters
    ----------
    shape : (nz, ny, nx).
    spacing : mean cell widths along y and x [m]; they decide which direction is coarsened first.
    """

    def __init__(self, shape: Shape, spacing: tuple[float, float] = (1.0, 1.0)) -> None:
        self.levels = _make_levels(shape, spacing)
        size = split_size(shape)
        self.r, self.p, self.q = (np.zeros(size) for _ in range(3))
        self.move, self.balance = np.zeros(size), np.zeros(size)
        self._sums = np.zeros((2, shape[1]))
        self._cells = np.zeros(0, np.int64)
        self._ties = np.zeros(0)

    def load(self, network: Network, cells: Integers, ties: Doubles) -> None:
        """Take a network's conductances and ``ties`` [S] from ``cells`` to electrodes."""
        finest = self.levels[0]
        if network.shape != finest.shape:
            raise ValueError(f"network of {network.shape} in a hierarchy of {finest.shape}")
        finest.tx, finest.ty, finest.tz = network.tx, network.ty, network.tz
        finest.lo, finest.hi = network.lo, network.hi
        finest.pivot[:] = 0.0
        finest.x[:] = 0.0
        for vector in (self.r, self.p, self.q, self.move, self.balance):
            vector[:] = 0.0
        kernels.factor_lines(
            finest.shape,
            finest.tx,
            finest.ty,
            finest.tz,
            _NONE,
            finest.lo,
            finest.hi,
            0,
            finest.shape[1],
            finest.pivot,
            finest.diagonal,
        )
        self._cells, self._ties = cells, ties
        self._tie()
        self._coarsen()

    def retie(self, ties: Doubles) -> None:
        """Change the conductances to electrodes; coarse levels keep the earlier ones."""
        finest = self.levels[0]
        kernels.reset_columns(
            finest.shape, finest.tx, finest.ty, finest.tz, self._cells, finest.diagonal
        )
        self._ties = ties
        self._tie()

    def _tie(self) -> None:
        level = self.levels[0]
        kernels.factor_columns(
            level.shape,
            level.tx,
            level.ty,
            level.tz,
            self._cells,
            self._ties,
            level.pivot,
            level.diagonal,
        )

    def _coarsen(self) -> None:
        cells = self._cells
        for n, (fine, coarse) in enumerate(pairwise(self.levels)):
            kernels.coarsen_level(
                fine.shape,
                coarse.shape,
                fine.factors,
                fine.tx,
                fine.ty,
                fine.tz,
                fine.extra if n else _NONE,
                coarse.tx,
                coarse.ty,
                coarse.tz,
                coarse.extra,
            )
            if n == 0:
                parents = np.empty_like(cells)
                kernels.coarse_cells(cells, fine.shape, coarse.shape, fine.factors, parents)
                kernels.add_at(parents, self._ties, coarse.extra)
            kernels.coarse_spans(
                fine.shape, coarse.shape, fine.factors, fine.lo, fine.hi, coarse.lo, coarse.hi
            )
            coarse.pivot[:] = 0.0
            coarse.x[:] = 0.0
            kernels.factor_lines(
                coarse.shape,
                coarse.tx,
                coarse.ty,
                coarse.tz,
                coarse.extra,
                coarse.lo,
                coarse.hi,
                0,
                coarse.shape[1],
                coarse.pivot,
                coarse.diagonal,
            )

    def cycle(self) -> Floats:
        """One cycle on the right-hand side in ``levels[0].b``, from 0; returns ``levels[0].x``."""
        for fine, coarse in pairwise(self.levels):
            kernels.down(
                fine.shape,
                coarse.shape,
                fine.factors,
                fine.tx,
                fine.ty,
                fine.tz,
                fine.pivot,
                fine.lo,
                fine.hi,
                fine.b,
                fine.x,
                coarse.lo,
                coarse.hi,
                fine.row,
                coarse.b,
            )
        last = self.levels[-1]
        kernels.solve_only_lines(last.shape, last.tz, last.pivot, last.lo, last.hi, last.b, last.x)
        for coarse, fine in pairwise(reversed(self.levels)):
            kernels.up(
                fine.shape,
                coarse.shape,
                fine.factors,
                fine.tx,
                fine.ty,
                fine.tz,
                fine.pivot,
                fine.lo,
                fine.hi,
                fine.b,
                fine.x,
                coarse.lo,
                coarse.hi,
                coarse.x,
                coarse.pivot,
                fine.row,
                fine.weight,
            )
        return self.levels[0].x

    def apply(self, p: Doubles, q: Doubles) -> float:
        """q = (network part of A) p, without ties or lead; returns p . q."""
        level = self.levels[0]
        sums = self._sums[0]
        kernels.apply_planes(
            0, level.shape[1], level.shape, level.tx, level.ty, level.tz, level.lo, level.hi,
            p, q, sums,
        )  # fmt: skip
        return float(sums.sum())

    @property
    def _spans(self) -> tuple[int, int, Shape, NDArray[np.int32], NDArray[np.int32]]:
        level = self.levels[0]
        return 0, level.shape[1], level.shape, level.lo, level.hi

    def dot(self, a: Doubles, b: Doubles) -> float:
        """a . b, summed plane by plane."""
        kernels.inner_product(*self._spans, a, b, self._sums[0])
        return float(self._sums[0].sum())

    def advance(self, x: Doubles, length: float) -> None:
        """x += length * move, and move = 0."""
        kernels.step_along(*self._spans, length, self.move, x)

    def clear_dead(self, x: Doubles) -> None:
        """Zero x where nothing is solved for; another network may have left values there."""
        level = self.levels[0]
        kernels.mask_by(0, level.shape[1], level.shape, level.pivot, x)

    def solve(
        self,
        *,
        tolerance: float,
        lead: Doubles | None = None,
        strength: float = 0.0,
        most: int = 200,
    ) -> tuple[int, float]:
        """Solve A move = -balance by preconditioned conjugate gradients, from move = 0.

        Parameters
        ----------
        tolerance : on the residual's norm relative to the right-hand side's [-].
        lead : conductances [S] of the tied ``cells`` that an external circuit joins, and
            ``strength`` [1/S] of the rank-one term they make.
        most : iterations allowed.

        Returns
        -------
        iterations, relative residual. ``move`` holds the solution; it must be 0 on entry.

        Raises
        ------
        ConvergenceError : not there after ``most`` iterations, or a value is not a number.
        """
        finest = self.levels[0]
        grid = (*self._spans[:3], finest.tx, finest.ty, finest.tz, finest.lo, finest.hi)
        r, p, q = self.r, self.p, self.q
        first, second = self._sums
        kernels.begin(*self._spans, self.balance, r, finest.b, q)
        start = self.dot(r, r) ** 0.5
        alpha, zr, residual, iteration = 0.0, 1.0, 1.0, 0
        while residual > tolerance and start > 0.0 and iteration < most:
            iteration += 1
            z = self.cycle()
            kernels.dots(*self._spans, z, r, q, first, second)
            before, zr = zr, float(first.sum())
            beta = -alpha * float(second.sum()) / before if iteration > 1 else 0.0
            kernels.direct_and_apply(*grid, beta, z, p, q, first)
            pq = float(first.sum()) + kernels.face_products(self._cells, self._ties, p, q)
            if lead is not None:
                along = kernels.gather_dot(self._cells, lead, p)
                kernels.add_at(self._cells, lead * (-strength * along), q)
                pq -= strength * along * along
            alpha = zr / pq if pq > 0.0 else np.nan
            kernels.advance(*self._spans, alpha, p, q, self.move, r, finest.b, first)
            residual = float(first.sum()) ** 0.5 / start
            if not np.isfinite(residual):
                break
        if start > 0.0 and not residual <= tolerance:
            raise ConvergenceError(
                "the linear solve",
                residual=residual,
                tolerance=tolerance,
                iterations=iteration,
                remedy="use cells that are less elongated in plan, or a looser tolerance",
            )
        return iteration, residual if start > 0.0 else 0.0


_NONE = np.zeros(1, np.float32)


def _make_levels(shape: Shape, spacing: tuple[float, float]) -> list[Level]:
    levels = [_empty_level(shape, finest=True)]
    hy, hx = spacing
    while max(levels[-1].shape[1:]) > 1:
        fine = levels[-1]
        nz, ny, nx = fine.shape
        fy = 2 if ny > 1 and (nx == 1 or hy < ISOTROPY * hx) else 1
        fx = 2 if nx > 1 and (ny == 1 or hx < ISOTROPY * hy) else 1
        fine.factors = (fy, fx)
        coarse = _empty_level((nz, -(-ny // fy), -(-nx // fx)))
        fine.row = np.zeros(2 * max(nx, coarse.shape[2]) + 16, np.float32)
        fine.weight = np.zeros_like(fine.row)
        hy, hx = hy * fy, hx * fx
        levels.append(coarse)
    return levels


def _empty_level(shape: Shape, finest: bool = False) -> Level:
    size = split_size(shape)
    none = np.zeros(0, np.float32)
    spans = [np.zeros((shape[1], shape[0]), np.int32) for _ in range(2)]
    coefficients = [none if finest else np.zeros(size, np.float32) for _ in range(3)]
    extra = none if finest else np.zeros(size, np.float32)
    work = [np.zeros(size, np.float32) for _ in range(4)]
    return Level(shape, *coefficients, *spans, extra, *work)
