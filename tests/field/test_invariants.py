"""What must hold for every field, whatever the mask, the swab and the laws.

Charge in = charge out; the circuit closes; a mirrored case gives the mirrored field; conductivity,
length and voltage scale as theory says; more electrolyte never passes less current (Rayleigh);
what one electrode feels of another is mutual; removed volume is Faraday's.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import simulate as sf
from simulate.field.polarisation import Polarisation
from simulate.field.potential import Field
from simulate.swab.cell_fractions import body_fraction, wire_fraction
from simulate.swab.geometry import Bud

TAFEL = sf.Tafel(exchange=5.0, slope=0.03, equilibrium=-0.4, film_resistance=2e-5)
CAPPED = sf.ButlerVolmer(
    exchange=20.0, slope_anodic=0.025, slope_cathodic=0.06, limit=8e3, equilibrium=0.1
)
TIGHT = 1e-12
seeds = st.integers(0, 2**32 - 1)


@dataclass(frozen=True, eq=False)
class RandomCell:
    """A box of random electrolyte with holes and films, a plate below and a wire inside."""

    grid: sf.Grid
    conductivity: np.ndarray
    plate: np.ndarray
    wire: np.ndarray

    @classmethod
    def make(cls, seed: int) -> RandomCell:
        random = np.random.default_rng(seed)
        nz, ny, nx = random.integers(4, 11, 3)
        edges = [
            np.concatenate([[0.0], np.cumsum(random.uniform(0.5, 2.0, n))]) for n in (nx, ny, nz)
        ]
        grid = sf.Grid.box(*(1e-4 * axis for axis in edges))
        conductivity = np.exp(random.normal(1.0, 1.0, grid.shape))
        conductivity[random.random(grid.shape) < 0.25] = 0.0  # air
        conductivity[random.random(grid.shape) < 0.10] *= 1e-4  # films
        plate, wire = (np.zeros(grid.shape, dtype=bool) for _ in range(2))
        plate[0] = random.random((ny, nx)) < 0.6
        conductivity[0] = 0.0  # beside the plate is the mask
        wire[-2:, ny // 2, : nx // 2 + 1] = True
        plate[0, ny // 2, 0] = True
        conductivity[1:, ny // 2, 0] = 2.0  # a way through from plate to wire
        return cls(grid, conductivity, plate, wire)

    def solve(
        self,
        anode: Polarisation | None = TAFEL,
        cathode: Polarisation | None = CAPPED,
        voltage: float = 2.0,
        supply: sf.Supply | None = None,
    ) -> Field:
        electrodes = [
            sf.Electrode("plate", self.plate, 0.0 if supply else voltage, anode),
            sf.Electrode("wire", self.wire, 0.0, cathode),
        ]
        return sf.solve_potential(self.grid, self.conductivity, electrodes, supply, TIGHT)


def swab_cell(x: float, y: float, seed: int, *, step: float = 2.5e-4) -> RandomCell:
    """A tilted bud at x, y [m] over a mask with random square openings."""
    bud = Bud(
        diameter=4e-3,
        length=6e-3,
        press=0.4e-3,
        tilt=0.2,
        heading=0.5,
        wire_diameter=1.2e-3,
        wire_gap=1.5e-3,
        porosity=0.8,
    )
    side = np.arange(-16, 17) * step
    above = np.arange(0, 16) * step
    up = np.concatenate([[-2 * step, -step], above])
    body = body_fraction(bud, side - x, side - y, above)
    wire = wire_fraction(bud, side - x, side - y, above)
    grid = sf.Grid.box(side, side, up)
    random = np.random.default_rng(seed)
    open_blocks = np.kron(random.random((8, 8)) < 0.5, np.ones((4, 4))) > 0
    conductivity = np.zeros(grid.shape)
    conductivity[1] = 12.0 * open_blocks * (body[0] > 0)
    conductivity[2:] = 7.0 * body
    plate, metal = (np.zeros(grid.shape, dtype=bool) for _ in range(2))
    plate[0] = open_blocks
    metal[2:] = wire > 0.5
    return RandomCell(grid, conductivity, plate, metal)


def cells() -> st.SearchStrategy[RandomCell]:
    places = st.floats(-1e-3, 1e-3)
    return st.one_of(seeds.map(RandomCell.make), st.builds(swab_cell, places, places, seeds))


few = settings(max_examples=25)


# ------------------------------------------------------------------- conservation and circuit


@few
@given(cells())
def test_charge_in_is_charge_out(cell):
    field = cell.solve()
    into, out = field.currents["plate"], field.currents["wire"]
    assert into > 0.0
    assert into + out == pytest.approx(0.0, abs=1e-8 * into)


@few
@given(cells())
def test_currents_are_the_sums_over_the_faces(cell):
    field = cell.solve()
    for name, current in field.currents.items():
        faces = field.faces(name)
        assert float(faces.density @ faces.area) == pytest.approx(current, rel=1e-12)


@few
@given(cells(), st.floats(0.1, 1e4))
def test_the_circuit_closes(cell, resistance):
    supply = sf.Supply(9.0, resistance)
    field = cell.solve(supply=supply)
    current = field.currents["plate"]
    assert field.voltage + resistance * current == pytest.approx(supply.emf, rel=1e-9)
    assert current == pytest.approx(-field.currents["wire"], rel=1e-8)


@few
@given(cells(), st.floats(0.05, 0.9))
def test_a_current_limit_is_met_exactly_or_not_reached(cell, share):
    free = cell.solve(supply=sf.Supply(9.0, 1.0)).currents["plate"]
    held = cell.solve(supply=sf.Supply(9.0, 1.0, current_limit=share * free))
    assert held.currents["plate"] == pytest.approx(share * free, rel=1e-8)
    roomy = cell.solve(supply=sf.Supply(9.0, 1.0, current_limit=2.0 * free))
    assert roomy.currents["plate"] == pytest.approx(free, rel=1e-8)


@few
@given(cells())
def test_every_face_obeys_its_law_and_its_half_cell(cell):
    """U - phi = equilibrium + eta(i) + i (half cell / kappa), face by face."""
    from simulate.field.polarisation import overpotential

    field = cell.solve()
    faces = field.faces("plate")
    up = faces.axis == 0
    x, y, _ = cell.grid.centres
    column = np.searchsorted(y, faces.y[up] - 1e-9), np.searchsorted(x, faces.x[up] - 1e-9)
    phi = field.potential[1][column]
    half = 0.5 * np.diff(cell.grid.z)[1] / cell.conductivity[1][column]
    density = faces.density[up]
    drop = TAFEL.equilibrium + overpotential(TAFEL, density) + density * half
    assert 2.0 - phi == pytest.approx(drop, abs=2e-6)


@few
@given(cells())
def test_potentials_stay_between_those_of_the_electrodes(cell):
    field = cell.solve(anode=None, cathode=None)
    inside = field.potential[(cell.conductivity > 0) & ~cell.plate & ~cell.wire]
    assert inside.min() >= -1e-9
    assert inside.max() <= 2.0 + 1e-9


def heat(cell: RandomCell, field: Field) -> float:
    """sum of kappa |grad phi|^2 over the half cells between neighbours [W]."""
    metal = cell.plate | cell.wire
    sizes = [np.diff(edges) for edges in (cell.grid.z, cell.grid.y, cell.grid.x)]
    total = 0.0
    for axis in range(3):
        across = [n for n in range(3) if n != axis]
        area = np.multiply.outer(sizes[across[0]], sizes[across[1]])
        with np.errstate(divide="ignore"):
            resistivity = np.where(metal, 0.0, 1.0 / cell.conductivity)
        half = 0.5 * sizes[axis][:, None, None] * np.moveaxis(resistivity, axis, 0)
        between = half[1:] + half[:-1]
        drop = np.diff(np.moveaxis(field.potential, axis, 0), axis=0)
        flows = np.isfinite(between) & (between > 0)
        total += float((area * np.where(flows, drop**2 / np.where(flows, between, 1), 0)).sum())
    return total


@few
@given(seeds)
def test_heat_in_the_electrolyte_is_what_the_supply_gives(seed):
    cell = RandomCell.make(seed)
    field = cell.solve(anode=None, cathode=None)
    assert heat(cell, field) == pytest.approx(2.0 * field.currents["plate"], rel=1e-6)


# ---------------------------------------------------------------------------------- symmetry


def mirrored(cell: RandomCell, axis: int) -> RandomCell:
    edges = {2: cell.grid.x, 1: cell.grid.y, 0: cell.grid.z}
    edges[axis] = edges[axis][-1] + edges[axis][0] - edges[axis][::-1]
    flip = (
        np.ascontiguousarray(np.flip(a, axis)) for a in (cell.conductivity, cell.plate, cell.wire)
    )
    return RandomCell(sf.Grid.box(edges[2], edges[1], edges[0]), *flip)


@few
@given(cells(), st.sampled_from([0, 1, 2]))
def test_a_mirrored_cell_has_the_mirrored_field(cell, axis):
    field, mirror = cell.solve(), mirrored(cell, axis).solve()
    assert mirror.currents["plate"] == pytest.approx(field.currents["plate"], rel=1e-8)
    both = np.flip(mirror.potential, axis)
    assert np.array_equal(np.isnan(both), np.isnan(field.potential))
    connected = np.abs(field.potential) > 0
    assert both[connected] == pytest.approx(field.potential[connected], abs=2e-7)


@few
@given(cells())
def test_a_cell_turned_on_its_side_passes_the_same_current(cell):
    grid = cell.grid
    turned = (
        np.ascontiguousarray(a.transpose(2, 0, 1))
        for a in (cell.conductivity, cell.plate, cell.wire)
    )
    on_its_side = RandomCell(sf.Grid.box(grid.y, grid.z, grid.x), *turned)
    assert on_its_side.solve().currents["plate"] == pytest.approx(
        cell.solve().currents["plate"], rel=1e-6
    )


@few
@given(cells())
def test_the_same_input_gives_the_same_bits(cell):
    one, two = cell.solve(), cell.solve()
    assert one.currents == two.currents
    assert np.array_equal(one.potential, two.potential, equal_nan=True)


@few
@given(seeds)
def test_what_one_electrode_feels_of_another_is_mutual(seed):
    """Current into B by a volt on A = current into A by a volt on B (reciprocity)."""
    cell = RandomCell.make(seed)
    half = cell.grid.shape[2] // 2
    parts = {"left": cell.plate.copy(), "right": cell.plate.copy(), "wire": cell.wire}
    parts["left"][:, :, half:] = False
    parts["right"][:, :, :half] = False

    def transfer(live: str, felt: str) -> float:
        electrodes = [sf.Electrode(name, part, float(name == live)) for name, part in parts.items()]
        return sf.solve_potential(
            cell.grid, cell.conductivity, electrodes, tolerance=TIGHT
        ).currents[felt]

    largest = transfer("wire", "wire")
    for one, other in (("left", "right"), ("right", "wire"), ("wire", "left")):
        assert transfer(one, other) == pytest.approx(transfer(other, one), abs=1e-8 * largest)


# ----------------------------------------------------------------------------------- scaling


@few
@given(cells(), st.floats(0.01, 100.0))
def test_current_is_proportional_to_conductivity_between_ideal_electrodes(cell, factor):
    more = replace(cell, conductivity=cell.conductivity * factor)
    one, two = (c.solve(None, None).currents["plate"] for c in (cell, more))
    assert two == pytest.approx(factor * one, rel=1e-6)


@few
@given(cells(), st.floats(0.01, 100.0))
def test_current_is_proportional_to_length_between_ideal_electrodes(cell, factor):
    grid = cell.grid
    larger = replace(cell, grid=sf.Grid.box(grid.x * factor, grid.y * factor, grid.z * factor))
    one, two = (c.solve(None, None).currents["plate"] for c in (cell, larger))
    assert two == pytest.approx(factor * one, rel=1e-6)


@few
@given(cells(), st.floats(0.1, 10.0))
def test_conductivity_and_kinetics_together_scale_the_current(cell, factor):
    """kappa, exchange and limit times s, film resistance over s: the same potentials, s I."""
    faster = replace(
        TAFEL, exchange=TAFEL.exchange * factor, film_resistance=TAFEL.film_resistance / factor
    )
    capped = replace(CAPPED, exchange=CAPPED.exchange * factor, limit=CAPPED.limit * factor)
    more = replace(cell, conductivity=cell.conductivity * factor)
    one, two = cell.solve(), more.solve(faster, capped)
    assert two.currents["plate"] == pytest.approx(factor * one.currents["plate"], rel=2e-6)
    wet = np.isfinite(one.potential) & (np.abs(one.potential) > 0)
    assert two.potential[wet] == pytest.approx(one.potential[wet], abs=1e-5)


@few
@given(cells(), st.floats(0.1, 10.0))
def test_length_and_conductivity_together_scale_the_current_by_area(cell, factor):
    """Lengths and kappa times s: the same density everywhere, s^2 I, whatever the laws."""
    grid = cell.grid
    larger = RandomCell(
        sf.Grid.box(grid.x * factor, grid.y * factor, grid.z * factor),
        cell.conductivity * factor,
        cell.plate,
        cell.wire,
    )
    one, two = (c.solve().currents["plate"] for c in (cell, larger))
    assert two == pytest.approx(factor**2 * one, rel=2e-6)


@few
@given(cells(), st.floats(0.2, 5.0))
def test_all_voltages_and_resistances_together_leave_the_current(cell, factor):
    """Voltages, slopes and film times s, kappa over s: the same current."""
    anode = replace(
        TAFEL,
        slope=TAFEL.slope * factor,
        equilibrium=TAFEL.equilibrium * factor,
        film_resistance=TAFEL.film_resistance * factor,
    )
    cathode = replace(
        CAPPED,
        slope_anodic=CAPPED.slope_anodic * factor,
        slope_cathodic=CAPPED.slope_cathodic * factor,
        equilibrium=CAPPED.equilibrium * factor,
    )
    thinner = replace(cell, conductivity=cell.conductivity / factor)
    one = cell.solve().currents["plate"]
    two = thinner.solve(anode, cathode, 2.0 * factor).currents["plate"]
    assert two == pytest.approx(one, rel=2e-6)


@few
@given(cells(), st.floats(-3.0, -0.1), st.floats(0.1, 5.0))
def test_ideal_electrodes_superpose(cell, first, second):
    currents = [
        cell.solve(None, None, v).currents["plate"] for v in (first, second, first + second)
    ]
    assert currents[2] == pytest.approx(
        currents[0] + currents[1], abs=1e-8 * max(map(abs, currents))
    )


@few
@given(cells(), st.floats(0.2, 4.0), st.floats(0.01, 1.0))
def test_more_voltage_never_passes_less_current(cell, voltage, more):
    one, two = (cell.solve(voltage=v).currents["plate"] for v in (voltage, voltage + more))
    assert two >= one * (1 - 1e-9)


@few
@given(cells(), seeds)
def test_more_conduction_anywhere_never_passes_less_current(cell, seed):
    """Rayleigh's monotonicity law, also with kinetics."""
    random = np.random.default_rng(seed)
    gain = np.where(random.random(cell.grid.shape) < 0.2, random.uniform(1.0, 9.0), 1.0)
    better = replace(cell, conductivity=cell.conductivity * gain)
    one, two = (c.solve().currents["plate"] for c in (cell, better))
    assert two >= one * (1 - 1e-9)


