"""How much salt: conductivity, current and time against the dose, and what one more pinch gains.

The doses are tried on a case's own bench, or on the usual one: what most people have at hand. All
of it is by `simulate.estimate.operating_point`, the swab freshly wetted and not yet warm.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Final, Literal

from simulate.case.settings import Power
from simulate.constants import FARADAY
from simulate.estimate.forecast import depth_yield, quadrature
from simulate.estimate.inputs import Bench
from simulate.estimate.operating_point import OperatingPoint, operating_point
from simulate.materials.catalogue import Datum
from simulate.materials.electrolyte import Electrolyte, salt_in_spoons
from simulate.materials.lookup import find_source, find_wick
from simulate.materials.metals import Metal
from simulate.materials.removal import charge_for_depth
from simulate.swab.cell_fractions import wet_volume
from simulate.swab.geometry import Bud

TEASPOON: Final = 5e-6  # metric, level [m3]

#: Salt over liquid that is tried, in spoons that people use [kg/m3]: 1/12 to 3 1/3 teaspoons of
#: table salt to 60 mL.
DOSES: Final = tuple(g / 60.0 * 1e3 for g in (0.5, 1.0, 1.5, 3.0, 6.0, 9.0, 12.0, 15.0, 20.0))

#: The usual bench, in words.
USUAL: Final = (
    "A bud of 5 x 14 mm pressed 0.8 mm and held 5 deg off the plate, with a wire of 1 mm that ends "
    "2.5 mm short of the tip; tape of 0.15 mm, lines of 1 mm; half of what the bud touches is open."
)

Holder = Literal["swab", "film", "supply", "reactions"]


@dataclass(frozen=True)
class Dose:
    """One dose of salt and what it does.

    Parameters
    ----------
    salt : put in [kg]. spoons : the same in level teaspoons of table salt [-].
    electrolyte : the liquid.
    conductivity : of the liquid [S/m].
    current : with a fresh swab [A].
    time : to the depth wanted [s], at that current; None if none is wanted.
    gain : current over that of the dose before, less one [-]; None for the first.
    held_by : what takes most of the voltage, or the salt film where it sets the current.
    """

    salt: float
    spoons: Datum
    electrolyte: Electrolyte
    conductivity: Datum
    current: Datum
    time: Datum | None
    gain: float | None
    held_by: Holder


def usual_bench(
    metal: Metal, electrolyte: Electrolyte, power: Power, *, open_area: float, depth: float
) -> Bench:
    """The usual bench, see `USUAL`, with a metal, a liquid and a supply.

    Parameters
    ----------
    open_area : of all openings [m2].
    depth : wanted [m].
    """
    return Bench(
        metal=metal,
        electrolyte=electrolyte,
        power=power,
        swab=Bud(5e-3, 14e-3, 0.8e-3, math.radians(5.0), 0.0, 1e-3, 2.5e-3),
        wick=find_wick("cotton_bud"),
        cathode="copper",
        shares=(0.5,),
        open_area=open_area,
        width=1e-3,
        thickness=0.15e-3,
        depth=depth,
    )


def power_of(name: str) -> Power:
    """A catalogued battery with the usual leads.

    Raises
    ------
    InputError : it is not in the catalogue, or no battery.
    """
    source = find_source(name)
    return Power(source.battery(), find_source("leads").resistance.value, label=source.label)


def try_doses(bench: Bench, masses: Iterable[float]) -> tuple[Dose, ...]:
    """The bench with each mass of salt [kg] in its liquid, in order of mass; doubles are left out.

    Raises
    ------
    InputError : the metal does not etch.
    """
    doses: list[Dose] = []
    for salt in sorted(set(masses)):
        liquid = replace(bench.electrolyte, salt=salt, measured_conductivity=None)
        tried = replace(bench, electrolyte=liquid)
        point = operating_point(tried)
        before = doses[-1].current.value if doses else None
        doses.append(
            Dose(
                salt=salt,
                spoons=_spoons(salt),
                electrolyte=liquid,
                conductivity=liquid.conductivity_band(),
                current=point.current,
                time=time_to_depth(tried, point),
                gain=None if before is None else point.current.value / before - 1.0,
                held_by=holder(tried, point),
            )
        )
    return tuple(doses)


def time_to_depth(bench: Bench, point: OperatingPoint) -> Datum | None:
    """Time to the depth wanted at the current of a fresh swab [s]; None if none is wanted."""
    if bench.depth is None:
        return None
    charge = float(charge_for_depth(bench.metal, bench.depth)) * bench.open_area
    mean = point.current.value * point.touching
    return quadrature(charge / mean, "s", over=[point.current, depth_yield(bench.metal)])


def holder(bench: Bench, point: OperatingPoint) -> Holder:
    """What sets the current: the salt film, the swab, supply and leads, or the reactions."""
    if point.filmed:
        return "film"
    if point.current.value == 0.0:
        return "reactions"
    supply = bench.power.after()
    if supply.current_limit is not None and point.current.value > 0.99 * supply.current_limit:
        return "supply"
    parts: dict[Holder, float] = {
        "swab": point.voltage.value - point.floor.value,
        "supply": supply.emf - point.voltage.value,
        "reactions": point.floor.value,
    }
    return max(parts, key=lambda part: parts[part])


def charge_per_dip(bench: Bench) -> float:
    """Charge that uses up the acid of one freshly wetted swab [C]: one electron per molecule."""
    liquid = bench.wick.saturation.value * wet_volume(bench.swab)
    return bench.electrolyte.acid * liquid * FARADAY


def saturating(electrolyte: Electrolyte) -> float:
    """Mass of salt that just saturates the liquid at its temperature [kg]."""
    return replace(electrolyte, salt=10.0 * electrolyte.liquid).salt_dissolved


def _spoons(salt: float) -> Datum:
    spoon = salt_in_spoons(TEASPOON)
    return Datum(salt / spoon.value, salt / spoon.high, salt / spoon.low, "", spoon.source, "fair")
