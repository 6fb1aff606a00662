"""The mask as a sheet of tape: what falls out, what tears, what stays dry.

`stencil_findings` looks at what the openings leave of the mask and at the openings themselves.
Findings are advice and never stop a run; the limits are common practice of hand-cut stencils.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from simulate.stencil.measure import rim_segments, ring_points
from simulate.stencil.outlines import as_areas
from simulate.stencil.shapes import Stencil, openings
from simulate.units import format_quantity

Floats = NDArray[np.float64]

LEAST_BRIDGE = 1e-3  # narrowest strip a hand knife leaves reliably [m]; common practice
BRIDGE_TO_DEPTH = 5.0  # depths a bridge must be wide to survive its undercut [-]; common practice
SLOT_TO_MASK = 3.0  # width over mask thickness at which fibres reach the floor [-]; a guess
TRIM = 1 / 500  # outlines are simplified by this part of the width looked for [-]
SQUARE_ON = 1e-6  # cosine below which a chord counts as square to a rim [-]
BLOCK = 2000  # segments whose neighbours are looked at together, to bound the memory


@dataclass(frozen=True)
class Finding:
    """One thing to know about a stencil.

    Parameters
    ----------
    kind : "outside", "island", "bridge" or "slot".
    x, y : where [m].
    size : how far it sticks out, the longest extent of the island, or the least width [m].
    words : what it is and what to do about it, one sentence.
    """

    kind: str
    x: float
    y: float
    size: float
    words: str


def stencil_findings(
    stencil: Stencil,
    plate_outline: ArrayLike,
    *,
    least_bridge: float = LEAST_BRIDGE,
    least_slot: float | None = None,
) -> tuple[Finding, ...]:
    """What may go wrong with a stencil on a plate, the worst of each kind first.

    outside : parts of openings beyond the plate.
    island : pieces of mask that hang on nothing: every piece but the largest.
    bridge : strips of mask narrower than ``least_bridge`` [m].
    slot : openings narrower than ``least_slot`` [m], by default 3 times the mask's thickness,
        where cotton no longer reaches the floor and air may stay.

    plate_outline : (n, 2) corners of the plate [m].

    Widths are those of `necks`; one finding stands for a whole strip or slot.
    """
    import shapely

    plate, area = shapely.Polygon(np.asarray(plate_outline, dtype=float)), openings(stencil)
    mask = as_areas(shapely.difference(plate, area))
    thin = SLOT_TO_MASK * stencil.thickness if least_slot is None else least_slot
    found = [*_outside(area, plate), *_islands(mask)]
    for x, y, size in necks(mask, least_bridge):
        words = (
            f"the mask is only {_mm(size)} wide here, less than {_mm(least_bridge)}: "
            "it may tear or lift; move the openings apart"
        )
        found.append(Finding("bridge", x, y, size, words))
    for x, y, size in necks(area, thin):
        words = (
            f"the opening is only {_mm(size)} wide here, less than {_mm(thin)}: air may stay in it "
            "and the swab does not touch the metal; add a drop of detergent, or widen it"
        )
        found.append(Finding("slot", x, y, size, words))
    return tuple(found)


def necks(area: Any, width: float) -> list[tuple[float, float, float]]:
    """Places where an area is narrower than ``width`` [m]: x, y and the least width there [m].

    A neck is a straight chord within the area, from rim to rim, that no small move of either end
    along the rim shortens to first order: across a strip, a slot or a waist, but not across the tip
    of a wedge.  Chords less than ``width`` apart, or between the same two straight sides, count as
    one neck and the shortest stands for them; the narrowest neck comes first.  Outlines are
    simplified by width / 500, which bounds the error of the size by width / 250 where the rim is
    curved; between straight sides it is exact.
    """
    import shapely

    plain = as_areas(shapely.simplify(area, width * TRIM))
    parts = list(_chords(plain, width))
    chords = np.concatenate([np.empty((0, 4)), *(chord for chord, _ in parts)])
    pair = np.concatenate([np.empty(0, np.int64), *(number for _, number in parts)])
    shapely.prepare(plain)
    within = shapely.contains(plain, _as_lines(_shortened(chords)))
    chords, pair = chords[within], pair[within]
    order = np.argsort(np.round(_lengths(chords) / width, 9), kind="stable")
    chords, pair = chords[order], pair[order]
    shortest = np.sort(np.unique(_together(chords, pair, width), return_index=True)[1])
    middles, sizes = 0.5 * (chords[:, :2] + chords[:, 2:]), _lengths(chords)
    return [(float(middles[k, 0]), float(middles[k, 1]), float(sizes[k])) for k in shortest]


def _together(chords: Floats, pair: NDArray[np.int64], width: float) -> NDArray[np.int64]:
    """A number (n,) for each chord, equal for chords that cross the same strip.

    Those are chords between one pair of segments, chords with the same ends, and chords nearer to
    each other than ``width``; and all that hang together by these three.
    """
    import shapely

    if not len(chords):
        return pair
    near = shapely.union_all(shapely.buffer(_as_lines(chords), 0.5 * width))
    tree = shapely.STRtree(shapely.get_parts(near))
    place = tree.nearest(shapely.points(0.5 * (chords[:, :2] + chords[:, 2:])))
    ends = np.round(chords / (1e-6 * width))
    labels = [np.unique(pair, return_inverse=True)[1], place]
    labels += [np.unique(ends, axis=0, return_inverse=True)[1].ravel()]
    number = np.arange(len(chords))
    while True:
        before = number
        for label in labels:
            least = np.full(int(label.max()) + 1, len(chords))
            np.minimum.at(least, label, number)
            number = least[label]
        if (number == before).all():
            return number


def _chords(area: Any, width: float) -> Iterator[tuple[Floats, NDArray[np.int64]]]:
    """Chords (n, 4) shorter than ``width`` that stand square on both rims, block by block.

    With each comes the number of its pair of segments (n,).
    """
    import shapely

    segments = rim_segments(area)
    before, after = _neighbours(area)
    tree = shapely.STRtree(_as_lines(segments))
    for start in range(0, len(segments), BLOCK):
        pairs = tree.query(tree.geometries[start : start + BLOCK], "dwithin", distance=width)
        one, other = pairs[0] + start, pairs[1]
        apart = (one < other) & (after[one] != other) & (before[one] != other)
        one, other = one[apart], other[apart]
        for chord, on_one, on_other in _closest(segments[one], segments[other]):
            square = (_lengths(chord) > 0.0) & (_lengths(chord) < width)
            square &= _stands_square(chord, segments, one, on_one, before, after)
            back = chord[:, [2, 3, 0, 1]]
            square &= _stands_square(back, segments, other, on_other, before, after)
            yield chord[square], (one * len(segments) + other)[square]


def _neighbours(area: Any) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Number of the segment before and after each segment of `rim_segments`."""
    _, starts = ring_points(area)
    first = starts[:-1] - np.arange(len(starts) - 1)  # a ring has one segment fewer than points
    last = starts[1:] - np.arange(len(starts) - 1) - 2
    count = int(starts[-1]) - len(first)
    before, after = np.arange(-1, count - 1), np.arange(1, count + 1)
    before[first], after[last] = last, first
    return before, after