@few
@given(cells(), seeds)
def test_masking_more_of_the_plate_never_passes_more_current(cell, seed):
    random = np.random.default_rng(seed)
    keep = random.random(cell.plate.shape[1:]) < 0.7
    fewer = replace(cell, plate=cell.plate & keep)
    if fewer.plate.any():
        one, two = (c.solve().currents["plate"] for c in (cell, fewer))
        assert two <= one * (1 + 1e-9)


# ------------------------------------------------------------------------------- a whole etch

CASE = """
title = "Two openings"
[plate]
metal = "stainless_304"
width = "8 mm"
height = "6 mm"
[electrolyte]
vinegar = "50 mL"
salt = "4 g"
[supply]
emf = "9 V"
resistance = "1.7 ohm"
[stencil]
thickness = "0.2 mm"
[[stencil.shapes]]
kind = "rectangle"
x = "{rectangle} mm"
y = "3 mm"
width = "2 mm"
height = "3 mm"
[[stencil.shapes]]
kind = "circle"
x = "{circle} mm"
y = "3.6 mm"
diameter = "1.2 mm"
[swab]
form = "bud"
diameter = "4 mm"
length = "7 mm"
press = "0.5 mm"
tilt = "20 deg"
heading = "{heading} deg"
wire_diameter = "1 mm"
wire_gap = "1.5 mm"
[stroke]
pattern = "path"
points = [["{start} mm", "3 mm"], ["{end} mm", "3.5 mm"]]
speed = "2 mm/s"
passes = 2
[grid]
cell = "0.25 mm"
"""
RIGHT = {"rectangle": 3.0, "circle": 5.5, "heading": 30, "start": 3.0, "end": 5.0}
LEFT = {"rectangle": 5.0, "circle": 2.5, "heading": 150, "start": 5.0, "end": 3.0}


