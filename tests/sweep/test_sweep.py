"""Sweeps: what is varied, rows that survive everything, and a folder that is gone on with.

Where processes are started the cases are tiny; where only the bookkeeping is tested, an executor of
this file runs them on the spot.
"""

from __future__ import annotations

import csv
import io
import json
import math
import os
import signal
import subprocess
import sys
import threading
import time
from concurrent.futures import Executor, Future

import numpy as np
import pytest
from places import ROOT

from simulate.case.case import parse_case
from simulate.errors import InputError, ResultError
from simulate.figures import draw_sweep
from simulate.run.etch import etch_case
from simulate.sweep import run as sweeping
from simulate.sweep.axes import grid_points, parse_vary, sample_points
from simulate.sweep.file import read_sweep, write_sweep
from simulate.sweep.run import run_sweep
from simulate.sweep.table import NUMBERS

TINY = """
title = "A tiny disc (invented)"
[plate]
metal = "carbon_steel"
width = "8 mm"
height = "8 mm"
[electrolyte]
vinegar = "50 mL"
salt = "5 g"
[supply]
emf = "1.5 V"
resistance = "0.3 ohm"
[stencil]
thickness = "0.1 mm"
[[stencil.shapes]]
kind = "circle"
x = "4 mm"
y = "4 mm"
diameter = "2.4 mm"
[swab]
form = "bud"
diameter = "4 mm"
length = "10 mm"
press = "0.6 mm"
tilt = "90 deg"
[stroke]
pattern = "hold"
x = "4 mm"
y = "4 mm"
time = "2 s"
[aim]
depth = "5 um"
[grid]
cell = "0.4 mm"
"""

CASE = parse_case(TINY)
THICKNESS = "stencil.thickness=0.1 mm,0.2 mm,0.3 mm"


class Here(Executor):
    """Runs what it is given at once, and keeps count."""

    def __init__(self):
        self.texts = []

    def submit(self, work, *arguments):
        self.texts.append(arguments[0])
        future = Future()
        try:
            future.set_result(work(*arguments))
        except Exception as error:
            future.set_exception(error)
        return future


def invented(text, *_):
    """Numbers at once, from the text alone."""
    case = parse_case(text)
    return {
        "numbers": {"evenness": 1.0 - case.stencil.thickness * 1e3, "duration": 2.0},
        "error": "",
    }


def deadly(text, *others):
    """Take the process down with one of the cases."""
    if "0.2 mm" in text:
        os._exit(3)
    time.sleep(0.1)
    return invented(text, *others)


# What is varied -----------------------------------------------------------------------------------


def test_a_range_is_equal_steps_and_a_list_is_itself():
    axis = parse_vary("stencil.thickness=0.05..0.4 mm:8")
    assert axis.values[0] == "0.05 mm"
    assert axis.values[-1] == "0.4 mm"
    assert axis.numbers == pytest.approx(np.linspace(0.05, 0.4, 8))
    salt = parse_vary("electrolyte.salt=3 g,6 g,12 g")
    assert salt.values == ("3 g", "6 g", "12 g")
    assert salt.unit == "g"
    assert parse_vary("stroke.passes=1..5:5").values == (1, 2, 3, 4, 5)
    assert parse_vary("plate.metal=brass,copper").numbers is None
    assert parse_vary("swab.press=0.5 mm..1 mm:3").values == ("0.5 mm", "0.75 mm", "1 mm")


@pytest.mark.parametrize(
    "text",
    ["stencil.thickness", "=1 mm", "a=", "a=1..x mm:3", "a=1 mm..2 g:3", "a=1..1 mm:3", "a=1..2:1"],
)
def test_what_is_no_variation_is_refused(text):
    with pytest.raises(InputError):
        parse_vary(text)


def test_a_grid_has_every_combination_once():
    axes = [parse_vary("a.b=1..3:3"), parse_vary("c.d=x,y")]
    points = grid_points(axes)
    assert len(points) == len(set(points)) == 6
    assert points[:2] == [(1, "x"), (1, "y")]
    with pytest.raises(InputError, match="varied twice"):
        grid_points([axes[0], axes[0]])
    with pytest.raises(InputError, match="too many"):
        grid_points([parse_vary(f"a.{n}=1..1000:1000") for n in range(3)])


