"""The figures of an explanation: shares of the causes, and the maps whose product is depth."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from simulate.explain.attribution import Attribution
from simulate.explain.counterfactual import CAUSES
from simulate.figures.captions import lead_words, words
from simulate.figures.plan_view import bulk_limits, colour_bar, draw_map, plan_height, scale_bar
from simulate.figures.style import A_CM2, INK, SOFT_INK, UM, new_figure, styled
from simulate.result.result import Result
from simulate.units import format_number

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

COLOURS = ("#1b3a6b", "#c8741a", "#8fb0d9", "#6b6b6b", "#ecc591", "#cfcfcf")
"""Of the causes in their order; neighbours differ in lightness."""

PALE = ("#8fb0d9", "#ecc591", "#cfcfcf")
THIN = 0.1  # least part of the axis that holds a number


@styled
def share_bars(result: Result, bars: Sequence[Attribution]) -> Figure:
    """What each cause multiplies a ratio by, stacked: to the right more, to the left less.

    Lengths are log ratios, so that shares add up to the observed value, a black mark.

    Parameters
    ----------
    bars : one for each measure, shares as log ratios by cause.
    """
    causes = [cause.label for cause in CAUSES.values()]
    figure = new_figure(3.1 + 0.62 * len(bars))
    ax = figure.subplots()
    reach = _reach(bars)
    for row, bar in enumerate(bars):
        _draw_bar(ax, -row, shares_of(bar), reach)
        total = float(np.sum(shares_of(bar)))
        ax.plot([total, total], [-row - 0.42, -row + 0.42], color=INK, linewidth=2.4, zorder=4)
    ax.axvline(0.0, color=SOFT_INK, linewidth=0.8, zorder=3)
    names = [f"{bar.label}\n{format_number(bar.observed)}" for bar in bars]
    ax.set_yticks(-np.arange(len(bars)), names)
    ax.set_ylim(-len(bars) + 0.45, 0.6)
    ax.tick_params(axis="y", length=0)
    ax.spines["left"].set_visible(False)
    _ratio_axis(ax, reach)
    _legend(ax, causes)
    words(figure, _title(bars, causes), _caption(result, bars))
    return figure


def shares_of(bar: Attribution) -> list[float]:
    """Share of each cause as a log ratio [-], in the order of `CAUSES`."""
    return list(bar.shares.values())


def _reach(bars: Sequence[Attribution]) -> tuple[float, float]:
    """Ends of the axis: all bars and a little more [log ratio]."""
    low = min(float(np.minimum(shares_of(bar), 0.0).sum()) for bar in bars)
    high = max(float(np.maximum(shares_of(bar), 0.0).sum()) for bar in bars)
    room = 0.04 * (high - low) + 0.005
    return low - room, high + room


def _draw_bar(ax: Axes, row: int, shares: Sequence[float], reach: tuple[float, float]) -> None:
    """The positive shares to the right of nought, the negative to the left."""
    ends = {True: 0.0, False: 0.0}
    for share, colour in zip(shares, COLOURS, strict=True):
        start = ends[share > 0.0]
        ends[share > 0.0] += share
        ax.barh(
            row, share, 0.66, left=start, color=colour, edgecolor="white", linewidth=0.8, zorder=2
        )
        if abs(share) > THIN * (reach[1] - reach[0]):
            ax.text(
                start + 0.5 * share,
                row,
                f"×{np.exp(share):.2f}",
                ha="center",
                va="center",
                fontsize=9.5,
                color=INK if colour in PALE else "white",
                zorder=5,
            )


def _ratio_axis(ax: Axes, reach: tuple[float, float]) -> None:
    """Ticks at round factors on an axis of log ratios."""
    coarse = np.array([0.05, 0.1, 0.2, 0.3, 0.5, 0.7, 0.8, 0.9, 1.1, 1.2, 1.5, 2, 3, 5, 10, 20])
    near = np.arange(1, 11)
    middle = np.array([0.8, 0.85, 0.9, 0.95, 1.05, 1.1, 1.15, 1.2, 1.25])
    for candidates in (
        coarse,
        middle,
        1 + 0.01 * np.r_[-near, near],
        1 + 0.001 * np.r_[-near, near],
    ):
        ticks = [t for t in np.log(candidates) if reach[0] <= t <= reach[1]]
        if len(ticks) >= 3:
            break
    gap = 0.1 * (reach[1] - reach[0])
    kept: list[float] = [0.0]
    for tick in sorted(ticks, key=abs):
        if min(abs(tick - other) for other in kept) >= gap:
            kept.append(float(tick))
    ax.set_xlim(*reach)
    ax.set_xticks(sorted(kept), [f"×{np.exp(tick):g}" for tick in sorted(kept)])
    ax.set_xlabel("what the causes multiply the ratio by")


def _legend(ax: Axes, causes: Sequence[str]) -> None:
    from matplotlib.patches import Patch

    patches = [Patch(color=c, label=name) for c, name in zip(COLOURS, causes, strict=True)]
    ax.legend(
        handles=patches,
        loc="lower left",
        bbox_to_anchor=(-0.22, 1.0),
        ncols=2,
        handlelength=1.1,
        borderaxespad=0.2,
    )


def _title(bars: Sequence[Attribution], causes: Sequence[str]) -> str:
    """The two largest shares of the first true ratio, or of the evenness."""
    bar = bars[1] if len(bars) > 1 else bars[0]
    largest = np.argsort(-np.abs(shares_of(bar)), kind="stable")[:2]
    parts = [f"{causes[n]} ×{np.exp(shares_of(bar)[n]):.2f}" for n in largest]
    return f"{bar.label[0].upper()}{bar.label[1:]} {format_number(bar.observed)}: " + ", ".join(
        parts
    )


def _caption(result: Result, bars: Sequence[Attribution]) -> str:
    caption = (
        f"{lead_words(result)}Black mark: what is observed; the shares add up to it. Each share is "
        "a cause's part averaged over all orders in which the causes can come (Shapley value)."
    )
    if any(bar.label == "evenness" for bar in bars):
        caption += " For evenness the ratio is that of the mean square depth to the squared mean."
    return caption


@styled
def factor_maps(result: Result, wet_time: np.ndarray, density: np.ndarray) -> Figure:
    """Depth as a product: contact time times mean current density while wet, and their product.

    Parameters
    ----------
    wet_time : [s], (ny, nx). density : mean while wet [A/m2], (ny, nx).
    """
    inside = result.open_fraction > 0.0
    tall = plan_height(result)
    figure = new_figure(3.0 * tall + 3.0)
    axes = figure.subplots(3, 1)
    drawn = (
        ("Contact time", wet_time, "time wet (s)"),
        ("× mean current density while wet", density * A_CM2, "density (A/cm²)"),
        ("× depth per charge = depth", result.depth * UM, "depth (µm)"),
    )
    for ax, (title, values, label) in zip(axes, drawn, strict=True):
        mesh = draw_map(ax, result, values, (0.0, bulk_limits(values[inside])[1]))
        colour_bar(ax, mesh, values[inside], label)
        ax.set_title(title)
        ax.set(xlabel="", ylabel="", xticks=[], yticks=[])
    scale_bar(axes[0])
    spread = [_spread(values[inside], result.open_area[inside]) for _, values, _ in drawn]
    caption = (
        f"{lead_words(result)}Standard deviation over mean: {spread[0]} of time, {spread[1]} of "
        f"current density, {spread[2]} of depth. Hatched: under the mask."
    )
    words(figure, "Depth is time × current density × depth per charge", caption)
    return figure


def _spread(values: np.ndarray, weight: np.ndarray) -> str:
    mean = float(np.average(values, weights=weight))
    deviation = float(np.sqrt(np.average((values - mean) ** 2, weights=weight)))
    if not mean:
        return "none"
    share = 100.0 * deviation / mean
    return ("under 0.1" if share < 0.1 else format_number(share, 2)) + "\N{NO-BREAK SPACE}%"
