"""Cylinders, spheres, disks and ellipses: resistance, potential, current density."""

from __future__ import annotations

from collections.abc import Sequence
from math import atan, inf, pi

import numpy as np
from numpy.typing import ArrayLike, NDArray

from simulate.rules import require_positive

Array = NDArray[np.float64]


def coaxial_cylinders_resistance(
    radii: Sequence[float], conductivity: Sequence[float], *, interface_resistance: float = 0.0
) -> float:
    """Resistance [ohm m] between coaxial cylinders, per metre of length.

    ``sum ln(r[k+1]/r[k]) / (2 pi kappa[k]) + rho / (2 pi r[0])``: n+1 radii [m], growing, n
    conductivities [S/m], rho [ohm m2] the linear polarisation on the inner cylinder.

    Source: textbook integration of Laplace's equation.
    """
    r, kappa = np.asarray(radii, dtype=float), np.asarray(conductivity, dtype=float)
    ohmic = float(np.sum(np.log(r[1:] / r[:-1]) / kappa))
    return (ohmic + interface_resistance / float(r[0])) / (2.0 * pi)


def concentric_spheres_resistance(
    radii: Sequence[float], conductivity: Sequence[float], *, interface_resistance: float = 0.0
) -> float:
    """Resistance [ohm] between concentric spheres.

    ``sum (1/r[k] - 1/r[k+1]) / (4 pi kappa[k]) + rho / (4 pi r[0]^2)``: n+1 radii [m], growing,
    n conductivities [S/m], rho [ohm m2] the linear polarisation on the inner sphere.

    Source: textbook integration of Laplace's equation.
    """
    r, kappa = np.asarray(radii, dtype=float), np.asarray(conductivity, dtype=float)
    ohmic = float(np.sum((1.0 / r[:-1] - 1.0 / r[1:]) / kappa))
    return (ohmic + interface_resistance / float(r[0]) ** 2) / (4.0 * pi)


# ------------------------------------------------------------------------- disk and spheroid


def disk_resistance(radius: float, conductivity: float = 1.0) -> float:
    """Resistance [ohm] of a disk in an insulating plane to a remote counter electrode.

    ``1 / (4 kappa a)``.

    Source: Newman, J. Electrochem. Soc. 113 (1966) 501 (memory).
    """
    require_positive(radius=radius, conductivity=conductivity)
    return 1.0 / (4.0 * conductivity * radius)


def disk_profile(r: ArrayLike, radius: float = 1.0) -> Array:
    """Primary current density over its mean on a disk: ``1 / (2 sqrt(1 - r^2/a^2))`` [-].

    Infinite at the rim and NaN beyond. Compare solvers with `disk_cell_means`, never with this.

    Source: Newman, J. Electrochem. Soc. 113 (1966) 501 (memory).
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        return 0.5 / np.sqrt(1.0 - (np.asarray(r, dtype=float) / radius) ** 2)


def disk_cumulative(r: ArrayLike, radius: float = 1.0) -> Array:
    """Share of a disk's primary current inside r: ``1 - sqrt(1 - r^2/a^2)`` [-]; 1 beyond."""
    inside = np.clip(np.asarray(r, dtype=float) / radius, 0.0, 1.0)
    return 1.0 - np.sqrt(1.0 - inside**2)


def disk_cell_means(edges: ArrayLike, radius: float = 1.0) -> Array:
    """Mean of the primary profile on the rings between edges [m]; n+1 edges, n means [-]."""
    r = np.asarray(edges, dtype=float)
    return np.diff(disk_cumulative(r, radius)) * radius**2 / np.diff(r**2)


def oblate_xi(r: ArrayLike, z: ArrayLike, radius: float = 1.0) -> Array:
    """Oblate spheroidal coordinate xi >= 0 of the points (r, z) [-].

    ``z = a xi eta, r = a sqrt((1 + xi^2)(1 - eta^2))``; xi = 0 is the disk of radius a.
    """
    r, z = np.asarray(r, dtype=float) / radius, np.asarray(z, dtype=float) / radius
    excess = r**2 + z**2 - 1.0
    root = np.hypot(excess, 2.0 * z)
    spread = np.where(root > excess, root - excess, 1.0)
    inside = 2.0 * z**2 / spread  # the same, without cancellation where excess < 0
    return np.sqrt(np.where(excess > 0.0, 0.5 * (root + excess), inside))


def spheroid_resistance(
    radius: float, outer: float = inf, *, inner: float = 0.0, conductivity: float = 1.0
) -> float:
    """Resistance [ohm] between confocal oblate half-spheroids standing on an insulating plane.

    ``(atan xi2 - atan xi1) / (2 pi kappa a)``; `inner` and `outer` are xi1 and xi2, with
    semi-axes ``a sqrt(1 + xi^2)`` across and ``a xi`` up. inner = 0 is a disk of radius a [m],
    outer = inf a remote counter electrode.

    Source: separation of variables, ((1 + xi^2) phi')' = 0.
    """
    require_positive(radius=radius, conductivity=conductivity)
    return (atan(outer) - atan(inner)) / (2.0 * pi * conductivity * radius)


def oblate_potential(
    r: ArrayLike, z: ArrayLike, radius: float = 1.0, *, outer: float = inf, voltage: float = 1.0
) -> Array:
    """Exact potential [V] around a disk at `voltage`, zero on the half-spheroid xi = outer.

    ``V (1 - atan(xi) / atan(outer))``, xi as in `oblate_xi`; the plane z = 0, r > a insulates
    exactly. May be imposed on any outline that encloses the disk.

    Source: separation of variables in oblate spheroidal coordinates.
    """
    return np.asarray(voltage * (1.0 - np.arctan(oblate_xi(r, z, radius)) / atan(outer)))


def ellipse_resistance(outer: float, conductivity: float = 1.0) -> float:
    """Resistance [ohm m] from a flush strip to a confocal half-ellipse: ``u / (pi kappa)``.

    Semi-axes ``a cosh u`` across and ``a sinh u`` up, a the strip's half-width; u = `outer`.

    Source: the conformal map x + i z = a sin(w), planar twin of `spheroid_resistance`.
    """
    require_positive(outer=outer, conductivity=conductivity)
    return outer / (pi * conductivity)


def remote_resistance(resistance: float, distance: float, conductivity: float = 1.0) -> float:
    """Resistance [ohm] to a remote counter electrode from that to a half-sphere at `distance`.

    ``R + 1 / (2 pi kappa rho)``: right to 6e-6 / (kappa a) for rho = 5 electrode radii.

    Source: leading term of the multipole series.
    """
    require_positive(distance=distance, conductivity=conductivity)
    return resistance + 1.0 / (2.0 * pi * conductivity * distance)
