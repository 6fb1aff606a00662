"""The same case with any of its causes taken away.

Depth is (depth per charge) x (contact time) x (mean current density while wet). The last is a
product of exact maps again, each made by solving the case once more without something:

    density = swab x opening x edge x drift

    swab     current on a bare plate, where there is no mask, under the same swab at the same stops
    opening  current through the stencil over that on the bare plate, evened within each opening as
             a tall wall of mask would
    edge     what the evening took away
    drift    the run itself over one whose swab and supply stay fresh and whose metal stays bare

Each cause is taken away by putting 1 for its map. Two need other maps instead: without
polarisation and film, all are those of a solve with ideal electrodes; without the swab's shape,
opening and edge are those under a uniform slab over all of the stencil, whose resistance per area
is the swab's mean one. So every set of causes has its own map of depth, all of them together give
the run's, and none gives the same depth everywhere.

On the bare plate and under the slab the supply gives the mean current density that the run has
while wet, so that polarisation and film are met as they are in the run.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from simulate.explain.recess_smoothing import evened
from simulate.field.polarisation import law_row
from simulate.field.supply import Supply
from simulate.materials.removal import depth_from_charge
from simulate.result.result import Result
from simulate.run.local_solve import Setting, Spot, solve_places, solve_spots
from simulate.run.response_table import FRESH, Responses
from simulate.run.setup import Course, lay_out, without_films
from simulate.run.window import Place, Window
from simulate.stencil.measure import area_fractions, local_width
from simulate.stencil.shapes import Stencil, openings
from simulate.swab.geometry import Pad

Doubles = NDArray[np.float64]
Integers = NDArray[np.int64]
Progress = Callable[[int, int], None]
Visits = Mapping[Place, float]
Region = tuple[float, float, float, float]

BEYOND = 2.0
"""The slab reaches so many of its heights past the openings."""


@dataclass(frozen=True)
class Cause:
    """A cause of uneven depth: ``label`` in words, and what it is taken away ``against``."""

    label: str
    against: str


CAUSES: Mapping[str, Cause] = MappingProxyType(
    {
        "edge": Cause("mask edge", "a mask tall enough to even out its edge"),
        "opening": Cause("opening size and neighbours", "one wide opening by itself"),
        "polarisation": Cause("polarisation and film", "electrodes that offer no resistance"),
        "swab": Cause("swab shape and rim", "a uniform slab"),
        "stroke": Cause("stroke", "the same contact time everywhere"),
        "drift": Cause("drift of swab and supply", "swab and supply as fresh as at the start"),
    }
)
"""All causes by name; a set of them is numbered by its bits in this order."""


@dataclass(frozen=True, eq=False)
class Factors:
    """Maps whose products are the charge density with any set of causes, each (ny, nx) [-].

    time : under the wet patch, over its mean. swab, opening, edge : by whether (polarisation,
    swab shape) act; swab by polarisation alone. drift : see the module. result : the run.
    """

    result: Result
    time: Doubles
    swab: Mapping[bool, Doubles]
    opening: Mapping[tuple[bool, bool], Doubles]
    edge: Mapping[tuple[bool, bool], Doubles]
    drift: Doubles

    def charge(self, causes: Iterable[str]) -> Doubles:
        """Charge density with a set of causes at work [C/m2]; its mean is always the run's."""
        acting = set(causes)
        polarised, shaped = "polarisation" in acting, "swab" in acting
        product = self.time.copy() if "stroke" in acting else np.ones_like(self.time)
        for name, factor in (
            ("swab", self.swab[polarised]),
            ("opening", self.opening[polarised, shaped]),
            ("edge", self.edge[polarised, shaped]),
            ("drift", self.drift),
        ):
            if name in acting:
                product *= factor
        area = self.result.open_area
        mean = float((self.result.charge_density * area).sum() / (product * area).sum())
        return product * np.where(area > 0.0, mean, 0.0)

    def depth(self, causes: Iterable[str]) -> Doubles:
        """Depth with a set of causes at work [m]; all of them give the run's."""
        return depth_from_charge(self.result.case.metal, self.charge(causes))


