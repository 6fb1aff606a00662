"""Corners and wedges: exponents of the singular field, potential and current density."""

from __future__ import annotations

from math import log, pi

import numpy as np
from numpy.typing import ArrayLike, NDArray

from simulate.rules import require_positive

Array = NDArray[np.float64]


def wedge_resistance(angle: float, inner: float, outer: float, conductivity: float = 1.0) -> float:
    """Resistance [ohm m] between two plates that meet at an angle, per metre of depth.

    ``angle / (kappa ln(outer/inner))``; the plates run from radius `inner` to `outer` [m], the
    arcs that close the wedge insulate; angle [rad].

    Source: separation of variables; the field is ``phi = V theta / angle``.
    """
    require_positive(angle=angle, inner=inner, outer=outer - inner, conductivity=conductivity)
    return angle / (conductivity * log(outer / inner))


def wedge_density(
    r: ArrayLike, angle: float, *, voltage: float = 1.0, conductivity: float = 1.0
) -> Array:
    """Current density [A/m2] on the plates of a wedge cell: ``kappa V / (angle r)``.

    Source: separation of variables.
    """
    return conductivity * voltage / (angle * np.asarray(r, dtype=float))


# ------------------------------------------------------------------------------- corners


def corner_exponent(angle: float) -> float:
    """Exponent of the current near the corner of an electrode with an insulator [-].

    ``i ~ r^(pi / (2 beta) - 1)``, beta [rad] the angle of the electrolyte between the two:
    0 at 90 degrees, -1/2 at 180 (a flush edge).

    Source: Jackson, Classical Electrodynamics, sec. 2.11 (memory).
    """
    require_positive(angle=angle)
    return 0.5 * pi / angle - 1.0


def lip_exponent(angle: float) -> float:
    """Exponent of the current near an insulating lip or an electrode's own edge [-].

    ``i ~ r^(pi / beta - 1)``: -1/3 at the mouth of a mask (270 degrees of electrolyte).

    Source: Jackson, Classical Electrodynamics, sec. 2.11 (memory).
    """
    require_positive(angle=angle)
    return pi / angle - 1.0


def corner_potential(x: ArrayLike, z: ArrayLike, angle: float) -> Array:
    """Exact potential of an electrode on z = 0, x > 0 that meets an insulator at `angle` [rad].

    ``r^l sin(l theta)``, ``l = pi / (2 beta)``: zero on the electrode, no flux into the
    insulator; the density on the electrode is ``kappa l r^(l-1)``.

    Source: Jackson, Classical Electrodynamics, sec. 2.11 (memory).
    """
    require_positive(angle=angle)
    x, z = np.asarray(x, dtype=float), np.asarray(z, dtype=float)
    power = 0.5 * pi / angle
    theta = np.mod(np.arctan2(z, x), 2.0 * pi)
    return np.asarray(np.hypot(x, z) ** power * np.sin(power * theta))
