"""A case from its text: what comes out, and every fault of a file at once."""

from __future__ import annotations

import json
import math
import subprocess
import sys
from dataclasses import FrozenInstanceError, replace

import numpy as np
import pytest

from simulate.case.case import (
    Case,
    all_stops,
    case_schema_json,
    effective_text,
    parse_case,
    read_case,
    with_changes,
)
from simulate.case.settings import Aim, GridSettings, Rewet, Room
from simulate.errors import InputError
from simulate.materials.battery import Battery
from simulate.materials.lookup import find_mask, find_source, find_wick
from simulate.materials.metals import find_metal
from simulate.stencil.shapes import Circle, Polygon, Text, shape_area
from simulate.swab.contact_patch import contact_size
from simulate.swab.geometry import Bud, Pad
from simulate.swab.stroke import Hatch, Hold

GOOD = """
title = "A test tag (invented)"

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
[[stencil.shapes]]
kind = "circle"
x = "10 mm"
y = "10 mm"
diameter = "4 mm"

[swab]
form = "bud"
diameter = "5 mm"
length = "14 mm"
press = "0.8 mm"
tilt = "30 deg"

[stroke]
pattern = "hatch"
x = "20 mm"
y = "10 mm"
width = "30 mm"
height = "8 mm"
spacing = "4 mm"
speed = "10 mm/s"
passes = 3
"""


def good(**changes: object) -> Case:
    """The good case with values changed; two underscores part the names of a key."""
    named = {key.replace("__", "."): value for key, value in changes.items()}
    return with_changes(parse_case(GOOD, "good.toml"), named)


def faults_of(text: str) -> list[str]:
    with pytest.raises(InputError) as caught:
        parse_case(text, "bad.toml")
    for fault in caught.value.faults:
        assert fault.file == "bad.toml"
        assert fault.line
        assert fault.key
        assert fault.expected
    return [str(fault) for fault in caught.value.faults]


def fault_of(*lines: tuple[str, str]) -> str:
    """The one fault of the good text with lines replaced."""
    text = GOOD
    for old, new in lines:
        assert old in text
        text = text.replace(old, new)
    faults = faults_of(text)
    assert len(faults) == 1, faults
    return faults[0]


# What comes out -----------------------------------------------------------------------------------


def test_a_case_comes_out_in_si():
    case = parse_case(GOOD)
    assert case.title == "A test tag (invented)"
    assert (case.plate.width, case.plate.height, case.plate.thickness) == (0.04, 0.02, None)
    assert case.metal == find_metal("carbon_steel")
    assert case.electrolyte.salt == 0.006
    assert case.electrolyte.temperature == 293.15
    assert case.stencil.shapes == (Circle(0.01, 0.01, 0.004),)
    assert case.stencil.thickness == 0.00015
    assert isinstance(case.swab, Bud)
    assert case.swab.tilt == pytest.approx(math.pi / 6, rel=1e-15)
    wick = find_wick("cotton_bud")
    assert (case.swab.porosity, case.swab.wick_exponent) == (
        wick.porosity.value,
        wick.exponent.value,
    )
    assert case.strokes == (Hatch(0.02, 0.01, 0.03, 0.008, 0.004, 0.01, passes=3),)
    assert (case.rewet, case.aim, case.room, case.grid) == (Rewet(), Aim(), None, GridSettings())
    assert case.text == GOOD


def test_a_case_cannot_be_altered():
    case = parse_case(GOOD)
    with pytest.raises(FrozenInstanceError):
        case.title = "x"  # type: ignore[misc]
    with pytest.raises(FrozenInstanceError):
        case.grid.cell = 1.0  # type: ignore[misc]


def test_the_path_does_not_make_a_case_another_but_the_text_does():
    assert parse_case(GOOD, "a.toml") == parse_case(GOOD, "b.toml")
    assert parse_case(GOOD) != parse_case(GOOD + "\n")
    assert parse_case(GOOD) != good(plate__width="41 mm")


