"""The classroom page, read without a browser: what is in it, and that it asks for nothing."""

from __future__ import annotations

import dataclasses
import json
import re
from html.parser import HTMLParser

import numpy as np
import pytest
import xarray
from sample_result import CASE_TEXT, sample_result

from simulate.case.case import parse_case
from simulate.cli import main
from simulate.errors import InputError
from simulate.page.build import LARGEST, page_text, read_payload, write_page
from simulate.page.maps_codec import STEPS, THINNINGS, cut_maps, pack_maps, unpack_maps
from simulate.result.netcdf import write_result
from simulate.safety.precautions import after_run

FINDINGS = {
    "measures": {
        "evenness": {"observed": 0.8, "log_ratio": 0.04, "shares": {"edge": 0.03, "stroke": 0.01}},
        "edge_ratio": {
            "observed": 1.2,
            "log_ratio": 0.18,
            "shares": {"edge": 0.2, "stroke": -0.02},
        },
    },
    "sentences": {"edge": "Mask edge: made up.", "stroke": "Stroke: made up <too>."},
}


@pytest.fixture(scope="module")
def result():
    return sample_result()


@pytest.fixture(scope="module")
def other():
    return sample_result(cell=5e-4)


@pytest.fixture(scope="module")
def page(result):
    return page_text([result], findings=[FINDINGS])[0]


class Elements(HTMLParser):
    """Every element with its attributes, and the text inside those named."""

    def __init__(self, text):
        super().__init__()
        self.found = []
        self.text = {}
        self.open = []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.found.append((tag, dict(attrs)))
        self.open.append(tag)

    def handle_endtag(self, tag):
        while self.open and self.open.pop() != tag:
            pass

    def handle_data(self, data):
        if self.open:
            self.text.setdefault(self.open[-1], []).append(data)

    def of(self, *tags):
        return [attributes for tag, attributes in self.found if tag in tags]

    def __contains__(self, name):
        return any(attributes.get("id") == name for _, attributes in self.found)


def maps_of(run, data, name, full):
    count = {"open": 1, "depth": run["depths"], "density": run["moments"]}[name]
    return unpack_maps(run[name], (count, run["ny"], run["nx"]), full)


# --- it asks for nothing ----------------------------------------------------------------------


def test_the_page_names_no_address_and_loads_nothing(page):
    assert not re.search(r"[a-z]:[/][/]|https?:|www[.]", page)
    assert not re.search(r"@import|url\(|fetch\(|XMLHttp|WebSocket|import\(", page)
    for tag, attributes in Elements(page).found:
        assert not {"src", "href", "srcset", "action", "poster"} & set(attributes), tag
        assert tag not in {"link", "iframe", "object", "embed", "base", "form"}


def test_the_page_forbids_itself_the_network(page):
    policies = [a["content"] for a in Elements(page).of("meta") if "http-equiv" in a]
    assert len(policies) == 1
    rules = dict(rule.strip().split(" ", 1) for rule in policies[0].split(";"))
    assert rules["default-src"] == "'none'"
    assert set(rules) == {
        *("default-src", "img-src", "style-src", "script-src", "base-uri", "form-action")
    }
    assert {rules[name] for name in ("base-uri", "form-action")} == {"'none'"}
    assert not re.search(r"http|\*|'self'", policies[0])


def test_a_title_cannot_break_out(result):
    nasty = "</script><script>alert(1)</script><img src=x>"
    case = dataclasses.replace(result.case, title=nasty)
    text, _ = page_text([dataclasses.replace(result, case=case)])
    page = Elements(text)
    assert len(page.of("script")) == 2
    assert not page.of("img")
    assert read_payload(text)["runs"][0]["title"] == nasty


# --- everyone can read it ---------------------------------------------------------------------


def test_every_drawing_and_every_control_has_a_name(page):
    elements = Elements(page)
    assert [a["lang"] for a in elements.of("html")] == ["en"]
    assert len(elements.of("main")) == 1
    for drawing in elements.of("canvas"):
        assert drawing["aria-label"]
        assert drawing["role"] in {"img", "application"}
    for figure in elements.of("figure", "section"):
        assert figure["aria-labelledby"] in elements
    labelled = re.findall(r"<label[^>]*>(?:(?!</label>).)*<input", page, re.DOTALL)
    assert len(labelled) == len(elements.of("input")) == 6
    assert all(a["aria-live"] == "polite" for a in elements.of("p") if a.get("class") == "reading")
    assert [a["scope"] for a in elements.of("th")].count("row") >= 10


