"""Laws of polarisation: the formulas, their inverses, caps, slopes, and drives past all sense."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import simulate as sf
from simulate.field.polarisation import current_density, law_row, overpotential
from simulate.kernels import electrode_kinetics

LAWS = [
    sf.Linear(2e-4),
    sf.Linear(2e-4, film_resistance=1e-4),
    sf.Linear(2e-4, limit=3e3, sharpness=2.0),
    sf.Tafel(0.3, 0.031),
    sf.Tafel(0.3, 0.031, film_resistance=3e-4),
    sf.Tafel(0.3, 0.031, film_resistance=1e-4, limit=5e3),
    sf.ButlerVolmer(4.0, 0.03, 0.07),
    sf.ButlerVolmer(4.0, 0.03, 0.07, film_resistance=2e-4),
    sf.ButlerVolmer(4.0, 0.03, 0.07, film_resistance=2e-4, limit=8e3, sharpness=1.5),
]
every_law = pytest.mark.parametrize("law", LAWS, ids=str)

plain = [pytest.param(False, id="compiled"), pytest.param(True, id="plain")]


def as_python(kernel):
    """The kernel's Python, whether or not numba is switched off."""
    return getattr(kernel, "py_func", kernel)


def kinetic_twin(eta, law):
    """Uncapped current density at a kinetic overpotential, from the docstrings' formulas."""
    if isinstance(law, sf.Linear):
        return eta / law.resistance
    if isinstance(law, sf.Tafel):
        if eta >= 0:
            return 2 * law.exchange * math.sinh(eta / law.slope)
        return 2 * law.exchange * math.tanh(eta / law.slope)
    return law.exchange * (math.exp(eta / law.slope_anodic) - math.exp(-eta / law.slope_cathodic))


def capped_twin(eta, law):
    current = kinetic_twin(eta, law)
    if law.limit is None:
        return current
    return current / (1 + abs(current / law.limit) ** law.sharpness) ** (1 / law.sharpness)


@every_law
@pytest.mark.parametrize("python", plain)
def test_the_wall_kernel_follows_the_written_law(law, python):
    kernel = (
        as_python(electrode_kinetics.kinetic_current)
        if python
        else electrode_kinetics.kinetic_current
    )
    for eta in np.linspace(-0.4, 0.4, 41):
        current, _ = kernel(eta, law_row(law))
        assert current == pytest.approx(capped_twin(eta, law), rel=1e-12, abs=1e-13)


@every_law
@pytest.mark.parametrize("python", plain)
def test_the_kinetic_slope_is_the_derivative_of_the_current(law, python):
    kernel = (
        as_python(electrode_kinetics.kinetic_current)
        if python
        else electrode_kinetics.kinetic_current
    )
    step = 1e-6
    for eta in (-0.3, -0.05, -0.002, 0.003, 0.04, 0.21, 0.35):
        above, below = (kernel(eta + s, law_row(law))[0] for s in (step, -step))
        # A central difference errs by step**2 i'''/6 and rounding / step; beside 0.03 V both are
        # below 1e-8 of the steepest part of the curve.
        slope = kernel(eta, law_row(law))[1]
        assert slope == pytest.approx((above - below) / (2 * step), rel=2e-7, abs=1e-5)


@every_law
@pytest.mark.parametrize("series", [0.0, 1e-6, 1e-3])
def test_the_wall_slope_is_the_derivative_of_the_current_by_the_drive(law, series):
    for drive in (-0.7, -0.02, 0.015, 0.2, 0.6):
        step = 1e-6
        current = [
            electrode_kinetics.wall_current(u, series, law_row(law), 0.0)[0]
            for u in (drive - step, drive + step)
        ]
        slope = electrode_kinetics.wall_current(drive, series, law_row(law), 0.0)[1]
        assert slope == pytest.approx((current[1] - current[0]) / (2 * step), rel=1e-6, abs=1e-5)


