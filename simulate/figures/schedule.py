"""The figure of a schedule: the etch before and after, the seconds on each piece, what is left."""

from __future__ import annotations

import os
from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from numpy.typing import NDArray

from simulate.dwell.place_fields import Spread
from simulate.dwell.plan import DwellPlan
from simulate.figures.captions import with_unit, words
from simulate.figures.plan_view import colour_bar, draw_map, draw_plate, outline, plan_height
from simulate.figures.style import BLUE, INK, MM, OCHRE, SOFT_INK, new_figure, save_figure, styled

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Doubles = NDArray[np.float64]


class Etch(NamedTuple):
    """A spread of depth under its name."""

    name: str
    spread: Spread


def draw_plan(plan: DwellPlan, path: str | os.PathLike[str]) -> None:
    """Draw depth before, depth after and schedule to a file, png, svg or pdf by its ending.

    Raises
    ------
    ResultError : the file cannot be written.
    """
    save_figure(schedule_figure(plan), path)


@styled
def schedule_figure(plan: DwellPlan) -> Figure:
    """Depth before and after over what is wanted, the schedule, and how depth is spread."""
    etches = (
        Etch("the stroke as it stands, repeated", plan.repeated),
        Etch("the schedule", plan.planned),
        Etch("free times all over the plate", plan.floor),
    )
    wanted, tolerance = plan.depth, plan.tolerance
    seconds = np.bincount(
        [visit.number for visit in plan.visits], [visit.seconds for visit in plan.visits]
    ).astype(float)
    tall = plan_height(plan)
    figure = new_figure(3.0 * tall + 4.4)
    axes = figure.subplots(4, 1, height_ratios=(tall, tall, tall, 2.3))
    for ax, etch in zip(axes[:2], etches, strict=False):
        _draw_share(ax, plan, etch, wanted)
    _draw_work(axes[2], plan, seconds)
    _draw_spread(axes[3], plan, etches)
    first, second = plan.repeated, plan.planned
    title = f"Evenness from {first.evenness:.2f} to {second.evenness:.2f} by a better schedule"
    total = float(seconds.sum())
    caption = (
        f"Depth over the {with_unit(wanted, 'µm')} wanted: upper map the stroke of the case, "
        f"repeated to that mean; middle map the schedule, drawn below it with the seconds on each "
        f"piece, {total:.0f}\N{NO-BREAK SPACE}s in all. The curves: what share of the open area "
        f"is etched no deeper than the value below; upright is perfectly even, the band is the "
        f"tolerance of {tolerance:.0%}."
    )
    words(figure, title, caption)
    return figure


def _draw_share(ax: Axes, plan: DwellPlan, etch: Etch, wanted: float) -> None:
    share = etch.spread.depth / wanted
    mesh = draw_map(ax, plan, share, (0.5, 1.5))
    mesh.set_cmap("PuOr")
    ax.set(xlabel="", ylabel="", xticks=[], yticks=[])
    ax.set_title(f"{etch.name}: evenness {etch.spread.evenness:.3f}", fontsize=10)
    colour_bar(ax, mesh, share[plan.open_fraction > 0.0], "depth / wanted")


def _draw_work(ax: Axes, plan: DwellPlan, spent: Doubles) -> None:
    """Each piece in the colour of its seconds over the openings in outline."""
    from matplotlib.collections import LineCollection
    from matplotlib.patches import PathPatch

    draw_plate(ax, plan)
    ax.add_patch(PathPatch(outline(plan), facecolor="none", edgecolor=SOFT_INK, linewidth=0.6))
    worked = [(piece, time) for piece, time in zip(plan.pieces, spent, strict=False) if time]
    seconds = np.array([time for _, time in worked])
    ends = [np.array([piece.start, piece.end]) * MM for piece, _ in worked]
    lines = LineCollection(ends, cmap="viridis_r", linewidths=4.5, capstyle="butt", zorder=4)
    lines.set_array(seconds)
    lines.set_clim(0.0, float(seconds.max()))
    ax.add_collection(lines)
    still = [n for n, (piece, _) in enumerate(worked) if piece.start == piece.end]
    if still:
        x, y = np.array([ends[n][0] for n in still]).T
        marks = ax.scatter(x, y, c=seconds[still], cmap="viridis_r", s=40, zorder=5)
        marks.set_clim(0.0, float(seconds.max()))
    ax.set_title("the schedule: seconds on each piece", fontsize=10)
    place = ax.inset_axes((1.03, 0.0, 0.035, 1.0))
    bar = ax.figure.colorbar(lines, cax=place, label="time (s)")
    bar.outline.set_linewidth(0.6)


def _draw_spread(ax: Axes, plan: DwellPlan, etches: Sequence[Etch]) -> None:
    """Share of the open area etched no deeper than a value, one curve an etch."""
    area = np.outer(np.diff(plan.y_edges), np.diff(plan.x_edges)) * plan.open_fraction
    inside, tolerance = area > 0, plan.tolerance
    looks = (("-", OCHRE), ("-", BLUE), (":", INK))
    ax.axvspan(1.0 - tolerance, 1.0 + tolerance, color="#e8e6df", zorder=0)
    for etch, (dash, colour) in zip(etches, looks, strict=False):
        share = etch.spread.depth[inside] / plan.depth
        order = np.argsort(share)
        reached = np.cumsum(area[inside][order])
        ax.plot(share[order], reached / reached[-1], dash, color=colour, label=etch.name)
    ax.set(
        xlim=(0.4, 1.6),
        ylim=(0.0, 1.0),
        xlabel="depth / wanted",
        ylabel="share of open area",
    )
    ax.legend(frameon=False, fontsize=9, loc="upper left")
