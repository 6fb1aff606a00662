"""Files for other programs, each opened by a reader that knows nothing of this package."""

from __future__ import annotations

import base64
import csv
import dataclasses
import struct
import zlib
from pathlib import Path
from xml.etree import ElementTree as ET

import numpy as np
import pytest
import trimesh
from PIL import Image
from sample_result import sample_result

from simulate.errors import InputError, ResultError
from simulate.export.kinds import KINDS, export_result, file_name
from simulate.export.vtk import export_field, export_frames
from simulate.field.grid import Grid
from simulate.field.potential import Electrode, solve_potential

CELL = 5e-4
POINTS = [(11.0, 18.2), (11.0, 12.5), (33.2, 7.3), (5.2, 12.5)]
"""Places well inside openings [mm]: ring, disc, bar, ring again."""


@pytest.fixture(scope="module")
def result():
    return sample_result(cell=CELL)


@pytest.fixture
def written(result, tmp_path):
    def write(kind, **options):
        return export_result(result, tmp_path / file_name(kind), kind, **options)

    return write


def true_depth(result, x, y):
    """Depth of the cell around a place, um."""
    i = int(np.searchsorted(result.x_edges, x * 1e-3)) - 1
    j = int(np.searchsorted(result.y_edges, y * 1e-3)) - 1
    assert result.open_fraction[j, i] == 1.0
    return 1e6 * result.depth[j, i]


TYPES = {"Float32": "<f4", "Float64": "<f8", "Int32": "<i4", "Int64": "<i8", "UInt8": "u1"}


