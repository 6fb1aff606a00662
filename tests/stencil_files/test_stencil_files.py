"""Stencils from files: what they draw is opened, what cannot be read is refused in one line."""

from __future__ import annotations

import os
from math import comb, pi, sqrt
from pathlib import Path

import ezdxf
import numpy as np
import pytest
import shapely
from PIL import Image

from simulate.errors import InputError
from simulate.stencil.outlines import FLATNESS
from simulate.stencil.shapes import Drawing, Polygon, Stencil, openings
from simulate.stencil_files.limits import MAX_PIECES, MAX_POINTS, check_outlines
from simulate.stencil_files.read import (
    place_openings,
    read_openings,
    stencil_path,
)

MM = 1e-3
HEAD = 'width="50mm" height="25mm" viewBox="0 0 50 25"'


@pytest.fixture
def svg(tmp_path, monkeypatch):
    """Write a drawing round some elements and read it."""
    monkeypatch.chdir(tmp_path)

    def read(body, head=HEAD, **options):
        names = 'xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink"'
        whole = body if body.startswith("<?") else f"<svg {names} {head}>{body}</svg>"
        Path("mark.svg").write_text(whole, encoding="utf-8")
        return read_openings(Path("mark.svg"), **options)

    return read


@pytest.fixture
def png(tmp_path, monkeypatch):
    """Write a picture and read it with pixels of 0.1 mm."""
    monkeypatch.chdir(tmp_path)

    def read(pixels, mode=None, **options):
        image = Image.fromarray(pixels)
        (image.convert(mode) if mode else image).save("mark.png")
        return read_openings(Path("mark.png"), **{"pixel": 0.1 * MM, **options})

    return read


@pytest.fixture
def dxf(tmp_path, monkeypatch):
    """Let a function draw into a model in millimetres, and read the drawing."""
    monkeypatch.chdir(tmp_path)

    def read(draw, unit=4, **options):
        document = ezdxf.new("R2010")
        document.units = unit
        draw(document, document.modelspace())
        document.saveas("mark.dxf")
        return read_openings(Path("mark.dxf"), **options)

    return read


def area_in_mm2(area):
    return area.area * 1e6


def box_in_mm(area):
    return [pytest.approx(side * 1e3, abs=1e-3) for side in area.bounds]


def refusal(read, *arguments, **options):
    """The one line a refusal consists of; it names the file."""
    with pytest.raises(InputError) as raised:
        read(*arguments, **options)
    assert len(raised.value.faults) == 1
    line = str(raised.value)
    assert "\n" not in line
    assert line.startswith("mark.")
    return line


# --- SVG: what is drawn -----------------------------------------------------------------------


def test_a_rectangle_lies_where_the_page_has_it_with_y_upward(svg):
    area = svg('<rect x="1" y="2" width="10" height="5"/>')
    assert box_in_mm(area) == [1, 18, 11, 23]
    assert area_in_mm2(area) == pytest.approx(50)


@pytest.mark.parametrize(
    ("head", "width"),
    [
        ('width="2cm" height="1cm" viewBox="0 0 2 1"', 10.0),
        ('width="2in" height="1in" viewBox="0 0 2 1"', 25.4),
        ('width="72pt" height="36pt" viewBox="0 0 2 1"', 12.7),
        ('width="6pc" height="3pc" viewBox="0 0 2 1"', 12.7),
        ('width="80Q" height="40Q" viewBox="0 0 2 1"', 10.0),
        ('width="50mm" height="25mm"', 25.4 / 96),
    ],
)
def test_physical_units_of_the_page_set_the_scale(svg, head, width):
    left, _, right, _ = svg('<rect width="1" height="1"/>', head).bounds
    assert (right - left) / MM == pytest.approx(width, rel=1e-9)


def test_units_and_percentages_of_a_shape_are_the_formats(svg):
    area = svg(
        '<rect width="1mm" height="50%"/>'
    )  # 1 mm is 96 / 25.4 units, each of them 1 mm here
    assert area_in_mm2(area) == pytest.approx(96 / 25.4 * 12.5, rel=2e-6)


@pytest.mark.parametrize(
    ("keep", "box"),
    [
        ("none", [0, 16, 10, 20]),
        ("xMidYMid", [30, 16, 34, 20]),
        ("xMinYMid meet", [0, 16, 4, 20]),
        ("xMaxYMin", [60, 16, 64, 20]),
        ("xMidYMax slice", [0, 40, 10, 50]),
    ],
)
def test_a_view_box_is_fitted_to_the_page_as_it_says(svg, keep, box):
    head = f'width="100mm" height="20mm" viewBox="10 0 10 5" preserveAspectRatio="{keep}"'
    assert box_in_mm(svg('<rect x="10" width="1" height="1"/>', head)) == box


