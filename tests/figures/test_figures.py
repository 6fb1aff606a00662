"""Figures: what they show, that they can be read, and that they come out the same each time."""

from __future__ import annotations

import dataclasses
import itertools
import subprocess
import sys
from xml.etree import ElementTree as ET

import matplotlib as mpl
import numpy as np
import pytest
from matplotlib.text import Text
from PIL import Image
from sample_result import sample_result
from shapely import Point, Polygon

from simulate.case.case import with_changes
from simulate.errors import InputError, ResultError
from simulate.figures import FIGURES, draw_result
from simulate.figures.captions import current_words, wrap
from simulate.figures.depth_map import density_map, depth_map
from simulate.figures.exact_profile import (
    exact_current,
    exact_profile,
    simple_opening,
    wagner_number,
)
from simulate.figures.gallery import drawable
from simulate.figures.history import current_history
from simulate.figures.plan_view import bulk_limits, outline, round_down
from simulate.figures.profile import Line, depth_profile, open_pieces, widest_line
from simulate.figures.snapshots import choose_samples, density_moments
from simulate.figures.style import save_figure, style
from simulate.stencil.shapes import openings
from simulate.swab.contact_patch import contact_outline

CELL = 5e-4


@pytest.fixture(scope="module")
def result():
    return sample_result(cell=CELL)


def with_case(result, changes):
    """The same arrays under a changed case."""
    return dataclasses.replace(result, case=with_changes(result.case, changes))


def without_stops(result):
    """The result of a run that was stopped before its first stop."""
    names = ("time", "dwell", "current", "voltage", "swab_x", "swab_y", "rewet", "sample_stop")
    return dataclasses.replace(
        result,
        **{name: [] for name in names},
        sample_density=np.zeros((0, *result.depth.shape)),
        sample_depth=None,
        depth=np.zeros_like(result.depth),
        partial=True,
    )


def mesh_of(figure):
    return next(ax for ax in figure.axes if ax.collections).collections[0]


def words_of(figure):
    return " ".join(f"{figure.get_suptitle()} {figure.get_supxlabel()}".split())


# --- files ------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def written(result, tmp_path_factory):
    """Every figure in every format."""
    where = tmp_path_factory.mktemp("drawn") / "new" / "figures"
    return draw_result(result, where, ("png", "svg", "pdf"), figures=FIGURES)


def test_every_figure_is_written_in_every_format(result, written):
    assert drawable(result) == tuple(FIGURES)
    assert [file.name for file in written] == [
        f"{name}.{kind}" for name in FIGURES for kind in ("png", "svg", "pdf")
    ]
    for file in written:
        if file.suffix == ".png":
            with Image.open(file) as picture:
                picture.load()
                assert picture.width == 1280
                assert 600 < picture.height < 1500
        elif file.suffix == ".svg":
            assert ET.parse(file).getroot().tag.endswith("svg")
        else:
            assert file.read_bytes().startswith(b"%PDF")


def test_the_same_result_gives_the_same_bytes_whatever_the_users_settings(
    result, written, tmp_path
):
    with mpl.rc_context({"font.size": 31.0, "svg.hashsalt": "other", "axes.grid": True}):
        again = draw_result(result, tmp_path, ("png", "svg", "pdf"), figures=FIGURES)
        assert mpl.rcParams["font.size"] == 31.0
    for one, two in zip(written, again, strict=True):
        assert one.read_bytes() == two.read_bytes(), one.name


def test_settings_of_the_program_around_are_left_as_they_were(result):
    before = dict(mpl.rcParams)
    depth_map(result)
    assert dict(mpl.rcParams) == before


def test_text_stays_text_in_every_vector_file(written):
    for file in written:
        if file.suffix == ".svg":
            drawn = ET.parse(file).getroot()
            title = drawn.find(".//{http://purl.org/dc/elements/1.1/}title").text
            shown = " ".join("".join(drawn.itertext()).split())
            first, *_, last = title.split()
            assert shown.count(first) >= 2, file.name  # in the metadata, and in the picture
            assert shown.count(last) >= 2, file.name
            assert len(list(drawn.iter("{http://www.w3.org/2000/svg}text"))) > 8, file.name
        elif file.suffix == ".pdf":
            content = file.read_bytes()
            assert b"/FontFile2" in content, file.name  # TrueType within
            assert b"/Type3" not in content, file.name