class Vtk:
    """A reader of VTK's XML files from their specification: zlib blocks, base64, in line."""

    def __init__(self, path):
        self.root = ET.parse(path).getroot()
        assert self.root.get("byte_order") == "LittleEndian"
        self.size = {"UInt32": 4, "UInt64": 8}[self.root.get("header_type", "UInt32")]

    def array(self, name):
        (element,) = [a for a in self.root.iter("DataArray") if a.get("Name") == name]
        text = element.text.strip()
        kind = {4: "I", 8: "Q"}[self.size]
        (count,) = struct.unpack(f"<{kind}", base64.b64decode(text[:16])[: self.size])
        head = -(-(3 + count) * self.size // 3) * 4
        _, _, _, *packed = struct.unpack(
            f"<{3 + count}{kind}", base64.b64decode(text[:head])[: (3 + count) * self.size]
        )
        body = base64.b64decode(text[head:])
        parts, start = [], 0
        for length in packed:
            parts.append(zlib.decompress(body[start : start + length]))
            start += length
        return np.frombuffer(b"".join(parts), TYPES[element.get("type")])

    def names(self):
        return [a.get("Name") for a in self.root.iter("DataArray")]


# --- surfaces ---------------------------------------------------------------------------------


@pytest.mark.parametrize("exaggeration", [1.0, 25.0])
@pytest.mark.parametrize("kind", ["stl", "ply"])
def test_a_mesh_reader_finds_the_depth_at_the_cells(result, written, kind, exaggeration):
    mesh = trimesh.load(written(kind, exaggeration=exaggeration))
    for x, y in POINTS:
        i = np.argmin(abs(result.x * 1e3 - x))
        j = np.argmin(abs(result.y * 1e3 - y))
        above = mesh.vertices[mesh.vertices[:, 2] > -exaggeration * 1e3 * result.depth.max() - 0.5]
        nearest = np.argmin(
            np.hypot(above[:, 0] - 1e3 * result.x[i], above[:, 1] - 1e3 * result.y[j])
        )
        found = -above[nearest, 2] / exaggeration * 1e3
        assert found == pytest.approx(
            true_depth(result, 1e3 * result.x[i], 1e3 * result.y[j]), rel=1e-5
        )
    assert np.allclose(mesh.bounds[:, :2], [[0.0, 0.0], [50.0, 25.0]], atol=1e-4)
    assert mesh.bounds[1, 2] == 0.0


def test_the_solid_is_closed_faces_outward_and_has_the_volume_it_should(result, written):
    solid = trimesh.load(written("stl", exaggeration=10.0))
    assert solid.is_watertight
    assert solid.is_winding_consistent
    open_depth = np.where(result.open_fraction >= 0.5, result.depth, 0.0)
    removed = 10.0 * 1e9 * CELL**2 * open_depth.sum()
    block = 50.0 * 25.0 * (1.0 + 10.0 * 1e3 * open_depth.max())
    assert solid.volume == pytest.approx(block - removed, rel=1e-4)
    assert solid.bounds[0, 2] == pytest.approx(-1.0 - 10.0 * 1e3 * open_depth.max(), rel=1e-6)


def test_the_head_of_a_surface_states_unit_and_exaggeration_and_no_date(written):
    stl = written("stl", exaggeration=20.0).read_bytes()[:80].decode().rstrip()
    assert stl == "swabfield etch depth; lengths in mm; depth x20, not to scale"
    ply = written("ply").read_bytes().split(b"end_header")[0].decode()
    assert "comment swabfield etch depth; lengths in mm; depth to scale" in ply
    assert "meshio" not in ply
    assert "x20, not to scale-->" in written("vtu", exaggeration=20.0).read_text()


def test_a_mesh_reader_finds_the_colours_of_the_figures_and_the_depth_beside_them(result, written):
    mesh = trimesh.load(written("ply"), process=False)
    grey = mesh.visual.vertex_colors[:, :3] @ [0.2126, 0.7152, 0.0722]
    depth = mesh.metadata["_ply_raw"]["vertex"]["data"]["depth_um"]
    np.testing.assert_allclose(depth, -1e3 * mesh.vertices[:, 2], rtol=1e-5, atol=1e-5)
    order = np.argsort(depth)
    assert np.all(np.diff(grey[order]) > -1.5)  # 8-bit colours, lighter with depth
    assert grey[order[-1]] > grey[order[0]] + 100


def test_the_unstructured_surface_carries_every_map_at_its_vertices(result, written):
    file = Vtk(written("vtu", exaggeration=20.0))
    points = file.array("Points").reshape(-1, 3)
    depth = file.array("depth_um")
    quads = file.array("connectivity").reshape(-1, 4)
    assert len(points) == (result.x.size + 2) * (result.y.size + 2)
    assert set(file.array("types")) == {9}  # VTK_QUAD
    along = points[quads[:, 1]] - points[quads[:, 0]]
    across = points[quads[:, 3]] - points[quads[:, 0]]
    assert np.all(np.cross(along, across)[:, 2] > 0)  # anticlockwise from above
    for x, y in POINTS:
        nearest = np.argmin(np.hypot(points[:, 0] - x, points[:, 1] - y))
        assert depth[nearest] == pytest.approx(true_depth(result, *points[nearest, :2]), rel=1e-6)
        assert points[nearest, 2] == pytest.approx(-20e-3 * depth[nearest], rel=1e-6)
    assert {"open_fraction", "contact_time_s", "peak_density_A_per_cm2"} < set(file.names())


# --- cells ------------------------------------------------------------------------------------


def test_the_maps_come_back_exactly_from_the_rectilinear_file(result, written):
    file = Vtk(written("vtr"))
    grid = file.root.find("RectilinearGrid")
    assert grid.get("WholeExtent") == f"0 {result.x.size} 0 {result.y.size} 0 0"
    np.testing.assert_array_equal(file.array("x"), result.x_edges * 1e3)
    np.testing.assert_array_equal(file.array("y"), result.y_edges * 1e3)
    for name, source, factor in (
        ("depth_um", result.depth, 1e6),
        ("peak_density_A_per_cm2", result.peak_density, 1e-4),
        ("charge_density_C_per_cm2", result.charge_density, 1e-4),
        ("rim_distance_mm", result.rim_distance, 1e3),
    ):
        np.testing.assert_array_equal(file.array(name), (source * factor).ravel(), err_msg=name)


def test_a_series_has_one_file_per_kept_map_and_an_index_of_their_times(result, tmp_path):
    *frames, index = export_frames(result, tmp_path / "new")
    assert len(frames) == result.sample_stop.size
    entries = ET.parse(index).getroot().findall("Collection/DataSet")
    assert [float(e.get("timestep")) for e in entries] == list(result.time[result.sample_stop])
    for entry, density in zip(entries, result.sample_density, strict=True):
        assert Path(entry.get("file")).name == entry.get("file")  # beside the index
        found = Vtk(index.parent / entry.get("file")).array("current_density_A_per_cm2")
        np.testing.assert_allclose(found, 1e-4 * density.ravel(), rtol=1e-6, atol=1e-30)


def test_a_potential_is_written_as_the_cells_it_was_solved_on(tmp_path):
    """Between plates at 2 V and 0 V the potential falls linearly, whatever the cells."""
    grid = Grid.box([0.0, 1e-3, 3e-3], [0.0, 2e-3], np.linspace(0.0, 10e-3, 11))
    cells = np.zeros((2, *grid.shape), bool)
    cells[0, 0], cells[1, -1] = True, True
    plates = [Electrode("low", cells[0], 2.0), Electrode("high", cells[1], 0.0)]
    field = solve_potential(grid, np.ones(grid.shape), plates)
    file = Vtk(export_field(field, tmp_path / "potential.vtr"))
    assert file.root.find("RectilinearGrid").get("WholeExtent") == "0 2 0 1 0 10"
    np.testing.assert_allclose(file.array("z"), np.linspace(0.0, 10.0, 11))
    found = file.array("potential_V").reshape(grid.shape)
    np.testing.assert_array_equal(found, field.potential)
    np.testing.assert_allclose(np.diff(found[1:-1, 0, 0]), -2.0 / 8.0, rtol=1e-8)


# --- tables and pictures ----------------------------------------------------------------------


def test_a_spreadsheet_finds_every_open_cell_with_units_in_the_names(result, written):
    with written("csv").open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert len(rows) == np.count_nonzero(result.open_fraction)
    assert {"x_mm", "y_mm", "depth_um", "peak_density_A_per_cm2"} < set(rows[0])
    table = {(round(float(r["x_mm"]), 6), round(float(r["y_mm"]), 6)): r for r in rows}
    for x, y in POINTS:
        near = min(table, key=lambda place: np.hypot(place[0] - x, place[1] - y))
        assert float(table[near]["depth_um"]) == pytest.approx(true_depth(result, *near), rel=1e-9)
    area = sum(float(r["open_fraction"]) for r in rows) * CELL**2
    assert area == pytest.approx(result.summary["open_area"]["value"], rel=1e-9)


def test_a_spreadsheet_finds_the_charge_in_the_table_of_stops(result, written):
    with written("stops").open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    charge = sum(float(r["current_A"]) * float(r["dwell_s"]) for r in rows)
    assert charge == pytest.approx(result.summary["charge"]["value"], rel=1e-8)
    assert sum(int(r["rewet"]) for r in rows) == 2


def test_a_picture_reader_finds_the_depth_to_a_65535th_of_the_range(result, written):
    with Image.open(written("png16")) as picture:
        assert picture.mode in {"I;16", "I"}
        assert picture.size == (result.x.size, result.y.size)
        levels = np.asarray(picture).astype(float)
        note = picture.text["Description"]
        assert picture.info["dpi"][0] == pytest.approx(25.4 / 0.5, rel=1e-3)
    full = float(note.split("65535 = ")[1].split(" um")[0])
    assert "1 px = 0.5 mm" in note
    found = levels[::-1] / 65535.0 * full
    shown = np.where(result.open_fraction > 0.0, 1e6 * result.depth, 0.0)
    np.testing.assert_allclose(found, shown, atol=0.51 * full / 65535.0)


def test_a_picture_of_unequal_cells_is_refused(result, tmp_path):
    edges = result.x_edges.copy()
    edges[1] += 1e-4
    uneven = dataclasses.replace(result, x_edges=edges)
    with pytest.raises(ResultError, match="cells differ in size"):
        export_result(uneven, tmp_path / "depth.png", "png16")
    assert not list(tmp_path.iterdir())


# --- all kinds --------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", KINDS)
def test_the_same_result_gives_the_same_bytes_under_any_name(result, tmp_path, kind, capfd):
    one = export_result(result, tmp_path / "one", kind)
    two = export_result(result, tmp_path / "two.dat", kind)
    assert one.read_bytes() == two.read_bytes()
    assert capfd.readouterr() == ("", "")


@pytest.mark.parametrize("kind", KINDS)
def test_a_plate_not_yet_etched_can_be_written(result, tmp_path, kind):
    bare = dataclasses.replace(result, depth=np.zeros_like(result.depth))
    assert export_result(bare, tmp_path / "bare", kind).stat().st_size > 0


def test_unknown_kinds_and_factors_are_refused_together(result, tmp_path):
    with pytest.raises(InputError) as caught:
        export_result(result, tmp_path / "x", "obj", exaggeration=-1.0)
    assert [fault.key for fault in caught.value.faults] == ["kind", "exaggeration"]
    assert "one of vtu, vtr, stl, ply, csv, stops, png16" in str(caught.value)
    assert not list(tmp_path.iterdir())


def test_a_place_that_cannot_be_written_is_one_line(result, tmp_path):
    for kind in KINDS:
        with pytest.raises(ResultError) as caught:
            export_result(result, tmp_path / "none" / "x", kind)
        assert "\n" not in str(caught.value)


def test_the_factor_is_in_the_proposed_name_of_what_it_changes():
    assert file_name("stl", 20.0) == "depth_x20.stl"
    assert file_name("ply") == "depth.ply"
    assert file_name("csv", 20.0) == "cells.csv"
    assert len({file_name(kind) for kind in KINDS}) == len(KINDS)
