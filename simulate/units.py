"""Quantities as people write them, to SI and back.

A quantity is a number and a unit: ``"0.15 mm"``, ``"2 1/2 tsp"``, ``"3 A/dm^2"``, ``"20 degC"``.
The table of units is closed and its scales are exact fractions, so ``"0.18 mm"`` is the float
nearest to 0.00018. Inside the package every number is SI; units stand only at the doors.

Spoons and cups are volumes. A bare ``tsp``, ``tbsp`` or ``cup`` is the metric one (5, 15, 250 mL);
``US tsp``, ``US tbsp``, ``US cup`` and ``US floz`` are the customary ones of the United States.

A temperature is absolute, never a difference. ``C`` is the coulomb; Celsius is ``degC``.
"""

from __future__ import annotations

import difflib
import math
import re
import unicodedata
from fractions import Fraction
from functools import lru_cache
from typing import Final, NamedTuple

from simulate.errors import Fault, InputError

_LONGEST = 80  # characters; a longer text is no quantity, and exact arithmetic stays cheap


class Dimension(NamedTuple):
    """Exponents of kilogram, metre, second, ampere, kelvin, mole and radian."""

    kg: int = 0
    m: int = 0
    s: int = 0
    A: int = 0
    K: int = 0
    mol: int = 0
    rad: int = 0

    def raised(self, other: Dimension, power: int) -> Dimension:
        """This dimension times ``other`` to a power."""
        return Dimension(*(a + power * b for a, b in zip(self, other, strict=True)))


class _Kind(NamedTuple):
    """What a field of the case may ask for."""

    dimension: Dimension
    words: str  # with its article
    example: str


_KINDS: Final[dict[str, _Kind]] = {
    "length": _Kind(Dimension(m=1), "a length", "0.15 mm"),
    "mass": _Kind(Dimension(kg=1), "a mass", "15 g"),
    "volume": _Kind(Dimension(m=3), "a volume", "60 mL"),
    "time": _Kind(Dimension(s=1), "a time", "30 s"),
    "temperature": _Kind(Dimension(K=1), "a temperature", "20 degC"),
    "voltage": _Kind(Dimension(kg=1, m=2, s=-3, A=-1), "a voltage", "9 V"),
    "current": _Kind(Dimension(A=1), "a current", "0.5 A"),
    "resistance": _Kind(Dimension(kg=1, m=2, s=-3, A=-2), "a resistance", "1.7 ohm"),
    "area_resistance": _Kind(
        Dimension(kg=1, m=4, s=-3, A=-2), "a resistance times area", "0.3 ohm cm2"
    ),
    "current_density": _Kind(Dimension(m=-2, A=1), "a current density", "3 A/dm^2"),
    "conductivity": _Kind(Dimension(kg=-1, m=-3, s=3, A=2), "a conductivity", "12 S/m"),
    "speed": _Kind(Dimension(m=1, s=-1), "a speed", "8 mm/s"),
    "charge": _Kind(Dimension(s=1, A=1), "a charge", "565 mAh"),
    "charge_density": _Kind(Dimension(m=-2, s=1, A=1), "a charge per area", "60 C/cm2"),
    "angle": _Kind(Dimension(rad=1), "an angle", "30 deg"),
    "ratio": _Kind(Dimension(), "a ratio", "10 %"),
    "concentration": _Kind(Dimension(m=-3, mol=1), "a concentration", "0.8 mol/L"),
    "area": _Kind(Dimension(m=2), "an area", "0.5 cm2"),
    "pressure": _Kind(Dimension(kg=1, m=-1, s=-2), "a pressure", "60 kPa"),
    "power": _Kind(Dimension(kg=1, m=2, s=-3), "a power", "4 W"),
    "density": _Kind(Dimension(kg=1, m=-3), "a density", "7.87 g/cm3"),
    "air_changes": _Kind(Dimension(s=-1), "a number of air changes per time", "3 /h"),
}
_WORDS_OF: Final = {kind.dimension: kind.words for kind in _KINDS.values()}

#: The dimensions `parse_quantity` knows by name.
DIMENSIONS: Final = tuple(_KINDS)


class _Unit(NamedTuple):
    """A unit: its size in SI and the prefixes it takes."""

    scale: Fraction
    dimension: Dimension
    prefixes: str = ""