def test_a_latin_hypercube_visits_each_stratum_of_each_axis_once():
    axes = [parse_vary("a.b=0..1 mm"), parse_vary("c.d=2..10 V"), parse_vary("e.f=x,y")]
    points = sample_points(axes, 20, seed=5)
    for n, (low, high) in enumerate(((0.0, 1.0), (2.0, 10.0))):
        numbers = [axes[n].number(point[n]) for point in points]
        strata = np.floor((np.array(numbers) - low) / (high - low) * 20.0).astype(int)
        assert sorted(strata) == list(range(20))
    assert sum(point[2] == "x" for point in points) == 10
    assert points == sample_points(axes, 20, seed=5)
    assert points != sample_points(axes, 20, seed=6)


# Rows ---------------------------------------------------------------------------------------------


def test_the_numbers_are_those_of_single_runs(tmp_path):
    swept = run_sweep(CASE, [parse_vary("stencil.thickness=0.1 mm,0.3 mm")], executor=Here())
    summary = etch_case(CASE, workers=1).summary
    assert swept.rows[0].numbers["mean_depth"] == summary["mean_depth"]["value"]
    assert swept.rows[0].numbers["evenness"] == summary["evenness"]["value"]
    wanted = swept.rows[0].numbers["duration"] * 5e-6 / swept.rows[0].numbers["mean_depth"]
    assert swept.rows[0].numbers["time_to_depth"] == pytest.approx(wanted)
    assert swept.column("mean_depth")[1] < swept.column("mean_depth")[0]


def test_a_case_that_cannot_be_made_or_run_is_a_row_with_the_reason(monkeypatch):
    def failing(text, *_):
        if "0.3 mm" in text:
            raise ValueError("no such luck")
        return invented(text)

    monkeypatch.setattr(sweeping, "run_text", failing)
    axis = parse_vary("stencil.thickness=0.1 mm,-1 mm,0.3 mm")
    swept = run_sweep(CASE, [axis], executor=Here())
    assert [row.state for row in swept.rows] == ["done", "failed", "failed"]
    assert "stencil.thickness" in swept.rows[1].error
    assert swept.rows[2].error == "ValueError: no such luck"
    assert np.isnan(swept.column("evenness")[1:]).all()


def test_a_key_that_leads_nowhere_is_refused_at_once():
    with pytest.raises(InputError, match=r"stencil\.thicknes"):
        run_sweep(CASE, [parse_vary("stencil.thicknes=0.1 mm,0.2 mm")], executor=Here())


def test_finished_cases_are_not_run_again(tmp_path, monkeypatch):
    monkeypatch.setattr(sweeping, "run_text", invented)
    first, second = Here(), Here()
    run_sweep(CASE, [parse_vary("stencil.thickness=0.1 mm,0.2 mm")], tmp_path, executor=first)
    again = run_sweep(CASE, [parse_vary(THICKNESS)], tmp_path, executor=second)
    assert len(first.texts) == 2
    assert len(second.texts) == 1
    assert again.count("done") == 3
    (kept,) = [f for f in (tmp_path / "cases").iterdir() if again.rows[0].digest in f.name]
    kept.write_text("{ damaged", encoding="utf-8")
    third = Here()
    run_sweep(CASE, [parse_vary(THICKNESS)], tmp_path, executor=third)
    assert len(third.texts) == 1


