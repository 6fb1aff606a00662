"""Two processes share the compilation of a first run."""

from __future__ import annotations

import subprocess
import sys
import types

import pytest

from simulate.kernels import coarse_operators, krylov, smoothing
from simulate.run import precompile as first_run


@pytest.fixture(scope="module", autouse=True)
def compiled():
    first_run.solve_a_small_box()


def test_nothing_is_shared_where_the_loops_are_there(monkeypatch):
    monkeypatch.setattr(first_run.subprocess, "Popen", None)  # to start a process would raise
    assert first_run.solver_is_compiled()
    with first_run.SecondCompiler() as second:
        assert not second.is_wanted
        second.finish()


def elsewhere(monkeypatch, folder):
    stats = types.SimpleNamespace(stats=types.SimpleNamespace(cache_path=str(folder)))
    monkeypatch.setattr(smoothing, "cycle_below", stats)


def test_an_empty_cache_is_seen(monkeypatch, tmp_path):
    elsewhere(monkeypatch, tmp_path)
    assert not first_run.solver_is_compiled()
    (tmp_path / "smoothing.cycle_below-1.py311.nbi").touch()
    assert first_run.solver_is_compiled()


def test_a_second_process_solves_while_this_one_does_the_rest(monkeypatch, tmp_path):
    elsewhere(monkeypatch, tmp_path)
    there = tmp_path / "there"
    monkeypatch.setattr(
        first_run, "_SOLVE", f"import pathlib; pathlib.Path({str(there)!r}).touch()"
    )
    with first_run.SecondCompiler() as second:
        assert second.is_wanted
        second.finish()
        assert there.exists()


def test_a_second_process_that_hangs_or_fails_does_not_stop_the_run(monkeypatch, tmp_path):
    elsewhere(monkeypatch, tmp_path)
    monkeypatch.setattr(first_run, "PATIENCE", 0.2)
    done = []
    for fault in ("import time; time.sleep(60)", "raise SystemExit(3)"):
        monkeypatch.setattr(first_run, "_SOLVE", fault)
        with first_run.SecondCompiler() as second:
            second.finish()
            done.append(fault)
    assert len(done) == 2


def test_an_interruption_takes_the_second_process_along(monkeypatch, tmp_path):
    elsewhere(monkeypatch, tmp_path)
    started = []
    start = first_run.subprocess.Popen

    def popen(*words, **options):
        started.append(start(*words, **options))
        return started[-1]

    monkeypatch.setattr(first_run, "_SOLVE", "import time; time.sleep(60)")
    monkeypatch.setattr(first_run.subprocess, "Popen", popen)

    with pytest.raises(KeyboardInterrupt), first_run.SecondCompiler():
        raise KeyboardInterrupt
    assert started[0].poll() is not None


def test_the_small_box_calls_every_loop_of_the_solver_that_a_uniform_plan_needs():
    """All but loops for uneven plans, for planes between threads and for a solve that sticks."""
    other = {"coarsen_by_table", "prolong_by_table", "restrict_by_table", "restrict_planes"}
    other |= {"smooth_colour", "solve_lines_alone", "solve_only_lines", "inner_coarse", "rounding"}
    other |= {"dots"}
    for module in (krylov, coarse_operators, smoothing):
        for name, kernel in vars(module).items():
            entry = hasattr(kernel, "signatures") and kernel.__module__ == module.__name__
            if entry and name not in other:
                assert kernel.signatures, name


def test_a_second_process_reads_every_kernel_from_the_cache():
    code = """
from simulate.kernels import coarse_operators, krylov, layout, smoothing
from simulate.run import precompile
precompile.solve_a_small_box()
kernels = [kernel for module in (coarse_operators, krylov, layout, smoothing)
           for kernel in vars(module).values() if hasattr(kernel, "stats")]
print(sum(len(kernel.stats.cache_hits) for kernel in kernels) > 20,
      sum(len(kernel.stats.cache_misses) for kernel in kernels))
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["True", "0"]