def _named(kind: str, scale: Fraction | int, prefixes: str = "") -> _Unit:
    return _Unit(Fraction(scale), _KINDS[kind].dimension, prefixes)


_PREFIXES: Final = {
    "n": Fraction(1, 10**9),
    "u": Fraction(1, 10**6),
    "μ": Fraction(1, 10**6),
    "m": Fraction(1, 10**3),
    "c": Fraction(1, 100),
    "d": Fraction(1, 10),
    "k": Fraction(10**3),
    "M": Fraction(10**6),
}
_MILLILITRE = Fraction(1, 10**6)
_INCH = Fraction(254, 10**4)
_US_GALLON = 231 * _INCH**3
_DEGREE = Fraction(math.pi) / 180

_UNITS: Final[dict[str, _Unit]] = {
    "m": _named("length", 1, "nuμmcdk"),
    "in": _named("length", _INCH),
    "mil": _named("length", _INCH / 1000),
    "ft": _named("length", 12 * _INCH),
    "g": _named("mass", Fraction(1, 1000), "uμmk"),
    "oz": _named("mass", Fraction("0.028349523125")),
    "L": _named("volume", 1000 * _MILLILITRE, "uμmcd"),
    "l": _named("volume", 1000 * _MILLILITRE, "uμmcd"),
    "tsp": _named("volume", 5 * _MILLILITRE),
    "tbsp": _named("volume", 15 * _MILLILITRE),
    "cup": _named("volume", 250 * _MILLILITRE),
    "US tsp": _named("volume", _US_GALLON / 768),
    "US tbsp": _named("volume", _US_GALLON / 256),
    "US floz": _named("volume", _US_GALLON / 128),
    "US cup": _named("volume", _US_GALLON / 16),
    "s": _named("time", 1, "nuμm"),
    "min": _named("time", 60),
    "h": _named("time", 3600),
    "K": _named("temperature", 1),
    "V": _named("voltage", 1, "uμmk"),
    "A": _named("current", 1, "nuμmk"),
    "ohm": _named("resistance", 1, "mkM"),
    "Ω": _named("resistance", 1, "mkM"),
    "S": _Unit(Fraction(1), Dimension(kg=-1, m=-2, s=3, A=2), "nuμmk"),
    "C": _named("charge", 1, "uμmk"),
    "Ah": _named("charge", 3600, "m"),
    "W": _named("power", 1, "uμmk"),
    "Pa": _named("pressure", 1, "kM"),
    "bar": _named("pressure", 10**5, "m"),
    "mol": _named("concentration", 1, "uμmk")._replace(dimension=Dimension(mol=1)),
    "rad": _named("angle", 1, "m"),
    "deg": _named("angle", _DEGREE),
    "°": _named("angle", _DEGREE),
    "%": _named("ratio", Fraction(1, 100)),
    "ppm": _named("ratio", Fraction(1, 10**6)),
}
#: Scales whose zero is not the zero of kelvin: kelvin = size * value + zero.
_OFFSETS: Final = {
    "degC": (Fraction(1), Fraction(27315, 100)),
    "°C": (Fraction(1), Fraction(27315, 100)),
    "degF": (Fraction(5, 9), Fraction(45967, 180)),
    "°F": (Fraction(5, 9), Fraction(45967, 180)),
}
#: Words that are no unit here, and the unit that is meant.
_MEANT: Final = {
    **dict.fromkeys(("sec", "secs", "second", "seconds"), "s"),
    **dict.fromkeys(("mins", "minute", "minutes"), "min"),
    **dict.fromkeys(("hr", "hrs", "hour", "hours"), "h"),
    **dict.fromkeys(("gram", "grams", "gr"), "g"),
    **dict.fromkeys(("litre", "litres", "liter", "liters"), "L"),
    **dict.fromkeys(("teaspoon", "teaspoons", "tsps"), "tsp"),
    **dict.fromkeys(("tablespoon", "tablespoons", "tbs"), "tbsp"),
    **dict.fromkeys(("cups",), "cup"),
    **dict.fromkeys(("inch", "inches", '"'), "in"),
    **dict.fromkeys(("thou", "mils"), "mil"),
    **dict.fromkeys(("volt", "volts"), "V"),
    **dict.fromkeys(("amp", "amps", "ampere", "amperes"), "A"),
    **dict.fromkeys(("ohms", "R"), "ohm"),
    **dict.fromkeys(("micron", "microns"), "um"),
    **dict.fromkeys(("degree", "degrees"), "deg"),
    **dict.fromkeys(("celsius", "Celsius", "centigrade"), "degC"),
    **dict.fromkeys(("percent", "pct"), "%"),
    **dict.fromkeys(("floz", "fl"), "US floz"),
}

