"""``check --draw``: the stencil as it was understood, numbered where it may give trouble."""

from __future__ import annotations

import json
from dataclasses import replace
from xml.etree import ElementTree as ET

import numpy as np
import pytest
from PIL import Image
from places import CASES
from sample_result import CASE_TEXT, sample_case

from simulate.case.case import parse_case
from simulate.cli import main
from simulate.figures.stencil_check import LISTED, stencil_map
from simulate.figures.style import style
from simulate.stencil.weak_spots import Finding, stencil_findings


@pytest.fixture
def place(tmp_path, monkeypatch):
    """An empty folder to work in, with one case."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "tag.toml").write_text(CASE_TEXT, encoding="utf-8")
    return tmp_path


def run(capsys, *arguments):
    status = main([str(word) for word in arguments])
    return status, *capsys.readouterr()


def findings_of(case):
    width, height = case.plate.width, case.plate.height
    return stencil_findings(case.stencil, [(0, 0), (width, 0), (width, height), (0, height)])


def told(figure):
    return figure.get_suptitle(), figure.get_supxlabel().replace("\N{NO-BREAK SPACE}", " ")


def discs(figure):
    """The numbers on the map by what they say, in the order they were drawn."""
    return {note.get_text(): note for note in figure.axes[0].texts if note.get_text().isdigit()}


# The command --------------------------------------------------------------------------------------


def test_the_picture_is_written_where_it_is_asked_for_and_named(capsys, place):
    status, out, complaint = run(capsys, "check", "tag.toml", "--draw", "seen.png")
    assert (status, complaint) == (0, "")
    assert out.index("Drawn") < out.index("seen.png")
    with Image.open(place / "seen.png") as picture:
        assert picture.width == 1280
        assert picture.text["Title"].startswith("Stencil: ")
    status, out, _ = run(capsys, "check", "tag.toml", "--draw", "seen.svg", "--json")
    assert (status, json.loads(out)["picture"]) == (0, "seen.svg")
    assert ET.parse(place / "seen.svg").getroot().tag.endswith("svg")


def test_nothing_is_drawn_over_unless_forced(capsys, place):
    (place / "seen.png").write_bytes(b"mine")
    status, _, complaint = run(capsys, "check", "tag.toml", "--draw", "seen.png")
    assert status == 2
    assert "seen.png: is there already; expected a new name, or --force" in complaint
    assert (place / "seen.png").read_bytes() == b"mine"
    assert run(capsys, "check", "tag.toml", "--draw", "seen.png", "--force", "--quiet")[0] == 0
    assert (place / "seen.png").read_bytes() != b"mine"


@pytest.mark.parametrize("name", ["seen.bmp", "seen", "tag.toml"])
def test_only_pictures_are_drawn(capsys, place, name):
    status, _, complaint = run(capsys, "check", "tag.toml", "--draw", name, "--force")
    assert status == 2
    assert f"{name}: no such kind of picture; expected a name ending in .png" in complaint
    assert (place / "tag.toml").read_text(encoding="utf-8") == CASE_TEXT


def test_a_place_that_cannot_be_written_to_is_one_line(capsys, place):
    status, out, complaint = run(capsys, "check", "tag.toml", "--draw", "no/seen.png")
    assert (status, out) == (1, "")
    assert "seen.png: cannot be written" in complaint
    assert len(complaint.splitlines()) == 1


def test_a_drawing_is_named_in_the_report(capsys, place):
    status, out, _ = run(capsys, "check", CASES / "drawn_stencil.toml", "--json")
    assert status == 0
    assert json.loads(out)["stencil"]["from_files"] == "snail.svg"


# The figure ---------------------------------------------------------------------------------------


def test_every_listed_place_has_its_number_at_its_place():
    case = sample_case()
    findings = findings_of(case)
    figure = stencil_map(case, findings)
    title, caption = told(figure)
    assert title == f"Stencil: 7 openings, {len(findings)} places to look at"
    lines = [line for line in caption.splitlines() if line[:1].isdigit()]
    assert len(lines) == min(len(findings), LISTED) == len(discs(figure))
    for line in lines:
        number, rest = line.split(maxsplit=1)
        x, y = (float(part.split(" mm")[0]) for part in rest.split(" = ")[1:])
        assert discs(figure)[number].xy == pytest.approx((x, y), abs=0.06)
    assert {line.split()[1].strip(",") for line in lines} == {f.kind for f in findings}


def test_the_worst_of_each_kind_is_listed_however_many_there_are():
    case = sample_case()
    many = [Finding("island", 0.01 + 1e-4 * k, 0.01, 1e-3, "x: y") for k in range(40)]
    thin = [Finding("slot", 0.03, 0.01, 2e-4, "x: y"), Finding("slot", 0.04, 0.01, 3e-4, "x: y")]
    figure = stencil_map(case, [*many, *thin])
    _, caption = told(figure)
    lines = caption.splitlines()
    assert lines[-1] == "and 30 more, with a mark and no number"
    assert lines[-3].startswith("11  slot, width 0.2 mm")
    assert lines[-4].startswith("10  island")
    assert "No thin bridges" in caption.replace("\n", " ")


def test_an_island_is_hatched_and_what_hangs_together_is_not():
    case = sample_case()
    figure = stencil_map(case, findings_of(case))
    hatched = [patch for patch in figure.axes[0].patches if patch.get_hatch()]
    islands = [finding for finding in findings_of(case) if finding.kind == "island"]
    assert len(hatched) == len(islands) > 0
    for finding in islands:
        point = (finding.x * 1e3, finding.y * 1e3)
        assert sum(patch.get_path().contains_point(point) for patch in hatched) == 1
    assert not any(patch.get_path().contains_point((1.0, 1.0)) for patch in hatched)


def test_numbers_stand_clear_of_each_other_in_the_view():
    case = sample_case()
    figure = stencil_map(case, findings_of(case))
    with style():
        figure.draw_without_rendering()
        view = figure.axes[0].get_window_extent()
        boxes = [disc.get_bbox_patch().get_window_extent() for disc in discs(figure).values()]
    for number, box in enumerate(boxes):
        middle = np.mean(box.get_points(), axis=0)
        assert view.contains(*middle)
        assert not any(box.overlaps(other) for other in boxes[:number])


def test_a_sound_stencil_is_said_to_be_one():
    case = parse_case(CASE_TEXT.replace("PEAS", "I"), "tag.toml")
    sound = replace(case.stencil, shapes=case.stencil.shapes[2:])
    figure = stencil_map(replace(case, stencil=sound), ())
    title, caption = told(figure)
    assert title == "Stencil: 2 openings, nothing to mend"
    assert "No islands, no thin bridges, no thin slots." in caption.replace("\n", " ")
    assert not discs(figure)