def test_usual_values_in_the_file_are_those_of_the_parts():
    case = parse_case(
        GOOD + '[grid]\n[aim]\n[room]\nvolume = "30 m3"\n[rewet]\n', "tables_without_keys.toml"
    )
    assert case.grid == GridSettings()
    assert case.aim == Aim()
    assert case.rewet == Rewet()
    assert case.room == Room(30.0, 0.5 / 3600.0, 1)
    assert case.supply.leads == find_source("leads").resistance.value


def test_the_supply_holds_its_leads():
    supply = good(supply__leads="0.5 ohm", supply__current_limit="0.4 A").supply.after(100.0)
    assert (supply.emf, supply.resistance, supply.current_limit) == (9.0, 2.5, 0.4)


def test_a_named_battery_sags_with_the_charge_drawn():
    case = good(
        supply__emf=None, supply__resistance=None, supply__name="alkaline", supply__drawn="100 mAh"
    )
    assert isinstance(case.supply.source, Battery)
    fresh = replace(case.supply, drawn=0.0).after(0.0)
    used, later = case.supply.after(0.0), case.supply.after(300.0)
    assert fresh.emf > used.emf > later.emf
    assert fresh.resistance < used.resistance < later.resistance
    assert fresh.resistance == case.supply.source.resistance + case.supply.leads


def test_a_named_bench_supply_takes_its_voltage_from_the_case():
    case = good(supply__resistance=None, supply__name="bench", supply__current_limit="0.3 A")
    supply = case.supply.after()
    assert supply.emf == 9.0
    assert supply.resistance == find_source("bench").resistance.value + case.supply.leads


def test_layers_of_a_material_add_up():
    case = good(stencil__thickness=None, stencil__material="vinyl", stencil__layers=3)
    assert case.mask == find_mask("vinyl")
    assert case.stencil.thickness == pytest.approx(3 * 85e-6, rel=1e-12)


def test_a_spoon_of_salt_needs_its_bulk_density():
    case = good(electrolyte__salt="1 1/2 tsp", electrolyte__bulk_density="1.2 g/mL")
    assert case.electrolyte.salt == pytest.approx(0.009, rel=1e-12)
    fault = fault_of(('salt = "6 g"', 'salt = "1 tsp"'))
    assert "a spoon is a volume" in fault
    assert '"1.2 g/mL"' in fault


def test_a_polygon_is_turned_about_its_own_zero_and_put_on_the_plate():
    shape = """
kind = "polygon"
unit = "mm"
x = "20 mm"
y = "10 mm"
angle = "90 deg"
points = [[0, 0], [4, 0], ["4 mm", "0.1 cm"]]
"""
    case = parse_case(GOOD.replace("[swab]", f"[[stencil.shapes]]{shape}[swab]"))
    polygon = case.stencil.shapes[1]
    assert isinstance(polygon, Polygon)
    np.testing.assert_allclose(
        polygon.points, [(0.02, 0.01), (0.02, 0.014), (0.019, 0.014)], atol=1e-15
    )


def test_shapes_may_stand_in_one_list():
    listed = GOOD.replace(
        """[[stencil.shapes]]
kind = "circle"
x = "10 mm"
y = "10 mm"
diameter = "4 mm"
""",
        """shapes = [
  { kind = "circle", x = "10 mm", y = "10 mm", diameter = "4 mm" },
  { kind = "text", text = "A", x = "20 mm", y = "10 mm", height = "5 mm", bridge = "1 mm" },
]
""",
    )
    shapes = parse_case(listed).stencil.shapes
    assert shapes[0] == parse_case(GOOD).stencil.shapes[0]
    assert isinstance(shapes[1], Text)
    assert all(part.interiors[:] == [] for part in shape_area(shapes[1]).geoms)


def test_a_pad_has_another_wick_and_cathode():
    case = parse_case(
        GOOD.replace('form = "bud"', 'form = "pad"')
        .replace('diameter = "5 mm"', 'width = "8 mm"')
        .replace('press = "0.8 mm"', 'height = "4 mm"')
        .replace('tilt = "30 deg"', "porosity = 0.7")
    )
    assert isinstance(case.swab, Pad)
    assert case.swab.porosity == 0.7
    assert (case.wick.name, case.cathode) == ("wool_felt", "stainless")