_VULGAR = re.compile("[¼-¾⅐-⅞]")
_TYPOGRAPHIC: Final = {0x2044: "/", 0x2212: "-", 0xB7: "*", 0x22C5: "*", 0xD7: "*"}
_FRACTION = re.compile(r"([+-]?)\s*(?:(\d+)\s+)?(\d+)\s*/\s*(\d+)")
_DECIMAL = re.compile(r"[+-]?\s*(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,2}(?!\d))?")
_FACTOR = re.compile(
    r"(?P<join>\s*[*/]\s*|\s+|^)(?P<name>(?:US )?[^\W\d]+|%|°[CF]?)\^?(?P<power>-?\d)?"
)


class _NoQuantity(ValueError):
    """What is wrong with a text; `parse_quantity` adds what would be accepted."""


def parse_quantity(text: str | float, dimension: str) -> float:
    """The SI value of a quantity.

    Parameters
    ----------
    text : number and unit, such as ``"0.15 mm"``, ``"2 1/2 tsp"`` or ``"3 A/dm^2"``. The number
        may be a decimal, a fraction or both; a plain number is taken only where a ratio is due.
    dimension : one of `DIMENSIONS`, such as ``"length"``.

    Returns
    -------
    float in SI units: angles in [rad], temperatures absolute in [K], ratios in [-].

    Raises
    ------
    InputError : the text is no quantity, or one of another dimension; says what would be accepted.

    >>> parse_quantity("0.18 mm", "length")
    0.00018
    >>> parse_quantity("2 1/2 tsp", "volume")
    1.25e-05
    """
    if dimension not in _KINDS:
        raise ValueError(f"no dimension named {dimension!r}; there are {', '.join(DIMENSIONS)}")
    kind = _KINDS[dimension]
    try:
        return _convert(text, dimension)
    except _NoQuantity as problem:
        expected = f'{kind.words} such as "{kind.example}"'
        shown = repr(text) if len(repr(text)) <= _LONGEST else repr(text)[:_LONGEST] + "..."
        raise InputError([Fault(str(problem), expected, value=shown)]) from None


def in_unit(value: float, unit: str) -> float:
    """A value in SI expressed in a unit; the inverse of `parse_quantity`.

    >>> round(in_unit(293.15, "degC"), 6)
    20.0
    """
    if unit in _OFFSETS:
        size, zero = _OFFSETS[unit]
        return (value - float(zero)) / float(size)
    scale, _ = _read_unit(_plain(unit))
    return value / float(scale) if scale >= 1 else value * float(1 / scale)


def format_quantity(value: float, unit: str, digits: int = 3) -> str:
    """A value in SI as text in a unit, rounded to significant digits.

    Parameters
    ----------
    value : in SI.
    unit : any unit `parse_quantity` reads; empty for a plain number.
    digits : significant digits.

    >>> format_quantity(2.53e-5, "um")
    '25.3 um'
    >>> format_quantity(1234567.0, "A/m2")
    '1230000 A/m2'
    """
    return f"{format_number(in_unit(value, unit), digits)} {unit}".rstrip()


def format_number(value: float, digits: int = 3) -> str:
    """A plain number rounded to significant digits, without an exponent where that reads well.

    >>> format_number(0.0400)
    '0.04'
    """
    if not math.isfinite(value):
        return "unknown" if math.isnan(value) else ("infinite" if value > 0 else "-infinite")
    short = float(f"{value:.{digits - 1}e}")
    if short == 0:
        return "0"
    if not 1e-4 <= abs(short) < 1e7:
        return f"{short:.{digits - 1}e}"
    plain = f"{short:.{max(0, digits - 1 - math.floor(math.log10(abs(short))))}f}"
    return plain.rstrip("0").rstrip(".") if "." in plain else plain


