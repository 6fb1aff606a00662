"""The figure against time: current, voltage, and how the swab fares, stop by stop."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from simulate.constants import ZERO_CELSIUS
from simulate.figures.captions import current_words, lead_words, shown, time_words, with_unit, words
from simulate.figures.style import BLUE, INK, OCHRE, new_figure, styled
from simulate.result.result import Result

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


MANY_STOPS = 400  # more cannot be told apart over the width of a figure
SPANS = 160  # of time, over each of which very many stops are averaged


@styled
def current_history(result: Result) -> Figure:
    """Current and voltage against time, and temperature and acid of the swab; re-wets marked.

    Up to `MANY_STOPS` stops are drawn one by one; between stops, where the swab is off the plate,
    no current flows and no voltage is drawn. Of more stops the figure shows the average over short
    spans of time, and shades the range within each.

    Parameters
    ----------
    result : what to draw; current [A] is shown in mA below 1 A, time [s] in min beyond 10 min.
    """
    states = _states(result)
    figure = new_figure(4.6 + 1.25 * len(states))
    heights = (3, 2, *(2 for _ in states))
    upper, lower, *others = figure.subplots(len(heights), 1, sharex=True, height_ratios=heights)
    peak = float(result.current.max(initial=0.0))
    scale, unit = (1e3, "mA") if peak < 1.0 else (1.0, "A")
    _draw_course(upper, result, result.current * scale, 0.0, BLUE)
    upper.set(ylabel=f"current ({unit})", ylim=(0.0, 1.08 * peak * scale or 1.0))
    _draw_course(lower, result, result.voltage, math.nan, OCHRE)
    lower.set_ylabel("voltage (V)")
    _keep_apart(lower, result.voltage, 0.05 * float(np.abs(result.voltage).max(initial=0.0)))
    for ax, (label, values) in zip(others, states, strict=True):
        _draw_course(ax, result, values, math.nan, INK)
        ax.set_ylabel(label)
        _keep_apart(ax, values, 4.0)
    _time_axis([upper, lower, *others][-1], result)
    for ax in (upper, lower, *others):
        ax.grid(axis="y")
        _mark(ax, result.time[result.rewet])
    figure.align_ylabels()
    words(figure, _title(result), _caption(result))
    return figure


def _mark(ax: Axes, moments: np.ndarray) -> None:
    """A dotted line from bottom to top at each of some moments [s], all as one thing to draw."""
    from matplotlib.collections import LineCollection

    lines = [((moment, 0.0), (moment, 1.0)) for moment in moments.tolist()]
    marks = LineCollection(
        lines, colors=INK, linewidths=1.0, linestyles=[(0, (1, 2))], zorder=2, capstyle="butt"
    )
    marks.set_transform(ax.get_xaxis_transform())
    ax.add_collection(marks, autolim=False)


def _keep_apart(ax: Axes, values: np.ndarray, least: float) -> None:
    """Let an axis span at least so much, so that next to no change looks like it."""
    if not values.size:
        return
    low, high = float(values.min()), float(values.max())
    if high - low < least:
        middle = 0.5 * (low + high)
        ax.set_ylim(middle - 0.6 * least, middle + 0.6 * least)


def _states(result: Result) -> list[tuple[str, np.ndarray]]:
    """What the run followed of its swab: labels, and values of the stops in the drawn unit."""
    found = []
    if result.temperature is not None:
        found.append(("swab (°C)", result.temperature - ZERO_CELSIUS))
    if result.acid is not None:
        found.append(("acid left (%)", 100.0 * result.acid))
    return found


def _title(result: Result) -> str:
    average = float((result.current * result.dwell).sum()) / (result.duration or 1.0)
    mean, peak = current_words(average), current_words(float(result.current.max(initial=0.0)))
    return (
        f"Current: {mean} throughout"
        if mean == peak
        else (f"Current: {mean} on average, {peak} at most")
    )


def _caption(result: Result) -> str:
    summary = result.summary
    caption = (
        f"{lead_words(result)}{shown(summary['charge'], 'C')} passed in "
        f"{time_words(result.duration)}; {_rewet_words(summary['rewets'])}. "
        "Voltage between plate and cathode."
    )
    if result.acid is not None:
        caption += " Acid left: of that of a fresh swab."
    if result.time.size > MANY_STOPS:
        span = with_unit(result.duration / SPANS, "s")
        caption += f" Lines: averages over {span}; shaded: the range within that time."
    return caption


def _draw_course(ax: Axes, result: Result, values: np.ndarray, between: float, colour: str) -> None:
    """A quantity of the stops against time [s]; ``between`` is its value while lifted."""
    if result.time.size <= MANY_STOPS:
        time, level = _steps(result, values, between)
        ax.plot(time, level, color=colour, linewidth=1.2)
        if between == 0.0:
            ax.fill_between(time, level, color=colour, alpha=0.18, linewidth=0)
        return
    edges, mean, low, high = _averages(result, values, between)
    ax.stairs(high, edges, baseline=low, fill=True, color=colour, alpha=0.22, linewidth=0)
    ax.stairs(mean, edges, baseline=None, color=colour, linewidth=1.4)
    ax.use_sticky_edges = False


def _averages(
    result: Result, values: np.ndarray, between: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Edges of `SPANS` equal spans of time, and the mean, least and greatest value in each.

    With ``between`` not a number, only the time of the stops counts; a span without any is left
    out.
    """
    begin, end = result.time, result.time + result.dwell
    edges = np.linspace(0.0, result.duration, SPANS + 1)
    corners = np.stack([begin, end], axis=1).ravel()

    def integral(weight: np.ndarray) -> np.ndarray:
        steps = np.stack([np.zeros_like(weight), weight * result.dwell], axis=1)
        return np.diff(np.interp(edges, corners, np.cumsum(steps.ravel())))

    inside, total = integral(np.ones_like(values)), integral(values)
    away = np.diff(edges) - inside
    if math.isnan(between):
        mean = np.divide(total, inside, out=np.full(SPANS, math.nan), where=inside > 0.0)
    else:
        mean = (total + between * away) / np.diff(edges)
    low, high = np.full(SPANS, math.nan), np.full(SPANS, math.nan)
    first, last = np.searchsorted(end, edges[:-1], "right"), np.searchsorted(begin, edges[1:])
    for k in range(SPANS):
        here = values[first[k] : last[k]]
        if here.size == 0 or (not math.isnan(between) and away[k] > 1e-9 * result.duration):
            here = np.append(here, between)
        low[k], high[k] = here.min(), here.max()
    return edges, mean, low, high


