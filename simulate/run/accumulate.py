"""The tally: what the stops of a march leave on the plate.

Maps are never added stop by stop: the charge of all stops that use a node is summed first, and the
node's map is weighted with it.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from simulate.run.response_table import LEVELS, Responses
from simulate.run.time_march import Track
from simulate.swab.stops import Stops

Doubles = NDArray[np.float64]
Integers = NDArray[np.int64]


def charge_map(
    responses: Responses, track: Track, shape: tuple[int, ...], times: Doubles | None = None
) -> Doubles:
    """Charge passed by each cell of the plate during a march [C], of a shape (ny, nx).

    times : how often each stop counts, 0 for not at all; once if None.
    """
    charge = np.zeros(int(np.prod(shape)))
    passed = track.current * track.dwell if times is None else track.current * track.dwell * times
    keys, weights = _by_node(track, passed)
    for key, weight in zip(keys, weights, strict=True):
        node = responses.nodes[int(key) // LEVELS, int(key) % LEVELS]
        charge[node.cells] += weight * node.share
    return charge.reshape(shape)


def _by_node(track: Track, passed: Doubles) -> tuple[Integers, Doubles]:
    """Nodes used, as spot * LEVELS + level, and the sum of what each passed."""
    shares = np.stack([1.0 - track.share, track.share], axis=1) * passed[:, None]
    keys = track.spot[:, None] * LEVELS + track.nodes
    used = (track.nodes >= 0) & (shares != 0.0)
    nodes, where = np.unique(keys[used].astype(np.int64), return_inverse=True)
    return nodes, np.asarray(np.bincount(where, weights=shares[used]))


def peak_map(responses: Responses, track: Track, shape: tuple[int, ...]) -> Doubles:
    """Highest current density of any stop at each cell [A/m2].

    Of the stops that use the same two nodes the one with the highest current stands for all.
    """
    peak = np.zeros(int(np.prod(shape)))
    order = np.argsort(track.current, kind="stable")
    keys = np.stack([track.spot, track.nodes[:, 0], track.nodes[:, 1]], axis=1)[order[::-1]]
    _, first = np.unique(keys, axis=0, return_index=True)
    for stop in order[::-1][first]:
        cells, density = stop_density(responses, track, int(stop))
        peak[cells] = np.maximum(peak[cells], density)
    return peak.reshape(shape)


def stop_density(responses: Responses, track: Track, stop: int) -> tuple[Integers, Doubles]:
    """Cells that pass current at a stop, flattened, and their current density [A/m2]."""
    spot, (lower, upper) = int(track.spot[stop]), map(int, track.nodes[stop])
    if lower < 0:
        return np.zeros(0, np.int64), np.zeros(0)
    low, high = responses.nodes[spot, lower], responses.nodes[spot, upper]
    if low.total == 0.0 or high.total == 0.0:
        low = high = max(low, high, key=lambda node: node.total)
    mix = float(track.share[stop])
    share = (1.0 - mix) * low.share + mix * high.share
    return low.cells, track.current[stop] * share / low.area


def thinned(stops: Stops, place: Integers) -> Doubles:
    """How often each stop counts when three neighbours of a stroke are joined into the middle one.

    Strokes run over the same places to and fro; both ways the same places stay. What is left over
    at the end of a line counts once.

    place : number of the place of each stop, by first visit.
    """
    times = np.ones(len(stops))
    breaks = np.flatnonzero(
        (np.diff(stops.moving.astype(int)) != 0)
        | (np.diff(stops.pass_index) != 0)
        | (np.abs(np.diff(stops.dwell)) > 1e-9 * stops.dwell[:-1])
    )
    for leg in np.split(np.arange(len(stops)), breaks + 1):
        if not stops.moving[leg[0]] or leg.size < 3:
            continue
        onward = leg if place[leg[0]] <= place[leg[-1]] else leg[::-1]
        whole = onward[: onward.size // 3 * 3].reshape(-1, 3)
        times[whole] = (0.0, 3.0, 0.0)
    return times


@dataclass(eq=False)
class Tally:
    """What a run has left so far.

    Parameters
    ----------
    shape : of the plate's map (ny, nx).
    samples : stops whose map of current density is kept, increasing.
    times : how often stops count in a stroke of a third of the stops, see `thinned`.
    charge, coarse : charge of each cell, and that of the coarser stroke [C].
    peak : highest current density of each cell [A/m2].
    kept, charges : maps of current density [A/m2] at the samples, and of the charge passed until
        their end [C], as far as the run has come.
    stops : how many are done.
    """

    shape: tuple[int, int]
    samples: Integers
    times: Doubles
    charge: Doubles = field(init=False)
    coarse: Doubles = field(init=False)
    peak: Doubles = field(init=False)
    kept: list[NDArray[np.float32]] = field(default_factory=list)
    charges: list[Doubles] = field(default_factory=list)
    stops: int = 0

    def __post_init__(self) -> None:
        self.charge, self.coarse, self.peak = (np.zeros(self.shape) for _ in range(3))

    def add(self, responses: Responses, track: Track) -> None:
        """Take in the march over the next stops."""
        first, last = self.stops, self.stops + track.spot.size
        before = self.charge.copy()
        self.charge += charge_map(responses, track, self.shape)
        self.coarse += charge_map(responses, track, self.shape, self.times[first:last])
        self.peak = np.maximum(self.peak, peak_map(responses, track, self.shape))
        done = 0
        for stop in self.samples[(self.samples >= first) & (self.samples < last)] - first:
            cells, density = stop_density(responses, track, int(stop))
            sample = np.zeros(self.shape, np.float32)
            sample.ravel()[cells] = density
            self.kept.append(sample)
            since = np.zeros(track.spot.size)
            since[done : stop + 1] = 1.0
            done = int(stop) + 1
            before = before + charge_map(responses, track, self.shape, since)
            self.charges.append(before)
        self.stops = last

    def spacing_error(self, open_fraction: Doubles) -> float:
        """Error of the charge by the spacing of stops [-]: an eighth of what a third of the stops
        would change, root mean square over the open area, relative to the mean.

        As for an error of second order; stops four times as dense bear it out within a third.
        """
        total = float(self.charge.sum())
        if total <= 0.0:
            return 0.0
        mean = total / float(open_fraction.sum())
        wide = open_fraction > 0
        off = (self.coarse - self.charge)[wide] / open_fraction[wide]
        return float(np.sqrt(np.average(off**2, weights=open_fraction[wide]))) / mean / 8.0
