"""The run: a case from the first stop to the last, and what it leaves on the plate.

`etch_case` goes through three loops, one inside the other:

    blocks   of whole passes, within which the metal's surface stays the same (`surface`)
    rounds   within a block: march with the nodes there are, solve those that were missing,
             until none is (`response`, `march`)
    stops    inside the march, compiled

The places of the swab are solved some threads side by side, in an order that does not depend on
their number, so that the result does not either.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from simulate.case.case import Case
from simulate.field.edge_fitting import find_edges
from simulate.field.multigrid import Hierarchy
from simulate.field.supply import Supply
from simulate.kernels import swab_balance as balance
from simulate.kernels import time_march as kernel
from simulate.machine import processors
from simulate.materials.removal import depth_from_charge
from simulate.result.grid_error import with_grid_error
from simulate.result.result import Result
from simulate.run.accumulate import Tally, charge_map, stop_density, thinned
from simulate.run.local_solve import Setting, StopField, solve_alone, solve_spots
from simulate.run.metal_surface import Surface, surface_after
from simulate.run.precompile import SecondCompiler
from simulate.run.response_table import FRESH, STEP, Responses, factor_of
from simulate.run.setup import Course, lay_out, without_films
from simulate.run.surface_blocks import (
    HALVINGS,
    WORST,
    Plan,
    blocking_error,
    halve,
    metal_rate,
    plan_blocks,
)
from simulate.run.time_march import Rig, Track, first_condition, ledgers, march_on, remarks
from simulate.run.window import build_window
from simulate.swab.contact_patch import contact_outline
from simulate.swab.contact_time import contact_time

Doubles = NDArray[np.float64]
Progress = Callable[[int, int], None]

DRAINED = 0.15
"""Share of a battery by which it may stray from the state with which nodes are solved."""

CHECKS = 4
"""Stops solved directly, to state how far the nodes are off."""

SAMPLES = 24
"""Maps of current density kept, spread evenly over the stops."""

USUAL_NODES = 4
"""Nodes a place usually takes; for the progress alone."""


def etch_case(
    case: Case, progress: Progress | None = None, *, workers: int | None = None
) -> Result:
    """Etch the plate of a case; where it asks for the numerical error, on coarser cells too.

    Parameters
    ----------
    progress : called with the fields solved and an estimate of how many there will be; not for
        the coarser cells.
    workers : threads; as many as there are processors by default.

    Returns
    -------
    Result : with ``partial`` set, and the stops up to there, if a KeyboardInterrupt came.

    Raises
    ------
    InputError : the metal does not etch.
    CapacityError : the window does not fit in memory.
    ConvergenceError : a field could not be solved.
    """
    result = _etch(case, progress, workers)
    if not case.grid.refine or result.partial:
        return result
    return with_grid_error(result, lambda coarse: _etch(coarse, None, workers))


def _etch(case: Case, progress: Progress | None, workers: int | None) -> Result:
    """One run on the cells of the case."""
    with SecondCompiler() as second:
        run = _Run(lay_out(case, workers), _Meter(progress), workers)
        try:
            if second.is_wanted:
                run.rehearse()
                second.finish()
            run.survey()
            for first, last in run.blocks():
                run.work(first, last)
            run.meter.finish()
        except KeyboardInterrupt:
            run.stop()
    return run.result()


@dataclass(eq=False)
class _Meter:
    """Counts solves, and tells."""

    progress: Progress | None
    done: int = 0
    expected: int = 0
    iterations: int = 0
    began: float = field(default_factory=time.perf_counter)

    def count(self, solves: int, iterations: int) -> None:
        self.done += solves
        self.iterations += iterations
        self.expected = max(self.expected, self.done)
        if self.progress is not None:
            self.progress(self.done, self.expected)

    def finish(self) -> None:
        self.expected = self.done
        if self.progress is not None:
            self.progress(self.done, self.done)


@dataclass(frozen=True, eq=False)
class _Fields:
    """What a block is worked with: stops ``first <= n < last``, and their fields as they come."""

    first: int
    last: int
    setting: Setting
    surface: Surface
    rig: Rig
    responses: Responses


class _Run:
    """One run on its way: `survey`, then `work` for each of the `blocks`; `stop` wherever it is."""

    def __init__(self, course: Course, meter: _Meter, workers: int | None) -> None:
        self.course, self.meter, self.workers = course, meter, workers
        count = len(course.stops)
        samples = np.unique(np.linspace(0, count - 1, min(SAMPLES, count)).astype(int))
        self.tally = Tally(course.shape, samples, thinned(course.stops, course.place))
        self.condition = first_condition(course.rig)
        self.tracks: list[Track] = []
        self.errors = {"interpolation": 0.0, "interpolation_map": 0.0, "surface_blocks": 0.0}
        self.partial, self.left, self.halvings = False, 1, HALVINGS
        self.plan = Plan(((0, count),))
        self.fields = _Fields(
            0, count, course.setting, course.bare(), course.rig, _none_of(course, course.setting)
        )
        self.guess = _none_of(course, course.setting)

    # ------------------------------------------------------------------------------ the loops

    def rehearse(self) -> None:
        """Do once what a run does beside solving fields."""
        setting = self.course.setting
        window = setting.window
        wet = window.wet((0, 0))
        find_edges(wet.body, wet.label)
        self._march(self.fields, self.fields.responses)
        half = np.ones(window.shape[1:])  # an opening with a lip across the window
        half[: len(half) // 2] = 0.0
        network, _ = build_window(window, wet, half, setting.kappa)
        mesh = Hierarchy(network.shape, (window.cell, window.cell))
        mesh.load(network, np.ones(network.faces.cell.size))

    def survey(self) -> None:
        """Solve every place once, with the swab fresh and the metal bare."""
        places = range(len(self.course.places))
        self.meter.expected = USUAL_NODES * len(places)
        survey = self.fields.responses
        self._solve(self.fields, {n: [FRESH] for n in places})
        self.course = course = without_films(self.course, survey)
        for spot, place in set(zip(course.spot.tolist(), course.place.tolist(), strict=True)):
            self.guess.add(spot, FRESH, survey.nodes[place, FRESH])
        fields = [survey.nodes[n, FRESH] for n in places]
        current = sum(found.total for found in fields)
        rim = sum(found.total * found.rim for found in fields)
        self.errors["window_rim"] = rim / current if current > 0 else 0.0

    def blocks(self) -> tuple[tuple[int, int], ...]:
        """Cut the stops where the surface will have changed enough, by the survey's estimate."""
        track = self._march(self.fields, self.guess)
        charge = charge_map(self.guess, track, self.course.shape)
        self.plan = plan_blocks(self.course, charge, track.current * track.dwell)
        self.left = len(self.plan.blocks)
        return self.plan.blocks

    def work(self, first: int, last: int) -> None:
        """March over a block, again and again until no node is missing.

        If its surface has changed too much by its end, it is worked in two halves instead.
        """
        self.fields = fields = self._prepared(first, last)
        while True:
            track = self._march(fields, fields.responses)
            wanted = fields.responses.missing(track.spot, track.level)
            self.meter.expected = self.meter.done + self.left * sum(map(len, wanted.values()))
            self._solve(fields, wanted)
            rig = self._loading(fields, track)
            if not wanted and rig is fields.rig:
                break
            self.fields = fields = replace(fields, rig=rig)
        self.guess.overlay(fields.responses)
        off = self._blocking(fields, track)
        if off > WORST * self.plan.charge and last - first > 1 and self.halvings > 0:
            self.halvings, self.left = self.halvings - 1, self.left + 1
            middle = halve(self.course, first, track.current * track.dwell)
            self.work(first, middle)
            self.work(middle, last)
            return
        self.errors["surface_blocks"] += off
        self._check(fields, track)
        self._take(fields.responses, track)
        self.left -= 1

    def stop(self) -> None:
        """Keep the stops whose nodes are there, or near enough to be carried to them."""
        self.partial = True
        fields = self.fields
        if self.tally.stops >= fields.last:
            return
        self.course = without_films(self.course, fields.responses)
        known = self._march(fields, fields.responses).known()
        track = self._march(replace(fields, last=fields.first + known), fields.responses)
        away = np.abs(track.nodes - track.level[:, None]).max(axis=1, initial=0.0)
        bound = 0.125 * (STEP * float(away.max(initial=0.0))) ** 2
        for name in ("interpolation", "interpolation_map"):
            self.errors[name] = max(self.errors[name], bound)
        self._take(fields.responses, track)

    # ------------------------------------------------------------------------------ their steps

    def _prepared(self, first: int, last: int) -> _Fields:
        """The fields of a block, surface and supply as expected half way through it."""
        course = self.course
        fields = replace(self.fields, first=first, last=last)
        guessed = self._march(fields, self.guess)
        setting, surface = self._supplied(guessed), fields.surface
        if not self.plan.grows and setting is fields.setting:
            return fields
        if self.plan.grows:
            charge = charge_map(self.guess, guessed, course.shape)
            density = _per_area(self.tally.charge + 0.5 * charge, course.open_area)
            surface = surface_after(course.case.metal, density, sinks=self.plan.sinks)
        return _Fields(first, last, setting, surface, fields.rig, _none_of(course, setting))

    def _supplied(self, guessed: Track) -> Setting:
        """The setting with the supply half way through a block, if it is much drained by then."""
        before = float(self.condition.circuit[kernel.USED])
        spent = guessed.end.circuit[kernel.SPENT_BATTERIES]
        fresh = spent > self.condition.circuit[kernel.SPENT_BATTERIES]
        after = 1.0 if fresh else float(guessed.end.circuit[kernel.USED])
        middle = self.course.rig.supply(0.5 * (before + after))
        now = self.fields.setting.supply
        limit = self.course.rig.supply(DRAINED)
        far = self.course.rig.supply(0.0).emf - limit.emf
        if abs(middle.emf - now.emf) <= far:
            return self.fields.setting
        return replace(self.course.setting, supply=middle)

    def _march(self, fields: _Fields, responses: Responses) -> Track:
        first, last = fields.first, fields.last
        course = self.course
        return march_on(
            fields.rig,
            responses,
            course.piece(first, last),
            course.spot[first:last],
            self.condition,
            lifted=course.lifted[first:last],
        )

    def _solve(self, fields: _Fields, wanted: Mapping[int, Sequence[int]]) -> None:
        spots = self.course.spots
        tasks = [(spots[row], [factor_of(n) for n in levels]) for row, levels in wanted.items()]
        solved = solve_spots(fields.setting, fields.surface, tasks, self.workers)
        for (row, levels), nodes in zip(wanted.items(), solved, strict=True):
            for level, node in zip(levels, nodes, strict=True):
                fields.responses.add(row, level, node)
            self.meter.count(len(nodes), sum(node.iterations for node in nodes))

    def _check(self, fields: _Fields, track: Track) -> None:
        """Solve a few stops directly, those farthest between their nodes first."""
        gap = track.nodes[:, 1] - track.nodes[:, 0]
        doubt = track.current * (1e-9 + track.share * (1.0 - track.share) * gap**2)
        parts = max(1, CHECKS // (self.left + len(self.tracks)))
        stops = [
            int(part[np.argmax(doubt[part])])
            for part in np.array_split(np.arange(doubt.size), parts)
            if part.size and track.current[part].max() > 0.0
        ]

        def solve(stop: int) -> StopField:
            record = track.record[stop]
            supply = Supply(
                float(record[kernel.OUT_EMF]),
                float(record[kernel.OUT_RESISTANCE]),
                fields.setting.supply.current_limit,
            )
            spot = self.course.spots[track.spot[stop]]
            factor = float(record[kernel.OUT_FACTOR])
            return solve_alone(fields.setting, fields.surface, spot, factor, supply)

        with ThreadPoolExecutor(self.workers or processors()) as pool:
            nodes = list(pool.map(solve, stops))
        for stop, node in zip(stops, nodes, strict=True):
            self.meter.count(1, node.iterations)
            _, density = stop_density(fields.responses, track, stop)
            off = density * node.area / track.current[stop] - node.share
            current = abs(track.current[stop] / node.total - 1.0)
            errors = {"interpolation": current, "interpolation_map": 0.5 * np.abs(off).sum()}
            for name, error in errors.items():
                self.errors[name] = max(self.errors[name], float(error))

    def _loading(self, fields: _Fields, track: Track) -> Rig:
        """The rig whose swab takes up the metal that goes, through whatever layers."""
        if self.course.case.metal.under is None:
            return fields.rig
        within = charge_map(fields.responses, track, self.course.shape)
        rate, body = metal_rate(self.course, self.tally.charge, within), fields.rig.body
        if abs(rate - body.metal_rate) <= 1e-12 * rate:
            return fields.rig
        return replace(fields.rig, body=replace(body, metal_rate=rate))

    def _blocking(self, fields: _Fields, track: Track) -> float:
        """What a block's charge is off by because its surface stayed the same [C]."""
        if not self.plan.grows or not track.current.max(initial=0.0) > 0.0:
            return 0.0
        stop = int(np.argmax(track.current))
        field = fields.responses.nodes[int(track.spot[stop]), int(track.nodes[stop, 0])]
        within = charge_map(fields.responses, track, self.course.shape)
        charges = (self.tally.charge, within)
        off = blocking_error(self.course, field, fields.surface, charges, self.plan.sinks)
        return off * float(within.sum())

    def _take(self, responses: Responses, track: Track) -> None:
        self.tally.add(responses, track)
        self.tracks.append(track)
        self.condition = track.end

    def result(self) -> Result:
        """What there is."""
        charge = float(self.condition.ledger[balance.CHARGE])
        errors = {"window_rim": 0.0, **self.errors}
        errors["surface_blocks"] /= charge if charge > 0 else 1.0
        errors["stop_spacing"] = self.tally.spacing_error(self.course.open_fraction)
        circuit = self.condition.circuit
        statistics = {
            "solves": float(self.meter.done),
            "iterations": float(self.meter.iterations),
            "cells": float(np.prod(self.course.setting.window.shape)),
            "places": float(len(self.course.places)),
            "blocks": float(len(self.tracks)),
            "batteries": float(circuit[kernel.SPENT_BATTERIES]) + 1.0,
            "battery_used": float(circuit[kernel.USED]),
            "seconds": time.perf_counter() - self.meter.began,
        }
        return Result(
            numerical=errors,
            statistics=statistics,
            partial=self.partial,
            **_maps(self.course, self.tally),
            **_history(self.course, self.tracks),
            ledgers=ledgers(self.course.rig, self.condition),
            remarks=remarks(self.course.rig, self.tracks),
        )


def _maps(course: Course, tally: Tally) -> dict[str, Any]:
    """The maps of a result, and what they lie on."""
    case, stops = course.case, course.piece(0, tally.stops)
    density = _per_area(tally.charge, course.open_area)
    return {
        "case": case,
        "x_edges": course.x,
        "y_edges": course.y,
        "depth": depth_from_charge(case.metal, density),
        "contact_time": contact_time(stops, contact_outline(case.swab), course.x, course.y),
        "charge_density": density,
        "peak_density": tally.peak,
        "open_fraction": course.open_fraction,
        "rim_distance": course.rim_distance,
        "sample_stop": tally.samples[: len(tally.kept)],
        "sample_density": np.array(tally.kept).reshape(-1, *course.shape),
        "sample_depth": np.array(
            [depth_from_charge(case.metal, _per_area(c, course.open_area)) for c in tally.charges]
        ).reshape(-1, *course.shape),
    }


def _history(course: Course, tracks: Sequence[Track]) -> dict[str, Any]:
    """The histories of a result, stop by stop."""
    record = np.concatenate([np.zeros((0, kernel.RECORD_SIZE)), *(t.record for t in tracks)])
    middle = np.concatenate([np.zeros((0, balance.STATE_SIZE)), *(t.middle for t in tracks)])
    stops = course.piece(0, len(record))
    acid = course.rig.body.acid * course.rig.body.volume
    return {
        "time": record[:, kernel.OUT_TIME],
        "dwell": stops.dwell,
        "current": record[:, kernel.OUT_CURRENT],
        "voltage": record[:, kernel.OUT_VOLTAGE],
        "swab_x": stops.x,
        "swab_y": stops.y,
        "rewet": np.concatenate([np.zeros(0, bool), *(t.rewet for t in tracks)]),
        "temperature": middle[:, balance.TEMPERATURE],
        "conductivity_factor": record[:, kernel.OUT_FACTOR],
        "acid": middle[:, balance.ACID] / acid if acid > 0 else np.zeros(len(middle)),
        "saturation": record[:, kernel.OUT_SATURATION],
        "gas": record[:, kernel.OUT_GAS],
    }


def _per_area(charge: Doubles, area: Doubles) -> Doubles:
    """Charge per open area [C/m2], 0 where nothing is open."""
    return np.divide(charge, area, out=np.zeros_like(charge), where=area > 0)


def _none_of(course: Course, setting: Setting) -> Responses:
    return Responses(course.spots, setting.supply, setting.fold)
