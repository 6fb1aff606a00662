"""Titles and captions: made from the numbers, in units of the trade, broken to fit."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

from simulate.figures.style import WIDTH, lay_out
from simulate.result.result import Result
from simulate.units import format_quantity

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.text import Text


def words(figure: Figure, title: str, caption: str) -> tuple[Text, Text]:
    """Title above and caption below, both flush left and broken to the figure's width."""
    above, below = wrap(title, 13, "bold"), wrap(caption, 9.5)
    return (
        figure.suptitle(above, x=0.014, ha="left", fontsize=13, fontweight="bold"),
        figure.supxlabel(below, x=0.014, ha="left", fontsize=9.5, color="#444444"),
    )


def trim(figure: Figure, ax: Axes, title: Text, caption: Text) -> None:
    """Take away the height that a map of fixed aspect leaves unused between title and caption."""
    lay_out(figure)
    upper, lower, box = title.get_window_extent(), caption.get_window_extent(), ax.get_tightbbox()
    if box is None:  # nothing is drawn
        return
    spare = upper.y0 - box.y1 + box.y0 - lower.y1 - 0.28 * figure.dpi
    figure.set_figheight(figure.get_figheight() - max(spare, 0.0) / figure.dpi)


def wrap(text: str, size: float, weight: str = "normal") -> str:
    """Break text into lines that fit a figure's width in the given size [pt]."""
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import TextToPath

    font = FontProperties(family="DejaVu Sans", size=size, weight=weight)
    measure = TextToPath()
    room = 0.965 * WIDTH * 72.0

    def fits(words: list[str]) -> bool:
        return bool(measure.get_text_width_height_descent(" ".join(words), font, False)[0] <= room)

    rest, lines = [word for word in text.split(" ") if word], []
    letters = int(room / (0.52 * size))  # about
    while rest:
        count = _most(rest, " ".join(rest)[:letters].count(" "), fits)
        lines.append(" ".join(rest[:count]).strip())
        rest = rest[count:]
    return "\n".join(line.replace("\N{NO-BREAK SPACE}", " ") for line in lines)


def _most(words: list[str], guess: int, fits: Callable[[list[str]], bool]) -> int:
    """The most words that fit, at least one, looked for from a guess on: measuring is dear."""
    low, high = 1, len(words) + 1  # fits or must do; does not
    while high - low > 1:
        guess = min(max(guess, low + 1), high - 1)
        if fits(words[:guess]):
            low, guess = guess, guess + 1
        else:
            high, guess = guess, guess - 1
    return low


def lead_words(result: Result) -> str:
    """The case's title, and a plain word if the run was not finished."""
    title = " ".join(result.case.title.split()).rstrip(".")
    if len(title) > 90:
        title = title[:89] + "…"
    stopped = (
        f"Partial run, stopped after {time_words(result.duration)}. " if result.partial else ""
    )
    return f"{title}. {stopped}" if title else stopped


def with_unit(value: float, unit: str) -> str:
    """A value in SI in a unit of the trade; number and unit are never parted by a line's end."""
    return format_quantity(float(value), unit).replace(" ", "\N{NO-BREAK SPACE}")


def shown(quantity: Mapping[str, Any], unit: str = "") -> str:
    """A quantity of a summary in a unit of the trade."""
    return "unknown" if quantity["value"] is None else with_unit(quantity["value"], unit)


def time_words(seconds: float) -> str:
    """A time in seconds, or in minutes beyond ten of them."""
    return with_unit(seconds, "min" if seconds > 600.0 else "s")


def current_words(amperes: float) -> str:
    """A current in milliamperes below 1 A, as a meter shows it."""
    return with_unit(amperes, "mA" if amperes < 1.0 else "A")
