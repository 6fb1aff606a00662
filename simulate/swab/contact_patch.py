"""Contact patch of the swab: outline, size and area where it lies flat on the mask."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache, lru_cache
from itertools import pairwise

import numpy as np

from simulate.swab.geometry import Bud, Pad, Swab

PIECE_POINTS = 33  # points per smooth piece of a contact outline


@dataclass(frozen=True)
class Capsule:
    """The bud in its own plan axes: u along the heading, v across; `z` above the cutting plane."""

    radius: float
    span: float  # distance between the centres of the two round ends
    cosine: float
    sine: float
    z: float  # height of the tip's centre above the cutting plane

    def half_width(self, u: np.ndarray) -> np.ndarray:
        """Half-width of the section at u, measured from the tip's centre; zero outside."""
        w = np.clip(u * self.cosine - self.z * self.sine, 0.0, self.span)
        square = (u - w * self.cosine) ** 2 + (self.z + w * self.sine) ** 2
        width: np.ndarray = np.sqrt(np.maximum(self.radius**2 - square, 0.0))
        return width

    def breaks(self) -> list[float]:
        """Ends of the smooth pieces of the section, from tip to stick end."""
        reach = math.sqrt(self.radius**2 - self.z**2)
        if self.cosine < 1e-12:
            return [-reach, reach]
        first = self.z * self.sine / self.cosine
        if reach <= first:
            return [-reach, reach]
        last = first + self.span / self.cosine
        if self.sine * last >= self.radius - self.z * self.cosine:
            return [-reach, first, (self.radius - self.z * self.cosine) / self.sine]
        high = self.z + self.span * self.sine
        return [-reach, first, last, self.span * self.cosine + math.sqrt(self.radius**2 - high**2)]


def capsule_of(bud: Bud, depth: float = 0.0) -> Capsule:
    """The bud seen from the plane at z = -depth."""
    radius = 0.5 * bud.diameter
    return Capsule(
        radius=radius,
        span=bud.length - bud.diameter,
        cosine=math.cos(bud.tilt),
        sine=math.sin(bud.tilt),
        z=radius - bud.press + depth,
    )


def smooth_pieces(capsule: Capsule) -> Iterator[tuple[float, float]]:
    """Ends of the pieces of the contact outline along the heading [m] in which it is smooth."""
    breaks = capsule.breaks()
    return ((a, b) for a, b in pairwise(breaks) if b > a)


@cache
def _gauss() -> tuple[np.ndarray, np.ndarray]:
    nodes, weights = np.polynomial.legendre.leggauss(40)
    return nodes, weights


def integrate(function: Callable[[np.ndarray], np.ndarray], a: float, b: float) -> float:
    """Gauss's rule in the angle: exact to round-off also for square-root ends."""
    nodes, weights = _gauss()
    angle = 0.5 * math.pi * (nodes + 1.0)
    half = 0.5 * (b - a)
    values = function(0.5 * (a + b) - half * np.cos(angle))
    return float(np.sum(weights * values * np.sin(angle)) * half * 0.5 * math.pi)


def section_area(capsule: Capsule) -> float:
    """Area of the section of a capsule by its cutting plane [m2], to round-off."""
    return sum(2.0 * integrate(capsule.half_width, a, b) for a, b in smooth_pieces(capsule))


def turned(points: np.ndarray, heading: float) -> np.ndarray:
    """Points (n, 2) turned anticlockwise by the heading [rad]."""
    cosine, sine = math.cos(heading), math.sin(heading)
    turned: np.ndarray = points @ np.array([[cosine, sine], [-sine, cosine]])
    return turned


def polygon_area(points: np.ndarray) -> float:
    """Area of a polygon (n, 2), positive if anticlockwise."""
    x, y = points.T
    return 0.5 * float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1)))


@lru_cache(maxsize=32)
def contact_area(swab: Swab) -> float:
    """Area of the contact patch [m2], to round-off."""
    if isinstance(swab, Pad):
        return swab.width * swab.length
    return section_area(capsule_of(swab))


def contact_size(swab: Swab) -> tuple[float, float]:
    """Length along the heading and greatest width across it of the contact patch [m]."""
    if isinstance(swab, Pad):
        return swab.length, swab.width
    capsule = capsule_of(swab)
    breaks = np.array(capsule.breaks())
    widest = float(np.max(capsule.half_width(np.append(breaks, 0.0))))
    return float(breaks[-1] - breaks[0]), 2.0 * widest


def contact_outline(swab: Swab) -> np.ndarray:
    """Polygon of the contact patch, anticlockwise, shape (n, 2) [m].

    A bud's polygon has its vertices on the curve but for a common factor close to one that makes
    its area equal to `contact_area`.
    """
    if isinstance(swab, Pad):
        corners = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]])
        return turned(0.5 * corners * (swab.length, swab.width), swab.heading)
    capsule = capsule_of(swab)
    breaks = capsule.breaks()
    angle = np.linspace(0.0, math.pi, PIECE_POINTS)[1:]
    parts = [0.5 * (a + b) - 0.5 * (b - a) * np.cos(angle) for a, b in smooth_pieces(capsule)]
    u = np.concatenate([[breaks[0]], *parts])
    v = capsule.half_width(u)
    v[[0, -1]] = 0.0
    points = np.column_stack([np.concatenate([u, u[-2:0:-1]]), np.concatenate([-v, v[-2:0:-1]])])
    points[:, 0] -= 0.5 * (breaks[0] + breaks[-1])
    points *= math.sqrt(section_area(capsule) / polygon_area(points))
    return turned(points, swab.heading)
