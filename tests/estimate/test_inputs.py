"""A stroke reduced to moments keeps its means."""

from __future__ import annotations

import math

import numpy as np
import pytest
from places import CASES
from usual_benches import usual

from simulate.case.case import parse_case, read_case
from simulate.errors import InputError
from simulate.estimate.inputs import MOMENTS, Bench, bench_of
from simulate.swab.contact_patch import contact_area


def test_the_moments_keep_the_mean_share_of_the_whole_stroke():
    """By Fubini: the mean over a wide, even hatch is open area over swept area."""
    text = """
    title = "An even hatch far beyond a square"
    plate = { metal = "steel", width = "60 mm", height = "60 mm" }
    electrolyte = { vinegar = "60 mL", salt = "6 g" }
    supply = { name = "alkaline_9v" }
    [stencil]
    thickness = "0.15 mm"
    shapes = [{ kind = "rectangle", x = "30 mm", y = "30 mm", width = "8 mm", height = "5 mm" }]
    [swab]
    form = "bud"
    diameter = "5 mm"
    length = "14 mm"
    press = "0.8 mm"
    [stroke]
    pattern = "hatch"
    x = "30 mm"
    y = "30 mm"
    width = "48 mm"
    height = "39 mm"
    spacing = "1 mm"
    speed = "20 mm/s"
    """
    case = parse_case(text)
    swept = 48e-3 * 40e-3  # 40 lines, each for 1 mm
    bench = bench_of(case)
    assert len(bench.shares) == MOMENTS
    assert np.mean(bench.shares) == pytest.approx(40e-6 / swept, rel=0.01)
    assert list(bench.shares) == sorted(bench.shares)
    assert bench.duration == pytest.approx(40 * 48e-3 / 20e-3, rel=1e-9)


def test_a_hold_is_one_moment():
    bench = bench_of(read_case(CASES / "press_and_hold.toml"))
    assert len(bench.shares) == 1
    assert bench.shares[0] == pytest.approx(
        math.pi * 1.2e-3**2 / contact_area(bench.swab), rel=0.01
    )
    assert not bench.moving


def test_a_swab_that_never_touches_is_refused():
    with pytest.raises(InputError, match="never touches"):
        usual(shares=(0.0, 0.0))


def test_a_bench_is_frozen():
    with pytest.raises(AttributeError):
        usual().depth = 1.0
    assert isinstance(usual(), Bench)
