"""The figure of a profile across one opening, with the exact solution of such an opening over it.

Exact solutions exist for a round opening and for a long slot in a mask of any thickness, in one
liquid and with a reaction whose overpotential grows in proportion (`exact.recess`). A run has
more in it: the swab ends somewhere, the cathode is near, the reaction is not in proportion. Where
the two curves part, that is why.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from simulate.case.case import all_stops
from simulate.errors import Fault, InputError
from simulate.exact.recess import OpeningCurrent, disk_opening, strip_opening
from simulate.field.polarisation import overpotential
from simulate.figures.captions import lead_words, with_unit, words
from simulate.figures.profile import Line, Point, open_pieces
from simulate.figures.style import BLUE, INK, MM, OCHRE, new_figure, styled
from simulate.materials.metals import anode_law
from simulate.result.result import Result
from simulate.stencil.shapes import Circle, Rectangle, openings
from simulate.swab.cell_fractions import conductivity_factor
from simulate.swab.geometry import Bud, Pad
from simulate.units import format_number

if TYPE_CHECKING:
    from matplotlib.figure import Figure

SLOT = 2.5
"""A rectangle at least so many times as long as wide counts as a slot."""

ALONE = 4.0
"""Insulating walls beside a slot that has no neighbour stand so many half-widths away."""

LEAST_CELLS = 4  # across half an opening; fewer show no profile


class Opening(NamedTuple):
    """A simple opening: its middle and half-width [m], the way across it, round or a slot."""

    middle: Point
    half: float
    way: Point
    round: bool


def simple_opening(result: Result) -> Opening | None:
    """The widest round or slot-like opening that no other touches; None where there is none."""
    from shapely import Point as Spot
    from shapely import get_parts

    parts = get_parts(openings(result.case.stencil))
    cell = float(np.diff(result.x_edges).max())
    found = []
    for shape in result.case.stencil.shapes:
        one, area = _read(shape)
        if one is None or one.half < (LEAST_CELLS - 1e-6) * cell:
            continue
        holder = [part for part in parts if part.contains(Spot(one.middle))]
        if len(holder) == 1 and math.isclose(holder[0].area, area, rel_tol=0.02):
            found.append(one)
    return max(found, key=lambda one: one.half, default=None)


def _read(shape: object) -> tuple[Opening | None, float]:
    """A shape of the stencil as a simple opening, and its area [m2]."""
    if isinstance(shape, Circle):
        half = 0.5 * shape.diameter
        return Opening((shape.x, shape.y), half, (1.0, 0.0), True), math.pi * half**2
    if isinstance(shape, Rectangle):
        short, long = sorted((shape.width, shape.height))
        turn = shape.angle + (0.0 if shape.width <= shape.height else 0.5 * math.pi)
        slot = Opening((shape.x, shape.y), 0.5 * short, (math.cos(turn), math.sin(turn)), False)
        return (slot if long >= SLOT * short else None), short * long
    return None, 0.0


@styled
def exact_profile(result: Result) -> Figure:
    """Depth across a round or slot-like opening over its mean, beside the exact current density.

    Parameters
    ----------
    result : what to draw.

    Raises
    ------
    InputError : no opening of the stencil has an exact solution, or nothing was etched in it.
    """
    opening = simple_opening(result)
    if opening is None:
        expected = "a round opening or a slot, a few cells wide and by itself"
        raise InputError(Fault("no exact solution", expected, key="exact_profile"))
    place, depth = _across(result, opening)
    mean = _mean(result, opening, place, depth)
    if not mean > 0.0:
        raise InputError(Fault("nothing was etched there", "an etched opening", key="depth"))
    wagner = wagner_number(result, opening)
    exact = exact_current(result, opening, wagner)
    fine = np.linspace(-1.0, 1.0, 401)[1:-1]
    figure = new_figure(4.3)
    ax = figure.subplots()
    ax.axhline(1.0, color=INK, linewidth=0.8, linestyle=(0, (6, 3)))
    ax.plot(fine * opening.half * MM, exact.profile(np.abs(fine)), color=OCHRE, label="exact")
    inside = np.abs(place) < 1.0001 * opening.half
    ax.plot(
        place[inside] * MM,
        depth[inside] / mean,
        "o",
        color=BLUE,
        markersize=3.6,
        label="depth of the run",
    )
    top = max(float(depth.max()) / mean, exact.edge)
    ax.set(
        xlim=(-opening.half * MM, opening.half * MM),
        ylim=(0.0, 1.1 * top),
        xlabel="distance from the opening's middle (mm)",
        ylabel="local / mean",
    )
    ax.grid(axis="y")
    ax.legend(loc="lower center", ncols=2)
    words(figure, _title(depth / mean, exact), _caption(result, opening, wagner, mean))
    return figure


def _across(result: Result, opening: Opening) -> tuple[np.ndarray, np.ndarray]:
    """Distance from the opening's middle at the cells across it, and depth there [m]."""
    middle, way = np.asarray(opening.middle), np.asarray(opening.way)
    reach = 1.2 * opening.half
    ends = (middle - reach * way, middle + reach * way)
    pieces = open_pieces(result, Line(*((float(x), float(y)) for x, y in ends)))
    along, depth = max(pieces, key=lambda piece: float(np.ptp(piece[0])))
    return along - reach, depth


