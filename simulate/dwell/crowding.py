"""What the hand cannot even out: the crowding of the current by the stencil.

What a cell receives in a second with the swab at a place is nearly a product,

    rate(cell, place) = crowding(cell) * reach(cell - place) * strength(place)

crowding by the openings around the cell, reach by the swab's own shape, strength by the circuit.
`split_rates` finds the three by least squares, one after the other, from fields that are solved.
Crowding does not move with the hand. `even_times` then asks what free times all over the plate
would do, without a solve for each place. A hand that hit every place exactly could use the sharp
border of the swab to undo much of the crowding; `blurred` takes that away, and with it the question
how close the places lie.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from scipy.sparse import csr_array

Doubles = NDArray[np.float64]
Whole = NDArray[np.int64]

GAIN = 1e-3
"""Part of the sum of squares that a hundred steps of `even_times` must gain to go on."""


@dataclass(frozen=True, eq=False)
class Rates:
    """Rates of many cells with the swab at many places, one entry each.

    Parameters
    ----------
    value : [1/s]. cell : number of the cell, place : of the place, (n,).
    offset : (n, 2), y and x of the cell from the swab's centre, in whole cells.
    """

    value: Doubles
    cell: Whole
    place: Whole
    offset: Whole


@dataclass(frozen=True, eq=False)
class Crowding:
    """The three factors of `Rates`.

    Parameters
    ----------
    crowding : (cells,), 1 on average; 0 where no place reaches.
    reach : over offsets (y, x) from `corner`, rate of a cell without crowding [1/s].
    strength : (places,), 1 on average.
    corner : offset of the first entry of `reach`.
    misfit : root of the mean square of what the product leaves, over that of the rates [-].
    """

    crowding: Doubles
    reach: Doubles
    strength: Doubles
    corner: tuple[int, int]
    misfit: float

    def product(self, rates: Rates) -> Doubles:
        """The rates put together again, in the order of `rates` [1/s]."""
        y, x = (rates.offset - np.array(self.corner)).T
        near = self.crowding[rates.cell] * self.reach[y, x]
        return np.asarray(near * self.strength[rates.place])


def split_rates(rates: Rates, cells: int, *, sweeps: int = 30) -> Crowding:
    """Split rates into crowding, reach and strength by alternating least squares.

    cells : number of cells; `rates.cell` counts among them.
    """
    low = rates.offset.min(axis=0)
    shape = tuple(int(n) for n in rates.offset.max(axis=0) - low + 1)
    where = (rates.offset[:, 0] - low[0]) * shape[1] + rates.offset[:, 1] - low[1]
    places = int(rates.place.max()) + 1
    crowding, strength = np.ones(cells), np.ones(places)
    reach = np.zeros(shape[0] * shape[1])

    def fit(index: Whole, others: Doubles, size: int) -> Doubles:
        top = np.bincount(index, rates.value * others, size)
        bottom = np.bincount(index, others**2, size)
        return np.divide(top, bottom, out=np.zeros(size), where=bottom > 0)

    for _ in range(sweeps):
        reach = fit(where, crowding[rates.cell] * strength[rates.place], reach.size)
        crowding = fit(rates.cell, reach[where] * strength[rates.place], cells)
        crowding /= crowding[crowding > 0].mean()
        strength = fit(rates.place, reach[where] * crowding[rates.cell], places)
        strength /= strength[strength > 0].mean()
    product = reach[where] * crowding[rates.cell] * strength[rates.place]
    misfit = np.sqrt(np.mean((rates.value - product) ** 2) / np.mean(rates.value**2))
    corner = (int(low[0]), int(low[1]))
    return Crowding(crowding, reach.reshape(shape), strength, corner, float(misfit))


def blurred(split: Crowding, wobble: float) -> Crowding:
    """The same where the hand misses the place it aims at, by so many cells (normal, one sigma)."""
    from scipy.ndimage import gaussian_filter

    pad = int(np.ceil(3.0 * wobble))
    reach = gaussian_filter(np.pad(split.reach, pad), wobble, mode="constant")
    reach[reach < 1e-4 * reach.max()] = 0.0
    return replace(split, reach=reach, corner=(split.corner[0] - pad, split.corner[1] - pad))


def lattice_rates(split: Crowding, rows: Whole, columns: Whole, step: Sequence[int]) -> csr_array:
    """Rates, (cells, places), for places on a lattice so wide that all of it reaches something.

    Parameters
    ----------
    rows, columns : of each cell on the plate, (cells,).
    step : between places along y and x, in whole cells.
    """
    from scipy.sparse import csr_array

    at = np.column_stack([rows, columns]) - np.array(split.corner)
    size, steps = np.array(split.reach.shape), np.array(step)
    low, high = (at.min(axis=0) - size) // steps + 1, at.max(axis=0) // steps
    value, cell, place = [], [], []
    for number, centre in enumerate(np.ndindex(*(high - low + 1))):
        y, x = (at - (low + centre) * steps).T
        near = np.flatnonzero((y >= 0) & (y < size[0]) & (x >= 0) & (x < size[1]))
        rate = split.reach[y[near], x[near]]
        near, rate = near[rate > 0], rate[rate > 0]
        value.append(split.crowding[near] * rate)
        cell.append(near)
        place.append(np.full(near.size, number))
    entries = [np.concatenate(part) for part in (value, cell, place)]
    names, column = np.unique(entries[2], return_inverse=True)
    return csr_array((entries[0], (entries[1], column)), shape=(rows.size, names.size))


def even_times(rates: csr_array, area: Doubles, *, steps: int = 4000) -> Doubles:
    """Times, none below nought, for the most even sum over places; (places,).

    Minimises ``sum w (rates t - 1)^2``, w the share of the area, by accelerated gradient steps that
    end at nought (Beck & Teboulle, SIAM J. Imaging Sci. 2 (2009) 183, from memory), begun anew
    where the sum rises, until a hundred of them gain less than `GAIN` of it or there are ``steps``.
    """
    share = area / area.sum()
    scale = np.asarray(rates.sum(axis=0)).ravel()
    columns = rates.multiply(1.0 / scale).tocsr()  # places of equal weight
    weighted = columns.multiply(share[:, None]).tocsr()
    gram, wanted = (weighted.T @ columns).toarray(), np.asarray(weighted.sum(axis=0)).ravel()
    norm = _largest(gram)
    time = np.full(scale.size, wanted.sum() / float(gram.sum()))
    ahead, pace, last, before = time, 1.0, np.inf, np.inf
    for turn in range(steps):
        slope = gram @ ahead - wanted
        cost = 1.0 + float(ahead @ (slope - wanted))
        if cost > last:
            ahead, pace, last = time, 1.0, np.inf
            continue
        after = np.maximum(ahead - slope / (1.02 * norm), 0.0)
        quicker = 0.5 * (1.0 + np.sqrt(1.0 + 4.0 * pace**2))
        ahead = after + (pace - 1.0) / quicker * (after - time)
        time, pace, last = after, quicker, cost
        if turn % 100 == 99:
            if before - cost < GAIN * cost:
                break
            before = cost
    return np.asarray(time / scale)


def _largest(gram: Doubles) -> float:
    """The largest eigenvalue of a matrix without negative entries, by powers."""
    vector = np.ones(len(gram))
    for _ in range(30):
        vector = gram @ vector
        norm = float(np.linalg.norm(vector))
        vector /= norm
    return norm
