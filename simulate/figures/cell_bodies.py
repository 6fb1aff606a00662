"""What the figure of the cell is made of: bodies to scale, leads, electrons, ions, names."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from simulate.case.case import Case
from simulate.figures.plan_view import round_down
from simulate.figures.profile import MASK_LOOK
from simulate.figures.style import BLUE, INK, METAL, OCHRE
from simulate.figures.swab_outline import WET, Shape, Span, shape_of
from simulate.swab.geometry import Bud, Swab

if TYPE_CHECKING:
    from matplotlib.axes import Axes

ROOM = 5.9  # over which the cell is drawn [in]


@dataclass(frozen=True)
class Cut:
    """The plane of the drawing: through the swab's axis at one stop. Lengths from there [mm].

    scale : [mm per inch of the figure]. spans : openings. ends, thickness : of the plate.
    wet : part of the line where openings hold liquid. top : of the swab. middle : of the drawing.
    """

    stop: int
    swab: Swab
    scale: float
    spans: tuple[Span, ...]
    ends: Span
    thickness: float
    mask: float
    wet: Span
    top: float
    middle: float

    @property
    def left(self) -> float:
        """Left end of the drawing."""
        return self.middle - 0.5 * ROOM * self.scale

    @property
    def right(self) -> float:
        """Right end of the drawing."""
        return self.middle + 0.5 * ROOM * self.scale

    @property
    def plate(self) -> Span:
        """Ends of the plate within the drawing; the wire runs beside it."""
        room = 0.5 * self.scale
        return max(self.ends[0], self.left + room), min(self.ends[1], self.right - 0.1 * self.scale)

    @property
    def floor(self) -> float:
        """Underside of the plate."""
        return -self.mask - self.thickness


def draw_bodies(ax: Axes, cut: Cut) -> Shape:
    """Plate, mask, liquid, swab and cathode."""
    shape = shape_of(cut.swab, (cut.left, cut.right), cut.top)
    shape.fill(ax)
    left, right = cut.plate
    ax.fill_between([left, right], cut.floor, -cut.mask, color=METAL, linewidth=0, zorder=1)
    covered = left
    for span in [*cut.spans, (right, right)]:
        a, b = (min(max(edge, left), right) for edge in span)
        if a > covered:
            ax.fill_between([covered, a], -cut.mask, 0.0, **MASK_LOOK)
        wet = [min(max(edge, cut.wet[0]), cut.wet[1]) for edge in (a, b)]
        if wet[1] > wet[0]:
            ax.fill_between(wet, -cut.mask, 0.0, color=WET, linewidth=0, zorder=2)
        covered = max(covered, b)
    return shape


def draw_leads(ax: Axes, cut: Cut, shape: Shape, supply: str) -> None:
    """Battery or bench supply, its leads, and the electrons in them."""
    from matplotlib.patches import Rectangle

    unit = cut.scale
    centre, height = 0.5 * (cut.left + cut.right), cut.top + 0.62 * unit
    half, tall = 1.3 * unit, 0.42 * unit
    box = Rectangle(
        (centre - half, height - 0.5 * tall),
        2.0 * half,
        tall,
        facecolor="white",
        edgecolor=INK,
        linewidth=1.2,
    )
    ax.add_patch(box)
    ax.text(centre, height, supply, ha="center", va="center", fontsize=9.5)
    for side, sign in ((-1.0, "+"), (1.0, "−")):
        place = centre + side * (half - 0.12 * unit)
        ax.text(place, height, sign, ha="center", va="center", fontsize=13, fontweight="bold")
    column = min(cut.plate[0], centre - half) - 0.2 * unit
    level = cut.floor + 0.5 * cut.thickness
    plate_lead = [
        (cut.plate[0], level),
        (column, level),
        (column, height),
        (centre - half, height),
    ]
    end, way = _cathode_end(cut, shape)
    out = end + 0.18 * unit * way
    beside = max(centre + half + 0.25 * unit, float(out[0]))
    swab_lead = [(centre + half, height), (beside, height), (beside, out[1]), tuple(out), end]
    for lead in (plate_lead, swab_lead):
        ax.plot(*np.array(lead).T, color=INK, linewidth=1.4, solid_joinstyle="miter", zorder=5)
    ax.plot(*plate_lead[0], "s", color=INK, markersize=6, zorder=6)
    _draw_electrons(ax, cut, (column, 0.5 * (level + height)), 1.0)
    _draw_electrons(ax, cut, (beside, 0.5 * (float(out[1]) + height)), -1.0)


def _cathode_end(cut: Cut, shape: Shape) -> tuple[np.ndarray, np.ndarray]:
    """Where the lead meets the cathode [mm], and the way it leaves."""
    rows, columns = np.nonzero(shape.wire > 0.5)
    tilt = cut.swab.tilt if isinstance(cut.swab, Bud) else 0.0
    along = np.array([math.cos(tilt), math.sin(tilt)])
    reach = shape.x[columns] * along[0] + shape.z[rows] * along[1]
    last = reach > reach.max() - 0.05
    end = np.array([shape.x[columns[last]].mean(), shape.z[rows[last]].mean()])
    return end, np.array([0.0, 1.0]) if tilt > 0.25 * math.pi else np.array([1.0, 0.0])


def _draw_electrons(ax: Axes, cut: Cut, place: Span, way: float) -> None:
    """An arrow along an upright lead, named; the way is 1 upward, -1 downward."""
    length = 0.2 * cut.scale
    _arrow(ax, (place[0], place[1] - way * length), (place[0], place[1] + way * length), OCHRE)
    ax.text(
        place[0] - way * 0.09 * cut.scale,  # on the side away from the swab
        place[1],
        "e⁻",
        ha="right" if way > 0.0 else "left",
        va="center",
        color=OCHRE,
        fontsize=12,
        fontweight="bold",
    )


def _arrow(ax: Axes, start: Span, end: Span, colour: str, *, hollow: bool = False) -> None:
    """An arrow; a hollow one has a white head, so that the two kinds differ without colour."""
    from matplotlib.patches import FancyArrowPatch

    ax.add_patch(
        FancyArrowPatch(
            start,
            end,
            arrowstyle="-|>",
            mutation_scale=13,
            linewidth=1.8,
            edgecolor=colour,
            facecolor="white" if hollow else colour,
            linestyle=(0, (3, 1.5)) if hollow else "solid",
            shrinkA=0,
            shrinkB=0,
            zorder=8,
        )
    )


def draw_ions(ax: Axes, cut: Cut, shape: Shape) -> None:
    """Positive ions from the openings to the cathode, negative ones back, in turn."""
    low, high = shape.span(shape.wire)
    spans = [(max(a, cut.wet[0]), min(b, cut.wet[1])) for a, b in cut.spans]
    spans = [span for span in spans if span[1] > span[0]]
    places: list[float] = []
    for a, b in spans:
        count = max(1, min(4, round((b - a) / (0.3 * cut.scale))))
        places += [a + (b - a) * (k + 0.5) / count for k in range(count)]
    kept: list[float] = []
    for x in sorted(places, key=lambda x: max(low - x, x - high, 0.0)):
        if all(abs(x - other) > 0.2 * cut.scale for other in kept) and len(kept) < 8:
            kept.append(x)
    for number, x in enumerate(sorted(kept)):
        over = min(max(x, low), high)
        plate, cathode = (x, -0.9 * cut.mask), (over, shape.above(shape.wire, over)[0])
        ends = (plate, cathode) if number % 2 == 0 else (cathode, plate)
        _arrow(ax, *ends, BLUE, hollow=number % 2 == 1)


def name_bodies(ax: Axes, cut: Cut, shape: Shape, case: Case) -> None:
    """Names on the bodies, or beside a narrow swab."""
    low, high = shape.span(shape.wet)
    middle = 0.5 * sum(shape.span(shape.wire))
    wire, body = (shape.above(share, middle) for share in (shape.wire, shape.wet))
    back = not isinstance(cut.swab, Bud)
    tilt = cut.swab.tilt if isinstance(cut.swab, Bud) else 0.0
    names = ("wet felt" if back else "wet cotton", "metal back" if back else "wire")
    kind = f"{names[1]}: cathode (−)"
    if high - low > 1.6 * cut.scale:
        level = 0.45 * wire[0] if back else 0.5 * (wire[1] + body[1])
        place = low + 0.55 * cut.scale if back else middle
        ax.text(place, level, names[0], ha="center", va="center", fontsize=9.5, zorder=9)
        thin = wire[1] - wire[0] < 0.17 * cut.scale
        ax.text(
            middle,
            wire[1] + 0.1 * cut.scale if thin else 0.5 * (wire[0] + wire[1]),
            kind,
            ha="center",
            va="center",
            rotation=math.degrees(tilt),
            fontsize=9.5,
            color=INK if thin else "white",
            zorder=9,
        )
    else:
        for text, share, level in ((names[0], shape.wet, 0.35), (kind, shape.wire, 0.62)):
            z = level * cut.top
            inside = np.flatnonzero(share[np.argmin(np.abs(shape.z - z))] > 0.5)
            point = (float(shape.x[inside[-1]]) - 0.05 * cut.scale, z)
            ax.annotate(
                text,
                point,
                xytext=(high + 0.3 * cut.scale, z),
                va="center",
                fontsize=9.5,
                arrowprops={"arrowstyle": "-", "color": INK, "linewidth": 0.8},
                zorder=9,
            )
    plate = f"plate of {case.metal.label}: anode (+)"
    fits = cut.thickness > 0.18 * cut.scale
    ax.text(
        0.5 * sum(cut.plate) if fits else cut.plate[0],
        cut.floor + (0.5 * cut.thickness if fits else -0.05 * cut.scale),
        plate,
        ha="center" if fits else "left",
        va="center" if fits else "top",
        fontsize=9.5,
    )


def draw_scale(ax: Axes, cut: Cut) -> None:
    """A bar of a round length below, at the right end."""
    length = round_down(1.4 * cut.scale)
    right, level = cut.right - 0.1 * cut.scale, cut.floor - 0.15 * cut.scale
    ax.plot([right - length, right], [level, level], color=INK, linewidth=2.4)
    ax.text(
        right - length - 0.06 * cut.scale,
        level,
        f"{length:g} mm",
        ha="right",
        va="center",
        fontsize=10,
    )
