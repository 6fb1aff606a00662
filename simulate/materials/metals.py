"""Metals as anodes: how they dissolve, what films they grow, how deep a charge goes.

Every number comes from ``catalogue/metals.toml``, which opens with how to add a metal. The
equivalent weight follows from composition and valences by the rule of ASTM G102.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cache
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from simulate.constants import FARADAY, LN10
from simulate.errors import Fault, InputError
from simulate.field.polarisation import Tafel
from simulate.materials.catalogue import (
    SI_UNITS,
    Datum,
    End,
    inherit,
    read_catalogue,
    read_datum,
    read_entries,
    resolve_name,
    unknown_name,
)

_METAL_NUMBERS: Final = {
    "density": "density",
    "efficiency": "ratio",
    "high_share": "ratio",
    "equilibrium": "voltage",
    "slope": "voltage",
    "exchange": "current_density",
    "film_resistance": "area_resistance",
    "film_charge": "charge_density",
    "limit_stroked": "current_density",
    "limit_still": "current_density",
    "saturation": "concentration",
    "chlorine_share": "ratio",
    "thickness": "length",
}
_METAL_WORDS: Final = ("label", "verdict", "instead")
_METAL_TABLES: Final = ("composition", "valences", "high_valences")
_METAL_OTHER: Final = ("also", "under", "etches", "film_settles", "cautions")
_NO_SHARE: Final = Datum(0.0, 0.0, 0.0, "", "no higher valence is known here", "firm")


@dataclass(frozen=True, kw_only=True)
class Metal:
    """A metal as anode, or one layer of a plated one.

    Parameters
    ----------
    name, label : key in the catalogue and words for people.
    density : [kg/m3].
    composition : mass fractions, summing to 1 [-].
    valences, high_valences : electrons per atom; a share ``high_share`` of the atoms leaves with
        the high ones.
    efficiency : share of the charge that removes metal [-].
    equilibrium : potential where dissolution sets in, against the standard hydrogen electrode [V].
    slope : [V] per decade of current density.
    exchange : current density at ``equilibrium`` the slope is counted from [A/m2].
    film_resistance, film_charge, film_settles : see `film_resistance` [ohm m2], [C/m2].
    limit_stroked, limit_still : cap by a salt film under a moving and a resting swab [A/m2].
    saturation : of the dissolved metal at the surface, where its salt comes out [mol/m3].
    chlorine_share : of the current, expected [-].
    etches : False refuses an etch with ``verdict`` and ``instead``.
    thickness, under : of this layer [m], and the metal below; None for a plate all through.
    """

    name: str
    density: Datum
    composition: Mapping[str, float]
    valences: Mapping[str, float]
    efficiency: Datum
    equilibrium: Datum
    slope: Datum
    exchange: Datum
    film_resistance: Datum
    limit_stroked: Datum
    limit_still: Datum
    chlorine_share: Datum
    label: str = ""
    high_valences: Mapping[str, float] = field(default_factory=dict)
    high_share: Datum = _NO_SHARE
    film_charge: Datum | None = None
    film_settles: bool = True
    saturation: Datum | None = None
    etches: bool = True
    verdict: str = ""
    instead: str = ""
    cautions: tuple[str, ...] = ()
    thickness: Datum | None = None
    under: Metal | None = None

    def __post_init__(self) -> None:
        """Refuse what no metal can be."""
        faults = _faults_of_composition(self)
        for key, low, high in (
            ("density", 1e-9, math.inf),
            ("slope", 1e-9, math.inf),
            ("exchange", 1e-12, math.inf),
            ("limit_stroked", 1e-12, math.inf),
            ("limit_still", 1e-12, math.inf),
            ("film_resistance", 0.0, math.inf),
            ("efficiency", 0.0, 2.0),
            ("high_share", 0.0, 1.0),
            ("chlorine_share", 0.0, 1.0),
        ):
            datum: Datum = getattr(self, key)
            if not (low <= datum.low and datum.high <= high):
                wanted = "> 0" if low else (">= 0" if math.isinf(high) else f"0 to {high:g}")
                faults.append(Fault("out of range", wanted, key=key, value=f"{datum.value:g}"))
        if (self.thickness is None) != (self.under is None):
            faults.append(Fault("a layer needs a thickness and what lies under it", key="under"))
        if faults:
            raise InputError(faults)

    @property
    def equivalent_weight(self) -> float:
        """Mass dissolved per mole of electrons at full efficiency [kg/mol]."""
        low = equivalent_weight(self.composition, self.valences)
        share = self.high_share.value
        if share == 0.0:
            return low
        high = equivalent_weight(self.composition, {**self.valences, **self.high_valences})
        return 1.0 / ((1.0 - share) / low + share / high)

    @property
    def depth_per_charge(self) -> float:
        """Depth per charge density at full efficiency, EW / (F rho) [m per C/m2]."""
        return self.equivalent_weight / (FARADAY * self.density.value)

    def moved(self, end: End, *names: str) -> Metal:
        """This metal with some of its numbers at an end of their range."""
        return replace(self, **{name: getattr(self, name).at(end) for name in names})

    def put(self, **numbers: float) -> Metal:
        """This metal with some numbers replaced by a person's own, in SI."""
        strange = [name for name in numbers if name not in _METAL_NUMBERS]
        if strange:
            raise unknown_name("number of a metal", strange[0], _METAL_NUMBERS)
        return replace(self, **{name: _put(self, name, number) for name, number in numbers.items()})  # type: ignore[arg-type]


