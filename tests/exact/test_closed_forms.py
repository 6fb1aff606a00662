"""The closed forms against reference tables, mpmath, each other, and Laplace's equation."""

from __future__ import annotations

import json
import math
from itertools import pairwise

import mpmath
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from places import REFERENCE

from simulate.errors import InputError
from simulate.exact import bodies, corners, moving_patch, planar

REFERENCE = json.loads(REFERENCE.read_text(encoding="utf-8"))
PLANAR = REFERENCE["planar"]
CELL = PLANAR["voltage"], PLANAR["gap"], PLANAR["conductivity"]
THERMAL = 8.314462618 * PLANAR["butler_volmer"]["temperature"] / 96485.33212


# ------------------------------------------------------------------------------- planar cells


def test_layers_in_series_give_the_table_and_continuous_current():
    table = REFERENCE["layers"]
    density, potential = planar.layers_in_series(
        table["voltage"], table["thickness"], table["conductivity"]
    )
    assert density == pytest.approx(table["density"], rel=1e-14)
    assert potential == pytest.approx(np.array(table["potential"]), abs=1e-14)
    layers = zip(pairwise(potential), table["thickness"], table["conductivity"], strict=True)
    for (left, right), thickness, kappa in layers:
        assert kappa * (left - right) / thickness == pytest.approx(density, rel=1e-13)


def test_planar_linear_density_is_the_table_value():
    linear = PLANAR["linear"]
    found = planar.planar_linear_density(*CELL, interface_resistance=linear["interface_resistance"])
    assert found == pytest.approx(linear["density"], rel=1e-14)


def test_planar_tafel_density_is_the_table_value_and_solves_its_equation():
    tafel = PLANAR["tafel"]
    law = {"exchange": tafel["exchange"], "slope": tafel["slope"]}
    density = planar.planar_tafel_density(*CELL, **law)
    assert density == pytest.approx(tafel["density"], rel=1e-14)
    voltage, gap, conductivity = CELL
    drop = tafel["slope"] * math.log(density / tafel["exchange"]) + density * gap / conductivity
    assert drop == pytest.approx(voltage, rel=1e-14)


@given(
    voltage=st.floats(-2.0, 200.0),
    exchange=st.floats(1e-9, 1e3),
    slope=st.floats(0.01, 0.3),
)
def test_planar_tafel_density_equals_lambert_w_in_forty_digits(voltage, exchange, slope):
    gap, conductivity = 1e-3, 8.0
    found = planar.planar_tafel_density(voltage, gap, conductivity, exchange=exchange, slope=slope)
    with mpmath.workdps(40):
        scale = mpmath.mpf(slope) * conductivity / gap
        w = mpmath.lambertw(exchange / scale * mpmath.exp(mpmath.mpf(voltage) / slope))
        exact = scale * w.real
    assert found == pytest.approx(float(exact), rel=1e-11)


def test_planar_butler_volmer_is_the_table_value():
    table = PLANAR["butler_volmer"]
    slope = THERMAL / table["transfer"]
    cell = planar.planar_butler_volmer(
        *CELL,
        anode=(table["exchange_anode"], slope, slope),
        cathode=(table["exchange_cathode"], slope, slope),
    )
    assert cell.density == pytest.approx(table["density"], rel=1e-13)
    assert cell.anode_overpotential == pytest.approx(table["anode_overpotential"], rel=1e-13)
    assert cell.cathode_overpotential == pytest.approx(table["cathode_overpotential"], rel=1e-13)


@given(
    density=st.floats(-1e6, 1e6).filter(lambda i: i == 0.0 or abs(i) > 1e-6),
    exchange=st.floats(1e-6, 1e3),
    anodic=st.floats(0.01, 0.2),
    cathodic=st.floats(0.01, 0.2),
)
def test_butler_volmer_overpotential_inverts_the_law(density, exchange, anodic, cathodic):
    eta = planar.butler_volmer_overpotential(density, exchange, anodic, cathodic)
    back = exchange * (math.exp(eta / anodic) - math.exp(-eta / cathodic))
    assert back == pytest.approx(density, rel=1e-10, abs=1e-12 * exchange)