def factors_of(result: Result, progress: Progress | None = None) -> Factors:
    """Solve the counterfactuals of a run.

    Costs about as much as two surveys of the case's places: one with ideal electrodes, one with
    fresh swab and supply; bare plate and slab are a small part of it.

    Parameters
    ----------
    progress : called with the fields solved and an estimate of how many there will be.
    """
    case = result.case
    course = lay_out(case)
    fresh, ideal = course.setting, without_polarisation(course.setting)
    stops = course.stops.dwell[: result.time.size]
    tick = _counted(progress, 2 * len(course.places))
    visits = _visits(course.places, course.place[: stops.size], stops)
    charge = {}
    charge[False] = _charge(ideal, [Spot(place) for place in visits], list(visits.values()), tick)
    charge[True], rest = _filmed_charge(course, stops, tick)

    area = result.open_area
    inside = area > 0.0
    width = local_width(openings(case.stencil), result.x, result.y)
    cell = (fresh.window.cell, fresh.window.cell)
    contact = wet_time(fresh.window, visits, area.shape)
    wet = (
        wet_time(fresh.window, visits, area.shape, everywhere=True)
        if fresh.window.flooded
        else contact
    )
    reached = inside & (wet > 0.0)
    level = {kind: float(part.sum() / (contact * area).sum()) for kind, part in charge.items()}
    bare, resistance = bare_charge(at_level(ideal, level[False], 1.0), visits, area.shape)
    slab = slab_for(ideal, resistance)
    drive = resistance * level[False] / (ideal.supply.emf - _rest_voltage(fresh))
    swab, opening, edge = {}, {}, {}
    for polarised, setting in ((False, ideal), (True, replace(fresh, laws=fresh.laws_at(rest)))):
        given = at_level(setting, level[polarised], drive)
        if polarised:
            bare, _ = bare_charge(given, visits, area.shape)
        whole = np.zeros(area.shape)
        _add_at(whole, *slab_density(given, slab, case.stencil))
        swab[polarised] = _ratio(bare, wet, reached)
        for shaped, ratio, weight in (
            (True, _ratio(charge[polarised], bare * area, reached), bare * area * reached),
            (False, np.where(inside, whole, 1.0), area),
        ):
            opening[polarised, shaped] = evened(ratio, weight, width, cell)
            edge[polarised, shaped] = _ratio(ratio, opening[polarised, shaped], inside)
    drift = _ratio(result.charge_density * area, charge[True], reached)
    return Factors(result, np.where(inside, wet, 0.0), swab, opening, edge, drift)


def _visits(places: Sequence[Place], place: Integers, dwell: Doubles) -> Visits:
    """Time at each place that is visited at all [s], in order of first visit."""
    time = np.bincount(place, weights=dwell, minlength=len(places))
    return {each: float(time[n]) for n, each in enumerate(places) if time[n] > 0.0}


def _charge(
    setting: Setting, spots: Sequence[Spot], time: Sequence[float], tick: Callable[[], None]
) -> Doubles:
    """Charge that passes each cell of the plate [C], (ny, nx)."""
    charge = np.zeros(setting.open_fraction.size)
    fields = solve_spots(setting, None, [(spot, (1.0,)) for spot in spots])
    for (field,), duration in zip(fields, time, strict=True):
        charge[field.cells] += duration * field.current
        tick()
    return charge.reshape(setting.open_fraction.shape)


def _filmed_charge(course: Course, dwell: Doubles, tick: Callable[[], None]) -> tuple[Doubles, int]:
    """Charge with swab and supply fresh [C], (ny, nx), salt films as they come on while the swab
    rests; and the step of rest at which most of it passes."""
    setting = course.setting
    responses = Responses(course.spots, setting.supply, setting.fold)
    survey = solve_spots(setting, None, [(Spot(place), (1.0,)) for place in course.places])
    for row, (field,) in enumerate(survey):
        responses.nodes[row, FRESH] = field
        tick()
    spot = without_films(course, responses).spot[: dwell.size]
    rows = [int(row) for row in np.unique(spot)]
    films = [row for row in rows if (row, FRESH) not in responses.nodes]
    solved = solve_spots(setting, None, [(course.spots[row], (1.0,)) for row in films])
    for row, (field,) in zip(films, solved, strict=True):
        responses.nodes[row, FRESH] = field
    time = np.bincount(spot, weights=dwell, minlength=len(course.spots))
    charge = np.zeros(setting.open_fraction.size)
    passed: dict[int, float] = {}
    for row in rows:
        field, rest = responses.nodes[row, FRESH], course.spots[row].rest
        charge[field.cells] += time[row] * field.current
        passed[rest] = passed.get(rest, 0.0) + time[row] * field.total
    return charge.reshape(course.shape), max(passed, key=passed.__getitem__)


def _ratio(above: Doubles, below: Doubles, where: NDArray[np.bool_]) -> Doubles:
    """above / below where something is etched, 1 elsewhere."""
    good = where & (below > 0.0) & (above > 0.0)
    return np.divide(above, below, out=np.ones_like(above), where=good)


def _counted(progress: Progress | None, total: int) -> Callable[[], None]:
    done = 0

    def tick() -> None:
        nonlocal done
        done += 1
        if progress is not None:
            progress(done, total)

    return tick


def without_polarisation(setting: Setting) -> Setting:
    """The setting with ideal electrodes at the same potentials at no current."""
    laws = np.array([law_row(None)] * len(setting.laws))
    laws[:, 7] = setting.laws[:, 7]
    return replace(setting, laws=laws, limits=np.zeros((0, 0)))


def _rest_voltage(setting: Setting) -> float:
    """Voltage between plate and cathode at no current [V]."""
    return setting.equilibrium[0] - setting.equilibrium[1]


def wet_time(
    window: Window, visits: Visits, shape: tuple[int, ...], *, everywhere: bool = False
) -> Doubles:
    """Time each cell lies under the wet patch, partly covered cells in proportion [s].

    everywhere : time in the window about the swab instead, where openings stay wet.
    """
    plans = {phase: window.wet(phase).plan for phase in {place.phase for place in visits}}
    total = np.zeros(shape)
    for place, time in visits.items():
        plan = plans[place.phase]
        _add_at(total, time * (np.ones_like(plan) if everywhere else plan), place.corner)
    return total


