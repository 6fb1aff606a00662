"""The swab: a cotton bud or a felt pad, its contact patch, its cathode and its skirt.

Coordinates are relative to the centre of the contact patch in plan; z = 0 is the mask's upper face
and the swab's flat underside, z up. All lengths [m], angles [rad].

A *bud* is a capsule (cylinder with hemispherical ends) pressed on the mask: the part of the capsule
below z = 0 is taken away, and the section at z = 0 is the contact patch. A *pad* is a block.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache, lru_cache
from itertools import pairwise
from typing import Any

import numpy as np

from simulate.rules import Rule, above_zero, check
from simulate.stencil.shapes import area_fractions

PIECE_POINTS = 33  # points per smooth piece of a contact outline
WIRE_DIVISIONS = 3  # sub-cells per direction around the wire


def _common_rules(swab: Bud | Pad) -> list[Rule]:
    """Rules for what bud and pad share: wick and skirt."""
    return [
        ("porosity", 0 < swab.porosity < 1, "not a porosity", "between 0 and 1"),
        ("wick_exponent", 1 <= swab.wick_exponent <= 5, "not a wick exponent", "1 to 5"),
        ("skirt_width", 0 <= swab.skirt_width < 0.1, "not a skirt width", "0 to 100 mm"),
        ("skirt_thickness", 0 <= swab.skirt_thickness < 0.01, "not a film", "0 to 10 mm"),
        ("heading", math.isfinite(swab.heading), "not an angle", "a finite angle"),
    ]


@dataclass(frozen=True)
class Bud:
    """A cotton bud: a capsule lying at `tilt`, pressed flat underneath.

    Parameters
    ----------
    diameter, length : of the cotton; length from tip to stick end, round ends included [m].
    press : how far the lowest point would lie below the mask if the cotton did not yield [m].
    tilt : of the axis from the plate plane, 0 lying to pi/2 upright [rad].
    heading : plan direction of the axis from tip to stick end, anticlockwise from x [rad].
    wire_diameter : of the cathode wire on the axis [m].
    wire_gap : from the tip of the cotton to the end of the wire, along the axis [m].
    porosity : of the cotton under load [-].
    wick_exponent : m in conductivity = electrolyte * porosity^m [-].
    skirt_width, skirt_thickness : of the film of liquid around the contact patch [m].

    Raises
    ------
    InputError : with every fault found; ``key`` is the field's name.
    """

    diameter: float
    length: float
    press: float
    tilt: float = 0.0
    heading: float = 0.0
    wire_diameter: float = 0.8e-3
    wire_gap: float = 3e-3
    porosity: float = 0.86
    wick_exponent: float = 1.7
    skirt_width: float = 0.0
    skirt_thickness: float = 0.0

    def __post_init__(self) -> None:
        rules = above_zero(self, "diameter", "length", "press", "wire_diameter", "wire_gap")
        rules += _common_rules(self)
        rules.append(("tilt", 0 <= self.tilt <= math.pi / 2, "not a tilt", "0 to 90 deg"))
        check(self, rules)
        lowest = (
            0.5 * self.diameter
            - self.press
            + (self.wire_gap - 0.5 * self.diameter) * math.sin(self.tilt)
            - 0.5 * self.wire_diameter * math.cos(self.tilt)
        )
        check(
            self,
            [
                (
                    "length",
                    self.length >= self.diameter,
                    "shorter than the bud is thick",
                    f"at least {self.diameter:g} m",
                ),
                (
                    "press",
                    self.press < 0.5 * self.diameter,
                    "presses past the axis",
                    f"below {0.5 * self.diameter:g} m",
                ),
                (
                    "wire_gap",
                    self.wire_gap < self.length,
                    "longer than the bud",
                    f"below {self.length:g} m",
                ),
                (
                    "wire_diameter",
                    self.wire_diameter < self.diameter,
                    "thicker than the bud",
                    f"below {self.diameter:g} m",
                ),
            ],
        )
        check(
            self,
            [
                (
                    "wire_gap",
                    lowest > 0,
                    f"the wire would reach {-lowest:.2g} m below the mask's face",
                    "less press, a thinner wire or a larger gap",
                )
            ],
        )


@dataclass(frozen=True)
class Pad:
    """A block of felt on the mask; its back, the top face, is the cathode.

    Parameters
    ----------
    width : across the heading [m].
    length : along the heading [m].
    height : from the mask to the back [m].
    heading : of the length, anticlockwise from x [rad].
    porosity, wick_exponent, skirt_width, skirt_thickness : as in `Bud`.

    Raises
    ------
    InputError : with every fault found; ``key`` is the field's name.
    """

    width: float
    length: float
    height: float
    heading: float = 0.0
    porosity: float = 0.86
    wick_exponent: float = 1.7
    skirt_width: float = 0.0
    skirt_thickness: float = 0.0

    def __post_init__(self) -> None:
        check(self, above_zero(self, "width", "length", "height") + _common_rules(self))


Swab = Bud | Pad


@dataclass(frozen=True)
class _Capsule:
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


def _capsule(bud: Bud, depth: float = 0.0) -> _Capsule:
    """The bud seen from the plane at z = -depth."""
    radius = 0.5 * bud.diameter
    return _Capsule(
        radius=radius,
        span=bud.length - bud.diameter,
        cosine=math.cos(bud.tilt),
        sine=math.sin(bud.tilt),
        z=radius - bud.press + depth,
    )


def _pieces(capsule: _Capsule) -> Iterator[tuple[float, float]]:
    breaks = capsule.breaks()
    return ((a, b) for a, b in pairwise(breaks) if b > a)


@cache
def _gauss() -> tuple[np.ndarray, np.ndarray]:
    nodes, weights = np.polynomial.legendre.leggauss(40)
    return nodes, weights


def _integrate(function: Callable[[np.ndarray], np.ndarray], a: float, b: float) -> float:
    """Gauss's rule in the angle: exact to round-off also for square-root ends."""
    nodes, weights = _gauss()
    angle = 0.5 * math.pi * (nodes + 1.0)
    half = 0.5 * (b - a)
    values = function(0.5 * (a + b) - half * np.cos(angle))
    return float(np.sum(weights * values * np.sin(angle)) * half * 0.5 * math.pi)


