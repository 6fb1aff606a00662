"""One stop: field, polarisation and circuit, against forms that are exact on any grid."""

from __future__ import annotations

import dataclasses
import inspect
import math
from dataclasses import replace

import numpy as np
import pytest
from geometries import awkward_box, between_plates, swab, without_pockets

import simulate as sf
from simulate.field.multigrid import Hierarchy
from simulate.field.newton import solve_network
from simulate.field.polarisation import law_row, overpotential

SINGLE = 1.2e-7  # conductances are kept in single precision

TAFEL = sf.Tafel(0.2, 0.028, equilibrium=-0.44, film_resistance=2e-5)
CATHODE = sf.ButlerVolmer(3.0, 0.05, 0.06, equilibrium=-0.3)

COLUMN = np.array([-1.0, 0.0, 0.2, 0.5, 0.6, 1.0, 1.3, 2.0]) * 1e-3
KAPPA = np.array([1.0, 5.0, 2.0, 0.1, 4.0, 4.0, 1.0])
SERIES = float((np.diff(COLUMN) / KAPPA)[1:-1].sum())  # ohm m2 between plate and lid


def column(anode=None, cathode=None, potentials=(1.0, 0.0), area=(2e-3, 3e-3), kappa=KAPPA, plan=2):
    """A stack of layers between plate and lid: one-dimensional, so exact on any grid."""
    x, y = (np.linspace(0.0, side, plan + 1) for side in area)
    grid = sf.Grid.box(x, y, COLUMN)
    return between_plates(grid, kappa[:, None, None], (anode, cathode), potentials)


AREA = 6e-6  # of the column in plan [m2]


# ------------------------------------------------------------------- the interface as it is written


def test_the_interface_is_the_one_that_is_written_down():
    """design.md section 5: names, order, and what may be left out."""
    grid = sf.Grid.box([0.0, 1.0, 2.0], [0.0, 1.0], [0.0, 1.0, 2.0, 3.0])
    bottom, top = np.zeros(grid.shape, bool), np.zeros(grid.shape, bool)
    bottom[0], top[-1] = True, True
    anode = sf.Electrode("plate", bottom, potential=1.0, polarisation=sf.Linear(0.5))
    cathode = sf.Electrode("wire", top)
    field = sf.solve_potential(
        grid, np.ones(grid.shape), [anode, cathode], supply=None, tolerance=1e-10
    )
    assert field.potential.shape == grid.shape
    assert set(field.currents) == {"plate", "wire"}
    faces = field.faces("plate")
    names = ("x", "y", "z", "area", "axis", "density")
    assert all(getattr(faces, name).shape == (2,) for name in names)
    statistics = field.statistics
    assert statistics.iterations >= statistics.newton_steps >= 1
    assert 0.0 <= statistics.residual <= 1e-10
    assert statistics.unknowns == 2
    assert len(statistics.seconds) == 2
    assert min(statistics.seconds) >= 0.0


def test_what_may_be_left_out_has_the_written_default():
    solve = inspect.signature(sf.solve_potential).parameters
    assert list(solve) == ["grid", "conductivity", "electrodes", "supply", "tolerance", "edges"]
    assert solve["supply"].default is None
    assert solve["tolerance"].default == 1e-10
    electrode = inspect.signature(sf.Electrode).parameters
    assert list(electrode) == ["name", "cells", "potential", "polarisation", "coverage"]
    assert electrode["polarisation"].default is None
    assert electrode["coverage"].default is None
    assert solve["edges"].default == "fitted"
    for law in (sf.Linear(1.0), sf.Tafel(1.0, 0.03), sf.ButlerVolmer(1.0, 0.03, 0.03)):
        assert (law.equilibrium, law.film_resistance, law.limit, law.sharpness) == (0, 0, None, 4)
    supply = inspect.signature(sf.Supply).parameters
    assert list(supply) == ["emf", "resistance", "current_limit"]
    assert supply["current_limit"].default is None


def test_a_field_cannot_be_changed_by_assignment():
    field = column().solve()
    with pytest.raises(dataclasses.FrozenInstanceError):
        field.potential = None


def test_an_electrode_that_is_not_there_is_named_with_those_that_are():
    field = column().solve()
    with pytest.raises(KeyError, match=r"'plat'.*plate, lid"):
        field.faces("plat")


