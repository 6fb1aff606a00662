"""A section under the swab: the field in a plane across the plate, with lines of equal current.

The plane stands on a straight line through the centre of the contact patch. The field is solved
on `Grid.section`, as if everything went on alike in front of the plane and behind it for as far as
the patch is wide; current lines come from the stream function, which is summed up from the fluxes
between cells and therefore exact for the cells: between two lines flows the same current.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simulate.case.case import Case, all_stops
from simulate.errors import Fault, InputError
from simulate.field.grid import Grid
from simulate.field.potential import Electrode, Field, solve_potential
from simulate.field.supply import Supply
from simulate.materials.lookup import cathode_law
from simulate.materials.metals import anode_law
from simulate.run.window import heights
from simulate.section.current_lines import stream_function
from simulate.stencil.shapes import openings
from simulate.swab.cell_fractions import (
    body_fraction,
    conductivity_factor,
    extent,
    skirt_fraction,
    wire_fraction,
)
from simulate.swab.contact_patch import contact_area, contact_outline
from simulate.swab.geometry import Pad, Swab

Doubles = NDArray[np.float64]


Spans = list[tuple[float, float]]


FINENESS = 100
"""Cells across the contact patch, or across the swab's height if that is less."""


BESIDE = 1.5e-3
"""Shown on either side of the swab [m]."""


@dataclass(frozen=True, eq=False)
class Section:
    """A solved section. Lengths along the line are counted from the patch's centre.

    Parameters
    ----------
    case : what was cut. place : the patch's centre on the plate [m]. angle : of the line, from x
        anticlockwise [rad].
    thickness : for which the section is taken to go on [m]; currents times this are amperes.
    field : potential [V] against the cathode's metal, currents [A/m].
    conductivity : (nz, nx) [S/m]; 0 = insulator or air.
    wet, wire : filled shares of cells, (nz, nx) [-].
    open_spans, wet_span : openings on the line, and the part of it that is wet [m].
    stream : stream function at the corners of cells [A/m], (2, nz + 1, nx + 1): one to be read
        left of the cathode's middle, one right of it. Below the cathode they are the same; above
        it they may differ by the current.
    """

    case: Case
    place: tuple[float, float]
    angle: float
    thickness: float
    field: Field
    conductivity: Doubles
    wet: Doubles
    wire: Doubles
    open_spans: Spans
    wet_span: tuple[float, float]
    stream: Doubles

    @property
    def cathode(self) -> NDArray[np.bool_]:
        """Its cells, (nz, nx)."""
        return np.asarray(self.wire > 0.5)

    @property
    def current(self) -> float:
        """Current from the plate [A]."""
        return self.field.currents["plate"] * self.thickness

    @property
    def plate_density(self) -> tuple[Doubles, Doubles]:
        """Places along the line [m] and current density there [A/m2], over the openings."""
        faces = self.field.faces("plate")
        order = np.argsort(faces.x)
        return faces.x[order], faces.density[order]


def solve_section(
    case: Case, place: tuple[float, float] | None = None, angle: float | None = None
) -> Section:
    """Solve the field in a plane under the swab, which is fresh and stands on unetched metal.

    Parameters
    ----------
    place : centre of the contact patch [m]; None takes the place of the stroke under which most of
        the line is open, without being open throughout.
    angle : of the line from x, anticlockwise [rad]; None takes a line across the swab, or along
        it where that does not meet the cathode.

    Raises
    ------
    InputError : the line meets no cathode, or nothing is open and wet on it; the metal does not
        etch.
    ConvergenceError : the field could not be solved.
    """
    heading = case.swab.heading
    across, along = (math.remainder(heading + turn, math.pi) for turn in (0.5 * math.pi, 0.0))
    angles = [across, along] if angle is None else [angle]
    turned = [(each, _turned(case.swab, each)) for each in angles]
    met = [(each, swab) for each, swab in turned if _meets_cathode(swab)]
    if not met:
        raise InputError(Fault("the line meets no cathode", "a line along the swab", key="angle"))
    angle, swab = met[0]
    wet = _wet_span(swab)
    place = _telling_place(case, angle, wet) if place is None else place
    spans = _open_spans(case, place, angle)
    wet_open = [(max(a, wet[0]), min(b, wet[1])) for a, b in spans]
    if not any(b > a for a, b in wet_open):
        fault = Fault("nothing is open under the swab", "a place over an opening", key="place")
        raise InputError(fault)
    return _solve(case, swab, place, angle, spans, wet)


def _turned(swab: Swab, angle: float) -> Swab:
    """The swab as seen along a line: x runs along it."""
    return replace(swab, heading=swab.heading - angle)


def _meets_cathode(swab: Swab) -> bool:
    """Whether the plane y = 0 meets the cathode."""
    return bool((_slab(swab, *_axes(swab, [], 0.0))[2] > 0.5).any())


def _wet_span(swab: Swab) -> tuple[float, float]:
    """The part of the line under contact patch and skirt [m]."""
    from shapely import LineString, Polygon

    outline = Polygon(contact_outline(swab))
    if swab.skirt_thickness > 0.0:
        outline = outline.buffer(swab.skirt_width, quad_segs=16)
    reach = 2.0 * max(abs(v) for v in extent(swab)[:4])
    low, _, high, _ = LineString([(-reach, 0.0), (reach, 0.0)]).intersection(outline).bounds
    return float(low), float(high)


