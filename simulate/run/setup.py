"""The course of a run: what is fixed before the first field is solved.

The plate's cells, the window around the swab, the laws of polarisation, the stops and where each of
them stands. Places that come again are the same place, solved once.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from simulate.case.case import Case, all_stops
from simulate.field.polarisation import law_row
from simulate.materials.lookup import cathode_law
from simulate.run.local_solve import Setting, Spot, solve_spots
from simulate.run.metal_surface import (
    Surface,
    layer_limits,
    rest_limits,
    rest_steps,
    surface_after,
    surface_laws,
)
from simulate.run.response_table import FRESH, Responses
from simulate.run.time_march import Rig, make_rig, time_lifted, time_rested
from simulate.run.window import Conductivities, Place, Window
from simulate.stencil.measure import area_fractions, rim_distance
from simulate.stencil.shapes import openings
from simulate.swab.cell_fractions import conductivity_factor
from simulate.swab.stops import Stops

Doubles = NDArray[np.float64]
Integers = NDArray[np.int64]

REST = 0.5
"""Longest stop of a resting swab [s]; longer rests are cut, for heat, gas and salt film."""

PROBES = 8
"""Places at which the width of a flooded window is tried."""

HEADROOM = 2.0
"""Times by which a current density may come to exceed that of a fresh swab."""


@dataclass(frozen=True, eq=False)
class Course:
    """What a run goes along.

    Parameters
    ----------
    case : to be run.
    x, y : edges of the plate's cells [m].
    open_fraction, open_area, rim_distance : of the cells [-], [m2], [m], all (ny, nx).
    setting, rig : for the fields and for the march.
    stops, lifted : in order, and the time in the air before each [s].
    places : in order of first visit; place : that of each stop.
    spots : places, and behind them places at which the swab rests, by how long; spot : that of
        each stop.
    """

    case: Case
    x: Doubles
    y: Doubles
    open_fraction: Doubles
    open_area: Doubles
    rim_distance: Doubles
    setting: Setting
    rig: Rig
    stops: Stops
    lifted: Doubles
    places: tuple[Place, ...]
    place: Integers
    spots: tuple[Spot, ...]
    spot: Integers

    @property
    def shape(self) -> tuple[int, int]:
        """(ny, nx) of the plate's map."""
        return self.y.size - 1, self.x.size - 1

    def piece(self, first: int, last: int) -> Stops:
        """The stops ``first <= n < last``."""
        names = ("x", "y", "dwell", "start", "moving", "pass_index")
        return Stops(**{name: getattr(self.stops, name)[first:last] for name in names})

    def bare(self) -> Surface:
        """The metal before any charge has passed."""
        return surface_after(self.case.metal, np.zeros(self.shape), sinks=False)


def plate_edges(case: Case) -> tuple[Doubles, Doubles]:
    """Edges of the plate's cells along x and y [m]: whole cells, the last may overhang."""
    cell = case.grid.cell / case.grid.finer
    return tuple(  # type: ignore[return-value]
        cell * np.arange(int(np.ceil(size / cell - 1e-9)) + 1)
        for size in (case.plate.width, case.plate.height)
    )


def make_setting(case: Case, open_fraction: Doubles, margin: float = 0.0) -> Setting:
    """The setting of a case, swab freshly wetted, supply fresh.

    margin : of the window about the swab [m].

    Raises
    ------
    InputError : the metal does not etch.
    """
    free = case.electrolyte.conductivity()
    swab = case.swab
    factor = conductivity_factor(swab.porosity, swab.wick_exponent, case.wick.saturation.value)
    cathode = law_row(cathode_law(case.cathode, case.electrolyte.acidity))
    laws = np.vstack([surface_laws(case.metal), cathode])
    cell = case.grid.cell / case.grid.finer
    window = Window(swab, case.stencil.thickness, cell, margin, flooded=case.trail)
    kappa = Conductivities(free, free * factor)
    return Setting(
        window, kappa, laws, case.supply.after(), open_fraction, layer_limits(case.metal)
    )