def test_text_in_svg_becomes_outlines_where_that_is_asked_for(result, tmp_path):
    (file,) = draw_result(result, tmp_path, ("svg",), figures=["depth_map"], outlines=True)
    assert "<text" not in file.read_text()


def test_title_and_caption_go_with_the_picture_as_text(result, tmp_path):
    (file,) = draw_result(result, tmp_path, ("png",), figures=["depth_map"])
    with Image.open(file) as picture:
        assert picture.text["Title"].startswith("Etch depth:")
        assert "Evenness" in picture.text["Description"]
        assert "Software" not in picture.text


def test_every_unknown_format_or_figure_is_named_and_nothing_written(result, tmp_path):
    with pytest.raises(InputError) as caught:
        draw_result(result, tmp_path / "none", ("png", "bmp", "tif"))
    assert [fault.value for fault in caught.value.faults] == ["bmp", "tif"]
    with pytest.raises(InputError, match="cell, section, density_map"):
        draw_result(result, tmp_path / "none", figures=["sunset"])
    assert not (tmp_path / "none").exists()


def test_a_place_that_cannot_be_written_is_one_line(result, tmp_path):
    (tmp_path / "taken").write_text("a file, no folder")
    with pytest.raises(ResultError, match="taken") as caught:
        draw_result(result, tmp_path / "taken")
    assert "\n" not in str(caught.value)


def test_drawing_needs_no_screen_and_no_global_figure_manager():
    code = (
        "import sys; sys.path.insert(0, 'tests')\n"
        "from sample_result import sample_result\n"
        "from simulate.figures.gallery import FIGURES, drawable\n"
        "result = sample_result(cell=1e-3)\n"
        "for name in drawable(result): FIGURES[name](result)\n"
        "assert 'matplotlib.pyplot' not in sys.modules"
    )
    subprocess.run([sys.executable, "-W", "error", "-c", code], check=True)


# --- can it be read ---------------------------------------------------------------------------

SHAPES = {
    "as_it_is": {},
    "tall": {"plate.height": "140 mm"},
    "square": {"plate.height": "50 mm"},
    "small_swab": {
        "swab.diameter": "3 mm",
        "swab.length": "4 mm",
        "swab.press": "0.4 mm",
        "swab.wire_diameter": "0.5 mm",
        "swab.wire_gap": "2 mm",
    },
    "long_title": {"title": "A tag for the plot of beans $x_1$ % {} behind the shed, " * 3},
}


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("name", FIGURES)
def test_no_text_overlaps_another_or_leaves_the_figure(result, name, shape, monkeypatch):
    figure = FIGURES[name](with_case(result, SHAPES[shape]))
    drawn = {}
    draw = Text.draw
    monkeypatch.setattr(
        Text, "draw", lambda text, *a, **k: (drawn.update({text: 1}), draw(text, *a, **k))
    )
    figure.draw_without_rendering()
    width, height = figure.bbox.size
    shown = [
        (text.get_text(), text.get_window_extent())
        for text in drawn
        if text.get_visible() and text.get_text().strip()
    ]
    assert len(shown) > 8
    for words, box in shown:
        assert box.x0 >= 0, words
        assert box.x1 <= width + 1e-6, words
        assert box.y0 >= 0, words
        assert box.y1 <= height + 1e-6, words
    for (words, box), (others, other) in itertools.combinations(shown, 2):
        assert not box.padded(-0.5).overlaps(other.padded(-0.5)), (words, others)


def test_letters_are_large_enough_in_a_column_of_a_journal(result):
    """A figure 6.4 in wide is printed 3.5 in wide; 5 pt is the least that journals accept."""
    for draw in FIGURES.values():
        sizes = [text.get_fontsize() for text in draw(result).findobj(Text) if text.get_text()]
        assert min(sizes) * 3.5 / 6.4 > 5.0


