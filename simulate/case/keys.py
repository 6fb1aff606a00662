"""The keys of a case file: quantities with units, lists of places, and how a table is checked.

`mend` checks a table against its model, notes every fault, and hands on what can still be used, so
that one misspelt key does not hide the faults behind it.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError, ValidationInfo
from pydantic.annotated_handlers import GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic.functional_validators import AfterValidator
from pydantic_core import CoreSchema, ErrorDetails, PydanticCustomError, core_schema

from simulate.case.document import FaultList, KeyPath, written
from simulate.errors import InputError
from simulate.units import parse_quantity

# Values -------------------------------------------------------------------------------------------


def refuse(problem: str, expected: str) -> PydanticCustomError:
    """The error by which a key's reader refuses a value."""
    return PydanticCustomError("refused", "{problem}", {"problem": problem, "expected": expected})


def read_quantity(value: Any, dimension: str) -> float:
    """`parse_quantity` for a key: SI value, or pydantic's error; a bare number only for a ratio."""
    try:
        if isinstance(value, int | float) and not isinstance(value, bool) and dimension != "ratio":
            raise refuse("a bare number where a unit is due", example(dimension))
        return parse_quantity(value, dimension)
    except InputError as error:
        raise refuse(error.faults[0].problem, error.faults[0].expected) from None


def example(dimension: str) -> str:
    """What a quantity of a dimension looks like, in the words of `parse_quantity`."""
    try:
        parse_quantity("", dimension)
    except InputError as error:
        return error.faults[0].expected
    raise AssertionError("an empty text is no quantity")


