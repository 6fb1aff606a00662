"""Cells whose exact field is a conformal map: strips, channels, the Hull cell.

Planar cells, resistances per metre of depth ``[ohm m]``. A *profile* is the local current density
over its mean on the electrode [-], a *cumulative current* the share of the total current inside a
half-width or up to a point [-]. Functions named K and sn are Jacobi's, m = k^2 the parameter.

Sources marked (memory) were cited without the page being seen; each formula is checked
numerically in ``tests/test_conformal_maps.py``.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import atan, exp, pi, tanh

import numpy as np
from numpy.typing import ArrayLike, NDArray

from simulate.closed_forms import require_positive

Array = NDArray[np.float64]


def _modulus_squared(ratio: float) -> float:
    """The parameter m whose ``K(1-m)/K(m)`` is `ratio`, from Jacobi's nome exp(-pi ratio)."""
    if ratio < 1.0:
        return 1.0 - _modulus_squared(1.0 / ratio)
    q = exp(-pi * ratio)
    n = np.arange(1, 12)
    theta2 = 2.0 * q**0.25 * (1.0 + float(np.sum(q ** (n * (n + 1.0)))))
    theta3 = 1.0 + 2.0 * float(np.sum(q ** (n**2.0)))
    return float((theta2 / theta3) ** 4)


def _sn(x: ArrayLike, half_width: float, m: float) -> tuple[Array, Array, Array]:
    """sn, cn, dn of ``K(m) x / half_width``."""
    from scipy.special import ellipj, ellipk

    sn, cn, dn, _ = ellipj(ellipk(m) * np.asarray(x, dtype=float) / half_width, m)
    return sn, cn, dn


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
    from scipy.special import ellipk, ellipkm1

    require_positive(half_width=half_width, height=height, conductivity=conductivity)
    m = _modulus_squared(height / box_half_width)
    m1 = m * float(_sn(half_width, box_half_width, m)[0]) ** 2
    return float(ellipkm1(m1) / ellipk(m1)) / (2.0 * conductivity)


def strip_in_box_cumulative(
    x: ArrayLike, half_width: float, box_half_width: float, height: float
) -> Array:
    """Share of the current inside |x| on the strip of `strip_in_box_resistance` [-].

    ``F(phi; k1) / K(k1)`` with ``sin^2 phi = sn^2(K x/w; k) / s``.

    Source: conformal map by sn.
    """
    from scipy.special import ellipk, ellipkinc

    m = _modulus_squared(height / box_half_width)
    edge = float(_sn(half_width, box_half_width, m)[0])
    sine = np.clip(_sn(x, box_half_width, m)[0] / edge, 0.0, 1.0)
    return np.asarray(ellipkinc(np.arcsin(sine), m * edge**2) / ellipk(m * edge**2))


def strip_in_box_profile(
    x: ArrayLike, half_width: float, box_half_width: float, height: float
) -> Array:
    """Primary profile on the strip of `strip_in_box_resistance` [-]; infinite at the edge.

    ``a K(k) cn(u) / (w K(k1) sqrt(s - sn^2 u))``, u = K x/w: the derivative of
    `strip_in_box_cumulative`.

    Source: conformal map by sn.
    """
    from scipy.special import ellipk

    m = _modulus_squared(height / box_half_width)
    s = float(_sn(half_width, box_half_width, m)[0]) ** 2
    sn, cn, _ = _sn(x, box_half_width, m)
    scale = half_width * ellipk(m) / (box_half_width * ellipk(m * s))
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(scale * cn / np.sqrt(s - sn**2))


def coplanar_strips_resistance(
    gap: float, width: float, conductivity: float = 1.0, *, box: tuple[float, float] | None = None
) -> float:
    """Resistance [ohm m] between two equal strips beside each other at the bottom.

    ``R = 2 K(k) / (kappa K'(k))`` with ``k = g / (g + 2 w)`` for a half space; in a box of
    (half-width, height) [m], all else insulating, k is that of the strips' images under sn.

    Source: Gupta et al., Microstrip Lines and Slotlines, 2nd ed. 1996, ch. 7 (memory).
    """
    from scipy.special import ellipk, ellipkm1

    require_positive(gap=gap, width=width, conductivity=conductivity)
    near, far = 0.5 * gap, 0.5 * gap + width
    if box is not None:
        m = _modulus_squared(box[1] / box[0])
        near, far = (float(_sn(edge, box[0], m)[0]) for edge in (near, far))
    m = (near / far) ** 2
    return 2.0 * float(ellipk(m) / ellipkm1(m)) / conductivity


def channel_resistance(length: float, gap: float, conductivity: float = 1.0) -> float:
    """Resistance [ohm m] between equal strips facing each other in the walls of a long channel.

    ``R = K(1/cosh^2 e) / (kappa K(tanh^2 e))``, ``e = pi L / 2h``, K of the parameter; L the
    length of the strips, h the distance of the walls [m].

    Source: Newman & Thomas-Alyea, Electrochemical Systems, 3rd ed. 2004, ch. 18 (memory).
    """
    from scipy.special import ellipk, ellipkm1

    require_positive(length=length, gap=gap, conductivity=conductivity)
    m = _sech_squared(0.5 * pi * length / gap)
    return float(ellipk(m) / ellipkm1(m)) / conductivity


def channel_profile(x: ArrayLike, length: float, gap: float) -> Array:
    """Primary profile on the strips of `channel_resistance` [-], x [m] from their middle.

    ``e cosh(e) / (K(tanh^2 e) sqrt(sinh^2 e - sinh^2(2 e x/L)))``, written without overflow.

    Source: Newman & Thomas-Alyea, Electrochemical Systems, 3rd ed. 2004, ch. 18 (memory).
    """
    from scipy.special import ellipkm1

    half = 0.5 * pi * length / gap
    u = np.abs(np.asarray(x, dtype=float)) * pi / gap
    ratio = np.exp(u - half) * np.expm1(-2.0 * u) / np.expm1(-2.0 * half)  # sinh u / sinh half
    with np.errstate(divide="ignore", invalid="ignore"):
        share = half / (tanh(half) * np.sqrt(1.0 - ratio**2))
    return np.asarray(share / ellipkm1(_sech_squared(half)))


def _sech_squared(x: float) -> float:
    return 4.0 * exp(-2.0 * x) / (1.0 + exp(-2.0 * x)) ** 2


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
