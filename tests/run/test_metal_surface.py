"""The metal's surface: films, layers, depth, and the salt film of a swab held still."""

from __future__ import annotations

import numpy as np
import pytest

from simulate.errors import InputError
from simulate.materials.limiting_current import salt_film_time, sand_time
from simulate.materials.metals import film_resistance, find_metal
from simulate.materials.removal import charge_through, depth_from_charge, mean_valence
from simulate.run.metal_surface import (
    LIMIT_STEP,
    layer_limits,
    milestones,
    rest_limits,
    rest_steps,
    sinks_enough,
    surface_after,
    surface_laws,
    thin_out,
)

STEEL, COPPER, SILVER = (find_metal(name) for name in ("carbon_steel", "copper", "silver"))
GALVANISED = find_metal("galvanised_steel")
DOSES = np.array([[0.0, 1e4, 1e5], [3e5, 6e5, 1e6]])


# --------------------------------------------------------------------------- films, layers, depth


@pytest.mark.parametrize("metal", [STEEL, COPPER, SILVER])
def test_the_film_is_that_of_the_charge_that_has_passed(metal):
    surface = surface_after(metal, DOSES, sinks=False)
    assert (surface.film == film_resistance(metal, DOSES)).all()
    assert not surface.layer.any()
    assert not surface.depth.any()


def test_a_film_that_does_not_grow_is_there_from_the_start():
    bare = surface_after(STEEL, np.zeros((1, 1)), sinks=False)
    assert bare.film[0, 0] == STEEL.film_resistance.value > 0
    assert surface_after(COPPER, np.zeros((1, 1)), sinks=False).film[0, 0] == 0.0


def test_the_depth_counts_only_where_it_is_to():
    assert (surface_after(STEEL, DOSES, sinks=True).depth == depth_from_charge(STEEL, DOSES)).all()


def test_a_layer_is_laid_bare_by_the_charge_that_goes_through_the_one_above():
    through = charge_through(GALVANISED)
    around = through * np.array([[0.999, 1.001]])
    assert surface_after(GALVANISED, around, sinks=False).layer.tolist() == [[0, 1]]


def test_a_film_begins_anew_on_the_layer_below():
    import dataclasses

    coated = dataclasses.replace(GALVANISED, under=COPPER)
    through, grown = charge_through(coated), COPPER.film_charge.value
    surface = surface_after(coated, np.array([[through + grown]]), sinks=False)
    assert surface.film[0, 0] == pytest.approx(float(film_resistance(COPPER, grown)), rel=1e-12)


def test_there_is_a_law_for_every_layer_from_the_top():
    laws = surface_laws(GALVANISED)
    assert laws.shape == (2, 8)
    assert laws[:, 7].tolist() == [
        GALVANISED.equilibrium.value,
        find_metal("carbon_steel").equilibrium.value,
    ]


def test_titanium_has_none():
    with pytest.raises(InputError) as caught:
        surface_laws(find_metal("titanium"))
    assert caught.value.faults[0].expected


# -------------------------------------------------------------------------------- the salt film


def test_the_limit_under_a_resting_swab_falls_in_small_steps():
    limits = rest_limits(STEEL)
    assert limits[0] == STEEL.limit_stroked.value
    assert limits[-1] == pytest.approx(STEEL.limit_still.value, rel=1e-12)
    ratios = limits[:-1] / limits[1:]
    assert ratios == pytest.approx(ratios[0], rel=1e-9)
    assert 1.0 < ratios[0] <= LIMIT_STEP


def test_after_sands_time_at_a_density_that_density_is_the_limit():
    """tau = pi D (n F c / 2 i)^2, Sand 1901, by the closed form."""
    limits = rest_limits(STEEL)
    for step, limit in enumerate(limits[1:-1], 1):
        rise = STEEL.saturation.value
        tau = sand_time(limit, rise, mean_valence(STEEL))
        assert tau == pytest.approx(salt_film_time(STEEL, limit), rel=1e-12)
        assert rest_steps(STEEL, np.array([tau])) == [step]


def test_a_short_rest_is_no_rest_and_a_long_one_the_whole():
    """Steel at 2 A/cm2 stroked and 0.65 held: 1 s and 10 s (research notes 1.3)."""
    steps = rest_steps(STEEL, np.array([0.0, 0.5, 2.0, 5.0, 30.0]))
    assert steps[0] == steps[1] == 0
    assert 0 < steps[2] < steps[3] < steps[4] == rest_limits(STEEL).size - 1


def test_a_metal_without_a_saturation_takes_the_resting_limit_at_once():
    unknown = find_metal("silver")
    assert unknown.saturation is None
    assert rest_limits(unknown).size == 2
    assert rest_steps(unknown, np.array([0.0, 0.1, 9.0])).tolist() == [0, 1, 1]


def test_every_layer_has_a_limit_at_every_step():
    limits = layer_limits(GALVANISED)
    assert limits.shape == (rest_limits(GALVANISED).size, 2)
    assert (limits[:, 0] == rest_limits(GALVANISED)).all()
    assert (np.diff(limits, axis=0) <= 0).all()
    assert limits[0].tolist() == [GALVANISED.limit_stroked.value, STEEL.limit_stroked.value]


# ----------------------------------------------------------------------------------- milestones


def test_a_surface_that_stays_the_same_has_no_milestones():
    assert milestones(STEEL, 1e6, sinks=False) == ()


def test_milestones_lie_where_the_film_grows():
    film = COPPER.film_charge.value
    marks = milestones(COPPER, 100 * film, sinks=False)
    assert marks[0] < film < marks[-1] < 5 * film
    steps = np.diff([0.0, *(float(film_resistance(COPPER, mark)) for mark in marks)])
    assert steps.max() < 0.4 * COPPER.film_resistance.value


def test_milestones_of_a_film_that_goes_on_growing_spread_over_the_whole_run():
    marks = milestones(SILVER, 1e5, sinks=False)
    assert marks[0] < 0.1e5
    assert marks[-1] > 0.6e5


def test_milestones_of_a_coating_lie_about_where_it_wears_through():
    through = charge_through(GALVANISED)
    marks = milestones(GALVANISED, 3 * through, sinks=False)
    assert marks[0] < through < marks[-1]
    assert milestones(GALVANISED, 0.4 * through, sinks=False) == ()


def test_a_sinking_floor_has_milestones_of_its_own():
    assert milestones(STEEL, 1e6, sinks=True) == (0.25e6, 0.5e6, 0.75e6)


def test_marks_too_many_are_thinned_where_they_are_densest():
    assert thin_out((1.0, 2.0, 2.1, 8.0), 3) == (1.0, 2.0, 8.0)
    assert thin_out((1.0, 2.0), 3) == (1.0, 2.0)


@pytest.mark.parametrize(
    ("depth", "sinks"), [(2e-5, False), (5.2e-5, True), (1.1e-4, True), (4e-5, False)]
)
def test_the_floor_sinks_enough_against_the_opening_or_the_mask(depth, sinks):
    """Research notes 6.3: above 0.1 of the width or 0.3 of the mask."""
    assert sinks_enough(depth, 1e-3, 0.17e-3) == sinks
