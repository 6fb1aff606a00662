"""A source drawn over the plate in a straight line, against the exact chord integrals.

Charge per area at the distance y from the line, speed v, mean current density i, radius a
(derived in the project's reference cases, section 3.8 and table `sweep`):

- uniform disk         2 i sqrt(a^2 - y^2) / v
- parabola             i (8/3) (a^2 - y^2)^(3/2) / (a^2 v)
- primary disk         pi i a / (2 v), the same for every |y| < a

The first is the time under a round contact patch, the last the groove of an ideal disk electrode.
"""

import math

import numpy as np
import pytest

from simulate.swab.contact_time import contact_time, dwell_map
from simulate.swab.stops import make_stops
from simulate.swab.stroke import Hatch, Path

A, V, J = 2e-3, 1e-3, 1e4  # radius [m], speed [m/s], mean current density [A/m2]
NODES, WEIGHTS = np.polynomial.legendre.leggauss(4)
Y = [0.0, 0.5e-3, 1.0e-3, 1.5e-3, 1.9e-3]
TABLE = {  # C/m2 at Y
    "uniform": [40000.0, 38729.833, 34641.016, 26457.513, 12489.996],
    "parabola": [53333.333, 48412.292, 34641.016, 15433.549, 1623.699],
    "primary": [31415.927] * 5,
}


def integrals_in_x(profile, x, c):
    """Integral of the profile's density from 0 to x at the half-chord c, both arrays."""
    x = np.clip(x, -c, c)
    if profile == "uniform":
        return J * x
    if profile == "parabola":
        return 2 * J / A**2 * (c**2 * x - x**3 / 3)
    if profile == "sphere":  # i ~ sqrt(1 - r^2), the pressure of a ball pressed flat
        angle = np.arcsin(np.where(c > 0, x / np.where(c > 0, c, 1.0), 0.0))
        return 1.5 * J / A * 0.5 * (x * np.sqrt(c**2 - x**2) + c**2 * angle)
    angle = np.arcsin(np.where(c > 0, x / np.where(c > 0, c, 1.0), 0.0))
    return 0.5 * J * A * angle


def source(profile):
    """Cell means of a disk source: exact along x, Gauss's rule along y."""

    def cell_means(x, y):
        half = 0.5 * np.diff(y)[:, None]
        points = 0.5 * (y[1:] + y[:-1])[:, None] + half * NODES
        c = np.sqrt(np.maximum(A**2 - points**2, 0.0))[..., None]
        steps = np.diff(integrals_in_x(profile, x[None, None, :], c), axis=-1)
        return np.einsum("jgi,g->ji", steps, WEIGHTS) / 2 / np.diff(x)

    return cell_means


def groove(profile, h, spacing):
    """Charge across a long straight pass, in cells of height h centred at the table's y."""
    stops = make_stops(Path(((-6e-3, 0.0), (6e-3, 0.0)), V), spacing)
    x = np.arange(-1e-3, 1e-3 + spacing / 2, spacing)
    charge = [
        dwell_map(stops, source(profile), x, np.array([y - h / 2, y + h / 2])).mean() for y in Y
    ]
    return np.array(charge)


@pytest.mark.parametrize("profile", TABLE)
def test_swept_charge_is_the_chord_integral(profile):
    charge = groove(profile, h=A / 200, spacing=A / 20)
    inner = np.array(Y) < 0.8 * A
    np.testing.assert_allclose(charge[inner], np.array(TABLE[profile])[inner], rtol=1e-3)
    np.testing.assert_allclose(charge, TABLE[profile], rtol=5e-3)


def test_primary_disk_leaves_a_flat_groove():
    charge = groove("primary", h=A / 200, spacing=A / 20)
    np.testing.assert_allclose(charge, math.pi * A * J / 2 / V, rtol=1e-9)


def test_contact_time_of_a_round_patch_is_chord_over_speed():
    angle = np.linspace(0, 2 * math.pi, 721)[:-1]
    outline = A * np.column_stack([np.cos(angle), np.sin(angle)])
    stops = make_stops(Path(((-6e-3, 0.0), (6e-3, 0.0)), V), A / 40)
    x, y = np.array([-0.2e-3, 0.2e-3]), np.linspace(-A, A, 81)
    contact = contact_time(stops, outline, x, y)[:, 0]
    middle = 0.5 * (y[1:] + y[:-1])
    exact = 2 * np.sqrt(A**2 - middle**2) / V
    inner = np.abs(middle) < 0.8 * A
    np.testing.assert_allclose(contact[inner], exact[inner], rtol=1e-3)
    rim = np.abs(contact - exact)[~inner]
    assert rim.max() < 2 * math.sqrt(2 * A * (y[1] - y[0])) / V * 0.25


def test_stops_converge_to_the_sweep_at_second_order_where_the_source_is_smooth():
    """Mean over one cell as wide as the coarsest stop spacing, off centre, parabola."""
    y = np.array([0.45e-3, 0.55e-3])
    exact = 2 / 3 * 4 * J * (A**2 - 0.5e-3**2) ** 1.5 / A**2 / V
    errors = []
    for spacing in (A / 2, A / 4, A / 8):
        stops = make_stops(Path(((-8e-3, 0.0), (8e-3, 0.0)), V), spacing)
        x = np.linspace(-0.013 * A, 0.013 * A, 2)
        errors.append(abs(dwell_map(stops, source("parabola"), x, y).mean() / exact - 1))
    assert math.log2(errors[0] / errors[2]) / 2 > 1.7


def ripple(profile, pitch):
    """(max - min) / mean of the charge across parallel strokes, pitch over contact width 2a."""
    spacing = pitch * 2 * A
    hatch = Hatch(0.0, 0.0, 10 * A, 8 * spacing, spacing, V)
    x = np.array([-A / 40, A / 40])
    y = np.linspace(0.0, spacing, 201)
    charge = dwell_map(make_stops(hatch, A / 20), source(profile), x, y)[:, 0]
    return float(np.ptp(charge) / charge.mean())


@pytest.mark.parametrize(("pitch", "percent"), [(0.25, 9), (0.5, 37), (0.75, 28), (0.9, 86)])
def test_ripple_of_parallel_strokes_with_a_parabolic_groove(pitch, percent):
    """The project's table of effects (computed there, rounded to whole per cent).

    "Parabolic kernel" in it is the groove 1 - (y/a)^2 that one stroke leaves; the source that
    leaves it is i ~ sqrt(1 - r^2), not the paraboloid.
    """
    assert 100 * ripple("sphere", pitch) == pytest.approx(percent, abs=0.8)


def test_a_paraboloid_leaves_a_smoother_groove_than_the_table():
    """Groove (1 - y^2)^(3/2): at half the contact width f(0) = 1, 2 f(1/2) = 1.299, mean 3 pi/8."""
    exact = (2 * 0.75**1.5 - 1) / (3 * math.pi / 8)
    assert ripple("parabola", 0.5) == pytest.approx(exact, rel=5e-3)


def test_the_groove_depth_follows_faraday():
    """Iron at valence 2, full efficiency: 368.2 nm per C/cm2 (ASTM G102 rule, carbon steel)."""
    depth = groove("primary", h=A / 50, spacing=A / 10) * 55.845e-3 / (2 * 96485.33212 * 7860)
    np.testing.assert_allclose(depth * 1e6, 0.3682 * 3.1415927, rtol=2e-4)
