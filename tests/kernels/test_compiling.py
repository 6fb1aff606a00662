"""Kernels are compiled through numba's public interface; stale code is not run from the cache."""

from __future__ import annotations

import ast
import os
from pathlib import Path

import numpy as np
import pytest

import simulate
from simulate.kernels import compiling
from simulate.kernels.compiling import compiled, inner

KERNELS = sorted((Path(simulate.__file__).parent / "kernels").glob("*.py"))


@inner
def _double(x):
    return 2.0 * x


@inner
def _doubled_sum(values):
    total = 0.0
    for n in range(values.size):
        total += _double(values[n])
    return total


def test_an_inner_function_is_plain_python_and_compiles_within_others():
    values = np.array([1.0, 2.5])
    outer = compiled(lambda values: _doubled_sum(values) + 1.0)
    assert _doubled_sum(values) == 7.0
    assert outer.py_func(values) == outer(values) == 8.0
    assert outer.signatures


def test_a_division_by_zero_is_infinite_and_no_error():
    @compiled
    def ratio(a, b):
        return a / b

    assert ratio(1.0, 0.0) == np.inf
    assert np.isnan(ratio(0.0, 0.0))


@pytest.mark.parametrize("file", KERNELS, ids=lambda file: file.stem)
def test_only_public_names_of_the_compiler_are_used(file):
    tree = ast.parse(file.read_text(encoding="utf-8"))
    modules, names, attributes = set(), set(), set()
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and node.module:
            modules.add(node.module)
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.Import):
            modules |= {alias.name for alias in node.names}
        elif isinstance(node, ast.Attribute):
            attributes.add(node.attr)
        elif isinstance(node, ast.keyword) and node.arg:
            attributes.add(node.arg)
    of_numba = {name for name in modules if name.split(".")[0] in {"numba", "llvmlite"}}
    assert of_numba <= {"numba", "numba.extending", "llvmlite"}
    assert not {name for name in names if name.startswith("_")}
    assert not {name for name in attributes if name.startswith("_") and name[1] != "_"}


def test_code_older_than_any_kernel_is_forgotten_and_newer_code_kept(tmp_path):
    cache = tmp_path / "__pycache__"
    cache.mkdir()
    for name, time in (("a.py", 100), ("b.py", 300)):
        (tmp_path / name).touch()
        os.utime(tmp_path / name, (time, time))
    for name, time in (("a.f.1.nbi", 200), ("a.f.1.nbc", 200), ("a.g.1.nbi", 400), ("a.pyc", 50)):
        (cache / name).touch()
        os.utime(cache / name, (time, time))
    compiling.forget_stale(tmp_path)
    assert sorted(file.name for file in cache.iterdir()) == ["a.g.1.nbi", "a.pyc"]


def test_an_empty_cache_is_no_fault(tmp_path):
    (tmp_path / "a.py").touch()
    compiling.forget_stale(tmp_path)
