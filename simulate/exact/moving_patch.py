"""A patch of uniform flux on a plane, at rest and moving."""

from __future__ import annotations

from collections.abc import Callable
from math import pi

import numpy as np
from numpy.typing import ArrayLike, NDArray

from simulate.errors import Fault, InputError
from simulate.rules import require_positive

# --------------------------------------------------------------- a patch, a moving source

Array = NDArray[np.float64]


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