def test_colours_grow_lighter_all_the_way_so_that_grey_print_tells_them_apart(result):
    for figure in (depth_map(result), density_map(result)):
        colours = mesh_of(figure).get_cmap()(np.linspace(0.0, 1.0, 256))[:, :3]
        assert np.all(np.diff(colours @ [0.2126, 0.7152, 0.0722]) > 0.0)


def test_long_words_are_broken_to_the_width_and_units_stay_with_their_numbers():
    with style():
        lines = wrap("depth of etch over the plate " * 8 + "3.1\N{NO-BREAK SPACE}µm", 13).split(
            "\n"
        )
    assert len(lines) > 2
    assert lines[-1].endswith("3.1 µm")


def test_a_title_with_signs_of_formulas_is_shown_as_it_is(result):
    figure = depth_map(with_case(result, {"title": r"Cost: $5 \frac{ _{^ & <b>"}))
    figure.draw_without_rendering()
    assert r"$5 \frac{ _{^ & <b>" in words_of(figure)


# --- the depth map ----------------------------------------------------------------------------


def test_the_depth_map_shows_the_depth_in_micrometres_inside_the_openings(result):
    figure = depth_map(result)
    shown = mesh_of(figure).get_array()
    np.testing.assert_array_equal(shown.mask, result.open_fraction <= 0.0)
    np.testing.assert_allclose(shown.compressed(), 1e6 * result.depth[result.open_fraction > 0])
    (bar,) = figure.axes[0].child_axes
    assert bar.get_ylabel() == "etch depth (µm)"
    assert (figure.axes[0].get_xlabel(), figure.axes[0].get_ylabel()) == ("x (mm)", "y (mm)")
    assert figure.axes[0].get_xlim() == (0.0, 50.0)
    assert figure.axes[0].get_aspect() == 1.0


def test_the_words_of_the_depth_map_are_the_numbers_of_the_summary(result):
    said = words_of(depth_map(result))
    summary = result.summary
    for number in (
        f"{1e6 * summary['mean_depth']['value']:.3g} µm on average",
        f"{1e6 * summary['max_depth']['value']:.3g} µm at most",
        f"{summary['charge']['value']:.3g} C passed",
        f"Evenness {summary['evenness']['value']:.3g}",
        f"{summary['edge_ratio']['value']:.3g} times as deep",
        "about 0.6 %",
    ):
        assert number in said


def test_a_partial_run_says_so_on_every_figure():
    partial = sample_result(cell=1e-3, partial=True)
    for name in drawable(partial):
        if name != "section":  # which is of the case, not of the run
            assert "Partial run, stopped after" in words_of(FIGURES[name](partial)), name


def test_a_run_without_a_stop_gives_the_figures_that_need_none(result, tmp_path):
    empty = without_stops(result)
    files = draw_result(empty, tmp_path, ("png",))
    assert [file.stem for file in files] == ["depth_map", "depth_profile", "map_row"]
    for name in ("density_map", "density_moments", "cell"):
        with pytest.raises(InputError, match="no such map was kept"):
            draw_result(empty, tmp_path, figures=[name])
    assert drawable(empty) == ("map_row", "depth_map", "depth_profile")
    assert "Etch depth: 0 µm" in words_of(depth_map(empty))


def test_the_row_of_maps_has_three_on_scales_of_their_own_and_tells_the_crowding(result):
    figure = FIGURES["map_row"](result)
    titles = [ax.get_title(loc="left") for ax in figure.axes if ax.get_title(loc="left")]
    assert titles == ["Contact time", "× crowding", "→ depth"]
    crowding = figure.axes[1].collections[0]
    low, high = crowding.get_clim()
    assert low <= 0.9
    assert high >= 1.1
    touched = (result.contact_time > 0.0) & (result.open_fraction > 0.0)
    shown = np.asarray(crowding.get_array())[touched]
    rate = (result.charge_density / np.where(touched, result.contact_time, 1.0))[touched]
    np.testing.assert_allclose(shown / shown[0], rate / rate[0], rtol=1e-12)
    assert np.average(shown, weights=result.open_area[touched]) == pytest.approx(1.0)
    assert "evenness" in words_of(figure)