def test_butler_volmer_becomes_tafel_far_from_rest_and_linear_near_it():
    exchange, slope = 0.1, 0.05
    far = planar.butler_volmer_overpotential(1e4, exchange, slope, 0.08)
    assert far == pytest.approx(slope * math.log(1e5), rel=1e-9)
    near = planar.butler_volmer_overpotential(1e-6, exchange, slope, slope)
    assert near == pytest.approx(1e-6 * slope / (2 * exchange), rel=1e-9)


# ----------------------------------------------------------------- cylinders, spheres, wedges


def test_cylinders_and_spheres_give_the_table_currents():
    for name, resistance in (
        ("cylinders", bodies.coaxial_cylinders_resistance),
        ("spheres", bodies.concentric_spheres_resistance),
    ):
        table = REFERENCE[name]
        for rho, current in zip(table["interface_resistance"], table["current"], strict=True):
            found = 1.0 / resistance(table["radii"], [1.0], interface_resistance=rho)
            assert found == pytest.approx(current, rel=1e-14)


def test_splitting_a_shell_into_equal_layers_changes_nothing():
    for resistance in (bodies.coaxial_cylinders_resistance, bodies.concentric_spheres_resistance):
        whole = resistance([0.5, 4.0], [3.0])
        assert resistance([0.5, 1.1, 2.0, 4.0], [3.0, 3.0, 3.0]) == pytest.approx(whole, rel=1e-14)


def test_thin_shells_of_either_kind_become_a_plane_layer():
    gap, radius, kappa = 1e-5, 1.0, 2.0
    cylinder = bodies.coaxial_cylinders_resistance([radius, radius + gap], [kappa])
    sphere = bodies.concentric_spheres_resistance([radius, radius + gap], [kappa])
    assert cylinder * 2 * math.pi * radius == pytest.approx(gap / kappa, rel=1e-5)
    assert sphere * 4 * math.pi * radius**2 == pytest.approx(gap / kappa, rel=1.1e-5)


def test_wedge_resistance_is_the_table_value_and_its_density_adds_up_to_it():
    table = REFERENCE["wedge"]
    angle = math.radians(table["angle_degrees"])
    found = corners.wedge_resistance(angle, table["inner"], table["outer"])
    assert found == pytest.approx(table["resistance"], rel=1e-14)
    nodes, weights = np.polynomial.legendre.leggauss(40)
    half = 0.5 * (table["outer"] - table["inner"])
    r = table["inner"] + half * (nodes + 1.0)
    current = half * float(weights @ corners.wedge_density(r, angle))
    assert current == pytest.approx(1.0 / found, rel=1e-13)


# ----------------------------------------------------------------------- disks and spheroids


def test_disk_cell_means_are_the_table_values():
    table = REFERENCE["disk_cell_means"]
    assert bodies.disk_cell_means(table["edges"]) == pytest.approx(
        np.array(table["mean"]), rel=1e-13
    )


def test_disk_cumulative_current_is_the_integral_of_the_profile():
    for inner, outer in pairwise((0.0, 0.3, 0.7, 0.99)):
        share = mpmath.quad(lambda r: float(bodies.disk_profile(r)) * 2 * r, [inner, outer])
        found = float(bodies.disk_cumulative(outer) - bodies.disk_cumulative(inner))
        assert found == pytest.approx(float(share), rel=1e-12)


def test_disk_profile_is_infinite_at_the_rim_and_undefined_beyond():
    profile = bodies.disk_profile([0.0, 2e-3, 3e-3], radius=2e-3)
    assert profile[0] == 0.5
    assert np.isinf(profile[1])
    assert np.isnan(profile[2])


def test_spheroid_resistance_is_the_table_value_and_a_disk_far_away():
    table = REFERENCE["spheroids"]
    found = bodies.spheroid_resistance(1.0, table["outer"], inner=table["inner"])
    assert found == pytest.approx(table["resistance"], rel=1e-14)
    assert bodies.spheroid_resistance(3e-3, conductivity=7.0) == pytest.approx(
        bodies.disk_resistance(3e-3, 7.0), rel=1e-15
    )


