"""Openings from a vector drawing in SVG.

What counts: every fill, by its fill rule, and every stroke, with its width, caps and joins; through
groups, ``use``, transforms, style sheets of simple selectors, and units.  Colour does not count,
not even white, unless one colour is asked for.  What would be drawn but is not understood (text,
pictures, clip paths, dashes, markers, nested pages) is refused by name, never left out silently.
Nothing is fetched and no entity is expanded: both are refused before the drawing is read.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING
from xml.etree import ElementTree as ET
from xml.parsers import expat

import numpy as np
from numpy.typing import NDArray

from simulate.errors import InputError
from simulate.stencil_files.limits import MAX_PIECES, one_line, read_bytes, refuse
from simulate.stencil_files.pen import (
    LENGTH,
    PIXEL,
    UNITS,
    matrix_of,
    numbers,
    pen_runs,
    pixels,
    times,
)
from simulate.stencil_files.strokes import Drawn, painted_area
from simulate.stencil_files.style import INHERITED, StyleSheet, read_style, resolved

if TYPE_CHECKING:
    from shapely import MultiPolygon

Floats = NDArray[np.float64]
Element = ET.Element
Size = tuple[float, float]

MAX_BYTES = 1_000_000
MAX_DEPTH = 60
NAMESPACE = "{http://www.w3.org/2000/svg}"
HREFS = ("href", "{http://www.w3.org/1999/xlink}href")
SHAPES = {"path", "rect", "circle", "ellipse", "line", "polyline", "polygon"}
UNDRAWN = {  # not drawn where they stand; what paints or clips with them is judged there
    *("defs", "style", "metadata", "title", "desc", "pattern", "marker", "mask", "clipPath"),
    *("linearGradient", "radialGradient", "filter", "script", "symbol"),
}
REMEDIES = {
    "text": "text converted to outlines",
    "image": "outlines; a picture can be given as PNG",
    "svg": "one page; ungroup nested ones",
    "symbol": "shapes; expand the symbol",
}


def svg_area(path: Path, width: float | None = None, colour: str | None = None) -> MultiPolygon:
    """The union of everything drawn [m], y up from the page's lower edge.

    Parameters
    ----------
    width : what the drawing will be scaled to later [m]; needed when the page does not state its
        size in physical units, and then used for the flatness of curves only.
    colour : paint of this colour counts and no other; None for any.
    """
    root = _read_tree(path, read_bytes(path, MAX_BYTES))
    matrix, page, view, scale = _page(path, root)
    if scale is None and width is None:
        problem = "the page does not state its size"
        refuse(path, problem, "its width and height in mm, or a width to scale the drawing to")
    reader = _Reader(path, root, view, colour)
    drawn = list(reader.walk(root, INHERITED, matrix, ()))
    return painted_area(path, drawn, scale, width, page[1])


@dataclass
class _Reader:
    """Walks the tree once; keeps what must be looked up and counted on the way."""

    path: Path
    root: Element
    view: tuple[float, float]
    colour: str | None
    named: dict[str, Element] = field(init=False)
    sheet: StyleSheet = field(init=False)
    seen: Iterator[int] = field(init=False)

    def __post_init__(self) -> None:
        self.named, texts = {}, []
        for element in self.root.iter():
            self.named.setdefault(element.attrib.get("id", ""), element)
            if _tag(element) == "style":
                texts.append(element.text or "")
        self.sheet, self.seen = read_style(self.path, texts), count(1)

    def walk(
        self, element: Element, inherited: Mapping[str, str], matrix: Floats, trail: tuple[str, ...]
    ) -> Iterator[Drawn]:
        """Every shape below an element, in order, with its style and matrix."""
        tag = _tag(element)
        if not tag or tag in UNDRAWN:
            return
        if next(self.seen) > MAX_PIECES or len(trail) > MAX_DEPTH:
            refuse(self.path, f"more than {MAX_PIECES} elements, or too deep", "a simpler drawing")
        style = resolved(self.path, self.sheet, tag, element.attrib, inherited)
        if style.pop("display", "") == "none" or _is_zero(style.pop("opacity", "1")):
            return
        matrix = times(matrix, matrix_of(self.path, style.pop("transform", "")))
        if tag in SHAPES:
            if style["visibility"] == "visible":
                yield from self._shape(tag, element, style, matrix)
        elif tag == "use":
            yield from self._used(element, style, matrix, trail)
        elif tag in ("g", "a") or element is self.root:
            for child in element:
                yield from self.walk(child, style, matrix, (*trail, tag))
        else:
            refuse(
                self.path, f"<{one_line(tag, 30)}> is not understood", REMEDIES.get(tag, "outlines")
            )

    def _shape(
        self, tag: str, element: Element, style: dict[str, str], matrix: Floats
    ) -> Iterator[Drawn]:
        """A shape with its paints, if it has any."""
        filled = tag != "line" and _paints(self.path, style, "fill", self.colour)
        stroke = 0.0
        if _paints(self.path, style, "stroke", self.colour):
            stroke = pixels(self.path, style["stroke-width"])
        if filled or stroke > 0.0:
            runs = pen_runs(self.path, tag, element.attrib, self.view)
            rule = "evenodd" if style["fill-rule"] == "evenodd" else "nonzero"
            yield Drawn(runs, matrix, rule if filled else "", stroke, style)

    def _used(
        self, element: Element, style: Mapping[str, str], matrix: Floats, trail: tuple[str, ...]
    ) -> Iterator[Drawn]:
        """What a ``use`` refers to, moved by its x and y."""
        target = next((element.attrib[href] for href in HREFS if href in element.attrib), "")
        if not target.startswith("#"):
            refuse(self.path, f"a reference outside the file: '{one_line(target, 60)}'", "#name")
        other = self.named.get(target[1:])
        if other is None or target in trail:
            problem = "is missing" if other is None else "contains itself"
            refuse(self.path, f"'{one_line(target, 60)}' {problem}", "a reference to a drawn thing")
        if _tag(other) in ("symbol", "svg"):
            refuse(self.path, f"a <{_tag(other)}> in use is not understood", REMEDIES[_tag(other)])
        x, y = (pixels(self.path, element.attrib.get(name, "0")) for name in ("x", "y"))
        moved = times(matrix, np.array([[1.0, 0.0, x], [0.0, 1.0, y]]))
        yield from self.walk(other, style, moved, (*trail, target))


def _read_tree(path: Path, content: bytes) -> Element:
    """The tree of a drawing without document types of its own, entities or outside styles."""
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError:
        refuse(path, "it is not UTF-8 text", "an SVG drawing")

    def refuse_entity(*_: object) -> None:
        refuse(path, "it declares entities", "a drawing without them")

    def judge_doctype(name: str, system: str | None, public: str | None, subset: int) -> None:
        if subset or (system and not (public or "").startswith("-//W3C//DTD SVG 1.")):
            refuse(path, "it has a document type of its own", "a drawing without one")

    def judge_instruction(target: str, data: str) -> None:
        if target == "xml-stylesheet":
            refuse(path, "it refers to a style sheet outside the file", "styles in the file")

    scout = expat.ParserCreate()
    scout.EntityDeclHandler = refuse_entity
    scout.StartDoctypeDeclHandler = judge_doctype
    scout.ProcessingInstructionHandler = judge_instruction
    try:
        scout.Parse(text, True)
        root = ET.fromstring(text)  # the scout has refused every entity
    except InputError:
        raise
    except (expat.ExpatError, ET.ParseError, ValueError) as error:
        refuse(path, f"it is not well-formed: {error}", "an SVG drawing")
    if _tag(root) != "svg":
        refuse(path, f"its root is <{one_line(_tag(root) or root.tag, 30)}>", "an <svg> drawing")
    return root


def _tag(element: Element) -> str:
    """Name of an SVG element; empty for elements of other vocabularies."""
    name = str(element.tag).removeprefix(NAMESPACE)
    return "" if name.startswith("{") else name


def _page(path: Path, root: Element) -> tuple[Floats, Size, Size, float | None]:
    """The page: matrix to pixels, its size [px], that of the view box, and [m] per pixel if stated.

    The matrix (2, 3) takes the drawing's units to CSS pixels.
    """
    sides = [LENGTH.fullmatch(root.attrib.get(name, "")) for name in ("width", "height")]
    physical = all(side and side[2] in UNITS for side in sides)
    box = numbers(path, root.attrib.get("viewBox", ""), "viewBox")
    if box and (len(box) != 4 or min(box[2:]) <= 0.0):
        refuse(path, "the viewBox is not a box", "x, y, width and height")
    if physical or all(side and side[2] in ("", "px") for side in sides):
        across, up = (pixels(path, root.attrib[name]) for name in ("width", "height"))
    else:
        across, up = box[2:] if box else (100.0, 100.0)
    if not (across > 0.0 and up > 0.0):
        refuse(path, "the page has no size", "a positive width and height")
    matrix = _view(path, root, box, across, up) if box else np.eye(2, 3)
    view = (box[2], box[3]) if box else (across, up)
    return matrix, (across, up), view, PIXEL if physical else None


def _view(path: Path, root: Element, box: list[float], across: float, up: float) -> Floats:
    """Matrix of a view box on a page, by preserveAspectRatio."""
    words = root.attrib.get("preserveAspectRatio", "xMidYMid").split() or ["xMidYMid"]
    ratio = np.array([across / box[2], up / box[3]])
    if words[0] == "none":
        return np.array([[ratio[0], 0.0, -box[0] * ratio[0]], [0.0, ratio[1], -box[1] * ratio[1]]])
    share = {"Min": 0.0, "Mid": 0.5, "Max": 1.0}
    found = re.fullmatch(r"x(Min|Mid|Max)Y(Min|Mid|Max)", words[0])
    if not found:
        refuse(path, "preserveAspectRatio cannot be read", "xMidYMid, or none")
    scale = float(max(ratio) if "slice" in words else min(ratio))
    x = share[found[1]] * (across - scale * box[2]) - scale * box[0]
    y = share[found[2]] * (up - scale * box[3]) - scale * box[1]
    return np.array([[scale, 0.0, x], [0.0, scale, y]])


def _is_zero(text: str) -> bool:
    try:
        return float(text.rstrip("%")) <= 0.0
    except ValueError:
        return False


def _paints(path: Path, style: Mapping[str, str], name: str, colour: str | None) -> bool:
    """Whether a fill or stroke is drawn, and in the colour asked for."""
    from svgelements import Color

    paint = style[name].lower()
    if paint in ("none", "transparent", "") or _is_zero(style[f"{name}-opacity"]):
        return False
    if paint.startswith("url("):
        if not re.match(r"url\(\s*['\"]?#", paint):
            refuse(
                path, f"a paint outside the file: '{one_line(paint, 60)}'", "a paint in the file"
            )
        return colour is None
    try:
        given, wanted = Color(style[name]), Color(colour) if colour else None
        return given.alpha != 0 and (wanted is None or (given.rgb == wanted.rgb))
    except Exception:  # an unknown colour word; the library raises whatever comes of it
        return colour is None