def _add_at(plate: Doubles, part: Doubles, corner: tuple[int, int]) -> None:
    """Add a window's map to the plate's, where it lies on it."""
    spans = [
        (max(low, 0), min(low + size, whole))
        for low, size, whole in zip(corner, part.shape, plate.shape, strict=True)
    ]
    if all(low < high for low, high in spans):
        there = tuple(slice(low, high) for low, high in spans)
        here = tuple(
            slice(low - start, high - start)
            for (low, high), start in zip(spans, corner, strict=True)
        )
        plate[there] += part[here]


def at_level(setting: Setting, density: float, drive: float) -> Setting:
    """The setting with a supply that gives a wet area a mean current density [A/m2], if it can.

    The supply is a source of current whose voltage is held to ``drive`` times (1 or more) that of
    the setting's own: a film that caps the current is met as it is in the run. Its current limit
    stands here for 1 m2; whoever knows the wet area multiplies by it.
    """
    rest = _rest_voltage(setting)
    emf = rest + max(drive, 1.0) * (setting.supply.emf - rest)
    return replace(setting, supply=Supply(emf, 0.0, density))


def _over(setting: Setting, area: float) -> Supply:
    """The supply of `at_level` for a wet area [m2]."""
    limit = setting.supply.current_limit
    assert limit is not None
    return replace(setting.supply, current_limit=limit * area)


def bare_charge(setting: Setting, visits: Visits, shape: tuple[int, ...]) -> tuple[Doubles, float]:
    """Charge per area on a plate without a mask [C/m2], and the mean resistance there [ohm m2].

    The swab's current does not depend on where it stands then, but for the way it lies on the
    cells: one solve for each phase.

    Parameters
    ----------
    setting : as `at_level` gives it.
    """
    window = setting.window
    nowhere = np.ones(window.shape[1:])
    phases = sorted({place.phase for place in visits})
    patch = float(window.wet(phases[0]).plan.sum()) * window.cell**2
    bare = replace(setting, open_fraction=nowhere, supply=_over(setting, patch))
    fields = list(solve_places(bare, [Place(phase, (0, 0)) for phase in phases]))
    maps = {}
    for phase, field in zip(phases, fields, strict=True):
        density = np.zeros(nowhere.size)
        density[field.cells] = field.current / window.cell**2
        maps[phase] = density.reshape(nowhere.shape)
    total = np.zeros(shape)
    for place, time in visits.items():
        _add_at(total, time * maps[place.phase], place.corner)
    return total, (fields[0].voltage - _rest_voltage(setting)) * patch / fields[0].total


def slab_for(setting: Setting, resistance: float) -> Pad:
    """A slab of the swab's material whose resistance per area, with the liquid in the mask, is
    the swab's mean one [ohm m2]; its sides are still 0."""
    window, kappa = setting.window, setting.kappa
    height = kappa.wick * (resistance - window.thickness / kappa.free)
    return Pad(1.0, 1.0, max(height, 0.5 * window.cell))


def slab_density(
    setting: Setting, slab: Pad, stencil: Stencil, region: Region | None = None
) -> tuple[Doubles, tuple[int, int]]:
    """Current density under a uniform slab over a stencil [A/m2], on whole cells.

    Parameters
    ----------
    setting : as `at_level` gives it.
    region : x_min, x_max, y_min, y_max of the slab [m]; nothing flows through its sides. If not
        given, `BEYOND` heights past the openings on all sides, no matter where the plate ends.

    Returns
    -------
    density : (ny, nx), and the plate cell (j, i) of its lower corner.
    """
    cell = setting.window.cell
    if region is None:
        x_min, y_min, x_max, y_max = openings(stencil).bounds
        beyond = BEYOND * slab.height
        region = (x_min - beyond, x_max + beyond, y_min - beyond, y_max + beyond)
    size, centre = [], []
    for low, high in (region[2:], region[:2]):
        first = math.floor(low / cell + 1e-6)
        half = math.ceil((high / cell - first) / 2 - 1e-6)
        size.append(2 * half * cell)
        centre.append((first + half) * cell)
    pad = replace(slab, length=size[1], width=size[0])
    window = Window(pad, setting.window.thickness, cell)
    place = window.place(centre[1], centre[0])
    y, x = (
        cell * (start + np.arange(count + 1))
        for start, count in zip(place.corner, window.shape[1:], strict=True)
    )
    fraction = area_fractions(openings(stencil), x, y)
    supply = _over(setting, float((fraction * window.wet(place.phase).plan).sum() * cell**2))
    whole = replace(setting, window=window, open_fraction=fraction, supply=supply)
    field = next(solve_places(whole, [Place(place.phase, (0, 0))], 1))
    density = np.zeros(fraction.size)
    density[field.cells] = field.current / field.area
    return density.reshape(fraction.shape), place.corner
