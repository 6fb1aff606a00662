"""The figure of depth along a line: a section through mask and metal, depth exaggerated."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from simulate.errors import Fault, InputError
from simulate.figures.captions import lead_words, with_unit, words
from simulate.figures.plan_view import bulk_limits, draw_map, plan_height, scale_bar
from simulate.figures.style import INK, MASK, METAL, MM, RED, UM, lay_out, new_figure, styled
from simulate.result.result import Result
from simulate.stencil.shapes import openings
from simulate.units import format_number

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Point = tuple[float, float]


class Line(NamedTuple):
    """A straight line over the plate: its two ends [m]."""

    start: Point
    end: Point


@styled
def depth_profile(result: Result, line: Line | None = None) -> Figure:
    """Depth along a straight line: a section through mask and metal, depth exaggerated.

    Parameters
    ----------
    result : what to draw.
    line : the line over the plate [m]; None takes `widest_line`.

    Raises
    ------
    InputError
        If the line's ends are the same point, or not both are numbers.
    """
    line = widest_line(result) if line is None else Line(*line)
    length = math.dist(line.start, line.end)
    if not 0.0 < length < math.inf:
        raise InputError(Fault("the line has no length", "two different points", key="line"))
    plan = 0.62 * plan_height(result)
    figure = new_figure(plan + 3.9)
    above, below = figure.subplots(2, 1, height_ratios=(plan, 2.2))
    inside = result.depth[result.open_fraction > 0.0] * UM
    draw_map(above, result, result.depth * UM, bulk_limits(inside))
    above.set(xlabel="", ylabel="", xticks=[], yticks=[])
    _draw_cut(above, line)
    scale_bar(above)
    pieces = open_pieces(result, line)
    _draw_section(below, pieces, length * MM)
    _mark_mean(below, result)

    values = np.concatenate([depth for _, depth in pieces]) if pieces else np.zeros(1)
    low, high = with_unit(values.min(), "µm"), with_unit(values.max(), "µm")
    title = f"Depth along A–B: {low} to {high}"
    caption = (
        f"{lead_words(result)}From A ({_place(line.start)}) to B ({_place(line.end)}): metal grey, "
        "mask hatched, its thickness not to scale. Dashed: mean depth of the whole etch. "
        "Depth is drawn "
    )
    words(figure, title, f"{caption}1000 times larger than length.")  # takes the room, for now
    factor = format_number(_exaggeration(figure, below), 2)
    words(figure, title, f"{caption}{factor} times larger than length.")
    return figure


def widest_line(result: Result) -> Line:
    """The row or column of cells along which depth varies most within the openings.

    The measure is the sum of all rises and falls of the etched floor; the walls do not count, so
    a line across many openings wins over one that follows a rim. The line's neighbours, up to
    three cells on either side, must do as well: one that grazes the end of an opening does not.
    """
    is_open = result.open_fraction > 0.0
    rows = _variation(result.depth, is_open)
    columns = _variation(result.depth.T, is_open.T)
    for reach in (3, 2, 1, 0):  # openings may be too small for a wider reach
        best_row, best_column = _least_around(rows, reach), _least_around(columns, reach)
        if max(best_row.max(), best_column.max()) > 0.0:
            break
    if best_row.max() >= best_column.max():
        y = float(result.y[np.argmax(best_row)])
        return Line((float(result.x_edges[0]), y), (float(result.x_edges[-1]), y))
    x = float(result.x[np.argmax(best_column)])
    return Line((x, float(result.y_edges[0])), (x, float(result.y_edges[-1])))


def _variation(depth: np.ndarray, is_open: np.ndarray) -> np.ndarray:
    """For each row, the sum of |change of depth| between neighbours that are both open [m]."""
    both = is_open[:, 1:] & is_open[:, :-1]
    return np.asarray((np.abs(np.diff(depth, axis=1)) * both).sum(axis=1))


def _least_around(values: np.ndarray, reach: int) -> np.ndarray:
    """The least of each value and its neighbours within a reach; beyond the ends there are none."""
    padded = np.pad(values, reach, constant_values=np.inf)
    return np.asarray(np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1).min(axis=1))


def open_pieces(result: Result, line: Line) -> list[tuple[np.ndarray, np.ndarray]]:
    """The open stretches of a line: for each, distance from its start [m] and depth there [m].

    The ends lie on the rims of the openings; between the centres of cells depth is interpolated,
    over open cells only.
    """
    from shapely import LineString, get_parts

    start, end = np.asarray(line, dtype=np.float64)
    length = math.dist(line.start, line.end)
    step = 0.5 * min(np.diff(result.x_edges).min(), np.diff(result.y_edges).min())
    pieces = []
    for part in get_parts(LineString([start, end]).intersection(openings(result.case.stencil))):
        if part.geom_type != "LineString" or part.length <= 0.0:
            continue
        near, far = sorted(math.dist(line.start, part.coords[k]) for k in (0, -1))
        along = np.linspace(near, far, max(2, math.ceil(part.length / step) + 1))
        points = start + np.outer(along / length, end - start)
        pieces.append((along, _interpolate(result, points)))
    return sorted(pieces, key=lambda piece: float(piece[0][0]))


def _interpolate(result: Result, points: np.ndarray) -> np.ndarray:
    """Depth [m] at points [m], (n, 2): bilinear between the centres of open cells."""
    column, right = _between(result.x, points[:, 0])
    row, upper = _between(result.y, points[:, 1])
    is_open = result.open_fraction > 0.0
    last = (len(result.y) - 1, len(result.x) - 1)
    total, weight = np.zeros(len(points)), np.zeros(len(points))
    for j, share_y in ((0, 1.0 - upper), (1, upper)):
        for i, share_x in ((0, 1.0 - right), (1, right)):
            cell = (np.minimum(row + j, last[0]), np.minimum(column + i, last[1]))
            share = share_x * share_y * is_open[cell]
            total += share * result.depth[cell]
            weight += share
    return np.asarray(total / np.where(weight > 0.0, weight, 1.0))


def _between(centres: np.ndarray, at: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Index of the centre at or before each place, and how far on to the next, 0 to 1."""
    index = np.clip(np.searchsorted(centres, at, side="right") - 1, 0, max(len(centres) - 2, 0))
    following = centres[np.minimum(index + 1, len(centres) - 1)]
    gap = np.where(following > centres[index], following - centres[index], 1.0)
    return index, np.clip((at - centres[index]) / gap, 0.0, 1.0)


