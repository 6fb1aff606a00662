"""The run: the field at every stop, and the charge it leaves.

`etch_case` holds the only loop over stops. Stops at the same place are solved once; places are
solved in the order in which the swab first comes to them, a few threads side by side, each group
of neighbouring places starting from the field of the place before.
"""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from simulate.case import Case, all_stops
from simulate.circuit import Supply
from simulate.conductance import require_memory
from simulate.materials import cathode_law
from simulate.metals import anode_law
from simulate.multigrid import Hierarchy
from simulate.polarisation import law_row
from simulate.potential import Solution, solve_network
from simulate.removal import depth_from_charge
from simulate.result import Result
from simulate.stencil import area_fractions, openings, rim_distance
from simulate.stroke import Stops, contact_time
from simulate.swab import conductivity_factor, contact_outline
from simulate.window import Conductivities, Place, Wet, Window, build_window

Doubles = NDArray[np.float64]
Progress = Callable[[int, int], None]

TOLERANCE = 1e-5
"""Residual to which a stop is solved; the total current is then good to about as much."""

GROUP = 16
"""Places in a row solved by one worker, each starting from the field of the one before."""

SAMPLES = 24
"""Maps of current density kept, spread evenly over the stops."""


@dataclass(frozen=True, eq=False)
class Setting:
    """What does not change from place to place."""

    window: Window
    kappa: Conductivities
    laws: Doubles
    supply: Supply
    open_fraction: Doubles

    @property
    def equilibrium(self) -> tuple[float, float]:
        """Potentials of plate and cathode at no current [V]."""
        return float(self.laws[0, 7]), float(self.laws[1, 7])


@dataclass(frozen=True, eq=False)
class StopField:
    """The plate's share of one solved stop.

    cells : places in the plate's map, flattened. current [A] and area [m2] of each.
    """

    cells: NDArray[np.int64]
    current: Doubles
    area: Doubles
    total: float
    voltage: float
    iterations: int
    rim: float


class _Bench:
    """One worker's own arrays: shapes of the swab by phase, the hierarchy, the last field."""

    def __init__(self, setting: Setting) -> None:
        cell = setting.window.cell
        self.setting = setting
        self.mesh = Hierarchy(setting.window.shape, (cell, cell))
        self.wet: dict[tuple[int, int], Wet] = {}
        self.last: Solution | None = None

    def solve(self, place: Place) -> StopField:
        """Solve one place, starting from the last field."""
        setting = self.setting
        if place.phase not in self.wet:
            self.wet[place.phase] = setting.window.wet(place.phase)
        wet = self.wet[place.phase]
        part, cells = _cut(setting.open_fraction, place.corner, wet.plan.shape)
        network, area = build_window(setting.window, wet, part, setting.kappa, setting.equilibrium)
        if not (network.faces.electrode == 0).any():
            return _nothing(setting.supply)
        self.last = solve_network(
            network,
            setting.laws,
            setting.supply,
            tolerance=TOLERANCE,
            hierarchy=self.mesh,
            start=self.last,
        )
        plate = network.faces.electrode == 0
        j, i = network.faces.where[plate, 1], network.faces.where[plate, 2]
        current = self.last.current[plate]
        ny, nx = wet.plan.shape
        edge = (j < 2) | (j >= ny - 2) | (i < 2) | (i >= nx - 2)
        edge &= wet.plan[j, i] == 0.0  # a dry rim lets nothing through, however near the swab
        total = float(current.sum())
        return StopField(
            cells[j, i],
            current,
            area[j, i],
            total,
            self.last.voltage,
            self.last.iterations,
            float(np.abs(current[edge]).sum() / total) if total else 0.0,
        )


def _nothing(supply: Supply) -> StopField:
    none = np.zeros(0)
    return StopField(np.zeros(0, np.int64), none, none, 0.0, supply.emf, 0, 0.0)


