"""Salt film on a held surface: Sand's time against diffusion solved otherwise, and the table.

H. J. S. Sand, Philos. Mag. 1 (1901) 45 (from memory): a constant flux j into a half space raises
the surface concentration by 2 j sqrt(t / (pi D)).
"""

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from simulate.constants import FARADAY
from simulate.materials.limiting_current import DIFFUSIVITY, film_limit, salt_film_time, sand_time
from simulate.materials.metals import find_metal
from simulate.materials.removal import mean_valence

A_CM2 = 1e4  # [A/m2]


def surface_rise(times, cells):
    """Surface concentration for unit flux and diffusivity, by finite volumes in a deep slab."""
    depth = 12.0 * math.sqrt(times[-1])
    edges = depth * np.linspace(0.0, 1.0, cells + 1) ** 2  # fine near the surface
    width = np.diff(edges)
    gap = 0.5 * (width[1:] + width[:-1])

    def slope(_, c):
        flux = np.concatenate([[1.0], -np.diff(c) / gap, [0.0]])
        return -np.diff(flux) / width

    grown = solve_ivp(
        slope, (0.0, times[-1]), np.zeros(cells), method="LSODA", t_eval=times,
        rtol=1e-9, atol=1e-12, lband=1, uband=1,
    ).y  # fmt: skip
    return grown[0] + 0.5 * width[0]  # from the first cell's centre to the surface


def test_saturation_is_reached_when_the_diffusion_equation_says():
    times = np.array([0.25, 0.5, 1.0])
    rise = surface_rise(times, 400)  # flux 1, diffusivity 1: Sand's time of that rise is t itself
    back = [sand_time(2.0 * FARADAY, c, 2.0, diffusivity=1.0) for c in rise]
    np.testing.assert_allclose(back, times, rtol=2e-3)


def test_sand_time_falls_with_the_square_of_the_density():
    assert sand_time(2e4, 4200, 2) / sand_time(1e4, 4200, 2) == pytest.approx(0.25, rel=1e-14)
    assert sand_time(1e4, 4200, 2) == pytest.approx(
        math.pi * 8e-10 * (2 * FARADAY * 4200 / 2e4) ** 2, rel=1e-14
    )


TABLE = {  # seconds at 0.5, 1, 2, 5 A/cm2
    "carbon_steel": (17, 4.1, 1.0, 0.17),
    "nickel": (19, 4.7, 1.2, 0.19),
    "zinc": (23, 5.8, 1.5, 0.23),
}


@pytest.mark.parametrize("name", TABLE)
def test_times_to_a_salt_film_are_those_of_the_table(name):
    """Computed in the project's notes from saturations from memory: to their two digits."""
    metal = find_metal(name)
    times = [salt_film_time(metal, i * A_CM2) for i in (0.5, 1, 2, 5)]
    np.testing.assert_allclose(times, TABLE[name], rtol=0.05)


def test_copper_films_over_within_milliseconds_and_aluminium_within_seconds():
    assert salt_film_time(find_metal("copper"), A_CM2) < 5e-3
    assert 3 < salt_film_time(find_metal("aluminium"), A_CM2) < 9


@pytest.mark.parametrize(
    ("layer", "density"), [(20e-6, 3.2), (50e-6, 1.3), (100e-6, 0.65), (300e-6, 0.22)]
)
def test_film_limit_of_iron_is_that_of_the_table(layer, density):
    assert film_limit(layer, 4200.0, 2.0) == pytest.approx(density * A_CM2, rel=0.03)


def test_at_its_sand_time_the_diffusion_layer_is_about_its_limit_layer():
    """At Sand's time the profile's slope-layer, n F D c / i, equals sqrt(4 D t / pi)."""
    density, rise, valence = 2e4, 4000.0, 2.0
    layer = math.sqrt(4 * DIFFUSIVITY.value * sand_time(density, rise, valence) / math.pi)
    assert film_limit(layer, rise, valence) == pytest.approx(density, rel=1e-12)


def test_a_loaded_swab_films_over_sooner_and_a_saturated_one_at_once():
    steel = find_metal("carbon_steel")
    clean, loaded = salt_film_time(steel, A_CM2), salt_film_time(steel, A_CM2, loaded=420.0)
    assert loaded == pytest.approx(0.81 * clean, rel=1e-12)
    assert salt_film_time(steel, A_CM2, loaded=5000.0) == 0.0


def test_a_metal_without_a_saturation_gets_no_film_time():
    assert salt_film_time(find_metal("titanium"), A_CM2) == math.inf


@pytest.mark.parametrize(
    ("name", "valence"), [("carbon_steel", 2.0), ("copper", 1.0), ("stainless_304", 2.2)]
)
def test_mean_valence(name, valence):
    assert mean_valence(find_metal(name)) == pytest.approx(valence, rel=0.01)