def test_large_spheroids_become_concentric_half_spheres():
    wide = bodies.spheroid_resistance(1e-4, 4e4, inner=1e4)
    assert wide == pytest.approx(2 * bodies.concentric_spheres_resistance([1, 4], [1.0]), rel=1e-7)


@given(xi=st.floats(1e-9, 50.0), eta=st.floats(1e-3, 1.0), radius=st.floats(1e-4, 10.0))
def test_oblate_xi_inverts_the_coordinates(xi, eta, radius):
    r = radius * math.sqrt((1 + xi**2) * (1 - eta**2))
    z = radius * xi * eta
    assert float(bodies.oblate_xi(r, z, radius)) == pytest.approx(xi, rel=1e-9)


def test_oblate_potential_obeys_laplace_in_the_electrolyte():
    h = 1e-3
    for r, z in ((0.4, 0.5), (1.0, 0.3), (1.8, 0.9), (2.5, 0.1)):
        middle, out, in_, up, down = bodies.oblate_potential(
            [r, r + h, r - h, r, r], [z, z, z, z + h, z - h], outer=4.0
        )
        radial = (out - 2 * middle + in_) / h**2 + (out - in_) / (2 * h * r)
        assert radial + (up - 2 * middle + down) / h**2 == pytest.approx(0.0, abs=2e-5)


def test_oblate_potential_meets_its_boundary_conditions():
    assert bodies.oblate_potential([0.0, 0.6, 1.0], 0.0, voltage=5.0) == pytest.approx(5.0)
    height = 1e-6
    beyond = bodies.oblate_potential(1.7, [height, 0.0])
    assert (beyond[0] - beyond[1]) / height == pytest.approx(0.0, abs=1e-5)
    outer, turn = 2.0, np.linspace(0.0, 1.0, 9)
    r, z = math.sqrt(1 + outer**2) * np.sqrt(1 - turn**2), outer * turn
    assert bodies.oblate_potential(r, z, outer=outer) == pytest.approx(0.0, abs=1e-15)


def test_oblate_potential_drives_the_disk_profile():
    r, height = np.array([0.0, 0.3, 0.6, 0.9]), 1e-7
    drop = bodies.oblate_potential(r, 0.0) - bodies.oblate_potential(r, height)
    mean = 1.0 / (math.pi * bodies.disk_resistance(1.0))
    assert drop / height == pytest.approx(mean * bodies.disk_profile(r), rel=1e-5)


def test_remote_resistance_corrects_a_half_sphere_at_finite_distance():
    table = REFERENCE["disk_in_hemisphere"]
    errors = [
        abs(bodies.remote_resistance(resistance, distance) - bodies.disk_resistance(1.0))
        for resistance, distance in zip(table["resistance"], table["distance"], strict=True)
    ]
    assert errors[0] < 6e-6
    assert errors[1] < 2e-7


def test_ellipse_resistance_is_that_of_confocal_ellipses():
    outer = 30.0  # so far out that the ellipse is a half circle of radius e^u / 2
    circle = bodies.coaxial_cylinders_resistance([1.0, math.exp(outer) / 2], [1.0])
    strip = 2 * (circle + bodies.coaxial_cylinders_resistance([0.5, 1.0], [1.0]))
    assert bodies.ellipse_resistance(outer) == pytest.approx(strip, rel=1e-13)


# ------------------------------------------------------------------------------------ corners


def test_corner_exponents_are_the_table_values():
    table = REFERENCE["corner_exponents"]
    for degrees in (45, 60, 90, 120, 135, 180, 270, 360):
        found = corners.corner_exponent(math.radians(degrees))
        assert found == pytest.approx(table[str(degrees)], abs=1e-14)


def test_lip_exponents_are_those_of_half_the_corner():
    assert corners.lip_exponent(math.radians(270)) == pytest.approx(-1 / 3)
    for angle in (1.0, 2.0, 3.0):
        assert corners.lip_exponent(2 * angle) == pytest.approx(corners.corner_exponent(angle))


