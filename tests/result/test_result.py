"""Results: the numbers they sum up to, and their file."""

from __future__ import annotations

import dataclasses
import json
import os

import h5netcdf
import numpy as np
import pytest
import xarray
from sample_result import DEPTH_PER_CHARGE, sample_case, sample_result

from simulate.case.case import parse_case, with_changes
from simulate.errors import InputError, ResultError
from simulate.files import replacing
from simulate.result.netcdf import read_result, write_result
from simulate.result.result import FORMAT, VARIABLES, Result

ARRAYS = [*VARIABLES, "x_edges", "y_edges"]


@pytest.fixture(scope="module")
def result():
    return sample_result(cell=5e-4)


@pytest.fixture(scope="module")
def stored(result, tmp_path_factory):
    path = tmp_path_factory.mktemp("stored") / "run.nc"
    write_result(result, path)
    return path


def two_openings(**changes):
    """Two open cells of 4 mm2 and 2 mm2 etched 10 and 40 um, in a row of three; one stop."""
    blank = np.zeros((1, 3))
    values = {
        "case": sample_case(),
        "x_edges": [0.0, 2e-3, 4e-3, 6e-3],
        "y_edges": [0.0, 2e-3],
        "depth": [[10e-6, 0.0, 40e-6]],
        "contact_time": blank,
        "charge_density": blank,
        "peak_density": [[1e3, 0.0, 3e3]],
        "open_fraction": [[1.0, 0.0, 0.5]],
        "rim_distance": [[3e-3, 3e-3, 0.0]],
        "time": [0.0, 30.0],
        "dwell": [10.0, 20.0],
        "current": [0.5, 0.25],
        "voltage": [8.0, 6.0],
        "swab_x": [0.0, 0.0],
        "swab_y": [0.0, 0.0],
        "rewet": [False, True],
        "sample_stop": [1],
        "sample_density": blank[None],
    }
    return Result(**(values | changes))


# --- the object -------------------------------------------------------------------------------


def test_arrays_are_copied_in_and_cannot_be_written():
    depth = np.full((1, 3), 1e-6)
    result = two_openings(depth=depth)
    depth[:] = 7.0
    assert result.depth.max() == 1e-6
    for name in ARRAYS:
        array = getattr(result, name)
        if array is not None:
            with pytest.raises(ValueError, match="read-only"):
                array[...] = 0


def test_every_wrong_shape_is_reported_at_once():
    with pytest.raises(InputError) as caught:
        two_openings(depth=np.zeros((3, 1)), voltage=[9.0], x_edges=[0.0, 2e-3, 1e-3, 6e-3])
    assert {fault.key for fault in caught.value.faults} == {"depth", "voltage", "x_edges"}


def test_cell_centres_and_open_areas_follow_from_the_edges():
    result = two_openings(x_edges=[0.0, 1e-3, 4e-3, 6e-3])
    np.testing.assert_allclose(result.x, [0.5e-3, 2.5e-3, 5e-3])
    np.testing.assert_allclose(result.open_area, [[2e-6, 0.0, 2e-6]])


# --- the numbers ------------------------------------------------------------------------------


def test_mean_and_evenness_are_weighted_by_open_area():
    summary = two_openings().summary
    mean = (4 * 10e-6 + 2 * 40e-6) / 6
    deviation = np.sqrt((4 * (10e-6 - mean) ** 2 + 2 * (40e-6 - mean) ** 2) / 6)
    assert summary["mean_depth"] == {"value": pytest.approx(mean), "unit": "m"}
    assert summary["max_depth"]["value"] == 40e-6
    assert summary["open_area"]["value"] == pytest.approx(6e-6)
    assert summary["evenness"]["value"] == pytest.approx(1 - deviation / mean)


def test_edge_ratio_compares_the_band_along_the_rim_with_the_rest():
    half_cell_share = 0.5 + 1e-4 / 2e-3  # of a 2 mm cell centred on the rim, by the band's rule
    rest = (4 * 10e-6 + 2 * (1 - half_cell_share) * 40e-6) / (4 + 2 * (1 - half_cell_share))
    assert two_openings().summary["edge_ratio"]["value"] == pytest.approx(40e-6 / rest)