def atomic_mass(element: str) -> float:
    """Atomic mass [kg/mol].

    Raises
    ------
    InputError : the element is not in ``catalogue/elements.toml``.
    """
    masses = read_catalogue("elements.toml")
    if element not in masses:
        raise unknown_name("element", element, masses)
    return float(masses[element]) * 1e-3


def equivalent_weight(composition: Mapping[str, float], valences: Mapping[str, float]) -> float:
    """Equivalent weight of an alloy [kg/mol].

    1 / EW = sum(w n / M), the rule of ASTM G102: every component leaves in proportion to its mass
    fraction w, with n electrons per atom of mass M.

    Parameters
    ----------
    composition : mass fractions [-].
    valences : electrons per atom for each element of the composition.

    >>> round(equivalent_weight({"Fe": 1.0}, {"Fe": 2}) * 1e3, 3)
    27.922
    """
    moles = sum(
        share * valences[element] / atomic_mass(element) for element, share in composition.items()
    )
    return 1.0 / moles


def film_resistance(metal: Metal, charge_density: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Resistance of the film after a charge has passed since the surface was last bare [ohm m2].

    With the catalogue's film resistance R and film charge Q, x = charge density / Q::

        no film charge        R             a film that is always there
        the film settles      R (1 - e^-x)  copper, brass: porous CuCl that dissolves as it grows
        it does not           R x           silver: AgCl, 2 ohm cm2 per um (Ha and Payer 2011)

    The exponential approach is chosen here, not measured.

    Parameters
    ----------
    charge_density : since last bare or wiped [C/m2], any shape.
    """
    charge = np.maximum(np.asarray(charge_density, dtype=float), 0.0)
    settled = metal.film_resistance.value
    if metal.film_charge is None:
        return np.full_like(charge, settled)
    grown = charge / metal.film_charge.value
    return np.asarray(settled * (-np.expm1(-grown) if metal.film_settles else grown))


def anode_law(metal: Metal, moving: bool = True, *, film_charge: float | None = None) -> Tafel:
    """The law of polarisation of a metal that dissolves.

    E = equilibrium + (slope / ln 10) asinh(i / (2 exchange)) + film resistance * i, capped where a
    salt film forms.

    Parameters
    ----------
    moving : whether the swab strokes, which keeps the salt film away.
    film_charge : charge density passed since the surface was last bare [C/m2]; None for the film
        resistance as the catalogue gives it.

    Raises
    ------
    InputError : the metal does not etch; says why and what would serve.
    """
    if not metal.etches:
        raise InputError(Fault(metal.verdict, metal.instead, key="metal", value=metal.label))
    film = metal.film_resistance.value
    if film_charge is not None:
        film = float(film_resistance(metal, film_charge))
    return Tafel(
        metal.exchange.value,
        metal.slope.value / LN10,
        equilibrium=metal.equilibrium.value,
        film_resistance=film,
        limit=(metal.limit_stroked if moving else metal.limit_still).value,
    )


@cache
def load_metals() -> Mapping[str, Metal]:
    """All metals of the catalogue by name, read once."""
    entries, sources = read_entries("metals.toml"), read_catalogue("metals.toml")["sources"]
    return {name: _build_metal(name, table, sources) for name, table in entries.items()}


def find_metal(name: str) -> Metal:
    """A metal by name or by one of its other names.

    Raises
    ------
    InputError : it is not in the catalogue; names the nearest.
    """
    return load_metals()[resolve_name("metal", name, read_entries("metals.toml"))]


def read_metal(name: str, table: Mapping[str, Any]) -> Metal:
    """A person's own metal, from a table written as in ``catalogue/metals.toml``.

    Parameters
    ----------
    table : ``base`` takes over an entry of the catalogue; numbers may be tables with a range or
        plain text such as ``"60 mV"``.

    Raises
    ------
    InputError : with every key that is unknown, missing or cannot be read.
    """
    entries = read_entries("metals.toml")
    return _build_metal(name, inherit(table, entries), read_catalogue("metals.toml")["sources"])


def _build_metal(name: str, table: Mapping[str, Any], sources: Mapping[str, str]) -> Metal:
    """A metal from its table, with every fault of the table."""
    faults = _faults_of_keys(table)
    numbers: dict[str, Any] = {}
    for key, dimension in _METAL_NUMBERS.items():
        if key in table:
            try:
                numbers[key] = read_datum(table[key], dimension, sources, key)
            except InputError as error:
                faults += error.faults
    if "under" in table:
        try:
            numbers["under"] = _layer_below(str(table["under"]))
        except InputError as error:
            faults += (replace(fault, key="under") for fault in error.faults)
    if faults:
        raise InputError(faults)
    return Metal(
        name=name,
        label=str(table.get("label", name.replace("_", " "))),
        composition=dict(table["composition"]),
        valences=dict(table["valences"]),
        high_valences=dict(table.get("high_valences", {})),
        cautions=tuple(table.get("cautions", ())),
        etches=bool(table.get("etches", True)),
        film_settles=bool(table.get("film_settles", True)),
        verdict=str(table.get("verdict", "not in the catalogue: no verdict")),
        instead=str(table.get("instead", "")),
        **numbers,
    )


def _layer_below(name: str) -> Metal:
    entries = read_entries("metals.toml")
    key = resolve_name("metal", name, entries)
    return _build_metal(key, entries[key], read_catalogue("metals.toml")["sources"])


def _faults_of_keys(table: Mapping[str, Any]) -> list[Fault]:
    """Unknown keys, each with the nearest known one, and required keys that are missing."""
    known = {*_METAL_NUMBERS, *_METAL_WORDS, *_METAL_TABLES, *_METAL_OTHER}
    faults = [
        replace(fault, key=key, value="")
        for key in table
        if key not in known
        for fault in unknown_name("key", key, known).faults
    ]
    optional = {"high_share", "film_charge", "saturation", "thickness"}
    required = [*(set(_METAL_NUMBERS) - optional), "composition", "valences"]
    faults += [
        Fault("is missing", "a value, or base = a metal of the catalogue", key=key)
        for key in sorted(required)
        if key not in table
    ]
    faults += [
        Fault("not a table of elements", "{ Fe = 1.0 }", key=key, value=repr(table[key]))
        for key in _METAL_TABLES
        if key in table and not _is_table_of_numbers(table[key])
    ]
    return faults


def _is_table_of_numbers(table: object) -> bool:
    return isinstance(table, Mapping) and all(
        isinstance(n, int | float) and not isinstance(n, bool) for n in table.values()
    )


def _faults_of_composition(metal: Metal) -> list[Fault]:
    masses = read_catalogue("elements.toml")
    total = sum(metal.composition.values())
    faults = [
        Fault("not an element of the catalogue", key=key, value=element)
        for key in _METAL_TABLES
        for element in getattr(metal, key)
        if element not in masses
    ]
    faults += [
        Fault("no valence above zero", "electrons per atom", key="valences", value=element)
        for element in metal.composition
        if metal.valences.get(element, 0.0) <= 0.0
    ]
    if abs(total - 1.0) > 1e-3 or min(metal.composition.values(), default=0.0) <= 0.0:
        faults.append(
            Fault(f"mass fractions sum to {total:g}", "positive, sum 1", key="composition")
        )
    return faults


def _put(metal: Metal, name: str, number: float) -> Datum:
    """A person's own number in place of a datum, which may be missing."""
    return Datum(number, number, number, SI_UNITS[_METAL_NUMBERS[name]], "given by the user")
