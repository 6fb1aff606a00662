"""``swabfield check``: reading, time, wettings, batteries, safety, stencil and cost of a case."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest
from places import ROOT

from simulate.case.case import read_case
from simulate.cli import main
from simulate.estimate.forecast import forecast_of
from simulate.estimate.inputs import bench_of
from simulate.run.etch import etch_case

TAG = ROOT / "cases/garden_tag.toml"
CROWD = '[room]\nvolume = "15 m3"\nair_changes = "0.3 /h"\nswabs = 15\n'
STRONG = ('"alkaline_aa_three"', '"alkaline_9v"'), ('salt = "1.5 g"', 'salt = "11 g"')
"""The tag with a 9 V block and much salt."""

KEYS = {
    "schema", "command", "exit", "title", "etches", "level", "bench", "remarks", "plate", "liquid",
    "supply", "stencil", "swab", "stroke", "cost", "safety", "cautions", "findings", "causes",
    "wetting",
}  # fmt: skip
BENCH = {
    "this_metal", "you_should_read", "as_it_moves", "others_read", "held_back_by", "largest_doubt",
    "at_the_swab", "heat", "swab_gets_to", "this_stroke", "time_to_depth", "charge", "wettings",
    "batteries", "hydrogen",
}  # fmt: skip


@pytest.fixture
def changed(tmp_path):
    """A case like the garden tag with parts of its text replaced."""

    def change(*pairs, text=None):
        text = TAG.read_text(encoding="utf-8") if text is None else text
        for old, new in pairs:
            assert old in text
            text = text.replace(old, new)
        path = tmp_path / "case.toml"
        path.write_text(text, encoding="utf-8")
        return str(path)

    return change


def room(text):
    """The tag's own room replaced by another."""
    own = TAG.read_text(encoding="utf-8")
    start = own.index("[room]")
    return own[start : own.index("[grid]")], text + "\n"


def run(capsys, *arguments):
    status = main(["check", *map(str, arguments)])
    return status, *capsys.readouterr()


def told(capsys, path):
    status, out, _ = run(capsys, path, "--json")
    assert status == 0
    return json.loads(out)


def flat(text):
    return " ".join(text.split())


# What a person asks -------------------------------------------------------------------------------


def test_the_reading_stands_first_with_its_band(capsys):
    status, out, complaint = run(capsys, TAG)
    point = forecast_of(bench_of(read_case(TAG))).point
    assert (status, complaint) == (0, "")
    lines = out.splitlines()
    assert lines[2] == "At the bench"
    reading = next(line for line in lines if "you should read" in line)
    assert f"{point.current.low:.2g} to {point.current.high:.2g} A" in reading
    assert f"most likely {point.current.value:.2g} A" in reading


@pytest.mark.parametrize("case", sorted((ROOT / "cases").glob("*.toml")), ids=lambda p: p.stem)
def test_every_case_fits_80_columns(capsys, case):
    status, out, complaint = run(capsys, case)
    assert (status, complaint) == (0, "")
    assert max(map(len, out.splitlines())) <= 80
    assert "you should read" in out


def test_the_report_answers_in_the_order_of_the_bench(capsys, changed):
    out = run(capsys, changed(*STRONG))[1]
    heads = [line for line in out.splitlines()[1:] if line and not line.startswith(" ")]
    assert heads[:3] == ["At the bench", "Safety", "Remarks"]
    assert heads[-2:] == ["Cost of etching it here", "Cautions"]
    for words in (
        "works well",
        "others read 0.2 to 1 A (common practice, no source)",
        "held back by a salt film",
        "largest doubt current at which a salt film forms",
        "for 6 um",
        "of one is used up",
        "licensed for electrical work",
    ):
        assert words in flat(out)


def test_the_json_object_is_complete_and_in_si(capsys, changed):
    strong = changed(*STRONG)
    found = told(capsys, strong)
    assert set(found) == KEYS
    assert set(found["bench"]) == BENCH
    for name in (
        "you_should_read",
        "at_the_swab",
        "heat",
        "this_stroke",
        "time_to_depth",
        "charge",
    ):
        assert {"value", "low", "high", "unit"} == set(found["bench"][name])
    forecast = forecast_of(bench_of(read_case(strong)))
    assert found["bench"]["charge"]["value"] == forecast.charge.value
    assert found["bench"]["wettings"]["value"] == forecast.dips
    assert found["wetting"]["charge"] == {"value": forecast.dip.charge, "unit": "C"}
    assert found["wetting"]["common_practice"] == forecast.practice_dips
    assert found["bench"]["hydrogen"]["unit"] == "m3"
    assert found["bench"]["hydrogen"]["value"] == pytest.approx(
        0.1268e-6 * forecast.charge.value, rel=1e-3
    )
    assert found["causes"][0]["name"] == found["bench"]["largest_doubt"]
    assert set(found["causes"][0]) == {"name", "words", "low", "high"}
    assert set(found["cost"]) == {"cell", "stops", "places", "solves", "window", "work", "memory"}
    assert found["safety"]["level"] == found["level"]