# ---------------------------------------------------------------------------- fields that are exact


def test_layers_between_plates_pass_the_current_of_their_resistances_in_series():
    field = column().solve()
    assert field.currents["plate"] == pytest.approx(AREA / SERIES, rel=SINGLE)
    assert field.currents["lid"] == pytest.approx(-field.currents["plate"], rel=1e-10)


def test_the_potential_falls_along_each_layer():
    field = column().solve()
    z = field.grid.centres[2]
    drop = np.concatenate([[0.0], np.cumsum((np.diff(COLUMN) / KAPPA)[1:-1])]) / SERIES
    inside = 0.5 * (drop[1:] + drop[:-1])
    assert field.potential[1:-1, 0, 0] == pytest.approx(1.0 - inside, rel=1e-6)
    assert np.ptp(field.potential, axis=(1, 2)) == pytest.approx(0.0, abs=1e-9)
    assert (field.potential[0] == 1.0).all()
    assert (field.potential[-1] == 0.0).all()
    assert z.size == field.potential.shape[0]


@pytest.mark.parametrize(
    "anode",
    [
        None,
        sf.Linear(3e-4, equilibrium=0.2),
        TAFEL,
        replace(TAFEL, limit=6e3),
        sf.ButlerVolmer(50.0, 0.03, 0.05, film_resistance=1e-4),
    ],
    ids=str,
)
@pytest.mark.parametrize("cathode", [None, CATHODE, replace(CATHODE, limit=9e3)], ids=str)
@pytest.mark.parametrize("density", [40.0, 3000.0])
def test_a_column_with_kinetics_passes_the_current_of_its_voltages(anode, cathode, density):
    """U = E_a + eta_a(i) - E_c - eta_c(-i) + i sum(d / kappa), for the current i it was made of."""
    voltage = density * SERIES
    for law, sign in ((anode, 1.0), (cathode, -1.0)):
        if law is not None:
            voltage += sign * (law.equilibrium + float(overpotential(law, sign * density)))
    field = column(anode, cathode, (voltage, 0.0)).solve()
    assert field.currents["plate"] == pytest.approx(density * AREA, rel=1e-7)
    assert field.currents["lid"] == pytest.approx(-density * AREA, rel=1e-7)


def test_a_field_that_is_linear_in_space_comes_out_exactly():
    """Potentials that vary over six walls; phi = 1 + 200 x - 300 y + 50 z in between."""

    def exact(x, y, z):
        return 1.0 + 200.0 * x - 300.0 * y + 50.0 * z

    edges = [np.linspace(0.0, 1.0, n) ** 1.3 * 1e-2 for n in (8, 10, 9)]
    grid = sf.Grid.box(*edges)
    x, y, z = grid.centres
    volts = exact(x[None, None, :], y[None, :, None], z[:, None, None])
    # a wall's metal bears the potential of the point where its face lies
    for axis, (edge, slope) in enumerate(((grid.z, 50.0), (grid.y, -300.0), (grid.x, 200.0))):
        centre = (z, y, x)[axis]
        for wall, face in ((0, 1), (-1, -2)):
            place = [slice(None)] * 3
            place[axis] = wall
            volts[tuple(place)] += slope * (edge[face] - centre[wall])
    walls = np.ones(grid.shape, bool)
    walls[1:-1, 1:-1, 1:-1] = False
    field = sf.solve_potential(grid, np.full(grid.shape, 3.0), [sf.Electrode("wall", walls, volts)])
    inside = (slice(1, -1),) * 3
    assert field.potential[inside] == pytest.approx(volts[inside], abs=1e-7)
    assert field.currents["wall"] == pytest.approx(0.0, abs=1e-9)
    assert (field.potential[walls] == volts[walls]).all()