@pytest.mark.parametrize("guess", [0.0, 0.002, 0.1, 0.2, 0.24])
def test_a_wall_near_its_limit_finds_its_current_from_any_guess(guess):
    """Newton's steps lead to and fro over the bend of a capped exponential: half bare, half capped.
    A face of a pad on filming brass, drive and resistance as met in a run."""
    row = law_row(sf.Tafel(1.0, 0.06 / math.log(10.0), limit=2000.0))
    drive, series = 0.24496353812030247, 8.014483524359977e-05
    current, _, eta = electrode_kinetics.wall_current(drive, series, row, guess)
    assert eta + series * current == pytest.approx(drive, rel=1e-14)
    assert current == pytest.approx(electrode_kinetics.kinetic_current(eta, row)[0], rel=1e-9)
    assert current == pytest.approx(857.691028954856, rel=1e-9)


@every_law
@given(drive=st.floats(-3.0, 3.0), series=st.floats(1e-7, 1e-1), guess=st.floats(-2.0, 2.0))
def test_the_wall_closes_its_circuit_from_any_first_guess(law, drive, series, guess):
    current, slope, eta = electrode_kinetics.wall_current(drive, series, law_row(law), guess)
    through = (series + law.film_resistance) * current
    # near eta = 0 the current is a difference of exponentials, rounded to 2e-16 of the exchange
    assert abs(drive - eta - through) <= 1e-14 * max(abs(drive), abs(through)) + 1e-15
    assert current == pytest.approx(capped_twin(eta, law), rel=1e-9, abs=1e-9)
    # i falls off no faster than through the series resistance alone
    assert 0.0 <= slope * (series + law.film_resistance) <= 1.0


@given(
    density=st.floats(-1e5, 1e5),
    resistance=st.floats(1e-6, 1e-1),
    film=st.floats(0.0, 1e-2),
)
def test_linear_current_is_the_inverse_of_its_overpotential(density, resistance, film):
    law = sf.Linear(resistance, film_resistance=film)
    eta = overpotential(law, density)
    assert float(current_density(law, eta)) == pytest.approx(density, rel=1e-12)


@given(
    decades=st.floats(-2.0, 8.0),
    exchange=st.floats(1e-6, 1e2),
    slope=st.floats(5e-3, 0.3),
    film=st.sampled_from([0.0, 1e-5, 1e-3]),
)
def test_tafel_current_is_the_inverse_of_its_overpotential(decades, exchange, slope, film):
    law = sf.Tafel(exchange, slope, film_resistance=film)
    density = exchange * 10.0**decades
    eta = overpotential(law, density)
    assert float(current_density(law, eta)) == pytest.approx(density, rel=1e-11)


@given(
    decades=st.floats(-2.0, 8.0),
    sign=st.sampled_from([-1.0, 1.0]),
    exchange=st.floats(1e-6, 1e2),
    slopes=st.tuples(st.floats(5e-3, 0.3), st.floats(5e-3, 0.3)),
    film=st.sampled_from([0.0, 1e-5, 1e-3]),
)
def test_butler_volmer_current_is_the_inverse_of_its_overpotential(
    decades, sign, exchange, slopes, film
):
    law = sf.ButlerVolmer(exchange, *slopes, film_resistance=film)
    density = sign * exchange * 10.0**decades
    eta = overpotential(law, density)
    assert float(current_density(law, eta)) == pytest.approx(density, rel=1e-11)


@given(
    share=st.floats(-0.98, 0.98),
    limit=st.floats(1.0, 1e5),
    sharpness=st.floats(1.0, 12.0),
    film=st.sampled_from([0.0, 1e-4]),
)
def test_a_capped_current_is_the_inverse_of_its_overpotential(share, limit, sharpness, film):
    law = sf.ButlerVolmer(0.5, 0.04, 0.05, film_resistance=film, limit=limit, sharpness=sharpness)
    eta = overpotential(law, share * limit)
    # Near the cap a change of the current is magnified in eta, not the other way round.
    assert float(current_density(law, eta)) == pytest.approx(share * limit, rel=1e-9, abs=1e-9)


@given(series=st.floats(1e-6, 1e-1), drive=st.floats(-2.0, 2.0))
def test_series_resistance_takes_its_part_of_the_drive(series, drive):
    law = sf.ButlerVolmer(2.0, 0.03, 0.05)
    current = float(current_density(law, drive, series))
    assert drive == pytest.approx(
        float(overpotential(law, current)) + series * current, rel=1e-12, abs=1e-14
    )


