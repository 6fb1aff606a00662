"""What stands still above a moving wall, as a resistor network seen from its ports.

Mask, swab and gap do not change while the wall moves. All their cells but the ports (those in the
lowest row of the openings, and those beside the cathode) are eliminated once, by Schur's
complement of the network's matrix, which is exact.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simulate.field.grid import Grid

Doubles = NDArray[np.float64]
Integers = NDArray[np.int64]
Flags = NDArray[np.bool_]

_BLOCK = 64  # columns of the right-hand side solved for at once


@dataclass(frozen=True, eq=False)
class UpperPart:
    """The fixed part.

    Parameters
    ----------
    grid : its cells, `Grid.section` or `Grid.axisymmetric`; the lowest row stands in the openings,
        on the ground that is dug.
    kappa : conductivity (nz, nx) [S/m]; 0 = insulator or air.
    cathode : its cells (nz, nx). is_open : columns whose lowest cell looks down into the ground
        (nx,); None: all that conduct.
    """

    grid: Grid
    kappa: Doubles
    cathode: Flags
    is_open: Flags | None = None

    @property
    def _lowest(self) -> Flags:
        conducts = (self.kappa[0] > 0.0) & ~self.cathode[0]
        return np.asarray(conducts if self.is_open is None else conducts & self.is_open)

    @cached_property
    def number(self) -> Integers:
        """Number of each cell of electrolyte that hangs together with the lowest row, else -1."""
        from scipy.ndimage import label

        wet = (self.kappa > 0.0) & ~self.cathode
        names, _ = label(wet)
        reached = wet & np.isin(names, np.unique(names[0][self._lowest]))
        number = np.full(wet.shape, -1)
        number[reached] = np.arange(int(reached.sum()))
        return number

    @cached_property
    def links(self) -> tuple[Integers, Integers, Doubles]:
        """Neighbours k * nx + i over upright, then level faces; conductance of each [S/m], [S]."""
        below, above, _, _, down, up = self.grid.halves
        k, i = np.indices(self.kappa.shape)
        cell = k * self.kappa.shape[1] + i
        per_area = np.divide(1.0, self.kappa, out=np.zeros_like(self.kappa), where=self._conducts)
        sideways = above[:-1] * per_area[:, :-1] + below[1:] * per_area[:, 1:]
        half = 0.5 * (down + up)[:, None] * per_area
        height = np.diff(self.grid.z)[:, None] * self.grid.radial[1:]
        along = _ratio(height, sideways)
        over = _ratio(self.grid.plan_areas[0], half[1:] + half[:-1])
        one = np.concatenate([cell[:, :-1].ravel(), cell[:-1].ravel()])
        other = np.concatenate([cell[:, 1:].ravel(), cell[1:].ravel()])
        return one, other, np.concatenate([along.ravel(), over.ravel()])

    @property
    def _conducts(self) -> Flags:
        return np.asarray((self.kappa > 0.0) & ~self.cathode)

    @cached_property
    def faces(self) -> tuple[Integers, Doubles, Doubles]:
        """Cathode faces: number of the cell beside them, area [m], [m2] and half cell [ohm m2]."""
        one, other, conductance = self.links
        metal, number = self.cathode.ravel(), self.number.ravel()
        inner = np.arange(1, self.grid.x.size - 1)
        sides = np.outer(np.diff(self.grid.z), self.grid.x_face_factor(inner))
        tops = np.tile(self.grid.plan_areas[0], self.kappa.shape[0] - 1)
        area = np.concatenate([sides.ravel(), tops])
        cell, size, series = [], [], []
        for wet, solid in ((one, other), (other, one)):
            face = metal[solid] & (number[wet] >= 0)
            cell.append(number[wet[face]])
            size.append(area[face])
            series.append(area[face] / conductance[face])
        return tuple(np.concatenate(part) for part in (cell, size, series))  # type: ignore[return-value]

    @cached_property
    def ports(self) -> Integers:
        """Numbers of the cells that are kept: the lowest row from left to right, then those beside
        the cathode."""
        lowest = self.number[0][self._lowest]
        beside = np.setdiff1d(self.faces[0], lowest)
        return np.concatenate([lowest, beside])

    @cached_property
    def _matrix(self) -> Any:
        from scipy.sparse import coo_matrix

        one, other, conductance = self.links
        number = self.number.ravel()
        a, b = number[one], number[other]
        both = (a >= 0) & (b >= 0)
        a, b, g = a[both], b[both], conductance[both]
        size = int(number.max()) + 1
        rows, columns = np.concatenate([a, b, a, b]), np.concatenate([a, b, b, a])
        return coo_matrix((np.concatenate([g, g, -g, -g]), (rows, columns)), (size, size)).tocsr()

    @cached_property
    def _split(self) -> tuple[Integers, Any, Any]:
        """Inner cells, factors of their matrix, and their links to the ports."""
        from scipy.sparse.linalg import splu

        inner = np.setdiff1d(np.arange(self._matrix.shape[0]), self.ports)
        if inner.size == 0:
            return inner, None, None
        within = self._matrix[inner][:, inner].tocsc()
        factors = splu(within, permc_spec="MMD_AT_PLUS_A", options={"SymmetricMode": True})
        return inner, factors, self._matrix[inner][:, self.ports].tocsc()

    @cached_property
    def seen(self) -> Doubles:
        """Conductance matrix of the ports (ports, ports) [S/m], [S]; symmetric, rows sum to 0."""
        inner, factors, links = self._split
        found = self._matrix[self.ports][:, self.ports].toarray()
        for start in range(0, self.ports.size if inner.size else 0, _BLOCK):
            part = links[:, start : start + _BLOCK].toarray()
            found[:, start : start + _BLOCK] -= links.T @ factors.solve(part)
        found = 0.5 * (found + found.T)
        found[np.diag_indices_from(found)] -= found.sum(axis=1)
        return np.asarray(found)

    def potential(self, at_ports: Doubles) -> Doubles:
        """Potential of every cell (nz, nx) [V], NaN where there is none, from that of the ports."""
        inner, factors, links = self._split
        values = np.empty(self._matrix.shape[0])
        values[self.ports] = at_ports
        if inner.size:
            values[inner] = factors.solve(-(links @ at_ports))
        out = np.full(self.kappa.shape, np.nan)
        out[self.number >= 0] = values[self.number[self.number >= 0]]
        return out


def _ratio(a: Doubles, b: Doubles) -> Doubles:
    """a / b, and 0 where b is 0: there is metal on either side."""
    wide = np.broadcast_to(a, b.shape)
    return np.divide(wide, b, out=np.zeros_like(b), where=b > 0.0)
