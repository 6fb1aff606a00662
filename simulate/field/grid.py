"""Tensor-product cells: box, section, axisymmetric.

One record serves all three, because they differ only in the areas of faces and in the half
distances between a cell's centre and its faces. Arrays over cells are indexed [z, y, x].
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from simulate.errors import Fault, InputError

Doubles = NDArray[np.float64]


def _edges(lowest: float = -np.inf, **axes: ArrayLike) -> tuple[Doubles, Doubles, Doubles]:
    """Edges of all axes, the first no lower than `lowest`, or every axis' fault at once."""
    faults: list[Fault] = []
    checked: list[Doubles] = []
    for name, values in axes.items():
        edges = np.array(values, dtype=np.float64)
        fault = _fault_of(name, edges, -np.inf if checked else lowest)
        faults += [] if fault is None else [fault]
        edges.flags.writeable = False
        checked.append(edges)
    if faults:
        raise InputError(faults)
    first, second, third = checked
    return first, second, third


def _fault_of(name: str, edges: Doubles, lowest: float) -> Fault | None:
    if edges.ndim != 1 or edges.size < 2 or not np.isfinite(edges).all():
        return Fault("not a list of cell edges", "two or more finite numbers", key=name)
    if (np.diff(edges) <= 0).any():
        return Fault("cell edges do not increase", "increasing numbers", key=name)
    if edges[0] < lowest:
        return Fault("starts below 0", "a first edge of 0 or more", key=name, value=f"{edges[0]}")
    return None


@dataclass(frozen=True, eq=False)
class Grid:
    """Cells between edges ``x``, ``y``, ``z`` [m]; make one with `box`, `section`, `axisymmetric`.

    In an axisymmetric grid ``x`` plays the radius and a cell is a full ring; a section is one
    metre deep.
    """

    x: Doubles
    y: Doubles
    z: Doubles
    kind: Literal["box", "section", "axisymmetric"]

    @classmethod
    def box(cls, x: ArrayLike, y: ArrayLike, z: ArrayLike) -> Grid:
        """Boxes from cell edges [m].

        Raises
        ------
        InputError : edges that do not increase, of every axis that is at fault.
        """
        return cls(*_edges(x=x, y=y, z=z), "box")

    @classmethod
    def section(cls, x: ArrayLike, z: ArrayLike) -> Grid:
        """A slice one metre deep from cell edges [m]; currents are per metre of depth."""
        return cls(*_edges(x=x, y=[0.0, 1.0], z=z), "section")

    @classmethod
    def axisymmetric(cls, r: ArrayLike, z: ArrayLike) -> Grid:
        """Full rings from edges of radius and height [m]; ``r[0] >= 0``."""
        return cls(*_edges(0.0, r=r, y=[0.0, 1.0], z=z), "axisymmetric")

    @property
    def shape(self) -> tuple[int, int, int]:
        """(nz, ny, nx)."""
        return self.z.size - 1, self.y.size - 1, self.x.size - 1

    @property
    def centres(self) -> tuple[Doubles, Doubles, Doubles]:
        """Cell centres along x, y, z [m]."""
        return tuple(0.5 * (e[1:] + e[:-1]) for e in (self.x, self.y, self.z))  # type: ignore[return-value]

    @property
    def plan_areas(self) -> Doubles:
        """Areas of the horizontal faces [m2], (ny, nx)."""
        return np.outer(np.diff(self.y), self.widths[0])

    @property
    def widths(self) -> tuple[Doubles, Doubles, Doubles]:
        """Factors of the face areas along x, y, z: cell sizes [m].

        In an axisymmetric grid the first is the ring's area pi (r2**2 - r1**2) [m2] and the second
        is 1.
        """
        dx = np.diff(self.x)
        if self.kind == "axisymmetric":
            dx = np.pi * np.diff(self.x**2)
        return dx, np.diff(self.y), np.diff(self.z)

    @property
    def halves(self) -> tuple[Doubles, ...]:
        """Half distances below and above each centre: x below, x above, y below, ... [m].

        Radially they are ln(r_face / r_centre), so that T = 2 pi h / sum(half / kappa) is exact
        for radial flow in rings (Carslaw & Jaeger, Conduction of Heat in Solids, 2nd ed. 1959,
        sec. 7.2; from memory).
        """
        x, y, z = (0.5 * np.diff(e) for e in (self.x, self.y, self.z))
        if self.kind != "axisymmetric":
            return x, x, y, y, z, z
        centre = 0.5 * (self.x[1:] + self.x[:-1])
        with np.errstate(divide="ignore"):
            below = np.log(centre / self.x[:-1])
        return below, np.log(self.x[1:] / centre), y, y, z, z

    @property
    def radial(self) -> Doubles:
        """What the area of an x face is multiplied with, beside width in y and z: (nx,)."""
        turn = 2 * np.pi if self.kind == "axisymmetric" else 1.0
        return np.full(self.x.size - 1, turn)

    def x_face_factor(self, edge: NDArray[np.int64]) -> Doubles:
        """True area of x faces over (width y * width z): 1, or 2 pi r for rings."""
        if self.kind == "axisymmetric":
            return 2 * np.pi * self.x[edge]
        return np.ones(edge.size)
