"""A line across the plate through the swab: what stands on it, openings and swab.

Lengths along the line are counted from the centre of the contact patch.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from simulate.case.case import Case, all_stops
from simulate.errors import Fault, InputError
from simulate.field.supply import Supply
from simulate.stencil.shapes import openings
from simulate.swab.cell_fractions import (
    body_fraction,
    conductivity_factor,
    extent,
    skirt_fraction,
    wire_fraction,
)
from simulate.swab.contact_patch import contact_area, contact_outline
from simulate.swab.geometry import Swab

Doubles = NDArray[np.float64]
Spans = list[tuple[float, float]]

FINENESS = 100
"""Cells across the contact patch, or across the swab's height if that is less."""


@dataclass(frozen=True, eq=False)
class CutLine:
    """A line through the swab.

    Parameters
    ----------
    case : what is cut. place : the patch's centre on the plate [m]. angle : of the line, from x
        anticlockwise [rad].
    swab : as seen along the line: x runs along it.
    open_spans, wet_span : openings on the line, and the part of it under patch and skirt [m].
    """

    case: Case
    place: tuple[float, float]
    angle: float
    swab: Swab
    open_spans: Spans
    wet_span: tuple[float, float]

    @property
    def thickness(self) -> float:
        """For which a section on the line is taken to go on [m]: the patch's mean width across."""
        return contact_area(self.case.swab) / (self.wet_span[1] - self.wet_span[0])

    @property
    def supply(self) -> Supply:
        """The supply of a section one metre deep that drives each part of it as the true one."""
        supply, limit = self.case.supply.after(), self.case.supply.after().current_limit
        resistance = supply.resistance * self.thickness
        return Supply(supply.emf, resistance, None if limit is None else limit / self.thickness)

    @property
    def moving(self) -> bool:
        """Whether the swab strokes."""
        return bool(all_stops(self.case).moving.any())

    @property
    def dissolving_spans(self) -> Spans:
        """The parts of openings that are wet, from left to right [m]."""
        if self.case.trail:
            return self.open_spans
        low, high = self.wet_span
        inside = [(max(a, low), min(b, high)) for a, b in self.open_spans]
        return [(a, b) for a, b in inside if b > a]

    def open_columns(self, x: Doubles) -> NDArray[np.bool_]:
        """Cells between edges x whose middle lies over wet open metal, (nx,)."""
        middle = 0.5 * (x[1:] + x[:-1])
        spans = self.dissolving_spans
        return np.asarray(np.any([(middle > a) & (middle < b) for a, b in spans], axis=0))

    def shares(self, x: Doubles, z: Doubles) -> Doubles:
        """Shares of body, skirt and cathode in cells about the plane, (3, nz, nx).

        z : edges counted from the mask's upper face; nothing of them lies below it.
        """
        width = float(np.diff(x).min())
        above = z[z > -1e-12]
        y = 0.5 * width * np.array([-1.0, 1.0])
        parts = (body_fraction, skirt_fraction, wire_fraction)
        out = np.zeros((3, z.size - 1, x.size - 1))
        out[:, z.size - above.size :] = np.stack(
            [part(self.swab, x, y, above)[:, 0] for part in parts]
        )
        return out

    def conductivity(self, x: Doubles, z: Doubles, shares: Doubles) -> Doubles:
        """Conductivity of cells that are no cathode (nz, nx) [S/m]: swab, skirt, wet openings."""
        body, skirt, _ = shares
        free = self.case.electrolyte.conductivity()
        saturation = self.case.wick.saturation.value
        factor = conductivity_factor(self.swab.porosity, self.swab.wick_exponent, saturation)
        kappa = free * factor * body + free * np.minimum(skirt, 1.0 - np.minimum(body, 1.0))
        in_mask = z[1:] < 1e-12
        return np.where(in_mask[:, None], free * self.open_columns(x), kappa)


