"""Exports opened by VTK's own readers, which know nothing of this package.

Needs the extra vtk-test; conftest leaves this file out where VTK is missing, and says so, unless
SWABFIELD_VTK_TESTS is "required".
"""

from __future__ import annotations

from xml.etree import ElementTree as ET

import numpy as np
import pytest
from sample_result import sample_result
from vtkmodules.util.numpy_support import vtk_to_numpy
from vtkmodules.vtkIOGeometry import vtkSTLReader
from vtkmodules.vtkIOPLY import vtkPLYReader
from vtkmodules.vtkIOXML import vtkXMLRectilinearGridReader, vtkXMLUnstructuredGridReader

from simulate.export.kinds import export_result
from simulate.export.vtk import export_field, export_frames
from simulate.section.solve import solve_section

CELL = 5e-4
POINTS = [(11.0, 18.2), (11.0, 12.5), (33.2, 7.3), (5.2, 12.5)]
"""Places well inside openings [mm]: ring, disc, bar, ring again."""


@pytest.fixture(scope="module")
def result():
    return sample_result(cell=CELL)


def opened(reader, path):
    reader.SetFileName(str(path))
    reader.Update()
    assert reader.GetErrorCode() == 0
    return reader.GetOutput()


def cell_of(result, x, y):
    i = int(np.searchsorted(result.x_edges, x * 1e-3)) - 1
    j = int(np.searchsorted(result.y_edges, y * 1e-3)) - 1
    return j, i


def test_the_rectilinear_maps_hold_depth_and_density_at_the_points(result, tmp_path):
    grid = opened(vtkXMLRectilinearGridReader(), export_result(result, tmp_path / "m.vtr", "vtr"))
    assert grid.GetNumberOfCells() == result.depth.size
    maps = grid.GetCellData()
    for x, y in POINTS:
        number = grid.FindCell((x, y, 0.0), None, 0, 1e-9, _number(), [0.0] * 3, [0.0] * 8)
        j, i = cell_of(result, x, y)
        assert number == j * result.x.size + i
        assert maps.GetArray("depth_um").GetTuple1(number) == 1e6 * result.depth[j, i]
        density = maps.GetArray("peak_density_A_per_cm2").GetTuple1(number)
        assert density == 1e-4 * result.peak_density[j, i]


def _number():
    from vtkmodules.vtkCommonCore import reference

    return reference(0)


@pytest.mark.parametrize(
    ("kind", "reader"),
    [("vtu", vtkXMLUnstructuredGridReader), ("ply", vtkPLYReader), ("stl", vtkSTLReader)],
)
def test_surfaces_lie_at_the_depth_of_the_cells(result, tmp_path, kind, reader):
    mesh = opened(reader(), export_result(result, tmp_path / f"s.{kind}", kind, exaggeration=20.0))
    points = vtk_to_numpy(mesh.GetPoints().GetData())
    floor = -20e3 * result.depth.max()
    upper = points[points[:, 2] > floor - 0.5] if kind == "stl" else points
    for x, y in POINTS:
        j, i = cell_of(result, x, y)
        middle = 1e3 * np.array([result.x[i], result.y[j]])
        nearest = np.argmin(np.hypot(*(upper[:, :2] - middle).T))
        assert upper[nearest, :2] == pytest.approx(middle, abs=1e-4)
        assert upper[nearest, 2] == pytest.approx(-20e3 * result.depth[j, i], rel=1e-5)


def test_the_surface_carries_the_maps_at_its_vertices(result, tmp_path):
    path = export_result(result, tmp_path / "s.vtu", "vtu")
    mesh = opened(vtkXMLUnstructuredGridReader(), path)
    depth = vtk_to_numpy(mesh.GetPointData().GetArray("depth_um"))
    assert depth.size == mesh.GetNumberOfPoints()
    assert depth.max() == pytest.approx(1e6 * result.depth.max(), rel=1e-6)


def test_every_frame_of_the_series_is_the_kept_map_and_depth(result, tmp_path):
    *_, index = export_frames(result, tmp_path)
    entries = ET.parse(index).getroot().findall("Collection/DataSet")
    kept = zip(entries, result.sample_density, result.sample_depth, strict=True)
    for entry, density, depth in kept:
        grid = opened(vtkXMLRectilinearGridReader(), tmp_path / entry.get("file"))
        for name, truth, scale in (
            ("current_density_A_per_cm2", density, 1e-4),
            ("depth_um", depth, 1e6),
        ):
            found = vtk_to_numpy(grid.GetCellData().GetArray(name))
            np.testing.assert_allclose(found, scale * truth.ravel(), rtol=1e-6, atol=1e-30)


def test_the_potential_is_that_of_the_cells_and_names_its_unit(result, tmp_path):
    field = solve_section(result.case).field
    grid = opened(vtkXMLRectilinearGridReader(), export_field(field, tmp_path / "p.vtr"))
    found = vtk_to_numpy(grid.GetCellData().GetArray("potential_V"))
    np.testing.assert_array_equal(found.reshape(field.potential.shape), field.potential)
    heights = vtk_to_numpy(grid.GetZCoordinates())
    np.testing.assert_allclose(heights, 1e3 * field.grid.z)
