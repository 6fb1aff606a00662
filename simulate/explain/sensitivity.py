"""Single changes: what each would help, and what it would cost in time.

Each is tried by etching the case again, base and change on the same coarser cells with stops
farther apart. What is compared is the difference between the two, in which most of the error of
the cells drops out; how far the coarse base is from the run itself is stated.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from math import nan

from simulate.case.case import Case
from simulate.errors import InputError
from simulate.explain.log_ratios import Measure, Spots, measures_of
from simulate.materials.battery import Battery
from simulate.result.result import Result
from simulate.run.etch import etch_case
from simulate.stencil.measure import mean_width
from simulate.stencil.shapes import Polygon, Stencil, openings
from simulate.swab.geometry import Bud
from simulate.swab.stroke import Hatch, Path

STEP = 0.2
"""Every change is by this part of the value [-]."""

SLIGHT = 1e-5
"""A loss below this is none [log ratio]."""

COARSER = 2.0
"""Cells, and distances of stops, are so many times those of the run."""


@dataclass(frozen=True)
class Change:
    """One change, in the better of its two directions.

    name, label : of what is changed, such as ``thickness``, "mask thickness".
    factor : times the value it has [-]; 1.2 is a fifth more.
    effects : log ratio of each measure, after less before, by measure.
    time : time to the same mean depth, over that of the run [-].
    """

    name: str
    label: str
    factor: float
    effects: Mapping[str, float]
    time: float


@dataclass(frozen=True)
class Sensitivities:
    """Changes, the most helpful first; ``error`` is how far the coarser base is from the run, as
    a log ratio, by measure."""

    changes: tuple[Change, ...]
    error: Mapping[str, float]


def _thicker(case: Case, factor: float) -> Case:
    return replace(case, stencil=replace(case.stencil, thickness=case.stencil.thickness * factor))


def _wider(case: Case, factor: float) -> Case | None:
    """Every opening wider by the same length on all sides: that of a line of the mean width."""
    import shapely

    area = openings(case.stencil)
    grown = area.buffer(0.5 * (factor - 1.0) * mean_width(case.stencil), join_style="mitre")
    shapes = [
        Polygon(tuple(part.exterior.coords), tuple(tuple(ring.coords) for ring in part.interiors))
        for part in shapely.get_parts(grown)
        if part.area > 0.0
    ]
    return replace(case, stencil=Stencil(case.stencil.thickness, tuple(shapes)))


def _saltier(case: Case, factor: float) -> Case:
    liquid = case.electrolyte
    if liquid.measured_conductivity is not None:  # it counts, the recipe does not
        more = replace(liquid, measured_conductivity=None)
        ratio = replace(more, salt=more.salt * factor).conductivity() / more.conductivity()
        measured = liquid.measured_conductivity * ratio
        return replace(case, electrolyte=replace(liquid, measured_conductivity=measured))
    return replace(case, electrolyte=replace(liquid, salt=liquid.salt * factor))


def _stronger(case: Case, factor: float) -> Case:
    source = case.supply.source
    if isinstance(source, Battery):
        source = replace(source, open_circuit=source.open_circuit * factor)
    else:
        source = replace(source, emf=source.emf * factor)
    return replace(case, supply=replace(case.supply, source=source))


def _farther(case: Case, factor: float) -> Case | None:
    strokes = tuple(
        replace(stroke, spacing=stroke.spacing * factor)
        if isinstance(stroke, Hatch) and stroke.height >= stroke.spacing
        else stroke
        for stroke in case.strokes
    )
    return None if strokes == case.strokes else replace(case, strokes=strokes)


def _faster(case: Case, factor: float) -> Case | None:
    strokes = tuple(
        replace(stroke, speed=stroke.speed * factor) if isinstance(stroke, Hatch | Path) else stroke
        for stroke in case.strokes
    )
    return None if strokes == case.strokes else replace(case, strokes=strokes)


def _harder(case: Case, factor: float) -> Case | None:
    if not isinstance(case.swab, Bud):
        return None
    return replace(case, swab=replace(case.swab, press=case.swab.press * factor))


_TRIALS: Mapping[str, tuple[str, Callable[[Case, float], Case | None]]] = {
    "thickness": ("mask thickness", _thicker),
    "line_width": ("width of the openings", _wider),
    "salt": ("salt", _saltier),
    "voltage": ("voltage", _stronger),
    "spacing": ("spacing of strokes", _farther),
    "speed": ("speed of strokes", _faster),
    "press": ("press on the swab", _harder),
}


def sensitivities(
    result: Result,
    spots: Spots | None = None,
    *,
    target: str = "evenness",
    progress: Callable[[int, int], None] | None = None,
) -> Sensitivities:
    """What a fifth more or less of each of seven things would change.

    Each is tried upward; where that does harm or cannot be, as in a swab pressed to its wire,
    downward too, and the better of the two is told.

    Parameters
    ----------
    spots : two places, measured as well.
    target : the measure the changes should bring nearer to even; sets direction and order.
    progress : called with trials done and trials there are.
    """
    base = _coarse(result.case)
    before = etch_case(base)
    old = _log_ratios(before, spots)
    fine = {one.name: one.log_ratio(result.depth) for one in measures_of(result, spots)}
    error = {name: abs(old[name] - fine[name]) for name in fine if name in old}
    changes = []
    for count, (name, (label, change)) in enumerate(_TRIALS.items()):
        tried = [_effect(before, old, change, factor, spots) for factor in (1.0 + STEP,)]
        if tried[0] is None or _gain(old, tried[0][0], target) < -SLIGHT:
            tried.append(_effect(before, old, change, 1.0 - STEP, spots))
        found = [one for one in tried if one is not None]
        if found:
            effects, time, factor = max(found, key=lambda one: _gain(old, one[0], target))
            changes.append(Change(name, label, factor, effects, time))
        if progress is not None:
            progress(count + 1, len(_TRIALS))
    changes.sort(key=lambda one: -_gain(old, one.effects, target))
    return Sensitivities(tuple(changes), error)


def _effect(
    before: Result,
    old: Mapping[str, float],
    change: Callable[[Case, float], Case | None],
    factor: float,
    spots: Spots | None,
) -> tuple[dict[str, float], float, float] | None:
    """Log ratios after a change less before, time over time before, and the factor; None where
    the case has no such thing or cannot be changed so."""
    try:
        changed = change(before.case, factor)
    except InputError:
        return None
    if changed is None:
        return None
    after = etch_case(changed)
    new = _log_ratios(after, spots)
    return {key: new[key] - old[key] for key in old if key in new}, _slowness(after, before), factor


def _gain(old: Mapping[str, float], effects: Mapping[str, float], target: str) -> float:
    """How much nearer to even a measure comes [log ratio]; below 0: farther from it."""
    return abs(old[target]) - abs(old[target] + effects.get(target, 0.0))


def _coarse(case: Case) -> Case:
    """The case on cells and stops `COARSER` times as far apart."""
    grid = replace(
        case.grid,
        refine=False,
        cell=case.grid.cell * COARSER,
        stop_spacing=case.grid.stop_spacing * COARSER,
    )
    return replace(case, grid=grid)


def _log_ratios(result: Result, spots: Spots | None) -> dict[str, float]:
    try:
        measures: Sequence[Measure] = measures_of(result, spots)
    except InputError:  # a coarse cell may hide a spot
        measures = measures_of(result)
    return {one.name: one.log_ratio(result.depth) for one in measures}


def _slowness(after: Result, before: Result) -> float:
    """Time to the same mean depth, after over before [-]; both take theirs for granted per pass."""
    pace = [
        one.duration / one.summary["mean_depth"]["value"]
        if one.summary["mean_depth"]["value"]
        else nan
        for one in (after, before)
    ]
    return pace[0] / pace[1]