def find_line(
    case: Case, place: tuple[float, float] | None = None, angle: float | None = None
) -> CutLine:
    """The line through the swab that is meant, or one that tells most.

    Parameters
    ----------
    place : centre of the contact patch [m]; None takes the place of the stroke under which most of
        the line is open, without being open throughout.
    angle : of the line from x, anticlockwise [rad]; None takes a line across the swab, or along
        it where that does not meet the cathode.

    Raises
    ------
    InputError : the line meets no cathode, or nothing is open and wet on it.
    """
    heading = case.swab.heading
    across, along = (math.remainder(heading + turn, math.pi) for turn in (0.5 * math.pi, 0.0))
    angles = [across, along] if angle is None else [angle]
    turned = [(each, _turned(case.swab, each)) for each in angles]
    met = [(each, swab) for each, swab in turned if _meets_cathode(swab)]
    if not met:
        raise InputError(Fault("the line meets no cathode", "a line along the swab", key="angle"))
    angle, swab = met[0]
    wet = wet_span(swab)
    place = _telling_place(case, angle, wet) if place is None else place
    spans = open_spans(case, place, angle)
    if not any(min(b, wet[1]) > max(a, wet[0]) for a, b in spans):
        fault = Fault("nothing is open under the swab", "a place over an opening", key="place")
        raise InputError(fault)
    return CutLine(case, place, angle, swab, spans, wet)


def _turned(swab: Swab, angle: float) -> Swab:
    """The swab as seen along a line: x runs along it."""
    return replace(swab, heading=swab.heading - angle)


def _meets_cathode(swab: Swab) -> bool:
    """Whether the plane y = 0 meets the cathode."""
    low, high, *_, top = extent(swab)
    cell = min(high - low, top) / FINENESS
    x = np.linspace(low, high, math.ceil((high - low) / cell) + 1)
    z = np.linspace(0.0, 1.2 * top, math.ceil(1.2 * top / cell) + 1)
    y = 0.5 * cell * np.array([-1.0, 1.0])
    return bool((wire_fraction(swab, x, y, z) > 0.5).any())


def wet_span(swab: Swab) -> tuple[float, float]:
    """The part of the line under contact patch and skirt [m]."""
    from shapely import LineString, Polygon

    outline = Polygon(contact_outline(swab))
    if swab.skirt_thickness > 0.0:
        outline = outline.buffer(swab.skirt_width, quad_segs=16)
    reach = 2.0 * max(abs(v) for v in extent(swab)[:4])
    low, _, high, _ = LineString([(-reach, 0.0), (reach, 0.0)]).intersection(outline).bounds
    return float(low), float(high)


def open_spans(case: Case, place: tuple[float, float], angle: float) -> Spans:
    """The openings that the line crosses, from left to right [m]."""
    from shapely import LineString, get_parts

    reach = math.hypot(case.plate.width, case.plate.height)
    step = np.array([math.cos(angle), math.sin(angle)])
    line = LineString([np.asarray(place) + s * step for s in (-reach, reach)])
    spans = []
    for part in get_parts(line.intersection(openings(case.stencil))):
        if part.geom_type == "LineString" and part.length > 0.0:
            ends = [
                float((np.asarray(end) - place) @ step) for end in (part.coords[0], part.coords[-1])
            ]
            spans.append((min(ends), max(ends)))
    return sorted(spans)


def _telling_place(case: Case, angle: float, wet: tuple[float, float]) -> tuple[float, float]:
    """The stop under which openings and mask alternate most; of equals the one most open."""
    stops = all_stops(case)
    places = list(dict.fromkeys(zip(stops.x.tolist(), stops.y.tolist(), strict=True)))
    chosen = places[:: max(1, len(places) // 200)]

    def worth(place: tuple[float, float]) -> tuple[int, float]:
        inside = [
            (max(a, wet[0]), min(b, wet[1]))
            for a, b in open_spans(case, place, angle)
            if min(b, wet[1]) > max(a, wet[0])
        ]
        rims = sum(wet[0] < edge < wet[1] for span in inside for edge in span)
        return min(rims, 4), sum(b - a for a, b in inside)

    return max(chosen, key=worth)
