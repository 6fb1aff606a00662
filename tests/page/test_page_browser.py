"""The classroom page in a real browser, off the network: what it does, says, and how fast.

Needs the extra page-test and Chromium from the system; conftest leaves these tests out where they
are missing, and says so, unless SWABFIELD_BROWSER_TESTS is "required".
"""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest
from sample_result import sample_result

from simulate.page.build import read_payload, write_page
from simulate.page.maps_codec import STEPS, cut_maps

pytestmark = pytest.mark.browser

SWITCHES = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
RULES = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}


@pytest.fixture(scope="module")
def runs():
    return sample_result(), sample_result(cell=5e-4)


@pytest.fixture(scope="module")
def browser():
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        path = shutil.which("chromium") or shutil.which("chromium-browser")
        chromium = playwright.chromium.launch(executable_path=path, args=SWITCHES)
        yield chromium
        chromium.close()


@pytest.fixture(scope="module")
def files(runs, tmp_path_factory):
    folder = tmp_path_factory.mktemp("pages")
    write_page(runs[:1], folder / "one.html")
    write_page(runs, folder / "two.html", title="One beside another")
    return folder


@pytest.fixture
def show(browser, files):
    """Open a page off the network; what it asked for and complained of is kept beside it."""
    contexts = []

    def open_page(name="one", **settings):
        context = browser.new_context(offline=True, **settings)
        contexts.append(context)
        page = context.new_page()
        page.asked, page.complaints = [], []
        page.on("request", lambda request: page.asked.append(request.url))
        page.on("console", lambda message: page.complaints.append(message.text))
        page.on("pageerror", lambda error: page.complaints.append(str(error)))
        page.goto(Path(files / f"{name}.html").as_uri())
        page.wait_for_selector("body[data-ready=yes]")
        return page

    yield open_page
    for context in contexts:
        context.close()


def reading(page, number=0):
    """What the page says of the place under the ring: cell, moment, depth [m], density [A/m2]."""
    told = page.locator(f"#reading{number}").evaluate("one => ({...one.dataset})")
    i, j, moment = (int(told[name]) for name in ("i", "j", "moment"))
    return i, j, moment, 1e-6 * float(told["depth"]), 1e4 * float(told["density"])


def agrees(page, result, files, number=0):
    """Whether the page's reading is the result's own value, to half a step."""
    i, j, moment, depth, density = reading(page, number)
    data, cut = read_payload(files.read_text("utf-8")), cut_maps(result)
    place = (cut.moments[moment], cut.rows.start + j, cut.columns.start + i)
    assert depth == pytest.approx(result.sample_depth[place], abs=0.501 * data["depth"] / STEPS)
    near = 0.501 * data["density"] / STEPS
    assert density == pytest.approx(result.sample_density[place], abs=near)
    return depth


def test_the_page_opens_off_the_network_with_one_request_and_no_complaint(show):
    page = show()
    assert len(page.asked) == 1
    assert page.complaints == []


def test_the_content_policy_stops_a_request(show):
    page = show()
    refused = page.evaluate(
        "fetch('data:text/plain,x').then(() => false, error => error instanceof TypeError)"
    )
    assert refused


def test_pointing_reads_out_what_the_run_holds(show, runs, files):
    page = show()
    rng = np.random.default_rng(11)
    seen = []
    for across, up in rng.uniform(0.02, 0.98, (30, 2)):
        box = page.locator("#map0").bounding_box()
        page.mouse.move(box["x"] + across * box["width"], box["y"] + up * box["height"])
        seen.append(agrees(page, runs[0], files / "one.html"))
    assert sum(depth > 0.0 for depth in seen) > 5


def test_everything_works_by_keyboard_alone(show, runs, files):
    page = show()
    order = []
    for _ in range(8):
        page.keyboard.press("Tab")
        order.append(page.evaluate("document.activeElement.id || document.activeElement.name"))
    assert order[:6] == ["play", "time", "what", "way", "line", "map0"]

    page.locator("#time").focus()
    page.keyboard.press("Home")
    assert reading(page)[2] == 0
    early = agrees(page, runs[0], files / "one.html")
    page.keyboard.press("End")
    assert agrees(page, runs[0], files / "one.html") > early

    page.locator("#map0").focus()
    i, j, *_ = reading(page)
    for key in ("ArrowRight", "Shift+ArrowUp"):
        page.keyboard.press(key)
    assert reading(page)[:2] == (i + 1, j + 10)
    agrees(page, runs[0], files / "one.html")
    for _ in range(60):
        page.keyboard.press("Shift+ArrowLeft")
    assert reading(page)[0] == 0

    before = page.locator("#cut0").get_attribute("aria-label")
    page.keyboard.press("Enter")
    assert page.locator("#cut0").get_attribute("aria-label") != before

    page.locator("summary").first.focus()
    page.keyboard.press("Enter")
    assert page.locator("details").first.get_attribute("open") is not None


