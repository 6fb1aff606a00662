"""A stencil from a drawing beside the case: where it lands, what is refused, what is kept."""

from __future__ import annotations

import dataclasses
import hashlib
import json
from datetime import UTC, datetime
from math import pi

import numpy as np
import pytest
import shapely
from PIL import Image
from sample_result import sample_result

from simulate.case.case import effective_text, parse_case, read_case, with_changes
from simulate.cli.dwell import _copy_drawings
from simulate.cli.run_folder import RunFolder, manifest
from simulate.errors import InputError, ResultError
from simulate.result.netcdf import read_result, write_result
from simulate.stencil.shapes import Drawing, openings
from simulate.stencil_files.store import DrawingFile, Reading, from_arrays, to_arrays

MM = 1e-3
SVG = """<svg xmlns="http://www.w3.org/2000/svg" width="20mm" height="20mm" viewBox="0 0 20 20">
<rect x="5" y="5" width="6" height="3" fill="#000"/>
<path d="M5 12h6v4h-6z M7 13h2v2h-2z" fill-rule="evenodd" fill="#c00"/>
</svg>"""
SHAPE = """[[stencil.shapes]]
kind = "drawing"
file = "mark.svg"
x = "20 mm"
y = "10 mm"
"""
CASE = f"""title = "A drawing (invented)"
[plate]
metal = "mild steel"
width = "40 mm"
height = "20 mm"
[electrolyte]
vinegar = "60 mL"
salt = "6 g"
[supply]
emf = "9 V"
resistance = "2 ohm"
[stencil]
thickness = "0.15 mm"
{SHAPE}[swab]
form = "bud"
diameter = "5 mm"
length = "14 mm"
press = "0.8 mm"
[stroke]
pattern = "hold"
x = "20 mm"
y = "10 mm"
time = "5 s"
"""


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """A folder that is not the current one, with a drawing, a picture and a case."""
    monkeypatch.chdir(tmp_path)
    place = tmp_path / "job"
    (place / "art").mkdir(parents=True)
    (place / "mark.svg").write_text(SVG, encoding="utf-8")
    pixels = np.full((40, 60), 255, np.uint8)
    pixels[10:30, 10:50] = 0
    Image.fromarray(pixels).save(place / "art" / "mark.png")
    (place / "tag.toml").write_text(CASE, encoding="utf-8")
    return place


def written(folder, *changes):
    """The path of the case, lines of its text replaced."""
    text = CASE
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    (folder / "tag.toml").write_text(text, encoding="utf-8")
    return folder / "tag.toml"


def faults(folder, *changes):
    with pytest.raises(InputError) as caught:
        read_case(written(folder, *changes))
    for fault in caught.value.faults:
        assert fault.file == str(folder / "tag.toml")
        assert "\n" not in str(fault)
        assert fault.line
        assert fault.expected
    return caught.value.faults


def box_in_mm(case):
    return [pytest.approx(side / MM, abs=1e-3) for side in openings(case.stencil).bounds]


# Where it lands -----------------------------------------------------------------------------------


def test_the_centre_of_its_box_lies_where_the_case_says(folder):
    case = read_case(folder / "tag.toml")
    assert box_in_mm(case) == [17, 4.5, 23, 15.5]
    assert openings(case.stencil).area == pytest.approx((18 + 24 - 4) * MM**2, rel=1e-9)
    (shape,) = case.stencil.shapes
    assert isinstance(shape, Drawing)
    assert (shape.source, len(shape.polygons)) == ("mark.svg", 2)
    assert not shapely.intersects(openings(case.stencil), shapely.Point(20 * MM, 6.5 * MM))


def test_it_is_scaled_and_turned_and_only_one_colour_may_count(folder):
    scaled = read_case(written(folder, ('"mark.svg"', '"mark.svg"\nwidth = "3 mm"')))
    assert box_in_mm(scaled) == [18.5, 7.25, 21.5, 12.75]
    turned = read_case(written(folder, ('"mark.svg"', '"mark.svg"\nangle = "90 deg"')))
    assert box_in_mm(turned) == [14.5, 7, 25.5, 13]
    black = read_case(written(folder, ('"mark.svg"', '"mark.svg"\ncolour = "#000000"')))
    assert box_in_mm(black) == [17, 8.5, 23, 11.5]


@pytest.mark.parametrize(
    ("keys", "box"),
    [
        ('pixel = "0.2 mm"', [16, 8, 24, 12]),
        ('width = "4 mm"', [18, 9, 22, 11]),
        ('pixel = "0.2 mm"\nthreshold = "30 %"\nlight = false', [16, 8, 24, 12]),
        ('pixel = "0.2 mm"\nlight = true', [14, 6, 26, 14]),
    ],
)
def test_a_picture_has_the_size_of_its_pixels_or_of_its_width(folder, keys, box):
    case = read_case(written(folder, ('"mark.svg"', f'"art/mark.png"\n{keys}')))
    low = openings(case.stencil).bounds
    assert [side / MM for side in low] == pytest.approx(box, abs=0.09)  # rims lie within a pixel