def test_transforms_nest_and_apply_from_the_inside(svg):
    area = svg(
        '<g transform="translate(10,5) rotate(90)">'
        '<rect transform="scale(2)" width="3" height="1"/></g>'
    )
    assert box_in_mm(area) == [8, 14, 10, 20]


def test_use_draws_a_shape_again_where_it_says(svg):
    area = svg(
        '<defs><rect id="r" width="2" height="3"/></defs>'
        '<use href="#r" x="3"/><use xlink:href="#r" y="9"/>'
    )
    assert area_in_mm2(area) == pytest.approx(12)
    assert box_in_mm(area) == [0, 13, 5, 25]


@pytest.mark.parametrize(("rule", "size"), [("nonzero", 36), ("evenodd", 32)])
@pytest.mark.parametrize("way", ['fill-rule="{}"', 'style="fill-rule:{}"', 'class="{}"'])
def test_fill_rules_count_however_they_are_given(svg, rule, size, way):
    sheet = "<style>.evenodd {fill-rule: evenodd} .nonzero {fill-rule: nonzero}</style>"
    path = f'<path {way.format(rule)} d="M0 0h6v6h-6z M2 2h2v2h-2z"/>'
    assert area_in_mm2(svg(sheet + path)) == pytest.approx(size)


def test_a_stroke_is_widened_before_it_is_stretched(svg):
    # a line along x of width 1, stretched by 2 along and 3 across, then turned
    area = svg(
        '<g transform="translate(20,5) rotate(30) scale(2,3)">'
        '<path d="M0 0h4" fill="none" stroke="red"/></g>'
    )
    assert area_in_mm2(area) == pytest.approx(8 * 3)


@pytest.mark.parametrize(
    ("cap", "size"), [("butt", 8.0), ("square", 8.0 + 4.0), ("round", 8.0 + pi)]
)
def test_caps_end_a_stroke(svg, cap, size):
    area = svg(
        f'<line x1="5" y1="5" x2="9" y2="5" stroke="red" stroke-width="2" stroke-linecap="{cap}"/>'
    )
    assert area_in_mm2(area) == pytest.approx(size, abs=0.006)


@pytest.mark.parametrize(("join", "size"), [("miter", 1.0), ("bevel", 0.5), ("round", 0.25 * pi)])
def test_joins_turn_a_corner(svg, join, size):
    look = f'fill="none" stroke="red" stroke-width="2" stroke-linejoin="{join}"'
    line = f'<polyline points="5,5 9,5 9,9" {look}/>'
    assert area_in_mm2(svg(line)) == pytest.approx(15 + size, abs=0.006)


def test_a_closed_stroke_has_a_hole_and_no_caps(svg):
    area = svg('<rect x="5" y="5" width="6" height="4" fill="none" stroke="red" stroke-width="2"/>')
    assert area_in_mm2(area) == pytest.approx(8 * 6 - 4 * 2)
    assert len(area.geoms[0].interiors) == 1


def test_circles_ellipses_and_arcs_are_within_the_flatness(svg):
    for body, size in [
        ('<circle cx="10" cy="10" r="5"/>', 25 * pi),
        ('<ellipse cx="10" cy="10" rx="5" ry="2" transform="rotate(20)"/>', 10 * pi),
        ('<path d="M5 10a5 5 0 1 0 10 0z"/>', 12.5 * pi),
        ('<rect width="6" height="4" rx="1"/>', 20 + pi),
    ]:
        area = svg(body)
        assert abs(area.area - size * 1e-6) < FLATNESS * area.length


def area_under(*controls):
    """Area between a Bezier curve and the origin by its control points: Green's theorem, exact."""
    t, weight = np.polynomial.legendre.leggauss(8)
    t, point, slope = (t + 1) / 2, 0, 0
    places = [complex(*control) for control in controls]
    degree = len(places) - 1
    for k, place in enumerate(places):
        point = point + comb(degree, k) * t**k * (1 - t) ** (degree - k) * place
    for k, step in enumerate(np.diff(places)):
        base = comb(degree - 1, k) * t**k * (1 - t) ** (degree - 1 - k)
        slope = slope + degree * base * step
    return 0.25 * np.sum(weight * (np.conj(point) * slope).imag)


def test_smooth_curves_after_curves_of_the_other_kind_start_straight(svg):
    area = svg('<path d="M0 0 v3 q1 2 3 4 s1 2 3 4 z"/>')
    exact = area_under((0, 3), (1, 5), (3, 7)) + area_under((3, 7), (3, 7), (4, 9), (6, 11))
    assert abs(area.area - abs(exact) * 1e-6) < FLATNESS * area.length
    area = svg('<path d="M0 0 v3 c0 2 2 4 3 4 t3 4 z"/>')
    exact = area_under((0, 3), (0, 5), (2, 7), (3, 7)) + area_under((3, 7), (3, 7), (6, 11))
    assert abs(area.area - abs(exact) * 1e-6) < FLATNESS * area.length


