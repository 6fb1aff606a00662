"""Plane cells: layers in series, linear, Tafel and Butler-Volmer kinetics."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import asinh, exp, log, log1p

import numpy as np
from numpy.typing import NDArray

from simulate.rules import require_positive

# ---------------------------------------------------------------- planes, cylinders, spheres

Array = NDArray[np.float64]


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
