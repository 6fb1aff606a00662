"""Which cells join: pairs of small ones first, and nothing lost."""

from __future__ import annotations

import numpy as np
import pytest

from simulate.field.coarsening import merge_pairs

EVEN = np.full(8, 1e-3)


def check_tables(merge, hy, hx):
    """What every merge must keep, whatever it joins."""
    for n, h in enumerate((hy, hx)):
        parents, widths = merge.parents[n], merge.widths[n]
        count = widths.size
        assert parents.size == h.size + 1
        assert parents[-1] == count  # the one more, that differs from all
        own = parents[:-1]
        assert own[0] == 0
        assert set(np.diff(own)) <= {0, 1}
        assert np.bincount(own).max() <= 2
        assert np.bincount(own, weights=h) == pytest.approx(widths, rel=1e-12)


def test_an_even_plan_joins_in_pairs_both_ways():
    merge = merge_pairs(EVEN, EVEN)
    assert merge.regular
    assert merge.factors == (2, 2)
    check_tables(merge, EVEN, EVEN)
    assert merge.widths[0] == pytest.approx(np.full(4, 2e-3))


@pytest.mark.parametrize("count", [1, 2, 3, 7, 9])
def test_an_odd_row_joins_in_pairs_but_for_its_last(count):
    h = np.full(count, 1e-3)
    merge = merge_pairs(h, EVEN)
    assert merge.regular
    check_tables(merge, h, EVEN)
    assert merge.widths[0].size == -(-count // 2)


def test_the_finer_direction_joins_first():
    merge = merge_pairs(np.full(6, 5e-3), EVEN)
    assert merge.factors == (1, 2)
    assert merge_pairs(EVEN, np.full(6, 5e-3)).factors == (2, 1)
    assert merge_pairs(np.full(6, 1.2e-3), EVEN).factors == (2, 2)


def test_on_a_graded_plan_only_the_small_cells_join():
    graded = 1e-3 * 1.3 ** np.arange(12)
    merge = merge_pairs(np.full(4, 1e-3), graded)
    assert not merge.regular
    check_tables(merge, np.full(4, 1e-3), graded)
    joined = np.bincount(merge.parents[1][:-1]) == 2
    small = merge.widths[1][joined]
    assert joined.any()
    assert not joined.all()
    assert small.max() <= 4e-3
    assert (~joined[-4:]).all()  # the wide end waits


@pytest.mark.parametrize(
    ("hy", "hx"),
    [
        (EVEN, EVEN),
        (np.full(1, 1.0), np.full(37, 1e-3)),
        (np.full(37, 1e-3), np.full(1, 1.0)),
        (np.full(5, 1e-3), 1e-5 * 1.5 ** np.arange(24)),
        (1e-5 * 1.5 ** np.arange(11), 1e-5 * 1.5 ** np.arange(24)[::-1]),
        (np.full(3, 1.0), np.full(400, 1e-6)),
        (1e-3 * np.random.default_rng(61).uniform(0.5, 2.0, 40), EVEN),
        (np.array([1.0, 1e-6, 1.0, 1e-6, 1.0]), EVEN),
    ],
    ids=["even", "row", "column", "graded", "both graded", "needles", "random", "saw"],
)
def test_any_plan_comes_down_to_one_line_in_few_levels(hy, hx):
    cells, levels = hy.size * hx.size, 0
    while max(hy.size, hx.size) > 1:
        merge = merge_pairs(hy, hx)
        check_tables(merge, hy, hx)
        assert merge.widths[0].size * merge.widths[1].size < hy.size * hx.size
        hy, hx = merge.widths
        levels += 1
    # a level joins at least one direction's cells in most of its pairs, but where they differ
    assert levels <= 3 * np.log2(cells) + 3