def _convert(text: str | float, dimension: str) -> float:
    """The SI value, or `_NoQuantity`."""
    if isinstance(text, bool) or not isinstance(text, str | int | float):
        raise _NoQuantity("not a quantity")
    number, unit = _split(_plain(str(text)))
    if unit in _OFFSETS:
        if dimension != "temperature":
            raise _NoQuantity(f"{unit} is a temperature")
        size, zero = _OFFSETS[unit]
        value = size * number + zero
    else:
        scale, found = _read_unit(unit)
        if found != _KINDS[dimension].dimension:
            raise _NoQuantity(_mismatch(unit, found, dimension))
        value = number * scale
    if dimension == "temperature" and value < 0:
        raise _NoQuantity("colder than absolute zero")
    return float(value)


def _plain(text: str) -> str:
    """The text with typographic characters replaced by the plain ones the patterns know."""
    if len(text) > _LONGEST:
        raise _NoQuantity("too long for a quantity")
    opened = _VULGAR.sub(lambda found: " " + found[0], text)
    return " ".join(unicodedata.normalize("NFKC", opened).translate(_TYPOGRAPHIC).split())


def _split(plain: str) -> tuple[Fraction, str]:
    """The number in front and the unit behind it."""
    if found := _FRACTION.match(plain):
        sign, whole, over, under = found.groups()
        if int(under) == 0:
            raise _NoQuantity("divides by zero")
        number = (int(whole or 0) + Fraction(int(over), int(under))) * (-1 if sign == "-" else 1)
    elif found := _DECIMAL.match(plain):
        number = Fraction(found[0].replace(" ", ""))
    else:
        raise _NoQuantity("does not begin with a number")
    unit = plain[found.end() :].strip()
    if unit.startswith(","):
        raise _NoQuantity("a comma stands in the number, and the decimal mark is a point")
    if unit[:1].isdigit() or unit.startswith("."):
        raise _NoQuantity("two numbers side by side")
    return number, unit


@lru_cache(maxsize=256)
def _read_unit(unit: str) -> tuple[Fraction, Dimension]:
    """Size and dimension of a unit such as ``A/dm^2`` or ``ohm cm2``."""
    scale, dimension, position, divided = Fraction(1), Dimension(), 0, False
    while position < len(unit):
        factor = _FACTOR.match(unit, position)
        if not factor or (position and not factor["join"]):
            raise _NoQuantity(f"cannot read the unit {unit!r}")
        if divided and "/" not in factor["join"]:
            raise _NoQuantity(f"{unit!r} is ambiguous after the stroke; W/m2/K is not")
        divided = "/" in factor["join"]
        single = _single(factor["name"])
        power = int(factor["power"] or 1) * (-1 if divided else 1)
        scale *= single.scale**power
        dimension = dimension.raised(single.dimension, power)
        position = factor.end()
    return scale, dimension


def _single(name: str) -> _Unit:
    """One unit of the table, with or without a prefix."""
    if name in _UNITS:
        return _UNITS[name]
    unit = _UNITS.get(name[1:])
    if unit is None or name[0] not in unit.prefixes:
        raise _NoQuantity(_unknown(name))
    return unit._replace(scale=unit.scale * _PREFIXES[name[0]])


def _unknown(name: str) -> str:
    """Words for a unit that is not in the table, with the nearest one that is."""
    if name in _OFFSETS:
        return f"{name} stands alone, not inside a compound unit"
    spellings = [*_UNITS, *_OFFSETS]
    spellings += [prefix + unit for unit, entry in _UNITS.items() for prefix in entry.prefixes]
    meant = _MEANT.get(name) or _MEANT.get(name.lower())
    folded = [spelling for spelling in spellings if spelling.lower() == name.lower()]
    near = [meant] if meant else folded or difflib.get_close_matches(name, spellings, 1, 0.6)
    return f"no unit {name!r}" + (f", did you mean {near[0]!r}" if near else "")


def _mismatch(unit: str, found: Dimension, dimension: str) -> str:
    """Words for a unit of the wrong dimension."""
    if not unit:
        return "has no unit"
    if dimension == "temperature" and unit in ("C", "F"):
        return f"{unit!r} is no temperature, did you mean 'deg{unit}'"
    if dimension == "mass" and found == _KINDS["volume"].dimension:
        return f"{unit!r} is a volume, and what it weighs depends on the grain"
    return f"{unit!r} is {_WORDS_OF.get(found, 'something else')}"