def test_rings_between_two_cylinders_follow_the_logarithm():
    """I = 2 pi h kappa U / ln(b / a), phi = U ln(b / r) / ln(b / a), however wide the rings."""
    r = np.array([0.5, 1.0, 1.2, 1.9, 2.0, 3.1, 4.0, 4.5])
    grid = sf.Grid.axisymmetric(r, [0.0, 0.4, 0.5])
    pin, shell = np.zeros(grid.shape, bool), np.zeros(grid.shape, bool)
    pin[..., 0], shell[..., -1] = True, True
    electrodes = [sf.Electrode("pin", pin, 2.0), sf.Electrode("shell", shell)]
    field = sf.solve_potential(grid, np.full(grid.shape, 0.7), electrodes)
    exact = 2 * math.pi * 0.5 * 0.7 * 2.0 / math.log(4.0)
    assert field.currents["pin"] == pytest.approx(exact, rel=SINGLE)
    centre = grid.centres[0][1:-1]
    assert field.potential[0, 0, 1:-1] == pytest.approx(
        2.0 * np.log(4.0 / centre) / math.log(4.0), rel=1e-6
    )
    faces = field.faces("pin")
    assert faces.density == pytest.approx(exact / (2 * math.pi * 1.0 * 0.5), rel=1e-6)


def test_a_disk_of_rings_passes_what_a_column_passes():
    """Axial flow in an axisymmetric grid: R = d / (kappa pi a**2), current per full turn."""
    grid = sf.Grid.axisymmetric([0.0, 0.1, 0.4, 0.5], np.linspace(-0.1, 0.7, 9))
    field = between_plates(grid, 2.0).solve()
    assert field.currents["plate"] == pytest.approx(2.0 * math.pi * 0.25 / 0.6, rel=SINGLE)


def test_a_section_is_a_box_one_metre_deep():
    plane = awkward_box((8, 1, 11), seed=19)
    x, z = plane.grid.x, plane.grid.z
    laws = (TAFEL, CATHODE)
    electrodes = [
        replace(e, polarisation=law) for e, law in zip(plane.electrodes, laws, strict=True)
    ]
    section = sf.solve_potential(sf.Grid.section(x, z), plane.conductivity, electrodes)
    box = sf.solve_potential(sf.Grid.box(x, [0.0, 1.0], z), plane.conductivity, electrodes)
    assert section.currents == box.currents
    assert np.array_equal(section.potential, box.potential, equal_nan=True)


def test_many_slices_of_a_section_carry_the_same_field():
    plane = awkward_box((7, 1, 9), seed=19)
    x, z = plane.grid.x, plane.grid.z
    section = sf.solve_potential(sf.Grid.section(x, z), plane.conductivity, plane.electrodes)
    y = np.array([0.0, 0.3, 0.4, 0.9])
    spread = [replace(e, cells=np.repeat(e.cells, 3, axis=1)) for e in plane.electrodes]
    box = sf.solve_potential(sf.Grid.box(x, y, z), np.repeat(plane.conductivity, 3, 1), spread)
    assert box.currents["plate"] == pytest.approx(0.9 * section.currents["plate"], rel=1e-6)
    for j in range(3):
        assert box.potential[:, j] == pytest.approx(section.potential[:, 0], abs=1e-5, nan_ok=True)


def test_no_resistance_at_all_is_an_ideal_electrode_to_the_bit():
    ideal, linear = (column(law, law).solve() for law in (None, sf.Linear(0.0)))
    assert ideal.currents == linear.currents
    assert (ideal.potential == linear.potential).all()


def test_an_equilibrium_shifts_the_electrode_and_nothing_else():
    plain = column(potentials=(1.0, 0.0)).solve()
    shifted = column(sf.Linear(0.0, equilibrium=0.25), None, (1.25, 0.0)).solve()
    assert shifted.currents["plate"] == pytest.approx(plain.currents["plate"], rel=1e-9)
    assert shifted.potential[0, 0, 0] == 1.25  # the metal's own potential is shown


# -------------------------------------------------------------------------------------- the circuit


@pytest.mark.parametrize("resistance", [0.0, 1.7, 1e4])
@pytest.mark.parametrize("laws", [(None, None), (TAFEL, CATHODE)], ids=["ideal", "kinetic"])
def test_the_circuit_closes(resistance, laws):
    """V = emf - I R, and I is what leaves the anode and what enters the cathode."""
    field = swab_of(laws).solve(sf.Supply(9.0, resistance))
    current = field.currents["plate"]
    assert current > 0.0
    assert field.voltage == pytest.approx(9.0 - current * resistance, rel=1e-9)
    assert field.currents["wire"] == pytest.approx(-current, rel=1e-8)
    again = swab_of(laws, field.voltage).solve()
    assert again.currents["plate"] == pytest.approx(current, rel=1e-8)


