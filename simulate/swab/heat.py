"""Heat and evaporation balance of the swab (lumped): what decides how it warms and dries.

    C dT/dt = P - G (T - T_plate) - h A (T - T_room) - L e(T)      up to the boiling point
    dm/dt   = -e(T) - (surplus heat at the boiling point) / L

C = m c + C_dry. The balance itself is `kernels.swab_balance.heat_up`. Left out: steam in the pores,
the salt's concentration by drying, the plate's own warming. Held to an exact constant-power
solution by ``tests/published/test_heat_balance.py``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from simulate.constants import ATMOSPHERE, ZERO_CELSIUS
from simulate.materials.catalogue import Datum
from simulate.rules import above_zero, check, fraction, zero_or_more

AIR_COEFFICIENT: Final = Datum(
    10.0, 5.0, 20.0, "W/(m2 K)", "free convection and radiation, order from memory", "loose"
)
FALLING_RATE: Final = Datum(
    0.3, 0.2, 0.5, "", "saturation below which drying fabric evaporates more slowly", "guess"
)


@dataclass(frozen=True, kw_only=True)
class HeatBody:
    """What decides how a wet body warms and dries.

    Parameters
    ----------
    water : in it when freshly dipped [kg].
    dry_heat : heat capacity without the water [J/K].
    plate_conductance : to the plate while pressed on it [W/K].
    air_area, wet_area : that gives off heat, and that evaporates [m2].
    water_activity : of the liquid [-]; lowers the vapour pressure, raises the boiling point.
    fresh_temperature, room_temperature, plate_temperature : [K].
    humidity : relative, of the room [-].
    air_coefficient : of heat to the air [W/(m2 K)].
    falling_rate : saturation below which evaporation falls in proportion [-].

    Raises
    ------
    InputError : with every field that cannot be.
    """

    water: float
    dry_heat: float
    plate_conductance: float
    air_area: float
    wet_area: float
    water_activity: float = 1.0
    fresh_temperature: float = 293.15
    room_temperature: float = 293.15
    plate_temperature: float = 293.15
    humidity: float = 0.5
    air_coefficient: float = AIR_COEFFICIENT.value
    falling_rate: float = FALLING_RATE.value

    def __post_init__(self) -> None:
        rules = above_zero(self, "water", "dry_heat", "air_area", "air_coefficient", "falling_rate")
        rules += zero_or_more(self, "plate_conductance", "wet_area")
        rules += fraction(self, "humidity")
        activity = ("water_activity", 0 < self.water_activity <= 1)
        check(self, [*rules, (*activity, "out of range", "above 0, at most 1")])

    @property
    def boiling_point(self) -> float:
        """Where the liquid's vapour pressure is one atmosphere [K]."""
        tens = math.log10(ATMOSPHERE / self.water_activity / 133.322)
        return 1730.63 / (8.07131 - tens) - 233.426 + ZERO_CELSIUS


def brine_activity(salt_fraction: float) -> float:
    """Water activity of an NaCl solution [-], 1 - 0.55 w - 1.2 w^2 (from memory, within 2 %).

    Puts the boiling point 1.9 K up at 10 % and 4.8 K up at 20 %.

    salt_fraction : by mass, to saturation [-].
    """
    return 1.0 - 0.55 * salt_fraction - 1.2 * salt_fraction**2
