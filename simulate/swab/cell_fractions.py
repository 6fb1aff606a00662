"""Cut cells of the swab: fractions of cells filled by body, wire and skirt; volumes."""

from __future__ import annotations

import math
from functools import lru_cache
from itertools import pairwise
from typing import Any

import numpy as np

from simulate.stencil.measure import area_fractions
from simulate.swab.contact_patch import capsule_of, contact_outline, integrate, section_area, turned
from simulate.swab.geometry import Bud, Pad, Swab

WIRE_DIVISIONS = 3  # sub-cells per direction around the wire


def _axis(bud: Bud, from_tip: float) -> np.ndarray:
    """Point on the axis at the distance `from_tip` from the tip of the cotton, (3,) [m]."""
    capsule = capsule_of(bud)
    breaks = capsule.breaks()
    step = from_tip - capsule.radius
    u = step * capsule.cosine - 0.5 * (breaks[0] + breaks[-1])
    plan = turned(np.array([u, 0.0]), bud.heading)
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
        lost += integrate(lambda h: _sections(swab, h), a, b)
    return math.pi * radius**2 * (span + 4.0 / 3.0 * radius) - lost


def _sections(bud: Bud, depths: np.ndarray) -> np.ndarray:
    return np.array([section_area(capsule_of(bud, depth)) for depth in depths])


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
