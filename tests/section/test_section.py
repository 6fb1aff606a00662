"""The section under the swab: its stream function against the field it is drawn from."""

from __future__ import annotations

import dataclasses
import json

import numpy as np
import pytest
from sample_result import CASE_TEXT, sample_case

from simulate.case.case import parse_case
from simulate.cli import main
from simulate.errors import InputError
from simulate.section.current_lines import corners
from simulate.section.solve import section_summary, solve_section

PLACE = (11e-3, 12.5e-3)  # over the disc in the middle of the ring


@pytest.fixture(scope="module")
def across():
    """Across a bud that lies along y: the wire is a disc."""
    return solve_section(sample_case(), PLACE)


@pytest.fixture(scope="module")
def along():
    """Along a bud that is tilted: the wire is a bar, and rises."""
    case = sample_case()
    tilted = dataclasses.replace(case.swab, tilt=0.05)
    return solve_section(dataclasses.replace(case, swab=tilted), PLACE, 0.5 * np.pi)


def test_what_leaves_the_plate_enters_the_cathode(across, along):
    for section in (across, along):
        currents = section.field.currents
        assert currents["plate"] == pytest.approx(-currents["cathode"], rel=1e-8)
        assert section.current > 0.01


def test_below_the_cathode_the_stream_is_the_same_from_either_end(across, along):
    for section in (across, along):
        below = int(np.flatnonzero(section.cathode.any(axis=1))[0])
        left, right = section.stream[:, 1 : below + 1]
        assert np.abs(left - right).max() < 1e-6 * section.field.currents["plate"]


def test_the_stream_rises_along_the_plate_by_the_current_of_its_faces(across):
    """Face by face it is current density times width: equal steps are equal currents."""
    faces = across.field.faces("plate")
    grid = across.field.grid
    column = np.searchsorted(grid.x, faces.x) - 1
    rise = np.diff(across.stream[0, 1])
    np.testing.assert_allclose(rise[column], faces.density * faces.area, rtol=1e-9)
    assert np.delete(rise, column) == pytest.approx(0.0, abs=1e-12)


def test_the_stream_accounts_for_the_current_that_flows_sideways(across, along):
    """Its rise with height is the flux through upright faces, which it was not made from."""
    for section in (across, along):
        grid, kappa = section.field.grid, section.conductivity
        dx, dz = np.diff(grid.x), np.diff(grid.z)
        potential = np.nan_to_num(section.field.potential[:, 0])
        both = (kappa[:, 1:] > 0.0) & (kappa[:, :-1] > 0.0)
        half = np.divide(0.5 * dx, kappa, out=np.ones_like(kappa), where=kappa > 0.0)
        drop = potential[:, :-1] - potential[:, 1:]
        sideways = both * dz[:, None] * drop / (half[:, 1:] + half[:, :-1])
        columns = np.flatnonzero(section.cathode.any(axis=0))
        cut = int(columns.mean()) + 1
        total = section.field.currents["plate"]
        for stream, half_plane in zip(
            section.stream, (slice(0, cut - 1), slice(cut, None)), strict=True
        ):
            rise = -np.diff(stream, axis=0)[1:, 1:-1][:, half_plane]
            found, told = sideways[1:, half_plane], both[1:, half_plane]
            assert np.abs(rise - found)[told].max() < 1e-6 * total


def test_a_mirrored_section_is_the_mirror_image():
    place, angle = PLACE, 0.0
    one = solve_section(sample_case(), place, angle)
    other = solve_section(sample_case(), place, np.pi)
    assert one.current == pytest.approx(other.current, rel=1e-9)
    here, there = one.plate_density[1], other.plate_density[1][::-1]
    np.testing.assert_allclose(here, there, rtol=1e-6)


def test_the_current_crowds_where_the_wet_metal_ends_and_the_summary_says_so():
    weak = CASE_TEXT.replace('emf = "9 V"', 'emf = "1.5 V"')  # no salt film evens it out
    across = solve_section(parse_case(weak, "weak.toml"), PLACE)
    place, density = across.plate_density
    summary = section_summary(across)
    assert summary["crowding"]["value"] > 1.02
    assert summary["highest_density"]["value"] == pytest.approx(density.max())
    ends = [*across.wet_span, *(edge for span in across.open_spans for edge in span)]
    near = min(abs(place[np.argmax(density)] - end) for end in ends)
    assert near < 2e-4


def test_corners_are_those_that_touch():
    cells = np.zeros((2, 3), bool)
    cells[0, 1] = True
    assert corners(cells).tolist() == [[0, 1, 1, 0], [0, 1, 1, 0], [0, 0, 0, 0]]


def test_a_place_is_found_where_none_is_given():
    section = solve_section(sample_case())
    inside = [
        s for s in section.open_spans if s[1] > section.wet_span[0] and s[0] < section.wet_span[1]
    ]
    assert inside


@pytest.mark.parametrize(
    ("place", "angle", "said"),
    [((49e-3, 24e-3), 0.0, "nothing is open"), ((11e-3, 12.5e-3), 0.7, None)],
)
def test_a_line_that_shows_nothing_is_refused_and_an_oblique_one_is_not(place, angle, said):
    if said is None:
        assert solve_section(sample_case(), place, angle).current > 0.0
        return
    with pytest.raises(InputError, match=said):
        solve_section(sample_case(), place, angle)


def test_the_command_leaves_a_figure_and_its_numbers(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "tag.toml").write_text(CASE_TEXT, encoding="utf-8")
    words = ["section", "tag.toml", "--at", "11 mm, 12.5 mm", "--format", "svg"]
    assert main([*words, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["files"] == ["section.json", "section.svg"]
    kept = json.loads((tmp_path / "tag-section" / "section.json").read_text("utf-8"))
    assert kept["current"] == told["summary"]["current"]
    first = (tmp_path / "tag-section" / "section.svg").read_bytes()
    assert main([*words, "--force"]) == 0
    assert "highest over mean" in capsys.readouterr().out
    assert (tmp_path / "tag-section" / "section.svg").read_bytes() == first
    assert main(["section", "tag.toml", "--at", "11 mm", "--force"]) == 2
    assert "no place" in capsys.readouterr().err