def layer_along_a_rim(cells):
    """A strip 1 mm long from a straight rim: 30 um deep within 0.1 mm of it, 20 um beyond."""
    edges = np.linspace(0.0, 1e-3, cells + 1)
    share = np.clip((1e-4 - edges[:-1]) / np.diff(edges), 0.0, 1.0)
    blank = np.zeros((1, cells))
    return two_openings(
        x_edges=edges,
        y_edges=[0.0, 1e-3 / cells],
        depth=(20e-6 + 10e-6 * share)[None],
        rim_distance=0.5 * (edges[1:] + edges[:-1])[None],
        open_fraction=blank + 1.0,
        contact_time=blank,
        charge_density=blank,
        peak_density=blank,
        sample_density=blank[None],
    )


def test_edge_ratio_is_exact_where_the_band_ends_between_cells_and_converges_where_not():
    def error(cells):
        return abs(layer_along_a_rim(cells).summary["edge_ratio"]["value"] - 1.5)

    assert max(error(10), error(40)) < 1e-12
    amid = [error(cells) for cells in (15, 45, 135)]
    assert amid[0] < 0.1
    assert amid[1] < amid[0] / 2.5
    assert amid[2] < amid[1] / 2.5


def test_removed_mass_is_volume_times_the_metals_density():
    result = two_openings()
    mass = result.summary["removed_mass"]
    assert mass["unit"] == "kg"
    assert mass["value"] == pytest.approx(
        result.case.metal.density.value * (4e-6 * 10e-6 + 2e-6 * 40e-6)
    )


def test_charge_energy_and_duration_follow_from_the_stops():
    summary = two_openings().summary
    assert summary["charge"] == {"value": 0.5 * 10 + 0.25 * 20, "unit": "C"}
    assert summary["energy"] == {"value": 0.5 * 8 * 10 + 0.25 * 6 * 20, "unit": "J"}
    assert summary["duration"] == {"value": 50.0, "unit": "s"}
    assert summary["peak_current"]["value"] == 0.5
    assert summary["peak_density"] == {"value": 3e3, "unit": "A/m2"}
    assert (summary["stops"], summary["rewets"]) == (2, 1)


def test_what_does_not_exist_is_null_in_strict_json():
    none_left = two_openings(rim_distance=np.zeros((1, 3)), depth=np.zeros((1, 3)))
    text = json.dumps(none_left.summary, allow_nan=False)
    assert json.loads(text)["edge_ratio"] == {"value": None, "unit": "1"}
    assert json.loads(text)["evenness"]["value"] is None


def test_the_sample_obeys_faraday_and_its_circuit(result):
    """Charge through the circuit = charge over the open area; depth follows from it."""
    passed = (result.charge_density * result.open_area).sum()
    assert result.summary["charge"]["value"] == pytest.approx(passed, rel=1e-12)
    volume = result.summary["removed_volume"]["value"]
    assert volume == pytest.approx(DEPTH_PER_CHARGE * passed, rel=1e-12)
    np.testing.assert_allclose(result.voltage, 9.0 - 1.7 * result.current)


# --- the file ---------------------------------------------------------------------------------


def test_a_result_comes_back_exactly(result, stored):
    back = read_result(stored)
    for name in ARRAYS:
        before, after = getattr(result, name), getattr(back, name)
        assert (before is None) == (after is None), name
        if before is not None:
            np.testing.assert_array_equal(before, after, err_msg=name, strict=True)
    assert back.case == result.case
    assert back.summary == result.summary
    assert (back.numerical, back.statistics, back.partial) == (
        result.numerical,
        result.statistics,
        result.partial,
    )


def test_a_partial_result_with_temperature_says_so_when_it_comes_back(tmp_path):
    warm = two_openings(temperature=[293.15, 301.5], partial=True)
    write_result(warm, tmp_path / "run.nc")
    back = read_result(tmp_path / "run.nc")
    assert back.partial
    assert back.summary["partial"] is True
    np.testing.assert_array_equal(back.temperature, [293.15, 301.5])