def test_a_class_and_an_inline_style_without_a_semicolon_both_count(svg):
    sheet = "<style>.a{fill:none;stroke:red}</style>"
    area = svg(sheet + '<rect class="a" style="stroke-width:1" x="2" y="2" width="4" height="4"/>')
    assert area_in_mm2(area) == pytest.approx(25 - 9)


def test_stronger_selectors_win(svg):
    sheet = "<style>#i{fill:red} .c{fill:none} rect{fill:blue} /* * {} */ *{fill:none}</style>"
    rects = (
        '<rect id="i" class="c" width="1" height="1"/><rect class="c" x="5" width="2" height="2"/>'
    )
    assert area_in_mm2(svg(sheet + rects + '<rect x="9" width="3" height="3"/>')) == pytest.approx(
        10
    )


def test_what_is_not_drawn_is_not_opened(svg):
    hidden = [
        '<g display="none"><text>x</text></g>',
        '<g style="display:none"><rect width="9" height="9"/></g>',
        '<rect visibility="hidden" width="9" height="9"/>',
        '<rect opacity="0" width="9" height="9"/>',
        '<rect fill-opacity="0" width="9" height="9"/>',
        '<rect fill="none" width="9" height="9"/>',
        '<rect fill="transparent" width="9" height="9"/>',
        '<rect fill="rgba(0,0,0,0)" width="9" height="9"/>',
        '<clipPath id="c"><rect width="9" height="9"/></clipPath>',
        '<pattern id="p"><rect width="9" height="9"/></pattern>',
        '<line x1="0" y1="0" x2="9" y2="9"/>',
        '<rect width="9"/>',
        "<circle/>",
        '<path d=""/>',
        '<polygon points="3,3"/>',
        '<x:rect xmlns:x="urn:other" width="9" height="9"/>',
    ]
    area = svg("".join(hidden) + '<rect x="20" width="1" height="1"/>')
    assert area_in_mm2(area) == pytest.approx(1)


def test_white_counts_unless_one_colour_is_asked_for(svg):
    paints = [("white", 0, 9), ("#f00", 0, 1), ("red", 3, 1), ("url(#g)", 5, 1)]
    body = "".join(
        f'<rect fill="{paint}" x="{x}" width="{size}" height="{size}"/>'
        for paint, x, size in paints
    )
    assert area_in_mm2(svg(body)) == pytest.approx(81)
    assert area_in_mm2(svg(body, colour="red")) == pytest.approx(2)


def test_a_drawing_without_a_size_is_scaled_to_a_width(svg):
    body = '<circle cx="500" cy="500" r="400" fill="none" stroke="red" stroke-width="100"/>'
    area = svg(body, 'viewBox="0 0 1000 1000"', width=18 * MM)
    left, bottom, right, top = area.bounds
    assert right - left == pytest.approx(18 * MM)
    assert top - bottom == pytest.approx(18 * MM, rel=1e-3)
    assert area_in_mm2(area) == pytest.approx(pi * (81 - 49), rel=1e-3)
    assert "does not state its size" in refusal(svg, body, 'viewBox="0 0 1000 1000"')
    assert "does not state its size" in refusal(svg, body, 'width="100px" height="100"')


def test_a_crossing_outline_is_filled_by_its_rule_and_valid(svg):
    bow = '<path d="M0 0 L4 4 L4 0 L0 4 z"/>'
    area = svg(bow)
    assert area.is_valid
    assert area_in_mm2(area) == pytest.approx(8)


def test_a_common_document_type_is_harmless(svg):
    kind = '<!DOCTYPE svg PUBLIC "-//W3C//DTD SVG 1.1//EN" "svg11.dtd">'
    page = 'xmlns="http://www.w3.org/2000/svg" width="5mm" height="5mm"'
    body = f'<svg {page}><rect width="1mm" height="1mm"/></svg>'
    assert area_in_mm2(svg(f'<?xml version="1.0"?>{kind}{body}')) == pytest.approx(1, rel=1e-5)


# --- SVG: what is refused ---------------------------------------------------------------------

LAUGHS = (
    '<?xml version="1.0"?><!DOCTYPE svg [<!ENTITY a "ha">'
    + "".join(
        f'<!ENTITY {b} "{f"&{a};" * 10}">' for a, b in zip("abcdefghi", "bcdefghij", strict=True)
    )
    + ']><svg xmlns="http://www.w3.org/2000/svg" width="1mm" height="1mm"><title>&j;</title></svg>'
)
NEST = "".join(f'<g id="n{k + 1}"><use href="#n{k}"/><use href="#n{k}"/></g>' for k in range(40))


