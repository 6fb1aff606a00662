"""The chart of a sweep: lines over one variable, contours over two, dots over a sample."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from simulate.errors import Fault, InputError
from simulate.figures.captions import words
from simulate.figures.style import (
    BLUE,
    INK,
    OCHRE,
    RED,
    SOFT_INK,
    UM,
    check_known,
    new_figure,
    save_figure,
    styled,
)
from simulate.sweep.table import Sweep

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Pair = tuple[np.ndarray, np.ndarray]
"""Abscissae and ordinates of a curve."""

SHOWN = {
    "mean_depth": ("mean depth (µm)", UM),
    "max_depth": ("greatest depth (µm)", UM),
    "evenness": ("evenness", 1.0),
    "edge_ratio": ("edge ratio", 1.0),
    "duration": ("time (s)", 1.0),
    "time_to_depth": ("time to the depth wanted (s)", 1.0),
    "peak_current": ("peak current (A)", 1.0),
    "charge": ("charge (C)", 1.0),
    "energy": ("energy (J)", 1.0),
    "removed_mass": ("metal removed (mg)", 1e6),
}


class _Side(NamedTuple):
    """One variable: its label, the number of each row, and names where these stand for words."""

    label: str
    at: np.ndarray
    names: Sequence[str]


@styled
def design_chart(
    title: str,
    labels: Sequence[str],
    points: Sequence[Sequence[float | None]],
    names: Sequence[Sequence[str]],
    show: str,
    values: np.ndarray,
    *,
    sampled: bool = False,
) -> Figure:
    """One number of a sweep against the variables.

    Parameters
    ----------
    title : of the case.
    labels : of the variables.
    points : by variable, the value of each row; None where a value is no number.
    names : by variable, its values in words, in order.
    show : name of the number. values : of each row, SI, nan where there is none.
    sampled : the rows are a sample and no grid.
    """
    label, scale = SHOWN[show]
    values = np.asarray(values, dtype=float) * scale
    sides = _sides(labels, points, names, values.size)
    figure = new_figure(4.9)
    ax = figure.subplots()
    if sampled and len(sides) > 1:
        _dots(ax, sides, values, label)
    elif len(sides) == 1:
        _lines(ax, sides, values, label)
    else:
        _contours(ax, sides, values, label)
    missing = int(np.isnan(values).sum())
    caption = f"{title.rstrip('.')}. {values.size - missing} cases computed."
    caption += f" {missing} without a result are left out." if missing else ""
    if len(sides) > 2:
        caption += f" Mean over {', '.join(side.label for side in sides[2:])}."
    short = [name.split(" (")[0] for name in (label, *labels[:2])]
    words(figure, f"{short[0].capitalize()} by {' and '.join(short[1:])}", caption)
    return figure


def _sides(
    labels: Sequence[str],
    points: Sequence[Sequence[float | None]],
    names: Sequence[Sequence[str]],
    count: int,
) -> list[_Side]:
    """Variables as numbers; one of words is numbered by the rows' own order."""
    sides = []
    inner = count
    for label, at, words_of in zip(labels, points, names, strict=True):
        inner //= max(len(words_of), 1)
        if None in at:
            numbers = np.arange(count) // max(inner, 1) % len(words_of)
            sides.append(_Side(label, numbers.astype(float), words_of))
        else:
            sides.append(_Side(label, np.array(at, dtype=float), ()))
    return sides


def _ticks(ax: Axes, side: _Side, which: str) -> None:
    if side.names:
        getattr(ax, f"set_{which}ticks")(range(len(side.names)), side.names)


def _lines(ax: Axes, sides: Sequence[_Side], values: np.ndarray, label: str) -> None:
    side = sides[0]
    order = np.argsort(side.at)
    ax.plot(side.at[order], values[order], "o-", color=BLUE, markersize=5)
    ax.set(xlabel=side.label, ylabel=label)
    ax.grid(True)
    _ticks(ax, side, "x")


def _contours(ax: Axes, sides: Sequence[_Side], values: np.ndarray, label: str) -> None:
    """Filled contours with numbers on the lines; every case is a dot, a failed one a cross."""
    across, up = sides[:2]
    from matplotlib.patheffects import withStroke

    x, y = np.unique(across.at), np.unique(up.at)
    table: Any = np.full((y.size, x.size), np.nan)
    for j, low in enumerate(y):
        for i, left in enumerate(x):
            here = values[(across.at == left) & (up.at == low)]
            table[j, i] = here[~np.isnan(here)].mean() if (~np.isnan(here)).any() else np.nan
    good = ~np.isnan(table)
    if good.all() and min(table.shape) > 1 and np.ptp(table) > 0:
        filled = ax.contourf(x, y, table, levels=12)
        levels = np.asarray(filled.levels)[1::2]
        lines = ax.contour(x, y, table, levels=levels, colors="white", linewidths=0.9)
        ax.set(xlim=(x[0], x[-1]), ylim=(y[0], y[-1]))
        named = ax.clabel(
            lines, fontsize=9.5, inline_spacing=3, colors=INK, manual=_rooms(ax, lines)
        )
        for text in named:
            text.set_path_effects([withStroke(linewidth=2.5, foreground="white")])
            text.set_in_layout(False)
        mappable: Any = filled
    else:
        mappable = ax.pcolormesh(x, y, np.ma.masked_invalid(table), shading="nearest")
    _bar(ax, mappable, label)
    px, py = np.meshgrid(x, y)
    ax.plot(px[good], py[good], ".", color=SOFT_INK, markersize=4, clip_on=False)
    if not good.all():
        ax.plot(px[~good], py[~good], "x", color=RED, clip_on=False)
    ax.set(xlabel=across.label, ylabel=up.label)
    _ticks(ax, across, "x")
    _ticks(ax, up, "y")