def swab_of(laws, voltage=None):
    """A small swab with offsets of 0 V, or the plate at a voltage."""
    cell = swab(4e3, laws=laws)
    plate, wire = cell.electrodes
    return replace(cell, electrodes=(replace(plate, potential=voltage or 0.0), wire))


def test_a_column_on_a_supply_passes_emf_over_all_resistances():
    field = column(potentials=(0.0, 0.0)).solve(sf.Supply(9.0, 2.0))
    expected = 9.0 / (2.0 + SERIES / AREA)
    assert field.currents["plate"] == pytest.approx(expected, rel=SINGLE)
    assert (field.potential[0] == field.voltage).all()


def test_potentials_beside_a_supply_are_offsets():
    one = column(potentials=(0.0, 0.0)).solve(sf.Supply(9.0, 2.0))
    two = column(potentials=(0.5, -0.5)).solve(sf.Supply(8.0, 2.0))
    assert two.currents["plate"] == pytest.approx(one.currents["plate"], rel=1e-9)
    assert two.potential[0, 0, 0] == pytest.approx(two.voltage + 0.5)
    assert two.potential[-1, 0, 0] == -0.5


@pytest.mark.parametrize("resistance", [0.0, 2.0])
@pytest.mark.parametrize("laws", [(None, None), (TAFEL, CATHODE)], ids=["ideal", "kinetic"])
def test_a_current_limit_binds_and_the_voltage_falls(resistance, laws):
    free = swab_of(laws).solve(sf.Supply(9.0, resistance))
    limit = 0.4 * free.currents["plate"]
    held = swab_of(laws).solve(sf.Supply(9.0, resistance, limit))
    assert held.currents["plate"] == pytest.approx(limit, rel=1e-9)
    assert held.currents["wire"] == pytest.approx(-limit, rel=1e-8)
    assert 0.0 < held.voltage < free.voltage
    again = swab_of(laws, held.voltage).solve()
    assert again.currents["plate"] == pytest.approx(limit, rel=1e-8)


def test_a_current_limit_that_is_not_reached_does_nothing():
    free = swab_of((TAFEL, CATHODE)).solve(sf.Supply(9.0, 2.0))
    held = swab_of((TAFEL, CATHODE)).solve(sf.Supply(9.0, 2.0, 1.0001 * free.currents["plate"]))
    assert held.currents["plate"] == pytest.approx(free.currents["plate"], rel=1e-9)
    assert held.voltage == pytest.approx(free.voltage, rel=1e-9)


@pytest.mark.parametrize("resistance", [0.0, 2.0])
@pytest.mark.parametrize("limit", [1e-6, 1e-3, 1.0])
@pytest.mark.parametrize("law", [None, TAFEL, sf.ButlerVolmer(1.0, 0.03, 0.03, 0.5)])
@pytest.mark.parametrize("dry", [2, -2], ids=["in the middle", "under the lid"])
def test_a_limited_supply_drives_nothing_through_an_insulator(law, limit, resistance, dry):
    shape = (6, 3, 4)
    grid = sf.Grid.box(*(1e-3 * np.arange(n + 1) for n in shape[::-1]))
    plate, lid = np.zeros(shape, bool), np.zeros(shape, bool)
    plate[0, :, :2], lid[-1] = True, True
    conductivity = np.ones(shape)
    conductivity[dry] = 0.0
    electrodes = [sf.Electrode("plate", plate, 0.0, law), sf.Electrode("lid", lid, 0.0, CATHODE)]
    field = sf.solve_potential(grid, conductivity, electrodes, sf.Supply(9.0, resistance, limit))
    assert field.currents["plate"] == pytest.approx(0.0, abs=1e-7 * limit)
    assert field.currents["lid"] == pytest.approx(0.0, abs=1e-7 * limit)
    assert field.voltage == pytest.approx(9.0, rel=1e-6)


def test_a_film_limit_is_where_the_current_saturates():
    limit = 500.0
    currents = [
        column(sf.Tafel(0.2, 0.028, limit=limit), None, (voltage, 0.0)).solve().currents["plate"]
        for voltage in (0.2, 0.4, 0.8, 3.0, 30.0)
    ]
    assert (np.diff(currents) > -1e-12).all()
    assert currents[1] < 0.9 * limit * AREA
    assert currents[-1] == pytest.approx(limit * AREA, rel=1e-8)