def _closest(a: Floats, b: Floats) -> Iterator[tuple[Floats, Floats, Floats]]:
    """Candidate shortest chords between segments a and b (n, 4): chord, place on a, place on b.

    Places run from 0 to 1.  Five candidates: for parallel segments from the middle of what they
    share, and from each of the four ends to the other segment.
    """
    middle = 0.5 * (_project(a, b[:, :2]) + _project(a, b[:, 2:]))
    yield _between(a, middle, b, _project(b, _along(a, middle)))
    for end in (0.0, 1.0):
        t = np.full(len(a), end)
        yield _between(a, t, b, _project(b, _along(a, t)))
        yield _between(a, _project(a, _along(b, t)), b, t)


def _along(segments: Floats, t: Floats) -> Floats:
    start, end = segments[:, :2], segments[:, 2:]
    return np.asarray(start + t[:, None] * (end - start))


def _project(segments: Floats, points: Floats) -> Floats:
    """Place on each segment, 0 to 1, nearest to the point of the same row."""
    side = segments[:, 2:] - segments[:, :2]
    t = np.sum((points - segments[:, :2]) * side, axis=1) / np.sum(side * side, axis=1)
    return np.asarray(np.clip(t, 0.0, 1.0))


def _between(a: Floats, s: Floats, b: Floats, t: Floats) -> tuple[Floats, Floats, Floats]:
    return np.hstack([_along(a, s), _along(b, t)]), s, t


def _stands_square(
    chords: Floats,
    segments: Floats,
    number: NDArray[np.int64],
    place: Floats,
    before: NDArray[np.int64],
    after: NDArray[np.int64],
) -> NDArray[np.bool_]:
    """Whether moving a chord's first end along the rim, either way, does not shorten it."""
    ahead = np.where(place < 1.0, number, after[number])
    behind = np.where(place > 0.0, number, before[number])
    way = _directions(chords)
    onward = np.sum(way * _directions(segments)[ahead], axis=1)
    backward = -np.sum(way * _directions(segments)[behind], axis=1)
    return np.asarray((onward <= SQUARE_ON) & (backward <= SQUARE_ON))


def _as_lines(segments: Floats) -> Any:
    import shapely

    return shapely.linestrings(segments.reshape(-1, 2, 2))


def _lengths(segments: Floats) -> Floats:
    return np.asarray(np.hypot(segments[:, 2] - segments[:, 0], segments[:, 3] - segments[:, 1]))


def _directions(segments: Floats) -> Floats:
    """Unit vectors (n, 2) along segments; zero for a segment without length."""
    length = _lengths(segments)[:, None]
    return np.asarray((segments[:, 2:] - segments[:, :2]) / np.where(length > 0.0, length, 1.0))


def _shortened(chords: Floats) -> Floats:
    """The same chords with both ends drawn in by a thousandth, off the rim."""
    middle = 0.5 * (chords[:, :2] + chords[:, 2:])
    return np.asarray(chords + 1e-3 * (np.hstack([middle, middle]) - chords))


def _outside(area: Any, plate: Any) -> list[Finding]:
    """Parts of the openings beyond the plate."""
    import shapely

    found = []
    for part in as_areas(shapely.difference(area, plate)).geoms:
        corners = shapely.points(shapely.get_coordinates(part))
        size = float(shapely.distance(corners, plate).max())
        words = f"the opening reaches {_mm(size)} beyond the plate: move it or make it smaller"
        found.append(Finding("outside", part.centroid.x, part.centroid.y, size, words))
    return sorted(found, key=lambda finding: -finding.size)


def _islands(mask: Any) -> list[Finding]:
    """Every piece of the mask but the largest."""
    found = []
    for piece in sorted(mask.geoms, key=lambda part: -part.area)[1:]:
        left, bottom, right, top = piece.bounds
        words = (
            f"this piece of mask, {_mm(right - left)} by {_mm(top - bottom)}, hangs on nothing and "
            "falls out: leave a bridge, or set it down with transfer film"
        )
        inner = piece.representative_point()
        found.append(Finding("island", inner.x, inner.y, max(right - left, top - bottom), words))
    return found


def _mm(length: float) -> str:
    return format_quantity(length, "mm")
