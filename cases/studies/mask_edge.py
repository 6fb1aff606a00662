"""Why a thicker mask evens out the edges: a study in numbers without units.

Current to a slot of half-width a below a mask of thickness L, for several Wagner numbers
Wa = kappa rho / a (rho the polarisation resistance): how much more the outer tenth of the slot
gets than the rest. Dots are this program's field solver on a section; lines are the exact
solution (`simulate.exact.recess`). Where Wa is small the mask alone decides; from Wa = 1 on the
reaction evens the current out whatever the mask does.

    python cases/studies/mask_edge.py

takes less than a minute and writes mask_edge.csv and mask_edge.png beside this file. Nothing here
is measured.
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np

import simulate as sf
from simulate.exact.recess import strip_opening
from simulate.figures.design_chart import edge_chart
from simulate.figures.style import save_figure

WIDTHS = (0.05, 0.1, 0.15, 0.2, 0.3, 0.5, 0.75, 1.0)
"""Mask thickness over the opening's whole width, L / 2a."""

WAGNER = (0.0, 0.1, 0.3, 1.0)
WALL, LID = 4.0, 4.0
"""Half the way to the next slot, and height of the counter electrode above the mask, over a."""

RIM = 0.1
"""The outer part of the half-width that counts as edge."""


def rim_to_rest(share_inside: float) -> float:
    """Mean density in the outer tenth over that of the rest, from the current inside it."""
    return ((1.0 - share_inside) / RIM) / (share_inside / (1.0 - RIM))


def exact(thickness: float, wagner: float) -> float:
    """By the exact solution; thickness over the half-width."""
    opening = strip_opening(thickness, cell=(WALL, LID), wagner=wagner)
    return rim_to_rest(float(opening.cumulative(1.0 - RIM)))


def graded(start: float, end: float, first: float, last: float) -> np.ndarray:
    """Edges from start to end whose steps run evenly from a first to a last."""
    count = max(2, round(2.0 * abs(end - start) / (first + last)))
    steps = np.linspace(first, last, count)
    return start + np.cumsum(np.append(0.0, steps)) * (end - start) / steps.sum()


def solved(thickness: float, wagner: float, fine: float = 0.004) -> float:
    """By the field solver, on half of a section with cells graded towards the slot's wall.

    Two grids, of cells `fine` and twice that over a, extrapolated by the power 4/3 that the corner
    of the mask's lip leaves in the error.
    """
    near, far = (_on_grid(thickness, wagner, cell) for cell in (fine, 2.0 * fine))
    return near + (near - far) / (2.0 ** (4.0 / 3.0) - 1.0)


def _on_grid(thickness: float, wagner: float, cell: float) -> float:
    inner = graded(1.0, 1.0 - RIM, cell, 2.0 * cell)[::-1]
    x = np.concatenate(
        [
            graded(1.0 - RIM, 0.0, 2.0 * cell, 10.0 * cell)[::-1],
            inner[1:],
            graded(1.0, WALL, cell, 30.0 * cell)[1:],
        ]
    )
    upper = graded(0.5 * thickness, thickness, 3.0 * cell, cell)
    above = graded(thickness, thickness + LID, cell, 30.0 * cell)
    z = np.concatenate([[-1.0], thickness - upper[::-1], upper[1:], above[1:], [above[-1] + 1.0]])
    grid = sf.Grid.section(x, z)
    centre_x, centre_z = 0.5 * (x[1:] + x[:-1]), 0.5 * (z[1:] + z[:-1])
    open_there = (centre_x < 1.0) | (centre_z[:, None] > thickness)
    kappa = np.where(open_there, 1.0, 0.0)[:, None, :]
    plate, lid = np.zeros((2, *grid.shape), bool)
    plate[0, 0, centre_x < 1.0] = True
    lid[-1] = True
    law = sf.Linear(wagner) if wagner else None
    field = sf.solve_potential(
        grid,
        kappa,
        [sf.Electrode("plate", plate, 1.0, law), sf.Electrode("lid", lid, 0.0)],
    )
    faces = field.faces("plate")
    current = faces.density * faces.area
    inside = faces.x < 1.0 - RIM
    return rim_to_rest(float(current[inside].sum() / current.sum()))


def main() -> None:
    """Compute, keep, draw."""
    here = Path(__file__)
    rows = []
    for wagner in WAGNER:
        for share in WIDTHS:
            depth = 2.0 * share
            rows.append((wagner, share, solved(depth, wagner), exact(depth, wagner)))
    with open(here.with_suffix(".csv"), "w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(["Wagner number", "mask thickness / width", "solved", "exact"])
        writer.writerows([[f"{v:.6g}" for v in row] for row in rows])
    along = np.geomspace(0.03, 1.0, 40)
    curves = {w: (along, np.array([exact(2.0 * s, w) for s in along])) for w in WAGNER}
    dots = {w: tuple(np.array([[r[1], r[2]] for r in rows if r[0] == w]).T) for w in WAGNER}
    save_figure(edge_chart(curves, dots), here.with_suffix(".png"))


if __name__ == "__main__":
    main()
