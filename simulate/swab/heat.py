"""Heat and water of a small wet body: what it loses to plate, air and vapour, and how it dries.

    C dT/dt = P - G (T - T_plate) - h A (T - T_room) - L e(T)      up to the boiling point
    dm/dt   = -e(T) - (surplus heat at the boiling point) / L

C = m c + C_dry. Left out: steam in the pores, the salt's concentration by drying, the plate's own
warming. Held to an exact constant-power solution by ``tests/published/test_heat_balance.py``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from simulate.materials.catalogue import Datum
from simulate.rules import above_zero, check, fraction, zero_or_more

GAS_CONSTANT: Final = 8.314462618  # [J/(mol K)], exact by definition of the SI
ATMOSPHERE: Final = 101325.0  # [Pa], exact by definition
ZERO_CELSIUS: Final = 273.15  # [K]
WATER_MOLAR_MASS: Final = 0.018015  # [kg/mol]
WATER_HEAT: Final = 4180.0  # [J/(kg K)], from memory; salt in it adds next to nothing

AIR_COEFFICIENT: Final = Datum(
    10.0, 5.0, 20.0, "W/(m2 K)", "free convection and radiation, order from memory", "loose"
)
FALLING_RATE: Final = Datum(
    0.3, 0.2, 0.5, "", "saturation below which drying fabric evaporates more slowly", "guess"
)
_AIR: Final = 1.15 * 1007.0 * 0.85 ** (2 / 3)  # rho c Le^(2/3) of air [J/(m3 K)], from memory


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


def vapour_pressure(temperature: float) -> float:
    """Of pure water [Pa], Antoine's equation, 1 to 100 degC within 0.5 % (constants from memory).

    temperature : [K].
    """
    celsius = temperature - ZERO_CELSIUS
    return float(133.322 * 10.0 ** (8.07131 - 1730.63 / (celsius + 233.426)))


def heat_of_vaporisation(temperature: float) -> float:
    """Of water [J/kg], a straight line within 0.5 % from 0 to 110 degC (from memory).

    temperature : [K].
    """
    return 2.501e6 - 2.38e3 * (temperature - ZERO_CELSIUS)


def brine_activity(salt_fraction: float) -> float:
    """Water activity of an NaCl solution [-], 1 - 0.55 w - 1.2 w^2 (from memory, within 2 %).

    Puts the boiling point 1.9 K up at 10 % and 4.8 K up at 20 %.

    salt_fraction : by mass, to saturation [-].
    """
    return 1.0 - 0.55 * salt_fraction - 1.2 * salt_fraction**2


def evaporation(body: HeatBody, temperature: float, saturation: float = 1.0) -> float:
    """Water evaporated into the room [kg/s], by the analogy of heat and mass transfer.

    h A / (rho c Le^(2/3)) times the difference of vapour densities; never negative.

    Parameters
    ----------
    temperature : of the body [K].
    saturation : water over water when fresh [-]; below `falling_rate` evaporation falls with it.
    """
    if saturation <= 0.0:
        return 0.0
    surface = body.water_activity * vapour_pressure(temperature) / temperature
    room = body.humidity * vapour_pressure(body.room_temperature) / body.room_temperature
    difference = (surface - room) * WATER_MOLAR_MASS / GAS_CONSTANT
    rate = body.air_coefficient / _AIR * body.wet_area * difference
    return max(rate, 0.0) * min(1.0, saturation / body.falling_rate)


@dataclass
class Drying:
    """A body's temperature [K] and water [kg] on their way, with the sums so far [J], [kg].

    `heat_vapour` is the vapour's whole enthalpy, counted from liquid at the fresh temperature.
    """

    body: HeatBody
    temperature: float
    water: float
    touching: bool = True
    heat_plate: float = 0.0
    heat_air: float = 0.0
    heat_vapour: float = 0.0
    evaporated: float = 0.0
    boiled: float = 0.0

    @property
    def capacity(self) -> float:
        """Heat capacity [J/K]."""
        return self.water * WATER_HEAT + self.body.dry_heat

    @property
    def enthalpy(self) -> float:
        """Heat stored since the fresh temperature [J]."""
        return self.capacity * (self.temperature - self.body.fresh_temperature)

    def run(self, power: float, time: float) -> None:
        """Go on for a time [s] at a constant heat [W], in twentieths of the time constant."""
        left = time
        while left > 0.0:
            hot = self.water > 0.0 and self.temperature >= self.body.boiling_point
            if hot and power > self.loss(self.temperature):
                left -= self._boil(power, left)
            else:
                left -= self._warm(power, left)

    def loss(self, temperature: float) -> float:
        """Heat lost at a temperature [W]."""
        plate, air = self._sensible(temperature)
        return plate + air + heat_of_vaporisation(temperature) * self._vapour(temperature)

    def _vapour(self, temperature: float) -> float:
        return evaporation(self.body, temperature, self.water / self.body.water)

    def _sensible(self, temperature: float) -> tuple[float, float]:
        """Heat flow to plate and to air [W]."""
        body = self.body
        plate = body.plate_conductance if self.touching else 0.0
        return (
            plate * (temperature - body.plate_temperature),
            body.air_coefficient * body.air_area * (temperature - body.room_temperature),
        )

    def _leave(self, temperature: float, evaporated: float, boiled: float) -> float:
        """Let water go as vapour from a temperature; return the enthalpy it takes [J]."""
        warmth = temperature - self.body.fresh_temperature
        taken = (evaporated + boiled) * (WATER_HEAT * warmth + heat_of_vaporisation(temperature))
        self.water -= evaporated + boiled
        self.evaporated += evaporated
        self.boiled += boiled
        self.heat_vapour += taken
        return taken

    def _boil(self, power: float, time: float) -> float:
        """Boil for a time, or until the water is gone; return the time taken."""
        point = self.temperature
        plate, air = self._sensible(point)
        rate = (power - plate - air) / heat_of_vaporisation(point)
        step = min(time, self.water / rate)
        lost = self.water if step < time else min(rate * step, self.water)
        evaporated = min(self._vapour(point) * step, lost)
        self.heat_plate += plate * step
        self.heat_air += air * step
        self._leave(point, evaporated, lost - evaporated)
        return step

    def _warm(self, power: float, time: float) -> float:
        """One step below the boiling point, or dry; return the time taken.

        The loss is taken as a straight line in T about the present temperature: exact for a
        constant heat and a linear loss, second order otherwise. The new temperature follows from
        the flows that were booked, so that the budget closes.
        """
        start, before = self.temperature, self.enthalpy
        slope = (self.loss(start + 0.01) - self.loss(start - 0.01)) / 0.02
        scale = self.capacity / slope
        step = min(time, 0.05 * scale)
        a = step / scale
        lag = 0.5 * a - a * a / 6.0 if a < 1e-4 else 1.0 + math.expm1(-a) / a
        mean = start + (power - self.loss(start)) / slope * lag
        plate, air = self._sensible(mean)
        gone = self._leave(mean, self._drying(self._vapour(mean) * step), 0.0)
        self.heat_plate += plate * step
        self.heat_air += air * step
        left = before + (power - plate - air) * step - gone
        self.temperature = self.body.fresh_temperature + left / self.capacity
        self._flash()
        return step

    def _drying(self, lost: float) -> float:
        """Water lost in a step, from that at its start; it slows as a nearly dry body dries."""
        if 0.0 < self.water < self.body.falling_rate * self.body.water:
            return -self.water * math.expm1(-lost / self.water)
        return min(lost, self.water)

    def _flash(self) -> None:
        """Turn heat above the boiling point into steam."""
        point = self.body.boiling_point
        if self.temperature <= point or self.water == 0.0:
            return
        surplus = self.capacity * (self.temperature - point)
        lost = min(surplus / heat_of_vaporisation(point), self.water)
        left = self.enthalpy - self._leave(point, 0.0, lost)
        dry = self.water == 0.0
        self.temperature = self.body.fresh_temperature + left / self.capacity if dry else point