def test_the_scale_bar_is_as_long_as_it_says(result):
    ax = depth_map(result).axes[0]
    bar = ax.lines[0]
    left, right = bar.get_xdata()
    assert f"{right - left:g} mm" in [text.get_text() for text in ax.texts]
    assert (right - left) == round_down(0.25 * 50.0) == 10.0


def test_the_outline_is_the_stencils_openings_in_millimetres(result):
    path = outline(result)
    area = openings(result.case.stencil)
    inside, island = (Point(p) for p in ((11e-3, 18e-3), (11e-3, 16e-3)))
    assert area.contains(inside)
    assert not area.contains(island)
    rings = [ring[:-1] for ring in path.to_polygons()]
    signed = sum(0.5 * np.sum(a[:-1] * b[1:] - a[1:] * b[:-1]) for a, b in map(closed, rings))
    assert signed == pytest.approx(1e6 * area.area, rel=1e-6)


def closed(ring):
    ring = np.vstack([ring, ring[:1]])
    return ring[:, 0], ring[:, 1]


@pytest.mark.parametrize(
    ("values", "limits"),
    [
        (np.linspace(0.0, 10.0, 1001), (0.0, 10.0)),
        (np.linspace(8.0, 10.0, 1001), (8.0, 10.0)),
        (np.r_[np.linspace(0.0, 5.0, 10_000), 7.0], (0.0, 4.975)),
        (np.zeros(5), (0.0, 1.0)),
        (np.zeros(0), (0.0, 1.0)),
        (np.r_[np.ones(10_000), 100.0], (0.0, 50.0)),
    ],
)
def test_colours_span_all_but_a_few_far_values_and_begin_at_nought_if_they_come_near(
    values, limits
):
    assert bulk_limits(values) == pytest.approx(limits, rel=1e-3)


def test_the_colour_bar_is_pointed_where_values_lie_beyond_it(result):
    spike = result.depth.copy()
    spike[tuple(np.argwhere(result.open_fraction > 0.9)[0])] = 3.0 * spike.max()
    sharp = depth_map(dataclasses.replace(result, depth=spike))
    assert mesh_of(sharp).colorbar.extend == "max"
    flat = np.where(result.open_fraction > 0.0, 2e-5, 0.0)
    assert mesh_of(depth_map(dataclasses.replace(result, depth=flat))).colorbar.extend == "neither"


def test_small_openings_on_a_large_plate_are_shown_large(result):
    wide = with_case(result, {"plate.width": "200 mm", "plate.height": "90 mm"})
    ax = depth_map(wide).axes[0]
    (left, right), (bottom, top) = ax.get_xlim(), ax.get_ylim()
    assert (right - left) / (top - bottom) == pytest.approx(200 / 90)
    openings_x = 1e3 * np.array(openings(result.case.stencil).bounds)[[0, 2]]
    assert left < openings_x[0]
    assert right > openings_x[1]
    assert right - left < 100.0
    assert ax.child_axes[0].get_xlim() == (0.0, 200.0)


def test_lines_of_equal_depth_lie_where_the_depth_is_theirs_and_on_the_colour_bar(result):
    plane = np.where(result.open_fraction > 0.0, 1e-6 * (5.0 + 400.0 * result.x[None, :]), 0.0)
    figure = depth_map(dataclasses.replace(result, depth=plane))
    lines = next(one for one in figure.axes[0].collections if hasattr(one, "levels"))
    assert list(lines.levels) == [10.0, 15.0, 20.0]
    well_inside = openings(result.case.stencil).buffer(-1.5 * CELL)
    found = 0
    for level, path in zip(lines.levels, lines.get_paths(), strict=True):
        for x, y in path.vertices:  # beyond the rims, where they are cut off, lines bend
            if well_inside.contains(Point(1e-3 * x, 1e-3 * y)):
                found += 1
                assert x == pytest.approx(2.5 * (level - 5.0), abs=1e-6)
    assert found >= 4
    assert f"Lines: every {5:g} µm" in words_of(figure)
    (bar,) = figure.axes[0].child_axes
    marked = bar.collections[-1].get_segments()
    assert [segment[0][1] for segment in marked] == pytest.approx([10.0, 15.0, 20.0])


