"""Fields close to an edge: what the potential does where a plain scheme cannot follow it.

All are plane fields in a frame of the edge: the edge at the origin, the electrolyte in Y > 0 (and,
at a lip or corner, in X < 0, Y < 0 too), an insulator or a corner's metal under X > 0, and under
X < 0 the metal (flush edge) or more electrolyte. Each is the real part of an analytic function F;
with the stream function Im F the current through any face is a difference, so it is exact.

    flush edge, ideal metal      F = zeta^(1/2)
    flush edge, linear kinetics  the Wiener-Hopf solution of u_Y = u / l on X < 0
    lip of an insulator          F = zeta^lam, lam = (2/pi) atan(sqrt(1 + 2 kappa_up / kappa_down))
    corner of ideal metal        F = -i zeta^(2/3)

lam = 2/3 where both sides conduct alike: the electrolyte's angle there is 270 degrees. On a ring
of radius a the field is, to first order in X / a, u = u0 (1 - X / 2a) + W / a, with W that keeps
the insulator's side wall tight (0 at a flush edge).

Each has ``field(x, y)``, F, and ``correction(x, y)``, W; ``up`` and ``down`` are the conductivities
for Y > 0 and Y < 0 over that above the edge [-].

Sources: corner exponents, Jackson, Classical Electrodynamics, 3rd ed. 1999, sec. 2.11 (from
memory); the mixed edge by the method of Noble, Methods Based on the Wiener-Hopf Technique, 1958
(from memory); numbers checked in ``tests/field/test_edge_fitting.py``.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from math import atan, cos, pi, sin, sqrt

import numpy as np
from numpy.typing import NDArray

Doubles = NDArray[np.float64]
Complexes = NDArray[np.complex128]

_EULER = 0.5772156649015329


@dataclass(frozen=True)
class FlushEdge:
    """Ideal metal flush with an insulating plane: ``F = zeta^(1/2)``."""

    up: float = 1.0
    down: float = 1.0

    def field(self, x: Doubles, y: Doubles) -> Complexes:
        """Half a power of distance: the density is singular as r^(-1/2)."""
        return np.asarray(np.sqrt(_upper(x, y)))

    def correction(self, x: Doubles, y: Doubles) -> Complexes:
        """0: metal and insulator lie in one plane."""
        return np.zeros(np.broadcast(x, y).shape, complex)


@dataclass(frozen=True)
class KineticEdge:
    """Metal with linear kinetics flush with an insulating plane: ``u_Y = u / l`` on X < 0.

    length : l = conductivity * (polarisation and film resistance) [m], the same unit as x and y.

    With ``ln M(p) = (1/pi) int p ln(1+t) / (t^2 + p^2) dt`` and ``a = M / (sqrt(p) (1 + p^2))``, in
    units of l: the density at -x is ``int a e^(-p x) dp`` and
    ``F = int a dp + (1/pi) int (a/p) (e^w E1(w) + ln w + gamma) dp``, w = p zeta. It is finite at
    the edge and tends to ``zeta^(1/2)`` far from it.
    """

    length: float
    up: float = 1.0
    down: float = 1.0

    def field(self, x: Doubles, y: Doubles) -> Complexes:
        """The integral over p, by the trapezoidal rule in ln p; good to 1e-7."""
        p, weight = _kinetic_weights()
        place = _upper(x, y) / self.length
        flat = place.ravel()
        values = np.empty(flat.size, complex)
        for start in range(0, flat.size, 256):
            w = p * flat[start : start + 256, None]
            values[start : start + 256] = _tail(w) @ (weight / p) / pi
        return np.asarray(values.reshape(place.shape) + weight.sum())

    def correction(self, x: Doubles, y: Doubles) -> Complexes:
        """0: metal and insulator lie in one plane."""
        return np.zeros(np.broadcast(x, y).shape, complex)


@dataclass(frozen=True)
class MetalCorner:
    """The corner of an ideal metal body in the electrolyte: ``F = -i zeta^(2/3)``."""

    up: float = 1.0
    down: float = 1.0

    def field(self, x: Doubles, y: Doubles) -> Complexes:
        """``r^(2/3) sin(2 theta / 3)``: the density is singular as r^(-1/3)."""
        angle = _around(x, y)
        return np.asarray(-1j * np.hypot(x, y) ** (2 / 3) * np.exp(2j / 3 * angle))

    def correction(self, x: Doubles, y: Doubles) -> Complexes:
        """0: the metal is at one potential on both its faces."""
        return np.zeros(np.broadcast(x, y).shape, complex)


@dataclass(frozen=True)
class Lip:
    """The edge of an insulator in the electrolyte, 270 degrees of it.

    down : conductivity below the insulator's face over that above it [-].
    """

    down: float = 1.0
    up: float = 1.0

    @property
    def exponent(self) -> float:
        """``lam = (2/pi) atan(sqrt(1 + 2 / down))``; between 1/2 and 1."""
        return 2.0 / pi * atan(sqrt(1.0 + 2.0 / self.down))

    def field(self, x: Doubles, y: Doubles) -> Complexes:
        """``r^lam cos(lam theta)`` above, ``r^lam cos(lam (3 pi/2 - theta))`` scaled below."""
        lam = self.exponent
        below = cos(lam * pi) / cos(0.5 * lam * pi)
        return self._sides(x, y, lam, (1.0, below, 0.0))

    def correction(self, x: Doubles, y: Doubles) -> Complexes:
        """Powers lam + 1 that take away what ``-X u0 / 2`` sends into the wall."""
        lam = self.exponent
        mu = lam + 1.0
        sine = -0.5 * cos(lam * pi) / cos(0.5 * lam * pi) / mu
        equations = [
            [cos(mu * pi), -cos(0.5 * mu * pi)],
            [sin(mu * pi), self.down * sin(0.5 * mu * pi)],
        ]
        right = [sine * sin(0.5 * mu * pi), self.down * sine * cos(0.5 * mu * pi)]
        above, cosine = np.linalg.solve(equations, right)
        return self._sides(x, y, mu, (float(above), float(cosine), sine))

    def _sides(
        self, x: Doubles, y: Doubles, power: float, parts: tuple[float, float, float]
    ) -> Complexes:
        """Above ``A cos(power theta)``, below ``B cos(power f) + C sin(power f)``, f from the wall.

        Currents, not only potentials, are continuous: Im F jumps in y = 0 as 1 / conductivity.
        """
        above, cosine, sine = parts
        angle = _around(x, y)
        size = np.hypot(x, y) ** power
        fall = 1.5 * pi - angle
        upper = above * np.exp(1j * power * angle)
        lower = (cosine + 1j * sine) * np.exp(-1j * power * fall)
        return np.asarray(size * np.where(y >= 0.0, upper, lower))


EdgeField = FlushEdge | KineticEdge | MetalCorner | Lip


def _upper(x: Doubles, y: Doubles) -> Complexes:
    """x + i y in the upper half-plane, its negative axis approached from above."""
    return np.asarray(x + 1j * np.maximum(y, 0.0))


def _around(x: Doubles, y: Doubles) -> Doubles:
    """Angle from +X through the electrolyte, 0 to 3 pi / 2."""
    angle = np.arctan2(y, x)
    return np.asarray(np.where(angle < -0.25 * pi, angle + 2.0 * pi, angle))


@cache
def _kinetic_weights() -> tuple[Doubles, Doubles]:
    """Nodes p and weights a(p) dp of `KineticEdge`."""
    step = 0.5
    p = np.exp(np.arange(-60.0, 20.0, step))
    q = np.exp(np.arange(-60.0, 60.0, 0.1))
    log_m = 0.1 / pi * (p[:, None] * np.log1p(q) * q / (q**2 + p[:, None] ** 2)).sum(axis=1)
    return p, step * np.sqrt(p) * np.exp(log_m) / (1.0 + p**2)


def _tail(w: Complexes) -> Complexes:
    """``e^w E1(w) + ln w + gamma``, by series where w is small or large."""
    from scipy.special import exp1

    size = np.abs(w)
    small, large = size < 1e-5, size > 20.0
    safe = np.where(small | large, 1.0, w)
    scaled = np.exp(safe) * exp1(safe)
    v = 1.0 / np.where(large, w, 1.0)
    series = np.ones_like(v)
    for n in range(18, 0, -1):
        series = 1.0 - n * v * series
    scaled = np.where(large, v * series, scaled)
    with np.errstate(divide="ignore", invalid="ignore"):
        log = np.where(size > 0.0, np.log(np.where(size > 0.0, w, 1.0)), 0.0)
    near = w * (1.0 - _EULER - log) + 0.5 * w**2 * (1.5 - _EULER - log)
    return np.asarray(np.where(small, near, scaled + log + _EULER))
