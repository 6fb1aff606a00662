"""Cells whose exact field is a conformal map: strips, channels, the Hull cell.

Planar cells, resistances per metre of depth ``[ohm m]``. A *profile* is the local current density
over its mean on the electrode [-], a *cumulative current* the share of the total current inside a
half-width or up to a point [-]. Functions named K and sn are Jacobi's, m = k^2 the parameter.

Sources marked (memory) were cited without the page being seen; each formula is checked
numerically in ``tests/exact/test_conformal_maps.py``.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import atan, exp, log, pi, sqrt, tanh

import numpy as np
from numpy.typing import ArrayLike, NDArray

from simulate.rules import require_positive

Array = NDArray[np.float64]


@dataclass(frozen=True)
class _Box:
    """The rectangle |x| < w, 0 < z < H, whose sides sn maps on the real axis.

    m and its complement follow from ``K'(m)/K(m) = H/w`` by the quickly converging one of the
    two series in Jacobi's nome; neither is lost to rounding in a flat or a tall box.
    """

    half_width: float
    height: float

    @property
    def flat(self) -> bool:
        return self.height < self.half_width

    @property
    def wave(self) -> float:
        """``K/w = K'/H`` [1/m]."""
        from scipy.special import ellipk

        small = _small_parameter(self._nome)
        return float(ellipk(small)) / (self.height if self.flat else self.half_width)

    @property
    def _nome(self) -> float:
        ratio = self.height / self.half_width
        return exp(-pi / ratio) if self.flat else exp(-pi * ratio)

    def sn_cn_dn(self, x: ArrayLike) -> tuple[Array, Array, Array]:
        """sn, cn, dn of K x / w.

        In a flat box from sums over images, ``k sn = (pi/2K') sum (-1)^n tanh(pi (x - 2 n w)/2H)``
        and so on (Whittaker & Watson, Modern Analysis, sec. 22.6; from memory).
        """
        from scipy.special import ellipj, ellipk

        x = np.asarray(x, dtype=float)
        small = _small_parameter(self._nome)
        if not self.flat:
            sn, cn, dn, _ = ellipj(self.wave * x, small)
            return sn, cn, dn
        n = np.arange(-8, 9)
        u = 0.5 * pi / self.height * (x[..., None] - 2.0 * n * self.half_width)
        sign, scale = (-1.0) ** n, 0.5 * pi / float(ellipk(small))
        sech = 2.0 * np.exp(-np.abs(u)) / (1.0 + np.exp(-2.0 * np.abs(u)))
        k = sqrt(1.0 - small)
        sn = scale / k * np.sum(sign * np.tanh(u), axis=-1)
        return sn, scale / k * np.sum(sign * sech, axis=-1), scale * np.sum(sech, axis=-1)

    def strip(self, edge: float) -> tuple[float, float]:
        """sn^2 and cn^2 at a strip's edge."""
        sn, cn, _ = (float(value) ** 2 for value in self.sn_cn_dn(edge))
        return sn, (0.0 if edge == self.half_width else cn)

    def strip_integrals(self, edge: float) -> tuple[float, float]:
        """K(k1) and K'(k1) of a strip, ``k1^2 = k^2 sn^2 = 1 - dn^2`` at its edge."""
        sn, _, dn = (float(value) ** 2 for value in self.sn_cn_dn(edge))
        small = _small_parameter(self._nome)
        return _complete(sn * (1.0 - small if self.flat else small), dn)


def _complete(m: float, complement: float) -> tuple[float, float]:
    """K(m) and K(1 - m), read from the smaller of m and its complement."""
    from scipy.special import ellipk, ellipkm1

    if m < 0.5:
        return float(ellipk(m)), float(ellipkm1(m))
    return float(ellipkm1(complement)), float(ellipk(complement))