@pytest.mark.parametrize("degrees", [45, 60, 120, 180, 270])
def test_corner_potential_is_zero_on_the_metal_and_has_no_flux_into_the_wall(degrees):
    angle = math.radians(degrees)
    assert corners.corner_potential([0.2, 1.0], 0.0, angle) == pytest.approx(0.0)
    inside = angle - np.array([0.0, 1e-5])
    wall = corners.corner_potential(np.cos(inside), np.sin(inside), angle)
    assert wall[0] - wall[1] == pytest.approx(0.0, abs=1e-9)
    assert wall[0] == pytest.approx(1.0)


# --------------------------------------------------------------------- patch, sweep, messages


def test_patch_potential_is_the_table_value_at_the_centre():
    table = REFERENCE["flux_patch"]
    found = float(moving_patch.patch_potential(0.0, 0.0, patch=(1, 1), box=(3, 3, 2)))
    assert found == pytest.approx(table["centre"], abs=1e-9)


def test_patch_potential_averages_to_the_table_mean():
    table = REFERENCE["flux_patch"]
    found = moving_patch.patch_mean_potential(patch=(1, 1), box=(3, 3, 2))
    assert found == pytest.approx(table["mean"], abs=3e-7)


def test_a_patch_as_wide_as_its_box_is_a_plane_cell():
    values = moving_patch.patch_potential(
        [0.0, 0.4], [0.1, 0.9], patch=(1, 2), box=(1, 2, 0.5), density=3.0, conductivity=6.0
    )
    assert values == pytest.approx(3.0 * 0.5 / 6.0, rel=1e-12)


def test_a_patch_in_ever_larger_boxes_becomes_one_in_a_half_space():
    """At the centre of a square of half-width 1 in a half space: 4 ln(1 + sqrt 2) / pi."""
    sizes = (10.0, 20.0)
    near, far = (
        float(moving_patch.patch_potential(0, 0, patch=(1, 1), box=(size, size, size)))
        for size in sizes
    )
    free = 4.0 / math.pi * math.log(1.0 + math.sqrt(2.0))
    assert abs(far - free) == pytest.approx(0.5 * abs(near - free), rel=0.02)
    assert 2 * far - near == pytest.approx(free, rel=2e-4)


@pytest.mark.parametrize("profile", ["uniform", "parabola", "primary"])
def test_swept_charge_is_the_table_value(profile):
    table = REFERENCE["sweep"]
    found = moving_patch.swept_charge(
        table["y"],
        table["radius"],
        mean_density=table["mean_density"],
        speed=table["speed"],
        profile=profile,
    )
    assert found == pytest.approx(np.array(table[profile]), rel=5e-7)


@pytest.mark.parametrize("profile", ["uniform", "parabola", "primary"])
def test_swept_charge_spreads_the_whole_current_over_the_path(profile):
    radius, density, speed = 2e-3, 1e4, 1e-3

    def charge(angle: float) -> float:  # y = a sin(angle) takes the rim away
        y = radius * math.sin(float(angle))
        swept = moving_patch.swept_charge(
            y, radius, mean_density=density, speed=speed, profile=profile
        )
        return float(swept) * radius * math.cos(float(angle))

    per_length = float(mpmath.quad(charge, [-math.pi / 2, 0, math.pi / 2]))
    assert per_length == pytest.approx(density * math.pi * radius**2 / speed, rel=1e-10)


def test_swept_charge_refuses_a_profile_it_does_not_know():
    with pytest.raises(InputError, match=r"profile = gaussian.*uniform, parabola, primary"):
        moving_patch.swept_charge(0.0, 1.0, mean_density=1.0, speed=1.0, profile="gaussian")


def test_impossible_sizes_are_all_reported_together():
    with pytest.raises(InputError) as caught:
        planar.planar_tafel_density(1.0, -1.0, 2.0, exchange=0.0, slope=math.nan)
    assert [fault.key for fault in caught.value.faults] == ["gap", "exchange", "slope"]
