"""`draw` and `export`: which files come, where, and that none is lost."""

from __future__ import annotations

import csv
import json

import numpy as np
import pytest
from PIL import Image
from sample_result import sample_result

from simulate.cli import main
from simulate.result.netcdf import write_result
from simulate.sweep.axes import Axis
from simulate.sweep.file import write_sweep
from simulate.sweep.table import Row, Sweep


@pytest.fixture(scope="module")
def result():
    return sample_result(cell=1e-3)


@pytest.fixture
def run(result, tmp_path, monkeypatch):
    """A run folder in an empty place to work in."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "tag").mkdir()
    write_result(result, tmp_path / "tag" / "result.nc")
    return tmp_path


def test_draw_makes_the_figures_asked_for_in_the_formats_asked_for(run, capsys):
    wanted = ("depth_map", "current_history")
    assert main(["draw", "tag", "--figure", *wanted, "--format", "svg, png", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["files"] == [f"{name}.{kind}" for name in wanted for kind in ("svg", "png")]
    assert all((run / told["folder"] / name).stat().st_size > 1000 for name in told["files"])
    assert told["folder"] == "tag-figures"


def test_draw_names_every_word_it_does_not_know_and_writes_nothing(run, capsys):
    assert main(["draw", "tag", "--format", "jpg"]) == 2
    assert "png, svg, pdf" in capsys.readouterr().err
    assert main(["draw", "tag", "--figure", "dept_map"]) == 2
    assert "depth_map" in capsys.readouterr().err
    assert sorted(path.name for path in run.iterdir()) == ["tag"]


def test_draw_replaces_its_own_figures_only_when_told_to(run, capsys):
    words = ["draw", "tag", "--figure", "depth_map", "--format", "png", "--quiet"]
    assert main(words) == 0
    (run / "tag-figures" / "mine.txt").write_text("keep")
    assert main(words) == 2
    assert "is there already" in capsys.readouterr().err
    assert main([*words, "--force"]) == 0
    assert (run / "tag-figures" / "mine.txt").read_text() == "keep"


def test_text_can_be_searched_in_a_drawing_unless_outlines_are_wanted(run):
    words = ["draw", "tag", "--figure", "depth_map", "--format", "svg", "--quiet"]
    assert main(words) == 0
    assert ">etch depth (µm)</text>" in (run / "tag-figures" / "depth_map.svg").read_text("utf-8")
    assert main([*words, "--outlines", "--force"]) == 0
    assert "<text" not in (run / "tag-figures" / "depth_map.svg").read_text("utf-8")


@pytest.mark.parametrize(
    ("kind", "name"),
    [("vtu", "depth_x20.vtu"), ("stl", "depth_x20.stl"), ("vtr", "maps.vtr"), ("csv", "cells.csv")],
)
def test_export_names_the_file_after_run_kind_and_exaggeration(run, capsys, kind, name):
    assert main(["export", "tag", "--to", kind, "--exaggeration", "20", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["files"] == [f"tag-{name}"]
    assert (run / f"tag-{name}").stat().st_size > 1000


def test_an_exported_picture_and_table_hold_the_depth_of_the_run(run, result):
    for kind, name in (("png16", "grey.png"), ("csv", "cells.csv")):
        assert main(["export", "tag", "--to", kind, "--out", name, "--quiet"]) == 0
    deepest = 1e6 * result.depth.max()
    with (run / "cells.csv").open(newline="") as stream:
        rows = [float(row["depth_um"]) for row in csv.DictReader(stream)]
    assert max(rows) == pytest.approx(deepest)
    assert len(rows) == np.count_nonzero(result.open_fraction)
    grey = np.asarray(Image.open(run / "grey.png"))
    assert np.count_nonzero(grey == 65535) >= 1
    assert grey.shape == result.depth.shape


def test_frames_come_as_a_folder_with_an_index(run, capsys, result):
    assert main(["export", "tag", "--to", "frames", "--json"]) == 0
    files = json.loads(capsys.readouterr().out)["files"]
    assert files[-1] == "tag-frames/current_density.pvd"
    assert len(files) == result.sample_stop.size + 1


def test_export_refuses_what_it_cannot_do_and_what_is_there(run, capsys):
    assert main(["export", "tag", "--to", "obj"]) == 2
    assert "frames" in capsys.readouterr().err
    assert main(["export", "tag", "--to", "stl", "--exaggeration", "much"]) == 2
    assert "is no factor" in capsys.readouterr().err
    assert main(["export", "tag", "--to", "stl", "--exaggeration", "nan"]) == 2
    (run / "tag-maps.vtr").write_text("mine")
    assert main(["export", "tag", "--to", "vtr"]) == 2
    assert (run / "tag-maps.vtr").read_text() == "mine"
    assert main(["export", "tag", "--to", "vtr", "--force", "--quiet"]) == 0
    assert (run / "tag-maps.vtr").read_text("utf-8").startswith("<?xml")


# --- several runs, a sweep --------------------------------------------------------------------


def test_two_runs_are_drawn_as_their_comparison(run, result, capsys):
    (run / "other").mkdir()
    write_result(result, run / "other" / "result.nc")
    words = ["draw", "tag", "other", "--format", "png", "--json", "--out", "both"]
    assert main(words) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["files"] == ["comparison.png", "comparison_profiles.png"]
    assert main(["draw", "tag", "--figure", "comparison"]) == 2
    assert "two runs or more" in capsys.readouterr().err
    assert main(["draw", "tag", "other", "--figure", "cell", "--out", "none"]) == 2
    assert "one run" in capsys.readouterr().err


def test_a_sweep_is_drawn_as_its_design_chart(run, capsys):
    """Two thicknesses by two speeds, with made-up numbers, as `sweep` writes them."""
    axes = (
        Axis("stencil.thickness", ("0.1 mm", "0.2 mm"), "mm"),
        Axis("plate.metal", ("brass", "nickel")),
    )
    rows = tuple(
        Row(values, f"{n}", "done", {"evenness": 0.5 + 0.1 * n, "mean_depth": 1e-5 * (n + 1)})
        for n, values in enumerate(
            (thickness, metal) for thickness in axes[0].values for metal in axes[1].values
        )
    )
    (run / "swept").mkdir()
    write_sweep(Sweep(sample_result(cell=1e-3).case, axes, rows), run / "swept" / "sweep.nc")
    words = ["draw", "swept", "--format", "svg", "--show", "mean_depth", "--json"]
    assert main(words) == 0
    assert json.loads(capsys.readouterr().out)["files"] == ["design_chart.svg"]
    drawn = (run / "swept-figures" / "design_chart.svg").read_text("utf-8")
    for text in ("stencil thickness (mm)", "brass", "nickel", "mean depth (µm)", "4 cases"):
        assert text in drawn
    assert main(["draw", "swept", "--figure", "depth_map", "--out", "none"]) == 2
    assert "one run" in capsys.readouterr().err
    assert main(["draw", "swept", "--show", "beauty", "--out", "none"]) == 2
    assert "evenness" in capsys.readouterr().err
    (run / "swept" / "sweep.nc").write_bytes(b"none")
    assert main(["draw", "swept", "--out", "none"]) == 1
    assert "not a readable sweep" in capsys.readouterr().err


def test_moments_are_chosen_on_the_command_line(run, result, capsys):
    kept = result.time[result.sample_stop]
    when = f"{kept[1]:g} s, {kept[2] / 60:.6g} min"
    words = ["draw", "tag", "--figure", "density_moments", "--format", "svg"]
    assert main([*words, "--at", when]) == 0
    drawn = (run / "tag-figures" / "density_moments.svg").read_text("utf-8")
    assert "at 2 moments" in " ".join(drawn.split())
    assert main([*words, "--at", "soon", "--force"]) == 2


def test_the_potential_under_the_swab_is_written_as_cells(run, capsys):
    assert main(["export", "tag", "--to", "potential", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["files"] == ["tag-potential.vtr"]
    text = (run / "tag-potential.vtr").read_text("utf-8")
    assert 'Name="potential_V"' in text
    assert "potential in V on a section grid; lengths in mm" in text