def test_the_table_has_the_numbers_of_the_summary(page, result):
    cells = [text.strip() for text in Elements(page).text["td"]]
    summary = result.summary
    assert f"{1e6 * summary['mean_depth']['value']:.3g} µm" in cells
    assert f"{summary['charge']['value']:.3g} C" in cells


def test_causes_are_told_as_factors_that_multiply_to_the_last_line(page):
    cells = Elements(page).text["td"]
    assert "×1.03" in cells  # exp(0.03)
    assert "×1.22" in cells  # exp(0.20)
    assert "×0.98" in cells  # exp(-0.02)
    assert "×1.20" in cells  # exp(0.18), all together
    assert "Stroke: made up <too>." in Elements(page).text["li"]


def test_cautions_and_questions_are_there_without_scripts(page, result):
    said = " ".join(Elements(page).text["li"])
    box = after_run(result)
    for verdict in (*box.of_severity("past"), *box.of_severity("watch")):
        assert verdict.sentence() in said
    assert len(Elements(page).of("details")) >= 3


def test_what_is_past_a_limit_stands_above_the_maps(result):
    text = CASE_TEXT + '\n[room]\nvolume = "0.5 m3"\nswabs = 30\n'
    crowded = dataclasses.replace(result, case=parse_case(text, "crowded.toml"))
    page, _ = page_text([crowded])
    assert page.index("Past a limit") < page.index('id="map0"')


# --- the maps are the run's -------------------------------------------------------------------


def test_the_maps_in_the_page_are_the_runs_to_half_a_step(page, result):
    data = read_payload(page)
    run, cut = data["runs"][0], cut_maps(result)
    window = (slice(None), cut.rows, cut.columns)
    for name, full, truth in (
        ("depth", data["depth"], result.sample_depth[cut.moments]),
        ("density", data["density"], result.sample_density[cut.moments]),
        ("open", 1.0, result.open_fraction[None]),
    ):
        told = maps_of(run, data, name, full)
        assert np.abs(told - truth[window]).max() <= 0.5001 * full / STEPS, name
    outside = result.open_fraction.copy()
    outside[cut.rows, cut.columns] = 0.0
    assert not outside.any(), "no opening is cut off"


def test_places_and_times_are_the_runs(page, result):
    run = read_payload(page)["runs"][0]
    cut = cut_maps(result)
    assert run["cell"] == pytest.approx(0.2)
    assert run["left"] == pytest.approx(1e3 * result.x_edges[cut.columns.start])
    assert run["bottom"] == pytest.approx(1e3 * result.y_edges[cut.rows.start])
    stops = result.sample_stop
    assert run["times"] == pytest.approx(result.time[stops] + result.dwell[stops], abs=0.006)
    assert run["current"] == pytest.approx(result.current[stops], abs=6e-5)


def test_two_runs_are_told_on_one_scale(result, other):
    text, _ = page_text([result, other], title="Two of them")
    data = read_payload(text)
    deepest = max(r.sample_depth.max() for r in (result, other))
    assert data["depth"] == pytest.approx(deepest)
    assert len(data["runs"]) == 2
    assert len(Elements(text).of("canvas")) == 6
    assert "Two of them" in Elements(text).text["h1"]


def test_a_run_that_did_not_follow_depth_shows_where_it_ended(result):
    text, _ = page_text([dataclasses.replace(result, sample_depth=None)])
    data = read_payload(text)
    run, cut = data["runs"][0], cut_maps(result)
    assert run["depths"] == 1
    told = maps_of(run, data, "depth", data["depth"])[0]
    assert np.abs(told - result.depth[cut.rows, cut.columns]).max() <= 0.5001 * data["depth"] / 255


@pytest.mark.parametrize("full", [0.0, 3e-5])
def test_packing_and_unpacking_bring_maps_back(full):
    maps = full * np.random.default_rng(4).random((5, 7, 3))
    back = unpack_maps(pack_maps(maps, full), maps.shape, full)
    assert np.abs(back - maps).max() <= 0.5001 * full / STEPS


