"""The figure of a stencil before it is cut: openings, and the places that may give trouble."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from simulate.case.case import Case
from simulate.figures.captions import trim, with_unit, words
from simulate.figures.plan_view import close_in, draw_plate, outline, plan_height, scale_bar
from simulate.figures.style import BLUE, INK, METAL, MM, OCHRE, RED, new_figure, styled
from simulate.stencil.shapes import openings
from simulate.stencil.weak_spots import LEAST_BRIDGE, SLOT_TO_MASK, Finding

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

LISTED = 12  # places with a number and a line; the rest have a mark alone

_MARKS = {"outside": ("^", RED), "island": ("D", OCHRE), "bridge": ("o", RED), "slot": ("s", BLUE)}
_LACKING = {"island": "islands", "bridge": "thin bridges", "slot": "thin slots"}
_REACHES = (17.0, 26.0, 36.0)  # of a number from its place [pt]
_CLEAR = 20.0  # between the middles of a number and of anything else [pt]


@dataclass(frozen=True)
class _Sheet:
    """A stencil as a plan of one cell, the plate."""

    case: Case

    @property
    def x_edges(self) -> np.ndarray:
        return np.array([0.0, self.case.plate.width])

    @property
    def y_edges(self) -> np.ndarray:
        return np.array([0.0, self.case.plate.height])

    @property
    def open_fraction(self) -> np.ndarray:
        plate = self.case.plate
        return np.array([[openings(self.case.stencil).area / (plate.width * plate.height)]])


@styled
def stencil_map(case: Case, findings: Sequence[Finding]) -> Figure:
    """The stencil as it was understood: openings, islands, and numbered places with a list.

    The view closes in on the openings where the plate is much larger. Each kind of place has a mark
    of its own, so that the figure can be read without colour.

    Parameters
    ----------
    case : gives plate and stencil.
    findings : of `stencil.weak_spots.stencil_findings`; `LISTED` of them at most are numbered and
        listed, the worst of each kind.
    """
    from matplotlib.patches import PathPatch

    sheet, findings = _Sheet(case), _worst_first(findings)
    listed = findings[:LISTED]
    figure = new_figure(plan_height(sheet) + 2.4 + 0.17 * len(listed))
    ax = figure.subplots()
    draw_plate(ax, sheet)
    opened = outline(sheet)
    ax.add_patch(PathPatch(opened, facecolor=METAL, edgecolor=INK, linewidth=0.7))
    _draw_islands(ax, case, findings)
    places = np.array([(finding.x * MM, finding.y * MM) for finding in findings]).reshape(-1, 2)
    close_in(ax, sheet, np.vstack([np.asarray(opened.vertices), places]), margin=0.15)
    scale_bar(ax)
    for finding, place in zip(findings, places, strict=True):
        _mark(ax, finding.kind, place)
    title, caption = words(figure, _title(case, findings), _caption(case, findings))
    lines = [_line(number, finding) for number, finding in enumerate(listed, start=1)]
    if len(findings) > LISTED:
        lines.append(f"and {len(findings) - LISTED} more, with a mark and no number")
    caption.set_text("\n".join([caption.get_text(), *lines]))
    trim(figure, ax, title, caption)
    _number(figure, ax, places, len(listed))
    return figure


def _worst_first(findings: Sequence[Finding]) -> list[Finding]:
    """The worst `LISTED` of all kinds in turn, kind by kind; then the rest."""
    kinds = {kind: [f for f in findings if f.kind == kind] for kind in _MARKS}
    ranked = [(rank, one) for same in kinds.values() for rank, one in enumerate(same)]
    ranked.sort(key=lambda entry: entry[0])  # by rank, and kind by kind in each
    order = list(_MARKS)
    listed = sorted((one for _, one in ranked[:LISTED]), key=lambda one: order.index(one.kind))
    return [*listed, *(one for _, one in ranked[LISTED:])]


# Marks --------------------------------------------------------------------------------------------


def _draw_islands(ax: Axes, case: Case, findings: Sequence[Finding]) -> None:
    """Hatch the pieces of mask that hang on nothing."""
    import shapely
    from matplotlib.patches import PathPatch
    from matplotlib.path import Path as NewPath

    plate = shapely.box(0.0, 0.0, case.plate.width, case.plate.height)
    pieces = shapely.get_parts(shapely.difference(plate, openings(case.stencil)))
    loose = [shapely.Point(f.x, f.y) for f in findings if f.kind == "island"]
    for piece in pieces:
        if shapely.intersects(piece, loose).any():
            rings = [shapely.get_coordinates(r) * MM for r in (piece.exterior, *piece.interiors)]
            path = NewPath.make_compound_path(*(NewPath(ring, closed=True) for ring in rings))
            ax.add_patch(PathPatch(path, facecolor="#f6dcb8", edgecolor=OCHRE, hatch="////"))


def _mark(ax: Axes, kind: str, place: np.ndarray) -> None:
    """The mark of a kind [mm], with a pale rim so that it shows on metal and on mask."""
    symbol, colour = _MARKS[kind]
    for rim, width in (("white", 2.8), (colour, 1.5)):
        ax.plot(
            *place,
            marker=symbol,
            markersize=4.5 if kind == "island" else 7.0,
            markerfacecolor="none",
            markeredgecolor=rim,
            markeredgewidth=width,
            clip_on=False,
            zorder=6,
        )


def _number(figure: Figure, ax: Axes, places: np.ndarray, count: int) -> None:
    """A disc with its number beside each of the first places [mm], clear of all and in the view."""
    if not count:
        return
    figure.draw_without_rendering()
    scale = 72.0 / figure.dpi
    points = ax.transData.transform(places) * scale
    (left, low), (right, high) = ax.get_window_extent().get_points() * scale
    view = np.array([left, low]), np.array([right, high])
    crowd = list(points)
    for number, (place, point) in enumerate(zip(places[:count], points, strict=False), start=1):
        shift = _clear_shift(point, [other for other in crowd if other is not point], view)
        crowd.append(point + shift)
        ax.annotate(
            f"{number}",
            tuple(place),
            xytext=tuple(shift),
            textcoords="offset points",
            ha="center",
            va="center",
            fontsize=9,
            fontweight="bold",
            bbox={"boxstyle": "circle,pad=0.25", "facecolor": "white", "edgecolor": INK},
            arrowprops={"arrowstyle": "-", "linewidth": 0.9, "color": INK, "shrinkB": 4.0},
            zorder=8,
            annotation_clip=False,
        )


def _clear_shift(
    point: np.ndarray, crowd: Sequence[np.ndarray], view: tuple[np.ndarray, np.ndarray]
) -> np.ndarray:
    """The first shift that keeps `_CLEAR` from all others, or the one that keeps the most [pt]."""

    def room(shift: np.ndarray) -> float:
        at = point + shift
        edge = min(float((at - view[0]).min()), float((view[1] - at).min()))
        near = min((float(np.hypot(*(at - other))) for other in crowd), default=math.inf)
        return min(near, 2.0 * edge, _CLEAR)

    return max(_shifts(), key=room)


def _shifts() -> Iterator[np.ndarray]:
    """Upward to the right first, then round, then farther out [pt]."""
    for reach in _REACHES:
        for turn in range(8):
            angle = math.pi * (0.25 + 0.25 * turn)
            yield reach * np.array([math.cos(angle), math.sin(angle)])


# Words --------------------------------------------------------------------------------------------


def _title(case: Case, findings: Sequence[Finding]) -> str:
    count = len(openings(case.stencil).geoms)
    opened = "one opening" if count == 1 else f"{count} openings"
    if not findings:
        return f"Stencil: {opened}, nothing to mend"
    places = "one place" if len(findings) == 1 else f"{len(findings)} places"
    return f"Stencil: {opened}, {places} to look at"


def _caption(case: Case, findings: Sequence[Finding]) -> str:
    """What is drawn, in the words of the marks that occur."""
    thickness = case.stencil.thickness
    meanings = {
        "outside": "Triangle: an opening beyond the plate.",
        "island": "Hatched, with a diamond: an island, which falls out.",
        "bridge": f"Ring: a bridge of mask under {with_unit(LEAST_BRIDGE, 'mm')}, which may tear.",
        "slot": f"Square: a slot under {with_unit(SLOT_TO_MASK * thickness, 'mm')}, which may "
        "stay dry.",
    }
    kinds = {finding.kind for finding in findings}
    title = " ".join(case.title.split()).rstrip(".")
    area = with_unit(openings(case.stencil).area, "cm²")
    told = f"{title}. Grey: open, {area} together. Pale: mask, {with_unit(thickness, 'mm')} thick."
    told = " ".join([told, *(meaning for kind, meaning in meanings.items() if kind in kinds)])
    lacking = [name for kind, name in _LACKING.items() if kind not in kinds]
    return f"{told} No {', no '.join(lacking)}." if lacking else told


def _line(number: int, finding: Finding) -> str:
    """One line of the list: number, kind, size and place."""
    size = {"outside": "out by", "island": "up to", "bridge": "width", "slot": "width"}
    place = f"x = {with_unit(finding.x, 'mm')}, y = {with_unit(finding.y, 'mm')}"
    return (
        f"{number}  {finding.kind}, {size[finding.kind]} {with_unit(finding.size, 'mm')}, {place}"
    )