def _small_parameter(nome: float) -> float:
    """The parameter m of a nome q < exp(-pi): ``(theta_2 / theta_3)^4``."""
    n = np.arange(1, 8)
    theta2 = 2.0 * nome**0.25 * (1.0 + float(np.sum(nome ** (n * (n + 1.0)))))
    theta3 = 1.0 + 2.0 * float(np.sum(nome ** (n**2.0)))
    return float((theta2 / theta3) ** 4)


def strip_profile(x: ArrayLike, half_width: float = 1.0) -> Array:
    """Primary profile on a strip in a wide plane: ``(2/pi) / sqrt(1 - x^2/a^2)`` [-].

    Source: the conformal map x + i z = a sin(w).
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        return (2.0 / pi) / np.sqrt(1.0 - (np.asarray(x, dtype=float) / half_width) ** 2)


def strip_cumulative(x: ArrayLike, half_width: float = 1.0) -> Array:
    """Share of the current inside |x| on a strip in a wide plane: ``(2/pi) asin(x/a)`` [-]."""
    return (2.0 / pi) * np.arcsin(np.clip(np.asarray(x, dtype=float) / half_width, 0.0, 1.0))


def strip_in_box_resistance(
    half_width: float, box_half_width: float, height: float, conductivity: float = 1.0
) -> float:
    """Resistance [ohm m] from a flush strip to the whole lid of a box with insulating walls.

    Strip |x| < a at the bottom of |x| < w, height H. With k from ``K'(k)/K(k) = H/w``,
    ``s = sn^2(K a/w; k)`` and ``k1^2 = k^2 s``: ``R = K'(k1) / (2 kappa K(k1))``.

    Source: conformal map by sn; agrees with finite elements to 3e-7.
    """
    require_positive(half_width=half_width, height=height, conductivity=conductivity)
    along, across = _Box(box_half_width, height).strip_integrals(half_width)
    return across / along / (2.0 * conductivity)


def strip_in_box_cumulative(
    x: ArrayLike, half_width: float, box_half_width: float, height: float
) -> Array:
    """Share of the current inside |x| <= a on the strip of `strip_in_box_resistance` [-].

    ``F(phi; k1) / K(k1)`` with ``sin^2 phi = sn^2(K x/w; k) / s``; F in Carlson's form
    ``sin(phi) R_F(cos^2 phi, 1 - k1^2 sin^2 phi, 1)``, which keeps its digits.

    Source: conformal map by sn.
    """
    from scipy.special import elliprf

    box = _Box(box_half_width, height)
    square, edge = box.strip(half_width)
    sn, cn, dn = box.sn_cn_dn(np.clip(x, 0.0, half_width))
    cosine = np.maximum((cn**2 - edge) / square, 0.0)
    share = sn / np.sqrt(square) * elliprf(cosine, dn**2, 1.0)
    return np.asarray(share / box.strip_integrals(half_width)[0])


def strip_in_box_profile(
    x: ArrayLike, half_width: float, box_half_width: float, height: float
) -> Array:
    """Primary profile on the strip of `strip_in_box_resistance` [-]; infinite at the edge.

    ``a K(k) cn(u) / (w K(k1) sqrt(s - sn^2 u))``, u = K x/w: the derivative of
    `strip_in_box_cumulative`.

    Source: conformal map by sn.
    """
    box = _Box(box_half_width, height)
    _, edge = box.strip(half_width)
    _, cn, _ = box.sn_cn_dn(x)
    scale = half_width * box.wave / box.strip_integrals(half_width)[0]
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(scale / np.sqrt(1.0 - edge / cn**2))


def coplanar_strips_resistance(
    gap: float, width: float, conductivity: float = 1.0, *, box: tuple[float, float] | None = None
) -> float:
    """Resistance [ohm m] between two equal strips beside each other at the bottom.

    ``R = 2 K(k) / (kappa K'(k))`` with ``k = g / (g + 2 w)`` for a half space; in a box of
    (half-width, height) [m], all else insulating, k is that of the strips' images under sn.

    Source: Gupta et al., Microstrip Lines and Slotlines, 2nd ed. 1996, ch. 7 (memory).
    """
    require_positive(gap=gap, width=width, conductivity=conductivity)
    near, far = 0.5 * gap, 0.5 * gap + width
    m, complement = (near / far) ** 2, 1.0 - (near / far) ** 2
    if box is not None:
        inner, outer = (_Box(*box).strip(edge) for edge in (near, far))
        m, complement = inner[0] / outer[0], (inner[1] - outer[1]) / outer[0]
    across, along = _complete(m, complement)
    return 2.0 * across / along / conductivity


def channel_resistance(length: float, gap: float, conductivity: float = 1.0) -> float:
    """Resistance [ohm m] between equal strips facing each other in the walls of a long channel.

    ``R = K(1/cosh^2 e) / (kappa K(tanh^2 e))``, ``e = pi L / 2h``, K of the parameter; L the
    length of the strips, h the distance of the walls [m].

    Source: Newman & Thomas-Alyea, Electrochemical Systems, 3rd ed. 2004, ch. 18 (memory).
    """
    require_positive(length=length, gap=gap, conductivity=conductivity)
    along, across = _channel_integrals(0.5 * pi * length / gap)
    return across / along / conductivity


def channel_profile(x: ArrayLike, length: float, gap: float) -> Array:
    """Primary profile on the strips of `channel_resistance` [-], x [m] from their middle.

    ``e cosh(e) / (K(tanh^2 e) sqrt(sinh^2 e - sinh^2(2 e x/L)))``, written without overflow.

    Source: Newman & Thomas-Alyea, Electrochemical Systems, 3rd ed. 2004, ch. 18 (memory).
    """
    half = 0.5 * pi * length / gap
    u = np.abs(np.asarray(x, dtype=float)) * pi / gap
    ratio = np.exp(u - half) * np.expm1(-2.0 * u) / np.expm1(-2.0 * half)  # sinh u / sinh half
    with np.errstate(divide="ignore", invalid="ignore"):
        share = half / (tanh(half) * np.sqrt(1.0 - ratio**2))
    return np.asarray(share / _channel_integrals(half)[0])


def _channel_integrals(half: float) -> tuple[float, float]:
    """``K(tanh^2 e)`` and ``K(1/cosh^2 e)``; the former tends to e + ln 2."""
    if half > 100.0:
        return half + log(2.0), 0.5 * pi
    decay = exp(-2.0 * half)
    return _complete(tanh(half) ** 2, 4.0 * decay / (1.0 + decay) ** 2)


@dataclass(frozen=True)
class HullCell:
    """A trapezoidal plating cell: anode and slanted cathode between two parallel walls.

    `anode`, `near`, `far` are the lengths [m] of the anode and of the two insulating walls
    perpendicular to it; the cathode joins their ends, x [m] is measured along it from the near
    end. The defaults are the common cell of 267 millilitres (inch sizes, from memory).

    The upper half-plane is mapped on the trapezoid with the cathode on 0 < t < 1 and the anode
    on t > p: ``dz/dt = t^(a-1) (1-t)^(-a) (p-t)^(-1/2)``, a pi the corner at the near end. The
    field of the same electrodes has ``dw/dt = (t (1-t) (p-t))^(-1/2)``, so that on the cathode
    ``i ~ ((1-t)/t)^(a - 1/2)``.

    Source: Schwarz-Christoffel map; same problem: West, Matlosz & Landolt, J. Appl.
    Electrochem. 22 (1992) 301. Finite elements agree with the resistance to 3e-7.
    """

    anode: float = 0.0635
    near: float = 0.0476
    far: float = 0.127

    def __post_init__(self) -> None:
        require_positive(anode=self.anode, near=self.near, far=self.far - self.near)

    @property
    def cathode(self) -> float:
        """Length of the cathode [m]."""
        return float(np.hypot(self.anode, self.far - self.near))

    @property
    def corner(self) -> float:
        """Angle of the near corner at the cathode, in half turns [-]."""
        return 0.5 + atan((self.far - self.near) / self.anode) / pi

    def resistance(self, depth: float, conductivity: float = 1.0) -> float:
        """Resistance [ohm] filled to `depth` [m]: ``K(1 - 1/p) / (kappa depth K(1/p))``."""
        from scipy.special import ellipk, ellipkm1

        m = 1.0 / self._pole()
        return float(ellipkm1(m) / ellipk(m)) / (conductivity * depth)

    def profile(self, x: ArrayLike) -> Array:
        """Primary current density over its mean at x [m] along the cathode [-]."""
        from scipy.special import ellipk

        p = self._pole()
        mean = 2.0 * float(ellipk(1.0 / p)) / (np.sqrt(p) * self._length(1.0, p))
        t = self._image(np.asarray(x, dtype=float), p)
        return np.asarray(((1.0 - t) / t) ** (self.corner - 0.5) / mean)

    def cumulative(self, x: ArrayLike) -> Array:
        """Share of the current between the near end and x [m] [-]."""
        from scipy.special import ellipk, ellipkinc

        p = self._pole()
        angle = np.arcsin(np.sqrt(self._image(np.asarray(x, dtype=float), p)))
        return np.asarray(ellipkinc(angle, 1.0 / p) / ellipk(1.0 / p))

    def _length(self, t: float, p: float) -> float:
        """Length of the image of (0, t) on the cathode, in the map's own unit."""
        from scipy.integrate import quad

        a = self.corner

        def from_near(s: float) -> float:
            return float((1.0 - s) ** -a / np.sqrt(p - s))

        def from_far(s: float) -> float:
            return float(s ** (a - 1.0) / np.sqrt(p - s))

        middle = min(t, 0.5)
        length: float = quad(from_near, 0.0, middle, weight="alg", wvar=(a - 1.0, 0.0))[0]
        if t > middle:
            length += quad(from_far, middle, 1.0, weight="alg", wvar=(0.0, -a))[0]
        if middle < t < 1.0:
            length -= quad(from_far, t, 1.0, weight="alg", wvar=(0.0, -a))[0]
        return length

    def _pole(self) -> float:
        """The image p > 1 of the corner between anode and far wall."""
        from scipy.integrate import quad
        from scipy.optimize import brentq

        a = self.corner

        def excess(log_distance: float) -> float:
            p = 1.0 + exp(log_distance)
            far = quad(lambda s: s ** (a - 1.0), 1.0, p, weight="alg", wvar=(-a, -0.5))[0]
            return float(far * self.cathode - self.far * self._length(1.0, p))

        return 1.0 + exp(float(brentq(excess, -20.0, 12.0, xtol=1e-13)))

    def _image(self, x: Array, p: float) -> Array:
        """Images t of points x [m] on the cathode."""
        from scipy.optimize import brentq

        unit = self._length(1.0, p) / self.cathode

        def image(position: float) -> float:
            def excess(t: float) -> float:
                return self._length(t, p) - position * unit

            return float(brentq(excess, 0.0, 1.0, xtol=1e-15))

        return np.array([image(float(one)) for one in x.ravel()]).reshape(x.shape)


def hull_cell_law(x: ArrayLike, current: float) -> Array:
    """Empirical cathode density [A/m2] of the 267 mL Hull cell at x [m] from the near end.

    ``i[A/dm2] = I (5.1019 - 5.2401 log10 x[cm])``, 6.4 mm < x < 82.5 mm. A rule of thumb: it
    integrates to 1.029 I and differs from the potential field by -24 to +16 %.

    Source: Metal Finishing Guidebook 2013, Hull-cell chapter, in SI form (memory).
    """
    centimetres = 100.0 * np.asarray(x, dtype=float)
    return 100.0 * current * (5.1019 - 5.2401 * np.log10(centimetres))