def _section_area(capsule: _Capsule) -> float:
    return sum(2.0 * _integrate(capsule.half_width, a, b) for a, b in _pieces(capsule))


def _turn(points: np.ndarray, heading: float) -> np.ndarray:
    cosine, sine = math.cos(heading), math.sin(heading)
    turned: np.ndarray = points @ np.array([[cosine, sine], [-sine, cosine]])
    return turned


def _polygon_area(points: np.ndarray) -> float:
    x, y = points.T
    return 0.5 * float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1)))


@lru_cache(maxsize=32)
def contact_area(swab: Swab) -> float:
    """Area of the contact patch [m2], to round-off."""
    if isinstance(swab, Pad):
        return swab.width * swab.length
    return _section_area(_capsule(swab))


def contact_size(swab: Swab) -> tuple[float, float]:
    """Length along the heading and greatest width across it of the contact patch [m]."""
    if isinstance(swab, Pad):
        return swab.length, swab.width
    capsule = _capsule(swab)
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
        return _turn(0.5 * corners * (swab.length, swab.width), swab.heading)
    capsule = _capsule(swab)
    breaks = capsule.breaks()
    angle = np.linspace(0.0, math.pi, PIECE_POINTS)[1:]
    parts = [0.5 * (a + b) - 0.5 * (b - a) * np.cos(angle) for a, b in _pieces(capsule)]
    u = np.concatenate([[breaks[0]], *parts])
    v = capsule.half_width(u)
    v[[0, -1]] = 0.0
    points = np.column_stack([np.concatenate([u, u[-2:0:-1]]), np.concatenate([-v, v[-2:0:-1]])])
    points[:, 0] -= 0.5 * (breaks[0] + breaks[-1])
    points *= math.sqrt(_section_area(capsule) / _polygon_area(points))
    return _turn(points, swab.heading)


def _axis(bud: Bud, from_tip: float) -> np.ndarray:
    """Point on the axis at the distance `from_tip` from the tip of the cotton, (3,) [m]."""
    capsule = _capsule(bud)
    breaks = capsule.breaks()
    step = from_tip - capsule.radius
    u = step * capsule.cosine - 0.5 * (breaks[0] + breaks[-1])
    plan = _turn(np.array([u, 0.0]), bud.heading)
    return np.array([plan[0], plan[1], capsule.z + step * capsule.sine])


@lru_cache(maxsize=8)
def _skirt_ring(swab: Swab) -> Any:
    """The ring around the contact patch that the skirt covers, a shapely polygon [m]."""
    from shapely import Polygon

    patch = Polygon(contact_outline(swab))
    return patch.buffer(swab.skirt_width, quad_segs=16).difference(patch)


def extent(swab: Swab) -> tuple[float, float, float, float, float]:
    """Box around the wet body and its skirt: x_min, x_max, y_min, y_max, z_max [m]."""
    plan = contact_outline(swab)
    low, high = plan.min(axis=0) - swab.skirt_width, plan.max(axis=0) + swab.skirt_width
    if isinstance(swab, Pad):
        return low[0], high[0], low[1], high[1], max(swab.height, swab.skirt_thickness)
    radius = 0.5 * swab.diameter
    ends = np.array([_axis(swab, radius), _axis(swab, swab.length - radius)])
    low = np.minimum(low, ends[:, :2].min(axis=0) - radius)
    high = np.maximum(high, ends[:, :2].max(axis=0) + radius)
    top = max(float(ends[:, 2].max()) + radius, swab.skirt_thickness)
    return float(low[0]), float(high[0]), float(low[1]), float(high[1]), top


def _edges(*axes: np.ndarray) -> list[np.ndarray]:
    return [np.array(axis, dtype=np.float64, order="C") for axis in axes]


def _empty(x: np.ndarray, y: np.ndarray, z: np.ndarray) -> np.ndarray:
    return np.empty((len(z) - 1, len(y) - 1, len(x) - 1))


