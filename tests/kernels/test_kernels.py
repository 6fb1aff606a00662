"""The compiled loops are plain Python that happens to be compiled: both give the same numbers.

Each scenario goes through the public functions that call the kernels, on a few hundred cells. It
runs compiled here and uncompiled in a second interpreter.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from places import ROOT

import simulate as sf
from simulate.stencil.measure import area_fractions, local_width, rim_distance
from simulate.stencil.shapes import Circle, Rectangle, Stencil, openings
from simulate.swab.cell_fractions import body_fraction, skirt_fraction, wire_fraction
from simulate.swab.geometry import Bud


def openings_on_cells() -> dict[str, np.ndarray]:
    """A disc and a turned bar on cells they do not fit."""
    bar = Rectangle(3.1e-3, 1e-3, 2e-3, 0.7e-3, angle=0.4)
    area = openings(Stencil(2e-4, (Circle(1.2e-3, 1e-3, 1.3e-3), bar)))
    x, y = np.linspace(0, 4.5e-3, 24), np.linspace(0, 2e-3, 12)
    places = 0.5 * (x[1:] + x[:-1]), 0.5 * (y[1:] + y[:-1])
    return {
        "share": area_fractions(area, x, y),
        "rim": rim_distance(area, *places),
        "width": local_width(area, *places),
    }


def swab_on_cells() -> dict[str, np.ndarray]:
    """A tilted bud with a skirt."""
    bud = Bud(
        diameter=5e-3,
        length=9e-3,
        press=8e-4,
        tilt=0.15,
        heading=0.5,
        wire_diameter=1e-3,
        wire_gap=3e-3,
        porosity=0.86,
        skirt_width=5e-4,
        skirt_thickness=2e-4,
    )
    x, y, z = np.linspace(-6e-3, 6e-3, 10), np.linspace(-6e-3, 6e-3, 9), np.linspace(0, 6e-3, 7)
    return {
        "body": body_fraction(bud, x, y, z),
        "wire": wire_fraction(bud, x, y, z),
        "skirt": skirt_fraction(bud, x, y, z),
    }


def field_with_kinetics() -> dict[str, np.ndarray]:
    """A masked anode, a cathode with kinetics, air, and a supply."""
    grid = sf.Grid.box(*(np.linspace(0, size, n) for size, n in ((4e-3, 9), (3e-3, 7), (2e-3, 8))))
    conductivity = np.full(grid.shape, 12.0)
    conductivity[1, :, 4:] = 0.0
    conductivity[4:, 4:, :] = 0.0
    plate, wire = np.zeros(grid.shape, bool), np.zeros(grid.shape, bool)
    plate[0], wire[6, 1:3, 2:6] = True, True
    anode = sf.Electrode("plate", plate, 0.0, sf.Tafel(0.3, 0.026, film_resistance=1e-5, limit=2e4))
    cathode = sf.Electrode("wire", wire, 0.0, sf.ButlerVolmer(1e-3, 0.052, 0.052))
    field = sf.solve_potential(grid, conductivity, [anode, cathode], sf.Supply(9.0, 100.0))
    return {
        "potential": field.potential,
        "density": field.faces("plate").density,
        "current": np.array([field.currents["plate"], field.currents["wire"]]),
    }


def march_of_a_swab() -> dict[str, np.ndarray]:
    """A made-up swab held, boiling, dipped, on a battery that is spent on the way."""
    from small_marches import held, marched, rig, rule

    made = rig(rule=rule(charge=14.0, pause=2.0), used=0.88)
    track = marched(made, 5.0, held(60.0))
    return {"record": track.record, "state": track.middle, "book": track.end.ledger}


SCENARIOS = {
    scenario.__name__: scenario
    for scenario in (openings_on_cells, swab_on_cells, field_with_kinetics, march_of_a_swab)
}


@pytest.fixture(scope="module")
def plain(tmp_path_factory) -> dict[str, np.ndarray]:
    """What every scenario gives without compilation."""
    file = tmp_path_factory.mktemp("plain") / "plain.npz"
    subprocess.run(
        [sys.executable, "-W", "error", __file__, str(file)],
        env=os.environ
        | {
            "NUMBA_DISABLE_JIT": "1",
            "PYTHONPATH": os.pathsep.join((str(ROOT), str(ROOT / "tests"))),
        },
        check=True,
    )
    with np.load(file) as arrays:
        return dict(arrays)


@pytest.mark.parametrize("name", SCENARIOS)
def test_a_loop_gives_the_same_numbers_compiled_and_as_plain_python(plain, name):
    for key, compiled in SCENARIOS[name]().items():
        assert np.ptp(compiled[np.isfinite(compiled)]) > 0, f"{key} shows nothing"
        scale = np.nanmax(np.abs(compiled))
        # Sums may be taken in another order: round-off, but for the field its tolerance, 1e-10.
        np.testing.assert_allclose(
            plain[f"{name}.{key}"], compiled, rtol=1e-8, atol=1e-9 * scale, equal_nan=True
        )


if __name__ == "__main__":
    import numba

    assert numba.config.DISABLE_JIT
    found = {
        f"{name}.{key}": array
        for name, scenario in SCENARIOS.items()
        for key, array in scenario().items()
    }
    np.savez(Path(sys.argv[1]), **found)
