"""The figure of a section under the swab: equipotentials, lines of equal current, crowding."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from simulate.figures.captions import current_words, with_unit, words
from simulate.figures.plan_view import round_down
from simulate.figures.profile import MASK_LOOK
from simulate.figures.style import A_CM2, BLUE, INK, METAL, MM, OCHRE, new_figure, styled
from simulate.figures.swab_outline import WET, shape_of
from simulate.section.current_lines import corners
from simulate.section.solve import Section

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

LINES = 16
"""Current lines drawn at most; as many as carry a round current each."""

FLOOR = 0.35  # of metal shown below the mask [mm]


@styled
def section_figure(section: Section) -> Figure:
    """Potential and current under the swab, to scale, and current density along the metal below.

    Parameters
    ----------
    section : what to draw; lengths in mm, potential against the cathode's metal.
    """
    x, z = section.field.grid.x * MM, (section.field.grid.z) * MM
    wide, tall = x[-1] - x[0], z[-1] - z[0] + FLOOR
    height = min(max(5.6 * tall / wide, 1.4), 4.6)
    figure = new_figure(height + 3.6)
    above, below = figure.subplots(2, 1, height_ratios=(height, 1.2))
    each = round_down(section.current / LINES * 1.0001) if section.current > 0.0 else 0.0
    each = each if section.current / max(each, 1e-300) <= 2.1 * LINES else 2.0 * each
    _draw_bodies(above, section)
    step = _draw_potential(above, section)
    _draw_lines(above, section, each)
    above.set(xlim=(x[0], x[-1]), ylim=(z[0] - FLOOR, z[-1]), aspect="equal")
    above.set_ylabel("height above the mask (mm)")
    _draw_density(below, section)
    below.set_xlim(above.get_xlim())
    title = f"Under the swab: between two lines flow {current_words(each)}"
    words(figure, title, _caption(section, step))
    figure.draw_without_rendering()
    figure.set_layout_engine("none")
    box, under = above.get_position(), below.get_position()
    below.set_position((box.x0, under.y0, box.width, under.height))  # one under the other
    return figure


def _caption(section: Section, step: float) -> str:
    x, y = (f"{value * MM:.3g}" for value in section.place)
    return (
        f"{section.case.title.rstrip('.')}. A plane through the centre of the contact patch at "
        f"x\N{NO-BREAK SPACE}{x}, y\N{NO-BREAK SPACE}{y}\N{NO-BREAK SPACE}mm, "
        f"{_way(section.angle)}, taken to go on alike for {with_unit(section.thickness, 'mm')}; "
        "fresh swab, unetched metal. Brown: cathode. Pale blue: wet. Hatched: mask. Grey: metal. "
        f"Blue: current from metal to cathode, {current_words(section.current)} in all. Ochre: "
        f"equal potential, every {step:g}\N{NO-BREAK SPACE}V. Below: current density on the metal, "
        f"{_density_words(section)}. Dashed: ends of the contact."
    )


def _density_words(section: Section) -> str:
    place, density = section.plate_density
    highest, lowest = float(density.max()), float(density.min())
    shown = with_unit(highest, "A/cm2").replace("cm2", "cm²")
    if lowest > 0.99 * highest:
        limit = section.case.metal.limit_stroked.value
        film = ", where a salt film holds it" if highest > 0.99 * limit else ""
        return f"{shown} throughout{film}"
    at = f"{place[np.argmax(density)] * MM:.2f}\N{NO-BREAK SPACE}mm"
    return f"at most {shown}, at {at}"


def _way(angle: float) -> str:
    """The line's direction in words."""
    turn = math.degrees(math.remainder(angle, math.pi))
    if abs(turn) < 0.05:
        return "along x"
    return "along y" if abs(abs(turn) - 90.0) < 0.05 else f"at {turn:.3g}° to x"


