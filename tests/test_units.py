"""Quantities: exact scales, kitchen fractions, and errors that say what would be accepted."""

from __future__ import annotations

import math

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulate import units
from simulate.errors import InputError
from simulate.units import format_number, format_quantity, in_unit, parse_quantity

# Ours on the left, the referee's spelling on the right.
SPELLINGS = {
    "length": {"mm": "mm", "um": "um", "μm": "um", "cm": "cm", "in": "in", "mil": "thou"},
    "mass": {"g": "g", "mg": "mg", "kg": "kg", "oz": "oz"},
    "volume": {
        "mL": "mL",
        "L": "L",
        "cm3": "cm**3",
        "US tsp": "teaspoon",
        "US tbsp": "tablespoon",
        "US cup": "cup",
        "US floz": "fluid_ounce",
        "cL": "cL",
    },
    "time": {"s": "s", "min": "min", "h": "h"},
    "voltage": {"V": "V", "mV": "mV"},
    "current": {"A": "A", "mA": "mA"},
    "resistance": {"ohm": "ohm", "Ω": "ohm", "kohm": "kiloohm", "mΩ": "milliohm"},
    "area_resistance": {"ohm cm2": "ohm*cm**2", "ohm*m^2": "ohm*m**2"},
    "current_density": {"A/dm^2": "A/dm**2", "A/cm2": "A/cm**2", "mA/cm²": "mA/cm**2"},
    "conductivity": {"S/m": "S/m", "mS/cm": "mS/cm"},
    "speed": {"mm/s": "mm/s", "cm/min": "cm/min"},
    "charge": {"C": "C", "mAh": "mA*h", "A h": "A*h"},
    "charge_density": {"C/cm2": "C/cm**2"},
    "angle": {"deg": "deg", "rad": "rad"},
    "ratio": {"%": "percent", "ppm": "ppm"},
    "concentration": {"mol/L": "mol/L", "mmol/L": "mmol/L"},
    "area": {"cm2": "cm**2", "mm^2": "mm**2"},
    "pressure": {"kPa": "kPa", "bar": "bar"},
    "power": {"W": "W", "mW": "mW"},
    "density": {"g/cm3": "g/cm**3", "kg/m3": "kg/m**3", "g/mL": "g/mL"},
    "air_changes": {"/h": "1/h", "/min": "1/min"},
}
PAIRS = [(kind, *pair) for kind, names in SPELLINGS.items() for pair in names.items()]


@pytest.fixture(scope="module")
def referee() -> pint.UnitRegistry:
    return pint.UnitRegistry()


def fault(text: object, dimension: str) -> str:
    with pytest.raises(InputError) as caught:
        parse_quantity(text, dimension)
    (only,) = caught.value.faults
    return str(only)


@pytest.mark.parametrize(
    ("text", "dimension", "value"),
    [
        ("0.18 mm", "length", 0.00018),
        ("0.15mm", "length", 0.00015),
        ("60 mL", "volume", 6e-5),
        ("2 1/2 tsp", "volume", 1.25e-5),
        ("2½ tsp", "volume", 1.25e-5),
        ("1 tbsp", "volume", 1.5e-5),
        ("1 cup", "volume", 2.5e-4),
        ("½ cup", "volume", 1.25e-4),
        ("1/4 h", "time", 900.0),
        ("20 degC", "temperature", 293.15),
        ("20 °C", "temperature", 293.15),
        ("68 degF", "temperature", 293.15),
        ("300 K", "temperature", 300.0),
        ("3 A/dm^2", "current_density", 300.0),
        ("0.3 ohm cm2", "area_resistance", 3e-5),
        ("565 mAh", "charge", 2034.0),
        ("3 /h", "air_changes", 3 / 3600),
        ("180 deg", "angle", math.pi),
        ("10 %", "ratio", 0.1),
        ("0.1", "ratio", 0.1),
        (0.25, "ratio", 0.25),
        ("1.5e-4 m", "length", 1.5e-4),
        ("-2 mm", "length", -0.002),
        ("−2 mm", "length", -0.002),
        ("4 kg m2/s2", "power", None),
    ],
)
def test_texts_that_people_write_are_read_exactly(text, dimension, value):
    if value is None:
        assert "something else" in fault(text, dimension)
    else:
        assert parse_quantity(text, dimension) == value


