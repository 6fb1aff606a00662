"""Openings below a mask against reference tables, closed forms, and limits."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from places import REFERENCE

from simulate.errors import InputError
from simulate.exact.bodies import disk_profile
from simulate.exact.conformal_maps import (
    strip_in_box_cumulative,
    strip_in_box_profile,
    strip_in_box_resistance,
)
from simulate.exact.recess import (
    OpeningCurrent,
    disk_opening,
    strip_opening,
    wide_wagner_asymptotes,
)

REFERENCE = json.loads(REFERENCE.read_text(encoding="utf-8"))
CASES = [
    *({"shape": "disk", **case} for case in REFERENCE["recessed_disk"]["cases"]),
    *({"shape": "disk", **case} for case in REFERENCE["recessed_disk_in_cell"]["cases"]),
    *({"shape": "strip", **case} for case in REFERENCE["recessed_strip_in_cell"]["cases"]),
    *REFERENCE["recess_with_kinetics"]["cases"],
    *({"shape": "disk", **case} for case in REFERENCE["kinetic_disk_in_cell"]["cases"]),
    {"shape": "disk", **REFERENCE["disk_in_cell"]},
]


def solve(case: dict) -> OpeningCurrent:
    cell = (case["wall"], case["height"]) if "wall" in case else None
    solver = disk_opening if case["shape"] == "disk" else strip_opening
    return solver(case["depth"], wagner=case["wagner"], cell=cell)


def name(case: dict) -> str:
    place = "cell" if "wall" in case else "half space"
    return f"{case['shape']} {case['depth']} Wa {case['wagner']} {place}"


@pytest.mark.parametrize("case", CASES, ids=name)
def test_an_opening_gives_the_table(case):
    found = solve(case)
    assert found.resistance == pytest.approx(case["resistance"], abs=8e-9)
    profile = found.profile(np.array(case["profile_at"]))
    assert profile == pytest.approx(np.array(case["profile"]), abs=2.5e-6)
    cumulative = found.cumulative(np.array(case["cumulative_at"]))
    assert cumulative == pytest.approx(np.array(case["cumulative"]), abs=6e-8)
    if "edge" in case:
        assert found.edge == pytest.approx(case["edge"], abs=1e-6)


def test_a_flush_disk_without_kinetics_is_newmans():
    found = disk_opening(0.0)
    assert found.resistance == pytest.approx(0.25, rel=1e-13)
    r = np.array([0.0, 0.5, 0.9])
    assert found.profile(r) == pytest.approx(disk_profile(r), rel=1e-12)
    assert found.edge == math.inf


def test_a_disk_under_a_wide_plane_gives_the_table():
    table = REFERENCE["disk_under_plane"]
    for height, resistance in zip(table["height"], table["resistance"], strict=True):
        found = disk_opening(0.0, cell=(math.inf, height)).resistance
        assert found == pytest.approx(resistance, abs=2e-12)


def test_walls_far_away_do_not_matter_under_a_lid():
    walled = disk_opening(0.3, cell=(12.0, 1.0)).resistance
    assert walled == pytest.approx(disk_opening(0.3, cell=(math.inf, 1.0)).resistance, rel=1e-10)


def test_a_disk_with_kinetics_gives_the_table_within_its_error():
    table = REFERENCE["kinetic_disk"]
    columns = (table[key] for key in ("wagner", "centre", "edge", "edge_error", "four_resistances"))
    for wagner, centre, edge, error, resistance in zip(*columns, strict=True):
        found = disk_opening(0.0, wagner=wagner)
        assert 4 * found.resistance == pytest.approx(resistance, abs=4e-12)
        assert found.centre == pytest.approx(centre, abs=3e-5)
        assert found.edge == pytest.approx(edge, abs=error)


def test_a_disk_with_slow_kinetics_follows_its_asymptotes():
    for wagner, tolerance in ((10.0, 2e-3), (100.0, 2e-5)):
        found = disk_opening(0.0, wagner=wagner)
        centre, edge = wide_wagner_asymptotes(wagner)
        assert found.centre == pytest.approx(centre, abs=tolerance)
        assert found.edge == pytest.approx(edge, abs=tolerance)


@pytest.mark.parametrize("cell", [(3.0, 2.0), (1.1, 0.7), (1.3, 5.0)])
def test_a_flush_strip_is_the_conformal_map(cell):
    found = strip_opening(0.0, cell=cell)
    assert found.resistance == pytest.approx(strip_in_box_resistance(1.0, *cell), abs=5e-9)
    x = np.array([0.0, 0.4, 0.8])
    assert found.profile(x) == pytest.approx(strip_in_box_profile(x, 1.0, *cell), abs=1e-5)
    assert found.cumulative(x) == pytest.approx(strip_in_box_cumulative(x, 1.0, *cell), abs=1e-5)


def test_a_hole_as_wide_as_its_cell_is_a_plane_cell():
    disk = disk_opening(0.5, wagner=0.25, cell=(1.0, 1.5))
    assert disk.resistance == pytest.approx((0.5 + 1.5 + 0.25) / math.pi, rel=1e-8)
    strip = strip_opening(0.5, wagner=0.25, cell=(1.0, 1.5))
    assert strip.resistance == pytest.approx((0.5 + 1.5 + 0.25) / 2, rel=1e-8)
    assert strip.edge == pytest.approx(1.0, abs=1e-8)


def test_a_deep_hole_adds_the_end_correction_of_a_flanged_pipe():
    """kappa a R = (L + 0.821674) / pi; 0.8216 by Dalmont et al., J. Sound Vib. 244 (2001) 505."""
    correction = math.pi * disk_opening(6.0).resistance - 6.0
    assert correction == pytest.approx(0.821674, abs=2e-6)
    assert correction == pytest.approx(0.8216, abs=1e-4)


def test_deep_holes_even_out_the_current_at_the_rate_of_their_first_mode():
    for opening, rate in ((disk_opening, 3.8317), (strip_opening, math.pi)):
        cell = {} if opening is disk_opening else {"cell": (3.0, 2.0)}
        near, far = (opening(depth, **cell).edge - 1.0 for depth in (2.0, 3.0))
        assert math.log(near / far) == pytest.approx(rate, rel=1e-3)


def test_a_thicker_mask_always_evens_out_the_current():
    ratios = [disk_opening(depth).edge_ratio for depth in (0.05, 0.1, 0.2, 0.5, 1.0)]
    assert ratios == sorted(ratios, reverse=True)
    assert ratios[0] == pytest.approx(3.784, abs=5e-4)


def test_profiles_and_cumulative_currents_belong_together():
    nodes, weights = np.polynomial.legendre.leggauss(60)
    for found, ring in (
        (disk_opening(0.2, cell=(3.0, 3.0)), True),
        (strip_opening(0.2, wagner=0.3, cell=(3.0, 2.0)), False),
        (disk_opening(0.0, wagner=0.5), True),
    ):
        r = 0.4 * (nodes + 1.0)
        measure = 2.0 * r if ring else np.ones_like(r)
        share = 0.4 * float(weights @ (found.profile(r) * measure))
        assert share == pytest.approx(float(found.cumulative(0.8)), abs=1e-8)
        assert float(found.cumulative(1.0)) == pytest.approx(1.0, abs=1e-12)


def test_more_functions_change_nothing_that_is_stated(monkeypatch):
    from simulate.exact import recess

    few = disk_opening(0.1, cell=(2.0, 1.0))
    monkeypatch.setattr(recess, "mouth_functions", lambda depth: 100)
    many = disk_opening(0.1, cell=(2.0, 1.0))
    assert few.resistance == pytest.approx(many.resistance, abs=1e-10)
    assert few.centre == pytest.approx(many.centre, abs=2e-6)
    assert few.edge == pytest.approx(many.edge, abs=1e-8)


def test_sizes_out_of_range_are_all_reported_together():
    with pytest.raises(InputError) as caught:
        disk_opening(0.001, wagner=-1.0, cell=(0.5, 1.0))
    assert [fault.key for fault in caught.value.faults] == ["depth", "wagner", "cell"]
    with pytest.raises(InputError, match="a finite b"):
        strip_opening(0.1, cell=(math.inf, 1.0))