def test_tafel_is_the_logarithm_to_within_the_square_of_exchange_over_current():
    law = sf.Tafel(0.3, 0.031)
    density = np.geomspace(3.0, 1e5, 30)
    error = overpotential(law, density) - law.slope * np.log(density / law.exchange)
    assert (np.abs(error) <= law.slope * (law.exchange / density) ** 2 + 1e-15).all()
    assert error[0] == pytest.approx(law.slope * (law.exchange / density[0]) ** 2, rel=0.02)


def test_tafel_passes_next_to_no_cathodic_current():
    law = sf.Tafel(0.3, 0.031)
    current = current_density(law, np.array([-0.01, -0.1, -5.0]), 1e-9)
    assert (current < 0).all()
    assert (current >= -2 * law.exchange).all()


@pytest.mark.parametrize("law", [law for law in LAWS if law.limit is not None], ids=str)
def test_a_limit_is_approached_from_below_and_never_passed(law):
    drive = np.array([0.5, 5.0, 50.0, 500.0])
    current = current_density(law, drive, 1e-6)
    assert (np.diff(current) >= 0).all()
    assert (current <= law.limit * (1 + 1e-15)).all()
    assert current[-1] == pytest.approx(law.limit, rel=1e-4)


@every_law
def test_a_limit_far_above_the_current_changes_nothing(law):
    free, far = replace(law, limit=None), replace(law, limit=1e9)
    drive = np.linspace(-0.2, 0.2, 9)
    # with sharpness p the cap takes the share (i / limit)**p / p
    assert current_density(far, drive, 1e-3) == pytest.approx(
        current_density(free, drive, 1e-3), rel=2e-6
    )


def test_sharpness_is_how_far_the_cap_reaches_at_the_limit():
    """Where the kinetic current equals the limit, i = limit / 2**(1 / sharpness)."""
    for sharpness in (1.0, 2.0, 4.0, 8.0):
        law = sf.Linear(1e-3, limit=200.0, sharpness=sharpness)
        current = float(current_density(law, 0.2))
        assert current == pytest.approx(200.0 / 2 ** (1 / sharpness), rel=1e-13)


def test_the_film_carries_the_capped_current_and_not_the_kinetic_one():
    law = sf.Tafel(0.3, 0.031, film_resistance=1e-3, limit=1e3)
    bare = replace(law, film_resistance=0.0)
    density = np.array([10.0, 500.0, 990.0])
    assert overpotential(law, density) - overpotential(bare, density) == pytest.approx(
        1e-3 * density, rel=1e-12
    )


@pytest.mark.parametrize("law", LAWS[2:], ids=str)
def test_at_or_past_its_limit_an_overpotential_is_infinite(law):
    if law.limit is None:
        law = replace(law, limit=10.0)
    with np.errstate(all="raise"):
        eta = overpotential(law, np.array([law.limit, 2 * law.limit, -law.limit, -2 * law.limit]))
    assert (eta[:2] == np.inf).all()
    assert (eta[2:] == -np.inf).all()


def test_past_twice_its_exchange_current_tafel_has_no_cathodic_overpotential():
    assert overpotential(sf.Tafel(0.3, 0.031), np.array([-0.6, -7.0])) == pytest.approx(-np.inf)


@pytest.mark.parametrize("slope", [1e-6, 1e-3, 0.05])
@pytest.mark.parametrize("drive", [-50.0, 50.0])
@pytest.mark.parametrize("limit", [None, 1e4])
@pytest.mark.parametrize("series", [0.0, 1e-9, 1e-2])
@pytest.mark.parametrize("python", plain)
def test_fifty_volts_on_the_steepest_curve_stay_finite(slope, drive, limit, series, python):
    kernel = (
        as_python(electrode_kinetics.wall_current) if python else electrode_kinetics.wall_current
    )
    for law in (
        sf.Tafel(1e-9, slope, limit=limit),
        sf.ButlerVolmer(1e-9, slope, 2 * slope, limit=limit),
    ):
        with np.errstate(over="raise", invalid="raise", divide="raise"):
            current, rate, eta = kernel(drive, series, law_row(law), 0.0)
        assert np.isfinite([current, rate, eta]).all()
        assert rate >= 0.0
        assert current * drive >= 0.0
        assert abs(eta) <= abs(drive)
        assert abs(eta + series * current - drive) <= 1e-13 * abs(drive)
        if limit is not None:
            assert abs(current) <= limit * (1 + 1e-15)