def lay_out(case: Case, workers: int | None = None) -> Course:
    """The course of a case.

    Raises
    ------
    InputError : the metal does not etch.
    """
    x, y = plate_edges(case)
    geometry = openings(case.stencil)
    open_fraction = area_fractions(geometry, x, y)
    centres = (0.5 * (edges[1:] + edges[:-1]) for edges in (x, y))
    stops = all_stops(case, longest_dwell=REST)
    setting = make_setting(case, open_fraction)
    if setting.window.flooded:
        setting = _wide_enough(case, setting, stops, workers)
    places, place = _places(setting, stops)
    spots, spot = _spots(case, stops, places, place)
    return Course(
        case=case,
        x=x,
        y=y,
        open_fraction=open_fraction,
        open_area=open_fraction * np.outer(np.diff(y), np.diff(x)),
        rim_distance=rim_distance(geometry, *centres),
        setting=setting,
        rig=make_rig(case, setting),
        stops=stops,
        lifted=time_lifted(stops),
        places=places,
        place=place,
        spots=spots,
        spot=spot,
    )


def _places(setting: Setting, stops: Stops) -> tuple[tuple[Place, ...], Integers]:
    """The distinct places in order of first visit, and the place of each stop."""
    stood = list(zip(stops.x.tolist(), stops.y.tolist(), strict=True))
    place = {xy: setting.window.place(*xy) for xy in dict.fromkeys(stood)}
    rank = {each: n for n, each in enumerate(dict.fromkeys(place.values()))}
    number = {xy: rank[each] for xy, each in place.items()}
    return tuple(rank), np.array([number[xy] for xy in stood])


def _spots(
    case: Case, stops: Stops, places: tuple[Place, ...], place: Integers
) -> tuple[tuple[Spot, ...], Integers]:
    """Spots: all places without rest, then those with; and the spot of each stop."""
    rests = rest_steps(case.metal, time_rested(stops))
    pairs = list(zip(place.tolist(), rests.tolist(), strict=True))
    rested = [pair for pair in dict.fromkeys(pairs) if pair[1] > 0]
    row = {(n, 0): n for n in range(len(places))}
    row |= {pair: len(places) + n for n, pair in enumerate(rested)}
    spots = [Spot(each) for each in places] + [Spot(places[n], rest) for n, rest in rested]
    return tuple(spots), np.array([row[pair] for pair in pairs])


def _wide_enough(case: Case, setting: Setting, stops: Stops, workers: int | None) -> Setting:
    """A flooded window, doubled in margin until next to no current reaches its rim."""
    bare = surface_after(case.metal, np.zeros_like(setting.open_fraction), sinks=False)
    margin = 4.0 * setting.window.cell
    while True:
        setting = replace(setting, window=replace(setting.window, margin=margin))
        places, _ = _places(setting, stops)
        some = [(Spot(place), [1.0]) for place in places[:: -(-len(places) // PROBES)]]
        nodes = [found for (found,) in solve_spots(setting, bare, some, workers)]
        rim = sum(node.total * node.rim for node in nodes)
        if rim <= case.grid.rim_tolerance * sum(node.total for node in nodes):
            return setting
        margin *= 2.0


def without_films(course: Course, survey: Responses) -> Course:
    """The course with rests left out where no salt film can come on.

    survey : fields of places with the swab fresh; a place without one keeps its rests.
    """
    highest = np.full(len(course.places), np.inf)
    for n in range(len(course.places)):
        if (n, FRESH) in survey.nodes:
            node = survey.nodes[n, FRESH]
            highest[n] = (node.current / node.area).max(initial=0.0)
    limits = rest_limits(course.case.metal)[[spot.rest for spot in course.spots]]
    filmed = HEADROOM * highest[course.place] > limits[course.spot]
    return replace(course, spot=np.where(filmed, course.spot, course.place))