def test_a_film_limit_below_the_supplys_holds_the_current_and_leaves_the_voltage():
    law = sf.Tafel(0.2, 0.028, limit=500.0)
    field = column(law, None, (0.0, 0.0)).solve(sf.Supply(9.0, 2.0, current_limit=1.0))
    assert field.currents["plate"] == pytest.approx(500.0 * AREA, rel=1e-8)
    assert field.voltage == pytest.approx(9.0 - 2.0 * 500.0 * AREA, rel=1e-9)


def test_a_supply_below_the_equilibrium_drives_the_current_backwards():
    law = sf.ButlerVolmer(1.0, 0.03, 0.03, equilibrium=0.5)
    field = column(law, None, (0.0, 0.0)).solve(sf.Supply(0.2, 2.0))
    assert field.currents["plate"] < 0.0
    assert field.voltage > 0.2


def test_no_emf_passes_no_current():
    field = column(potentials=(0.0, 0.0)).solve(sf.Supply(0.0, 2.0))
    assert field.currents == {"plate": 0.0, "lid": 0.0}
    assert field.voltage == 0.0


def test_a_supply_joins_the_first_two_electrodes_and_a_third_keeps_its_potential():
    grid = sf.Grid.box(np.linspace(0, 7e-3, 8), [0.0, 1e-3], np.linspace(0, 5e-3, 6))
    cells = [np.zeros(grid.shape, bool) for _ in range(3)]
    cells[0][0, :, :3], cells[1][-1], cells[2][0, :, 5:] = True, True, True
    electrodes = [
        sf.Electrode(name, own, volts)
        for name, own, volts in zip(("plate", "wire", "probe"), cells, (0.0, 0.0, 0.7), strict=True)
    ]
    field = sf.solve_potential(grid, np.full(grid.shape, 4.0), electrodes, sf.Supply(2.0, 30.0))
    assert sum(field.currents.values()) == pytest.approx(0.0, abs=1e-10)
    assert field.voltage == pytest.approx(2.0 - 30.0 * field.currents["plate"], rel=1e-9)
    assert (field.potential[0, :, 5:] == 0.7).all()
    assert abs(field.currents["probe"]) > 1e-4


@pytest.mark.parametrize("exchange", [1e-2, 1e-5, 1e-8])
def test_a_current_of_next_to_nothing_is_found_to_rounding(exchange):
    """Down to 1e-14 A: less than rounding makes of the potentials' own sums is not asked for."""
    law = sf.ButlerVolmer(exchange, 0.04, 0.04)
    density = 0.5 * exchange
    voltage = density * SERIES + float(overpotential(law, density) - overpotential(law, -density))
    field = column(law, law, (voltage, 0.0)).solve()
    assert field.currents["plate"] == pytest.approx(density * AREA, rel=1e-9)
    assert field.currents["lid"] == pytest.approx(-field.currents["plate"], rel=1e-9)


@pytest.mark.parametrize("voltage", [0.3, 50.0])
@pytest.mark.parametrize("slope", [1e-3, 0.2])
def test_newton_is_safe_from_a_cold_start_at_any_drive(voltage, slope):
    laws = sf.Tafel(1e-3, slope, limit=2e4), sf.ButlerVolmer(1e-3, slope, slope)
    field = swab_of(laws, voltage).solve()
    assert field.statistics.newton_steps <= 20
    assert field.currents["plate"] == pytest.approx(-field.currents["wire"], rel=1e-6)


# --------------------------------------------------------------------------------------- warm start