@pytest.mark.parametrize("name", ["brass_pad", "thin_mask"])
def test_the_cost_counts_places_and_cells_and_guesses_the_solves(capsys, changed, name):
    text = (ROOT / f"cases/{name}.toml").read_text(encoding="utf-8")
    own = next(line for line in text.splitlines() if line.startswith("cell = "))
    path = changed((own, 'cell = "0.8 mm"'), text=text)
    statistics = etch_case(read_case(path)).statistics
    cost = told(capsys, path)["cost"]
    assert cost["places"]["value"] == statistics["places"]
    cells = [int(word) for word in cost["window"].split() if word.isdigit()]
    assert cells[0] * cells[1] * cells[2] == statistics["cells"]
    assert 1 / 3 < cost["solves"]["value"] / statistics["solves"] < 3.0
    assert cost["work"]["value"] == pytest.approx(
        3e-7 * cost["solves"]["value"] * statistics["cells"], rel=1e-9
    )
    assert cost["memory"]["value"] > 50.0 * statistics["cells"]


def test_a_stroke_that_misses_the_aim_is_told_by_how_much(capsys, changed):
    case = read_case(TAG)
    passes = case.strokes[0].passes
    short = changed((f"passes = {passes}", f"passes = {passes // 2}"))
    remarks = told(capsys, short)["remarks"]
    assert any("of the 6 um wanted: work 1.8" in remark for remark in remarks)
    assert not any("wanted: work" in remark for remark in told(capsys, TAG)["remarks"])


def test_without_a_rule_it_says_how_often_people_wet_the_swab(capsys, changed):
    own = TAG.read_text(encoding="utf-8")
    rule = own[own.index("[rewet]") : own.index("[aim]")]
    found = told(capsys, changed((rule, "")))
    out = flat(run(capsys, changed((rule, "")))[1])
    assert found["bench"]["wettings"]["value"] == 1
    assert "the case has no [rewet]; common practice: every 10 C or 20 s, here" in out


def test_a_supply_below_the_floor_says_that_no_current_flows(capsys, changed):
    text = (ROOT / "cases/press_and_hold.toml").read_text(encoding="utf-8")
    dead = changed(('emf = "1.2 V"', 'emf = "0.05 V"'), ("carbon_steel", "304"), text=text)
    found = told(capsys, dead)
    assert found["bench"]["you_should_read"]["value"] == 0.0
    assert any("No current flows" in remark for remark in found["remarks"])


# The stencil --------------------------------------------------------------------------------------


MISTAKES = """
title = "Three mistakes"
[plate]
metal = "carbon_steel"
width = "40 mm"
height = "20 mm"
[electrolyte]
vinegar = "60 mL"
salt = "6 g"
[supply]
name = "alkaline_9v"
[stencil]
thickness = "0.3 mm"
shapes = [
  { kind = "ring", x = "10 mm", y = "10 mm", outer = "9 mm", inner = "6 mm" },
  { kind = "rectangle", x = "20 mm", y = "10 mm", width = "3 mm", height = "8 mm" },
  { kind = "rectangle", x = "23.6 mm", y = "10 mm", width = "3 mm", height = "8 mm" },
  { kind = "rectangle", x = "33 mm", y = "10 mm", width = "0.5 mm", height = "8 mm" },
]
[swab]
form = "bud"
diameter = "5 mm"
length = "14 mm"
press = "0.8 mm"
[stroke]
pattern = "hatch"
x = "20 mm"
y = "10 mm"
width = "30 mm"
height = "0 mm"
spacing = "5 mm"
speed = "10 mm/s"
"""


def test_islands_thin_bridges_and_dry_slots_are_found(capsys, changed):
    path = changed(text=MISTAKES)
    found = told(capsys, path)["findings"]
    assert {"island", "bridge", "slot"} == {finding["kind"] for finding in found}
    bridge = next(finding for finding in found if finding["kind"] == "bridge")
    slot = next(finding for finding in found if finding["kind"] == "slot")
    assert bridge["size"] == pytest.approx(0.6e-3, abs=1e-6)
    assert slot["size"] == pytest.approx(0.5e-3, abs=1e-6)
    out = flat(run(capsys, path)[1])
    for words in ("hangs on nothing and falls out", "it may tear or lift", "air may stay in it"):
        assert words in out


