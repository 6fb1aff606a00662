"""Numbers of an etched cavity: depth, undercut, etch factor, floor, wall angle, widths, bridge."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simulate.section.dig import Dig
from simulate.section.moving_wall import WallState
from simulate.section.wall_curve import Wall

Doubles = NDArray[np.float64]

FLAT = 0.02
"""How much deeper a floor is along its rims, or in its middle, to be called so [-]."""

NEAR_RIM = 0.1
"""Part of an opening's width on either side that counts as along the rim [-]."""


@dataclass(frozen=True)
class CavityNumbers:
    """One cavity at one moment.

    Parameters
    ----------
    depth : deepest [m]. middle_depth : in the middle of the opening. mean_depth : below the
        opening, mean over its width.
    undercut : how far the cavity reaches under the mask at the left and right rim [m]; None where
        there is no lip. etch_factor : deepest over the mean of these [-]; None without.
    floor : "flat", "rimmed" (deeper along the rims) or "domed" (deepest in the middle).
    wall_angle : of the walls at half the depth, from the plane, in the metal [rad]; above a right
        angle they hang over. None without a lip.
    tape_width, metal_width : of the line at the mask's underside: in the mask, and on the metal
        [m].
    bridge : metal that stands towards the next cavity on the right, at the narrowest [m]; None:
        there is none.
    """

    depth: float
    middle_depth: float
    mean_depth: float
    undercut: tuple[float | None, float | None]
    etch_factor: float | None
    floor: str
    wall_angle: tuple[float | None, float | None]
    tape_width: float
    metal_width: float
    bridge: float | None = None


def mean_depth(dig: Dig, state: WallState) -> float:
    """Depth below the openings, mean over their width [m]; what lies under the mask left out."""
    dug = 0.0
    for wall, (start, stop) in zip(state.walls, dig.openings, strict=True):
        x = np.linspace(start, stop, 401)
        depth = floor_depth(wall, x)
        dug += float(np.trapezoid(depth * (2.0 * np.pi * x if wall.round else 1.0), x))
    return dug / dig.width


def floor_depth(wall: Wall, x: Doubles) -> Doubles:
    """Depth of the lowest wall at places along the line (n,) [m]."""
    place = wall.at(wall.samples)
    lowest = int(np.argmin(place[:, 1]))
    # the floor goes from the leftmost point left of the deepest to the rightmost right of it
    first = int(np.argmin(place[: lowest + 1, 0]))
    last = lowest + int(np.argmax(place[lowest:, 0]))
    floor = place[first : last + 1]
    return -np.interp(x, np.maximum.accumulate(floor[:, 0]), floor[:, 1])


def remaining_bridges(dig: Dig, state: WallState) -> list[float]:
    """Metal that stands between neighbouring cavities, at the narrowest [m]."""
    reaches = [
        (float(place[:, 0].min()), float(place[:, 0].max()))
        for place in (wall.at(wall.samples) for wall in state.walls)
    ]
    found = [right[0] - left[1] for left, right in pairwise(reaches)]
    x = dig.cavity.ground.x
    if dig.mirrors[0] and dig.lips[0][0]:
        found.insert(0, 2.0 * (reaches[0][0] - float(x[0])))
    if dig.mirrors[1] and dig.lips[-1][1]:
        found.append(2.0 * (float(x[-1]) - reaches[-1][1]))
    return found


def numbers_of(dig: Dig, state: WallState) -> tuple[CavityNumbers, ...]:
    """Numbers of every cavity, from left to right."""
    bridges = remaining_bridges(dig, state)
    left_mirror = dig.mirrors[0] and dig.lips[0][0]
    found = []
    for n, (wall, span, lips) in enumerate(zip(state.walls, dig.openings, dig.lips, strict=True)):
        at = n + left_mirror
        bridge = bridges[at] if at < len(bridges) else None
        found.append(_numbers(dig, wall, span, lips, bridge))
    return tuple(found)


def _numbers(
    dig: Dig,
    wall: Wall,
    span: tuple[float, float],
    lips: tuple[bool, bool],
    bridge: float | None,
) -> CavityNumbers:
    start, stop = span
    half = (dig.mirrors[0] or wall.round) and not lips[0]  # the opening's left half is its image
    place = wall.at(wall.samples)
    reach = (start - float(place[:, 0].min()), float(place[:, 0].max()) - stop)
    undercut = tuple(max(r, 0.0) if lip else None for r, lip in zip(reach, lips, strict=True))
    known = [value for value in undercut if value is not None]
    deepest = float(-place[:, 1].min())
    x = np.linspace(start, stop, 801)
    depth = floor_depth(wall, x)
    middle = float(depth[0] if half else depth[x.size // 2])
    weight = 2.0 * np.pi * x if wall.round else np.ones(x.size)
    ends = wall.points[[0, -1], 0]
    scale = 2.0 if half else 1.0
    mean = float(np.mean(known)) if known else 0.0
    return CavityNumbers(
        depth=deepest,
        middle_depth=middle,
        mean_depth=float(np.trapezoid(depth * weight, x) / np.trapezoid(weight, x)),
        undercut=undercut,  # type: ignore[arg-type]
        etch_factor=deepest / mean if mean > 0.0 else None,
        floor=_floor(x, depth, half=half),
        wall_angle=(
            _wall_angle(wall, left=True) if lips[0] else None,
            _wall_angle(wall, left=False) if lips[1] else None,
        ),
        tape_width=scale * (stop - start),
        metal_width=scale * float(ends[1] - ends[0]),
        bridge=bridge,
    )


def _floor(x: Doubles, depth: Doubles, *, half: bool) -> str:
    """Whether the floor is flat, deeper along its rims, or deepest in its middle."""
    share = (x - x[0]) / (x[-1] - x[0])
    off = share if half else np.abs(2.0 * share - 1.0)  # 0 in the middle, 1 at a rim
    middle = float(depth[np.argmin(off)])
    quarter = float(depth[np.argmin(np.abs(off - 0.5))])
    along_rim = float(depth[off > 1.0 - 4.0 * NEAR_RIM].max())
    if along_rim > (1.0 + FLAT) * middle:
        return "rimmed"
    return "domed" if quarter < (1.0 - FLAT) * middle else "flat"


def _wall_angle(wall: Wall, *, left: bool) -> float | None:
    """Angle of a side wall at half the depth [rad], measured in the metal from the plane."""
    u = wall.samples
    place = wall.at(u)
    lowest = int(np.argmin(place[:, 1]))
    side = slice(0, lowest + 1) if left else slice(lowest, None)
    level = 0.5 * float(place[:, 1].min())
    height, at = place[side, 1], u[side]
    crossed = np.flatnonzero((height[1:] - level) * (height[:-1] - level) <= 0.0)
    if crossed.size == 0:
        return None
    n = int(crossed[0] if left else crossed[-1])
    share = (level - height[n]) / (height[n + 1] - height[n])
    dx, dz = wall.at(np.array([at[n] + share * (at[n + 1] - at[n])]), 1)[0]
    # along a left wall one walks down into the cavity, along a right wall up out of it
    return float(np.arctan2(-dz, dx) if left else np.arctan2(dz, dx))


def plain_numbers(numbers: CavityNumbers) -> dict[str, Any]:
    """The numbers with their units, ready for JSON; SI."""
    units = {"etch_factor": "1", "wall_angle": "rad", "floor": ""}
    out: dict[str, Any] = {}
    for name, value in vars(numbers).items():
        shown = list(value) if isinstance(value, tuple) else value
        out[name] = shown if name == "floor" else {"value": shown, "unit": units.get(name, "m")}
    return out
