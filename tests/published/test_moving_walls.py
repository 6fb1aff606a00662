"""Walls that dissolve, against exact solutions.

Planar floor, cylinder and sphere: Faraday's law with the resistance of the gap integrated (closed
forms; Tafel by quadrature). Levelling of a ripple: perturbation of a level wall under a flat
cathode; for a deep gap without film Wagner's law exp(-2 pi s / wavelength) (C. Wagner,
J. Electrochem. Soc. 101 (1954) 225; from memory). Undercut below a mask without thickness from a
line cathode in its plane: polynomial maps of the unit disc, which solve the moving boundary exactly
(Galin 1945 and Polubarinova-Kochina 1945; from memory); constant harmonic moments: S. Richardson,
J. Fluid Mech. 56 (1972) 609.

All with conductivity 1 S/m, 1 m3 dissolved per coulomb, and lengths of order 1.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from cavities import (
    arc,
    around_a_rod,
    distance,
    graded,
    grow,
    half,
    plane,
    quarter,
    turned,
    under_a_plate,
    undercut,
    undercut_at,
    until,
)

from simulate.field.polarisation import Linear, Tafel
from simulate.section.moving_wall import Field, begin, step
from simulate.section.wall_curve import Wall

FORMS = ["symmetric", "second-order"]
LEVEL = ("upright", "upright")


def level_wall(width: float = 0.4, count: int = 9) -> Wall:
    return Wall(np.column_stack([np.linspace(0.0, width, count), np.zeros(count)]), LEVEL)


# --- planar -----------------------------------------------------------------------------------


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize(
    ("film", "gaps"),
    [
        (0.0, (1.4142135624, 1.7320508076, 2.2360679775)),
        (0.5, (1.3027756377, 1.5615528128, 2.0)),
        (2.0, (1.1622776602, 1.3166247904, 1.6055512755)),
    ],
)
def test_a_level_floor_under_linear_kinetics_sinks_as_the_closed_form(form, film, gaps):
    """g = -l + sqrt((g0 + l)**2 + 2 t)."""
    law = Linear(film) if film else None
    cavity = under_a_plate(np.linspace(0, 0.4, 5), np.arange(-20, 1) * 0.1, 1.0, law, 1.0, form)
    for time, gap in zip((0.5, 1.0, 2.0), gaps, strict=True):
        wall = grow(cavity, level_wall(), time=time)[0].walls[0]
        assert 1.0 - wall.points[:, 1] == pytest.approx(gap, rel=1e-3)
        assert np.ptp(wall.points[:, 1]) < 1e-12


@pytest.mark.parametrize("form", FORMS)
def test_a_level_floor_under_tafel_kinetics_takes_the_time_that_quadrature_gives(form):
    """Exchange 1e-3 A/m2, 1 V per e-fold, 10 V."""
    law = Tafel(1e-3, 1.0)
    cavity = under_a_plate(np.linspace(0, 0.4, 5), np.arange(-40, 1) * 0.1, 1.0, law, 10.0, form)
    for gap, time in ((1.5, 0.2571367562), (2.0, 0.5847102960), (4.0, 2.5343516805)):
        found, *_ = until(cavity, level_wall(), lambda wall, gap=gap: 1.0 - wall.points[0, 1] - gap)
        assert found == pytest.approx(time, rel=1e-3)


# --- cylinder and sphere ----------------------------------------------------------------------

CYLINDER = {
    0.0: {1.5: 1.5827639297, 2.0: 4.0901720006, 4.0: 24.6097430864},
    0.2: {1.5: 1.6827639297, 2.0: 4.2901720006, 4.0: 25.2097430864},
}
SPHERE = {
    0.0: {1.5: 7.2916666667, 2.0: 21.8333333333},
    0.2: {1.5: 7.3916666667, 2.0: 22.0333333333},
}


def growth_time(
    radius: float, film: float, form: str, edges: np.ndarray, *, sphere: bool
) -> tuple[float, Wall]:
    """Time until the wall about a rod or ball of radius 0.1 has grown from 1 to a radius."""
    cavity = around_a_rod(film, edges, form, round=sphere)
    wall = Wall(arc(1.0), ("upright", "level"), sphere)
    part, power = (2.0 * np.pi / 3.0, 3) if sphere else (0.25 * np.pi, 2)
    found = until(cavity, wall, lambda wall: wall.volume / part - radius**power)
    return found[0], found[1].walls[0]


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("film", [0.0, 0.2])
def test_a_cylinder_grows_about_a_rod_in_the_time_of_the_closed_form(film, form):
    """t = [R**2 / 2 ln(R / rc) - R**2 / 4 + l R] from 1: the wall at 1.5."""
    edges = graded(0.007, 1.06, 2.0, 0.08)
    time, wall = growth_time(1.5, film, form, edges, sphere=False)
    assert time == pytest.approx(CYLINDER[film][1.5], rel=1e-3)
    assert np.hypot(*wall.points.T) == pytest.approx(1.5, rel=1e-3)


@pytest.mark.slow
@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("film", [0.0, 0.2])
@pytest.mark.parametrize("radius", [2.0, 4.0])
def test_a_cylinder_grows_on_to_twice_and_four_times_its_radius(radius, film, form):
    edges = graded(0.007, 1.05, 4.6 if radius > 2.0 else 2.4, 0.08)
    time, wall = growth_time(radius, film, form, edges, sphere=False)
    assert time == pytest.approx(CYLINDER[film][radius], rel=1e-3)
    assert np.hypot(*wall.points.T) == pytest.approx(radius, rel=1e-3)


def test_a_half_cylinder_under_a_plane_has_etch_factor_one():
    """Depth over reach below the plane, to rounding: cells are alike in both directions."""
    edges = graded(0.01, 1.08, 2.0, 0.1)
    for form in FORMS:
        _, wall = growth_time(1.5, 0.0, form, edges, sphere=False)
        assert -wall.points[0, 1] / wall.points[-1, 0] == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("film", [0.0, 0.2])
def test_a_hemisphere_grows_about_a_ball_in_the_time_of_the_closed_form(film, form):
    """t = [R**3 / (3 rc) - R**2 / 2 + l R] from 1: the wall at 1.5."""
    time, wall = growth_time(1.5, film, form, graded(0.006, 1.05, 1.8, 0.08), sphere=True)
    assert time == pytest.approx(SPHERE[film][1.5], rel=1e-3)
    assert np.hypot(*wall.points.T) == pytest.approx(1.5, rel=1.5e-3)


@pytest.mark.slow
@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("film", [0.0, 0.2])
def test_a_hemisphere_grows_on_to_twice_its_radius(film, form):
    time, _ = growth_time(2.0, film, form, graded(0.006, 1.05, 2.4, 0.08), sphere=True)
    assert time == pytest.approx(SPHERE[film][2.0], rel=1e-3)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("form", "orders"), [("symmetric", (1.2, 2.2)), ("second-order", (1.7, 2.4))]
)
def test_the_time_of_the_cylinder_converges_as_the_form_gives(form, orders):
    errors = []
    for first, growth, most in ((0.01, 1.08, 0.1), (0.005, 1.04, 0.05)):
        time, _ = growth_time(1.5, 0.0, form, graded(first, growth, 2.0, most), sphere=False)
        errors.append(abs(time / CYLINDER[0.0][1.5] - 1.0))
    assert orders[0] < np.log2(errors[0] / errors[1]) < orders[1]


# --- levelling --------------------------------------------------------------------------------

RIPPLE = {
    0.0: (0.5327749983, 0.0431333692),
    0.1: (0.6795166481, 0.1451408138),
    1.0: (0.9173236659, 0.6496095203),
}
HEIGHT = 1e-3  # of the ripple; the exact law is that of none


def levelled(film: float, form: str, cells: int) -> list[float]:
    """Amplitude left after mean depths of 0.1 and 0.5; wavelength 1, gap 0.5, half a wave."""
    h = 0.5 / cells
    law = Linear(film) if film else None
    below = np.arange(-round(0.6 / h), 1) * h
    cavity = under_a_plate(np.arange(cells + 1) * h, below, 0.5, law, 1.0, form)
    x = np.linspace(0.0, 0.5, cells + 1)
    wall = Wall(np.column_stack([x, -HEIGHT * (1.0 - np.cos(2.0 * np.pi * x))]), LEVEL)
    state, field = begin(cavity, (wall,)), Field(cavity)
    start, begun = amplitude(state.walls[0]), state.volumes[0]
    left = []
    for depth in (0.1, 0.5):
        goal = begun + 0.5 * depth
        while goal - state.volumes[0] > 1e-6:
            current = field.at(state.walls).currents[0]  # the last steps close in on the depth
            state = step(field, state, (goal - state.volumes[0]) / current)[0]
        left.append(amplitude(state.walls[0]) / start)
    return left


def amplitude(wall: Wall) -> float:
    """Of cos(2 pi x) in the wall."""
    place = wall.at(np.linspace(0.0, wall.knots[-1], 4001))
    x = np.linspace(0.0, 0.5, 1001)
    z = np.interp(x, *place.T)
    z -= np.trapezoid(z, x) / 0.5
    return float(4.0 * np.trapezoid(z * np.cos(2.0 * np.pi * x), x))


@pytest.mark.slow
@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("film", RIPPLE)
def test_a_ripple_levels_as_the_linear_law_says(film, form):
    """d(ln d)/ds = -k coth(kg) / (1 + l k coth(kg)); 160 cells a wavelength."""
    assert levelled(film, form, 80) == pytest.approx(RIPPLE[film], rel=1e-3)


def test_the_levelling_of_a_ripple_converges_to_second_order():
    errors = [abs(levelled(0.0, "second-order", n)[0] / RIPPLE[0.0][0] - 1.0) for n in (10, 20)]
    assert 1.6 < np.log2(errors[0] / errors[1]) < 2.4


# --- exact undercut ---------------------------------------------------------------------------

QUARTER = (-0.5 * np.pi, 0.0)
HALF = (-np.pi, 0.0)
SYMMETRIC = {  # area: half width and depth for b0 = 0.1
    1.5: (1.2921436218, 1.1871574284),
    2.0: (1.4679750751, 1.4001608515),
    3.0: (1.7759695079, 1.7391305876),
    4.0: (2.0416323554, 2.0177128594),
}
UNSYMMETRIC = {2.0: (1.5570988113, 1.3704074032), 4.0: (2.1237698131, 2.0310850672)}  # b0 = 0.2


def test_the_exact_maps_give_the_table():
    for times, (reach, depth) in SYMMETRIC.items():
        a, b = undercut_at(0.1, 3, times)
        assert (a + b, a - b) == pytest.approx((reach, depth), abs=1e-10)
    for times, (right, left) in UNSYMMETRIC.items():
        a, b = undercut_at(0.2, 2, times)
        assert (a + b, a - b) == pytest.approx((right, left), abs=1e-10)


@cache
def undercut_to(h: float, form: str, b0: float, times: float):
    """Front error, reach and depth at so many times the area; the shifts on the way, summed up."""
    area = 0.25 * np.pi * (1.0 + 3.0 * b0 * b0)
    wall = Wall(undercut(1.0, b0, 3, QUARTER), ("upright", "level"))
    shifts = []
    state, _ = grow(
        quarter(h, form),
        wall,
        charge=(times - 1.0) * area,
        watch=lambda state, _: shifts.append(abs(state.shift[0])),
    )
    end = state.walls[0]
    exact = undercut(*undercut_at(b0, 3, times), 3, QUARTER)
    return distance(end, exact), end.points[-1, 0], -end.points[0, 1], sum(shifts)


@pytest.mark.parametrize(("form", "most"), [("symmetric", 1.5e-3), ("second-order", 6e-4)])
@pytest.mark.parametrize("b0", [0.1, -0.1])
def test_the_exact_undercut_is_met_at_four_times_the_area(form, most, b0):
    """22 cells a half width at the start; b < 0 swaps half width and depth."""
    error, reach, depth, _ = undercut_to(0.05, form, b0, 4.0)
    assert error < most
    wanted = SYMMETRIC[4.0] if b0 > 0.0 else SYMMETRIC[4.0][::-1]
    assert (reach, depth) == pytest.approx(wanted, rel=1e-3)


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("times", [1.5, 2.0, 3.0])
def test_half_width_and_depth_follow_the_table_on_the_way(form, times):
    _, reach, depth, _ = undercut_to(0.05, form, 0.1, times)
    assert (reach, depth) == pytest.approx(SYMMETRIC[times], rel=1e-3)


@pytest.mark.parametrize(
    ("form", "orders"), [("symmetric", (1.2, 2.2)), ("second-order", (1.6, 2.4))]
)
def test_the_front_converges_as_the_form_gives(form, orders):
    """About 1.5 for the symmetric form, whose errors scatter with the cuts; 2 for the other."""
    errors = [undercut_to(h, form, 0.1, 4.0)[0] for h in (0.1, 0.05)]
    assert orders[0] < np.log2(errors[0] / errors[1])
    assert form == "symmetric" or np.log2(errors[0] / errors[1]) < orders[1]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("form", "orders"), [("symmetric", (1.3, 2.2)), ("second-order", (1.8, 2.3))]
)
def test_the_front_converges_as_the_form_gives_over_three_sizes_of_cells(form, orders):
    sizes = np.array([0.1, 0.05, 0.025])
    errors = [undercut_to(h, form, 0.1, 4.0)[0] for h in sizes]
    assert orders[0] < np.polyfit(np.log(sizes), np.log(errors), 1)[0] < orders[1]


@pytest.mark.parametrize("form", FORMS)
def test_area_before_the_shift_agrees_with_the_charge_to_second_order(form):
    """The shift that closes it is what the step leaves open."""
    shifts = [undercut_to(h, form, 0.1, 4.0)[3] for h in (0.1, 0.05)]
    assert shifts[1] < 1e-4
    assert 1.7 < np.log2(shifts[0] / shifts[1]) < 2.3


@pytest.mark.parametrize(("form", "most"), [("symmetric", 1.5e-3), ("second-order", 6e-4)])
def test_an_undercut_that_is_not_symmetric_is_met(form, most):
    """A cathode off the middle: right and left reach at twice and four times the area."""
    area = 0.5 * np.pi * (1.0 + 2.0 * 0.2**2)
    state = Wall(undercut(1.0, 0.2, 2, HALF), ("level", "level"))
    for times, (right, left) in UNSYMMETRIC.items():
        state, _ = grow(half(0.05, form, 2.6), state, charge=(times - 1.0) * area)
        end = state.walls[0]
        assert distance(end, undercut(*undercut_at(0.2, 2, times), 2, HALF)) < most
        assert (end.points[-1, 0], -end.points[0, 0]) == pytest.approx((right, left), rel=1e-3)


# --- moments, turns and mirrors -----------------------------------------------------------------


def star() -> np.ndarray:
    angle = 2.0 * np.pi * np.arange(2000) / 2000
    radius = 1.0 + 0.1 * np.cos(2.0 * angle) + 0.2 * np.cos(4.0 * angle)
    return radius[:, None] * np.column_stack([np.cos(angle), np.sin(angle)])


def square() -> np.ndarray:
    side = np.linspace(-1.0, 1.0, 51)[:-1]
    one = np.column_stack([side, np.full(50, -1.0)])
    return np.vstack([turned(one, quarter_turns * 0.5 * np.pi + 0.3) for quarter_turns in range(4)])


def moment(wall: Wall, n: int) -> complex:
    """Integral of (x + i z)**n over the space within a closed wall."""
    u = np.linspace(0.0, wall.knots[-1], 20001)
    z, dz = wall.at(u) @ [1.0, 1j], wall.at(u, 1) @ [1.0, 1j]
    return complex(np.trapezoid(z**n * np.conj(z) * dz, u) / 2j)


@cache
def drift(shape: str, form: str, h: float) -> tuple[float, float]:
    """Change of the moments n = 2, 4 as the area trebles, in units of radius**n times area."""
    wall = Wall({"star": star, "square": square}[shape](), None)
    end = grow(plane(h, form), wall, charge=2.0 * wall.volume)[0].walls[0]
    radius = np.sqrt(end.volume / np.pi)
    return tuple(abs(moment(end, n) - moment(wall, n)) / (radius**n * end.volume) for n in (2, 4))  # type: ignore[return-value]


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("shape", ["star", "square"])
def test_harmonic_moments_of_a_cavity_stay(shape, form):
    assert max(drift(shape, form, 0.1)) < 1.5e-3


@pytest.mark.slow
@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("shape", ["star", "square"])
def test_harmonic_moments_stay_the_better_the_smaller_the_cells(shape, form):
    """The corners of a square are rounded by a cell at the start, which changes moments at once."""
    coarse, fine = (drift(shape, form, h)[1] for h in (0.1, 0.05))
    assert fine < 4e-4
    assert np.log2(coarse / fine) > 1.2


def test_a_mirrored_cavity_is_the_mirror_image_to_rounding():
    ends = []
    for sign in (1.0, -1.0):
        points = undercut(1.0, 0.2, 2, HALF) * [sign, 1.0]
        wall = Wall(points[:: int(sign)], ("level", "level"))
        ends.append(grow(half(0.1, "second-order", 2.2), wall, charge=2.0)[0].walls[0].points)
    np.testing.assert_allclose(ends[0], ends[1][::-1] * [-1.0, 1.0], atol=1e-11)


@pytest.mark.parametrize(("form", "most"), [("symmetric", 3.5e-3), ("second-order", 1.2e-3)])
def test_a_cavity_turned_by_45_degrees_differs_by_no_more_than_its_error(form, most):
    """11 cells a half width; each of the two is within its own error of the exact shape."""
    points = undercut(1.0, 0.1, 3, (0.0, 2.0 * np.pi))[:-1]
    exact = undercut(*undercut_at(0.1, 3, 4.0), 3, (0.0, 2.0 * np.pi))[:-1]
    charge = 3.0 * np.pi * 1.03
    for angle in (0.0, 0.25 * np.pi):
        end = grow(plane(0.1, form), Wall(turned(points, angle), None), charge=charge)[0].walls[0]
        assert distance(end, turned(exact, angle)) < 0.6 * most
        assert (distance(end, turned(exact, -angle)) < most) == (angle == 0.0)