def etched(places: dict[str, float]) -> sf.Result:
    return sf.etch_case(sf.parse_case(CASE.format(**places)), workers=1)


def test_removed_volume_is_faradays():
    from simulate.constants import FARADAY

    result = etched(RIGHT)
    metal = result.case.metal
    area = np.outer(np.diff(result.y_edges), np.diff(result.x_edges)) * result.open_fraction
    mass = float((result.depth * area).sum()) * metal.density.value
    charge = float(result.current @ result.dwell)
    moles = metal.efficiency.value * charge / FARADAY
    assert charge > 0.0
    assert mass == pytest.approx(moles * metal.equivalent_weight, rel=1e-9)
    passed = float((result.charge_density * area).sum())
    assert passed == pytest.approx(charge, rel=1e-9)


def test_a_mirrored_case_leaves_the_mirrored_depth():
    result, mirror = etched(RIGHT), etched(LEFT)
    assert mirror.current == pytest.approx(result.current, rel=1e-3)
    deepest = result.depth.max()
    assert mirror.depth[:, ::-1] == pytest.approx(result.depth, abs=0.01 * deepest)


def test_the_supply_and_the_etch_tell_of_the_same_current():
    result = etched(RIGHT)
    supply = result.case.supply.after()
    assert supply.emf == 9.0
    assert supply.resistance >= 1.7  # and the leads
    closed = result.voltage + supply.resistance * result.current
    assert closed == pytest.approx(supply.emf, rel=1e-9)