def _draw_cut(ax: Axes, line: Line) -> None:
    """The line of a section in plan, its ends named A and B."""
    ends = np.asarray(line) * MM
    ax.plot(*ends.T, color="white", linewidth=2.6, zorder=5, clip_on=False)
    ax.plot(*ends.T, color=RED, linewidth=1.2, zorder=6, clip_on=False)
    outward = 9.0 * (ends[1] - ends[0]) / math.dist(*ends)
    for name, end, offset in (("A", ends[0], -outward), ("B", ends[1], outward)):
        ax.annotate(
            name,
            tuple(end),
            xytext=tuple(offset),
            textcoords="offset points",
            ha="center",
            va="center",
            fontweight="bold",
            annotation_clip=False,
        )


def _draw_section(ax: Axes, pieces: list[tuple[np.ndarray, np.ndarray]], length: float) -> None:
    """Metal with the etched floor, and the mask above it where the line is covered."""
    deepest = max((float(depth.max()) for _, depth in pieces), default=0.0) * UM
    bottom = max(1.3 * deepest, 1e-3)
    mask = -0.12 * bottom
    along, depth, covered = [0.0], [0.0], 0.0
    for s, d in [*pieces, (np.array([length / MM]), np.zeros(1))]:
        begin, end = float(s[0]) * MM, float(s[-1]) * MM
        ax.fill_between([covered, begin], mask, 0.0, **MASK_LOOK)
        along += [begin, *(s * MM), end]
        depth += [0.0, *(d * UM), 0.0]
        covered = end
    ax.fill_between(along, depth, bottom, color=METAL, linewidth=0)
    ax.plot(along, depth, color=INK, linewidth=1.3, zorder=5)
    ax.set(
        xlim=(0.0, length),
        ylim=(bottom, 1.3 * mask),
        xlabel="distance from A towards B (mm)",
        ylabel="depth (µm)",
    )
    ax.set_yticks([tick for tick in ax.get_yticks() if 0.0 <= tick <= bottom])
    ax.spines["left"].set_bounds(bottom, 0.0)


MASK_LOOK: dict[str, Any] = {
    "facecolor": MASK,
    "edgecolor": "#8a8578",
    "hatch": "////",
    "linewidth": 0.6,
    "zorder": 3,
}


def _mark_mean(ax: Axes, result: Result) -> None:
    """A dashed line at the mean depth of the whole etch, named beside the axis."""
    mean = (result.summary["mean_depth"]["value"] or 0.0) * UM
    ax.axhline(mean, color=INK, linewidth=0.9, linestyle=(0, (6, 3)), zorder=4)
    if ax.get_ylim()[1] < mean < ax.get_ylim()[0]:
        ax.annotate(
            "mean",
            (1.0, mean),
            xycoords=("axes fraction", "data"),
            xytext=(4, 0),
            textcoords="offset points",
            va="center",
            fontsize=9.5,
        )


def _exaggeration(figure: Figure, ax: Axes) -> float:
    """How many times larger depth is drawn than length."""
    lay_out(figure)
    box = ax.get_window_extent()
    (left, right), (bottom, top) = ax.get_xlim(), ax.get_ylim()
    return float((box.height / (bottom - top) * UM) / (box.width / (right - left) * MM))


def _place(point: Point) -> str:
    """A point of the plate in words, in mm."""
    x, y = (format_number(value * MM) for value in point)
    return f"x\N{NO-BREAK SPACE}{x}, y\N{NO-BREAK SPACE}{y}\N{NO-BREAK SPACE}mm"
