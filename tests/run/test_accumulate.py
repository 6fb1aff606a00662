"""The tally: charge by nodes, peaks, samples, and the stroke of a third of the stops."""

from __future__ import annotations

import numpy as np
import pytest

from simulate.field.supply import Supply
from simulate.kernels import swab_balance as balance
from simulate.kernels import time_march as kernel
from simulate.run.accumulate import Tally, charge_map, peak_map, stop_density, thinned
from simulate.run.local_solve import Spot, StopField
from simulate.run.response_table import LEVELS, Responses
from simulate.run.time_march import Condition, Track
from simulate.run.window import Place
from simulate.swab.stops import make_stops
from simulate.swab.stroke import Hatch, Hold

SHAPE = (3, 4)
RANDOM = np.random.default_rng(29)


def node(cells, total=1.0):
    share = RANDOM.uniform(0.5, 1.5, len(cells))
    area = RANDOM.uniform(1e-8, 4e-8, len(cells))
    return StopField(total, 5.0, 0.1, 2.0, np.array(cells), area, share / share.sum())


def made_up():
    """Two spots of three cells each, one cell in common, three nodes at either."""
    found = Responses([Spot(Place((0, 0), (0, n))) for n in range(2)], Supply(9.0), 0.08)
    for spot, cells in enumerate(([0, 1, 5], [5, 6, 7])):
        first = node(cells)
        for level in (10, 18, 26):
            twin = node(cells)
            twin = StopField(1.0, 5.0, 0.1, 2.0, first.cells, first.area, twin.share)
            found.add(spot, level, twin)
    return found


def track(stops=40):
    record = np.zeros((stops, kernel.RECORD_SIZE))
    record[:, kernel.OUT_CURRENT] = RANDOM.uniform(0.1, 1.0, stops)
    lower = RANDOM.integers(0, 2, stops)
    record[:, kernel.OUT_SHARE] = RANDOM.uniform(0.0, 1.0, stops)
    nodes = np.stack([10 + 8 * lower, 18 + 8 * lower], axis=1)
    nothing = Condition(np.zeros(balance.STATE_SIZE), np.zeros(balance.LEDGER_SIZE), np.zeros(5))
    return Track(
        spot=RANDOM.integers(0, 2, stops),
        dwell=RANDOM.uniform(0.05, 0.2, stops),
        record=record,
        middle=np.zeros((stops, balance.STATE_SIZE)),
        nodes=nodes,
        rewet=np.zeros(stops, bool),
        end=nothing,
    )


def by_hand(responses, found, times=None):
    """Stop after stop."""
    charge = np.zeros(np.prod(SHAPE))
    for n in range(found.spot.size):
        cells, density = stop_density(responses, found, n)
        area = responses.nodes[int(found.spot[n]), int(found.nodes[n, 0])].area
        charge[cells] += density * area * found.dwell[n] * (1.0 if times is None else times[n])
    return charge.reshape(SHAPE)


def test_charge_by_nodes_is_charge_stop_by_stop():
    responses, found = made_up(), track()
    times = RANDOM.integers(0, 3, found.spot.size).astype(float)
    for weights in (None, times):
        charge = charge_map(responses, found, SHAPE, weights)
        assert charge == pytest.approx(by_hand(responses, found, weights), rel=1e-12)
    assert charge_map(responses, found, SHAPE).sum() == pytest.approx(
        (found.current * found.dwell).sum(), rel=1e-13
    )


def test_a_stop_without_nodes_leaves_nothing():
    responses, found = made_up(), track(1)
    found.nodes[:] = -1
    assert not charge_map(responses, found, SHAPE).any()
    assert not peak_map(responses, found, SHAPE).any()
    cells, density = stop_density(responses, found, 0)
    assert cells.size == density.size == 0


