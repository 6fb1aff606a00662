"""The safety box of a case or of a run: verdicts and cautions, for reports and for machines.

Before a run the numbers come from `estimate.forecast`, after it from the run itself; the bands are
those of the quick estimate in both. The job is the stroke as the case has it, done by as many
people at once as the room names.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from simulate.case.case import Case
from simulate.case.settings import Room
from simulate.constants import ZERO_CELSIUS
from simulate.estimate.forecast import Forecast, forecast_of
from simulate.estimate.inputs import bench_of
from simulate.materials.catalogue import Datum
from simulate.safety.assessment import Job, assess, assumed_room, cautions
from simulate.safety.limits import Severity, Verdict, worst
from simulate.swab.cell_fractions import wet_volume

if TYPE_CHECKING:
    from simulate.result.result import Result

_BOILS = ZERO_CELSIUS + 105.0  # brine, at most [K]


@dataclass(frozen=True)
class Precautions:
    """What to know before the first drop falls.

    Parameters
    ----------
    verdicts : the most serious first.
    cautions : what to tell people, deference to local rules included.
    room : the air the gas goes into.
    room_assumed : whether the case describes none, so that a small closed one is taken.
    """

    verdicts: tuple[Verdict, ...]
    cautions: tuple[str, ...]
    room: Room
    room_assumed: bool

    @property
    def severity(self) -> Severity:
        """The greatest severity of all verdicts."""
        return worst(self.verdicts)

    def of_severity(self, severity: Severity) -> tuple[Verdict, ...]:
        """The verdicts of one severity."""
        return tuple(verdict for verdict in self.verdicts if verdict.severity == severity)

    def plain(self) -> dict[str, Any]:
        """All of it as plain values, ready for JSON; numbers in SI."""
        return {
            "level": self.severity,
            "room": {
                "volume": {"value": self.room.volume, "unit": "m3"},
                "air_changes": {"value": self.room.air_changes, "unit": "1/s"},
                "swabs": self.room.swabs,
                "assumed": self.room_assumed,
            },
            "verdicts": [_plain(verdict) for verdict in self.verdicts],
            "cautions": list(self.cautions),
        }


def foreseen(case: Case, forecast: Forecast | None = None) -> Precautions:
    """The precautions of a case before it is run.

    Parameters
    ----------
    forecast : of the case, if it is there already.
    """
    found = forecast_of(bench_of(case)) if forecast is None else forecast
    warmth = _warmth(case, found.dip.hottest)
    return _box(case, found.current, found.duration, found.dips, warmth)


def after_run(result: Result) -> Precautions:
    """The precautions of a run that was done, with its own current, time and dips.

    Those of the case where the run was stopped before its first stop.
    """
    case, dwell = result.case, result.dwell
    forecast = forecast_of(bench_of(case))
    duration = float(dwell.sum())
    if duration == 0.0:
        return foreseen(case, forecast)
    mean = float((result.current * dwell).sum()) / duration
    current = forecast.current
    if current.value > 0.0:
        current = current.times(mean / current.value, "A")
    hottest = forecast.dip.hottest
    if result.temperature is not None:
        hottest = float(np.max(result.temperature))
    return _box(case, current, duration, 1 + int(result.rewet.sum()), _warmth(case, hottest))


def _box(
    case: Case, current: Datum, duration: float, dips: int, swab_temperature: Datum
) -> Precautions:
    room = assumed_room() if case.room is None else case.room
    job = Job(
        current=current,
        duration=duration,
        voltage=case.supply.after().emf,
        dips=dips,
        liquid=case.wick.saturation.value * wet_volume(case.swab),
        swab_temperature=swab_temperature,
    )
    verdicts = assess(job, case.metal, room, source=case.supply.source)
    return Precautions(verdicts, cautions(case.metal, verdicts), room, case.room is None)


def _warmth(case: Case, hottest: float) -> Datum:
    """The swab at its hottest [K]; its rise above the fresh liquid within about a half."""
    fresh = case.electrolyte.temperature
    rise = max(hottest - fresh, 0.0)
    high = max(fresh + rise, min(fresh + 1.5 * rise, _BOILS))
    source = "swab as a lumped body; loss of heat to the plate chosen"
    return Datum(fresh + rise, fresh + rise / 1.5, high, "K", source, "loose")


def _plain(verdict: Verdict) -> dict[str, Any]:
    value, most = verdict.value, verdict.limit
    return {
        "topic": verdict.topic,
        "level": verdict.severity,
        "words": verdict.words,
        "value": value.value,
        "low": value.low,
        "high": value.high,
        "unit": value.unit or "1",
        "shown_in": verdict.unit,
        "source": value.source,
        "confidence": value.confidence,
        "limit": None if most is None else most.value,
        "limit_source": None if most is None else most.source,
        "bound": verdict.bound,
        "advice": verdict.advice,
        "sentence": verdict.sentence(),
    }
