"""A whole job in a moment: mean current, depth, time to a depth, dips, batteries.

From `estimate.operating_point` and one dip of the swab followed in time (`swab.state`): as it
warms, gasses, dries and sours the current changes; later dips are taken to be like the first. The
band of the current at the start is carried over to its mean. Bands of products and quotients are
root sums of squares of logarithms, as for the current itself.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final, Literal

from simulate.case.settings import Rewet
from simulate.constants import FARADAY
from simulate.estimate.inputs import Bench
from simulate.estimate.operating_point import (
    OperatingPoint,
    mean_current,
    numbers_of,
    operating_point,
)
from simulate.materials.battery import SPENT, Battery, capacity
from simulate.materials.catalogue import Datum
from simulate.materials.lookup import cathode_law, load_sources
from simulate.materials.metals import Metal
from simulate.materials.removal import charge_for_depth, depth_from_charge
from simulate.swab.body import WetBody, wet_body
from simulate.swab.notices import NEARLY_DRY, Notice, notices
from simulate.swab.redip import redip_reason, redip_rule
from simulate.swab.state import WetState, advance, conduction, saturation, wetted

#: When to wet the swab where a case does not say: 10 C (5 to 12) or 20 s, common practice.
PRACTICE: Final = Rewet(charge=10.0, time=20.0)

_STEPS: Final = 12  # of a dip
_LONGEST: Final = 300.0  # a dip is followed no longer than this [s]


@dataclass(frozen=True)
class Dip:
    """One wetting of the swab, from fresh until it is due again.

    Parameters
    ----------
    time : in use [s].
    charge : passed [C].
    current : mean, over mask and openings alike [A].
    hottest : temperature of the swab at its hottest [K].
    reason : what ended it: "charge", "time", "temperature", "dry"; empty if the work ended first.
    notices : what came up on the way, each once.
    """

    time: float
    charge: float
    current: float
    hottest: float
    reason: str
    notices: tuple[Notice, ...]


@dataclass(frozen=True)
class Forecast:
    """What a job comes to.

    Parameters
    ----------
    point : the start, swab and battery fresh.
    dip : one wetting by the rule in use; of the whole job where there is no rule.
    duration : of the stroke, in contact [s].
    current : mean over the job, over mask and openings alike [A].
    charge, depth : of the stroke: passed [C], and mean depth over the open area [m].
    time, time_charge : to the depth wanted [s], and the charge it takes [C]; None if none is, and
        no time where no current flows.
    dips, time_dips : wettings, the first included, for the stroke and for the depth wanted.
    practice_dips : for the stroke by common practice, see `PRACTICE`.
    batteries, time_batteries : that stroke and depth wanted use up [-]; None without a battery.
    """

    point: OperatingPoint
    dip: Dip
    duration: float
    current: Datum
    charge: Datum
    depth: Datum
    time: Datum | None
    time_charge: Datum | None
    dips: int
    time_dips: int | None
    practice_dips: int
    batteries: Datum | None
    time_batteries: Datum | None


def forecast_of(bench: Bench) -> Forecast:
    """Foresee a job.

    Raises
    ------
    InputError : the metal does not etch.
    """
    point = operating_point(bench)
    dip = first_dip(bench, point)
    yielded = depth_yield(bench.metal)
    time = needed = None
    if bench.depth is not None:
        density = float(charge_for_depth(bench.metal, bench.depth))
        needed = quadrature(density * bench.open_area, "C", over=[yielded])
    longest = max(dip.current * bench.duration, needed.value if needed else 0.0)
    current = _mean_current(bench, point, dip, longest)
    if needed is not None and current.value > 0.0:
        time = quadrature(needed.value / current.value, "s", over=[yielded, current])
    charge = current.times(bench.duration, "C")
    depth = float(depth_from_charge(bench.metal, charge.value / bench.open_area))
    by_charge, by_time = charge.value / (PRACTICE.charge or 1.0), PRACTICE.time or 1.0
    return Forecast(
        point=point,
        dip=dip,
        duration=bench.duration,
        current=current,
        charge=charge,
        depth=quadrature(depth, "m", times=[charge, yielded]),
        time=time,
        time_charge=needed,
        dips=_dips(bench, dip, bench.duration),
        time_dips=None if time is None else _dips(bench, dip, time.value),
        practice_dips=math.ceil(max(by_charge, bench.duration / by_time, 1.0)),
        batteries=_batteries(bench, charge.value, current.value),
        time_batteries=None if needed is None else _batteries(bench, needed.value, current.value),
    )


def first_dip(bench: Bench, point: OperatingPoint) -> Dip:
    """Follow one wetting until the rule in use ends it, the swab is nearly dry, or work is done."""
    rule = bench.rewet
    body = wet_body(bench.swab, bench.electrolyte, bench.metal, filling=bench.wick.saturation.value)
    numbers = numbers_of(bench, bench.power.after())
    stored = bench.metal.equilibrium.value - _cathode_equilibrium(bench)
    end = min(bench.duration, _LONGEST)
    state, hottest, reason = wetted(body), 0.0, ""
    seen: dict[str, Notice] = {}
    current = max(point.current.value, 1e-9)
    while not reason and state.time < end * (1.0 - 1e-9):
        wet = conduction(state, body)
        now = {
            "liquid": wet.liquid * numbers["liquid"].value,
            "saturation": wet.saturation * numbers["saturation"].value,
            "gas": wet.gas,
        }
        current, power = mean_current(
            bench, numbers | {name: Datum(v, v, v) for name, v in now.items()}
        )
        charge, time = rule.charge or math.inf, rule.time or math.inf
        rate = max(current, 1e-9)
        step = min(end, time, charge / rate) / _STEPS
        step = min(step, end - state.time, (charge - state.dipped_charge) / rate * (1.0 + 1e-12))
        heat = max(power - current * stored, 0.0)
        state = advance(state, body, current=current, heat=heat, time=step)
        hottest = max(hottest, state.temperature)
        seen |= {notice.key: notice for notice in notices(state, body)}
        reason = _reason(state, body, rule)
    passed = state.dipped_charge
    return Dip(state.time, passed, passed / state.time, hottest, reason, tuple(seen.values()))


def depth_yield(metal: Metal) -> Datum:
    """Depth per charge density of a metal's uppermost layer [m3/C], efficiency included."""
    ends = [metal.moved(end, "high_share").equivalent_weight for end in ("high", "value", "low")]
    low, best, high = (end / FARADAY for end in ends)
    weight = Datum(best, low, high)
    value = metal.efficiency.value * metal.depth_per_charge
    return quadrature(value, "m3/C", times=[weight, metal.efficiency], over=[metal.density])


