"""The figure against time: current and voltage, stop by stop."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from simulate.figures.style import BLUE, INK, OCHRE, new_figure, styled
from simulate.figures.wording import current_words, lead_words, shown, time_words, words
from simulate.result import Result

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


@styled
def current_history(result: Result) -> Figure:
    """Current and voltage against time, stop by stop, re-wets marked.

    Between stops, where the swab is off the plate, no current flows and no voltage is drawn.

    Parameters
    ----------
    result : what to draw; current [A] is shown in mA below 1 A, time [s] in min beyond 10 min.
    """
    figure = new_figure(4.6)
    upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=(3, 2))
    _draw_current(upper, result)
    time, voltage = _steps(result, result.voltage, between=math.nan)
    lower.plot(time, voltage, color=OCHRE, linewidth=1.2)
    lower.set_ylabel("voltage (V)")
    _time_axis(lower, result)
    for ax in (upper, lower):
        ax.grid(axis="y")
        for moment in result.time[result.rewet]:
            ax.axvline(float(moment), color=INK, linewidth=1.0, linestyle=(0, (1, 2)))
    figure.align_ylabels()
    summary = result.summary
    average = summary["charge"]["value"] / result.duration if result.duration else 0.0
    title = (
        f"Current: {current_words(average)} on average, "
        f"{current_words(summary['peak_current']['value'])} at most"
    )
    caption = (
        f"{lead_words(result)}{shown(summary['charge'], 'C')} passed in "
        f"{time_words(result.duration)}; {_rewet_words(summary['rewets'])}. "
        "Voltage between plate and cathode."
    )
    words(figure, title, caption)
    return figure


def _draw_current(ax: Axes, result: Result) -> None:
    """Current against time [s], in mA if it stays below 1 A."""
    milli = float(result.current.max(initial=0.0)) < 1.0
    time, current = _steps(result, result.current * (1e3 if milli else 1.0), between=0.0)
    ax.fill_between(time, current, color=BLUE, alpha=0.18, linewidth=0)
    ax.plot(time, current, color=BLUE, linewidth=1.2)
    ax.set_ylim(0.0, 1.08 * float(current.max(initial=0.0)) or 1.0)
    ax.set_ylabel("current (mA)" if milli else "current (A)")


def _time_axis(ax: Axes, result: Result) -> None:
    """Ticks in seconds, or in minutes beyond ten of them, on an axis that runs in seconds."""
    from matplotlib.ticker import FuncFormatter, MaxNLocator

    ax.set_xlim(0.0, result.duration or 1.0)
    if result.duration <= 600.0:
        ax.set_xlabel("time (s)")
        return
    minutes = np.asarray(MaxNLocator(7, steps=[1, 2, 5, 10]).tick_values(0.0, result.duration / 60))
    ax.set_xticks(60.0 * minutes[60.0 * minutes <= result.duration])
    ax.xaxis.set_major_formatter(FuncFormatter(lambda seconds, _: f"{seconds / 60.0:g}"))
    ax.set_xlabel("time (min)")


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