def test_a_text_finds_its_drawing_beside_its_name_or_in_the_current_folder(folder, monkeypatch):
    assert parse_case(CASE, "job/any.toml").stencil == read_case(folder / "tag.toml").stencil
    with pytest.raises(InputError, match=r"mark\.svg"):
        parse_case(CASE)
    monkeypatch.chdir(folder)
    assert parse_case(CASE) == read_case("tag.toml")


def test_a_file_drawn_twice_is_read_once(folder):
    second = SHAPE.replace("20 mm", "30 mm")
    case = read_case(written(folder, ("[swab]", f"{second}[swab]")))
    assert len(case.drawings) == 1
    assert openings(case.stencil).area == pytest.approx(2 * 38 * MM**2, rel=1e-9)
    wider = second.replace('"mark.svg"', '"mark.svg"\nwidth = "5 mm"')
    assert len(read_case(written(folder, ("[swab]", f"{wider}[swab]"))).drawings) == 2


def test_the_effective_text_of_a_drawing_can_be_read_again(folder):
    case = read_case(folder / "tag.toml")
    text = effective_text(case)
    assert 'angle = "0 deg" # default' in text
    assert parse_case(text, case.path).stencil == case.stencil


# What is refused ----------------------------------------------------------------------------------

FILE = "stencil.shapes.1.file"


@pytest.mark.parametrize(
    ("old", "new", "key", "words"),
    [
        ('"mark.svg"', '"none.svg"', FILE, "cannot be opened: No such file"),
        ('"mark.svg"', '"../mark.svg"', FILE, "outside the folder of the case"),
        ('"mark.svg"', '"/etc/mark.svg"', FILE, "outside the folder of the case"),
        ('"mark.svg"', '"art"', FILE, "its kind is not known"),
        ('"mark.svg"', '"tag.toml"', FILE, "its kind is not known"),
        ('"mark.svg"', "3", FILE, "not of the right kind"),
        ('file = "mark.svg"', "", FILE, 'missing; expected file = "leaf.svg"'),
        ('"mark.svg"', '"mark.svg"\ncolour = "#00f"', FILE, "it draws no opening"),
        ('"mark.svg"', '"mark.svg"\npixel = "1 mm"', "pixel", "nothing about a .svg file"),
        ('"mark.svg"', '"mark.svg"\nlight = true', "light", "expected light for .png alone"),
        ('"mark.svg"', '"mark.svg"\nwidth = "0 mm"', "width", "more than 0 mm"),
        ('"mark.svg"', '"mark.svg"\nwidht = "9 mm"', "widht", "did you mean 'width'"),
        ('"mark.svg"', '"mark.svg"\nwidth = "50 mm"', "x", "off the plate"),
        ('y = "10 mm"\n[swab]', 'y = "1 mm"\n[swab]', "y", "off the plate"),
        ('"mark.svg"', '"art/mark.png"', "pixel", "the side of one pixel, or width"),
        ('"mark.svg"', '"art/mark.png"\npixel = "1 mm"\nwidth = "9 mm"', "pixel", "either of"),
        ('"mark.svg"', '"art/mark.png"\nwidth = "9 mm"\ncolour = "red"', "colour", "a .png file"),
        (
            '"mark.svg"',
            '"art/mark.png"\nwidth = "9 mm"\nthreshold = 1',
            "threshold",
            "between 0 and 1",
        ),
    ],
)
def test_a_slip_is_told_with_file_line_key_and_value(folder, old, new, key, words):
    told = faults(folder, (old, new))
    first = next(fault for fault in told if fault.key.endswith(key))
    assert words in str(first)
    if key == FILE and "file" in new:
        assert first.line == 14
    assert len({fault.line for fault in told}) == len(told)


def test_faults_of_two_drawings_come_together(folder):
    (folder / "bad.svg").write_text("<svg", encoding="utf-8")
    second = SHAPE.replace("mark", "bad")
    told = faults(folder, ("[swab]", f"{second}[swab]"), ('"mark.svg"', '"gone.svg"'))
    assert [(fault.key, fault.line) for fault in told] == [
        (FILE, 16),
        ("stencil.shapes.2.file", 21),
    ]
    assert told[0].value == '"gone.svg"'


def test_a_link_that_leads_out_of_the_folder_is_refused(folder):
    outside = folder.parent / "outside.svg"
    outside.write_text(SVG, encoding="utf-8")
    (folder / "link.svg").symlink_to(outside)
    (fault,) = faults(folder, ('"mark.svg"', '"link.svg"'))
    assert "outside the folder" in fault.problem


