"""The figure of the cell: swab, mask and plate to scale, battery, and what flows where."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from simulate.case.case import Case
from simulate.errors import Fault, InputError
from simulate.figures.captions import current_words, lead_words, time_words, with_unit, words
from simulate.figures.cell_bodies import (
    ROOM,
    Cut,
    draw_bodies,
    draw_ions,
    draw_leads,
    draw_scale,
    name_bodies,
)
from simulate.figures.profile import Line, open_pieces
from simulate.figures.reactions import ACID, WATER, anode_reactions, positive_ions
from simulate.figures.style import BLUE, MM, OCHRE, new_figure, styled
from simulate.figures.swab_outline import Span
from simulate.result.result import Result
from simulate.swab.cell_fractions import extent
from simulate.swab.contact_patch import contact_size
from simulate.swab.geometry import Bud

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

ELECTRON = 1.602176634e-19  # charge [C], exact by definition of the SI
USUAL_PLATE = 1e-3  # drawn where a case does not say how thick its plate is [m]
TALL = 2.5  # most height of swab, mask and plate together [in]
ABOVE, BELOW = 1.0, 0.25  # for the battery, and under the plate [in]
CANDIDATES = 150  # stops looked at to choose one
BACK = 1.0  # thickness of the metal back of a pad, which no case states [mm]


@styled
def cell_figure(result: Result) -> Figure:
    """The cell cut through the swab's axis: what is where, what flows where, what reacts.

    Swab, mask and plate are to scale, battery and leads are not. Shown is a stop with the swab on
    the plate, and of those the one under which openings and mask alternate most.

    Parameters
    ----------
    result : gives case, currents and voltages; lengths in mm.

    Raises
    ------
    InputError : the run was stopped before its first stop.
    """
    cut = _choose_cut(result)
    height = (cut.top - cut.floor) / cut.scale + ABOVE + BELOW
    lines = 0.22 * (2 + max(len(anode_reactions(result.case.metal)), 2)) + 0.12
    figure = new_figure(height + lines + 1.75)
    ax, below = figure.subplots(2, 1, height_ratios=(height, lines))
    for each in (ax, below):
        each.axis("off")
    ax.set(
        xlim=(cut.left, cut.right),
        ylim=(cut.floor - BELOW * cut.scale, cut.top + ABOVE * cut.scale),
        aspect="equal",
    )
    shape = draw_bodies(ax, cut)
    draw_leads(ax, cut, shape, _supply_words(result.case))
    draw_ions(ax, cut, shape)
    name_bodies(ax, cut, shape, result.case)
    draw_scale(ax, cut)
    _write_flows(below, result.case, lines)
    title = (
        f"The cell: {current_words(float(result.current[cut.stop]))} at "
        f"{with_unit(float(result.voltage[cut.stop]), 'V')} between plate and cathode"
    )
    words(figure, title, _caption(result, cut))
    return figure


# --- where it is cut --------------------------------------------------------------------------


def _choose_cut(result: Result) -> Cut:
    """The stop with the swab on the plate and most rims of openings under its axis."""
    swab = replace(result.case.swab, heading=0.0)
    half = 0.5 * contact_size(swab)[0] * MM
    if not result.time.size or not result.sample_stop.size:
        raise InputError(Fault("no such map was kept", "a result that keeps maps", key="cell"))
    stops = range(0, result.time.size, max(1, result.time.size // CANDIDATES))
    found = [(stop, _open_spans(result, stop)) for stop in stops]

    def worth(entry: tuple[int, tuple[Span, ...]]) -> tuple[bool, int, float, float]:
        stop, spans = entry
        inside = [(max(a, -half), min(b, half)) for a, b in spans if min(b, half) > max(a, -half)]
        rims = sum(-half < edge < half for span in inside for edge in span)
        left, right = _plate_ends(result, stop)
        there = left <= -half and half <= right
        return there, min(rims, 4), sum(b - a for a, b in inside), float(result.current[stop])

    stop, spans = max(found, key=worth)
    low, high, _, _, top = (value * MM for value in extent(swab))
    top += 0.0 if isinstance(swab, Bud) else BACK
    plate = result.case.plate
    thickness = (plate.thickness or USUAL_PLATE) * MM
    mask = result.case.stencil.thickness * MM
    scale = max((high - low + 5.0) / ROOM, (top + mask + thickness) / TALL)
    return Cut(
        stop=stop,
        swab=swab,
        scale=scale,
        spans=spans,
        ends=_plate_ends(result, stop),
        thickness=thickness,
        mask=mask,
        wet=(-math.inf, math.inf) if result.case.trail else (-half, half),
        top=top,
        middle=0.5 * (low + high) - 0.12 * scale,
    )


def _direction(result: Result, stop: int) -> tuple[np.ndarray, np.ndarray]:
    """Place of the swab [m], and the way along its axis."""
    heading = result.case.swab.heading
    place = np.array([result.swab_x[stop], result.swab_y[stop]])
    return place, np.array([math.cos(heading), math.sin(heading)])


def _open_spans(result: Result, stop: int) -> tuple[Span, ...]:
    """Openings along the swab's axis, from the swab's place [mm]."""
    place, way = _direction(result, stop)
    reach = math.hypot(result.case.plate.width, result.case.plate.height)
    line = Line(tuple(place - reach * way), tuple(place + reach * way))
    pieces = open_pieces(result, line)
    return tuple(
        (float(along[0] - reach) * MM, float(along[-1] - reach) * MM) for along, _ in pieces
    )


def _plate_ends(result: Result, stop: int) -> Span:
    """Where the line leaves the plate, from the swab's place [mm]."""
    from shapely import LineString, box

    place, way = _direction(result, stop)
    plate = result.case.plate
    reach = 2.0 * math.hypot(plate.width, plate.height)
    line = LineString([place - reach * way, place + reach * way])
    inside = line.intersection(box(0.0, 0.0, plate.width, plate.height))
    ends = sorted(float((np.asarray(point) - place) @ way) * MM for point in inside.coords)
    return (ends[0], ends[-1]) if ends else (0.0, 0.0)