@pytest.mark.parametrize("cells", [5e4, 3e5])
def test_newton_with_a_circuit_costs_no_more_than_two_and_a_half_linear_solves(cells):
    """Iterations of a cold start to 1e-5, over those of ideal electrodes to 1e-8.

    The anode is well into its salt film. Openings that the film does not reach are left out: their
    currents fall to nothing by a factor of e a step.
    """
    linear = swab(cells).solve(tolerance=1e-8).statistics.iterations
    laws = (
        sf.Tafel(0.3, 0.026, equilibrium=-0.42, film_resistance=1e-5, limit=2e4),
        sf.ButlerVolmer(1e-3, 0.052, 0.052, equilibrium=-0.14),
    )
    cell = swab(cells, laws=laws)
    plate, wire = (replace(e, potential=0.0) for e in cell.electrodes)
    _, y, x = np.meshgrid(*cell.grid.centres[::-1], indexing="ij")
    plate = replace(plate, cells=plate.cells & (np.hypot(x, y) < 2.7e-3))
    cell = without_pockets(replace(cell, electrodes=(plate, wire)))
    field = cell.solve(sf.Supply(9.4, 2.3), tolerance=1e-5)
    assert 0.3 < abs(field.currents["plate"]) / (2e4 * 1e-6 * 8.0) < 1.0
    assert field.statistics.iterations <= 2.5 * linear


def test_a_warm_start_ends_where_a_cold_one_ends():
    laws = np.array([law_row(law) for law in (TAFEL, CATHODE)])
    cell = swab_of((TAFEL, CATHODE))
    network = cell.network()
    mesh = Hierarchy(network.shape)
    cold = solve_network(network, laws, sf.Supply(9.0, 1.7), tolerance=1e-11, hierarchy=mesh)
    other = swab(4e3, film=0.3).network()
    start = solve_network(other, laws, sf.Supply(6.0, 1.7), tolerance=1e-6, hierarchy=mesh)
    warm = solve_network(
        network, laws, sf.Supply(9.0, 1.7), tolerance=1e-11, hierarchy=mesh, start=start
    )
    assert warm.current == pytest.approx(cold.current, rel=1e-8)
    assert warm.voltage == pytest.approx(cold.voltage, rel=1e-10)
    wet = network.unknowns
    assert np.count_nonzero(np.abs(warm.phi - cold.phi) > 1e-8) == 0
    assert np.count_nonzero(warm.phi) <= wet


def test_a_start_from_the_answer_needs_no_step():
    laws = np.array([law_row(law) for law in (TAFEL, CATHODE)])
    network = swab_of((TAFEL, CATHODE)).network()
    supply = sf.Supply(9.0, 1.7)
    first = solve_network(network, laws, supply, tolerance=1e-9)
    again = solve_network(network, laws, supply, tolerance=1e-8, start=first)
    assert (again.newton_steps, again.iterations) == (0, 0)
    assert again.current == pytest.approx(first.current, rel=1e-12)


def test_the_same_case_gives_the_same_bits():
    one, two = (swab_of((TAFEL, CATHODE)).solve(sf.Supply(9.0, 1.7)) for _ in range(2))
    assert one.currents == two.currents
    assert np.array_equal(one.potential, two.potential, equal_nan=True)


# ----------------------------------------------------------------------------- what a field records


def test_the_potential_is_nan_outside_electrolyte_and_electrodes():
    cell = awkward_box((5, 6, 7), seed=31)
    potential = cell.solve().potential
    outside = (cell.conductivity == 0) & (cell.label == 0)
    assert outside.any()
    assert np.isnan(potential[outside]).all()
    assert np.isfinite(potential[~outside]).all()


def test_a_pocket_of_liquid_that_touches_nothing_passes_nothing():
    cell = column(plan=6)
    cell.conductivity[2:5] = 0.0
    cell.conductivity[2:5, :2, :2] = 3.0  # the only way up
    cell.conductivity[3, 4:, 4:] = 3.0  # the pocket
    field = cell.solve()
    without = replace(cell, conductivity=np.where(field.potential * 0 == 0, cell.conductivity, 0))
    without.conductivity[3, 4:, 4:] = 0.0
    assert field.currents["plate"] == pytest.approx(without.solve().currents["plate"], rel=1e-9)
    pocket = field.potential[3, 4:, 4:]
    assert np.ptp(pocket) == pytest.approx(0.0, abs=1e-9)