# What is kept -------------------------------------------------------------------------------------


def test_a_changed_case_needs_the_file_only_to_read_it_another_way(folder):
    case = read_case(folder / "tag.toml")
    (folder / "mark.svg").unlink()
    moved = with_changes(case, {"stencil.shapes.1.x": "25 mm", "plate.metal": "brass"})
    assert box_in_mm(moved) == [22, 4.5, 28, 15.5]
    with pytest.raises(InputError, match=r"mark\.svg.*cannot be opened"):
        with_changes(case, {"stencil.shapes.1.width": "3 mm"})


def test_a_drawing_that_was_edited_since_is_not_taken_for_the_one_that_was_read(folder):
    case = read_case(folder / "tag.toml")
    (folder / "mark.svg").write_text(SVG.replace('width="6"', 'width="5"'), encoding="utf-8")
    assert with_changes(case, {"title": "again"}).stencil == case.stencil
    with pytest.raises(InputError, match="not the file that this case was read with"):
        with_changes(case, {"stencil.shapes.1.width": "3 mm"})
    assert read_case(folder / "tag.toml") != case


@pytest.fixture
def drawn(folder):
    """An invented result of the drawn case."""
    return dataclasses.replace(sample_result(cell=1e-3), case=read_case(folder / "tag.toml"))


def test_a_result_is_read_where_the_drawing_is_missing_or_another(folder, drawn, monkeypatch):
    write_result(drawn, folder / "run.nc")
    (folder / "mark.svg").unlink()
    case = read_result(folder / "run.nc").case
    assert case == drawn.case
    assert case.drawings == drawn.case.drawings
    again = with_changes(case, {"stencil.shapes.1.y": "9 mm"})
    assert box_in_mm(again) == [17, 3.5, 23, 14.5]
    monkeypatch.chdir(folder)
    (folder / "mark.svg").write_text(SVG.replace('width="6"', 'width="5"'), encoding="utf-8")
    assert read_result(folder / "run.nc").case.stencil == drawn.case.stencil


def test_a_result_that_lost_its_outlines_is_one_line(folder, drawn):
    import h5netcdf

    write_result(drawn, folder / "run.nc")
    with h5netcdf.File(folder / "run.nc", "a") as file:
        del file._h5file["drawing_points"]
    with pytest.raises(ResultError, match="drawing_points") as caught:
        read_result(folder / "run.nc")
    assert "\n" not in str(caught.value)


def test_other_programs_see_the_outlines_with_their_unit(folder, drawn):
    import xarray

    write_result(drawn, folder / "run.nc")
    with xarray.open_dataset(folder / "run.nc") as data:
        points, rings = data["drawing_points"], data["drawing_rings"]
        assert points.attrs["units"] == "m"
        assert rings.values.tolist() == [[0, 0, 5], [0, 0, 5], [0, 1, 5]]
        assert points.shape == (15, 2)
        xarray.testing.assert_equal(data.load(), drawn.to_xarray())


def test_arrays_give_every_drawing_back_exactly():
    disc = shapely.Point(0.1, 0.2).buffer(1 / 3)
    ring = disc.difference(shapely.Point(0.1, 0.2).buffer(0.1))
    kept = (
        DrawingFile("a.svg", Reading(width=pi, colour="red"), "1", shapely.MultiPolygon([ring])),
        DrawingFile(
            "b.png", Reading(pixel=1e-4, light=True), "2", shapely.MultiPolygon([disc] * 2)
        ),
    )
    assert from_arrays(*to_arrays(kept)) == kept


def test_the_manifest_holds_the_checksum_of_each_drawing(folder, drawn):
    place = RunFolder(folder / "run")
    facts = {"state": "done", "exit_status": 0, "started": datetime.now(UTC), "files": ()}
    told = manifest(place, drawn.case, **facts)
    digest = hashlib.sha256((folder / "mark.svg").read_bytes()).hexdigest()
    assert told["case"]["drawings"] == {"mark.svg": digest}
    assert str(folder) not in json.dumps(told)
    (folder / "mark.svg").write_text(SVG + "<!-- -->", encoding="utf-8")
    edited = manifest(place, read_case(folder / "tag.toml"), **facts)
    assert edited["fingerprint"] != told["fingerprint"]


def test_a_schedule_elsewhere_takes_its_drawings_along(folder, monkeypatch):
    case = read_case(written(folder, ('"mark.svg"', '"art/mark.png"\nwidth = "9 mm"')))
    out = folder.parent / "plan"
    out.mkdir()
    assert _copy_drawings(case, out) == [out / "art" / "mark.png"]
    assert parse_case(case.text, str(out / "schedule.toml")) == case
    with pytest.raises(InputError, match="another name for the drawing"):
        _copy_drawings(case, out)
    assert _copy_drawings(case, folder) == []