def test_ones_own_numbers_override_the_catalogues():
    case = parse_case(GOOD + '[metal]\nslope = "75 mV"\nefficiency = 0.8\n')
    assert case.metal.slope.value == 0.075
    assert case.metal.efficiency.value == 0.8
    assert case.metal.density == find_metal("carbon_steel").density


def test_ones_own_metal_may_have_its_own_name():
    own = """[metal]
base = "brass"
label = "shed brass"
composition = { Cu = 0.6, Zn = 0.4 }
"""
    case = parse_case(GOOD.replace('"mild steel"', '"shed brass"') + own)
    assert case.plate.metal == "shed brass"
    assert case.metal.label == "shed brass"
    assert case.metal.equivalent_weight != find_metal("brass").equivalent_weight


def test_a_coated_plate_takes_the_coating_of_the_case():
    case = good(plate__metal="galvanised steel", plate__coating="12 um")
    assert case.metal.thickness is not None
    assert case.metal.thickness.value == pytest.approx(12e-6, rel=1e-12)
    assert "no coating" in fault_of(('width = "40 mm"', 'width = "40 mm"\ncoating = "9 um"'))


def test_several_strokes_follow_one_another():
    second = '[[stroke]]\npattern = "hold"\nx = "10 mm"\ny = "10 mm"\ntime = "4 s"\n'
    case = parse_case(GOOD.replace("[stroke]", "[[stroke]]") + second)
    assert case.strokes[1] == Hold(0.01, 0.01, 4.0)
    stops = all_stops(case)
    assert stops.start[-1] == pytest.approx(27.0, rel=1e-12)  # three passes of 90 mm at 10 mm/s
    assert stops.dwell.sum() == pytest.approx(31.0, rel=1e-12)
    assert sorted(set(stops.pass_index)) == [0, 1, 2, 3]
    assert (np.diff(stops.start) > 0).all()


def test_stops_lie_no_farther_apart_than_the_share_of_the_contact_patch():
    case = good(grid__stop_spacing="20 %")
    assert case.stop_spacing == pytest.approx(0.2 * min(contact_size(case.swab)), rel=1e-12)
    steps = np.hypot(np.diff(all_stops(case).x), np.diff(all_stops(case).y))
    assert np.median(steps) <= case.stop_spacing
    finer = good(grid__stop_spacing="20 %", grid__finer=2)
    assert finer.stop_spacing == pytest.approx(0.5 * case.stop_spacing, rel=1e-12)


# Changing and explaining --------------------------------------------------------------------------


def test_a_change_gives_another_case_and_keeps_the_first():
    case = parse_case(GOOD, "good.toml")
    changed = with_changes(
        case, {"stencil.thickness": "0.2 mm", "stencil.shapes.1.diameter": "3 mm"}
    )
    assert case.stencil.thickness == 0.00015
    assert changed.stencil.thickness == 0.0002
    assert changed.stencil.shapes == (Circle(0.01, 0.01, 0.003),)
    assert parse_case(changed.text) == changed
    assert changed.path == "good.toml"


def test_a_change_that_cannot_be_is_refused_as_in_a_file():
    case = parse_case(GOOD, "good.toml")
    with pytest.raises(InputError, match="is a current") as caught:
        with_changes(case, {"supply.emf": "9 A"})
    assert caught.value.faults[0].key == "supply.emf"
    with pytest.raises(InputError, match="did you mean 'thickness'"):
        with_changes(case, {"stencil.thikness": "0.2 mm"})


def test_the_effective_text_says_everything_and_means_the_same():
    case = parse_case(GOOD, "good.toml")
    text = effective_text(case)
    assert 'temperature = "20 degC" # default' in text
    assert 'wick = "cotton_bud" # default' in text
    assert "stop_spacing = 0.25 # default" in text
    assert replace(parse_case(text), text="") == replace(case, text="")
    assert effective_text(parse_case(text)) == text


def test_the_schema_is_json():
    assert json.loads(case_schema_json())["title"] == "CaseTable"


# Faults -------------------------------------------------------------------------------------------


