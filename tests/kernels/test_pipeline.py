"""The shorter way through numba's compiler computes what the usual one does."""

from __future__ import annotations

import gc

import numpy as np
import pytest
from numba import njit
from numba.core.types.functions import BaseFunction
from places import ROOT

from simulate.kernels import pipeline
from simulate.kernels.compiling import inner
from simulate.kernels.pipeline import ShortCompiler

short = njit(pipeline_class=ShortCompiler, error_model="numpy", no_cfunc_wrapper=True, _nrt=False)


@inner
def _double(x):
    return 2.0 * x


@inner
def _square(x):
    return x * x


@inner
def _both(x):
    return _double(x) + _square(x)


def _mix(values, out):
    """Branches, loops, integers, tuples, powers, smallest and largest, calls of other loops."""
    low, high = values.shape[0], 0
    for i in range(values.shape[0]):
        half, rest = divmod(i, 2)
        if values[i, rest] > 0.5:
            low = min(low, i)
            high = max(high, i)
        pair = (values[i, 0] ** 1.5, abs(values[i, 1]) ** 2)
        out[i] = _double(pair[0]) - _square(pair[1]) + _both(values[half, rest])
    return low, high


def _answer(mix):
    values = np.random.default_rng(3).random((40, 2))
    out = np.zeros(40)
    return mix(values, out), out.tobytes()


def test_the_short_way_gives_the_same_bits_as_the_usual_one():
    assert _answer(short(_mix)) == _answer(njit(error_model="numpy")(_mix))


def test_loops_of_the_same_types_are_not_taken_for_each_other():
    def apart(x):
        return _double(x), _square(x), _both(x)

    assert short(apart)(5.0) == (10.0, 25.0, 35.0)


@pytest.mark.parametrize("collecting", [True, False])
def test_nothing_of_numba_and_python_stays_changed(collecting):
    def broken(x):
        return x.nothing_of_this_name

    before = gc.isenabled()
    try:
        gc.enable() if collecting else gc.disable()
        with pytest.raises(Exception, match="nothing_of_this_name"):
            short(broken)(1.0)
        assert short(lambda x: x + 1)(1) == 2
        assert gc.isenabled() == collecting
        assert BaseFunction.get_call_type is pipeline._ask
    finally:
        gc.enable() if before else gc.disable()


def test_the_version_the_project_is_tested_with_takes_the_short_way():
    lines = (ROOT / "constraints.txt").read_text().splitlines()
    (version,) = (line.removeprefix("numba==") for line in lines if line.startswith("numba=="))
    assert tuple(int(part) for part in version.split(".")[:2]) in pipeline.TRIED