def test_the_peak_is_that_of_the_stop_with_the_highest_current_of_its_nodes():
    responses, found = made_up(), track()
    peak = peak_map(responses, found, SHAPE).ravel()
    every = np.zeros(np.prod(SHAPE))
    for n in range(found.spot.size):
        cells, density = stop_density(responses, found, n)
        every[cells] = np.maximum(every[cells], density)
    assert (peak <= every * (1 + 1e-12)).all()
    assert peak == pytest.approx(every, rel=0.35)
    for stop in [int(np.argmax(found.current))]:
        cells, density = stop_density(responses, found, stop)
        assert (peak[cells] >= density * (1 - 1e-12)).all()


def test_a_tally_of_pieces_is_that_of_the_whole():
    responses, found = made_up(), track()
    samples, times = np.array([0, 7, 19, 39]), np.ones(40)
    whole, pieces = (Tally(SHAPE, samples, times) for _ in range(2))
    whole.add(responses, found)
    for part in (slice(0, 15), slice(15, 40)):
        pieces.add(responses, cut(found, part))
    for name, least in (("charge", 1e-12), ("coarse", 1e-12), ("peak", 0.1)):
        assert getattr(pieces, name) == pytest.approx(getattr(whole, name), rel=least)
    assert np.array(pieces.kept) == pytest.approx(np.array(whole.kept))
    assert np.array(pieces.charges) == pytest.approx(np.array(whole.charges), rel=1e-12)
    assert pieces.stops == whole.stops == 40


def cut(found, part):
    names = ("spot", "dwell", "record", "middle", "nodes", "rewet")
    return Track(**{name: getattr(found, name)[part] for name in names}, end=found.end)


def test_the_charge_at_a_sample_is_that_of_the_stops_up_to_its_end():
    responses, found = made_up(), track()
    tally = Tally(SHAPE, np.array([4, 39]), np.ones(40))
    tally.add(responses, found)
    assert tally.charges[0] == pytest.approx(by_hand(responses, cut(found, slice(0, 5))), rel=1e-12)
    assert tally.charges[1] == pytest.approx(tally.charge, rel=1e-12)


# ------------------------------------------------------------------------- a third of the stops


@pytest.mark.parametrize("passes", [1, 2, 5])
def test_a_third_of_the_stops_last_as_long_as_all(passes):
    hatch = Hatch(0.0, 0.0, 9e-3, 2e-3, 1e-3, 4e-3, passes=passes)
    stops = make_stops(hatch, 1e-3)
    times = thinned(stops, numbers(stops))
    assert set(times.tolist()) == {0.0, 3.0}
    assert (times * stops.dwell).sum() == pytest.approx(stops.dwell.sum(), rel=1e-12)


def numbers(stops):
    """Number of the place of each stop, by first visit."""
    rank: dict = {}
    return np.array([rank.setdefault(xy, len(rank)) for xy in zip(stops.x, stops.y, strict=True)])


def test_to_and_fro_the_same_places_stay():
    stops = make_stops(Hatch(0.0, 0.0, 8e-3, 0.0, 1e-3, 4e-3, passes=2), 1e-3)
    times = thinned(stops, numbers(stops))
    there, back = np.split(times, 2)
    assert (there == back[::-1]).all()
    assert 1.0 in there  # eight stops: two are left over


def test_rests_and_short_lines_stay_as_they_are():
    rest = make_stops(Hold(0.0, 0.0, 5.0), 1e-3, longest_dwell=0.5)
    short = make_stops(Hatch(0.0, 0.0, 2e-3, 0.0, 1e-3, 4e-3), 1e-3)
    for stops in (rest, short):
        assert (thinned(stops, numbers(stops)) == 1.0).all()


def test_the_error_of_spacing_is_none_where_the_thinned_stroke_does_the_same():
    responses, found = made_up(), track()
    tally = Tally(SHAPE, np.zeros(0, int), np.ones(40))
    tally.add(responses, found)
    assert tally.spacing_error(np.ones(SHAPE)) == 0.0
    assert Tally(SHAPE, np.zeros(0, int), np.ones(0)).spacing_error(np.ones(SHAPE)) == 0.0
    assert LEVELS > 26