@pytest.mark.parametrize(
    ("body", "reason"),
    [
        (LAUGHS, "document type of its own"),
        (
            '<?xml version="1.0"?><!DOCTYPE svg SYSTEM "file:///etc/hostname"><svg/>',
            "document type",
        ),
        ('<?xml version="1.0"?><?xml-stylesheet href="a.css"?><svg/>', "style sheet outside"),
        ('<?xml version="1.0"?><svg>&amp;&what;</svg>', "not well-formed"),
        ('<?xml version="1.0"?><html/>', "its root is <html>"),
        ("<?xml", "not well-formed"),
        (f'<defs><rect id="n0" width="1" height="1"/>{NEST}</defs><use href="#n40"/>', "elements"),
        ('<g id="a"><use href="#a"/></g>', "contains itself"),
        ("<g>" * 100 + "</g>" * 100, "too deep"),
        ('<use href="other.svg#a"/>', "reference outside the file: 'other.svg#a'"),
        ('<use href="#none"/>', "'#none' is missing"),
        ('<image href="a.png"/>', "<image> is not understood"),
        ("<text>x</text>", "text converted to outlines"),
        ('<svg viewBox="0 0 1 1"/>', "<svg> is not understood"),
        ('<symbol id="s"/><use href="#s"/>', "expand the symbol"),
        ('<rect width="1" height="1" fill="url(http://a/b)"/>', "paint outside the file"),
        ('<rect width="1" height="1" clip-path="url(#c)"/>', "'clip-path' on <rect>"),
        ('<g style="mask:url(#m)"/>', "'mask' on <g>"),
        ('<path d="M0 0h1" stroke="red" stroke-dasharray="1 2"/>', "convert the stroke"),
        ("<style>@import 'a.css';</style>", "style sheet"),
        ("<style>g rect {fill: none}</style>", "selector 'g rect'"),
        ("<style>.a {fill: none</style>", "style sheet cannot be read"),
        ('<path d="M0 0 L NaN 3z"/>', "path data 'M0 0 L NaN 3z' cannot be read"),
        ('<path d="M0 0 L 1"/>', "a <path> cannot be read"),
        ('<path d="M0 0 L 1 1 1e999 3z"/>', "beyond 10 m or not a number"),
        ('<path d="M0 0 C 1e12 0 0 1e12 1 1z"/>', "beyond 10 m"),
        ('<rect width="1e300" height="1"/>', "beyond 10 m"),
        ('<rect width="1" height="1" transform="scale(1e200) scale(1e200)"/>', "transform"),
        (
            '<rect width="1" height="1" transform="scale(a)"/>',
            "transform 'scale(a)' cannot be read",
        ),
        ('<rect width="-1" height="1"/>', "width of a <rect> is negative"),
        ('<rect width="one" height="1"/>', "length 'one' cannot be read"),
        ('<rect width="1" height="1" stroke="red" stroke-width="thick"/>', "length 'thick'"),
        ('<path d="M0 0h1" stroke="red" stroke-width="1e20mm"/>', "wider than 10 m"),
        ('<path d="M0 0a1e200 1e200 0 0 1 1 1z"/>', "beyond 10 m or not a number"),
        ('<polygon points="0,0 a,b"/>', "points '0,0 a,b' cannot be read"),
        ("<rect/>", "draws no opening"),
        ('<rect width="1e-7" height="1e-7"/>', "less than 1 um across"),
    ],
)
def test_a_drawing_that_cannot_be_read_is_refused_in_one_line(svg, body, reason):
    assert reason in refusal(svg, body)


@pytest.mark.parametrize(
    ("head", "reason"),
    [
        ('width="0mm" height="5mm"', "the page has no size"),
        ('width="1e-320mm" height="5mm" viewBox="0 0 5 5"', "draws no opening"),
        ('width="5mm" height="5mm" viewBox="0 0 1"', "viewBox is not a box"),
        ('width="5mm" height="5mm" viewBox="0 0 -1 1"', "viewBox is not a box"),
        ('width="5mm" height="5mm" viewBox="0 0 nan 1"', "viewBox '0 0 nan 1' cannot be read"),
        (
            'width="5mm" height="5mm" viewBox="0 0 1 1" preserveAspectRatio="x"',
            "preserveAspectRatio",
        ),
    ],
)
def test_a_page_that_makes_no_sense_is_refused(svg, head, reason):
    assert reason in refusal(svg, '<rect width="1" height="1"/>', head)


