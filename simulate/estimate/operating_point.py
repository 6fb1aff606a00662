"""The current a person should read, and its band, without solving a field.

Supply, the two reactions and the swab in one loop::

    emf - I R_supply = E_metal - E_wire + eta_metal(I / A) + eta_wire(I / A_wire) + I R_swab

A the open area under the patch, R_swab by `simulate.swab.resistance`. A stroke is looked at in
moments, equal parts of its time, each with the share of the patch that is open then.

The band: every number of the catalogue that has a range is moved to its low and to its high end
alone; the changes of the logarithm are added as root sum of squares, upwards and downwards apart.
The numbers are taken as independent, and a range as covering as much as the band of the result.

Left out: the skirt, and that polarisation evens the current over the openings.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from simulate.constants import ATMOSPHERE, FARADAY, GAS_CONSTANT, LN10
from simulate.errors import Fault, InputError
from simulate.estimate.inputs import Bench
from simulate.field.supply import Supply
from simulate.materials.catalogue import Datum
from simulate.materials.lookup import cathode_law, find_cathode, find_source, load_sources
from simulate.swab.body import GAS_RESIDENCE
from simulate.swab.cell_fractions import cathode_area, wet_volume
from simulate.swab.contact_patch import contact_area
from simulate.swab.resistance import FORMULA_ERROR, resistance_factor

Doubles = NDArray[np.float64]
Numbers = Mapping[str, Doubles]

FILMED: Final = 0.7
"""Share of the salt film's limit from which the film, not swab and supply, sets the current [-]."""

_HALVINGS: Final = 38

#: What people read with a bud on steel, by the catalogue's name of the battery.
COMMON_READINGS: Final[Mapping[str, Datum]] = {
    "alkaline_9v": Datum(0.5, 0.2, 1.0, "A", "common practice, no source", "loose"),
    "zinc_carbon_9v": Datum(0.12, 0.05, 0.2, "A", "common practice, no source", "loose"),
}

#: The numbers that move the current, in words for people.
CAUSES: Final[Mapping[str, str]] = {
    "swab": "quick formula for the swab",
    "liquid": "conductivity of the liquid",
    "porosity": "porosity of the pressed swab",
    "exponent": "winding of the paths through the swab",
    "saturation": "how full the swab is",
    "gas": "gas in the swab",
    "emf": "voltage of the supply",
    "inner": "resistance inside the supply",
    "leads": "resistance of leads and clips",
    "onset": "potential at which the metal dissolves",
    "slope": "slope of the metal's reaction",
    "exchange": "exchange current of the metal",
    "film": "resistance of the film on the metal",
    "limit": "current at which a salt film forms",
    "wire_exchange": "exchange current at the wire",
    "wire_slope": "slope of the reaction at the wire",
}


@dataclass(frozen=True)
class Cause:
    """By what factor one number moves the current at the low and at the high end of its range."""

    name: str
    at_low: float
    at_high: float

    @property
    def words(self) -> str:
        """What the number is."""
        return CAUSES[self.name]

    @property
    def weight(self) -> float:
        """The larger of the two changes, as the size of a logarithm [-]."""
        ends = (self.at_low, self.at_high)
        return max(abs(math.log(end)) if end > 0.0 else math.inf for end in ends)


@dataclass(frozen=True)
class OperatingPoint:
    """The loop in balance while a freshly wetted swab touches open metal; means over its moments.

    Parameters
    ----------
    current : through the swab [A].
    swing : current that a tenth of the moments stay below, and that a tenth exceed [A].
    resistance : of swab and openings [ohm].
    floor : voltage the two reactions take [V].
    voltage : between plate and cathode [V].
    density : mean current density on the open metal [A/m2].
    power : current times voltage, turned to heat but for what the chemistry stores [W].
    limit : current density at which a salt film holds it [A/m2].
    touching : share of the time in which the swab touches open metal [-].
    causes : what the band of the current comes from, the largest first.
    """

    current: Datum
    swing: tuple[float, float]
    resistance: Datum
    floor: Datum
    voltage: Datum
    density: Datum
    power: Datum
    limit: Datum
    touching: float
    causes: tuple[Cause, ...]

    @property
    def filmed(self) -> bool:
        """Whether a salt film, not swab and supply, sets the current."""
        return self.density.value > FILMED * self.limit.value