def test_an_even_depth_has_no_lines(result):
    flat = np.where(result.open_fraction > 0.0, 2e-5, 0.0)
    assert "Lines:" not in words_of(depth_map(dataclasses.replace(result, depth=flat)))


# --- current density --------------------------------------------------------------------------


def test_the_density_map_shows_the_kept_map_of_largest_current_in_trade_units(result):
    figure = density_map(result)
    sample = int(np.argmax(result.current[result.sample_stop]))
    shown = mesh_of(figure).get_array().compressed()
    kept = result.sample_density[sample][result.open_fraction > 0.0]
    np.testing.assert_allclose(shown, 1e-4 * kept, rtol=1e-6, atol=1e-12)
    (bar, *_) = figure.axes[0].child_axes[::-1]
    assert bar.get_ylabel() == "current density (A/cm²)"
    assert f"up to {1e-4 * kept.max():.3g} A/cm²" in words_of(figure)


def test_the_swab_stands_where_it_stood_at_that_stop(result):
    for sample, stop in enumerate(result.sample_stop):
        ax = density_map(result, sample).axes[0]
        dashed = [line for line in ax.lines if line.is_dashed()]
        drawn = Polygon(np.column_stack(dashed[0].get_data()))
        there = [result.swab_x[stop], result.swab_y[stop]]
        truth = Polygon(1e3 * (contact_outline(result.case.swab) + there))
        assert drawn.symmetric_difference(truth).area < 1e-9 * truth.area


def test_a_small_swab_is_shown_large_and_its_place_on_a_small_plan(result):
    near = density_map(with_case(result, SHAPES["small_swab"])).axes[0]
    dashed = next(line for line in near.lines if line.is_dashed())
    (left, right), (bottom, top) = near.get_xlim(), near.get_ylim()
    assert right - left < 20.0
    assert (right - left) / (top - bottom) == pytest.approx(2.0)
    assert dashed.get_xdata().min() > left
    assert dashed.get_xdata().max() < right
    plan = near.child_axes[0]
    assert plan.get_xlim() == (0.0, 50.0)
    assert len(density_map(result).axes[0].child_axes) == 1  # the colour bar alone


@pytest.mark.parametrize("sample", [-1, 5])
def test_a_map_that_was_not_kept_is_refused_with_those_that_were(result, sample):
    with pytest.raises(InputError, match=r"sample = -?\d: no such map was kept; expected 0 to 4"):
        density_map(result, sample)


def test_moments_stand_on_one_scale_and_are_the_kept_maps(result):
    figure = density_moments(result)
    meshes = [ax.collections[0] for ax in figure.axes if ax.collections and ax.patches]
    assert len(meshes) == result.sample_stop.size == 5
    assert len({mesh.get_clim() for mesh in meshes}) == 1
    for mesh, kept, stop in zip(meshes, result.sample_density, result.sample_stop, strict=True):
        truth = 1e-4 * kept[result.open_fraction > 0.0]
        np.testing.assert_allclose(mesh.get_array().compressed(), truth, rtol=1e-6, atol=1e-12)
        title = mesh.axes.get_title(loc="left")
        assert title.endswith(f": {current_words(result.current[stop])}")


def test_wanted_moments_are_the_nearest_that_were_kept(result):
    kept = result.time[result.sample_stop]
    assert choose_samples(result, [kept[3] + 5.0, kept[1] - 4.0, kept[1]]) == [1, 3]


# --- the exact solution -----------------------------------------------------------------------


def test_the_opening_with_an_exact_solution_is_the_disc_within_the_ring(result):
    opening = simple_opening(result)
    assert opening.round
    assert opening.middle == pytest.approx((11e-3, 12.5e-3))
    assert opening.half == pytest.approx(2e-3)
    coarse = dataclasses.replace(sample_result(cell=1e-3))
    assert simple_opening(coarse) is None
    with pytest.raises(InputError, match="no exact solution"):
        exact_profile(coarse)


