"""Several results beside each other: depth maps on one scale, and profiles over each other."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from simulate.figures.captions import shown, words
from simulate.figures.plan_view import bulk_limits, colour_bar, draw_map, plan_height, scale_bar
from simulate.figures.profile import open_pieces, widest_line
from simulate.figures.style import BLUE, INK, MM, OCHRE, RED, SOFT_INK, UM, new_figure, styled
from simulate.result.result import Result

if TYPE_CHECKING:
    from matplotlib.figure import Figure

LINES = (BLUE, OCHRE, SOFT_INK, "#8fb0d9", RED, "#ecc591", INK, "#b9bcc0")
DASHES = ("-", (0, (5, 1.5)), (0, (1.2, 1.2)), "-", (0, (5, 1.5)), "-", (0, (1.2, 1.2)), "-")


@styled
def beside_maps(results: Sequence[Result], names: Sequence[str]) -> Figure:
    """Depth of every result over its plate, all in the same colours.

    Parameters
    ----------
    results : what to draw, one above the other. names : over each.
    """
    inside = [result.depth[result.open_fraction > 0.0] * UM for result in results]
    limits = (0.0, bulk_limits(np.concatenate(inside))[1])
    heights = [plan_height(result) for result in results]
    figure = new_figure(sum(heights) + 0.45 * len(results) + 1.3)
    axes = figure.subplots(len(results), 1, height_ratios=heights, squeeze=False)[:, 0]
    for ax, result, name, values in zip(axes, results, names, inside, strict=True):
        mesh = draw_map(ax, result, result.depth * UM, limits)
        colour_bar(ax, mesh, values, "depth (µm)")
        ax.set_title(_clipped(name))
        ax.set(xlabel="", ylabel="", xticks=[], yticks=[])
        scale_bar(ax)
    caption = "Hatched: under the mask. " + " ".join(
        f"{_clipped(name)}: evenness {shown(result.summary['evenness'])}, edge ratio "
        f"{shown(result.summary['edge_ratio'])}."
        for result, name in zip(results, names, strict=True)
    )
    means = ", ".join(shown(result.summary["mean_depth"], "µm") for result in results)
    words(figure, f"Depth on one scale: {means} on average", caption)
    return figure


@styled
def beside_profiles(results: Sequence[Result], names: Sequence[str]) -> Figure:
    """Depth of every result along the same line: that along which the first varies most."""
    line = widest_line(results[0])
    figure = new_figure(4.4)
    ax = figure.subplots()
    length, deepest = math.dist(line.start, line.end) * MM, 0.0
    for number, (result, name) in enumerate(zip(results, names, strict=True)):
        pieces = open_pieces(result, line)
        for count, (along, depth) in enumerate(pieces):
            ax.plot(
                along * MM,
                depth * UM,
                color=LINES[number],
                linestyle=DASHES[number],
                linewidth=1.7,
                label=_clipped(name) if count == 0 else None,
            )
            deepest = max(deepest, float(depth.max()) * UM)
    ax.set(xlabel="distance along the line (mm)", ylabel="depth (µm)", xlim=(0, length))
    ax.set_ylim(1.08 * deepest or 1.0, 0.0)
    ax.xaxis.set_ticks_position("top")
    ax.xaxis.set_label_position("top")
    ax.spines["bottom"].set_visible(False)
    ax.spines["top"].set_visible(True)
    ax.grid(axis="y")
    if ax.get_lines():
        ax.legend(loc="upper left", bbox_to_anchor=(0.0, -0.02), ncols=2, borderaxespad=0.2)
    ends = " to ".join(f"({x * MM:.3g} mm, {y * MM:.3g} mm)" for x, y in line)
    caption = f"From {ends}, the line along which {_clipped(names[0])} varies most. Depth downward."
    words(figure, "Depth along one line", caption)
    return figure


def _clipped(name: str) -> str:
    return name if len(name) <= 40 else name[:39] + "…"