def test_all_faults_of_a_file_come_together_in_its_order():
    bad = """title = "bad"
[plate]
metal = "carbn steel"
widht = "40 mm"
height = "20 mm"
thickness = "-1 mm"
[electrolyte]
vinegar = "60 mL"
salt = "1 tsp"
additions = ["bleach"]
[supply]
emf = "9 A"
resistance = 2
[stencil]
thickness = "0.15 mm"
shapes = [
  { kind = "circle", x = "39 mm", y = "10 mm", diameter = "4 mm" },
  { kind = "text", text = "\\u65e5", x = "20 mm", y = "10 mm", height = "5 mm" },
]
[swab]
form = "bud"
diameter = "5 mm"
length = "90 mm"
press = "0.8 mm"
[stroke]
pattern = "hold"
x = "4 mm"
y = "10 mm"
time = "3 s"
[gird]
cell = "0.2 mm"
"""
    faults = faults_of(bad)
    expected = [
        (3, "plate.metal", "did you mean 'carbon_steel'"),
        (4, "plate.widht", "did you mean 'width'"),
        (6, "plate.thickness", "more than 0 mm"),
        (9, "electrolyte.salt", "a spoon is a volume"),
        (10, "electrolyte.additions", "chlorine"),
        (12, "supply.emf", "is a current"),
        (13, "supply.resistance", "a bare number where a unit is due"),
        (17, "stencil.shapes.1.x", "off the plate"),
        (18, "stencil.shapes.2.text", "U+65E5"),
        (20, "swab", "more than the plate's width of 40 mm"),
        (30, "gird", "did you mean 'grid'"),
    ]
    found = [fault.split(":", 3) for fault in faults]
    assert [int(line) for _, line, *_ in found] == [line for line, *_ in expected]
    for fault, (line, key, words) in zip(faults, expected, strict=True):
        assert fault.startswith(f"bad.toml:{line}: {key}")
        assert words in fault


@pytest.mark.parametrize(
    ("line", "bad", "words"),
    [
        ('metal = "mild steel"', 'metal = "titanium"', "does not etch"),
        ('metal = "mild steel"', "metal = 3", "text in quotes"),
        ('width = "40 mm"', 'width = "40"', "has no unit"),
        ('width = "40 mm"', 'width = "wide"', "does not begin with a number"),
        ('salt = "6 g"', 'salt = "6 V"', "is a voltage"),
        ('salt = "6 g"', 'salt = "-6 g"', "too small"),
        ('salt = "6 g"', 'salt = "6 g"\nacid = "40 %"', "too strong"),
        ('salt = "6 g"', 'salt = "6 g"\nhydrogen_peroxide = "5 mL"', "peracetic acid"),
        ('salt = "6 g"', 'salt = "6 g"\nadditions = ["sugar"]', "nothing is known here"),
        ('vinegar = "60 mL"', 'vinegar = "0 mL"', "there is no liquid"),
        ('resistance = "2 ohm"', 'name = "alkaline_9v"', "brings its own"),
        ('emf = "9 V"\nresistance = "2 ohm"', 'name = "lithium"', "no supply 'lithium'"),
        ('emf = "9 V"\nresistance = "2 ohm"', 'name = "bench"', "missing"),
        ('resistance = "2 ohm"', 'resistance = "2 ohm"\ndrawn = "9 C"', "only a battery"),
        ('thickness = "0.15 mm"', "layers = 2", "missing"),
        ('thickness = "0.15 mm"', 'thickness = "0.15 mm"\nmaterial = "vinyl"', "given too"),
        ('thickness = "0.15 mm"', 'material = "vinil"', "did you mean 'vinyl'"),
        ('kind = "circle"', 'kind = "disk"', "no such kind"),
        ('kind = "circle"', 'knd = "circle"', "did you mean 'kind'"),
        ('diameter = "4 mm"', 'diameter = "4 mm"\ninner = "3 mm"', "with kind ring"),
        ('form = "bud"', 'form = "sponge"', "no such form"),
        ('form = "bud"\n', "", "missing"),
        ('press = "0.8 mm"', 'press = "2.6 mm"', "presses past the axis"),
        ('press = "0.8 mm"', 'press = "0.8 mm"\nwick = "cotten bud"', "no wick"),
        ('press = "0.8 mm"', 'press = "0.8 mm"\ncathode = "wood"', "no cathode"),
        ('pattern = "hatch"', 'pattern = "hach"', "did you mean 'hatch'"),
        ("passes = 3", "passes = 0", "too small; expected 1 or more"),
        ("passes = 3", 'passes = "3"', "expected a whole number"),
        ("passes = 3", 'passes = 3\ntime = "3 s"', "with pattern hold or dabs"),
        ("passes = 3", 'passes = 3\n[grid]\ncell = "3 mm"', "a quarter of the swab's contact"),
        ("passes = 3", "passes = 3\n[metal]\nslope = 3", "metal.slope"),
        ("passes = 3", 'passes = 3\n[metal]\nslop = "60 mV"', "did you mean 'slope'"),
        ('width = "30 mm"', 'width = "50 mm"', "off the plate"),
        ("passes = 3", "passes = 3\nangle = 1", "bare number"),
        ("passes = 3", 'passes = 3\nalternate = "yes"', "true or false"),
        ('x = "20 mm"\ny = "10 mm"\nwidth = "30 mm"', 'x = "32 mm"\ny = "10 mm"\nwidth = "9 mm"',
         "never touches an opening"),
    ],
)  # fmt: skip
def test_a_single_fault_is_named(line, bad, words):
    assert words in fault_of((line, bad))