def test_faces_lie_on_the_electrodes_surface():
    """A block of metal in a bath: six sides, each with its own area and place."""
    x, y, z = np.arange(8.0), np.arange(7.0) * 0.5, np.arange(6.0) * 2.0
    grid = sf.Grid.box(x, y, z)
    block, rim = np.zeros(grid.shape, bool), np.zeros(grid.shape, bool)
    block[2, 2:4, 3:6] = True
    rim[:, 0, :] = True
    field = sf.solve_potential(
        grid,
        np.ones(grid.shape),
        [sf.Electrode("block", block, 1.0), sf.Electrode("rim", rim)],
    )
    faces = field.faces("block")
    sides = {axis: faces.area[faces.axis == axis].sum() for axis in range(3)}
    assert sides[0] == pytest.approx(2 * 3.0 * 1.0)  # z faces: 3 by 1
    assert sides[1] == pytest.approx(2 * 3.0 * 2.0)  # y faces: 3 by 2
    assert sides[2] == pytest.approx(2 * 1.0 * 2.0)  # x faces: 1 by 2
    assert set(faces.z[faces.axis == 0]) == {4.0, 6.0}
    assert set(faces.y[faces.axis == 1]) == {1.0, 2.0}
    assert set(faces.x[faces.axis == 2]) == {3.0, 6.0}
    assert set(faces.x[faces.axis == 0]) == {3.5, 4.5, 5.5}
    assert set(faces.z[faces.axis == 2]) == {5.0}
    assert (faces.density * faces.area).sum() == pytest.approx(field.currents["block"], rel=1e-12)
    assert (faces.density > 0).all()
    assert (field.faces("rim").density < 0).all()


def test_faces_of_rings_have_the_area_of_their_turn():
    grid = sf.Grid.axisymmetric([0.0, 0.5, 1.0, 1.5], np.arange(4.0))
    body, lid = np.zeros(grid.shape, bool), np.zeros(grid.shape, bool)
    body[0, 0, :2], lid[-1] = True, True
    field = sf.solve_potential(
        grid, np.ones(grid.shape), [sf.Electrode("body", body, 1.0), sf.Electrode("lid", lid)]
    )
    faces = field.faces("body")
    assert faces.area[faces.axis == 0].sum() == pytest.approx(math.pi * 1.0**2)
    assert faces.area[faces.axis == 2] == pytest.approx([2 * math.pi * 1.0 * 1.0])
    assert faces.x[faces.axis == 2] == pytest.approx([1.0])
    assert field.faces("lid").area.sum() == pytest.approx(math.pi * 1.5**2)


def test_density_is_what_the_law_passes_at_the_wall():
    """i solves U - phi = eta(i) + i (half cell), phi of the cell beside the face."""
    field = column(TAFEL, None, (0.6, 0.0)).solve()
    i = field.faces("plate").density
    half = 0.5 * (COLUMN[2] - COLUMN[1]) / KAPPA[1]
    drop = 0.6 - TAFEL.equilibrium - field.potential[1].ravel()
    assert overpotential(TAFEL, i) + i * half == pytest.approx(drop, rel=1e-9)


def test_an_electrode_that_touches_no_liquid_passes_nothing():
    cell = column(plan=4)
    lone = np.zeros(cell.grid.shape, bool)
    lone[3, 1, 1] = True
    cell.conductivity[2:5, 0:3, 0:3] = 0.0
    cell.conductivity[2:5, 3, 3] = 1.0
    field = replace(cell, electrodes=(*cell.electrodes, sf.Electrode("lone", lone, 5.0))).solve()
    assert field.currents["lone"] == 0.0
    assert field.faces("lone").area.size == 0
    assert field.potential[3, 1, 1] == 5.0


def test_electrodes_that_touch_each_other_exchange_nothing_there():
    grid = sf.Grid.box(np.arange(3.0), [0.0, 1.0], [0.0, 1.0])
    left, right = (np.array([[row]]) for row in ([True, False], [False, True]))
    field = sf.solve_potential(
        grid, np.ones(grid.shape), [sf.Electrode("a", left, 1.0), sf.Electrode("b", right)]
    )
    assert field.currents == {"a": 0.0, "b": 0.0}
    assert field.statistics.unknowns == 0


@pytest.mark.parametrize(
    "change",
    [
        lambda kappa: np.asfortranarray(kappa),
        lambda kappa: kappa.astype(np.float32),
        lambda kappa: kappa.tolist(),
        lambda kappa: np.repeat(kappa, 2, axis=2)[:, :, ::2],
        lambda kappa: np.frombuffer(kappa.tobytes()).reshape(kappa.shape),
    ],
    ids=["other order", "single", "lists", "strided", "read-only"],
)
def test_any_array_of_conductivities_will_do_and_is_left_as_it_was(change):
    cell = column(kappa=np.round(KAPPA * 4) / 4)
    given = change(cell.conductivity)
    before = np.array(given)
    field = sf.solve_potential(cell.grid, given, cell.electrodes)
    assert (np.array(given) == before).all()
    assert field.currents == cell.solve().currents


