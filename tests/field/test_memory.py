"""The memory estimate of a solve."""

from __future__ import annotations

import math
import tracemalloc

import numpy as np
import pytest
from geometries import bath, between_plates, swab

import simulate as sf
from simulate.field.memory import memory_needed, require_memory


def test_a_box_that_does_not_fit_is_refused_with_the_numbers():
    with pytest.raises(sf.CapacityError) as caught:
        require_memory((1000, 2000, 3000), available=8 * 2**30)
    message = str(caught.value)
    assert "3000 x 2000 x 1000 cells" in message
    assert "8.0 GiB are free" in message
    assert isinstance(caught.value, MemoryError)


@pytest.mark.parametrize("shape", [(400, 800, 1200), (30000, 1, 20000), (4, 200000, 300000)])
def test_the_cell_size_that_is_offered_fits_and_is_not_much_too_large(shape):
    free = 2 * 2**30
    with pytest.raises(sf.CapacityError) as caught:
        require_memory(shape, available=free)
    factor = float(str(caught.value).split("cells ")[-1].split()[0])
    require_memory(tuple(math.ceil(n / factor) for n in shape), available=free)
    with pytest.raises(sf.CapacityError):
        require_memory(tuple(math.ceil(n / (0.97 * factor)) for n in shape), available=free)


def test_a_box_that_fits_is_let_through():
    require_memory((50, 50, 50), available=2**30)
    require_memory((2, 2, 2))


@pytest.mark.parametrize(
    "make",
    [
        lambda: bath(1e6),
        lambda: swab(1e6),
        lambda: between_plates(
            sf.Grid.section(np.linspace(0, 1, 801), np.linspace(0, 1, 801)), 2.0
        ),
    ],
    ids=["bath", "swab", "section"],
)
def test_the_estimate_of_memory_covers_a_solve_and_is_no_guess(make):
    """What `solve_potential` allots at its peak: no more than the estimate, and nine tenths of it.

    Boxes of a million cells; smaller ones need a little more a cell, where it does not matter.
    """
    cell = make()
    size = cell.network().tx.size
    cell.solve(tolerance=0.5)  # compiled, imported
    tracemalloc.start()
    cell.solve(tolerance=0.1)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    estimate = memory_needed(cell.grid.shape, size)
    assert 0.9 * estimate <= peak <= estimate