def test_an_ideal_electrode_is_its_series_resistance():
    for law in (None, sf.Linear(0.0)):
        assert current_density(law, np.array([-2.0, 3.0]), 0.25) == pytest.approx([-8.0, 12.0])
        current, slope, eta = electrode_kinetics.wall_current(3.0, 0.25, law_row(law), 0.7)
        assert (current, slope, eta) == (12.0, 4.0, 0.0)


@every_law
def test_no_drive_passes_no_current(law):
    assert float(current_density(law, 0.0, 1e-3)) == 0.0
    assert float(overpotential(law, 0.0)) == 0.0


@every_law
def test_a_current_has_the_shape_of_its_drive(law):
    drive = np.linspace(-0.1, 0.1, 6).reshape(2, 3)
    assert current_density(law, drive, 1e-3).shape == (2, 3)
    assert current_density(law, 0.1, 1e-3).shape == ()
    assert overpotential(law, drive).shape == (2, 3)


def test_a_drive_that_is_no_number_stays_none():
    """NaN must come out as NaN: it may not be taken for a converged current."""
    for law in LAWS:
        current, slope, _ = electrode_kinetics.wall_current(math.nan, 1e-3, law_row(law), 0.0)
        assert math.isnan(current) or math.isnan(slope)


@pytest.mark.parametrize("python", plain)
def test_each_face_obeys_the_law_of_its_own_electrode(python):
    kernel = (
        as_python(electrode_kinetics.wall_currents) if python else electrode_kinetics.wall_currents
    )
    laws = np.array([law_row(law) for law in LAWS])
    electrode = np.array([8, 0, 3, 3, 6, 1])
    drive = np.array([0.3, -0.2, 0.1, 0.4, -0.3, 0.2])
    series = np.full(6, 1e-4)
    eta, current, slope = np.zeros(6), np.empty(6), np.empty(6)
    kernel(drive, series, electrode, laws, eta, current, slope)
    for f in range(6):
        alone = electrode_kinetics.wall_current(drive[f], series[f], laws[electrode[f]], 0.0)
        assert (current[f], slope[f], eta[f]) == pytest.approx(alone, rel=1e-12)


@pytest.mark.parametrize(
    ("make", "keys"),
    [
        (lambda: sf.Linear(-1.0), ["resistance"]),
        (lambda: sf.Linear(1.0, film_resistance=-1e-9), ["film_resistance"]),
        (lambda: sf.Linear(1.0, limit=0.0), ["limit"]),
        (lambda: sf.Linear(math.inf), ["resistance"]),
        (lambda: sf.Tafel(0.0, 0.03), ["exchange"]),
        (lambda: sf.Tafel(1.0, -0.03), ["slope"]),
        (lambda: sf.Tafel(1.0, 0.03, equilibrium=math.nan), ["equilibrium"]),
        (lambda: sf.Tafel(1.0, "0.03"), ["slope"]),
        (lambda: sf.ButlerVolmer(1.0, 0.03, 0.0), ["slope_cathodic"]),
        (lambda: sf.ButlerVolmer(1.0, 0.03, 0.03, sharpness=0.0), ["sharpness"]),
        (
            lambda: sf.ButlerVolmer(-1.0, 0.0, math.nan, limit=-5.0, film_resistance=-1.0),
            ["exchange", "slope_anodic", "slope_cathodic", "film_resistance", "limit"],
        ),
    ],
)
def test_a_faulty_law_names_every_number_that_is_wrong(make, keys):
    with pytest.raises(sf.InputError) as caught:
        make()
    assert [fault.key for fault in caught.value.faults] == keys
    assert all(fault.expected and fault.value for fault in caught.value.faults)
