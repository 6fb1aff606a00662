"""Plane cells: Ohm's law, Tafel and Butler-Volmer between plates.

Sources: Ohm's law; Corless et al., Adv. Comput. Math. 5 (1996) 329 (Lambert's W; from memory);
Bard & Faulkner, Electrochemical Methods, 2nd ed. 2001, ch. 3 (from memory).
"""

from __future__ import annotations

import numpy as np
import pytest
from cells import REFERENCE

import simulate as sf
from simulate.exact.planar import (
    butler_volmer_overpotential,
    planar_butler_volmer,
    planar_tafel_density,
)
from simulate.field.polarisation import Polarisation
from simulate.field.potential import Field

PLANAR = REFERENCE["planar"]
VOLTAGE, GAP, CONDUCTIVITY = PLANAR["voltage"], PLANAR["gap"], PLANAR["conductivity"]


def between_plates(
    anode: Polarisation | None = None,
    cathode: Polarisation | None = None,
    voltage: float = VOLTAGE,
    supply: sf.Supply | None = None,
) -> Field:
    """A cubic cell of the table's gap; anode below, cathode above."""
    across, up = np.linspace(0.0, GAP, 5), np.linspace(-GAP / 8, 9 * GAP / 8, 11)
    grid = sf.Grid.box(across, across, up)
    cells = np.zeros((2, *grid.shape), dtype=bool)
    cells[0, 0] = cells[1, -1] = True
    electrodes = [
        sf.Electrode("anode", cells[0], voltage, anode),
        sf.Electrode("cathode", cells[1], 0.0, cathode),
    ]
    return sf.solve_potential(grid, np.full(grid.shape, CONDUCTIVITY), electrodes, supply)


def density(field: Field) -> float:
    return field.currents["anode"] / GAP**2


def test_ideal_plates_obey_ohms_law():
    assert density(between_plates()) == pytest.approx(VOLTAGE * CONDUCTIVITY / GAP, rel=1e-7)


def test_linear_polarisation_at_both_plates_gives_the_table():
    linear = PLANAR["linear"]
    found = between_plates(sf.Linear(linear["anode"]), sf.Linear(linear["cathode"]))
    assert density(found) == pytest.approx(linear["density"], rel=1e-7)


def test_tafel_between_plates_gives_lambert_w():
    tafel = PLANAR["tafel"]
    found = between_plates(sf.Tafel(tafel["exchange"], tafel["slope"]))
    assert density(found) == pytest.approx(tafel["density"], rel=1e-7)


@pytest.mark.parametrize("voltage", [0.3, 1.0, 5.0, 40.0])
@pytest.mark.parametrize("exchange", [1e-6, 1e-2])
def test_tafel_between_plates_follows_lambert_w_over_the_whole_range(voltage, exchange):
    slope = 0.026
    exact = planar_tafel_density(voltage, GAP, CONDUCTIVITY, exchange=exchange, slope=slope)
    found = density(between_plates(sf.Tafel(exchange, slope), voltage=voltage))
    assert found == pytest.approx(exact, rel=1e-7 + (exchange / exact) ** 2)


def test_butler_volmer_at_both_plates_gives_the_table():
    table = PLANAR["butler_volmer"]
    slope = 8.314462618 * table["temperature"] / 96485.33212 / table["transfer"]
    found = between_plates(
        sf.ButlerVolmer(table["exchange_anode"], slope, slope),
        sf.ButlerVolmer(table["exchange_cathode"], slope, slope),
    )
    assert density(found) == pytest.approx(table["density"], rel=1e-7)
    drop = table["density"] * GAP / 16 / CONDUCTIVITY  # half a cell
    top = found.potential[1, 0, 0]
    assert VOLTAGE - top - drop == pytest.approx(table["anode_overpotential"], rel=1e-6)
    bottom = found.potential[-2, 0, 0]
    assert drop - bottom == pytest.approx(table["cathode_overpotential"], rel=1e-6)


@pytest.mark.parametrize(("anodic", "cathodic"), [(0.02, 0.12), (0.15, 0.03)])
def test_unequal_slopes_give_the_bracketed_root(anodic, cathodic):
    anode, cathode = (3.0, anodic, cathodic), (0.5, 0.05, cathodic)
    exact = planar_butler_volmer(VOLTAGE, GAP, CONDUCTIVITY, anode=anode, cathode=cathode)
    found = between_plates(sf.ButlerVolmer(*anode), sf.ButlerVolmer(*cathode))
    assert density(found) == pytest.approx(exact.density, rel=1e-7)


def test_equilibrium_potentials_and_films_shift_and_load_the_cell():
    law = {"exchange": 2.0, "slope_anodic": 0.04, "slope_cathodic": 0.07}
    film, rest = 1e-4, -0.44
    found = density(between_plates(sf.ButlerVolmer(**law, equilibrium=rest, film_resistance=film)))
    eta = butler_volmer_overpotential(found, *law.values())
    assert rest + eta + found * (film + GAP / CONDUCTIVITY) == pytest.approx(VOLTAGE, rel=1e-7)


def test_layers_in_series_give_the_table():
    table = REFERENCE["layers"]
    up = np.concatenate(
        [[-1e-4], np.linspace(0.0, 1e-3, 6), np.linspace(1e-3, 5e-3, 7)[1:], [5.2e-3]]
    )
    grid = sf.Grid.box([0.0, 1.0, 2.0], [0.0, 1.0], up)
    kappa = np.empty(grid.shape)
    kappa[:6], kappa[6:] = table["conductivity"]
    cells = np.zeros((2, *grid.shape), dtype=bool)
    cells[0, 0] = cells[1, -1] = True
    found = sf.solve_potential(
        grid,
        kappa,
        [sf.Electrode("anode", cells[0], 1.0), sf.Electrode("cathode", cells[1], 0.0)],
    )
    assert found.currents["anode"] / 2.0 == pytest.approx(table["density"], rel=1e-7)
    drop = 0.5 * np.diff(up)[5] * table["density"] / table["conductivity"][0]
    interface = found.potential[5, 0, 0] - drop
    assert interface == pytest.approx(table["potential"][1], rel=1e-7)


def test_the_supply_is_one_more_layer_in_series():
    area, emf, resistance = GAP**2, 9.0, 1.7
    found = between_plates(voltage=0.0, supply=sf.Supply(emf, resistance))
    total = resistance + GAP / CONDUCTIVITY / area
    assert found.currents["anode"] == pytest.approx(emf / total, rel=1e-7)
    assert found.voltage == pytest.approx(emf - resistance * emf / total, rel=1e-7)