def _open_spans(case: Case, place: tuple[float, float], angle: float) -> Spans:
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
            for a, b in _open_spans(case, place, angle)
            if min(b, wet[1]) > max(a, wet[0])
        ]
        rims = sum(wet[0] < edge < wet[1] for span in inside for edge in span)
        return min(rims, 4), sum(b - a for a, b in inside)

    return max(chosen, key=worth)


# --- the field --------------------------------------------------------------------------------


def _axes(swab: Swab, marks: list[float], thickness: float) -> tuple[Doubles, Doubles]:
    """Edges along the line, with every mark among them, and in height [m]."""
    low, high, _, _, top = extent(swab)
    cell = min(np.ptp(_wet_span(swab)), top) / FINENESS
    ends = [low - BESIDE, high + BESIDE]
    kept = [mark for mark in sorted(marks) if ends[0] < mark < ends[1]]
    points = [ends[0]]
    for mark in [*kept, ends[1]]:
        if mark - points[-1] > 1e-3 * cell:
            points.append(mark)
    pieces = [
        np.linspace(a, b, max(1, math.ceil((b - a) / cell)) + 1)[:-1] for a, b in pairwise(points)
    ]
    x = np.concatenate([*pieces, points[-1:]])
    return x, heights(thickness or cell, top, cell, capped=isinstance(swab, Pad))


def _slab(swab: Swab, x: Doubles, z: Doubles) -> Doubles:
    """Shares of body, skirt and cathode in cells about the plane, (3, nz, nx), above the mask."""
    width = float(np.diff(x).min())
    above = z[z > -1e-12]
    y = 0.5 * width * np.array([-1.0, 1.0])
    parts = (f(swab, x, y, above)[:, 0] for f in (body_fraction, skirt_fraction, wire_fraction))
    out = np.zeros((3, z.size - 1, x.size - 1))
    out[:, z.size - above.size :] = np.stack(list(parts))
    return out


def _solve(
    case: Case,
    swab: Swab,
    place: tuple[float, float],
    angle: float,
    spans: Spans,
    wet: tuple[float, float],
) -> Section:
    x, z = _axes(swab, [*(edge for span in spans for edge in span), *wet], case.stencil.thickness)
    body, skirt, wire = _slab(swab, x, z)
    free = case.electrolyte.conductivity()
    saturation = case.wick.saturation.value
    wick = free * conductivity_factor(swab.porosity, swab.wick_exponent, saturation)
    kappa = wick * body + free * np.minimum(skirt, 1.0 - np.minimum(body, 1.0))
    middle = 0.5 * (x[1:] + x[:-1])
    is_open = np.any([(middle > a) & (middle < b) for a, b in spans], axis=0)
    if not case.trail:
        is_open &= (middle > wet[0]) & (middle < wet[1])
    kappa[:, :] = np.where((z[1:] < 1e-12)[:, None], free * is_open, kappa)
    plate = np.zeros(kappa.shape, bool)
    plate[0] = is_open
    cathode = wire > 0.5
    across = contact_area(case.swab) / (wet[1] - wet[0])
    moving = bool(all_stops(case).moving.any())
    electrodes = [
        Electrode("plate", plate[:, None], polarisation=anode_law(case.metal, moving)),
        Electrode(
            "cathode",
            cathode[:, None],
            polarisation=cathode_law(case.cathode, case.electrolyte.acidity),
        ),
    ]
    supply = _per_metre(case.supply.after(), across)
    grid = Grid.section(x, z)
    field = solve_potential(grid, kappa[:, None], electrodes, supply, edges="plain")
    return Section(
        case=case,
        place=place,
        angle=angle,
        thickness=across,
        field=field,
        conductivity=np.where(plate | cathode, 0.0, kappa),
        wet=np.where((z[1:] < 1e-12)[:, None], is_open, np.clip(body + skirt, 0.0, 1.0)),
        wire=wire,
        open_spans=spans,
        wet_span=wet,
        stream=stream_function(field, np.where(plate | cathode, 0.0, kappa), plate | cathode),
    )


def _per_metre(supply: Supply, thickness: float) -> Supply:
    """The supply of a section one metre deep that drives each part of it as the true one does."""
    limit = supply.current_limit
    return Supply(
        supply.emf, supply.resistance * thickness, None if limit is None else limit / thickness
    )


def section_summary(section: Section) -> dict[str, Any]:
    """The section in a few numbers, ready for JSON; SI."""
    place, density = section.plate_density
    widths = section.field.faces("plate").area[np.argsort(section.field.faces("plate").x)]
    mean = float((density * widths).sum() / widths.sum())
    return {
        "title": section.case.title,
        "place": {"x": section.place[0], "y": section.place[1], "unit": "m"},
        "angle": {"value": section.angle, "unit": "rad"},
        "thickness": {"value": section.thickness, "unit": "m"},
        "current": {"value": section.current, "unit": "A"},
        "voltage": {"value": section.field.voltage, "unit": "V"},
        "mean_density": {"value": mean, "unit": "A/m2"},
        "highest_density": {"value": float(density.max()), "unit": "A/m2"},
        "densest_place": {"value": float(place[np.argmax(density)]), "unit": "m"},
        "crowding": {"value": float(density.max()) / mean, "unit": "1"},
        "cells": int(section.conductivity.size),
    }
