"""Exact and published solutions of the field between electrodes.

What a numerical solver is held against, and what is drawn over its figures. All are for a
uniform or layered electrolyte obeying ``div(kappa grad phi) = 0``. Coordinates and results are
SI; a *profile* is the local current density over its mean on the electrode [-], and a
*cumulative current* is the share of the total current inside a radius or half-width [-].
Resistances of planar cells are per metre of depth, ``[ohm m]``.

Sources marked (memory) were cited without the page being seen; each formula is checked
numerically in ``tests/exact/test_closed_forms.py``. Strips, channels and the Hull cell stand in
`exact.conformal_maps`; openings below a mask, and electrodes with linear kinetics, which have
no closed form, in `simulate.exact.recess`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import asinh, atan, exp, inf, log, log1p, pi

import numpy as np
from numpy.typing import ArrayLike, NDArray

from simulate.errors import Fault, InputError
from simulate.rules import require_positive

Array = NDArray[np.float64]


# ---------------------------------------------------------------- planes, cylinders, spheres


def layers_in_series(
    voltage: float, thickness: Sequence[float], conductivity: Sequence[float]
) -> tuple[float, Array]:
    """Current density through plane layers, and the potentials at their interfaces.

    ``i = V / sum(t / kappa)``. Thickness [m] and conductivity [S/m] run from the anode to the
    cathode; the potentials [V], one more than there are layers, fall from V to 0.

    Source: Ohm's law.
    """
    resistance = np.asarray(thickness, dtype=float) / np.asarray(conductivity, dtype=float)
    density = voltage / float(resistance.sum())
    return density, voltage - density * np.concatenate(([0.0], np.cumsum(resistance)))


def planar_linear_density(
    voltage: float, gap: float, conductivity: float, *, interface_resistance: float = 0.0
) -> float:
    """Current density [A/m2] between plates with linear polarisation.

    ``i = V / (d/kappa + rho)``, rho [ohm m2] the sum of both electrodes' polarisation
    resistances, d the gap [m].

    Source: Ohm's law.
    """
    require_positive(gap=gap, conductivity=conductivity)
    return voltage / (gap / conductivity + interface_resistance)


def planar_tafel_density(
    voltage: float, gap: float, conductivity: float, *, exchange: float, slope: float
) -> float:
    """Current density [A/m2] between plates, one of which obeys Tafel's law.

    The root of ``V = b ln(i/i0) + i d/kappa``, which is ``i = (b kappa/d) W(x)`` with
    ``x = (i0 d / b kappa) exp(V/b)`` and W Lambert's function; evaluated as Wright's omega of
    ln x, so that large V/b do not overflow. Exchange i0 [A/m2], slope b [V per e-fold].

    Source: Corless et al., Adv. Comput. Math. 5 (1996) 329 (memory).
    """
    from scipy.special import wrightomega

    require_positive(gap=gap, conductivity=conductivity, exchange=exchange, slope=slope)
    scale = slope * conductivity / gap
    return scale * float(wrightomega(voltage / slope + log(exchange / scale)))


@dataclass(frozen=True)
class PlanarCell:
    """What flows between two plates: density [A/m2] and both overpotentials [V]."""

    density: float
    anode_overpotential: float
    cathode_overpotential: float


def butler_volmer_overpotential(
    density: float, exchange: float, slope_anodic: float, slope_cathodic: float
) -> float:
    """Overpotential [V] at which ``i = i0 (exp(eta/b_a) - exp(-eta/b_c))``.

    Equal slopes b give ``eta = b asinh(i / 2 i0)``; others are found between the bounds
    ``b ln(|i|/i0)`` and ``b ln(1 + |i|/i0)``. Slopes [V per e-fold].

    Source: Bard & Faulkner, Electrochemical Methods, 2nd ed. 2001, ch. 3 (memory).
    """
    from scipy.optimize import brentq

    require_positive(exchange=exchange, slope_anodic=slope_anodic, slope_cathodic=slope_cathodic)
    if slope_anodic == slope_cathodic:
        return slope_anodic * asinh(density / (2.0 * exchange))
    if density == 0.0:
        return 0.0
    sign = 1.0 if density > 0.0 else -1.0
    forward, backward = (
        (slope_anodic, slope_cathodic) if sign > 0.0 else (slope_cathodic, slope_anodic)
    )
    ratio = abs(density) / exchange

    def excess(eta: float) -> float:
        return exp(eta / forward) - exp(-eta / backward) - ratio

    low, high = max(0.0, forward * log(ratio)), forward * log1p(ratio)
    low, high = low * (1.0 - 1e-12), high * (1.0 + 1e-12)
    return sign * float(brentq(excess, low, high, xtol=1e-16, rtol=1e-15))


def planar_butler_volmer(
    voltage: float,
    gap: float,
    conductivity: float,
    *,
    anode: tuple[float, float, float],
    cathode: tuple[float, float, float],
) -> PlanarCell:
    """Current between plates that both obey the Butler-Volmer law, with equal rest potentials.

    The root of ``V = eta_a(i) + i d/kappa - eta_c(-i)`` between 0 and the ohmic limit. `anode`
    and `cathode` are (exchange [A/m2], anodic slope, cathodic slope [V per e-fold]); V >= 0.

    Source: Bard & Faulkner, Electrochemical Methods, 2nd ed. 2001, ch. 3 (memory).
    """
    from scipy.optimize import brentq

    require_positive(gap=gap, conductivity=conductivity)

    def excess(density: float) -> float:
        return (
            butler_volmer_overpotential(density, *anode)
            + density * gap / conductivity
            - butler_volmer_overpotential(-density, *cathode)
            - voltage
        )

    density = float(brentq(excess, 0.0, voltage * conductivity / gap, xtol=1e-14, rtol=1e-15))
    return PlanarCell(
        density,
        butler_volmer_overpotential(density, *anode),
        butler_volmer_overpotential(-density, *cathode),
    )


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


# --------------------------------------------------------------- a patch, a moving source


def patch_potential(
    x: ArrayLike,
    y: ArrayLike,
    *,
    patch: tuple[float, float],
    box: tuple[float, float, float],
    density: float = 1.0,
    conductivity: float = 1.0,
    terms: int = 1200,
) -> Array:
    """Potential [V] on the floor of a box, a uniform current entering by a rectangle in it.

    Patch |x| < a, |y| < b with `density` [A/m2] at the bottom of |x| < A, |y| < B; walls and
    the rest of the floor insulate, the lid at height H is at 0 V. Double cosine series
    ``sum c_m c_n cos(m pi x/A) cos(n pi y/B) tanh(k H)/(k kappa)``. `patch` is (a, b) and `box`
    (A, B, H) [m]. x and y have one shape; truncation after `terms` in each direction leaves
    about 1e-7 inside the patch.

    Source: separation of variables.
    """
    x, y = np.broadcast_arrays(np.asarray(x, dtype=float), np.asarray(y, dtype=float))
    n = np.arange(terms)
    wave_x, wave_y = n * pi / box[0], n * pi / box[1]
    k = np.hypot(wave_x[:, None], wave_y[None, :])
    k[0, 0] = 1.0
    depth = np.tanh(k * box[2]) / k
    depth[0, 0] = box[2]
    along_x = np.cos(np.multiply.outer(x.ravel(), wave_x))
    along_x *= _patch_coefficients(n, patch[0], box[0])
    along_y = np.cos(np.multiply.outer(y.ravel(), wave_y))
    along_y *= _patch_coefficients(n, patch[1], box[1])
    total = np.einsum("pm,pm->p", along_x @ depth, along_y)
    return np.asarray(density / conductivity * total.reshape(x.shape))


def patch_mean_potential(
    *,
    patch: tuple[float, float],
    box: tuple[float, float, float],
    density: float = 1.0,
    conductivity: float = 1.0,
    terms: int = 1200,
) -> float:
    """Mean of `patch_potential` over the patch [V]; over the current, the cell's resistance.

    The series of `patch_potential` with each cosine averaged; truncation leaves about 2e-7.

    Source: separation of variables.
    """
    n = np.arange(terms)
    k = np.hypot((n * pi / box[0])[:, None], (n * pi / box[1])[None, :])
    k[0, 0] = 1.0
    depth = np.tanh(k * box[2]) / k
    depth[0, 0] = box[2]
    along_x = np.sinc(n * patch[0] / box[0]) ** 2 * np.where(n == 0, 1.0, 2.0) * patch[0] / box[0]
    along_y = np.sinc(n * patch[1] / box[1]) ** 2 * np.where(n == 0, 1.0, 2.0) * patch[1] / box[1]
    return float(density / conductivity * (along_x @ depth @ along_y))


def _patch_coefficients(n: NDArray[np.int64], half: float, wall: float) -> Array:
    """Cosine coefficients of a function that is 1 for |x| < half and 0 up to the wall.

    Damped by exp(-36 (n/N)^8), which ends the ringing of a truncated series.
    """
    damping = np.exp(-36.0 * (n / n.size) ** 8)
    share = half / wall * np.where(n == 0, 1.0, 2.0) * np.sinc(n * half / wall)
    return np.asarray(share * damping)


def swept_charge(
    y: ArrayLike, radius: float, *, mean_density: float, speed: float, profile: str = "uniform"
) -> Array:
    """Charge per area [C/m2] left at offset y [m] by one straight pass of a round source.

    "uniform": ``2 i sqrt(a^2 - y^2) / v``; "parabola" (2 i (1 - r^2/a^2)):
    ``(8/3) i (a^2 - y^2)^(3/2) / (a^2 v)``; "primary" (`disk_profile`): ``pi i a / (2 v)``,
    the same for every |y| < a. i = `mean_density` [A/m2], v = `speed` [m/s]. Zero beyond a.

    Raises InputError for another profile. Source: integrals along the chords.
    """
    require_positive(radius=radius, speed=speed)
    half_chord = np.sqrt(np.maximum(radius**2 - np.asarray(y, dtype=float) ** 2, 0.0))
    lengths: dict[str, Callable[[Array], Array]] = {
        "uniform": lambda c: 2.0 * c,
        "parabola": lambda c: (8.0 / 3.0) * c**3 / radius**2,
        "primary": lambda c: np.where(c > 0.0, 0.5 * pi * radius, 0.0),
    }
    if profile not in lengths:
        fault = Fault("no such profile", ", ".join(lengths), key="profile", value=profile)
        raise InputError(fault)
    return np.asarray(mean_density / speed * lengths[profile](half_chord))