@dataclass(frozen=True)
class Quantity:
    """Marks a key that takes a number with a unit.

    Parameters
    ----------
    dimension : as `parse_quantity` names it.
    above, least, most : bounds, written as in the file.
    """

    dimension: str
    above: str | None = None
    least: str | None = None
    most: str | None = None

    def read(self, value: Any) -> float:
        """The SI value, within the bounds."""
        number = read_quantity(value, self.dimension)
        low = self.above is not None and number <= parse_quantity(self.above, self.dimension)
        low |= self.least is not None and number < parse_quantity(self.least, self.dimension)
        high = self.most is not None and number > parse_quantity(self.most, self.dimension)
        if low or high:
            raise refuse("too small" if low else "too large", self.bounds)
        return number

    @property
    def bounds(self) -> str:
        """The bounds in words."""
        words = [f"more than {self.above}"] if self.above is not None else []
        words += [f"{self.least} or more"] if self.least is not None else []
        words += [f"{self.most} or less"] if self.most is not None else []
        return ", ".join(words)

    def __get_pydantic_core_schema__(self, _: Any, __: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(self.read)

    def __get_pydantic_json_schema__(
        self, _: CoreSchema, __: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        kinds = ["string", "number"] if self.dimension == "ratio" else "string"
        return {"type": kinds, "pattern": r"^\s*[-+.0-9¼-¾⅐-⅞]", "title": example(self.dimension)}


class _Places:
    """Marks a list of points, each ``[x, y]``: texts with units, or numbers in the table's unit."""

    @staticmethod
    def read(value: Any, info: ValidationInfo) -> tuple[tuple[float, float], ...]:
        if not isinstance(value, list) or any(
            not isinstance(point, list) or len(point) != 2 for point in value
        ):
            raise refuse("not a list of points", "[[x, y], [x, y], ...]")
        if "unit" not in info.data:  # it is at fault itself
            return ()
        unit = info.data["unit"]
        return tuple((_Places.length(x, unit), _Places.length(y, unit)) for x, y in value)

    @staticmethod
    def length(value: Any, unit: str | None) -> float:
        """One coordinate [m]."""
        if isinstance(value, int | float) and not isinstance(value, bool):
            if unit is None:
                raise refuse(
                    "bare numbers where a unit is due",
                    'unit = "mm" in the same table, or texts such as ["3 mm", "4.5 mm"]',
                )
            return read_quantity(f"{value!r} {unit}", "length")
        return read_quantity(value, "length")

    @classmethod
    def __get_pydantic_core_schema__(cls, _: Any, __: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.with_info_plain_validator_function(cls.read)

    @classmethod
    def __get_pydantic_json_schema__(
        cls, _: CoreSchema, __: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        one = {"type": ["number", "string"]}
        point = {"type": "array", "items": one, "minItems": 2, "maxItems": 2}
        return {"type": "array", "items": point}


def _unit_of_length(value: str) -> str:
    read_quantity(f"1 {value}", "length")
    return value


Angle = Annotated[float, Quantity("angle")]
Charge = Annotated[float, Quantity("charge", above="0 C")]
Duration = Annotated[float, Quantity("time", above="0 s")]
Length = Annotated[float, Quantity("length", least="-1 m", most="1 m")]
LengthUnit = Annotated[str, AfterValidator(_unit_of_length)]
Pause = Annotated[float, Quantity("time", least="0 s")]
Places = Annotated[tuple[tuple[float, float], ...], _Places]
Resistance = Annotated[float, Quantity("resistance", least="0 ohm")]
Share = Annotated[float, Quantity("ratio", least="0", most="1")]
Size = Annotated[float, Quantity("length", above="0 mm", most="1 m")]
Speed = Annotated[float, Quantity("speed", above="0 mm/s")]
Temperature = Annotated[float, Quantity("temperature", least="0 degC", most="100 degC")]
Volume = Annotated[float, Quantity("volume", least="0 mL")]
Width = Annotated[float, Quantity("length", least="0 mm", most="1 m")]


# Tables -------------------------------------------------------------------------------------------


def entry(meaning: str, *, usual: Any = ..., example: Any = None, **limits: Any) -> Any:
    """A key of a table.

    Parameters
    ----------
    meaning : what it says, in a few words.
    usual : what holds when it is left out, as it would be written; without, it must be given.
    example : of what may be written.
    limits : as `pydantic.Field` takes them.
    """
    examples = None if example is None else [example]
    return Field(usual, description=meaning, examples=examples, **limits)


class Table(BaseModel):
    """A table of the file: unknown keys are faults, nothing is converted silently."""

    model_config = ConfigDict(
        extra="forbid", strict=True, validate_default=True, frozen=True, defer_build=True
    )  # built when first read: no case uses all tables

    @classmethod
    def objection(cls, key: str) -> str | None:
        """Why a key that is not legal must not become so; None for the common misspelling."""
        return None


def nearest(word: str, words: Mapping[str, Any] | list[str]) -> str | None:
    """The nearest of some words, if any is near enough to be meant."""
    near = difflib.get_close_matches(word.lower(), list(words), 1, 0.6)
    return near[0] if near else None


def mend(
    model: type[Table],
    values: Mapping[str, Any],
    path: KeyPath,
    found: FaultList,
    homes: Mapping[str, tuple[str, ...]],
) -> dict[str, Any]:
    """Check a table, note its faults, and return what can be used of it.

    Parameters
    ----------
    model : what the table may hold.
    values : what it holds.
    path : where it stands.
    found : takes the faults.
    homes : tables in which each key is legal, for the hint to one that stands in the wrong place.

    Returns
    -------
    The values without unknown and unreadable ones; a misspelt key under the name that is meant.
    """
    usable = dict(values)
    meant: dict[str, str] = {}
    for error in _errors(model, usable):
        if error["type"] == "extra_forbidden":
            key = str(error["loc"][0])
            guess = _note_unknown(model, key, path, found, homes)
            value = usable.pop(key)
            if guess is not None and guess not in values and guess not in meant:
                usable[guess], meant[guess] = value, key
    for error in _errors(model, usable):
        key = str(error["loc"][0])
        _note_wrong(model, error, (*path, meant.get(key, key)), found)
        usable.pop(key, None)
    return usable


def read_table(
    model: type[Table],
    values: Any,
    path: KeyPath,
    found: FaultList,
    homes: Mapping[str, tuple[str, ...]],
) -> Any:
    """`mend` a table and return it as its model, or None where too much is missing."""
    if not isinstance(values, Mapping):
        heading = ".".join(str(part) for part in path if not isinstance(part, int))
        found.add(path, "not a table", f"[{heading}] with keys below it")
        return None
    try:
        return model.model_validate(values)
    except ValidationError:
        usable = mend(model, values, path, found, homes)
    return None if _errors(model, usable) else model.model_validate(usable)


def _errors(model: type[Table], values: Mapping[str, Any]) -> list[ErrorDetails]:
    try:
        model.model_validate(values)
    except ValidationError as error:
        return error.errors(include_url=False)
    return []


def _note_unknown(
    model: type[Table],
    key: str,
    path: KeyPath,
    found: FaultList,
    homes: Mapping[str, tuple[str, ...]],
) -> str | None:
    """Note an unknown key; return the one that is meant, if one is near and no other table's."""
    legal = list(model.model_fields)
    expected = "one of " + ", ".join(legal)
    objection = model.objection(key)
    if objection is not None:
        found.add((*path, key), objection, expected)
        return None
    guess = nearest(key, legal)
    problem = "no such key" if path else "no such table or key"
    if guess is not None:
        problem += f", did you mean {guess!r}?"
    if key in homes:
        problem += ("; " if guess else ", ") + "it is legal in " + " and ".join(homes[key])
    found.add((*path, key), problem, expected)
    return None if key in homes else guess


def _note_wrong(model: type[Table], error: ErrorDetails, path: KeyPath, found: FaultList) -> None:
    """Note a value that a key does not take, or a key that is missing."""
    name = str(error["loc"][0])
    field = model.model_fields.get(name)
    sample = field.examples[0] if field is not None and field.examples else None
    kind, context = error["type"], error.get("ctx", {})
    if kind == "refused":
        found.add(path, context["problem"], context["expected"])
    elif kind == "missing":
        shown = f"{name} = {written(sample)}" if sample is not None else name
        meaning = f", {field.description}" if field is not None and field.description else ""
        found.add(path, "missing", (shown if path[1:] else f"[{name}]") + meaning)
    elif kind == "greater_than_equal":
        found.add(path, "too small", f"{context['ge']} or more")
    elif kind == "less_than_equal":
        found.add(path, "too large", f"{context['le']} or less")
    else:
        found.add(path, "not of the right kind", _KINDS.get(kind, error["msg"]))


_KINDS = {
    "string_type": "text in quotes",
    "int_type": "a whole number",
    "bool_type": "true or false",
    "list_type": "a list with at least one entry",
    "too_short": "a list with at least one entry",
    "dict_type": "a table",
}
