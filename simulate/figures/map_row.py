"""Contact time, crowding and depth as one row of maps."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from simulate.figures.captions import lead_words, shown, words
from simulate.figures.plan_view import bulk_limits, draw_map, round_down
from simulate.figures.style import UM, WIDTH, new_figure, styled
from simulate.result.result import Result
from simulate.units import format_number

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


@styled
def map_row(result: Result) -> Figure:
    """Contact time, crowding and depth side by side: the third is about the product of the others.

    Crowding is the charge density per contact time over its mean over the open area; where the
    swab never touches there is none.
    """
    touched = (result.contact_time > 0.0) & (result.open_fraction > 0.0)
    rate = np.divide(
        result.charge_density,
        result.contact_time,
        out=np.zeros_like(result.charge_density),
        where=touched,
    )
    weight = result.open_area * touched
    mean = float((rate * weight).sum() / (weight.sum() or 1.0))
    crowding = rate / (mean or 1.0)
    spread = crowding[touched]
    low, high = (float(np.quantile(spread, q)) if spread.size else 0.0 for q in (0.01, 0.99))
    plate = result.case.plate
    figure = new_figure(0.31 * WIDTH * min(plate.height / plate.width, 1.3) + 2.1)
    axes = figure.subplots(1, 3)
    drawn = (
        ("Contact time", result.contact_time, "s"),
        ("× crowding", crowding, "local / mean"),
        ("→ depth", result.depth * UM, "µm"),
    )
    for ax, (title, values, unit) in zip(axes, drawn, strict=True):
        if values is crowding:
            limits = (min(0.9, low), max(1.1, high))
        else:
            limits = bulk_limits(values[result.open_fraction > 0.0])
        mesh = draw_map(ax, result, values, limits)
        ax.set(title=title, xlabel="", ylabel="", xticks=[], yticks=[])
        bar = figure.colorbar(mesh, ax=ax, location="bottom", label=unit, pad=0.03, aspect=16)
        bar.ax.locator_params(nbins=4)
    _length(axes[0])
    caption = (
        f"{lead_words(result)}Depth follows time under the swab and how the current crowds there: "
        f"{format_number(low)} to {format_number(high)} times its mean for all but the outermost "
        f"2 %. Mean depth {shown(result.summary['mean_depth'], 'µm')}, evenness "
        f"{shown(result.summary['evenness'])}. Hatched: under the mask."
    )
    words(figure, "Depth is contact time times crowding", caption)
    return figure


def _length(ax: Axes) -> None:
    """A bar of a round length below the left end of a map."""
    left, right = ax.get_xlim()
    length = round_down(0.3 * (right - left))
    ax.set_xlabel(f"{length:g} mm", loc="left", fontsize=9.5)
    line = ax.plot([left, left + length], [0.0, 0.0], color="#222222", linewidth=3.0)[0]
    line.set_clip_on(False)