def _cut(
    plan: Doubles, corner: tuple[int, int], shape: tuple[int, int]
) -> tuple[Doubles, NDArray[np.int64]]:
    """The part of a plate map under a window, 0 off the plate; and the flat places of its cells."""
    j = corner[0] + np.arange(shape[0])
    i = corner[1] + np.arange(shape[1])
    on_j, on_i = (j >= 0) & (j < plan.shape[0]), (i >= 0) & (i < plan.shape[1])
    cells = np.clip(j, 0, plan.shape[0] - 1)[:, None] * plan.shape[1] + np.clip(
        i, 0, plan.shape[1] - 1
    )
    return plan.ravel()[cells] * np.outer(on_j, on_i), cells


def plate_edges(case: Case) -> tuple[Doubles, Doubles]:
    """Edges of the plate's cells along x and y [m]: whole cells, the last may overhang."""
    cell = case.grid.cell / case.grid.finer
    return tuple(  # type: ignore[return-value]
        cell * np.arange(int(np.ceil(size / cell - 1e-9)) + 1)
        for size in (case.plate.width, case.plate.height)
    )


def make_setting(case: Case, open_fraction: Doubles, margin: float = 0.0) -> Setting:
    """The setting of a case, swab freshly wetted, supply fresh.

    Raises
    ------
    InputError : the metal does not etch.
    """
    free = case.electrolyte.conductivity()
    swab = case.swab
    factor = conductivity_factor(swab.porosity, swab.wick_exponent, case.wick.saturation.value)
    moving = bool(all_stops(case).moving.any())
    laws = np.array(
        [
            law_row(anode_law(case.metal, moving)),
            law_row(cathode_law(case.cathode, case.electrolyte.acidity)),
        ]
    )
    window = Window(swab, case.stencil.thickness, case.grid.cell / case.grid.finer, margin)
    return Setting(
        window, Conductivities(free, free * factor), laws, case.supply.after(), open_fraction
    )


def solve_places(
    setting: Setting, places: Sequence[Place], workers: int | None = None
) -> Iterator[StopField]:
    """Solve places in their order; the results are the same for any number of workers."""
    require_memory(setting.window.shape)
    workers = workers or worker_count()
    local = threading.local()

    def group(start: int) -> list[StopField]:
        if not hasattr(local, "bench"):
            local.bench = _Bench(setting)
        local.bench.last = None
        return [local.bench.solve(place) for place in places[start : start + GROUP]]

    with ThreadPoolExecutor(workers) as pool:
        waiting = [pool.submit(group, start) for start in range(0, len(places), GROUP)]
        try:
            for answer in waiting:
                yield from answer.result()
        finally:
            for answer in waiting:
                answer.cancel()


