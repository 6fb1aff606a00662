"""The plate in plan: map, openings, colour bar, scale bar. Lengths are drawn in mm."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Protocol

import numpy as np

from simulate.case.case import Case
from simulate.figures.style import INK, MASK, MM, RED, SOFT_INK
from simulate.stencil.shapes import openings

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.collections import QuadMesh
    from matplotlib.colorbar import Colorbar
    from matplotlib.contour import QuadContourSet
    from matplotlib.path import Path as Outline

HATCH = "#d5d0c4"  # of the mask

Limits = tuple[float, float]


class Plan(Protocol):
    """What is drawn on: a result, or anything with its case, cells and openings."""

    @property
    def case(self) -> Case:
        """The case."""

    @property
    def x_edges(self) -> np.ndarray:
        """Edges of the cells along the plate [m]."""

    @property
    def y_edges(self) -> np.ndarray:
        """Edges of the cells across the plate [m]."""

    @property
    def open_fraction(self) -> np.ndarray:
        """Open part of each cell [-], (ny, nx)."""


def plan_height(result: Plan) -> float:
    """Height of the plate in plan over a figure's width, within reason [in]."""
    return min(max(4.9 * result.case.plate.height / result.case.plate.width, 1.2), 3.6)


def outline(result: Plan) -> Outline:
    """The openings as one path [mm], outer rims anticlockwise and islands clockwise."""
    from matplotlib.path import Path as NewPath
    from shapely import get_parts, orient_polygons

    rings = []
    for polygon in get_parts(orient_polygons(openings(result.case.stencil))):
        rings += [np.asarray(ring.coords) * MM for ring in (polygon.exterior, *polygon.interiors)]
    codes = [
        np.r_[NewPath.MOVETO, np.full(len(ring) - 2, NewPath.LINETO), NewPath.CLOSEPOLY]
        for ring in rings
    ]
    return NewPath(np.concatenate(rings), np.concatenate(codes))


def draw_plate(ax: Axes, result: Plan) -> None:
    """The plate's rectangle in the colour of the mask, to scale, axes in mm."""
    from matplotlib.patches import Rectangle

    plate = result.case.plate
    width, height = plate.width * MM, plate.height * MM
    ax.add_patch(
        Rectangle((0, 0), width, height, facecolor=MASK, edgecolor=SOFT_INK, clip_on=False)
    )
    ax.set(xlim=(0, width), ylim=(0, height), aspect="equal", xlabel="x (mm)", ylabel="y (mm)")
    for side in ("left", "bottom"):
        ax.spines[side].set_visible(False)


def draw_map(ax: Axes, result: Plan, values: np.ndarray, limits: Limits) -> QuadMesh:
    """A map cut to the rims of the openings, on the plate.

    Parameters
    ----------
    ax : where to draw.
    result : gives cells, plate and openings.
    values : (ny, nx), in the drawn unit; shown where a cell is open at all.
    limits : values at the two ends of the colours.
    """
    from matplotlib.patches import PathPatch, Rectangle

    draw_plate(ax, result)
    size = (ax.get_xlim()[1], ax.get_ylim()[1])
    ax.add_patch(  # hatched, as in sections: in grey the mask is told from pale colours by it
        Rectangle((0, 0), *size, facecolor="none", edgecolor=HATCH, hatch="///", linewidth=0)
    )
    mesh = ax.pcolormesh(
        result.x_edges * MM,
        result.y_edges * MM,
        np.ma.masked_where(result.open_fraction <= 0.0, values),
        vmin=limits[0],
        vmax=limits[1],
        rasterized=True,
    )
    rim = PathPatch(outline(result), facecolor="none", edgecolor=INK, linewidth=0.7)
    ax.add_artist(rim)  # a patch would be searched, corner by corner, for what must be in view
    mesh.set_clip_path(rim)
    return mesh


def close_in(ax: Axes, result: Plan, points: np.ndarray, margin: float) -> Axes | None:
    """View the neighbourhood of some points, if the plate is much larger than that.

    Parameters
    ----------
    ax : shows the plate; its view keeps the plate's proportions.
    result : gives the plate.
    points : (n, 2) [mm].
    margin : beyond the points on each side, in parts of their greater extent [-].

    Returns
    -------
    A small plan of the whole plate above the map's left end, the view framed in it; None where
    the whole plate stays in view.
    """
    plate = np.array([result.case.plate.width, result.case.plate.height]) * MM
    low, high = points.min(axis=0), points.max(axis=0)
    share = float(((high - low + 2.0 * margin * (high - low).max()) / plate).max())
    if share > 0.75:
        return None
    size = share * plate
    corner = np.clip(0.5 * (low + high - size), 0.0, plate - size)
    ax.set(xlim=(corner[0], corner[0] + size[0]), ylim=(corner[1], corner[1] + size[1]))
    ax.patches[0].set_clip_on(True)  # the plate now reaches beyond the view
    for spine in ax.spines.values():
        spine.set_visible(True)
    return _locator(ax, result, corner, size)


