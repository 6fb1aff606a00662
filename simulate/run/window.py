"""The window around the swab: cells, conductivities and electrodes at one place of the swab.

The window moves with the swab over the fixed cells of the plate. Places are rounded to an eighth
of a cell, so that the swab's shape on the cells is worked out once for each of the few ways in
which it can lie on them. Heights count from the mask's upper face; the plate is one layer of
electrode cells below the openings.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from simulate.field.grid import Grid
from simulate.field.network import Faces, Network, build_network
from simulate.stencil.measure import area_fractions
from simulate.swab.cell_fractions import (
    body_fraction,
    cathode_area,
    extent,
    skirt_fraction,
    wire_fraction,
)
from simulate.swab.contact_patch import contact_outline
from simulate.swab.geometry import Bud, Swab

Doubles = NDArray[np.float64]

PHASES = 8
"""A place of the swab is rounded to this part of a cell."""

MASK_LAYERS = 4
"""Least number of cells through the mask."""

GROWTH = 1.3
"""Ratio of heights of neighbouring cells above the mask."""


@dataclass(frozen=True)
class Conductivities:
    """Of the free electrolyte in openings and skirt, and of the wet swab [S/m]."""

    free: float
    wick: float


@dataclass(frozen=True)
class Place:
    """A place of the swab in eighths of cells, and the plate cell of the window's lower corner."""

    phase: tuple[int, int]
    corner: tuple[int, int]


@dataclass(frozen=True, eq=False)
class Wet:
    """The swab on its cells in one phase: shares of the cells, all (nz, ny, nx) or (ny, nx)."""

    grid: Grid
    body: Doubles
    skirt: Doubles
    wire: Doubles
    plan: Doubles
    label: NDArray[np.int8]

    def turned(self) -> Wet:
        """The same with x and y exchanged."""

        def turn(share: Doubles) -> Doubles:
            return np.ascontiguousarray(share.swapaxes(-1, -2))

        return Wet(
            grid=Grid.box(self.grid.y, self.grid.x, self.grid.z),
            body=turn(self.body),
            skirt=turn(self.skirt),
            wire=turn(self.wire),
            plan=turn(self.plan),
            label=np.ascontiguousarray(self.label.swapaxes(-1, -2)),
        )


