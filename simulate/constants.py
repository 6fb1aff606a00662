"""Physical constants, SI.

The exact ones are by definition of the SI (CODATA 2018: Tiesinga et al., Rev. Mod. Phys. 93 (2021)
025010); `ZERO_CELSIUS` and `ATMOSPHERE` are exact by definition too.
"""

from __future__ import annotations

import math

FARADAY = 96485.33212
"""Faraday constant [C/mol], product of two exact constants."""

GAS_CONSTANT = 8.314462618
"""Molar gas constant [J/(mol K)], product of two exact constants."""

ATMOSPHERE = 101325.0
"""Standard atmosphere [Pa]."""

ZERO_CELSIUS = 273.15
"""0 degC [K]."""

LN10 = math.log(10.0)
"""Natural logarithm of 10 [-]: volts per decade over volts per e-fold."""

WATER_MOLAR_MASS = 0.018015
"""Molar mass of water [kg/mol], IUPAC to five digits."""

WATER_HEAT = 4180.0
"""Specific heat of water at 25 degC [J/(kg K)], from memory; salt in it changes little."""

WATER_PRODUCT = 1e-14
"""Ionic product of water at 25 degC [(mol/L)^2]."""