def test_a_run_that_follows_the_exact_solution_lies_on_the_line():
    result = sample_result(cell=2.5e-4)
    opening = simple_opening(result)
    exact = exact_current(result, opening, wagner_number(result, opening))
    away = np.hypot(result.x[None, :] - 11e-3, result.y[:, None] - 12.5e-3) / 2e-3
    depth = np.where(away < 1.3, 1e-5 * exact.profile(np.minimum(away, 1.0)), 1e-5)
    depth[result.open_fraction <= 0.0] = 0.0
    figure = exact_profile(dataclasses.replace(result, depth=depth))
    line, dots = figure.axes[0].lines[1:]
    inside = np.abs(dots.get_xdata()) < 1.7  # cells are coarse for the steep rise at the rim
    told = np.interp(dots.get_xdata()[inside], *line.get_data())
    np.testing.assert_allclose(dots.get_ydata()[inside], told, rtol=0.02)


def test_a_slot_is_cut_across_its_width_whichever_way_it_lies(result):
    for angle, way in (("0 deg", (0.0, 1.0)), ("90 deg", (-1.0, 0.0))):
        case = with_changes(
            result.case,
            {
                "stencil.shapes": [
                    {
                        "kind": "rectangle",
                        "x": "25 mm",
                        "y": "12 mm",
                        "width": "14 mm",
                        "height": "5 mm",
                        "angle": angle,
                    }
                ]
            },
        )
        opening = simple_opening(dataclasses.replace(result, case=case))
        assert not opening.round
        assert np.abs(opening.way) == pytest.approx(np.abs(way), abs=1e-12)
        assert opening.half == pytest.approx(2.5e-3)


# --- profile ----------------------------------------------------------------------------------


def test_open_stretches_end_on_the_rims(result):
    """Through the ring (outer 14, inner 9 mm, centre 11 mm) and the disc of 4 mm within it."""
    pieces = open_pieces(result, Line((0.0, 12.5e-3), (20e-3, 12.5e-3)))
    ends = [(s[0], s[-1]) for s, _ in pieces]
    truth = np.array([[4.0, 6.5], [9.0, 13.0], [15.5, 18.0]]) * 1e-3
    np.testing.assert_allclose(ends, truth, atol=5e-6)


def test_a_profile_gives_back_a_linear_depth_exactly(result):
    plane = 1e-5 + 2e-4 * result.x[None, :] + 3e-4 * result.y[:, None]
    tilted = dataclasses.replace(result, depth=plane, open_fraction=np.ones_like(plane))
    line = Line((2e-3, 4e-3), (40e-3, 19e-3))
    for s, depth in open_pieces(tilted, line):
        x, y = (a + s / np.hypot(38e-3, 15e-3) * (b - a) for a, b in zip(*line, strict=True))
        np.testing.assert_allclose(depth, 1e-5 + 2e-4 * x + 3e-4 * y, rtol=1e-9)


def test_covered_cells_have_no_part_in_a_profile(result):
    odd = np.where(result.open_fraction > 0.0, 1e-5, 1e6)
    for _, depth in open_pieces(dataclasses.replace(result, depth=odd), widest_line(result)):
        np.testing.assert_allclose(depth, 1e-5)


def test_the_widest_line_is_the_one_with_most_rise_and_fall(result):
    flat = np.full_like(result.depth, 1e-5)
    everywhere = np.ones_like(flat)
    row = flat.copy()
    row[17, ::2] = 3e-5
    line = widest_line(dataclasses.replace(result, depth=row, open_fraction=everywhere))
    assert line == Line((0.0, result.y[17]), (result.x_edges[-1], result.y[17]))
    column = flat.copy()
    column[::2, 40] = 3e-5
    line = widest_line(dataclasses.replace(result, depth=column, open_fraction=everywhere))
    assert line == Line((result.x[40], 0.0), (result.x[40], result.y_edges[-1]))