def worker_count() -> int:
    """Processors this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def etch_case(
    case: Case, progress: Progress | None = None, *, workers: int | None = None
) -> Result:
    """Etch the plate of a case.

    Parameters
    ----------
    progress : called with the places done and the places there are.
    workers : threads; as many as there are processors by default.

    Returns
    -------
    Result : with ``partial`` set, and the stops up to there, if a KeyboardInterrupt came.

    Raises
    ------
    InputError : the metal does not etch.
    CapacityError : the window does not fit in memory.
    ConvergenceError : a stop could not be solved.
    """
    began = time.perf_counter()
    x, y = plate_edges(case)
    geometry = openings(case.stencil)
    open_fraction = area_fractions(geometry, x, y)
    setting = make_setting(case, open_fraction)
    stops = all_stops(case)
    every = [setting.window.place(*xy) for xy in zip(stops.x, stops.y, strict=True)]
    places = list(dict.fromkeys(every))
    rank = {place: n for n, place in enumerate(places)}
    index = np.array([rank[place] for place in every])
    fields: list[StopField] = []
    partial = False
    try:
        for field in solve_places(setting, places, workers):
            fields.append(field)
            if progress is not None:
                progress(len(fields), len(places))
    except KeyboardInterrupt:
        partial = True
    done = int(np.argmax(index >= len(fields))) if (index >= len(fields)).any() else len(index)
    seconds = time.perf_counter() - began
    stops = _first(stops, done)
    return _result(case, (x, y), setting, stops, index[:done], fields, partial, seconds)


def _first(stops: Stops, count: int) -> Stops:
    names = ("x", "y", "dwell", "start", "moving", "pass_index")
    return Stops(**{name: getattr(stops, name)[:count] for name in names})


def _result(
    case: Case,
    edges: tuple[Doubles, Doubles],
    setting: Setting,
    stops: Stops,
    index: NDArray[np.int64],
    fields: Sequence[StopField],
    partial: bool,
    seconds: float,
) -> Result:
    x, y = edges
    open_fraction = setting.open_fraction
    cell_area = np.outer(np.diff(y), np.diff(x))
    open_area = open_fraction * cell_area
    charge = _charge(open_fraction.shape, index, stops.dwell, fields)
    density = np.divide(charge, open_area, out=np.zeros_like(charge), where=open_area > 0)
    peak = np.zeros(open_fraction.size)
    for number in np.unique(index):
        field = fields[number]
        np.maximum.at(peak, field.cells, field.current / field.area)
    samples = np.unique(np.linspace(0, len(stops) - 1, min(SAMPLES, len(stops))).astype(int))
    kept = np.zeros((len(samples), *open_fraction.shape), np.float32)
    for n, stop in enumerate(samples):
        field = fields[index[stop]]
        kept[n].ravel()[field.cells] = field.current / field.area
    centres = tuple(0.5 * (e[1:] + e[:-1]) for e in (x, y))
    return Result(
        case=case,
        x_edges=x,
        y_edges=y,
        depth=depth_from_charge(case.metal, density),
        contact_time=contact_time(stops, contact_outline(case.swab), x, y),
        charge_density=density,
        peak_density=peak.reshape(open_fraction.shape),
        open_fraction=open_fraction,
        rim_distance=rim_distance(openings(case.stencil), *centres),
        time=stops.start,
        dwell=stops.dwell,
        current=np.array([fields[n].total for n in index]),
        voltage=np.array([fields[n].voltage for n in index]),
        swab_x=stops.x,
        swab_y=stops.y,
        rewet=np.zeros(len(stops), bool),
        sample_stop=samples,
        sample_density=kept,
        numerical=_numerical(setting, stops, index, fields, density),
        statistics={
            "solves": float(len(fields)),
            "iterations": float(sum(field.iterations for field in fields)),
            "cells": float(np.prod(setting.window.shape)),
            "seconds": seconds,
        },
        partial=partial,
    )


def _charge(
    shape: tuple[int, ...],
    index: NDArray[np.int64],
    dwell: Doubles,
    fields: Sequence[StopField],
) -> Doubles:
    """Charge passed by each cell of the plate [C]."""
    time_at = np.bincount(index, weights=dwell, minlength=len(fields))
    charge = np.zeros(int(np.prod(shape)))
    for field, time_there in zip(fields, time_at, strict=True):
        if time_there > 0:
            np.add.at(charge, field.cells, field.current * time_there)
    return charge.reshape(shape)


def _numerical(
    setting: Setting,
    stops: Stops,
    index: NDArray[np.int64],
    fields: Sequence[StopField],
    density: Doubles,
) -> dict[str, float]:
    """Errors that the run itself shows: of the window's rim, and of the spacing of stops.

    The second compares with the same stroke cut into half as many moving stops, each at every
    other place, the same places in either direction: the root mean square difference over the open
    area, relative to the mean. The spacing in use is about four times better than that (second
    order), a third of it is stated.
    """
    rim = max((field.rim for field in fields), default=0.0)
    moving = np.flatnonzero(stops.moving)
    spacing = 0.0
    if moving.size > 3 and density.any():
        dwell = stops.dwell.copy()
        pairs = moving[: moving.size // 2 * 2].reshape(-1, 2)
        backwards = index[pairs[:, 0]] % 2 > index[pairs[:, 1]] % 2
        kept, left = np.where(backwards, pairs[:, ::-1].T, pairs.T)
        dwell[kept] += dwell[left]
        dwell[left] = 0.0
        coarse = _charge(density.shape, index, dwell, fields)
        fine = _charge(density.shape, index, stops.dwell, fields)
        weight = setting.open_fraction
        mean = float(fine.sum() / weight.sum())
        share = np.divide(coarse - fine, weight, out=np.zeros_like(fine), where=weight > 0)
        spacing = float(np.sqrt(np.average(share**2, weights=weight))) / mean / 3.0
    return {"window_rim": rim, "stop_spacing": spacing}