def quadrature(
    value: float, unit: str, times: Iterable[Datum] = (), over: Iterable[Datum] = ()
) -> Datum:
    """A product or quotient with the band that its uncertain factors give it.

    ln(high / value) is the root of the sum of squares of what each factor does to the logarithm.
    """
    ups, downs = [], []
    for datum in times:
        ups.append(_log(datum.high, datum.value))
        downs.append(_log(datum.value, datum.low))
    for datum in over:
        ups.append(_log(datum.value, datum.low))
        downs.append(_log(datum.high, datum.value))
    high = value * math.exp(min(math.hypot(*ups), 700.0))
    return Datum(value, value * math.exp(-math.hypot(*downs)), high, unit, _SOURCE, "fair")


_SOURCE: Final = "quick estimate, band by root sum of squares of logarithms"


def _log(more: float, less: float) -> float:
    """ln(more / less); large where there is nothing to divide by."""
    return math.log(more / less) if less > 0.0 else (700.0 if more > 0.0 else 0.0)


def _reason(state: WetState, body: WetBody, rule: Rewet) -> str:
    due = redip_reason(state, redip_rule(rule.charge, rule.time, rule.temperature))
    return due or ("dry" if saturation(state, body) < NEARLY_DRY else "")


def _cathode_equilibrium(bench: Bench) -> float:
    return cathode_law(bench.cathode, bench.electrolyte.acidity).equilibrium


def _mean_current(bench: Bench, point: OperatingPoint, dip: Dip, charge: float) -> Datum:
    """Mean over the job [A]: that of a dip, held back by a battery half through its charge."""
    mean, source = dip.current, bench.power.source
    if isinstance(source, Battery) and mean > 0.0:
        life = SPENT * capacity(source, mean)
        half = 0.5 * min(charge, life)
        fresh, tired = (
            mean_current(bench, numbers_of(bench, bench.power.after(drawn, mean)))[0]
            for drawn in (0.0, half)
        )
        mean *= tired / fresh
    if point.current.value == 0.0:
        return point.current
    return point.current.times(mean / point.current.value, "A")


def _dips(bench: Bench, dip: Dip, time: float) -> int:
    """Wettings a time takes [-]; 1 where no rule wets the swab again."""
    if bench.rewet == Rewet():
        return 1
    return max(1, math.ceil(time / dip.time - 1e-6))


def _batteries(bench: Bench, charge: float, current: float) -> Datum | None:
    """Batteries a charge uses up [-], each until it is spent."""
    power = bench.power
    if not isinstance(power.source, Battery):
        return None
    catalogued = next((s for s in load_sources().values() if s.label == power.label), None)
    ends: tuple[Literal["usual", "strong", "weak"], ...] = ("usual", "strong", "weak")
    batteries = [catalogued.battery(strength=end) if catalogued else power.source for end in ends]
    used = [(charge + power.drawn) / (SPENT * capacity(one, current)) for one in batteries]
    return Datum(used[0], used[1], used[2], "", "capacity at that current", "fair")