def operating_point(bench: Bench) -> OperatingPoint:
    """Where a fresh supply, the reactions and a freshly wetted swab balance, with the band.

    Gas is taken as it stands after a second or two at that current; the liquid is not yet warm.

    Raises
    ------
    InputError : the metal does not etch.
    """
    if not bench.metal.etches:
        metal = bench.metal
        raise InputError(Fault(metal.verdict, metal.instead, key="metal", value=metal.label))
    numbers = numbers_of(bench, bench.power.after())
    touching = np.array(bench.shares) > 0.0
    for _ in range(2):
        found = _balance(bench, one_by_one(numbers, ()))
        numbers["gas"] = _gas(bench, float(found.means(touching)["current"][0]))
    moved = [name for name, number in numbers.items() if number.low < number.high]
    found = _balance(bench, one_by_one(numbers, moved))
    means = found.means(touching)
    current, area = means["current"], contact_area(bench.swab) * float(np.mean(bench.shares))
    on = found.current[0, touching]
    causes = [
        Cause(name, *(_ratio(float(part), float(current[0])) for part in pair))
        for name, pair in zip(moved, current[1:].reshape(-1, 2), strict=True)
    ]
    return OperatingPoint(
        **{name: root_sum_square(means[name], unit) for name, unit in _UNITS.items()},
        swing=(float(np.quantile(on, 0.1)), float(np.quantile(on, 0.9))),
        density=root_sum_square(current * touching.mean() / area, "A/m2"),
        limit=numbers["limit"],
        touching=float(touching.mean()),
        causes=tuple(sorted(causes, key=lambda cause: -cause.weight)),
    )


def _ratio(moved: float, best: float) -> float:
    return moved / best if best > 0.0 else (math.inf if moved > 0.0 else 1.0)


def mean_current(bench: Bench, numbers: Mapping[str, Datum]) -> tuple[float, float]:
    """Mean over all moments, those over the mask included: current [A] and heat I U [W]."""
    found = _balance(bench, one_by_one(numbers, ()))
    power = found.current * (found.floor + found.current * found.resistance)
    return float(found.current.mean()), float(power.mean())


# The numbers and their ranges ---------------------------------------------------------------------


def numbers_of(bench: Bench, supply: Supply) -> dict[str, Datum]:
    """The numbers of `CAUSES`, each with its range; one that a person gave has none."""
    metal, wick, wire = bench.metal, bench.wick, find_cathode(bench.cathode)
    leads = bench.power.leads
    source = next((s for s in load_sources().values() if s.label == bench.power.label), None)
    inner = supply.resistance - leads
    return {
        "swab": FORMULA_ERROR,
        "liquid": bench.electrolyte.conductivity_band(),
        "porosity": _ranged(bench.swab.porosity, wick.porosity),
        "exponent": _ranged(bench.swab.wick_exponent, wick.exponent),
        "saturation": wick.saturation,
        "gas": _stated(0.0),
        "emf": _scaled(supply.emf, source.open_circuit if source else None),
        "inner": _scaled(inner, source.resistance if source else None),
        "leads": _ranged(leads, find_source("leads").resistance),
        "onset": metal.equilibrium,
        "slope": metal.slope,
        "exchange": metal.exchange,
        "film": metal.film_resistance,
        "limit": metal.limit_stroked if bench.moving else metal.limit_still,
        "wire_exchange": wire.exchange,
        "wire_slope": wire.slope,
    }


def _stated(value: float) -> Datum:
    return Datum(value, value, value)


def _ranged(value: float, usual: Datum) -> Datum:
    """The catalogue's number if it is the one in use; else a person gave it, without a range."""
    return usual if math.isclose(value, usual.value, rel_tol=1e-9) else _stated(value)


def _scaled(value: float, usual: Datum | None) -> Datum:
    """A number with the relative range of the catalogue's, which it grew out of as it was used."""
    if usual is None or usual.value == 0.0:
        return _stated(value)
    scale = value / usual.value
    return Datum(value, scale * usual.low, scale * usual.high, usual.unit, usual.source,
                 usual.confidence)  # fmt: skip


def _gas(bench: Bench, current: float) -> Datum:
    """Share of gas in the swab's liquid at a steady current [-], by the residence time."""
    flow = current * GAS_CONSTANT * bench.electrolyte.temperature / (2.0 * FARADAY * ATMOSPHERE)
    liquid = bench.wick.saturation.value * wet_volume(bench.swab)

    def share(residence: float) -> float:
        return flow * residence / (liquid + flow * residence)

    time = GAS_RESIDENCE
    return Datum(share(time.value), share(time.low), share(time.high), "", time.source, "guess")