def _draw_bodies(ax: Axes, section: Section) -> None:
    """Wet body, mask, metal and cathode, on squares finer than the field's cells."""
    x, z = section.field.grid.x * MM, section.field.grid.z * MM
    swab = replace(section.case.swab, heading=section.case.swab.heading - section.angle)
    shape = shape_of(swab, (float(x[0]), float(x[-1])), float(z[-1]))
    shape.fill(ax)
    ends = [*section.open_spans, (math.inf, math.inf)]
    covered = x[0]
    for a, b in np.clip(np.array(ends) * MM, x[0], x[-1]):
        wet = (a, b) if section.case.trail else np.clip((a, b), *np.array(section.wet_span) * MM)
        ax.fill_between(wet, z[1], 0.0, facecolor=WET, linewidth=0, zorder=1)
        if a > covered:
            ax.fill_between([covered, a], z[1], 0.0, **MASK_LOOK)
        covered = b
    ax.fill_between([x[0], x[-1]], z[0] - FLOOR, z[1], color=METAL, linewidth=0, zorder=4)


def _draw_potential(ax: Axes, section: Section) -> float:
    """Lines of equal potential, named above the mask; the step between them [V]."""
    from matplotlib.patheffects import withStroke

    grid = section.field.grid
    potential = np.ma.masked_where(section.conductivity <= 0.0, section.field.potential[:, 0])
    low, high = float(potential.min()), float(potential.max())
    step = round_down((high - low) / 8.0) if high > low else 1.0
    levels = np.arange(math.ceil(low / step), math.floor(high / step) + 1) * step
    top = int(np.argmax(grid.z > -1e-12))
    for rows, named in ((slice(0, top + 1), False), (slice(top, None), True)):
        if potential[rows].count() == 0:
            continue
        lines = ax.contour(
            grid.centres[0] * MM,
            grid.centres[2][rows] * MM,
            potential[rows],
            levels,
            colors=OCHRE,
            linewidths=0.9,
            linestyles="solid",
            zorder=5,
        )
        if named:
            inner = levels[(levels >= low) & (levels <= high - 0.2 * (high - low))][::2]
            texts = ax.clabel(
                lines, inner.tolist(), fmt=lambda value: f"{value:.3g} V", fontsize=9.5, zorder=8
            )
            for text in texts:  # legible where current lines pass below
                text.set_path_effects([withStroke(linewidth=3.0, foreground=WET)])
    return step


def _draw_lines(ax: Axes, section: Section, each: float) -> None:
    """Lines with the same current between neighbours; the halves left and right of the cathode."""
    grid = section.field.grid
    if each <= 0.0:
        return
    hidden = ~corners(section.conductivity > 0.0)
    columns = np.flatnonzero(section.cathode.any(axis=0))
    cut = int(0.5 * (columns[0] + columns[-1])) + 1
    total = section.field.currents["plate"]
    step = each / section.thickness
    levels = (np.arange(-math.ceil(total / step), math.ceil(total / step)) + 0.5) * step
    for stream, part in zip(section.stream, (slice(0, cut + 1), slice(cut, None)), strict=True):
        values = np.ma.masked_where(hidden, stream)[1:, part]
        ax.contour(
            grid.x[part] * MM,
            grid.z[1:] * MM,
            values,
            levels,
            colors=BLUE,
            linewidths=1.1,
            linestyles="solid",
            zorder=6,
        )


def _draw_density(ax: Axes, section: Section) -> None:
    """Current density along the metal, opening by opening."""
    place, density = section.plate_density
    place, density = place * MM, density * A_CM2
    for a, b in section.open_spans:
        inside = (place > a * MM) & (place < b * MM)
        if inside.any():
            ax.fill_between(place[inside], density[inside], color=BLUE, alpha=0.25, linewidth=0)
            ax.plot(place[inside], density[inside], color=BLUE, linewidth=1.5)
    for edge in section.wet_span:
        ax.axvline(edge * MM, color=INK, linewidth=0.8, linestyle=(0, (3, 2)))
    ax.set(
        ylim=(0.0, 1.15 * float(density.max())),
        xlabel="along the line, from the middle of the patch (mm)",
    )
    ax.set_ylabel("A/cm²")
    ax.grid(axis="y")