def test_bare_coordinates_need_a_unit():
    path = 'pattern = "path"\npoints = [[5, 10], [15, 10]]\nspeed = "9 mm/s"\n'
    text = GOOD[: GOOD.index('pattern = "hatch"')] + path
    (fault,) = faults_of(text)
    assert 'unit = "mm"' in fault
    assert parse_case(text + 'unit = "mm"\n').strokes[0].speed == 0.009
    (fault,) = faults_of(text + 'unit = "furlong"\n')
    assert "stroke.unit" in fault
    assert "no unit 'furlong'" in fault


def test_missing_tables_are_named_each_with_what_belongs_in_it():
    faults = faults_of('title = "x"\n[plate]\nmetal = "brass"\nwidth = "5 mm"\nheight = "5 mm"\n')
    for table in ("electrolyte", "supply", "stencil", "swab", "stroke"):
        assert (
            sum(
                f"{table}: missing; expected [{table}] with " in fault
                or f"{table}: missing; expected [{table}], with " in fault
                for fault in faults
            )
            == 1
        )
    assert len(faults) == 5


def test_a_table_that_is_none_is_named():
    assert "swab = 3: not a table" in "\n".join(
        faults_of("swab = 3\n" + GOOD[: GOOD.index("[swab]")] + GOOD[GOOD.index("[stroke]") :])
    )


def test_a_stencil_without_openings_is_refused():
    cut = GOOD[: GOOD.index("[[stencil")] + GOOD[GOOD.index("[swab]") :]
    (fault,) = faults_of(cut)
    assert "stencil.shapes: missing" in fault


def test_a_slip_in_toml_stops_the_reading_with_its_line(tmp_path):
    file = tmp_path / "slip.toml"
    file.write_text(GOOD.replace('width = "40 mm"', 'width = 40 mm"'))
    with pytest.raises(InputError) as caught:
        read_case(file)
    (fault,) = caught.value.faults
    assert (fault.file, fault.line, fault.value) == (str(file), 6, 'width = 40 mm"')


def test_a_file_that_cannot_be_read_is_an_input_fault(tmp_path):
    with pytest.raises(InputError, match="cannot be read"):
        read_case(tmp_path / "none.toml")
    (tmp_path / "latin.toml").write_bytes(b'title = "x"\nnote = "\xe9"\n')
    with pytest.raises(InputError, match="not text in UTF-8") as caught:
        read_case(tmp_path / "latin.toml")
    assert caught.value.faults[0].line == 2


def test_reading_is_cheap_until_a_file_is_read():
    code = (
        "import sys, simulate.case.case\n"
        "assert not {'pydantic', 'tomlkit', 'shapely', 'matplotlib'} & set(sys.modules)\n"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


def test_a_good_case_is_read_without_the_library_that_finds_lines():
    code = (
        f"import sys\nfrom simulate.case.case import parse_case\nparse_case({GOOD!r})\n"
        "assert 'tomlkit' not in sys.modules\n"
    )
    subprocess.run([sys.executable, "-c", code], check=True)