@dataclass(frozen=True, eq=False)
class Window:
    """What a window is, wherever the swab stands.

    Parameters
    ----------
    swab : its shape.
    thickness : of the mask [m].
    cell : size of the plate's cells [m].
    margin : how far the window reaches past the swab on every side [m].
    flooded : whether openings that the swab does not touch hold liquid too.
    """

    swab: Swab
    thickness: float
    cell: float
    margin: float = 0.0
    flooded: bool = False

    @cached_property
    def bounds(self) -> tuple[float, float, float, float, float]:
        """x_min, x_max, y_min, y_max, z_max about the swab's centre [m]."""
        x_min, x_max, y_min, y_max, z_max = extent(self.swab)
        m = self.margin
        return x_min - m, x_max + m, y_min - m, y_max + m, z_max

    @cached_property
    def reach(self) -> tuple[int, int]:
        """Cells between the window's lower corner and the cell of the swab's centre, (y, x)."""
        x_min, _, y_min, _, _ = self.bounds
        return math.ceil(-y_min / self.cell), math.ceil(-x_min / self.cell)

    @cached_property
    def z(self) -> Doubles:
        """Edges in height, from the plate's layer up [m]."""
        return heights(
            self.thickness, self.bounds[4], self.cell, capped=not isinstance(self.swab, Bud)
        )

    @cached_property
    def mask_layers(self) -> int:
        """Number of cells through the mask."""
        return mask_layers(self.thickness, self.cell)

    @property
    def shape(self) -> tuple[int, int, int]:
        """(nz, ny, nx) of the window."""
        _, x_max, _, y_max, _ = self.bounds
        ny, nx = (
            below + math.ceil(above / self.cell) + 1
            for below, above in zip(self.reach, (y_max, x_max), strict=True)
        )
        return self.z.size - 1, ny, nx

    def place(self, x: float, y: float) -> Place:
        """The place nearest to x, y [m] at which the swab is computed."""
        eighths = [round(v / self.cell * PHASES) for v in (y, x)]
        cells = [n // PHASES for n in eighths]
        return Place(
            (eighths[0] % PHASES, eighths[1] % PHASES),
            (cells[0] - self.reach[0], cells[1] - self.reach[1]),
        )

    def wet(self, phase: tuple[int, int]) -> Wet:
        """The swab's shares of the window's cells in one phase."""
        _, ny, nx = self.shape
        y = (np.arange(ny + 1, dtype=np.float64) - self.reach[0] - phase[0] / PHASES) * self.cell
        x = (np.arange(nx + 1, dtype=np.float64) - self.reach[1] - phase[1] / PHASES) * self.cell
        layers = 1 + self.mask_layers
        above = self.z[layers:]
        shape = self.shape
        body, skirt, wire = (np.zeros(shape) for _ in range(3))
        body[layers:] = body_fraction(self.swab, x, y, above)
        skirt[layers:] = skirt_fraction(self.swab, x, y, above)
        wire[layers:] = wire_fraction(self.swab, x, y, above)
        skirt = np.minimum(skirt, 1.0 - np.minimum(body, 1.0))
        label = np.zeros(shape, np.int8)
        label[wire > 0.5] = 2
        return Wet(Grid.box(x, y, self.z), body, skirt, wire, wet_plan(self.swab, x, y), label)


def mask_layers(thickness: float, cell: float) -> int:
    """Cells through the mask: about as high as half a plan cell, `MASK_LAYERS` at least."""
    return max(MASK_LAYERS, math.ceil(thickness / (0.5 * cell) - 1e-9))


def heights(thickness: float, top: float, cell: float, *, capped: bool) -> Doubles:
    """Edges in height from the plate's layer to ``top`` above the mask [m].

    Cells grow upward from those in the mask to twice the plan cell. ``capped`` adds one layer
    above ``top`` for a cathode that lies there.
    """
    layers = mask_layers(thickness, cell)
    step = thickness / layers
    sizes: list[float] = []
    reached, size = 0.0, step
    while reached < top - 1e-12:
        size = min(size * GROWTH, 2.0 * cell) if sizes else step
        sizes.append(size)
        reached += size
    edges = np.concatenate([[0.0], np.cumsum(sizes) * (top / reached)])
    mask = np.linspace(-thickness, 0.0, layers + 1)[:-1]
    cap = [top + edges[-1] - edges[-2]] if capped else []
    return np.concatenate([[-thickness - step], mask, edges, cap])


def wet_plan(swab: Swab, x: Doubles, y: Doubles) -> Doubles:
    """Share of each plan cell that lies under the contact patch or the skirt, (ny, nx)."""
    from shapely import Polygon

    outline = Polygon(contact_outline(swab))
    if swab.skirt_thickness > 0:
        outline = outline.buffer(swab.skirt_width, quad_segs=16)
    return area_fractions(outline, x, y)


def build_window(
    window: Window,
    wet: Wet,
    open_fraction: Doubles,
    kappa: Conductivities,
    equilibrium: tuple[float, float] = (0.0, 0.0),
) -> tuple[Network, Doubles]:
    """The network of the swab at one place.

    Lips of the mask that run along the cells are fitted (`edge_fitting`): on a slot of 2.4 x 1.6
    mm in a mask of 0.1 mm, cells of 0.2 mm, the mean depth is then 0.8 % short instead of 2.1 %.

    Parameters
    ----------
    open_fraction : of the stencil in the window's plan cells, (ny, nx).
    equilibrium : potentials of plate and cathode at no current [V].

    Returns
    -------
    network : electrode 0 is the plate, electrode 1 the cathode, both at potential 0.
    area : wet open area of each plan cell [m2], (ny, nx).
    """
    from simulate.field.edge_fitting import (
        fit_edges,  # loads the compiler, which `check` does without
    )

    share = open_fraction if window.flooded else open_fraction * wet.plan
    conductivity = kappa.wick * wet.body + kappa.free * wet.skirt
    conductivity[1 : 1 + window.mask_layers] = kappa.free * share
    label = wet.label.copy()
    label[0] = share > 0
    network = build_network(wet.grid, conductivity, label, -np.array(equilibrium))
    rim = window.mask_layers  # the nodes between this layer and the next lie in the mask's face
    network = fit_edges(network, wet.grid, conductivity, label, levels=(rim, rim))
    faces = _true_faces(network.faces, window, wet, share)
    return replace(network, faces=faces), share * wet.grid.plan_areas


def _true_faces(faces: Faces, window: Window, wet: Wet, share: Doubles) -> Faces:
    """Give faces the areas and distances of the true surfaces instead of those of whole cells."""
    k, j, i, axis, side = (faces.where[:, n].astype(np.int64) for n in range(5))
    area, conductance = faces.area.copy(), faces.conductance.copy()
    plate = faces.electrode == 0
    area[plate] *= share[j, i][plate]
    metal = faces.where[:, :3].astype(np.int64)
    metal[np.arange(k.size), axis] += side
    wire = ~plate
    inside = wet.wire[metal[:, 0], metal[:, 1], metal[:, 2]]
    outside = wet.wire[k, j, i]
    # Distance from the cell's centre to the surface, in half cells, as the filled shares of the
    # cells on either side of the face put it.
    distance = np.clip(1.0 + 2.0 * (1.0 - inside) - 2.0 * outside, 0.2, 3.0)
    conductance[wire] /= distance[wire]
    total = float(area[wire].sum())
    if total > 0:
        area[wire] *= cathode_area(window.swab) / total
    return replace(faces, area=area, conductance=conductance)