def test_a_deep_etch_needs_wider_bridges(capsys, changed):
    """Five times the depth, for the undercut: common practice, no source."""
    wider = MISTAKES.replace("23.6 mm", "24.3 mm")
    for depth, bridges in (("25 um", 0), ("0.25 mm", 0), ("0.27 mm", 1)):
        path = changed(text=f'{wider}[aim]\ndepth = "{depth}"\n')
        found = [f for f in told(capsys, path)["findings"] if f["kind"] == "bridge"]
        assert len(found) == bridges
    assert found[0]["size"] == pytest.approx(1.3e-3, abs=1e-6)
    assert "less than 1.35 mm" in found[0]["words"]


# Limits -------------------------------------------------------------------------------------------


def test_many_swabs_in_a_small_closed_room_are_told_on_top_and_the_status_stays_0(capsys, changed):
    crowded = changed(room(CROWD), *STRONG)
    status, out, complaint = run(capsys, crowded)
    assert (status, complaint) == (0, "")
    assert out.splitlines()[2].startswith("PAST A LIMIT")
    assert "chlorine" in out.splitlines()[3]
    assert "expected: 0 (0 to" in out.split("At the bench")[0]
    assert max(map(len, out.splitlines())) <= 80
    found = told(capsys, crowded)
    assert (found["exit"], found["level"]) == (0, "past")


@pytest.mark.parametrize("way", ["--json", "--quiet"])
def test_what_is_past_a_limit_is_never_silent(capsys, changed, way):
    status, _, complaint = run(capsys, changed(room(CROWD), *STRONG), way)
    assert status == 0
    assert complaint.startswith("past a limit: chlorine")


def test_a_mains_voltage_supply_is_past_the_touch_limit(capsys, changed):
    high = changed(('name = "alkaline_aa_three"', 'emf = "230 V"\nresistance = "1 ohm"'))
    verdicts = {v["topic"]: v["level"] for v in told(capsys, high)["safety"]["verdicts"]}
    assert verdicts["voltage"] == "past"


def test_stainless_flags_chromium_and_nickel(capsys, changed):
    path = changed(('metal = "carbon_steel"', 'metal = "stainless_304"'))
    topics = {v["topic"]: v for v in told(capsys, path)["safety"]["verdicts"]}
    assert topics["chromium"]["level"] == topics["nickel"]["level"] == "watch"
    assert topics["chromium"]["value"] > 0.0
    assert topics["hexavalent chromium"]["high"] > topics["hexavalent chromium"]["value"] == 0.0
    out = flat(run(capsys, path)[1])
    assert "chromium dissolved by one job" in out
    assert "Local rules on chromium waste decide" in out


@pytest.mark.parametrize("command", ["check", "etch"])
def test_titanium_is_refused_with_the_reason_and_what_would_serve(capsys, changed, command):
    path = changed(('metal = "carbon_steel"', 'metal = "titanium"'))
    status = main([command, path])
    out, complaint = capsys.readouterr()
    assert (status, out) == (2, "")
    assert "its oxide film withstands about 9 V" in complaint
    assert "a laser for depth" in complaint
    assert not Path(path).with_name("case-run").exists()


@pytest.mark.parametrize(
    ("added", "reason"),
    [
        ('additions = ["household bleach"]', "give off chlorine, a poison gas"),
        ('additions = ["hydrogen peroxide 3 %"]', "peracetic acid, which burns eyes and lungs"),
        ('bleach = "5 mL"', "bleach and vinegar give off chlorine"),
        ('peroxide = "10 mL"', "peroxide and vinegar make peracetic acid"),
    ],
)
@pytest.mark.parametrize("command", ["check", "etch"])
def test_bleach_and_peroxide_are_refused_with_the_reason(capsys, changed, added, reason, command):
    path = changed(("[electrolyte]", "[electrolyte]\n" + added))
    status = main([command, path])
    out, complaint = capsys.readouterr()
    assert (status, out) == (2, "")
    assert reason in complaint


# The terminal -------------------------------------------------------------------------------------


def test_no_colour_in_a_pipe_and_words_carry_the_warning(capsys, changed):
    out = run(capsys, changed(room(CROWD), *STRONG))[1]
    assert "\x1b[" not in out
    assert "PAST A LIMIT" in out


@pytest.mark.parametrize("words", [["check", str(TAG)], ["metals"], ["recipe"]])
def test_quick_commands_load_no_compiler_and_no_solver(words):
    """What keeps them under a second; measured with two other jobs on two processors: `metals` 0.6,
    `recipe` 0.5, `check` 0.8 to 0.9 s of processor time."""
    script = (
        "import sys\nfrom simulate.cli import main\n"
        f"main({words!r})\n"
        "print([m for m in ('numba', 'scipy', 'xarray', 'h5py', 'matplotlib') if m in sys.modules],"
        " file=sys.stderr)"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, cwd=ROOT, check=True
    )
    assert done.stderr.strip() == "[]"