@pytest.mark.parametrize(
    ("body", "reason"),
    [
        ('<rect width="1" height="1"/>' * (MAX_PIECES + 1), "elements"),
        ('<path d="M0 0' + "c1 9 2 -9 0 0" * 3000 + 'z"/>', f"more than {MAX_POINTS} points"),
        (
            '<path d="M0 0 '
            + " ".join(
                f"{(k * 7919) % 50}.{k % 7} {(k * 104729) % 25}.{k % 9}" for k in range(3000)
            )
            + 'z"/>',
            "cross each other too often",
        ),
        ("<!--" + "x" * 1_100_000 + "-->", "is too large; expected at most 1 MB"),
        ("<style>" + ".a,.b{fill:red}" * 3000 + "</style>", "style rules"),
    ],
    ids=["elements", "points", "crossings", "bytes", "rules"],
)
def test_a_drawing_beyond_the_limits_is_refused(svg, body, reason):
    assert reason in refusal(svg, body)


def test_a_drawing_in_another_encoding_is_refused(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    whole = '<?xml version="1.0" encoding="utf-16"?><!DOCTYPE svg [<!ENTITY a "b">]><svg/>'
    Path("mark.svg").write_bytes(whole.encode("utf-16"))
    assert "not UTF-8" in refusal(read_openings, Path("mark.svg"))


# --- PNG --------------------------------------------------------------------------------------


def picture(dark=0, ground=255):
    """A dark frame 9 by 5 with a light hole of 2 by 2, on 30 by 20 pixels."""
    pixels = np.full((20, 30), ground, np.uint8)
    pixels[5:10, 3:12] = dark
    pixels[6:8, 5:7] = ground
    return pixels


CORNERS = 4 * 0.125 + 4 * -0.125  # pixels lost at outer corners and gained at those of the hole


@pytest.mark.parametrize("mode", [None, "RGB", "RGBA", "LA", "P", "1"])
def test_dark_pixels_are_open_in_every_kind_of_picture(png, mode):
    area = png(picture(), mode)
    assert box_in_mm(area) == [0.3, 1.0, 1.2, 1.5]
    assert area.area / (0.1 * MM) ** 2 == pytest.approx(9 * 5 - 4 - CORNERS)
    assert len(area.geoms[0].interiors) == 1


def test_light_pixels_are_open_if_asked_for(png):
    assert png(255 - picture(), light=True).equals_exact(png(picture()), 1e-9)


def test_clear_pixels_are_ground(png):
    clear = np.zeros((20, 30, 4), np.uint8)
    clear[5:10, 3:12, 3] = 255
    assert png(clear).area / (0.1 * MM) ** 2 == pytest.approx(45 - 0.5)


@pytest.mark.parametrize(("kind", "full"), [(np.uint8, 255), (np.uint16, 65535)])
def test_a_smoothed_disc_has_its_area_to_a_part_of_a_pixel(png, kind, full):
    y, x = np.mgrid[:200, :200]
    grey = np.clip(np.hypot(x - 99.7, y - 99.2) - 80 + 0.5, 0, 1)
    area = png((grey * full).astype(kind))
    assert area.area / (0.1 * MM) ** 2 == pytest.approx(pi * 80**2, rel=2e-3)
    assert (area.centroid.x / MM, area.centroid.y / MM) == (
        pytest.approx(10.02, abs=0.005),
        pytest.approx(10.03, abs=0.005),
    )


def test_the_threshold_moves_the_rim_within_a_smoothed_side(png):
    ramp = np.tile(np.linspace(0, 255, 52).astype(np.uint8), (10, 1))
    widths = [np.ptp(png(ramp, threshold=level).bounds[::2]) / (0.1 * MM) for level in (0.2, 0.6)]
    assert widths == [
        pytest.approx(0.2 * 51 + 0.5, abs=0.1),
        pytest.approx(0.6 * 51 + 0.5, abs=0.1),
    ]


def test_a_picture_is_scaled_to_a_width_instead_of_pixels(png):
    area = png(picture(), pixel=None, width=18 * MM)
    assert np.ptp(area.bounds[::2]) == pytest.approx(18 * MM)
    assert area_in_mm2(area) == pytest.approx((45 - 4 - CORNERS) * 4, rel=1e-9)
    assert "has no size of its own" in refusal(png, picture(), pixel=None)


def test_a_picture_without_dark_is_refused(png):
    assert "draws no opening" in refusal(png, np.full((5, 5), 255, np.uint8))


def test_a_ragged_picture_is_refused_before_it_is_traced(png):
    noise = np.random.default_rng(11).integers(0, 255, (900, 900), np.uint8)
    assert "pixel edges" in refusal(png, noise)


def chunk(kind, content):
    import struct
    import zlib

    body = kind + content
    return struct.pack(">I", len(content)) + body + struct.pack(">I", zlib.crc32(body))


def raw_png(width, height, data, *extra):
    import struct

    header = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    parts = [chunk(b"IHDR", header), *extra, chunk(b"IDAT", data), chunk(b"IEND", b"")]
    return b"\x89PNG\r\n\x1a\n" + b"".join(parts)


def bombs():
    import zlib

    zeros = zlib.compress(bytes(30_000_000), 9)
    return [
        (raw_png(60000, 60000, zeros), "60000 x 60000 pixels are too many"),
        (raw_png(2**31 - 1, 1, zeros), "too many"),
        (raw_png(0, 5, zeros), "has no pixels"),
        (raw_png(10, 10, b"junk"), "damaged"),
        (raw_png(10, 10, zeros)[:45], "damaged"),
        (raw_png(10, 10, zeros, chunk(b"zTXt", b"a\0\0" + zeros)), "damaged"),
        (raw_png(10, 10, zeros, chunk(b"iCCP", b"a\0\0" + zeros)), "damaged"),
        (b"GIF89a" + bytes(50), "not a PNG picture"),
        (b"", "not a PNG picture"),
    ]


@pytest.mark.parametrize(("content", "reason"), bombs(), ids=range(len(bombs())))
def test_a_hostile_picture_costs_little(tmp_path, monkeypatch, content, reason):
    import tracemalloc

    monkeypatch.chdir(tmp_path)
    Path("mark.png").write_bytes(content)
    tracemalloc.start()
    try:
        assert reason in refusal(read_openings, Path("mark.png"), pixel=MM)
        assert tracemalloc.get_traced_memory()[1] < 80e6
    finally:
        tracemalloc.stop()


# --- DXF --------------------------------------------------------------------------------------


def ring(document, space):
    space.add_circle((10, 10), 5)
    space.add_circle((10, 10), 3)


@pytest.mark.parametrize(
    ("unit", "metre"), [(1, 0.0254), (4, 1e-3), (5, 1e-2), (6, 1.0), (13, 1e-6)]
)
def test_a_circle_in_a_circle_is_a_ring_in_the_drawings_unit(dxf, unit, metre):
    scale = 1e-3 / metre if unit in (6, 13) else 1.0

    def draw(document, space):
        space.add_circle((10 * scale, 10 * scale), 5 * scale)
        space.add_circle((10 * scale, 10 * scale), 3 * scale)

    area = dxf(draw, unit)
    exact = 16 * pi * (scale * metre) ** 2
    assert abs(area.area - exact) < FLATNESS * area.length
    assert len(area.geoms[0].interiors) == 1


def test_a_drawing_without_a_unit_is_scaled_to_a_width(dxf):
    assert "states no unit" in refusal(dxf, ring, 0)
    area = dxf(ring, 0, width=20 * MM)
    assert np.ptp(area.bounds[::2]) == pytest.approx(20 * MM)
    assert area_in_mm2(area) == pytest.approx(64 * pi, rel=1e-3)


def bulged(document, space):
    space.add_lwpolyline([(1, 0, 1), (-1, 0, 1)], format="xyb", close=True)


def bulged_inward(document, space):
    quarter = sqrt(2) - 1
    corners = [(0, 0, -quarter), (2, 0, 0), (2, 2, 0), (0, 2, 0)]
    space.add_lwpolyline(corners, format="xyb", close=True)


def old_polyline(document, space):
    space.add_polyline2d([(1, 0, 1), (-1, 0, 1)], format="xyb", close=True)


def mirrored(document, space):
    corners = [(-1, 0, 1), (-3, 0, 1)]
    line = space.add_lwpolyline(corners, format="xyb", close=True)
    line.dxf.extrusion = (0, 0, -1)


def triangle(document, space):
    for ends in [((20, 0), (25, 0)), ((25, 5), (25, 0.001)), ((25, 5), (20, 0))]:
        space.add_line(*ends)


def half_disc(document, space):
    space.add_arc((0, 0), 2, 0, 180)
    space.add_line((-2, 0), (2, 0))


def two_faces(document, space):
    triangle(document, space)
    space.add_line((25, 0), (30, 0))
    space.add_line((30, 0), (25, 5))
    space.add_circle((23, 1), 0.5)


def ellipse(document, space):
    space.add_ellipse((60, 0), (3, 0), 0.5)


def blocks(document, space):
    block = document.blocks.new("B")
    block.add_circle((0, 0), 1)
    space.add_blockref("B", (30, 5), dxfattribs={"xscale": 2, "yscale": 1})
    grid = {"row_count": 2, "column_count": 3, "row_spacing": 3, "column_spacing": 3}
    space.add_blockref("B", (0, 5), dxfattribs=grid)


def hatched(document, space):
    hatch = space.add_hatch()
    hatch.paths.add_polyline_path([(40, 0), (45, 0), (45, 5)], is_closed=True)
    hatch.paths.add_polyline_path([(44, 1), (44.5, 1), (44.5, 1.5)], is_closed=True)
    space.add_solid([(80, 0), (85, 0), (80, 5), (85, 5)])


def spline(document, space):
    curve = space.add_spline()
    curve.control_points = [(0, 0, 0), (4, 0, 0), (4, 3, 0), (0, 0, 0)]
    curve.knots = [0, 0, 0, 0, 1, 1, 1, 1]


def hidden_layers(document, space):
    document.layers.add("OFF").off()
    document.layers.add("ICE").freeze()
    space.add_text("x", dxfattribs={"layer": "OFF"})
    space.add_circle((50, 0), 3, dxfattribs={"layer": "ice"})
    space.add_circle((9, 0), 3, dxfattribs={"invisible": 1})
    ring(document, space)


@pytest.mark.parametrize(
    ("draw", "size", "box"),
    [
        (bulged, pi, [-1, -1, 1, 1]),
        (bulged_inward, 4 - (pi / 2 - 1), [0, 0, 2, 2]),
        (old_polyline, pi, [-1, -1, 1, 1]),
        (mirrored, pi, [1, -1, 3, 1]),
        (triangle, 12.5, [20, 0, 25, 5]),
        (half_disc, 2 * pi, [-2, 0, 2, 2]),
        (two_faces, 25 - pi / 4, [20, 0, 30, 5]),
        (ellipse, 4.5 * pi, [57, -1.5, 63, 1.5]),
        (blocks, 8 * pi, [-1, 4, 32, 9]),
        (hatched, 12.5 - 0.125 + 25, [40, 0, 85, 5]),
        (spline, abs(area_under((0, 0), (4, 0), (4, 3), (0, 0))), None),
        (hidden_layers, 16 * pi, [5, 5, 15, 15]),
    ],
    ids=lambda value: getattr(value, "__name__", ""),
)
def test_what_a_drawing_encloses_is_open(dxf, draw, size, box):
    area = dxf(draw)
    assert area_in_mm2(area) == pytest.approx(size, abs=1e-3 * area.length / MM)
    if box:
        assert box == [pytest.approx(side / MM, abs=2e-3) for side in area.bounds]


def gap(document, space):
    space.add_line((20, 0), (25, 0))
    space.add_line((25, 0.1), (25, 5))
    space.add_line((25, 5), (20, 0))


def bomb(document, space):
    document.blocks.new("B0")
    for k in range(40):
        block = document.blocks.new(f"B{k + 1}")
        block.add_blockref(f"B{k}", (0, 0))
        block.add_blockref(f"B{k}", (0, 0))
    space.add_blockref("B40", (0, 0))


def circle_of_blocks(document, space):
    document.blocks.new("A").add_blockref("C", (0, 0))
    document.blocks.new("C").add_blockref("A", (0, 0))
    space.add_blockref("A", (0, 0))


def many_times(document, space):
    document.blocks.new("A").add_circle((0, 0), 1)
    grid = {"row_count": 30000, "column_count": 30000, "row_spacing": 3, "column_spacing": 3}
    space.add_blockref("A", (0, 0), dxfattribs=grid)


@pytest.mark.parametrize(
    ("draw", "reason"),
    [
        (gap, "encloses nothing"),
        (bomb, "entities"),
        (circle_of_blocks, "contains itself"),
        (many_times, "entities"),
        (lambda d, s: s.add_blockref("NONE", (0, 0)), "'none' is not in the file"),
        (lambda d, s: s.add_text("x"), "not outlines: TEXT (1)"),
        (lambda d, s: s.add_circle((0, 0), 1e9), "beyond 10 m"),
        (lambda d, s: s.add_circle((0, float("nan")), 1), "not a number"),
        (lambda d, s: s.add_lwpolyline([(0, 0, 1, 1), (5, 0, 1, 1)], format="xyse"), "has a width"),
        (lambda d, s: s.add_lwpolyline([(0, 0), (1e9, 0), (0, 1)], close=True), "beyond 10 m"),
        (
            lambda d, s: s.add_lwpolyline([(0, 0, 1e-7), (9, 0, 0), (0, 1, 0)], format="xyb"),
            "too large",
        ),
        (lambda d, s: s.add_point((0, 0)), "not outlines: POINT (1)"),
        (lambda d, s: None, "draws no opening"),
        (lambda d, s: [s.add_circle((k % 60, k // 60), 0.4) for k in range(2400)], "points"),
        (lambda d, s: [s.add_point((k, 0)) for k in range(MAX_PIECES + 1)], "entities"),
    ],
)
def test_a_drawing_that_encloses_nothing_sound_is_refused(dxf, draw, reason):
    assert reason in refusal(dxf, draw)


def test_a_file_that_is_no_drawing_is_refused_without_its_folder(tmp_path):
    path = tmp_path / "mark.dxf"
    path.write_bytes(b"  0\nSECTION\n  2\nHEAD")
    line = refusal(read_openings, path)
    assert str(tmp_path) not in line


def test_without_the_library_the_extra_is_named(dxf, monkeypatch):
    import sys

    monkeypatch.setitem(sys.modules, "ezdxf", None)
    Path("mark.dxf").write_bytes(b"")
    assert "swabfield[dxf]" in refusal(read_openings, Path("mark.dxf"))


# --- any file ---------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["svg", "png", "dxf"])
def test_a_large_file_is_refused_before_it_is_read(tmp_path, monkeypatch, kind):
    monkeypatch.chdir(tmp_path)
    with Path(f"mark.{kind}").open("wb") as stream:
        stream.truncate(100_000_000)
    assert "100.0 MB is too large" in refusal(read_openings, Path(f"mark.{kind}"), pixel=MM)


def test_what_is_not_a_regular_file_is_refused(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    Path("mark.svg").mkdir()
    os.mkfifo("mark.png")
    assert "not a file" in refusal(read_openings, Path("mark.svg"))
    assert "not a file" in refusal(read_openings, Path("mark.png"), pixel=MM)
    assert "cannot be opened" in refusal(read_openings, Path("mark.dxf"))
    assert "kind is not known" in refusal(read_openings, Path("mark.gif"))


@pytest.mark.parametrize(
    ("options", "key"),
    [({"width": 0.0}, "width"), ({"pixel": -1.0}, "pixel"), ({"threshold": 1.0}, "threshold")],
)
def test_options_out_of_range_are_named(options, key):
    with pytest.raises(InputError) as raised:
        read_openings(Path("mark.png"), **options)
    assert [fault.key for fault in raised.value.faults] == [key]


@pytest.mark.parametrize(
    "name", ["../mark.svg", "/etc/mark.svg", "a/../../mark.svg", "link.svg", "a\0b"]
)
def test_a_name_that_leads_out_of_the_cases_folder_is_refused(tmp_path, name):
    folder = tmp_path / "case"
    folder.mkdir()
    (tmp_path / "mark.svg").write_text("<svg/>")
    (folder / "link.svg").symlink_to(tmp_path / "mark.svg")
    with pytest.raises(InputError, match="outside the folder of the case"):
        stencil_path(folder, name)


def test_a_name_within_the_cases_folder_is_taken(tmp_path):
    assert stencil_path(tmp_path, "art/mark.svg") == tmp_path / "art" / "mark.svg"


def test_openings_are_set_down_as_shapes_of_a_stencil(svg):
    area = svg(
        '<path fill-rule="evenodd" d="M0 0h6v4h-6z M2 1h2v2h-2z"/>'
        '<rect x="8" width="2" height="4"/>'
    )
    shapes = place_openings(area, 20 * MM, 10 * MM, pi / 2)
    assert all(isinstance(shape, Polygon) for shape in shapes)
    placed = openings(Stencil(1e-4, shapes))
    assert box_in_mm(placed) == [18, 5, 22, 15]
    assert placed.area == pytest.approx(area.area)
    assert sum(len(part.interiors) for part in placed.geoms) == 1


def test_slivers_and_holes_that_touch_survive_being_set_down():
    sliver = shapely.Polygon([(0, 0), (1e-3, 0), (1e-3, 1e-19)])
    touching = shapely.Polygon(
        [(0, 0), (3e-3, 0), (3e-3, 3e-3), (0, 3e-3)], [[(1e-3, 1e-3), (2e-3, 1e-3), (3e-3, 2e-3)]]
    )
    area = shapely.MultiPolygon([touching, shapely.affinity.translate(sliver, 5e-3, 0)])
    for angle in np.linspace(0, 3, 20):
        shapes = place_openings(area, 20 * MM, 10 * MM, angle)
        placed = openings(Stencil(1e-4, shapes))
        assert placed.area == pytest.approx(touching.area, rel=1e-5)


def test_a_file_is_one_shape_of_a_stencil(svg):
    svg('<rect width="2" height="4"/><circle cx="9" cy="9" r="3"/>')
    area = read_openings(Path("mark.svg"), width=12 * MM)
    shape, same = (Drawing("mark.svg", place_openings(area, 20 * MM, 10 * MM)) for _ in range(2))
    assert (shape.source, len(shape.polygons)) == ("mark.svg", 2)
    placed = openings(Stencil(1e-4, (shape,)))
    assert box_in_mm(placed)[::2] == [14, 26]
    assert hash(shape) == hash(same)
    with pytest.raises(InputError, match="no opening"):
        Drawing("mark.svg", ())


def test_outlines_are_checked_for_what_is_not_a_number(tmp_path):
    with pytest.raises(InputError, match="not a finite number"):
        check_outlines(Path("mark"), [np.array([[0.0, np.nan], [1.0, 1.0]])])
    assert shapely.Polygon([(0, 0), (1, 0), (0, 1)]).is_valid