# ---------------------------------------------------------------------------------- what is refused


def refused(*electrodes, kappa=None, supply=None):
    cell = column()
    given = cell.conductivity if kappa is None else kappa
    with pytest.raises(sf.InputError) as caught:
        sf.solve_potential(cell.grid, given, list(electrodes or cell.electrodes), supply)
    return [fault.key for fault in caught.value.faults]


def body(name, rows, potential=0.0, **changes):
    cells = np.zeros((7, 2, 2), bool)
    cells[rows] = True
    return replace(sf.Electrode(name, cells, potential), **changes)


def test_a_conductivity_of_another_shape_is_refused():
    assert refused(kappa=np.ones((7, 2, 3))) == ["conductivity"]


@pytest.mark.parametrize("bad", [-1.0, math.nan, math.inf])
def test_a_conductivity_that_is_none_is_refused_in_the_liquid(bad):
    kappa = column().conductivity
    kappa[3, 1, 1] = bad
    assert refused(kappa=kappa) == ["conductivity"]


@pytest.mark.parametrize("held", [-1.0, math.nan, math.inf, 0.0])
def test_an_electrodes_cells_may_hold_any_conductivity(held):
    cell = column()
    expected = cell.solve().currents
    cell.conductivity[[0, -1]] = held
    assert cell.solve().currents == expected


def test_faults_of_electrodes_come_all_at_once_with_their_names():
    keys = refused(
        body("plate", 0, cells=np.zeros((7, 2, 3), bool)),
        body("wire", 1, cells=np.zeros((7, 2, 2), int)),
        body("lid", 2, math.nan),
        body("back", 3, np.zeros(4)),
        body("tip", 4),
        body("top", slice(4, 6)),
        body("top", 6),
    )
    assert keys == [
        "electrodes",  # two of one name
        "plate.cells",  # shape
        "wire.cells",  # type
        "lid.potential",
        "back.potential",
        "top.cells",  # over the tip
    ]


def test_a_potential_need_be_a_number_only_where_the_electrode_is():
    volts = np.full((7, 2, 2), math.nan)
    volts[0] = 1.0
    cell = column()
    plate, lid = cell.electrodes
    field = replace(cell, electrodes=(replace(plate, potential=volts), lid)).solve()
    assert field.currents == cell.solve().currents
    volts[0, 1, 1] = math.nan
    assert refused(replace(plate, potential=volts), lid) == ["plate.potential"]


def test_a_supply_needs_two_electrodes():
    assert refused(body("plate", 0), supply=sf.Supply(9.0)) == ["supply"]


def test_a_field_needs_an_electrode_and_bears_only_so_many():
    cell = column()
    for count in (0, 128):
        many = [body(f"e{n}", 0, cells=np.zeros((7, 2, 2), bool)) for n in range(count)]
        with pytest.raises(sf.InputError) as caught:
            sf.solve_potential(cell.grid, cell.conductivity, many)
        assert [fault.key for fault in caught.value.faults] == ["electrodes"]


def test_a_solve_that_cannot_reach_its_tolerance_says_how_far_it_got():
    with pytest.raises(sf.ConvergenceError) as caught:
        column(TAFEL, CATHODE, plan=1).solve(tolerance=1e-40)
    error = caught.value
    assert 0.0 <= error.residual < 1e-6
    assert error.tolerance == 1e-40
    assert error.iterations > 0
    assert error.remedy
    assert f"after {error.iterations} iterations" in str(error)


def test_a_law_that_gives_nan_raises_and_does_not_pass_for_a_field():
    cell = column()
    network = cell.network()
    laws = np.array([law_row(None), law_row(None)])
    laws[0, 0], laws[0, 1] = 1.0, math.nan
    with pytest.raises(sf.ConvergenceError) as caught:
        solve_network(network, laws)
    assert math.isnan(caught.value.residual)
