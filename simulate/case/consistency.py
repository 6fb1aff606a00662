"""Consistency checks of a case: openings and swab on the plate, stroke over openings, cell size.

Each check notes its faults under the key that a person would change.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from simulate.case.document import FaultList, KeyPath
from simulate.stencil.shapes import Drawing, Shape, shape_area
from simulate.swab.contact_patch import contact_outline, contact_size
from simulate.swab.geometry import Swab
from simulate.swab.stops import make_stops
from simulate.swab.stroke import Hatch, Path, Stroke, path_length
from simulate.units import format_quantity

SLACK = 1e-9  # what rounding may add to a length [m]
MOST_STOPS = 100_000  # stops that are checked, half a contact patch apart


def check_openings(
    width: float, height: float, shapes: Mapping[KeyPath, Shape], found: FaultList
) -> None:
    """Note every opening that leaves a plate of the given size [m]."""
    for path, shape in shapes.items():
        left, low, right, high = shape_area(shape).bounds
        for key, first, last, size in (("x", left, right, width), ("y", low, high, height)):
            if first < -SLACK or last > size + SLACK:
                along = "width" if key == "x" else "height"
                placed = hasattr(shape, key) or isinstance(shape, Drawing)
                found.add(
                    (*path, key if placed else "points"),
                    f"the opening reaches from {_mm(first)} to {_mm(last)} in {key}, off the plate",
                    f"within 0 and the plate's {along} of {_mm(size)}",
                )


def check_swab(width: float, height: float, swab: Swab, found: FaultList) -> None:
    """Note a swab whose contact patch is larger than the plate."""
    outline = contact_outline(swab)
    spans = outline.max(axis=0) - outline.min(axis=0)
    for span, size, along in zip(spans, (width, height), ("width", "height"), strict=True):
        if span > size + SLACK:
            found.add(
                ("swab",),
                f"touches {_mm(span)} of the plate, more than the plate's {along} of {_mm(size)}",
                "a smaller swab, less press, another heading, or a larger plate",
            )


def check_stroke(
    plate: tuple[float, float],
    shapes: Mapping[KeyPath, Shape],
    swab: Swab,
    stroke: Stroke,
    path: KeyPath,
    found: FaultList,
) -> None:
    """Note a stroke that leaves the plate, or never touches an opening.

    plate : width and height [m].
    """
    import shapely

    step = 0.5 * min(contact_size(swab))
    once = replace(stroke, passes=1) if isinstance(stroke, Hatch | Path) else stroke
    if path_length(once) > MOST_STOPS * step:
        found.add(
            path,
            f"path length {format_quantity(path_length(once), 'm')} needs too many stops for this "
            "contact patch",
            f"at most {MOST_STOPS} stops: a shorter path, wider lines, more press or a larger swab",
        )
        return
    stops = make_stops(once, step)
    places = np.unique(np.column_stack([stops.x, stops.y]), axis=0)
    lows, highs = places.min(axis=0), places.max(axis=0)
    for k, key in enumerate("xy"):
        if lows[k] < -SLACK or highs[k] > plate[k] + SLACK:
            found.add(
                (*path, key) if hasattr(stroke, key) else (*path, "points"),
                f"the swab's centre runs from {_mm(lows[k])} to {_mm(highs[k])} in {key}, "
                "off the plate",
                f"within 0 and {_mm(plate[k])}",
            )
    openings = shapely.union_all([shape_area(shape) for shape in shapes.values()])
    patches = shapely.polygons(contact_outline(swab)[None, :, :] + places[:, None, :])
    if not shapely.intersects(patches, openings).any():
        left, low, right, high = openings.bounds
        found.add(
            path,
            "the swab never touches an opening",
            f"a stroke over the openings, which lie in x from {_mm(left)} to {_mm(right)} and in y "
            f"from {_mm(low)} to {_mm(high)}",
        )


def check_cell(cell: float, swab: Swab, found: FaultList) -> None:
    """Note cells [m] too coarse to show the contact patch."""
    coarsest = 0.25 * min(contact_size(swab))
    if cell > coarsest:
        found.add(
            ("grid", "cell"),
            "coarser than a quarter of the swab's contact patch",
            f"at most {format_quantity(coarsest, 'mm', 2)}",
        )


def _mm(length: float) -> str:
    return format_quantity(length, "mm", 4)
