"""Polarisation: what current density an electrode passes at what overpotential.

Every law maps the kinetic current density i_k to the overpotential eta_k [V]. A film-limited
current is met by a soft cap on the kinetic law,

    i = i_k / (1 + |i_k / limit|**sharpness)**(1 / sharpness),

and the film's ohmic resistance stands in series: eta = eta_k(i_k) + film_resistance * i.
Currents are positive from the electrode into the electrolyte (anodic).

Sources: Bard & Faulkner, Electrochemical Methods, 2nd ed. 2001, ch. 3 (laws; from memory). The
soft cap is a smooth blend of the two limits, common practice, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import ArrayLike, NDArray

from simulate.rules import above_zero, check, finite, zero_or_more

IDEAL, LINEAR, TAFEL, BUTLER_VOLMER = 0.0, 1.0, 2.0, 3.0


def _check(law: object, positive: tuple[str, ...]) -> None:
    given = [field.name for field in fields(law)]  # type: ignore[arg-type]
    if getattr(law, "limit", None) is None:
        given.remove("limit")
    rules = []
    for name in given:
        if name in positive:
            rules += above_zero(law, name)
        elif name in ("film_resistance", "resistance"):
            rules += zero_or_more(law, name)
        else:
            rules += finite(law, name)
    check(law, rules)


@dataclass(frozen=True)
class Linear:
    """eta = resistance * i.

    Parameters
    ----------
    resistance : polarisation resistance [ohm m2], 0 or more.
    equilibrium : electrode potential at no current [V].
    film_resistance : ohmic film in series [ohm m2].
    limit : film-limited current density [A/m2], None for none.
    sharpness : exponent of the soft cap [-].

    Raises
    ------
    InputError : a number is not finite or out of its range.
    """

    resistance: float
    equilibrium: float = 0.0
    film_resistance: float = 0.0
    limit: float | None = None
    sharpness: float = 4.0

    def __post_init__(self) -> None:
        _check(self, ("limit", "sharpness"))


@dataclass(frozen=True)
class Tafel:
    """eta = slope * ln(i / exchange), anodic; regularised below the exchange current.

    Used in the form eta = slope * asinh(i / (2 exchange)), which differs from the logarithm by
    less than (exchange / i)**2 slopes and passes through the origin. Cathodic current is held
    under 2 * exchange.

    Parameters
    ----------
    exchange : exchange current density [A/m2].
    slope : volts per e-fold of current [V] (V per decade divided by ln 10).
    equilibrium, film_resistance, limit, sharpness : as for `Linear`.

    Raises
    ------
    InputError : a number is not finite or out of its range.
    """

    exchange: float
    slope: float
    equilibrium: float = 0.0
    film_resistance: float = 0.0
    limit: float | None = None
    sharpness: float = 4.0

    def __post_init__(self) -> None:
        _check(self, ("exchange", "slope", "limit", "sharpness"))


@dataclass(frozen=True)
class ButlerVolmer:
    """i = exchange * (exp(eta / slope_anodic) - exp(-eta / slope_cathodic)).

    Parameters
    ----------
    exchange : exchange current density [A/m2].
    slope_anodic, slope_cathodic : volts per e-fold [V]: R T / (alpha F).
    equilibrium, film_resistance, limit, sharpness : as for `Linear`.

    Raises
    ------
    InputError : a number is not finite or out of its range.
    """

    exchange: float
    slope_anodic: float
    slope_cathodic: float
    equilibrium: float = 0.0
    film_resistance: float = 0.0
    limit: float | None = None
    sharpness: float = 4.0

    def __post_init__(self) -> None:
        _check(self, ("exchange", "slope_anodic", "slope_cathodic", "limit", "sharpness"))


Polarisation = Linear | Tafel | ButlerVolmer


def law_row(law: Polarisation | None) -> NDArray[np.float64]:
    """The law as the eight numbers the compiled wall solver reads.

    kind, exchange or resistance, anodic slope, cathodic slope, film resistance, limit (inf for
    none), sharpness, equilibrium. ``None`` is an ideal electrode.
    """
    if law is None:
        return np.array([IDEAL, 0.0, 1.0, 1.0, 0.0, math.inf, 4.0, 0.0])
    limit = math.inf if law.limit is None else law.limit
    tail = [law.film_resistance, limit, law.sharpness, law.equilibrium]
    if isinstance(law, Linear):
        return np.array([LINEAR, law.resistance, 1.0, 1.0, *tail])
    if isinstance(law, Tafel):
        return np.array([TAFEL, law.exchange, law.slope, law.slope, *tail])
    return np.array([BUTLER_VOLMER, law.exchange, law.slope_anodic, law.slope_cathodic, *tail])


def current_density(
    law: Polarisation | None, drive: NDArray[np.float64] | float, series: float = 0.0
) -> NDArray[np.float64]:
    """Current density [A/m2] passed when ``drive`` [V] stands across wall, film and ``series``.

    Solves drive = eta(i) + i * series, eta measured from the law's equilibrium (subtract it from
    the drive first). ``series`` is a resistance [ohm m2]; an ideal electrode needs one above 0.
    """
    from simulate.kernels import electrode_kinetics

    u = np.atleast_1d(np.asarray(drive, dtype=np.float64)).ravel()
    currents, slopes = np.empty_like(u), np.empty_like(u)
    index = np.zeros(u.size, dtype=np.int64)
    electrode_kinetics.wall_currents(
        u,
        np.full(u.size, series),
        index,
        law_row(law)[None, :],
        np.zeros_like(u),
        currents,
        slopes,
    )
    return currents.reshape(np.shape(drive))


def overpotential(law: Polarisation, density: NDArray[np.float64] | float) -> NDArray[np.float64]:
    """Overpotential [V] at a current density i [A/m2], film included; inf at or past the limit."""
    i = np.asarray(density, dtype=np.float64)
    kinetic = i if law.limit is None else uncapped(i, law.limit, law.sharpness)
    if isinstance(law, Linear):
        eta = law.resistance * kinetic
    elif isinstance(law, Tafel):
        x = kinetic / (2 * law.exchange)
        with np.errstate(invalid="ignore", divide="ignore"):
            cathodic = np.where(x > -1, np.arctanh(np.clip(x, -1, 0)), -np.inf)
        eta = law.slope * np.where(x >= 0, np.arcsinh(np.maximum(x, 0)), cathodic)
    else:
        eta = _butler_volmer_overpotential(law, kinetic)
    return np.asarray(eta + law.film_resistance * i)


def uncapped(density: ArrayLike, limit: ArrayLike, sharpness: ArrayLike) -> NDArray[np.float64]:
    """Density that kinetics alone would pass where i passes [A/m2]; infinite at or past the limit.

    The inverse of the soft cap is i_k = i / (1 - |i / limit|**sharpness)**(1 / sharpness).
    """
    i, p = np.asarray(density, dtype=np.float64), np.asarray(sharpness, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        room = 1.0 - np.abs(i / np.asarray(limit, dtype=np.float64)) ** p
        return np.where(room > 0, i / np.maximum(room, 0) ** (1 / p), np.sign(i) * np.inf)


def _butler_volmer_overpotential(
    law: ButlerVolmer, kinetic: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Invert the law, by bisection between the two Tafel bounds where slopes differ; exact to
    rounding."""
    ratio = kinetic / law.exchange
    if law.slope_anodic == law.slope_cathodic:
        return np.asarray(law.slope_anodic * np.arcsinh(0.5 * ratio))
    low = np.where(ratio < 0, -law.slope_cathodic * np.log1p(np.maximum(-ratio, 0)), 0.0)
    high = np.where(ratio > 0, law.slope_anodic * np.log1p(np.maximum(ratio, 0)), 0.0)
    for _ in range(200):
        middle = 0.5 * (low + high)
        above = np.exp(middle / law.slope_anodic) - np.exp(-middle / law.slope_cathodic) > ratio
        low, high = np.where(above, low, middle), np.where(above, middle, high)
    return 0.5 * (low + high)