def test_a_choice_of_quantity_changes_map_scale_and_profile(show):
    page = show()
    labels = [f"#{name}0" for name in ("map", "scale", "cut")]
    before = [page.locator(one).get_attribute("aria-label") for one in labels]
    page.get_by_label("current density").check()
    after = [page.locator(one).get_attribute("aria-label") for one in labels]
    assert all("depth" in label for label in before)
    assert all("current density" in label and "A/cm²" in label for label in after)


def test_play_runs_to_the_end_and_stops(show):
    page = show()
    page.get_by_role("button", name="Play").click()
    assert page.get_by_role("button", name="Pause").is_visible()
    assert page.locator("#reading0").get_attribute("aria-live") == "off"
    page.get_by_role("button", name="Play").wait_for(timeout=8000)
    assert reading(page)[2] == 4
    assert page.locator("#reading0").get_attribute("aria-live") == "polite"


def test_two_runs_stand_on_one_scale_and_one_clock(show, runs, files):
    page = show("two")
    scales = [page.locator(f"#scale{n}").get_attribute("aria-label") for n in (0, 1)]
    assert scales[0] == scales[1]
    page.locator("#time").focus()
    page.keyboard.press("Home")
    page.keyboard.press("ArrowRight")
    for number in (0, 1):
        assert reading(page, number)[2] == 1
        agrees(page, runs[number], files / "two.html", number)


def test_the_first_answer_to_a_hand_comes_within_a_tenth_of_a_second(show):
    page = show("two")
    milliseconds = page.evaluate(
        """async () => {
          const slider = document.getElementById("time"), before = performance.now();
          slider.value = 1;
          slider.dispatchEvent(new Event("input"));
          const drawn = performance.now() - before;
          await new Promise(done => requestAnimationFrame(done));
          return drawn;
        }"""
    )
    assert milliseconds < 100.0


def test_a_screen_reader_finds_names_landmarks_and_headings(show):
    page = show()
    tree = page.locator("body").aria_snapshot()
    for line in (
        "banner",
        "main",
        "contentinfo",
        'button "Play"',
        'slider "Time"',
        'radio "depth"',
    ):
        assert line in tree
    assert page.get_by_role("heading", level=1).count() == 1
    assert "on average over the openings" in page.locator("#map0").get_attribute("aria-label")
    assert page.locator("#map0").get_attribute("aria-describedby") == "keys"


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("name", ["one", "two"])
def test_the_rules_of_accessibility_find_nothing(show, name, scheme):
    from axe_playwright_python.sync_playwright import Axe

    page = show(name, color_scheme=scheme)
    page.locator("summary").first.click()
    found = Axe().run(page, options=RULES)
    assert [one["id"] for one in found.response["violations"]] == []
    assert len(found.response["passes"]) > 20


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_maps_are_drawn_on_light_and_on_dark(show, scheme):
    page = show(color_scheme=scheme)
    corner, colours = page.locator("#map0").evaluate(
        """one => {
          const pixels = one.getContext("2d").getImageData(0, 0, one.width, one.height).data;
          const seen = new Set();
          for (let k = 0; k < pixels.length; k += 400) seen.add(pixels.slice(k, k + 3).join());
          return [pixels[0], seen.size];
        }"""
    )
    assert (corner > 200) == (scheme == "light")
    assert colours > 20


def test_on_paper_the_page_is_light_and_answers_are_open(show):
    page = show(color_scheme="dark")
    page.emulate_media(media="print", color_scheme="dark")
    page.evaluate("dispatchEvent(new Event('beforeprint'))")
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
    assert not page.locator("#play").is_visible()
    assert page.locator("details[open]").count() == page.locator("details").count()


def test_a_narrow_screen_needs_no_sideways_scrolling(show):
    page = show("two", viewport={"width": 360, "height": 700})
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