def _rooms(ax: Axes, lines: Any) -> list[tuple[float, float]]:
    """For each contour line its place farthest from the chart's frame, if that is far enough."""
    places = []
    for path in lines.get_paths():
        points = np.asarray(path.interpolated(8).vertices)
        if not points.size:
            continue
        share = ax.transAxes.inverted().transform(ax.transData.transform(points))
        room = np.minimum(share, 1.0 - share).min(axis=1)
        best = int(np.argmax(room))
        if room[best] > 0.07:
            places.append((float(points[best, 0]), float(points[best, 1])))
    return places


def _bar(ax: Axes, mappable: Any, label: str) -> None:
    """A colour bar as tall as the chart."""
    place = ax.inset_axes((1.03, 0.0, 0.035, 1.0))
    ax.figure.colorbar(mappable, cax=place, label=label).outline.set_linewidth(0.6)


def _dots(ax: Axes, sides: Sequence[_Side], values: np.ndarray, label: str) -> None:
    across, up = sides[:2]
    good = ~np.isnan(values)
    dots = ax.scatter(
        across.at[good], up.at[good], c=values[good], s=70, edgecolors=INK, linewidths=0.6
    )
    ax.plot(across.at[~good], up.at[~good], "x", color=OCHRE)
    _bar(ax, dots, label)
    ax.set(xlabel=across.label, ylabel=up.label)


def sweep_chart(sweep: Sweep, show: str = "evenness") -> Figure:
    """One number of a sweep against its variables; see `design_chart`.

    show : which of `SHOWN`.

    Raises
    ------
    InputError : the number is not known, or no case of the sweep is done.
    """
    check_known("show", (show,), SHOWN)
    values = sweep.column(show)
    if not np.isfinite(values).any():
        raise InputError(Fault("no case of the sweep is done", "a sweep with results"))
    return design_chart(
        sweep.case.title,
        [axis.label for axis in sweep.axes],
        [[axis.number(value) for value in column] for axis, column in sweep.columns()],
        [[str(value) for value in axis.values] for axis in sweep.axes],
        show,
        values,
        sampled=sweep.sampled,
    )


def draw_sweep(sweep: Sweep, path: str | os.PathLike[str], show: str = "evenness") -> None:
    """Draw the chart of a sweep to a file, png, svg or pdf by its ending; see `sweep_chart`.

    Raises
    ------
    ResultError : the file cannot be written.
    """
    save_figure(sweep_chart(sweep, show), path)


@styled
def edge_chart(curves: Mapping[float, Pair], dots: Mapping[float, Pair]) -> Figure:
    """Edge against mask thickness over opening width, one curve a Wagner number: for teaching.

    Parameters
    ----------
    curves : by Wagner number, thickness / width and the density of the outer tenth over that of
        the rest, exact.
    dots : the same as this program's field solver has it.
    """
    from matplotlib import colormaps

    figure = new_figure(5.2)
    ax = figure.subplots()
    shades = colormaps["cividis"](np.linspace(0.0, 0.8, len(curves)))
    for colour, (wagner, (x, y)) in zip(shades, curves.items(), strict=True):
        ax.plot(x, y, color=colour)
        ax.plot(*dots[wagner], "o", color=colour, markersize=5)
        ax.annotate(
            f"Wa = {wagner:g}",
            (x[0], y[0]),
            xytext=(-6, 0),
            textcoords="offset points",
            ha="right",
            va="center",
            fontsize=9,
            color=colour,
        )
    ax.set(xscale="log", xlabel="mask thickness / opening width", ylabel="edge / rest")
    ax.set_xlim(0.016, 1.05)
    ticks = (0.05, 0.1, 0.2, 0.5, 1.0)
    ax.set_xticks(ticks, [f"{tick:g}" for tick in ticks])
    ax.set_xticks([], minor=True)
    ax.grid(True)
    words(
        figure,
        "A thick mask evens the edges out, and so does a slow reaction",
        "Current density in the outer tenth of a slot's half-width over that of the rest. Lines: "
        "exact solution; dots: the field solver. Wa = conductivity x polarisation resistance / "
        "half-width. Slots 4 widths apart from middle to middle, counter electrode 2 widths above.",
    )
    return figure