def _mean(result: Result, opening: Opening, place: np.ndarray, depth: np.ndarray) -> float:
    """Mean depth over the disc, or across the slot [m]."""
    if not opening.round:
        return float(np.average(depth[np.abs(place) <= 1.0001 * opening.half]))
    cell = float(np.diff(result.x_edges).max())
    inside = _away(result, opening) < opening.half + 0.5 * cell
    weight = result.open_area[inside]
    return float(np.average(result.depth[inside], weights=weight)) if weight.any() else 0.0


def _away(result: Result, opening: Opening) -> np.ndarray:
    """Distance of the cells from the opening's middle [m], (ny, nx)."""
    right, up = result.x - opening.middle[0], result.y - opening.middle[1]
    return np.asarray(np.hypot(right[None, :], up[:, None]))


def wagner_number(result: Result, opening: Opening) -> float:
    """kappa (d eta / d i) / half-width at the mean current density of the run there [-]."""
    case = result.case
    near = (_away(result, opening) < opening.half) & (result.contact_time > 0.0)
    charge, time = (
        float(values[near].sum()) for values in (result.charge_density, result.contact_time)
    )
    density = charge / time if time > 0.0 else 0.0
    law = anode_law(case.metal, bool(all_stops(case).moving.any()))
    highest = 0.99 * (math.inf if law.limit is None else law.limit)
    density = min(max(density, 1e-6), highest)
    step = 1e-4 * density
    rise = overpotential(law, density + step) - overpotential(law, density - step)
    return _conductivity(result) * float(rise) / (2.0 * step) / opening.half


def _conductivity(result: Result) -> float:
    """Of the fresh swab [S/m]."""
    case = result.case
    factor = conductivity_factor(
        case.swab.porosity, case.swab.wick_exponent, case.wick.saturation.value
    )
    return case.electrolyte.conductivity() * factor


def exact_current(result: Result, opening: Opening, wagner: float) -> OpeningCurrent:
    """The exact solution of such an opening under a mask of this thickness."""
    depth = max(result.case.stencil.thickness / opening.half, 0.01)
    if opening.round:
        return disk_opening(depth, wagner=wagner)
    return strip_opening(depth, cell=_walls(result, opening), wagner=wagner)


def _walls(result: Result, opening: Opening) -> tuple[float, float]:
    """Half the way to the next opening, and height of the cathode, over the half-width."""
    plate = result.case.plate
    reach = math.hypot(plate.width, plate.height)
    middle, way = np.asarray(opening.middle), np.asarray(opening.way)
    ends = (middle - reach * way, middle + reach * way)
    pieces = open_pieces(result, Line(*((float(x), float(y)) for x, y in ends)))
    edges = np.array([(float(s[0]) - reach, float(s[-1]) - reach) for s, _ in pieces])
    gaps = np.abs(edges[(edges[:, 0] > 0.0) | (edges[:, 1] < 0.0)]).min(axis=1, initial=math.inf)
    nearest = 0.5 * (float(gaps.min(initial=math.inf)) + opening.half) / opening.half
    return min(max(nearest, 1.01), ALONE), cathode_height(result.case.swab) / opening.half


def cathode_height(swab: Bud | Pad) -> float:
    """Of the cathode's lowest point above the mask [m]."""
    if isinstance(swab, Pad):
        return swab.height
    radius = 0.5 * swab.diameter
    return (
        radius
        - swab.press
        + (swab.wire_gap - radius) * math.sin(swab.tilt)
        - 0.5 * swab.wire_diameter * math.cos(swab.tilt)
    )


def _title(shown: np.ndarray, exact: OpeningCurrent) -> str:
    rim, middle = float(shown[[0, -1]].mean()), float(shown[shown.size // 2])
    return (
        f"Rim over middle: {format_number(rim / middle)} in the run, "
        f"{format_number(exact.edge_ratio)} exact"
    )


def _caption(result: Result, opening: Opening, wagner: float, mean: float) -> str:
    kind = (
        f"round opening {with_unit(2.0 * opening.half, 'mm')} across"
        if opening.round
        else f"slot {with_unit(2.0 * opening.half, 'mm')} wide"
    )
    return (
        f"{lead_words(result)}Dots: depth across a {kind}, over its mean of "
        f"{with_unit(mean, 'µm')}. Line: current density, exact for such an opening alone under a "
        f"mask of {with_unit(result.case.stencil.thickness, 'mm')}, in the swab's liquid and with "
        f"a reaction in proportion to its overpotential (Wagner number {format_number(wagner)}). "
        "Where dots and line part, what the exact solution leaves out is at work: the swab's end, "
        "the near cathode, films, a reaction that is not in proportion."
    )