def test_the_widest_line_does_not_graze_the_end_of_an_opening(result):
    """Slots 8 mm high, rugged all over and most along their upper end: the line goes within."""
    x, y = result.x[None, :], result.y[:, None]
    slots = (np.floor(x / 5e-3) % 2 == 0) & (np.abs(y - 12e-3) < 4e-3)
    depth = 1e-5 + 1e-6 * np.sin(x / 1e-4) * np.where(y > 15.4e-3, 9.0, 1.0)
    line = widest_line(dataclasses.replace(result, depth=depth, open_fraction=slots.astype(float)))
    assert line.start[1] == line.end[1]
    assert 9e-3 < line.start[1] < 15e-3


def test_the_section_shows_the_floor_of_every_opening_on_the_line(result):
    line = Line((0.0, 12.5e-3), (50e-3, 12.5e-3))
    figure = depth_profile(result, line)
    below = figure.axes[1]
    floor = max(below.lines, key=lambda drawn: len(drawn.get_xdata()))
    x, depth = floor.get_data()
    pieces = open_pieces(result, line)
    assert (x[0], x[-1]) == (0.0, 50.0)
    assert max(depth) == pytest.approx(1e6 * max(d.max() for _, d in pieces))
    for s, d in pieces:
        middle = len(s) // 2
        assert np.interp(1e3 * s[middle], x, depth) == pytest.approx(1e6 * d[middle])
    covered = np.interp([2.0, 7.5, 14.0], x, depth)
    np.testing.assert_array_equal(covered, 0.0)
    bottom, top = below.get_ylim()
    assert bottom > top  # depth runs down


def test_the_stated_exaggeration_is_the_one_drawn(result):
    figure = depth_profile(result)
    figure.draw_without_rendering()
    below = figure.axes[1]
    origin, right, down = below.transData.transform([(0, 0), (1, 0), (0, 1)])
    drawn = 1e3 * abs(down - origin)[1] / abs(right - origin)[0]
    stated = float(words_of(figure).split("drawn ")[1].split(" times")[0])
    assert stated == pytest.approx(drawn, rel=0.06)


def test_a_line_without_length_is_refused(result):
    with pytest.raises(InputError, match="two different points"):
        depth_profile(result, Line((1e-3, 1e-3), (1e-3, 1e-3)))


def test_a_line_beside_every_opening_is_drawn_as_bare_mask(result):
    figure = depth_profile(result, Line((1e-3, 1e-3), (49e-3, 1e-3)))
    assert "Depth along A–B: 0 µm to 0 µm" in words_of(figure)


# --- history ----------------------------------------------------------------------------------


def lifted(result, **changes):
    """Two stops of 10 s with 5 s between them."""
    values = {
        "time": [0.0, 15.0],
        "dwell": [10.0, 10.0],
        "current": [0.2, 0.4],
        "voltage": [8.0, 7.0],
        "swab_x": [0.01, 0.02],
        "swab_y": [0.01, 0.01],
        "rewet": [False, True],
        "sample_stop": [0],
        "sample_density": result.sample_density[:1],
        "sample_depth": result.sample_depth[:1],
    }
    return dataclasses.replace(result, **(values | changes))


def test_no_current_is_drawn_while_the_swab_is_lifted(result):
    upper, lower = current_history(lifted(result)).axes
    time, current = upper.lines[0].get_data()
    np.testing.assert_array_equal(time, [0, 10, 10, 15, 15, 25])
    np.testing.assert_array_equal(current, [200, 200, 0, 0, 400, 400])
    np.testing.assert_array_equal(lower.lines[0].get_ydata(), [8, 8, np.nan, np.nan, 7, 7])
    assert (upper.get_ylabel(), lower.get_ylabel()) == ("current (mA)", "voltage (V)")
    assert lower.get_xlabel() == "time (s)"


def marked(ax):
    """Moments marked by a line from bottom to top."""
    segments = [np.asarray(s) for c in ax.collections for s in getattr(c, "get_segments", list)()]
    assert all(list(s[:, 1]) == [0.0, 1.0] and s[0, 0] == s[1, 0] for s in segments)
    return [float(s[0, 0]) for s in segments]


def test_rewets_are_marked_in_both_panels_and_counted(result):
    figure = current_history(lifted(result))
    assert [marked(ax) for ax in figure.axes] == [[15.0]] * len(figure.axes)
    assert "wetted again once" in words_of(figure)
    assert "wetted again twice" in words_of(current_history(result))
    assert "not wetted again" in words_of(current_history(lifted(result, rewet=[False, False])))