def test_a_run_stopped_before_its_first_stop_can_be_stored(tmp_path):
    stops = [name for name, variable in VARIABLES.items() if variable.dims == ("stop",)]
    none = {name: [] for name in (*stops, "sample_stop") if name != "temperature"}
    empty = two_openings(**none, sample_density=np.zeros((0, 1, 3)), partial=True)
    write_result(empty, tmp_path / "run.nc")
    back = read_result(tmp_path / "run.nc")
    assert back.time.shape == (0,)
    assert back.sample_density.shape == (0, 1, 3)
    assert back.summary["duration"]["value"] == 0.0


def test_the_same_result_gives_the_same_bytes(result, stored, tmp_path):
    write_result(result, tmp_path / "again.nc")
    assert (tmp_path / "again.nc").read_bytes() == stored.read_bytes()


def test_how_long_a_run_took_is_not_in_its_file(result, stored, tmp_path):
    """Two runs of one case leave the same bytes."""
    slow = dataclasses.replace(result, statistics={**result.statistics, "seconds": 12.5})
    write_result(slow, tmp_path / "slow.nc")
    assert (tmp_path / "slow.nc").read_bytes() == stored.read_bytes()
    assert slow.summary["statistics"]["seconds"] == 12.5
    assert "seconds" not in read_result(tmp_path / "slow.nc").statistics


def test_a_labelled_reader_finds_units_and_meaning_on_everything(result, stored):
    with xarray.open_dataset(stored) as data:
        assert data.attrs["Conventions"] == "CF-1.11"
        assert data["depth"].dims == ("y", "x")
        assert data["depth"].dtype == np.float64
        assert data["sample_density"].dtype == np.float32
        for name, variable in data.variables.items():
            assert variable.attrs["long_name"], name
            assert variable.attrs["units"], name
        assert data["depth"].attrs["units"] == "m"
        assert data["peak_density"].attrs["units"] == "A m-2"
        assert data["x"].attrs["bounds"] in data.variables
        assert data["dwell"].dtype == np.float64  # seconds, not a time of day
        nearest = data["depth"].sel(x=11.2e-3, y=12.7e-3, method="nearest")
        row = np.argmin(abs(result.y - 12.7e-3))
        assert float(nearest) == result.depth[row, np.argmin(abs(result.x - 11.2e-3))]
        assert "depth of etch" in data["depth"].attrs["long_name"]


def test_the_labelled_data_set_equals_the_file(result, stored):
    with xarray.open_dataset(stored) as data:
        xarray.testing.assert_equal(data.load(), result.to_xarray())


def test_the_file_is_compressed_without_loss_and_carries_the_case(result, stored):
    with h5netcdf.File(stored, "r") as file:
        depth = file.variables["depth"]._h5ds
        assert (depth.compression, depth.shuffle, depth.fletcher32) == ("gzip", True, True)
        assert file.variables["sample_density"].chunks[0] == 1
        assert file.attrs["case_text"] == result.case.text
        assert file.attrs["swabfield_format"] == FORMAT


def test_no_path_of_this_machine_is_in_the_file(tmp_path, result):
    there = dataclasses.replace(result.case, path="/home/somebody/secret/tag.toml")
    write_result(dataclasses.replace(result, case=there), tmp_path / "run.nc")
    assert b"somebody" not in (tmp_path / "run.nc").read_bytes()
    assert read_result(tmp_path / "run.nc").case.path == "tag.toml"


def test_a_very_long_case_can_be_stored(tmp_path):
    """HDF5 keeps small attributes in 64 kB; a case with a long polygon is longer."""
    text = sample_case().text + "\n# " + "long " * 40_000
    result = two_openings(case=parse_case(text, "long.toml"))
    write_result(result, tmp_path / "run.nc")
    assert read_result(tmp_path / "run.nc").case.text == text


# --- refusals ---------------------------------------------------------------------------------


