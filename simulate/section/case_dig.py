"""The section through a line of a case, to be dug: the swab stands still over the line.

Openings end in lips of the mask, under which the metal dissolves too. Where an opening reaches
beyond what is wet, the wall meets the edge of the liquid, and that side stands.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from simulate.errors import Fault, InputError
from simulate.field.grid import Grid
from simulate.field.polarisation import law_row
from simulate.materials.lookup import cathode_law
from simulate.materials.metals import anode_law
from simulate.materials.removal import layer_at, removal_rate
from simulate.section.axes import about_rim, graded_edges
from simulate.section.cut_cells import Ground
from simulate.section.dig import Dig
from simulate.section.electrode_links import Form
from simulate.section.line import CutLine, Spans
from simulate.section.moving_wall import Cavity
from simulate.section.opening import cell_at_wall
from simulate.section.upper_part import UpperPart
from simulate.section.wall_field import Circuit
from simulate.swab.cell_fractions import extent
from simulate.swab.geometry import Pad

Doubles = NDArray[np.float64]

BESIDE = 0.3e-3
"""Mask that is kept beside the swab and beside the outermost opening [m]."""

NARROW = 1e-6
"""Openings narrower than this do not count [m]."""


def dig_case(
    line: CutLine, depth: float, *, form: Form = "second-order", cell: float | None = None
) -> Dig:
    """Cells for a line that is to be dug to about a depth [m].

    Parameters
    ----------
    cell : side of the cells at the wall [m]; None takes what the narrowest opening wants.

    Raises
    ------
    InputError : the metal does not etch, or nothing on the line is open and wet.
    """
    case = line.case
    spans = [(a, b) for a, b in line.dissolving_spans if b - a > NARROW]
    if not spans:
        fault = Fault("nothing is open under the swab", "a place over an opening", key="place")
        raise InputError(fault)
    lips = tuple(_lips(line, span) for span in spans)
    size = cell or cell_at_wall(min(b - a for a, b in spans), depth)
    x, z, rows = _axes(line, spans, depth, size)
    above = z[rows:]
    counted = above - case.stencil.thickness  # from the mask's upper face
    shares = line.shares(x, counted)
    kappa = line.conductivity(x, counted, shares)
    is_open = line.open_columns(x)
    upper = UpperPart(Grid.section(x, above), kappa, shares[2] > 0.5, is_open)
    lowest = np.where(is_open, kappa[0], 0.0)
    free = case.electrolyte.conductivity()
    ground = Ground(x, z[: rows + 2], free, lowest, barred=_barred(x, spans, lips))
    laws = np.stack(
        [
            law_row(anode_law(case.metal, line.moving)),
            law_row(cathode_law(case.cathode, case.electrolyte.acidity)),
        ]
    )

    def rate(density: Doubles, below: Doubles) -> Doubles:
        """By the layer that lies bare at each depth."""
        if case.metal.under is None:
            return removal_rate(case.metal, density)
        pairs = zip(density, np.maximum(below, 0.0), strict=True)
        return np.array([float(removal_rate(layer_at(case.metal, d), i)) for i, d in pairs])

    return Dig(
        cavity=Cavity(ground, Circuit(laws, line.supply), rate, upper, form=form),
        openings=tuple(spans),
        lips=lips,
        plate=case.plate.thickness,
        mirrors=(False, False),
        mask=case.stencil.thickness,
    )


def _lips(line: CutLine, span: tuple[float, float]) -> tuple[bool, bool]:
    """Whether the ends of what is wet are rims of the mask."""
    rims = np.array(line.open_spans)
    left, right = (float(np.abs(rims[:, n] - span[n]).min()) < NARROW for n in (0, 1))
    return bool(left), bool(right)


def _barred(
    x: Doubles, spans: Spans, lips: tuple[tuple[bool, bool], ...]
) -> NDArray[np.bool_] | None:
    """Columns beyond ends that stand, half way to the next opening."""
    middle = 0.5 * (x[1:] + x[:-1])
    barred = np.zeros(middle.size, bool)
    for n, ((a, b), (left, right)) in enumerate(zip(spans, lips, strict=True)):
        before = 0.5 * (spans[n - 1][1] + a) if n else -np.inf
        after = 0.5 * (b + spans[n + 1][0]) if n + 1 < len(spans) else np.inf
        barred |= (middle < a) & (middle > before) & (not left)
        barred |= (middle > b) & (middle < after) & (not right)
    return barred if barred.any() else None


def _axes(line: CutLine, spans: Spans, depth: float, size: float) -> tuple[Doubles, Doubles, int]:
    """Edges along the line and in height above the metal [m], and rows of the ground."""
    swab, mask = line.swab, line.case.stencil.thickness
    low, high, _, _, top = extent(swab)
    reach = 1.6 * depth + 4.0 * size
    ends = (
        min(low, spans[0][0] - reach) - BESIDE,
        max(high, spans[-1][1] + reach) + BESIDE,
    )
    coarse = max((high - low) / 60.0, size)
    rims = sorted({edge for span in spans for edge in span})
    inner = [edge for edge in line.wet_span if all(abs(edge - rim) > size for rim in rims)]
    marks = sorted([*ends, *rims, *(edge for edge in inner if ends[0] < edge < ends[1])])
    near = [about_rim(span[n], (-1.0, 1.0)[n], depth, size) for span in spans for n in (0, 1)]
    x = graded_edges(marks, near, size, coarse)
    plate = line.case.plate.thickness
    floor = 3.0 * depth + 6.0 * size
    floor = floor if plate is None else max(min(floor, plate), 1.2 * depth)
    below = graded_edges([-floor - 2.0 * size, 0.0], [(-1.3 * depth, 0.0)], size, 4.0 * size)
    heights = graded_edges([0.0, mask, mask + top], [(0.0, 0.0)], size, top / 40.0)
    if isinstance(swab, Pad):
        heights = np.append(heights, heights[-1] + (heights[-1] - heights[-2]))
    return x, np.concatenate([below[:-1], heights]), below.size - 1