def body_fraction(swab: Swab, x: np.ndarray, y: np.ndarray, z: np.ndarray) -> np.ndarray:
    """Part of each cell inside the wet body, wire included, (nz, ny, nx) [-].

    x, y, z : cell edges relative to the contact patch's centre and the mask's face [m].
    Second-order accurate in volume and smooth in position.
    """
    from simulate.kernels import swab_shape

    x, y, z = _edges(x, y, z)
    out = _empty(x, y, z)
    if isinstance(swab, Pad):
        plan = (swab.length, swab.width, swab.heading)
        swab_shape.fill_block(x, y, z, plan, 0.0, swab.height, out)
        return out
    radius = 0.5 * swab.diameter
    start, end = _axis(swab, radius), _axis(swab, swab.length - radius)
    swab_shape.fill_capsule(x, y, z, start, end, radius, out)
    return out


def wire_fraction(swab: Swab, x: np.ndarray, y: np.ndarray, z: np.ndarray) -> np.ndarray:
    """Part of each cell inside the cathode, (nz, ny, nx) [-]; edges as in `body_fraction`.

    Bud: the wire on the axis, from `wire_gap` short of the tip to the stick end. Pad: the metal
    back, everything above `height` within the pad's outline, as far up as the cells go.
    """
    from simulate.kernels import swab_shape

    x, y, z = _edges(x, y, z)
    out = _empty(x, y, z)
    if isinstance(swab, Pad):
        plan = (swab.length, swab.width, swab.heading)
        top = max(float(z[-1]), swab.height)
        swab_shape.fill_block(x, y, z, plan, swab.height, top, out)
        return out
    start, end = _axis(swab, swab.wire_gap), _axis(swab, swab.length)
    radius = 0.5 * swab.wire_diameter
    swab_shape.fill_cylinder(x, y, z, start, end, radius, WIRE_DIVISIONS, out)
    return out


def skirt_fraction(swab: Swab, x: np.ndarray, y: np.ndarray, z: np.ndarray) -> np.ndarray:
    """Part of each cell inside the skirt, (nz, ny, nx) [-]; edges as in `body_fraction`.

    A film of `skirt_thickness` on the mask within `skirt_width` outside the contact outline, exact
    by area. Under a bud's overhang it overlaps the body: a cell is wet to min(1, body + skirt).
    """
    x, y, z = _edges(x, y, z)
    if swab.skirt_width == 0.0 or swab.skirt_thickness == 0.0:
        return np.zeros_like(_empty(x, y, z))
    plan = area_fractions(_skirt_ring(swab), x, y)
    film = np.clip(np.minimum(z[1:], swab.skirt_thickness) - np.maximum(z[:-1], 0.0), 0.0, None)
    filled: np.ndarray = (film / np.diff(z))[:, None, None] * plan
    return filled


@lru_cache(maxsize=32)
def body_volume(swab: Swab) -> float:
    """Volume of the pressed body [m3]: a bud's capsule less its part below z = 0, to round-off."""
    if isinstance(swab, Pad):
        return swab.width * swab.length * swab.height
    radius, span = 0.5 * swab.diameter, swab.length - swab.diameter
    lost = 0.0
    second = span * math.sin(swab.tilt)  # how much higher the far end lies than the tip
    levels = [0.0, swab.press] if second >= swab.press else [0.0, swab.press - second, swab.press]
    for a, b in pairwise(levels):
        lost += _integrate(lambda h: _sections(swab, h), a, b)
    return math.pi * radius**2 * (span + 4.0 / 3.0 * radius) - lost


def _sections(bud: Bud, depths: np.ndarray) -> np.ndarray:
    return np.array([_section_area(_capsule(bud, depth)) for depth in depths])


def wet_volume(swab: Swab) -> float:
    """Liquid held by the swab when full: porosity times the body less the wire [m3]."""
    wire = 0.0
    if isinstance(swab, Bud):
        wire = 0.25 * math.pi * swab.wire_diameter**2 * (swab.length - swab.wire_gap)
    return swab.porosity * (body_volume(swab) - wire)


def cathode_area(swab: Swab) -> float:
    """Wetted surface of the cathode [m2]: the wire's side and end, or the pad's back."""
    if isinstance(swab, Bud):
        radius = 0.5 * swab.wire_diameter
        return 2 * math.pi * radius * (swab.length - swab.wire_gap) + math.pi * radius**2
    return swab.width * swab.length


def conductivity_factor(
    porosity: float, exponent: float, saturation: float = 1.0, gas: float = 0.0
) -> float:
    """Conductivity of the wet body over that of the free electrolyte [-].

    saturation^2 * porosity^exponent * (1 - gas)^1.5; the first and last after Archie (1942) and
    Bruggeman (1935), from memory. saturation : liquid over liquid when full [-]. gas : gas in the
    liquid by volume [-]. Exponent 1.7 (1.5 to 1.9) for cotton.
    """
    return float(saturation**2 * porosity**exponent * (1.0 - gas) ** 1.5)
