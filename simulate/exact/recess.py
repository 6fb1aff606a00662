"""Current through an opening in an insulating mask to the electrode at its bottom.

The problem of West & Newman, J. Electrochem. Soc. 138 (1991) 1620: a thicker mask evens out the
current, because the singular edge moves from the electrode to the mask's upper lip. Also the
flush electrode with linear kinetics (Newman, J. Electrochem. Soc. 113 (1966) 1235). Neither has
a closed form; here both are solved to many digits by a symmetric Galerkin method.

Everything is dimensionless: lengths over the opening's radius or half-width a, resistances as
``kappa a R`` (disk) or ``kappa R`` per depth (strip), kinetics as the Wagner number
``Wa = kappa rho / a`` with rho the linear polarisation resistance.

Method. The flux through the mouth is a sum of functions
``(1 - r^2)^s P_n(1 - 2 r^2)`` (Jacobi polynomials), whose exponent s is that of the edge they
meet: -1/3 at a mask's lip, -1/2 at a flush electrode, 0 with kinetics. Their Hankel or cosine
transforms are ``J_(2n+s+d)(k) / k^(s+d)``, d = 1 (disk) or 1/2 (strip), so that the potential
they raise in a half space is the closed integral of Weber and Schafheitlin (Watson, Theory of
Bessel Functions, 13.41). Walls at a distance b add an integral over modified Bessel functions,
a lid or floor at a finite distance a sum that converges exponentially. The recess is a cell
with b = 1, its electrode the lid. Exponentially many digits follow from a few functions.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from math import inf, pi, sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray

from simulate.errors import Fault, InputError

Array = NDArray[np.float64]

LIP, RIM, KINETIC = -1.0 / 3.0, -0.5, 0.0  # exponents of the flux at the edge of the mouth


@dataclass(frozen=True, eq=False)
class OpeningCurrent:
    """How current spreads over the electrode below an opening.

    resistance : ``kappa a R`` (disk) or ``kappa R`` (strip), with kinetics, whole electrode [-].
    centre, edge : current density over its mean at the middle and at the rim [-].
    profile : the same at any radius or |x|, in units of a.
    cumulative : share of the current inside a radius or |x| [-].
    """

    resistance: float
    centre: float
    edge: float
    profile: Callable[[ArrayLike], Array]
    cumulative: Callable[[ArrayLike], Array]

    @property
    def edge_ratio(self) -> float:
        """Current density at the rim over that at the middle [-]."""
        return self.edge / self.centre


def disk_opening(
    depth: float, *, wagner: float = 0.0, cell: tuple[float, float] | None = None
) -> OpeningCurrent:
    """Current to a disk below a round opening in a mask of thickness `depth` (over a) [-].

    Without `cell` the counter electrode is remote; with ``cell = (b, H)`` insulating walls
    stand at radius b >= 1 (or `math.inf`) and the counter electrode is the whole lid at height
    H above the mask. depth = 0 is a flush disk. Wagner number `wagner` [-].

    Raises InputError unless depth = 0 or depth >= 0.01, and wagner >= 0.
    Accuracy: resistance 1e-9 (1e-8 where b = 1), densities 1e-5; the edge of a flush disk with
    kinetics 1e-6 at Wa = 1 and 3e-4 at Wa = 0.01. A flush disk wants a wall at b > 1.1.
    Source: West & Newman, J. Electrochem. Soc. 138 (1991) 1620 (the problem).
    """
    return _opening(_Mouth(1.0), depth, wagner, cell)


def strip_opening(
    depth: float, *, cell: tuple[float, float], wagner: float = 0.0
) -> OpeningCurrent:
    """Current to a strip below a long slot in a mask of thickness `depth` (over a) [-].

    As `disk_opening`, per depth of the plane; ``cell = (b, H)`` with a finite b is needed,
    because a strip in a half space has no finite resistance.
    """
    if cell[0] == inf:
        raise InputError(Fault("a strip needs walls", "a finite b", key="cell", value=str(cell)))
    return _opening(_Mouth(0.5), depth, wagner, cell)


def wide_wagner_asymptotes(wagner: float) -> tuple[float, float]:
    """Centre and edge density over the mean on a flush disk when kinetics dominate [-].

    ``1 - (1 - 8/(3 pi)) / Wa`` and ``1 + (8/(3 pi) - 2/pi) / Wa``: first order in 1/Wa.

    Source: uniform flux as first approximation (potential of a uniformly charged disk).
    """
    mean = 8.0 / (3.0 * pi)
    return 1.0 - (1.0 - mean) / wagner, 1.0 + (mean - 2.0 / pi) / wagner


def _opening(
    mouth: _Mouth, depth: float, wagner: float, cell: tuple[float, float] | None
) -> OpeningCurrent:
    faults = []
    if not (depth == 0.0 or 0.01 <= depth < inf):
        faults.append(Fault("out of range", "0, or at least 0.01", key="depth", value=str(depth)))
    if not 0.0 <= wagner < inf:
        faults.append(Fault("out of range", "0 or more", key="wagner", value=str(wagner)))
    if cell is not None and not (cell[0] >= 1.0 and 0.0 < cell[1] < inf):
        faults.append(Fault("out of range", "b >= 1 and H > 0", key="cell", value=str(cell)))
    if faults:
        raise InputError(faults)
    if depth > 0.0:
        return _recessed(mouth, depth, wagner, cell)
    return _flush(mouth, wagner, cell)


def mouth_functions(depth: float) -> int:
    """How many functions describe the flux through the mouth of a recess of this depth."""
    return 40 if depth >= 0.05 else 96


def _recessed(
    mouth: _Mouth, depth: float, wagner: float, cell: tuple[float, float] | None
) -> OpeningCurrent:
    """The flux through the mouth, then the mode by mode damping down to the electrode."""
    count = mouth_functions(depth)
    system = mouth.impedance(LIP, count, cell) + mouth.impedance(LIP, count, (1.0, depth), wagner)
    flux = np.linalg.solve(system, mouth.total(LIP, count))
    total = float(flux @ mouth.total(LIP, count))
    k, weight = mouth.modes(1.0, 38.0 / depth)
    damping = np.cosh(k * depth) + wagner * k * np.sinh(k * depth)
    amplitude = weight * (flux @ mouth.transforms(LIP, count, k)) / damping
    amplitude /= 2.0 * mouth.offset * total

    def profile(r: ArrayLike) -> Array:
        return np.asarray(1.0 + mouth.wave(np.multiply.outer(np.asarray(r, float), k)) @ amplitude)

    def cumulative(r: ArrayLike) -> Array:
        r = np.asarray(r, dtype=float)
        return np.asarray(r ** (2.0 * mouth.offset) + mouth.wave_integral(r, k) @ amplitude)

    centre, edge = profile(np.array([0.0, 1.0]))
    return OpeningCurrent(mouth.resistance(total), float(centre), float(edge), profile, cumulative)


def _flush(mouth: _Mouth, wagner: float, cell: tuple[float, float] | None) -> OpeningCurrent:
    """The flux on a flush electrode; with kinetics the rim converges as 1/n^2, extrapolated."""
    s, count = (KINETIC, 160) if wagner > 0.0 else (RIM, 16)
    system = mouth.impedance(s, count, cell)
    if wagner > 0.0:
        system += wagner * np.diag(mouth.norms(count))
    total = mouth.total(s, count)
    flux = np.linalg.solve(system, total)
    flux = flux / float(flux @ total)  # of one whole unit of current
    current = float(np.linalg.solve(system, total) @ total)

    def profile(r: ArrayLike) -> Array:
        return mouth.functions(s, count, np.asarray(r, dtype=float)) @ flux / (2.0 * mouth.offset)

    def cumulative(r: ArrayLike) -> Array:
        return mouth.function_integrals(s, count, np.asarray(r, dtype=float)) @ flux

    edge = inf
    if wagner > 0.0:
        half = count // 2
        fewer = np.linalg.solve(system[:half, :half], total[:half])
        fewer /= float(fewer @ total[:half])
        rim = mouth.functions(s, count, np.array(1.0)) / (2.0 * mouth.offset)
        edge = float(4.0 * rim @ flux - rim[:half] @ fewer) / 3.0
    centre = float(profile(0.0))
    return OpeningCurrent(mouth.resistance(current), centre, edge, profile, cumulative)


@dataclass(frozen=True)
class _Mouth:
    """The functions of one kind of opening; offset d = 1 for a disk, 1/2 for a strip."""

    offset: float

    def resistance(self, total: float) -> float:
        """``kappa a R`` when a unit voltage drives ``total = int f r^(2d-1) dr``."""
        return 1.0 / ((2.0 * pi if self.offset == 1.0 else 2.0) * total)

    def total(self, s: float, count: int) -> Array:
        """``int_0^1 f_n r^(2d-1) dr``: only the first function carries net current."""
        from scipy.special import gamma

        total = np.zeros(count)
        total[0] = 1.0 / (2.0 ** (s + self.offset) * gamma(s + self.offset + 1.0))
        return total

    def norms(self, count: int) -> Array:
        """``int_0^1 f_n^2 r^(2d-1) dr`` for s = 0, where the functions are orthogonal."""
        return np.asarray(self._lead**2 / (2.0 * (2.0 * np.arange(count) + self.offset)))

    def transforms(self, s: float, count: int, k: Array) -> Array:
        """``J_(2n+s+d)(k) / k^(s+d)``: the transform of f_n; (count, k.size)."""
        from scipy.special import jv

        n = np.arange(count)[:, None]
        return np.asarray(jv(2.0 * n + s + self.offset, k) / k ** (s + self.offset))

    def functions(self, s: float, count: int, r: Array) -> Array:
        """f_n(r); r.shape + (count,)."""
        from scipy.special import eval_jacobi

        n, r = np.arange(count), r[..., None]
        values = self._scale(s, n) * eval_jacobi(n, self.offset - 1.0, s, 1.0 - 2.0 * r**2)
        with np.errstate(divide="ignore"):
            return np.asarray(values * (1.0 - r**2) ** s)

    def function_integrals(self, s: float, count: int, r: Array) -> Array:
        """``int_0^r f_n r^(2d-1) dr``; r.shape + (count,)."""
        from scipy.special import betainc, eval_jacobi

        n, r = np.arange(1, count), r[..., None]
        d = self.offset
        first = self.total(s, 1) * betainc(d, s + 1.0, r**2)
        rest = eval_jacobi(n - 1, d, s + 1.0, 1.0 - 2.0 * r**2) * self._scale(s, n) / (2.0 * n)
        return np.concatenate([first, rest * r ** (2.0 * d) * (1.0 - r**2) ** (s + 1.0)], axis=-1)

    @property
    def _lead(self) -> float:
        return 1.0 if self.offset == 1.0 else sqrt(2.0 / pi)

    def _scale(self, s: float, n: NDArray[np.int64]) -> Array:
        """The factor of f_n that makes its transform the bare Bessel function."""
        from scipy.special import gammaln

        return np.asarray(self._lead * 2.0**-s * np.exp(gammaln(n + 1.0) - gammaln(n + s + 1.0)))

    def wave(self, kr: Array) -> Array:
        """J0(k r) or cos(k x)."""
        from scipy.special import j0

        return np.asarray(j0(kr) if self.offset == 1.0 else np.cos(kr))

    def wave_integral(self, r: Array, k: Array) -> Array:
        """``2d int_0^r wave r^(2d-1) dr``; r.shape + k.shape."""
        from scipy.special import j1

        kr = np.multiply.outer(r, k)
        return np.asarray(2.0 * r[..., None] * j1(kr) / k if self.offset == 1.0 else np.sin(kr) / k)

    def modes(self, wall: float, largest: float) -> tuple[Array, Array]:
        """Wave numbers of a cell with walls at `wall`, and ``1 / int wave^2 r^(2d-1) dr``."""
        from scipy.special import j0, jn_zeros

        count = max(4, int(largest * wall / pi) + 1)
        if self.offset == 1.0:
            zeros = jn_zeros(1, count)
            return zeros / wall, 2.0 / (wall * j0(zeros)) ** 2
        return pi / wall * np.arange(1.0, count + 1.0), np.full(count, 2.0 / wall)

    def impedance(
        self, s: float, count: int, cell: tuple[float, float] | None, wagner: float = 0.0
    ) -> Array:
        """Mean of f_m times the potential f_n raises: half space, then walls, then the lid.

        ``cell`` is (wall, height); `wagner` is a polarisation resistance on the lid.
        """
        system = self._half_space(s, count)
        if cell is None:
            return system
        wall, height = cell
        if wall == inf:
            return system + self._plane_lid(s, count, height)
        k, weight = self.modes(wall, 20.0 / height)
        damping = np.tanh(k * height)
        excess = (damping - 1.0) * (1.0 - wagner * k) / (k * (1.0 + wagner * k * damping))
        waves = self.transforms(s, count, k)
        total = self.total(s, count)
        mean = 2.0 * self.offset / wall ** (2.0 * self.offset) * (height + wagner)
        lid = (waves * weight * excess) @ waves.T + mean * np.outer(total, total)
        return np.asarray(system + _walls(self, s, count, wall) + lid)

    def _half_space(self, s: float, count: int) -> Array:
        """Weber-Schafheitlin integral ``int J_mu J_nu k^(-2s-2) dk`` (2/pi of it for a strip).

        The strip's first entry, whose integral diverges as 1/k, is its finite part.
        """
        from scipy.special import digamma, gamma, gammaln, rgamma

        power, x = 2.0 * s + 2.0, s + 1.5
        n = np.arange(count)
        gap, both = np.abs(n[:, None] - n[None, :]), n[:, None] + n[None, :] + self.offset - 0.5
        away = np.where(gap == 0, 1, gap)
        ratio = np.exp(gammaln(away + 1.0 - x) - gammaln(away + x))
        sides = np.where(gap == 0, rgamma(x) ** 2, (-1.0) ** away * np.sin(pi * x) / pi * ratio)
        pole = both == 0.0
        middle = np.exp(gammaln(np.where(pole, 1.0, both)) - gammaln(both + power))
        integral = gamma(power) / 2.0**power * sides * middle
        if self.offset == 1.0:
            return np.asarray(integral)
        slope = np.log(2.0) + digamma(x) - 0.5 * digamma(power)
        first = gamma(power) / 2.0**power * rgamma(x) ** 2 * rgamma(power)
        integral[0, 0] = first * (2.0 * slope - np.euler_gamma)
        return np.asarray(2.0 / pi * integral)

    def wall_kernel(
        self, wall: float, order: float, t: Array
    ) -> tuple[Array, tuple[float, float], Array]:
        """Kernel times exp(2 t b), its poles (of 1/t^2, 1/t), and the smooth part as t -> 0."""
        from scipy.special import i1e, k1e

        x = t * wall
        if self.offset == 1.0:
            square, simple = 2.0 / wall**2, 0.0
            limit = np.log(0.5 * x) + np.euler_gamma - 0.75
            kernel = k1e(x) / i1e(x)
        else:
            square, simple = 1.0 / wall, -1.0
            limit = np.full(t.shape, wall / 3.0)
            kernel = 2.0 / (t * -np.expm1(-2.0 * x))
        curvature = 0.5 / (order + 1.0)  # of g_0^2 at t = 0
        return kernel, (square, simple), limit + square * (curvature + 1.0) + simple * curvature * t

    def _plane_lid(self, s: float, count: int, height: float) -> Array:
        """What a lid without walls adds: ``int (tanh(k H) - 1) f_m f_n dk`` (disk only)."""
        k, weight = np.polynomial.legendre.leggauss(400)
        largest = 20.0 / height
        k, weight = 0.5 * largest * (k + 1.0), 0.5 * largest * weight
        waves = self.transforms(s, count, k)
        return np.asarray((waves * weight * (np.tanh(k * height) - 1.0)) @ waves.T)


@lru_cache(maxsize=16)
def _walls(mouth: _Mouth, s: float, count: int, wall: float) -> Array:
    """What insulating walls add: ``(2/pi) int W(t) g_m(t) g_n(t) dt``, finite part.

    g_n = (-1)^n I_(2n+s+d)(t) / t^(s+d); W = K1/I1 (disk) or (coth - 1)/t (strip) of t b.
    Trapezoidal rule in ln t. The first entry behaves as 1/t^2 (and 1/t): a function with
    the same poles and finite part -pi/2 (and 0) is taken off.
    """
    from scipy.special import ive

    step = 0.04
    t = np.exp(np.arange(-30.0, 20.0, step))  # beyond: below 1e-11
    order = s + mouth.offset
    sign = (-1.0) ** np.arange(count)[:, None]
    g = sign * ive(2.0 * np.arange(count)[:, None] + order, t) / t**order
    kernel, poles, limit = mouth.wall_kernel(wall, order, t)
    with np.errstate(under="ignore"):
        system = (g * kernel * np.exp(-2.0 * t * (wall - 1.0)) * t * step) @ g.T
    first = mouth.total(s, 1)[0] ** 2
    square, simple = poles
    smooth = kernel * np.exp(-2.0 * t * (wall - 1.0)) * g[0] ** 2 / first
    smooth = smooth - (square / t**2 + simple / t) / (1.0 + t**2)
    smooth = np.where(t < 1e-4, limit, smooth)
    system[0, 0] = first * (float(np.sum(smooth * t)) * step - square * pi / 2.0)
    system *= 2.0 / pi
    system.flags.writeable = False
    return np.asarray(system)
