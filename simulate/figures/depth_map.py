"""The figures in plan: depth of etch, and current density at one stop."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from simulate.errors import Fault, InputError
from simulate.figures.captions import (
    current_words,
    lead_words,
    shown,
    time_words,
    trim,
    with_unit,
    words,
)
from simulate.figures.plan_view import (
    bulk_limits,
    close_in,
    colour_bar,
    contour_lines,
    draw_map,
    outline,
    plan_height,
    scale_bar,
)
from simulate.figures.style import A_CM2, INK, MM, UM, new_figure, styled
from simulate.result.result import Result
from simulate.swab.contact_patch import contact_outline
from simulate.units import format_number

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.contour import QuadContourSet
    from matplotlib.figure import Figure


@styled
def depth_map(result: Result) -> Figure:
    """Depth of etch over the plate, inside the outline of the stencil's openings.

    The view closes in on the openings where the plate is much larger; a small plan of the plate
    then shows where they lie.

    Parameters
    ----------
    result : what to draw; depth [m] is shown in µm.
    """
    summary = result.summary
    inside = result.depth[result.open_fraction > 0.0] * UM
    figure = new_figure(plan_height(result) + 2.1)
    ax = figure.subplots()
    mesh = draw_map(ax, result, result.depth * UM, bulk_limits(inside))
    lines = contour_lines(ax, result, result.depth * UM, mesh)
    close_in(ax, result, np.asarray(outline(result).vertices), margin=0.15)
    bar = colour_bar(ax, mesh, inside, "etch depth (µm)")
    if lines is not None:
        bar.add_lines(lines)
    scale_bar(ax)
    title = (
        f"Etch depth: {shown(summary['mean_depth'], 'µm')} on average, "
        f"{shown(summary['max_depth'], 'µm')} at most"
    )
    level = "" if lines is None else f"Lines: every {_step(lines)}\N{NO-BREAK SPACE}µm. "
    caption = (
        f"{lead_words(result)}Hatched: under the mask. {level}{shown(summary['charge'], 'C')} "
        f"passed over {shown(summary['open_area'], 'cm²')} of open area. "
        f"Evenness {shown(summary['evenness'])} (1 is perfectly even)."
    )
    if summary["edge_ratio"]["value"] is not None:
        caption += (
            " Within 0.1\N{NO-BREAK SPACE}mm of a rim the etch is "
            f"{shown(summary['edge_ratio'])} times as deep as elsewhere."
        )
    trim(figure, ax, *words(figure, title, caption + _error_words(summary)))
    return figure


@styled
def density_map(result: Result, sample: int | None = None) -> Figure:
    """Current density on the metal at one kept stop, with the swab's contact outline.

    The view closes in on the swab where the plate is much larger; a small plan of the plate then
    shows where it stands.

    Parameters
    ----------
    result : what to draw; current density [A/m2] is shown in A/cm².
    sample : which of the kept maps, counted from 0; None takes the one of largest current.

    Raises
    ------
    InputError
        If there is no such map.
    """
    sample = _kept_map(result, sample)
    stop = int(result.sample_stop[sample])
    density = result.sample_density[sample].astype(np.float64) * A_CM2
    inside = density[result.open_fraction > 0.0]
    limits = (0.0, bulk_limits(inside[inside > 0.01 * inside.max(initial=0.0)])[1])
    place = (result.swab_x[stop], result.swab_y[stop])
    contact = (contact_outline(result.case.swab) + place) * MM

    figure = new_figure(plan_height(result) + 2.2)
    ax = figure.subplots()
    mesh = draw_map(ax, result, density, limits)
    draw_contact(ax, contact)
    locator = close_in(ax, result, contact, margin=0.4)
    if locator is not None:
        locator.plot(*contact.T, color=INK, linewidth=0.7)
    colour_bar(ax, mesh, inside, "current density (A/cm²)")
    scale_bar(ax)
    title = (
        f"Current density at {time_words(float(result.time[stop]))}: "
        f"up to {format_number(inside.max(initial=0.0))} A/cm²"
    )
    caption = (
        f"{lead_words(result)}{current_words(result.current[stop])} at "
        f"{with_unit(result.voltage[stop], 'V')} between plate and cathode. "
        f"Dashed: where the swab touches the mask. Hatched: under the mask."
    )
    trim(figure, ax, *words(figure, title, caption + _median_words(inside)))
    return figure


def _step(lines: QuadContourSet) -> str:
    """Distance between neighbouring lines, or the one that there is."""
    levels = np.asarray(lines.levels)
    return f"{levels[0] if levels.size == 1 else levels[1] - levels[0]:g}"


def _kept_map(result: Result, sample: int | None) -> int:
    """Check a map's number, or choose the map of largest current."""
    kept = result.sample_stop
    if sample is None and kept.size:
        return int(np.argmax(result.current[kept]))
    if sample is None or not 0 <= sample < kept.size:
        known = f"0 to {kept.size - 1}" if kept.size else "a result that keeps maps"
        given = "" if sample is None else str(sample)
        raise InputError(Fault("no such map was kept", known, key="sample", value=given))
    return sample


def draw_contact(ax: Axes, points: np.ndarray) -> None:
    """A closed dashed outline that shows on dark and on light."""
    closed = np.vstack([points, points[:1]])
    ax.plot(*closed.T, color="white", linewidth=2.8, solid_joinstyle="round", zorder=5)
    ax.plot(*closed.T, color=INK, linewidth=1.3, linestyle=(0, (4, 2)), zorder=6)


def _median_words(density: np.ndarray) -> str:
    """The median current density of the cells that carry current."""
    carrying = density[density > 0.05 * density.max(initial=0.0)]
    if not carrying.size:
        return " No current flows."
    middle = format_number(float(np.median(carrying)))
    return f" Half of the area that carries current is above {middle}\N{NO-BREAK SPACE}A/cm²."


def _error_words(summary: dict[str, Any]) -> str:
    """The numerical error of the mean depth, if it was estimated."""
    error = summary["numerical_error"].get("mean_depth", {"value": None})["value"]
    if error is None:
        return ""
    return f" Numerical error of the mean: about {with_unit(abs(error), '%')}."