def one_line(error: pytest.ExceptionInfo[BaseException], path: object) -> bool:
    text = str(error.value)
    return "\n" not in text and str(path) in text


def test_a_missing_file_is_one_line(tmp_path):
    with pytest.raises(ResultError) as caught:
        read_result(tmp_path / "none.nc")
    assert one_line(caught, tmp_path / "none.nc")
    assert "No such file" in str(caught.value)


@pytest.mark.parametrize("content", [b"", b"not a result", b"\x89HDF\r\n\x1a\n" + bytes(200)])
def test_a_foreign_file_is_one_line_and_says_what_would_do(tmp_path, content):
    path = tmp_path / "run.nc"
    path.write_bytes(content)
    with pytest.raises(ResultError, match=r"a run folder or its result\.nc") as caught:
        read_result(path)
    assert one_line(caught, path)


@pytest.mark.parametrize("share", [0.02, 0.3, 0.7, 0.999])
def test_a_truncated_file_is_one_line(tmp_path, stored, share):
    path = tmp_path / "run.nc"
    whole = stored.read_bytes()
    path.write_bytes(whole[: int(share * len(whole))])
    with pytest.raises(ResultError) as caught:
        read_result(path)
    assert one_line(caught, path)


def test_a_flipped_byte_in_a_map_is_noticed(tmp_path, stored):
    with h5netcdf.File(stored, "r") as file:
        chunk = file.variables["depth"]._h5ds.id.get_chunk_info(0)
    content = bytearray(stored.read_bytes())
    content[chunk.byte_offset + chunk.size // 2] ^= 0x10
    path = tmp_path / "run.nc"
    path.write_bytes(bytes(content))
    with pytest.raises(ResultError) as caught:
        read_result(path)
    assert one_line(caught, path)


def test_another_netcdf_file_is_told_apart(tmp_path):
    path = tmp_path / "weather.nc"
    xarray.Dataset({"rain": ("day", [1.0, 2.0])}).to_netcdf(path, engine="h5netcdf")
    with pytest.raises(ResultError, match="not a result"):
        read_result(path)


def test_a_later_format_is_refused_by_its_number(tmp_path, stored):
    path = tmp_path / "run.nc"
    path.write_bytes(stored.read_bytes())
    with h5netcdf.File(path, "a") as file:
        file.attrs["swabfield_format"] = FORMAT + 1
    with pytest.raises(ResultError, match=f"format {FORMAT + 1}; this version reads {FORMAT}"):
        read_result(path)


def test_a_file_without_one_of_its_arrays_is_refused_by_name(tmp_path, stored):
    path = tmp_path / "run.nc"
    path.write_bytes(stored.read_bytes())
    with h5netcdf.File(path, "a") as file:
        del file._h5file["depth"]
    with pytest.raises(ResultError, match="depth"):
        read_result(path)


def test_a_case_whose_text_tells_another_story_is_not_stored(tmp_path, result):
    bare = dataclasses.replace(result.case, title="changed without its text")
    with pytest.raises(ResultError, match="text of the case"):
        write_result(dataclasses.replace(result, case=bare), tmp_path / "run.nc")
    changed = with_changes(result.case, {"title": "changed with its text"})
    write_result(dataclasses.replace(result, case=changed), tmp_path / "run.nc")
    assert read_result(tmp_path / "run.nc").case.title == "changed with its text"


def test_a_failed_write_leaves_the_old_file_and_no_rubbish(tmp_path):
    path = tmp_path / "run.nc"
    path.write_bytes(b"the old run")

    def fail():
        with replacing(path) as part:
            part.write_bytes(b"half a ru")
            raise OSError("disk full")

    with pytest.raises(ResultError, match=r"run\.nc: cannot be written: disk full"):
        fail()
    assert path.read_bytes() == b"the old run"
    assert os.listdir(tmp_path) == ["run.nc"]


def test_a_folder_that_is_not_there_is_one_line(tmp_path, result):
    with pytest.raises(ResultError) as caught:
        write_result(result, tmp_path / "none" / "run.nc")
    assert one_line(caught, tmp_path / "none" / "run.nc")
