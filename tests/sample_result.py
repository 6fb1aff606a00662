"""A made-up result for the tests of storing, drawing and exporting.

Nothing here is solved. The maps are invented from simple rules that look like the real thing: the
current lies under a soft-edged contact patch, crowds within a quarter of a millimetre of each rim,
and falls as the supply's voltage sags; depth follows from charge by Faraday's law for iron leaving
as Fe(+2). Do not take any number from here as a prediction.
"""

from __future__ import annotations

from functools import cache

import numpy as np

from simulate.case.case import Case, parse_case
from simulate.result.result import Result
from simulate.stencil.measure import area_fractions, rim_distance
from simulate.stencil.shapes import openings
from simulate.swab.contact_patch import contact_size

CASE_TEXT = """
title = "Sample tag (invented)"

[plate]
metal = "carbon steel"
width = "50 mm"
height = "25 mm"

[electrolyte]
vinegar = "100 ml"
salt = "6 g"
temperature = "20 degC"

[supply]
emf = "9 V"
resistance = "1.7 ohm"

[stencil]
thickness = "0.15 mm"
shapes = [
  { kind = "ring", x = "11 mm", y = "12.5 mm", outer = "14 mm", inner = "9 mm" },
  { kind = "circle", x = "11 mm", y = "12.5 mm", diameter = "4 mm" },
  { kind = "text", text = "PEAS", x = "33 mm", y = "16 mm", height = "7 mm" },
  { kind = "rectangle", x = "33 mm", y = "7.5 mm", width = "24 mm", height = "1 mm" },
]

[swab]
form = "bud"
diameter = "5 mm"
length = "14 mm"
press = "0.6 mm"
heading = "90 deg"

[stroke]
pattern = "hatch"
x = "25 mm"
y = "12.5 mm"
width = "48 mm"
height = "20 mm"
spacing = "5 mm"
speed = "0.5 mm/s"
passes = 4

[grid]
cell = "0.2 mm"
"""

DEPTH_PER_CHARGE = 55.845e-3 / (2 * 96485.33212 * 7870.0)
"""Depth per charge density for iron as Fe(+2) at full efficiency [m per C/m2]."""


def sample_case() -> Case:
    """The invented case the result belongs to."""
    return parse_case(CASE_TEXT, "sample_tag.toml")


@cache
def sample_result(cell: float = 2e-4, partial: bool = False) -> Result:
    """The invented result on cells of the given size [m]."""
    case = sample_case()
    x_edges = np.linspace(0.0, case.plate.width, round(case.plate.width / cell) + 1)
    y_edges = np.linspace(0.0, case.plate.height, round(case.plate.height / cell) + 1)
    x, y = 0.5 * (x_edges[:-1] + x_edges[1:]), 0.5 * (y_edges[:-1] + y_edges[1:])
    geometry = openings(case.stencil)
    fraction = area_fractions(geometry, x_edges, y_edges)
    rim = rim_distance(geometry, x, y)
    crowding = np.where(fraction > 0.0, 0.85 + 0.9 * np.exp(-rim / 2.5e-4), 0.0)
    area = fraction * np.outer(np.diff(y_edges), np.diff(x_edges))

    swab_x, swab_y, time = _hatch()
    if partial:
        keep = time < 0.6 * time[-1]
        swab_x, swab_y, time = swab_x[keep], swab_y[keep], time[keep]
    dwell = np.full(time.size, 2.0)
    maps, patches, current, voltage = [], [], [], []
    for place in zip(swab_x, swab_y, strict=True):
        patch = _patch(case, x, y, place)
        shape = patch * crowding
        per_volt = 1.1e3 * float((shape * area).sum())
        current.append((9.0 - 1.9) * per_volt / (1.0 + 1.7 * per_volt))
        voltage.append(9.0 - 1.7 * current[-1])
        maps.append(shape * current[-1] * 1.1e3 / max(per_volt, 1e-300))
        patches.append(patch)
    density = np.asarray(maps)
    charge = np.tensordot(dwell, density, axes=1)
    kept = np.linspace(0, time.size - 1, 5).astype(int)
    return Result(
        case=case,
        x_edges=x_edges,
        y_edges=y_edges,
        depth=DEPTH_PER_CHARGE * charge,
        contact_time=np.tensordot(dwell, np.asarray(patches) > 0.5, axes=1),
        charge_density=charge,
        peak_density=density.max(axis=0),
        open_fraction=fraction,
        rim_distance=rim,
        time=time,
        dwell=dwell,
        current=np.asarray(current),
        voltage=np.asarray(voltage),
        swab_x=swab_x,
        swab_y=swab_y,
        rewet=np.isin(np.arange(time.size), [200, 400]),
        sample_stop=kept,
        sample_density=density[kept],
        sample_depth=np.stack(
            [DEPTH_PER_CHARGE * np.tensordot(dwell[: k + 1], density[: k + 1], 1) for k in kept]
        ),
        numerical={"current": 0.004, "mean_depth": 0.006, "edge_ratio": 0.02, "evenness": 0.01},
        statistics={"solves": 74, "iterations": 1021},
        partial=partial,
    )


def _hatch() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Positions and times of a stroke to and fro in rows 5 mm apart, three passes."""
    row = np.arange(2e-3, 48.1e-3, 1e-3)
    rows = np.arange(2.5e-3, 23e-3, 5e-3)
    xs = np.concatenate([row if k % 2 == 0 else row[::-1] for k in range(rows.size)])
    ys = np.repeat(rows, row.size)
    x = np.concatenate([xs, xs[::-1], xs])
    y = np.concatenate([ys, ys[::-1], ys])
    return x, y, 2.0 * np.arange(x.size) + 2.0 * (np.arange(x.size) // row.size)


def _patch(case: Case, x: np.ndarray, y: np.ndarray, place: tuple[float, float]) -> np.ndarray:
    """Soft-edged oval as long and wide as the contact patch, 0 to 1, (ny, nx)."""
    length, width = contact_size(case.swab)
    right, up = x[None, :] - place[0], y[:, None] - place[1]
    cosine, sine = np.cos(case.swab.heading), np.sin(case.swab.heading)
    along = np.abs(cosine * right + sine * up) / (0.5 * length)
    across = np.abs(cosine * up - sine * right) / (0.5 * width)
    return 1.0 / (1.0 + np.exp(((along**4 + across**4) ** 0.25 - 1.0) / 0.06))