def test_the_files_hold_every_row(tmp_path, monkeypatch):
    import h5netcdf

    monkeypatch.setattr(sweeping, "run_text", invented)
    axes = [parse_vary(THICKNESS), parse_vary("supply.emf=1 V,2 V,-3 V,4 V")]
    swept = run_sweep(CASE, axes, executor=Here())
    rows = list(csv.DictReader(io.StringIO(swept.csv)))
    assert len(rows) == 12
    assert sum(row["state"] == "failed" for row in rows) == 3
    write_sweep(swept, tmp_path / "sweep.nc")
    with h5netcdf.File(tmp_path / "sweep.nc", "r") as file:
        assert file["evenness"].dimensions == ("stencil_thickness", "supply_emf")
        assert file["evenness"][...] == pytest.approx(swept.grid("evenness"), nan_ok=True)
        assert file["stencil_thickness"][...] == pytest.approx([0.1, 0.2, 0.3])
        assert file["stencil_thickness"].attrs["units"] == "mm"
        assert set(NUMBERS) < set(file.variables)
    sample = run_sweep(CASE, axes, sample=5, executor=Here())
    write_sweep(sample, tmp_path / "sample.nc")
    with h5netcdf.File(tmp_path / "sample.nc", "r") as file:
        assert file["evenness"].shape == (5,)


def test_a_sweep_is_read_back_as_it_was_written(tmp_path, monkeypatch):
    monkeypatch.setattr(sweeping, "run_text", invented)
    thickness, metal = parse_vary(THICKNESS), parse_vary("plate.metal=brass,copper")
    for name, sample in (("grid", None), ("sample", 5)):
        swept = run_sweep(CASE, [thickness, metal], sample=sample, executor=Here())
        write_sweep(swept, tmp_path / f"{name}.nc")
        found = read_sweep(tmp_path / f"{name}.nc")
        assert found.case == swept.case
        assert found.sampled == swept.sampled
        assert [axis.key for axis in found.axes] == [axis.key for axis in swept.axes]
        assert [axis.unit for axis in found.axes] == [axis.unit for axis in swept.axes]
        for one, other in zip(found.rows, swept.rows, strict=True):
            assert (one.values, one.state, one.error) == (other.values, other.state, other.error)
            assert one.numbers == {k: v for k, v in other.numbers.items() if math.isfinite(v)}
    with pytest.raises(ResultError, match=r"nothing\.nc: not a readable sweep"):
        read_sweep(tmp_path / "nothing.nc")
    (tmp_path / "torn.nc").write_bytes((tmp_path / "grid.nc").read_bytes()[:2000])
    with pytest.raises(ResultError, match="not a readable sweep"):
        read_sweep(tmp_path / "torn.nc")


def test_a_chart_is_drawn_for_one_variable_for_two_and_for_a_sample(tmp_path, monkeypatch):
    monkeypatch.setattr(sweeping, "run_text", invented)
    thickness, emf = parse_vary(THICKNESS), parse_vary("supply.emf=1 V,2 V,3 V")
    metal = parse_vary("plate.metal=brass,copper")
    for name, axes, sample in (
        ("lines", [thickness], None),
        ("contours", [thickness, emf], None),
        ("words", [metal, thickness], None),
        ("three", [thickness, emf, metal], None),
        ("dots", [parse_vary("stencil.thickness=0.1..0.3 mm"), emf], 6),
    ):
        path = tmp_path / f"{name}.png"
        draw_sweep(run_sweep(CASE, axes, sample=sample, executor=Here()), path)
        assert path.stat().st_size > 10_000
    with pytest.raises(InputError, match="one of"):
        draw_sweep(run_sweep(CASE, [thickness], executor=Here()), tmp_path / "x.png", "beauty")


# Processes ----------------------------------------------------------------------------------------


def test_a_case_that_kills_its_process_takes_no_other_with_it(monkeypatch):
    monkeypatch.setattr(sweeping, "run_text", deadly)
    axis = parse_vary("stencil.thickness=0.1..0.5 mm:5")
    swept = run_sweep(CASE, [axis], workers=2)
    states = dict(zip(axis.values, (row.state for row in swept.rows), strict=True))
    assert states.pop("0.2 mm") == "failed"
    assert set(states.values()) == {"done"}
    assert "died" in swept.rows[1].error


def test_a_killed_worker_is_replaced_and_nothing_is_lost():
    import multiprocessing

    killed = []

    def kill_one():
        until = time.monotonic() + 60.0
        while not killed and time.monotonic() < until:
            for child in multiprocessing.active_children():
                os.kill(child.pid, signal.SIGKILL)
                killed.append(child.pid)
                break
            time.sleep(0.01)

    killer = threading.Thread(target=kill_one)
    killer.start()
    swept = run_sweep(CASE, [parse_vary(THICKNESS)], workers=2)
    killer.join()
    assert killed
    assert [row.state for row in swept.rows] == ["done"] * 3