def _locator(ax: Axes, result: Plan, corner: np.ndarray, size: np.ndarray) -> Axes:
    """The small plan of `close_in`."""
    from matplotlib.patches import PathPatch, Rectangle

    small = ax.inset_axes((0.0, 1.03, 0.2, 0.2))
    draw_plate(small, result)
    small.set(xlabel="", ylabel="", xticks=[], yticks=[], anchor="SW")
    small.add_artist(PathPatch(outline(result), facecolor=SOFT_INK, linewidth=0))
    frame = Rectangle(
        (corner[0], corner[1]), size[0], size[1], facecolor="none", edgecolor=RED, linewidth=1.1
    )
    frame.set_clip_on(False)
    small.add_patch(frame)
    return small


def bulk_limits(values: np.ndarray) -> Limits:
    """Ends of a colour range for some values: all of them, but for a few that lie far out.

    The range begins at nought unless all values lie in its upper half. Where the highest 0.5 % of
    the values would take more than a fifth of the range, they lie beyond its end.
    """
    if not values.size or values.max() <= 0.0:
        return 0.0, 1.0
    high, bulk = float(values.max()), float(np.quantile(values, 0.995))
    if bulk < 0.8 * high:
        high = max(bulk, 0.5 * high)
    low = float(values.min())
    return (low if low > 0.5 * high else 0.0), high


def contour_lines(
    ax: Axes, result: Plan, values: np.ndarray, mesh: QuadMesh
) -> QuadContourSet | None:
    """A few lines of equal value over a map, cut to the rims; None where all is alike.

    Parameters
    ----------
    ax : shows the map. result : gives cells and openings.
    values : (ny, nx), in the drawn unit; beyond an opening the nearest value in it goes on.
    mesh : the map; gives its range of colours, and its shape.
    """
    from scipy.ndimage import distance_transform_edt

    low, high = mesh.get_clim()
    inside = result.open_fraction > 0.0
    if min(values.shape) < 2 or not inside.any() or np.ptp(values[inside]) <= 0.0:
        return None
    step = round_down((high - low) / 3.0)
    levels = step * np.arange(math.floor(low / step) + 1, math.ceil(high / step - 1e-9))
    least, most = float(values[inside].min()), float(values[inside].max())
    levels = levels[(levels > least) & (levels < most)]
    if not levels.size:
        return None
    nearest = distance_transform_edt(~inside, return_distances=False, return_indices=True)
    middle = [0.5 * MM * (edges[1:] + edges[:-1]) for edges in (result.x_edges, result.y_edges)]
    lines = ax.contour(*middle, values[tuple(nearest)], levels, colors=INK, linewidths=0.45)
    lines.set_clip_path(mesh.get_clip_path() or ax.patch)
    return lines


def colour_bar(ax: Axes, mesh: QuadMesh, values: np.ndarray, label: str) -> Colorbar:
    """A colour bar as tall as the map; pointed where some values lie beyond its ends."""
    low, high = mesh.get_clim()
    beyond = (bool(values.min(initial=low) < low), bool(values.max(initial=high) > high))
    extend = {
        (False, False): "neither",
        (False, True): "max",
        (True, False): "min",
        (True, True): "both",
    }[beyond]
    place = ax.inset_axes((1.03, 0.0, 0.035, 1.0))
    bar = ax.figure.colorbar(mesh, cax=place, extend=extend, label=label)
    bar.outline.set_linewidth(0.6)
    return bar


def scale_bar(ax: Axes) -> None:
    """A bar of a round number of millimetres above the map's right end."""
    from matplotlib.transforms import blended_transform_factory

    left, right = ax.get_xlim()
    length = round_down(0.25 * (right - left))
    place = blended_transform_factory(ax.transData, ax.transAxes)
    ax.plot(
        [right - length, right],
        [1.04, 1.04],
        transform=place,
        clip_on=False,
        color=INK,
        linewidth=2.4,
    )
    ax.text(
        right - length - 0.015 * (right - left),
        1.04,
        f"{length:g} mm",
        transform=place,
        ha="right",
        va="center",
        fontsize=10,
    )


def round_down(value: float) -> float:
    """The largest of 1, 2, 5 times a power of ten that is not above a positive value.

    >>> round_down(12.5)
    10.0
    """
    power = 10.0 ** math.floor(math.log10(value))
    return max(step * power for step in (1.0, 2.0, 5.0) if step * power <= value * (1 + 1e-9))
