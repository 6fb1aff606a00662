"""The shelf: metals and electrolyte handed on, cathodes, wicks, masks and supplies.

Every number stands in the TOML files of ``catalogue/`` with its source and range; each file opens
with how to add to it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any, Final, Literal

from simulate.constants import LN10
from simulate.errors import Fault, InputError
from simulate.field.polarisation import ButlerVolmer, overpotential
from simulate.materials.battery import Battery
from simulate.materials.catalogue import (
    Datum,
    End,
    read_catalogue,
    read_datum,
    read_entries,
    read_numbers,
    resolve_name,
)
from simulate.materials.electrolyte import Electrolyte
from simulate.materials.metals import (
    Metal,
    anode_law,
    atomic_mass,
    equivalent_weight,
    film_resistance,
    find_metal,
    load_metals,
    read_metal,
)
from simulate.units import parse_quantity

__all__ = [
    "Cathode",
    "Datum",
    "Electrolyte",
    "Mask",
    "Metal",
    "Source",
    "Wick",
    "anode_law",
    "atomic_mass",
    "cathode_law",
    "equivalent_weight",
    "film_resistance",
    "find_battery",
    "find_cathode",
    "find_mask",
    "find_metal",
    "find_source",
    "find_wick",
    "load_cathodes",
    "load_masks",
    "load_metals",
    "load_sources",
    "load_wicks",
    "read_metal",
    "voltage_floor",
]


_NERNST: Final = 0.05916  # [V per unit of pH] at 25 degC, LN10 R T / F


@dataclass(frozen=True)
class Wick:
    """A porous body: porosity while pressed, exponent, saturation [-] and liquid held [m3]."""

    name: str
    label: str
    porosity: Datum
    exponent: Datum
    saturation: Datum
    liquid: Datum


@dataclass(frozen=True)
class Mask:
    """A mask material: thickness of a layer [m], narrowest line [m], where it softens [K]."""

    name: str
    label: str
    thickness: Datum
    minimum_line: Datum
    softens: Datum
    note: str = ""


@dataclass(frozen=True)
class Cathode:
    """Hydrogen evolution on a metal: exchange [A/m2] and slope [V] per decade."""

    name: str
    label: str
    exchange: Datum
    slope: Datum


@dataclass(frozen=True)
class Source:
    """What a catalogue says of a battery, a bench supply or a pair of leads.

    Parameters
    ----------
    name, label, kind : kind is ``"battery"``, ``"bench"`` or ``"leads"``.
    resistance : inside, fresh [ohm].
    open_circuit, fall, growth, currents, charges : of a battery, see `materials.battery.Battery`.
    cautions : for people.
    """

    name: str
    label: str
    kind: str
    resistance: Datum
    open_circuit: Datum | None = None
    fall: Datum | None = None
    growth: Datum | None = None
    currents: tuple[float, ...] = ()
    charges: tuple[Datum, ...] = ()
    cautions: tuple[str, ...] = ()

    def battery(self, *, strength: Literal["weak", "usual", "strong"] = "usual") -> Battery:
        """A fresh battery at its best values, or with every number at its weak or strong end.

        Raises
        ------
        InputError : this is no battery.
        """
        if self.open_circuit is None or self.fall is None or self.growth is None:
            raise InputError(Fault(f"{self.label} is no battery", value=repr(self.name)))
        more: End = {"weak": "low", "usual": "value", "strong": "high"}[strength]  # type: ignore[assignment]
        less: End = {"weak": "high", "usual": "value", "strong": "low"}[strength]  # type: ignore[assignment]
        return Battery(
            self.open_circuit.at(more).value,
            self.resistance.at(less).value,
            self.currents,
            tuple(charge.at(more).value for charge in self.charges),
            fall=self.fall.at(less).value,
            growth=self.growth.at(less).value,
            name=self.label,
        )


def cathode_law(name: str = "copper", acidity: float = 2.4) -> ButlerVolmer:
    """The law of polarisation of hydrogen coming off the swab's conductor.

    Butler-Volmer with the catalogue's slope in both directions; the
    equilibrium is -0.05916 V per unit of pH at 25 degC. The exchange current is taken as
    independent of the pH.

    Parameters
    ----------
    name : of a cathode in ``catalogue/cathodes.toml``.
    acidity : the liquid's pH [-].
    """
    cathode = find_cathode(name)
    slope = cathode.slope.value / LN10
    return ButlerVolmer(cathode.exchange.value, slope, slope, equilibrium=-_NERNST * acidity)


def voltage_floor(
    metal: Metal, cathode: str = "copper", acidity: float = 2.4, *, density: float = 5e3
) -> float:
    """Voltage the two reactions take before any of it drives current through the swab [V].

    E_anode(i) - E_cathode(i), film included. The cathode's share moves by 0.12 V for a tenfold
    current density, so that one density serves both.

    Parameters
    ----------
    cathode, acidity : as for `cathode_law`.
    density : at which to ask [A/m2]; held below half of a salt film's limit at the anode.

    Raises
    ------
    InputError : the metal does not etch.
    """
    anode, wire = anode_law(metal), cathode_law(cathode, acidity)
    anodic = min(density, 0.5 * metal.limit_stroked.value)
    rest = anode.equilibrium - wire.equilibrium
    return float(rest + overpotential(anode, anodic) - overpotential(wire, -density))


@cache
def load_cathodes() -> Mapping[str, Cathode]:
    """All cathodes of the catalogue by name."""
    return {
        name: Cathode(
            name=name, label=table["label"], **read_numbers(table, sources, _CATHODE_NUMBERS)
        )
        for name, table, sources in _shelf("cathodes.toml")
    }


def find_cathode(name: str) -> Cathode:
    """A cathode by name; raises `InputError` with the nearest name."""
    return load_cathodes()[resolve_name("cathode", name, read_entries("cathodes.toml"))]


@cache
def load_wicks() -> Mapping[str, Wick]:
    """All wicks of the catalogue by name."""
    return {
        name: Wick(name=name, label=table["label"], **read_numbers(table, sources, _WICK_NUMBERS))
        for name, table, sources in _shelf("wicks.toml")
    }


def find_wick(name: str) -> Wick:
    """A wick by name; raises `InputError` with the nearest name."""
    return load_wicks()[resolve_name("wick", name, read_entries("wicks.toml"))]


@cache
def load_masks() -> Mapping[str, Mask]:
    """All mask materials of the catalogue by name."""
    return {
        name: Mask(
            name=name,
            label=table["label"],
            note=table.get("note", ""),
            **read_numbers(table, sources, _MASK_NUMBERS),
        )
        for name, table, sources in _shelf("masks.toml")
    }


def find_mask(name: str) -> Mask:
    """A mask material by name; raises `InputError` with the nearest name."""
    return load_masks()[resolve_name("mask", name, read_entries("masks.toml"))]


@cache
def load_sources() -> Mapping[str, Source]:
    """All batteries, the bench supply and the leads of the catalogue by name."""
    return {
        name: Source(
            name=name,
            label=table["label"],
            kind=table["kind"],
            cautions=tuple(table["cautions"]),
            currents=tuple(
                parse_quantity(row["current"], "current") for row in table.get("capacities", ())
            ),
            charges=tuple(
                read_datum(row["charge"], "charge", sources) for row in table.get("capacities", ())
            ),
            **read_numbers(table, sources, _SOURCE_NUMBERS),
        )
        for name, table, sources in _shelf("supplies.toml")
    }


def find_source(name: str) -> Source:
    """A source of current by name; raises `InputError` with the nearest name."""
    return load_sources()[resolve_name("supply", name, read_entries("supplies.toml"))]


def find_battery(name: str) -> Battery:
    """A fresh battery at its best values; raises `InputError` if it is none."""
    return find_source(name).battery()


_CATHODE_NUMBERS: Final = {"exchange": "current_density", "slope": "voltage"}
_WICK_NUMBERS: Final = {
    "porosity": "ratio",
    "exponent": "ratio",
    "saturation": "ratio",
    "liquid": "volume",
}
_MASK_NUMBERS: Final = {
    "thickness": "length",
    "minimum_line": "length",
    "softens": "temperature",
}
_SOURCE_NUMBERS: Final = {
    "open_circuit": "voltage",
    "resistance": "resistance",
    "fall": "voltage",
    "growth": "ratio",
}


def _shelf(file: str) -> list[tuple[str, dict[str, Any], Mapping[str, str]]]:
    """The entries of a file, each with the file's citations."""
    sources = read_catalogue(file)["sources"]
    return [(name, table, sources) for name, table in read_entries(file).items()]