def test_every_dimension_has_a_reading_against_the_referee():
    assert set(units.DIMENSIONS) - set(SPELLINGS) == {"temperature"}


@pytest.mark.parametrize(("dimension", "ours", "theirs"), PAIRS)
def test_scales_agree_with_an_independent_registry(referee, dimension, ours, theirs):
    expected = referee.Quantity(7.25, theirs).to_base_units().magnitude
    if dimension == "mass":
        expected = referee.Quantity(7.25, theirs).to("kg").magnitude
    assert parse_quantity(f"7.25 {ours}", dimension) == pytest.approx(expected, rel=1e-12)


@given(
    st.sampled_from(PAIRS),
    st.floats(1e-9, 1e9).map(lambda value: float(f"{value:.9e}")),
)
def test_a_value_survives_the_way_to_si_and_back(pair, value):
    dimension, unit, _ = pair
    assert in_unit(parse_quantity(f"{value!r} {unit}", dimension), unit) == pytest.approx(
        value, rel=1e-14
    )


@given(st.text(max_size=90), st.sampled_from(units.DIMENSIONS))
def test_any_text_is_either_a_finite_number_or_an_input_error(text, dimension):
    try:
        value = parse_quantity(text, dimension)
    except InputError as error:
        value = 0.0 if error.faults[0].expected else math.nan
    assert math.isfinite(value)


@pytest.mark.parametrize(
    ("text", "dimension", "words"),
    [
        ("9 A", "voltage", "'A' is a current; expected a voltage such as \"9 V\""),
        ("12G", "mass", "did you mean 'g'"),
        ("3 Mm", "length", "did you mean 'mm'"),
        ("3 mm", "charge", "'mm' is a length"),
        ("5 mn", "time", "did you mean 'min'"),
        ("30 seconds", "time", "did you mean 's'"),
        ("20 C", "temperature", "did you mean 'degC'"),
        ("2 tsp", "mass", "'tsp' is a volume, and what it weighs depends on the grain"),
        ("0,15 mm", "length", "decimal mark is a point"),
        ("0.15", "length", "has no unit"),
        (0.15, "length", "has no unit"),
        (True, "ratio", "not a quantity"),
        ([1], "ratio", "not a quantity"),
        ("", "length", "does not begin with a number"),
        ("nan mm", "length", "does not begin with a number"),
        ("1/0 mm", "length", "divides by zero"),
        ("1 2 mm", "length", "two numbers side by side"),
        ("5 W/m2 K", "power", "ambiguous"),
        ("5 degC/s", "temperature", "stands alone"),
        ("-300 degC", "temperature", "colder than absolute zero"),
        ("-1 K", "temperature", "colder than absolute zero"),
        ("20 degC", "length", "degC is a temperature"),
        ("1 m!", "length", "cannot read the unit"),
        ("1" * 200 + " mm", "length", "too long"),
        ("1e400 mm", "length", "no unit 'e'"),
    ],
)
def test_a_text_that_cannot_be_used_says_why_and_what_would_serve(text, dimension, words):
    message = fault(text, dimension)
    assert words in message
    assert "; expected a" in message


def test_an_unknown_dimension_is_the_callers_mistake():
    with pytest.raises(ValueError, match="no dimension named 'lenght'"):
        parse_quantity("1 mm", "lenght")


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (2.53e-5, "um", "25.3 um"),
        (2.5e-5, "µm", "25 µm"),
        (293.15, "degC", "20 degC"),
        (0.123456, "%", "12.3 %"),
        (0.0, "A", "0 A"),
        (1234.4, "A/m2", "1230 A/m2"),
        (-0.05, "mm", "-50 mm"),
        (0.99999, "", "1"),
        (9.999e-5, "m", "0.0001 m"),
        (1.5e-9, "m", "1.50e-09 m"),
        (math.nan, "V", "unknown V"),
        (math.inf, "s", "infinite s"),
        (90.0, "min", "1.5 min"),
    ],
)
def test_values_are_shown_to_three_digits(value, unit, text):
    assert format_quantity(value, unit) == text


@given(st.floats(1e-12, 1e12))
def test_a_shown_number_is_the_number_to_its_digits(value):
    assert float(format_number(value, 4)) == pytest.approx(value, rel=5.01e-4)
