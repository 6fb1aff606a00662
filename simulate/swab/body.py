"""Lumped (0-D) model of the swab: what does not change while it works.

Volume, heat capacity, surfaces, acid and dissolution rate, built from the swab's shape and liquid.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from simulate.constants import FARADAY
from simulate.kernels.swab_balance import SwabNumbers
from simulate.materials.catalogue import Datum, read_catalogue
from simulate.materials.electrolyte import Electrolyte, viscosity_terms
from simulate.materials.metals import Metal, atomic_mass
from simulate.rules import above_zero, check, zero_or_more
from simulate.swab.acid_base import HYDROXIDES
from simulate.swab.cell_fractions import body_volume, wet_volume
from simulate.swab.contact_patch import contact_area
from simulate.swab.geometry import Bud, Swab
from simulate.swab.heat import HeatBody, brine_activity

WET_COTTON: Final = Datum(0.55, 0.45, 0.62, "W/(m K)", "water and cotton, from memory", "firm")
PLATE_PATH: Final = Datum(
    0.4, 0.25, 0.6, "", "share of the height that heat crosses to the plate; chosen", "loose"
)
GAS_RESIDENCE: Final = Datum(0.5, 0.1, 2.0, "s", "chosen; calibrate it on a current trace", "guess")
SLUDGE_VOLUME: Final = Datum(
    1e-4, 0.3e-4, 3e-4, "m3/mol", "of a fresh hydroxide and its water; chosen", "guess"
)
COTTON_HEAT: Final = 1520.0 * 1300.0  # of the fibre [J/(m3 K)], from memory
WIRE_HEAT: Final = 3.5e6  # [J/(m3 K)], copper or steel within 5 %, from memory


@dataclass(frozen=True, kw_only=True)
class WetBody:
    """What does not change while the swab works; built by `wet_body`.

    Parameters
    ----------
    heat : how it warms and dries.
    volume : of liquid when freshly dipped [m3].
    acid : acetic acid of the fresh liquid, dissociated or not [mol/m3].
    dissociation : of that acid [mol/m3].
    metal_rate : mass dissolved per charge [kg/C].
    elements : moles of each element per mass of dissolved metal [mol/kg].
    gas_residence : time hydrogen stays in the liquid [s].
    sludge_volume : of hydroxide and the water it holds, per metal fallen out [m3/mol].

    Raises
    ------
    InputError : a volume or a residence that is not above zero, a negative acid.
    """

    heat: HeatBody
    volume: float
    acid: float = 0.0
    dissociation: float = 1.754e-2
    metal_rate: float = 0.0
    elements: tuple[tuple[str, float], ...] = ()
    gas_residence: float = GAS_RESIDENCE.value
    sludge_volume: float = SLUDGE_VOLUME.value

    def __post_init__(self) -> None:
        rules = above_zero(self, "volume", "gas_residence")
        check(self, rules + zero_or_more(self, "acid", "metal_rate"))


def wet_body(
    swab: Swab,
    electrolyte: Electrolyte,
    metal: Metal | None = None,
    *,
    filling: float = 1.0,
    room_temperature: float = 293.15,
    humidity: float = 0.5,
) -> WetBody:
    """The lumped body of a swab with its liquid on a metal.

    Heat flows to the plate through `WET_COTTON` over `PLATE_PATH` of the swab's height. A bud gives
    off heat and vapour all round; a pad vapour at its sides only, its back being metal.

    Parameters
    ----------
    filling : share of the pores that a dip fills [-].
    room_temperature : of air and plate [K].
    humidity : relative [-].
    """
    volume, patch = filling * wet_volume(swab), contact_area(swab)
    solids = body_volume(swab) * (1.0 - swab.porosity) * COTTON_HEAT
    if isinstance(swab, Bud):
        height = swab.diameter - swab.press
        air = wet = math.pi * swab.diameter * swab.length - patch
        bar = swab.length - swab.wire_gap
        solids += 0.25 * math.pi * swab.wire_diameter**2 * bar * WIRE_HEAT
    else:
        height = swab.height
        wet = 2.0 * swab.height * (swab.length + swab.width)
        air = wet + patch
    share_of_water = (1.0 - electrolyte.salt_fraction) * (1.0 - electrolyte.acid_mass_fraction)
    heat = HeatBody(
        water=volume * electrolyte.density() * share_of_water,
        dry_heat=solids,
        plate_conductance=WET_COTTON.value * patch / (PLATE_PATH.value * height),
        air_area=air,
        wet_area=wet,
        water_activity=brine_activity(electrolyte.salt_fraction),
        fresh_temperature=electrolyte.temperature,
        room_temperature=room_temperature,
        plate_temperature=room_temperature,
        humidity=humidity,
    )
    acetic = read_catalogue("electrolytes.toml")["acetic_acid"]
    parts = metal.composition.items() if metal else ()
    return WetBody(
        heat=heat,
        volume=volume,
        acid=electrolyte.acid,
        dissociation=1e3 * float(acetic["dissociation"]),
        metal_rate=metal.efficiency.value * metal.equivalent_weight / FARADAY if metal else 0.0,
        elements=tuple((name, share / atomic_mass(name)) for name, share in parts),
    )


def swab_numbers(body: WetBody) -> SwabNumbers:
    """A lumped body as plain numbers, for `kernels.swab_balance`."""
    heat = body.heat
    rise, pole, power = viscosity_terms()
    return SwabNumbers(
        water=heat.water,
        dry_heat=heat.dry_heat,
        plate_conductance=heat.plate_conductance,
        air_area=heat.air_area,
        wet_area=heat.wet_area,
        water_activity=heat.water_activity,
        fresh_temperature=heat.fresh_temperature,
        room_temperature=heat.room_temperature,
        plate_temperature=heat.plate_temperature,
        humidity=heat.humidity,
        air_coefficient=heat.air_coefficient,
        falling_rate=heat.falling_rate,
        boiling_point=heat.boiling_point,
        volume=body.volume,
        acid=body.acid,
        dissociation=body.dissociation,
        metal_rate=body.metal_rate,
        gas_residence=body.gas_residence,
        sludge_volume=body.sludge_volume,
        viscosity_rise=rise,
        viscosity_pole=pole,
        viscosity_power=power,
    )


def element_numbers(body: WetBody) -> NDArray[np.float64]:
    """Elements that precipitate as hydroxides, (n, 3): see `kernels.swab_balance.fallen_metal`."""
    rows = [
        (moles, HYDROXIDES[name][0], math.log10(HYDROXIDES[name][1]))
        for name, moles in body.elements
        if name in HYDROXIDES
    ]
    return np.array(rows, dtype=np.float64).reshape(-1, 3)