def one_by_one(numbers: Mapping[str, Datum], moved: Iterable[str]) -> dict[str, Doubles]:
    """Columns (1 + 2 n, 1): all at their best, then each of n names at its low and high end."""
    moved = list(moved)
    columns = {
        name: np.full((1 + 2 * len(moved), 1), number.value) for name, number in numbers.items()
    }
    for k, name in enumerate(moved):
        columns[name][1 + 2 * k, 0] = numbers[name].low
        columns[name][2 + 2 * k, 0] = numbers[name].high
    return columns


def root_sum_square(outcomes: Doubles, unit: str) -> Datum:
    """The first of outcomes (1 + 2 n,) with the band that the pairs after it make."""
    best = float(outcomes[0])
    if best <= 0.0:
        return Datum(best, min(best, *outcomes), max(best, *outcomes), unit, _SOURCE, "fair")
    with np.errstate(divide="ignore"):
        change = np.log(np.maximum(outcomes[1:], 0.0) / best).reshape(-1, 2)
    up = math.sqrt(float((np.maximum(change.max(axis=1), 0.0) ** 2).sum()))
    down = math.sqrt(float((np.minimum(change.min(axis=1), 0.0) ** 2).sum()))
    return Datum(best, best * math.exp(-down), best * math.exp(up), unit, _SOURCE, "fair")


_SOURCE: Final = "quick estimate; band by the catalogue's ranges, root sum of squares of logarithms"


# The loop -----------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class _Balance:
    """The loop in balance, all (variants, moments).

    current [A], resistance of the swab [ohm], and floor, the voltage of the two reactions [V].
    """

    current: Doubles
    resistance: Doubles
    floor: Doubles

    def means(self, touching: NDArray[np.bool_]) -> dict[str, Doubles]:
        """Means over the moments that touch, one per variant; potentials weighted by current."""
        current, resistance = self.current[:, touching], self.resistance[:, touching]
        total = np.maximum(current.sum(axis=1), 1e-30)
        floor = (current * self.floor[:, touching]).sum(axis=1) / total
        fall = (current**2 * resistance).sum(axis=1) / total
        mean = np.asarray(current.mean(axis=1))
        return {
            "current": mean,
            "resistance": 1.0 / (1.0 / resistance).mean(axis=1),
            "floor": floor,
            "voltage": floor + fall,
            "power": mean * (floor + fall),
        }


_UNITS: Final = {"current": "A", "resistance": "ohm", "floor": "V", "voltage": "V", "power": "W"}


def _balance(bench: Bench, numbers: Numbers) -> _Balance:
    """Solve the loop for every variant of the numbers, (m, 1) each, at every moment."""
    n, shares = numbers, np.array(bench.shares)[None, :]
    share = n["porosity"] ** n["exponent"] * n["saturation"] ** 2 * (1.0 - n["gas"]) ** 1.5
    factor = resistance_factor(bench.swab, shares, bench.width, bench.thickness, share)
    touching = shares > 0.0
    swab = np.where(touching, n["swab"] * factor / (n["liquid"] * share), 0.0)
    area = np.where(touching, shares, 1.0) * contact_area(bench.swab)
    wire = cathode_area(bench.swab)
    rest = n["onset"] - cathode_law(bench.cathode, bench.electrolyte.acidity).equilibrium

    def floor(current: Doubles) -> Doubles:
        density = current / area
        kinetic = density / np.sqrt(np.sqrt(1.0 - (density / n["limit"]) ** 4))
        eta = n["slope"] / LN10 * np.arcsinh(kinetic / (2.0 * n["exchange"]))
        back = n["wire_slope"] / LN10 * np.arcsinh(current / (2.0 * n["wire_exchange"] * wire))
        return np.asarray(rest + eta + n["film"] * density + back)

    series = swab + n["inner"] + n["leads"]
    drive = np.maximum(n["emf"] - rest, 0.0)
    low = np.zeros(np.broadcast_shapes(swab.shape, drive.shape))
    high = np.minimum(drive / series, (1.0 - 1e-12) * n["limit"] * area)
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        above = floor(middle) + middle * series > n["emf"]
        low, high = np.where(above, low, middle), np.where(above, middle, high)
    most = bench.power.after().current_limit
    held = np.full(low.shape, False) if most is None else low > most
    current = np.where(touching, np.where(held, most or 0.0, low), 0.0)
    # under a salt film's limit the film takes what the swab leaves
    taken = np.where(held, floor(current), n["emf"] - current * series)
    return _Balance(current, np.broadcast_to(swab, low.shape), taken)
