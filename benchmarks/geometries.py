"""Boxes that the benchmarks solve: a bath over a mask, a swab with a wire in it, and worse.

All invented. Sizes in mm are those of the trade; conductivity 8 S/m throughout.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from simulate.field.grid import Grid

KAPPA = 8.0


@dataclass(frozen=True, eq=False)
class Cell:
    """A grid, its conductivity [S/m], and labels: 1 the plate, 2 the cathode, 0 neither."""

    name: str
    grid: Grid
    conductivity: np.ndarray
    label: np.ndarray


def _edges(count: int, length: float, ratio: float = 1.0) -> np.ndarray:
    """Edges from 0 to length, the cell sizes growing geometrically by ``ratio`` in all."""
    sizes = np.geomspace(1.0, ratio, count)
    return np.concatenate([[0.0], np.cumsum(sizes)]) * length / sizes.sum()


def _both_ways(count: int, length: float, ratio: float) -> np.ndarray:
    """Edges with the smallest cells in the middle, ``ratio`` times as large at the ends."""
    sizes = ratio ** np.abs(np.linspace(-1.0, 1.0, count))
    return np.concatenate([[0.0], np.cumsum(sizes)]) * length / sizes.sum()


def make(
    kind: str,
    count: int,
    *,
    layers: int | None = None,
    z_ratio: float = 1.0,
    xy_ratio: float = 1.0,
) -> Cell:
    """A box of 10 x 10 x 4 mm in count x count x layers cells.

    kind : "bath" electrolyte everywhere above a mask with openings, cathode on top; "swab" a round
    swab of 5 mm with a wire through it, a film around, air elsewhere; "scattered" a bath with 30 %
    of its cells dead at random; "grainy" a bath whose conductivity varies log-normally.
    """
    layers = layers or max(1, round(0.4 * count))
    x = _both_ways(count, 10.0, xy_ratio)
    z = _edges(layers, 4.0, z_ratio)
    full = np.concatenate([[-z[1]], z, [] if kind == "swab" else [2 * z[-1] - z[-2]]])
    grid = Grid.box(x * 1e-3, x * 1e-3, full * 1e-3)
    xc, zc = 0.5 * (x[1:] + x[:-1]), 0.5 * (full[1:] + full[:-1])
    height, along_y, along_x = np.meshgrid(zc, xc, xc, indexing="ij", sparse=True)
    radius = np.hypot(along_x - 5.0, along_y - 5.0)
    openings = (
        (np.abs(radius - 1.2) < 0.3)
        | ((np.abs(along_x - 5.0) < 0.2) & (np.abs(along_y - 5.0) < 3.0))
        | ((np.abs(along_x - 3.5) < 0.5) & (np.abs(along_y - 3.5) < 0.5))
    )
    mask = (height > 0.0) & (height < 0.2)
    wet = (height > 0.0) & np.ones(grid.shape, bool)
    label = np.zeros(grid.shape, np.int8)
    if kind == "swab":
        shoulder = np.maximum(radius - 2.0, 0.0) ** 2 + np.maximum(0.7 - height, 0.0) ** 2
        body = (radius < 2.5) & (height >= 0.2) & (shoulder < 0.25)
        film = (height >= 0.2) & (height < 0.3) & (radius < 3.5)
        wet = body | film | (mask & openings & (radius < 3.5))
        wire = (np.hypot(along_x - 5.0, height - 2.2) < 0.5) & (np.abs(along_y - 5.0) < 2.0)
        label[wire & np.ones(grid.shape, bool)] = 2
    else:
        wet &= ~mask | openings
        label[-1] = 2
    label[0] = 1
    conductivity = KAPPA * wet.astype(float)
    chance = np.random.default_rng(20)
    if kind == "scattered":
        conductivity[chance.random(grid.shape) < 0.3] = 0.0
    if kind == "grainy":
        conductivity *= np.exp(chance.standard_normal(grid.shape))
    return Cell(kind, grid, conductivity, label)