# --- what is said -----------------------------------------------------------------------------


def _write_flows(ax: Axes, case: Case, lines: float) -> None:
    """What the arrows mean, and under it the half-reactions at both ends, in two columns."""
    ax.set(xlim=(0.0, 1.0), ylim=(-lines, 0.0))  # inches down
    row = 0.22
    metal = ", ".join((*positive_ions(case.metal)[:2], "Na⁺", "H⁺"))
    for x, text, colour in (
        (0.0, "▶ electrons, in the leads", OCHRE),
        (0.31, f"▶ positive ions: {metal}", BLUE),
        (0.71, "▷ negative ions: Cl⁻", BLUE),
    ):
        ax.text(x, -0.5 * row, text, color=colour, fontsize=9.5, va="center")
    columns = (
        (0.0, "At the plate metal leaves", anode_reactions(case.metal)),
        (
            0.5,
            "At the cathode hydrogen comes off",
            (f"{ACID}  (while acid lasts)", f"{WATER}  (acid spent)"),
        ),
    )
    for x, head, reactions in columns:
        ax.text(x, -1.6 * row - 0.08, head, fontsize=10, fontweight="bold", va="center")
        for number, text in enumerate(reactions):
            ax.text(x, -(2.6 + number) * row - 0.08, text, fontsize=10.5, va="center")


def _supply_words(case: Case) -> str:
    """Name of the supply, or its voltage where it has none."""
    source = case.supply.after(0.0)
    return (
        f"{with_unit(source.emf, 'V')} supply"
        if "given" in case.supply.label
        else (case.supply.label.split(" (")[0].split(" with ")[0])
    )


def _caption(result: Result, cut: Cut) -> str:
    case, stop = result.case, cut.stop
    current = float(result.current[stop])
    source = case.supply.after(0.0)
    length, across = (with_unit(size, "mm") for size in contact_size(cut.swab))
    thick = case.plate.thickness
    plate = (
        f"the plate is {with_unit(thick, 'mm')} thick"
        if thick
        else f"how thick the plate is was not given: drawn {with_unit(USUAL_PLATE, 'mm')}"
    )
    further = ", and goes on beyond the drawing" if _goes_on(cut) else ""
    when = f"{time_words(float(result.time[stop]))} into the run" if stop else "At the start"
    return (
        f"{lead_words(result)}{when}. Swab, mask and plate are to scale, cut along the swab's "
        "axis; battery and leads are not. "
        f"{_swab_words(case)}; it touches {length} by {across}; the mask is "
        f"{with_unit(case.stencil.thickness, 'mm')} and {plate}{further}. The supply has "
        f"{with_unit(source.emf, 'V')} at no current and {with_unit(source.resistance, 'ohm')} "
        f"inside and in the leads. {current_words(current)} are "
        f"{_power_of_ten(current / ELECTRON)} electrons a second; in the liquid, "
        "where there are none, ions carry the same current."
    )


def _goes_on(cut: Cut) -> bool:
    """Whether the plate is longer than what is drawn of it."""
    return cut.plate[0] > cut.ends[0] or cut.plate[1] < cut.ends[1]


def _power_of_ten(value: float) -> str:
    """A large number as 3.3 × 10¹⁸."""
    power = math.floor(math.log10(value)) if value > 0.0 else 0
    raised = str(power).translate(str.maketrans("0123456789-", "⁰¹²³⁴⁵⁶⁷⁸⁹⁻"))
    return f"{value / 10.0**power:.2g} × 10{raised}".replace(" ", "\N{NO-BREAK SPACE}")


def _swab_words(case: Case) -> str:
    swab = case.swab
    sizes = (swab.diameter, swab.length) if isinstance(swab, Bud) else (swab.height, swab.length)
    thick, long = (with_unit(size, "mm") for size in sizes)
    pressed = f", pressed {with_unit(swab.press, 'mm')} flat" if isinstance(swab, Bud) else ""
    return (
        f"The {'bud' if isinstance(swab, Bud) else 'pad'} is {thick} thick and {long} long{pressed}"
    )