def test_temperature_and_acid_are_drawn_where_the_run_followed_them(result):
    warm = lifted(result, temperature=[293.15, 313.15], acid=[1.0, 0.75])
    figure = current_history(warm)
    assert len(figure.axes) == 4
    swab, acid = figure.axes[2:]
    assert (swab.get_ylabel(), acid.get_ylabel()) == ("swab (°C)", "acid left (%)")
    np.testing.assert_allclose(swab.lines[0].get_ydata()[[0, -1]], [20.0, 40.0])
    np.testing.assert_allclose(acid.lines[0].get_ydata()[[0, -1]], [100.0, 75.0])
    for ax in figure.axes:
        assert marked(ax) == [15.0]
    assert "Acid left: of that of a fresh swab" in words_of(figure)


def test_next_to_no_change_of_the_voltage_does_not_fill_the_axis(result):
    still = lifted(result, voltage=[8.0, 8.0001])
    low, high = current_history(still).axes[1].get_ylim()
    assert high - low > 0.3
    low, high = current_history(lifted(result)).axes[1].get_ylim()
    assert 1.0 < high - low < 1.3


def test_average_current_is_charge_over_the_whole_time(result):
    said = words_of(current_history(lifted(result)))
    assert f"Current: {1e3 * (0.2 * 10 + 0.4 * 10) / 25:g} mA on average, 400 mA at most" in said
    assert "6 C passed in 25 s" in said


def test_long_runs_are_drawn_in_minutes_and_large_currents_in_amperes(result):
    long = lifted(result, time=[0.0, 600.0], dwell=[600.0, 600.0], current=[0.5, 2.0])
    figure = current_history(long)
    figure.draw_without_rendering()
    upper, lower = figure.axes
    assert upper.get_ylabel() == "current (A)"
    assert lower.get_xlabel() == "time (min)"
    labels = {t.get_text(): t.get_position()[0] for t in lower.get_xticklabels()}
    assert labels["20"] == pytest.approx(1200.0)


def test_very_many_stops_are_averaged_over_short_times_with_their_range_shaded(result):
    """Stops of 1 s in turn at 0.1 A and 0.3 A, then a pause as long as all of them."""
    count = 2000
    current = np.where(np.arange(count) % 2, 0.3, 0.1)
    many = lifted(
        result,
        time=np.arange(count) + np.where(np.arange(count) == count - 1, float(count), 0.0),
        dwell=np.ones(count),
        current=current,
        voltage=9.0 - current,
        swab_x=np.full(count, 0.01),
        swab_y=np.full(count, 0.01),
        rewet=np.zeros(count, bool),
    )
    figure = current_history(many)
    upper, lower = figure.axes
    shade, line = upper.patches
    values, edges, _ = line.get_data()
    assert (values * np.diff(edges)).sum() == pytest.approx(1e3 * (current * many.dwell).sum())
    np.testing.assert_allclose(values[:79], 200.0, rtol=0.021)
    np.testing.assert_allclose(values[81:159], 0.0, atol=1e-9)
    highs, _, lows = shade.get_data()
    assert (lows[5], highs[5]) == (100.0, 300.0)
    volts, _, _ = lower.patches[1].get_data()
    np.testing.assert_allclose(volts[:79], 8.8, atol=0.005)
    assert np.isnan(volts[120])
    assert "averages over 25 s" in words_of(figure)


def test_a_steady_current_is_said_to_be_steady(result):
    steady = lifted(result, time=[0.0, 10.0], current=[0.2, 0.2])
    assert "Current: 200 mA throughout" in words_of(current_history(steady))


def test_a_single_figure_can_be_saved_by_its_name(result, tmp_path):
    save_figure(depth_map(result), tmp_path / "here.pdf")
    assert (tmp_path / "here.pdf").stat().st_size > 5_000
    with pytest.raises(InputError, match="one of png, svg, pdf"):
        save_figure(depth_map(result), tmp_path / "here")
