"""Richardson's extrapolation and the grid convergence index."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulate.errors import InputError
from simulate.result.grid_convergence import (
    THREE_GRIDS,
    TWO_GRIDS,
    grid_convergence,
    observed_order,
)


@given(
    exact=st.floats(-1.0, 1.0),
    constant=st.floats(0.1, 5.0),
    order=st.floats(0.4, 3.0),
    first=st.floats(1.2, 3.0),
    second=st.floats(1.2, 3.0),
)
def test_a_pure_power_of_the_cell_size_is_seen_exactly(exact, constant, order, first, second):
    sizes = 0.1, 0.1 * first, 0.1 * first * second
    values = [exact + constant * size**order for size in sizes]
    found = grid_convergence(values, first, second)
    assert found.order == pytest.approx(order, rel=1e-9)
    assert found.extrapolated == pytest.approx(exact, abs=1e-9)
    assert found.uncertainty == pytest.approx(THREE_GRIDS * constant * 0.1**order, rel=1e-8)


def test_an_oscillating_series_has_the_order_of_its_differences():
    assert observed_order(1.0, 1.1, 0.7, 2.0) == pytest.approx(2.0)


def test_a_series_whose_differences_grow_is_not_extrapolated():
    found = grid_convergence([1.0, 1.1, 1.15], 2.0)
    assert (found.order, found.extrapolated) == (0.0, 1.0)
    assert found.uncertainty == pytest.approx(THREE_GRIDS * 0.15)


def test_two_grids_need_an_order_and_carry_the_larger_factor():
    found = grid_convergence([2.0, 2.3], 2.0, order=1.0)
    assert found.extrapolated == pytest.approx(1.7)
    assert found.uncertainty == pytest.approx(TWO_GRIDS * 0.3)
    assert found.coarse_uncertainty is None
    with pytest.raises(InputError, match="assumed order"):
        grid_convergence([2.0, 2.3], 2.0)


def test_the_safety_factor_can_be_chosen():
    found = grid_convergence([2.0, 2.3], 2.0, order=1.0, safety=1.25)
    assert found.uncertainty == pytest.approx(1.25 * 0.3)


def test_grids_that_agree_exactly_have_no_uncertainty():
    found = grid_convergence([3.0, 3.0, 3.1], 2.0)
    assert (found.uncertainty, found.extrapolated) == (0.0, 3.0)
    assert found.order == math.inf


def test_an_order_that_cannot_be_seen_is_refused():
    with pytest.raises(InputError, match="agree exactly"):
        grid_convergence([3.0, 3.1, 3.1], 2.0)
    with pytest.raises(InputError, match="no order can be seen"):
        observed_order(1.0, 1.0, 2.0, 2.0)


def test_the_index_of_a_zero_is_zero_but_its_uncertainty_is_not():
    found = grid_convergence([0.0, 0.1], 2.0, order=2.0)
    assert found.index == 0.0
    assert found.uncertainty == pytest.approx(0.1)


def test_unusable_values_ratios_and_orders_are_reported_together():
    with pytest.raises(InputError) as caught:
        grid_convergence([1.0, math.nan], 0.5, order=-1.0)
    assert [fault.key for fault in caught.value.faults] == ["values", "ratios", "order"]
