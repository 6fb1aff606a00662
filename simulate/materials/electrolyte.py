"""The liquid: common salt in vinegar or water, by mass.

Salt sets the conductivity; the vinegar's acid hardly conducts, it is the stock that keeps the
swab from turning alkaline. All numbers come from ``catalogue/electrolytes.toml``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields
from functools import cache, cached_property
from typing import Any, Final

import numpy as np

from simulate.constants import ZERO_CELSIUS
from simulate.errors import Fault, InputError
from simulate.materials.catalogue import Datum, read_catalogue, read_datum, resolve_name
from simulate.rules import broken, zero_or_more

_TWENTY: Final = ZERO_CELSIUS + 20.0


@dataclass(frozen=True)
class Electrolyte:
    """Common salt stirred into vinegar, water or both.

    Parameters
    ----------
    vinegar : volume of vinegar [m3]; the liquid may also be water alone.
    salt : mass of salt put in [kg], dissolved or not.
    acid_fraction : acetic acid in the vinegar, by mass [-].
    temperature : of the liquid when mixed [K].
    measured_conductivity : if it was measured, at ``temperature`` [S/m]; overrides the recipe.
    water : volume of water [m3].

    Raises
    ------
    InputError : with every field that cannot be.

    Notes
    -----
    Valid from 0 to 100 degC and to saturation. The conductivity of the salt carries the stated
    error of its fit, 0.86 %, at 20 degC; `conductivity_band` adds what vinegar and temperature do.

    >>> brine = Electrolyte(vinegar=60e-6, salt=6e-3)
    >>> round(brine.molarity), round(brine.conductivity(), 1)
    (1658, 11.8)
    """

    vinegar: float
    salt: float
    acid_fraction: float = 0.05
    temperature: float = _TWENTY
    measured_conductivity: float | None = None
    water: float = 0.0

    def __post_init__(self) -> None:
        """Refuse what no liquid can be."""
        given = (field.name for field in fields(self))
        keys = [key for key in given if getattr(self, key) is not None]
        faults = broken(self, zero_or_more(self, *keys))
        if self.acid_fraction > 0.3:
            faults.append(
                Fault("too strong for kitchen work", "at most 30 %; vinegar is 5 to 10 %",
                      key="acid_fraction", value=f"{self.acid_fraction:g}")
            )  # fmt: skip
        if not ZERO_CELSIUS <= self.temperature <= ZERO_CELSIUS + 100.0:
            faults.append(
                Fault("not a liquid's temperature", "0 to 100 degC", key="temperature",
                      value=f"{self.temperature:g} K")
            )  # fmt: skip
        if self.vinegar + self.water == 0:
            faults.append(Fault("there is no liquid", "vinegar or water above zero", key="vinegar"))
        if self.measured_conductivity == 0:
            faults.append(Fault("a liquid that does not conduct", "> 0 S/m", key="conductivity"))
        if faults:
            raise InputError(faults)

    @cached_property
    def liquid(self) -> float:
        """Mass of the liquid before the salt [kg]."""
        water = _numbers("water")["density"].value
        sour = (
            water + (_numbers("acetic_acid")["density"].value - water) * self.acid_fraction / 0.05
        )
        return float(self.vinegar * sour + self.water * water)

    @cached_property
    def acid_mass_fraction(self) -> float:
        """Acetic acid over the liquid without salt, by mass [-]."""
        sour = self.liquid - self.water * _numbers("water")["density"].value
        return float(self.acid_fraction * sour / self.liquid)

    @cached_property
    def salt_dissolved(self) -> float:
        """Mass of salt in solution [kg]: what was put in, or what saturates the water."""
        solvent = self.liquid * (1.0 - self.acid_mass_fraction)
        share = solubility(self.temperature)
        return min(self.salt, solvent * share / (1.0 - share))

    @cached_property
    def salt_undissolved(self) -> float:
        """Mass of salt left at the bottom [kg]; it does nothing for the current."""
        return self.salt - self.salt_dissolved

    @property
    def saturated(self) -> bool:
        """Whether salt is left undissolved."""
        return self.salt_undissolved > 0.0

    @cached_property
    def salt_fraction(self) -> float:
        """Dissolved salt over the whole solution, by mass [-]."""
        return self.salt_dissolved / (self.salt_dissolved + self.liquid)

    def density(self, temperature: float | None = None) -> float:
        """Density of the solution [kg/m3].

        rho_liquid (1 + a w + b w^2 + c w^3) (1 - expansion (T - 20 degC)), w the salt fraction;
        within 0.1 % at 20 degC, 0.5 % from 0 to 60 degC.

        Parameters
        ----------
        temperature : [K]; that of mixing if None.
        """
        salt = _numbers("sodium_chloride")
        w = self.salt_fraction
        a, b, c = salt["density_terms"]
        warmer = (self.temperature if temperature is None else temperature) - _TWENTY
        bare = self.liquid / (self.vinegar + self.water)
        growth = 1.0 + w * (a + w * (b + w * c))
        return float(bare * growth * (1.0 - salt["expansion"].value * warmer))

    @cached_property
    def molarity(self) -> float:
        """Concentration of dissolved salt at 20 degC [mol/m3]."""
        molar_mass = _numbers("sodium_chloride")["molar_mass"]
        return float(self.salt_fraction * self.density(_TWENTY) / molar_mass)

    @cached_property
    def acid(self) -> float:
        """Concentration of acetic acid, dissociated or not, at 20 degC [mol/m3]."""
        share = self.acid_mass_fraction * (1.0 - self.salt_fraction)
        return float(share * self.density(_TWENTY) / _numbers("acetic_acid")["molar_mass"])

    @cached_property
    def acidity(self) -> float:
        """The fresh liquid's pH [-], by Ostwald's dilution law; 7 without acid."""
        if self.acid == 0.0:
            return 7.0
        dissociation = _numbers("acetic_acid")["dissociation"] * 1e3  # mol/m3
        proton = (math.sqrt(dissociation**2 + 4.0 * dissociation * self.acid) - dissociation) / 2.0
        return -math.log10(proton * 1e-3)

    def conductivity(self, temperature: float | None = None) -> float:
        """Conductivity of the liquid without gas or cotton [S/m].

        The measured value if there is one, else the salt's fit plus the acid's table at 20 degC;
        carried to the temperature by the power of water's viscosity (`viscosity_ratio`).

        Parameters
        ----------
        temperature : [K]; that of mixing if None.
        """
        wanted = self.temperature if temperature is None else temperature
        if self.measured_conductivity is not None:
            return self.measured_conductivity * viscosity_ratio(self.temperature, wanted)
        at_twenty = salt_conductivity(self.molarity) + acid_conductivity(self.acid_mass_fraction)
        return at_twenty * viscosity_ratio(_TWENTY, wanted)

    def conductivity_band(self, temperature: float | None = None) -> Datum:
        """`conductivity` with the range its sources leave [S/m]."""
        wanted = self.temperature if temperature is None else temperature
        best = self.conductivity(wanted)
        power = _numbers("sodium_chloride")["viscosity_power"]
        warmed = viscosity_ratio(self._reference, wanted, power=1.0)
        steps = [warmed ** (end - power.value) for end in (power.low, power.high)]
        fit = _numbers("sodium_chloride")["conductivity_error"]
        drag = _numbers("acetic_acid")["drag"]
        measured, sour = self.measured_conductivity is not None, self.acid_mass_fraction > 0
        low = 0.0 if measured else fit.low + sour * drag.low
        high = 0.0 if measured else fit.high + sour * drag.high
        return Datum(
            best,
            best * (1.0 + low) * min(1.0, *steps),
            best * (1.0 + high) * max(1.0, *steps),
            "S/m",
            "measured" if measured else f"{fit.source}; {power.source}",
            "fair" if sour else "firm",
        )

    @property
    def _reference(self) -> float:
        return _TWENTY if self.measured_conductivity is None else self.temperature


def salt_conductivity(molarity: float) -> float:
    """Conductivity of NaCl in water at 20 degC [S/m].

    kappa = 0.1 c (a + b c^0.5 + d c + e c^1.5) with c in mol/L; largest error 0.86 % on nine points
    from 0.08 to 5.43 mol/L. Below, it runs into the limiting value 8 % low.

    Parameters
    ----------
    molarity : at 20 degC [mol/m3].
    """
    a, b, d, e = _numbers("sodium_chloride")["conductivity_terms"]
    c = molarity * 1e-3
    root = math.sqrt(c)
    return float(0.1 * c * (a + b * root + d * c + e * c * root))


def acid_conductivity(mass_fraction: float) -> float:
    """Conductivity of acetic acid in water at 20 degC [S/m]: straight lines in a table."""
    table = _numbers("acetic_acid")
    share = 100.0 * mass_fraction
    return float(np.interp(share, table["conductivity_percent"], table["conductivity"]))


def solubility(temperature: float) -> float:
    """Mass fraction of NaCl in saturated water [-], by straight lines in a table, 0 to 100 degC.

    Parameters
    ----------
    temperature : [K].
    """
    table = _numbers("sodium_chloride")
    celsius = temperature - ZERO_CELSIUS
    percent = np.interp(celsius, table["solubility_temperatures"], table["solubility_percent"])
    return float(percent) / 100.0


def water_viscosity(temperature: float) -> float:
    """Viscosity of water [Pa s], by Vogel's equation 2.414e-5 * 10^(247.8 / (T - 140)).

    Parameters
    ----------
    temperature : [K], 273 to 373; within 2.5 %.
    """
    scale, rise, pole = _numbers("water")["viscosity_terms"]
    return float(scale * 10.0 ** (rise / (temperature - pole)))


def viscosity_ratio(start: float, end: float, *, power: float | None = None) -> float:
    """How much better a salt solution conducts at one temperature than at another [-].

    (eta(start) / eta(end))^p with water's viscosity eta and p = 0.90: about 2 % per kelvin at
    25 degC. Within 1.6 % of saturated NaCl from 0 to 35 degC.

    Parameters
    ----------
    start, end : [K].
    power : p; the catalogue's if None.
    """
    if power is None:
        power = _numbers("sodium_chloride")["viscosity_power"].value
    return float((water_viscosity(start) / water_viscosity(end)) ** power)


def viscosity_terms() -> tuple[float, float, float]:
    """Rise and pole [K] of Vogel's equation (`water_viscosity`), and the power of
    `viscosity_ratio`: for those who compile them."""
    _, rise, pole = _numbers("water")["viscosity_terms"]
    return float(rise), float(pole), float(_numbers("sodium_chloride")["viscosity_power"].value)


def salt_in_spoons(volume: float, grain: str = "table salt") -> Datum:
    """Mass of salt in level spoons [kg].

    Parameters
    ----------
    volume : of the spoons [m3]; a metric teaspoon holds 5 mL.
    grain : ``"table salt"``, ``"coarse salt"`` or ``"flaked salt"``.

    Raises
    ------
    InputError : the grain is not in the catalogue.

    >>> round(float(salt_in_spoons(5e-6)) * 1e3, 3)
    6.0
    """
    catalogue = read_catalogue("electrolytes.toml")
    entry = catalogue["bulk"][resolve_name("grain of salt", grain, catalogue["bulk"])]
    bulk = read_datum(entry["density"], "density", catalogue["sources"])
    low, high = bulk.low * volume, bulk.high * volume
    return Datum(bulk.value * volume, low, high, "kg", bulk.source, bulk.confidence)


@cache
def _numbers(section: str) -> dict[str, Any]:
    """A section of the catalogue with its ranged numbers read."""
    catalogue = read_catalogue("electrolytes.toml")
    table = dict(catalogue[section])
    for key, entry in table.items():
        if isinstance(entry, dict):
            dimension = "density" if key == "density" else "ratio"
            table[key] = read_datum(entry, dimension, catalogue["sources"], key)
    if "molar_mass" in table:
        table["molar_mass"] *= 1e-3  # g/mol to kg/mol
    return table