def _time_axis(ax: Axes, result: Result) -> None:
    """Ticks in seconds, or in minutes beyond ten of them, on an axis that runs in seconds."""
    from matplotlib.ticker import FuncFormatter, MaxNLocator

    second, unit = (60.0, "min") if result.duration > 600.0 else (1.0, "s")
    ax.set_xlim(0.0, result.duration or 1.0)
    ticks = np.asarray(
        MaxNLocator(7, steps=[1, 2, 5, 10]).tick_values(0, ax.get_xlim()[1] / second)
    )
    ax.set_xticks(second * ticks[second * ticks <= ax.get_xlim()[1]])
    ax.xaxis.set_major_formatter(FuncFormatter(lambda time, _: f"{time / second:g}"))
    ax.set_xlabel(f"time ({unit})")


def _steps(result: Result, values: np.ndarray, between: float) -> tuple[np.ndarray, np.ndarray]:
    """Times [s] and values of a line that is level during each stop.

    ``between`` is the value where the swab is lifted from one stop to the next.
    """
    begin, end = result.time, result.time + result.dwell
    following = np.append(begin[1:], end[-1:])
    lifted = following - end > 1e-9 * result.duration
    level = np.full_like(values, between)
    times = np.stack([begin, end, end, following], axis=1)
    levels = np.stack([values, values, level, level], axis=1)
    always = np.ones_like(lifted)
    keep = np.stack([always, always, lifted, lifted], axis=1)
    return times[keep], levels[keep]


def _rewet_words(count: int) -> str:
    if not count:
        return "the swab was not wetted again"
    times = {1: "once", 2: "twice"}.get(count, f"{count} times")
    return f"the swab was wetted again {times} (dotted)"