def test_a_pool_that_breaks_while_it_starts_a_process_is_replaced(monkeypatch):
    """The dying pool closes the pipes that the new process needs; seen once in many runs."""
    from concurrent.futures import ProcessPoolExecutor

    submit, asked = ProcessPoolExecutor.submit, []

    def refusing(self, *words):
        asked.append(words)
        if len(asked) == 2:
            raise OSError("handle is closed")
        return submit(self, *words)

    monkeypatch.setattr(ProcessPoolExecutor, "submit", refusing)
    monkeypatch.setattr(sweeping, "run_text", invented)
    swept = run_sweep(CASE, [parse_vary(THICKNESS)], workers=2)
    assert [row.state for row in swept.rows] == ["done"] * 3
    assert len(asked) > 3


def test_the_environment_is_as_it_was(monkeypatch):
    monkeypatch.setattr(sweeping, "run_text", deadly)
    monkeypatch.setenv("OMP_NUM_THREADS", "7")
    monkeypatch.delenv("NUMBA_NUM_THREADS", raising=False)
    run_sweep(CASE, [parse_vary("stencil.thickness=0.1 mm,0.3 mm")], workers=1)
    assert os.environ["OMP_NUM_THREADS"] == "7"
    assert "NUMBA_NUM_THREADS" not in os.environ


def test_an_interrupted_sweep_keeps_what_is_done_and_goes_on(tmp_path):
    (tmp_path / "tiny.toml").write_text(TINY, encoding="utf-8")
    vary = "stencil.thickness=0.1..0.6 mm:14"
    words = [sys.executable, "-m", "simulate", "sweep", "tiny.toml", "--vary", vary, "--json"]
    parent = subprocess.Popen(
        [*words, "--workers", "1"], cwd=tmp_path, stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )
    kept = tmp_path / "tiny-sweep" / "cases"
    until = time.monotonic() + 120.0
    while not (kept.is_dir() and any(kept.glob("*.json"))) and time.monotonic() < until:
        time.sleep(0.02)
    parent.send_signal(signal.SIGINT)
    told, complaint = parent.communicate(timeout=120)
    assert parent.returncode == 130, complaint
    assert b"the same words go on" in complaint
    first = json.loads(told)["summary"]["states"]
    assert first["done"] >= 1
    assert first["waiting"] >= 1
    before = {file.name: file.stat().st_mtime_ns for file in kept.glob("*.json")}
    again = subprocess.run(words, cwd=tmp_path, capture_output=True, check=True)
    assert json.loads(again.stdout)["summary"]["states"]["done"] == 14
    assert all((kept / name).stat().st_mtime_ns == when for name, when in before.items())
    assert (tmp_path / "tiny-sweep" / "evenness.png").exists()


CLUSTER = """
import json, sys
from dask.distributed import LocalCluster
from simulate.case.case import read_case
from simulate.sweep.run import cluster_executor, run_sweep
from simulate.sweep.axes import parse_vary

if __name__ == "__main__":
    case, axes = read_case(sys.argv[1]), [parse_vary(sys.argv[2])]
    with LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None
    ) as cluster:
        with cluster_executor(cluster.scheduler_address) as executor:
            swept = run_sweep(case, axes, executor=executor)
    print(json.dumps([dict(row.numbers) for row in swept.rows]))
"""


def test_a_cluster_of_two_processes_gives_the_same_numbers(tmp_path):
    (tmp_path / "tiny.toml").write_text(TINY, encoding="utf-8")
    (tmp_path / "cluster.py").write_text(CLUSTER, encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "cluster.py", "tiny.toml", THICKNESS],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        timeout=300,
        env=os.environ | {"PYTHONPATH": str(ROOT)},
    )
    assert done.returncode == 0, done.stderr
    away = json.loads(done.stdout.splitlines()[-1])
    here = run_sweep(CASE, [parse_vary(THICKNESS)], executor=Here())
    assert away == [dict(row.numbers) for row in here.rows]
