"""The electrode faces as the field's solver sees them."""

import numpy as np
import pytest

from simulate.field.electrode_boundary import SATURATION, Terminals
from simulate.field.grid import Grid
from simulate.field.network import build_network
from simulate.field.newton import solve_network
from simulate.field.polarisation import ButlerVolmer, Linear, Tafel, law_row

LIMIT = 2e4
KAPPA = 3.0
LIMITED = [
    Tafel(0.3, 0.026, equilibrium=-0.4, film_resistance=1e-5, limit=LIMIT),
    Tafel(0.3, 0.026, limit=LIMIT, sharpness=2.0),
    ButlerVolmer(1.0, 0.03, 0.06, limit=LIMIT),
]


def _network(opening):
    """A plate under a mask 2 cells thick with an ``opening`` (ny, nx), liquid, and a cathode."""
    z = np.arange(10.0) * 5e-5
    plan = np.arange(17.0) * 1e-4
    grid = Grid.box(plan, plan, z)
    kappa = np.full(grid.shape, KAPPA)
    kappa[1:3] = KAPPA * opening
    label = np.zeros(grid.shape, np.int8)
    label[0], label[-1] = 1, 2
    return build_network(grid, kappa, label, np.zeros(2))


def _walls(law, potential):
    network = _network(np.ones((16, 16)))
    faces = network.faces
    faces.offset[faces.electrode == 0] = -law.equilibrium
    walls = Terminals(faces, np.array([law_row(law), law_row(None)]), None, np.zeros(512))
    return walls, np.full(network.tx.size, potential), faces.electrode == 0


@pytest.mark.parametrize(("law", "sign"), [*((law, 1.0) for law in LIMITED), (LIMITED[2], -1.0)])
def test_faces_start_at_most_at_a_given_share_of_their_limit(law, sign):
    walls, phi, plate = _walls(law, -20.0 * sign)
    walls.start_below_limits(phi)
    walls.meet(phi, np.zeros(phi.size, np.float32), 0.0)
    share = sign * walls.out[0, plate] / walls.faces.area[plate] / LIMIT
    assert share == pytest.approx(SATURATION, rel=2e-3)  # the other branch is left out
    assert walls.saturation() == pytest.approx(SATURATION, rel=2e-3)


def test_faces_below_that_share_and_those_without_a_limit_are_left_alone():
    far = -20.0
    for law, potential in (
        (LIMITED[0], 0.2), (LIMITED[0], 20.0), (Tafel(0.3, 0.026), far), (Linear(1e-4), far),
    ):  # fmt: skip
        walls, phi, _ = _walls(law, potential)
        walls.start_below_limits(phi)
        assert (phi == potential).all()


def test_openings_that_are_new_under_the_swab_cost_few_steps():
    """From the closed mask's potentials they would start at their limit, where they do not stay."""
    laws = np.array([law_row(LIMITED[0]), law_row(None)])
    first, second = np.zeros((2, 16, 16))
    first[4:12, 2:4] = 1.0
    second[4:12, 2:4] = second[3:13, 9:13] = 1.0

    def go(opening, start):
        network = _network(opening)
        faces = network.faces
        faces.offset[faces.electrode == 0] = 1.5
        return solve_network(network, laws, tolerance=1e-5, start=start)

    before = go(first, None)
    after = go(second, before)
    assert before.saturation < SATURATION
    assert after.newton_steps <= 3  # 4 without
    np.testing.assert_allclose(
        after.current, go(second, None).current, atol=1e-4 * after.current.max()
    )


def test_the_same_openings_start_from_the_answer_even_at_their_limit():
    """Half of them are at the limit, half far below it."""
    laws = np.array([law_row(LIMITED[0]), law_row(None)])
    network = _network(np.ones((16, 16)))
    plate = network.faces.electrode == 0
    network.faces.offset[plate] = np.where(network.faces.where[plate, 2] < 8, 9.0, 0.0)
    found = solve_network(network, laws, tolerance=1e-5)
    assert 0.3 < found.saturation < SATURATION
    again = solve_network(network, laws, tolerance=1e-5, start=found)
    assert again.newton_steps == 0
