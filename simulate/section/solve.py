"""A section under the swab: the field in a plane across the plate, with lines of equal current.

The plane stands on a straight line through the centre of the contact patch. The field is solved
on `Grid.section`, as if everything went on alike in front of the plane and behind it for as far as
the patch is wide; current lines come from the stream function, which is summed up from the fluxes
between cells and therefore exact for the cells: between two lines flows the same current.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simulate.case.case import Case
from simulate.field.grid import Grid
from simulate.field.potential import Electrode, Field, solve_potential
from simulate.materials.lookup import cathode_law
from simulate.materials.metals import anode_law
from simulate.run.window import heights
from simulate.section.current_lines import stream_function
from simulate.section.line import FINENESS, CutLine, Spans, find_line
from simulate.swab.cell_fractions import extent
from simulate.swab.geometry import Pad

Doubles = NDArray[np.float64]


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
    return _solve(find_line(case, place, angle))


def _axes(line: CutLine) -> tuple[Doubles, Doubles]:
    """Edges along the line, with every rim and end of what is wet among them, and in height [m]."""
    swab, thickness = line.swab, line.case.stencil.thickness
    low, high, _, _, top = extent(swab)
    cell = min(line.wet_span[1] - line.wet_span[0], top) / FINENESS
    ends = [low - BESIDE, high + BESIDE]
    marks = sorted([*(edge for span in line.open_spans for edge in span), *line.wet_span])
    kept = [mark for mark in marks if ends[0] < mark < ends[1]]
    points = [ends[0]]
    for mark in [*kept, ends[1]]:
        if mark - points[-1] > 1e-3 * cell:
            points.append(mark)
    pieces = [
        np.linspace(a, b, max(1, math.ceil((b - a) / cell)) + 1)[:-1] for a, b in pairwise(points)
    ]
    x = np.concatenate([*pieces, points[-1:]])
    return x, heights(thickness or cell, top, cell, capped=isinstance(swab, Pad))


def _solve(line: CutLine) -> Section:
    case = line.case
    x, z = _axes(line)
    shares = line.shares(x, z)
    body, skirt, wire = shares
    kappa = line.conductivity(x, z, shares)
    is_open = line.open_columns(x)
    plate = np.zeros(kappa.shape, bool)
    plate[0] = is_open
    cathode = wire > 0.5
    electrodes = [
        Electrode("plate", plate[:, None], polarisation=anode_law(case.metal, line.moving)),
        Electrode(
            "cathode",
            cathode[:, None],
            polarisation=cathode_law(case.cathode, case.electrolyte.acidity),
        ),
    ]
    grid = Grid.section(x, z)
    field = solve_potential(grid, kappa[:, None], electrodes, line.supply, edges="plain")
    conducts = np.where(plate | cathode, 0.0, kappa)
    return Section(
        case=case,
        place=line.place,
        angle=line.angle,
        thickness=line.thickness,
        field=field,
        conductivity=conducts,
        wet=np.where((z[1:] < 1e-12)[:, None], is_open, np.clip(body + skirt, 0.0, 1.0)),
        wire=wire,
        open_spans=line.open_spans,
        wet_span=line.wet_span,
        stream=stream_function(field, conducts, plate | cathode),
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