def test_joined_cells_keep_area_and_mean(result):
    fine, coarse = cut_maps(result), cut_maps(result, join=4)
    assert 16.0 * coarse.open_fraction.sum() == pytest.approx(fine.open_fraction.sum())
    totals = [float((m.depth[-1] * m.open_fraction).sum()) for m in (fine, coarse)]
    assert 16.0 * totals[1] == pytest.approx(totals[0])


# --- size and refusals ------------------------------------------------------------------------


def test_the_page_of_a_usual_tag_is_small(page):
    assert len(page.encode()) < 200_000 < LARGEST


def test_a_page_that_would_be_too_large_is_thinned_and_says_so(result):
    whole, first = page_text([result])
    thin, how = page_text([result], largest=len(whole.encode()) - 20_000)
    assert first == THINNINGS[0]
    assert how[1] > 1
    assert f"{how[1]} by {how[1]} computed cells" in thin
    with pytest.raises(InputError, match="too large"):
        page_text([result], largest=10_000)


@pytest.mark.parametrize("count", [0, 3])
def test_a_page_shows_one_run_or_two(other, count):
    with pytest.raises(InputError, match="one or two"):
        page_text([other] * count)


def test_the_same_run_gives_the_same_bytes(other, tmp_path):
    for name in ("a.html", "b.html"):
        write_page([other], tmp_path / name)
    assert (tmp_path / "a.html").read_bytes() == (tmp_path / "b.html").read_bytes()


def test_the_command_writes_a_page_and_never_over_another(other, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "run").mkdir()
    write_result(other, tmp_path / "run" / "result.nc")
    (tmp_path / "explain.json").write_text(json.dumps(FINDINGS), encoding="utf-8")
    assert main(["page", "run", "--why", "explain.json", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["bytes"] == (tmp_path / "page.html").stat().st_size
    assert "Mask edge: made up." in (tmp_path / "page.html").read_text("utf-8")
    assert main(["page", "run"]) == 2
    assert "page.html: is there already" in capsys.readouterr().err
    assert main(["page", "run", "--force", "--why", "run/result.nc"]) == 2
    assert "no explanation" in capsys.readouterr().err
    assert main(["page", "run", "run", "--force", "--title", "Twice"]) == 0
    assert "Twice" in (tmp_path / "page.html").read_text("utf-8")


def test_the_page_of_a_run_holds_what_another_reader_finds_in_its_netcdf_file(
    other, tmp_path, monkeypatch
):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "run").mkdir()
    write_result(other, tmp_path / "run" / "result.nc")
    assert main(["page", "run", "--quiet"]) == 0
    data = read_payload((tmp_path / "page.html").read_text("utf-8"))
    run = data["runs"][0]
    with xarray.open_dataset(tmp_path / "run" / "result.nc") as stored:
        x, y = (run[name] + 0.5 * run["cell"] for name in ("left", "bottom"))
        right = np.abs(1e3 * stored["x"].values - x).argmin()
        upper = np.abs(1e3 * stored["y"].values - y).argmin()
        window = (slice(None), slice(upper, upper + run["ny"]), slice(right, right + run["nx"]))
        for name, full in (("depth", data["depth"]), ("density", data["density"])):
            told = maps_of(run, data, name, full)
            truth = stored[f"sample_{name}"].values[window]
            assert np.abs(told - truth).max() <= 0.5001 * full / STEPS, name
            assert truth.max() > 0.9 * full


def test_a_page_of_the_demos_size_is_under_a_megabyte_whatever_its_maps_hold(result):
    """As many cells as the demo has, as many moments as a page keeps, and noise in all of them."""
    assert result.depth.shape == (125, 250)
    dice = np.random.default_rng(5)
    count = THINNINGS[0][0]
    noise = dice.random((2, count, *result.depth.shape)) * (result.open_fraction > 0.0)
    stops = np.linspace(0, result.time.size - 1, count).astype(int)
    full = dataclasses.replace(
        result, sample_stop=stops, sample_density=1e4 * noise[0], sample_depth=3e-5 * noise[1]
    )
    text, thinning = page_text([full], findings=[FINDINGS])
    assert thinning == THINNINGS[0]
    assert 200_000 < len(text.encode()) < 1_000_000
