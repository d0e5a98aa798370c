"""The viewer in a real browser: pointing, keys, line, relief, phone, dark, hostile names."""

from __future__ import annotations

import dataclasses
import hashlib
import importlib.util
import math
import re
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from browser_cases import MARKS, sized
from package_cases import (
    FACTOR,
    HOSTILE,
    ferry_landing,
    ground,
    hostile_landing,
    layer,
    marks,
    on_map,
    only,
)  # fmt: skip

from geosite.base.errors import Finding
from geosite.handover.model import Table
from geosite.handover.palette import ALERT, BUILDING
from geosite.handover.viewer.page import write_viewer

pytestmark = MARKS


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_viewer(tmp_path_factory.mktemp("viewer"), ferry_landing())


def show(browser: Any, page: Path, width: int = 1200, height: int = 800, **look: str) -> None:
    """Open a page in a window of a size; fails on anything in the browser's console."""
    sized(browser, width, height)
    features = [{"name": "prefers-color-scheme", "value": look.get("scheme", "light")}]
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": features})
    browser.get(page.as_uri())
    settle(browser)
    assert browser.get_log("browser") == []


def settle(browser: Any) -> None:
    """Wait until the picture is painted."""
    browser.execute_async_script(
        "const done = arguments[0];"
        "requestAnimationFrame(() => requestAnimationFrame(() => requestAnimationFrame(done)));"
    )


def choose(browser: Any, name: str, text: str) -> None:
    from selenium.webdriver.support.ui import Select

    Select(browser.find_element("id", name)).select_by_visible_text(text)
    settle(browser)


def find(browser: Any, text: str) -> None:
    """Type a name into the search box and press Enter."""
    box = browser.find_element("id", "find")
    box.clear()
    box.send_keys(text, "\ue007")
    settle(browser)


def click(browser: Any, across: float = 0.0, down: float = 0.0) -> None:
    """Click on the map, pixels from its middle."""
    from selenium.webdriver import ActionChains

    canvas = browser.find_element("id", "screen")
    ActionChains(browser).move_to_element_with_offset(canvas, across, down).click().perform()
    settle(browser)


def keys(browser: Any, *pressed: str) -> None:
    canvas = browser.find_element("id", "screen")
    canvas.send_keys(*pressed)
    settle(browser)


def answer(browser: Any) -> dict[str, str]:
    names = [e.text for e in browser.find_elements("css selector", "#answer dt")]
    values = [e.text for e in browser.find_elements("css selector", "#answer dd")]
    return dict(zip(names, values, strict=True))


def picture(browser: Any) -> str:
    pixels = browser.execute_script("return document.getElementById('screen').toDataURL()")
    return hashlib.sha256(pixels.encode()).hexdigest()


def place_of(name: str) -> tuple[float, float]:
    return next((e, n) for mark, e, n, _, _ in marks() if mark == name)


def test_it_opens_without_a_request_and_without_a_complaint(browser: Any, page: Path) -> None:
    show(browser, page)
    asked = browser.execute_script(
        "return performance.getEntriesByType('resource').map(e => e.name)"
    )
    assert asked == []
    assert browser.find_element("id", "title").text == "Ferry landing (invented)"
    assert "2026-04-12" in browser.find_element("id", "subtitle").text
    assert "Locate buried services" in browser.find_element("id", "caution").text
    assert "not" in browser.find_element("id", "caution").text
    assert "inlet_west" in browser.find_element("id", "look").text


def test_clicking_a_mark_tells_its_place_and_sigma(browser: Any, page: Path) -> None:
    show(browser, page)
    find(browser, "S10")  # brings it to the middle
    click(browser, 3, -2)  # near it, not on it
    assert browser.find_element("id", "answer-title").text == "Mark S10"
    told = answer(browser)
    east, north = place_of("S10")
    assert told["Easting"].replace("\u202f", "") == f"{512_300 + FACTOR * east:.3f}"
    assert told["Northing"].replace("\u202f", "") == f"{5_276_100 + FACTOR * north:.3f}"
    assert told["Elevation"] == f"{float(ground(east, north)):.2f} m"
    sigma = 0.008 + 0.0004 * math.hypot(east - 28.0, north - 8.5)
    assert told["Elevation, sigma"] == f"{sigma:.3f} m (95 %: ± {1.96 * sigma:.2f} m)"
    assert told["Area"].startswith("apron, ")
    assert told["Parcel"].startswith("101/2")


def test_clicking_the_ground_tells_the_cell(browser: Any, page: Path) -> None:
    show(browser, page)
    find(browser, "S10")
    click(browser, 60, 0)
    assert browser.find_element("id", "answer-title").text == "This spot"
    told = answer(browser)
    east = (float(told["Easting"].replace("\u202f", "")) - 512_300) / FACTOR
    north = (float(told["Northing"].replace("\u202f", "")) - 5_276_100) / FACTOR
    assert float(told["Elevation"].split()[0]) == pytest.approx(
        float(ground(east, north)), abs=0.01
    )
    sigma = float(told["Elevation, sigma"].split()[0])
    assert sigma == pytest.approx(0.008 + 0.0006 * math.hypot(east - 28, north - 8.5), abs=0.001)
    assert told["Slope"].endswith("%")
    assert told["Water runs"].startswith("north")


def test_a_line_between_marks_has_the_grade_of_their_elevations(browser: Any, page: Path) -> None:
    show(browser, page)
    choose(browser, "from", "S10")
    choose(browser, "to", "S14")
    (e1, n1), (e2, n2) = place_of("S10"), place_of("S14")
    length = math.hypot(e2 - e1, n2 - n1)
    rise = float(ground(e2, n2) - ground(e1, n1))
    words = browser.find_element("id", "profile-words").text
    assert f"{length:.2f} m long on the ground" in words
    grade = 100 * rise / length
    assert f"{'+' if grade > 0 else chr(0x2212)}{abs(grade):.1f} %" in words
    sigmas = [0.008 + 0.0004 * math.hypot(e - 28, n - 8.5) for e, n in ((e1, n1), (e2, n2))]
    assert f"± {1.96 * 100 * math.hypot(*sigmas) / length:.1f} %" in words
    assert browser.find_element("id", "profile").is_displayed()
    assert len(browser.find_elements("css selector", "#profile .ground")) == 1
    assert len(browser.find_elements("css selector", "#profile-rows tr")) == 1


def test_everything_can_be_done_with_keys(browser: Any, page: Path) -> None:
    from selenium.webdriver.common.keys import Keys

    show(browser, page)
    before = picture(browser)
    keys(browser, Keys.ARROW_RIGHT, Keys.ARROW_RIGHT, Keys.ARROW_UP)
    assert picture(browser) != before
    assert " E, " in browser.find_element("id", "cross-words").text
    keys(browser, Keys.ENTER)
    assert browser.find_element("id", "answer-title").text == "This spot"
    keys(browser, "l", Keys.ENTER)
    for _ in range(4):
        keys(browser, Keys.SHIFT + Keys.ARROW_RIGHT)
    keys(browser, Keys.NULL, Keys.ENTER)
    words = browser.find_element("id", "profile-words").text
    assert "long on the ground" in words
    keys(browser, Keys.BACKSPACE)
    assert browser.find_element("id", "profile-words").text == "One corner set. Set the next."
    keys(browser, Keys.ESCAPE)
    assert browser.find_element("id", "draw").get_attribute("aria-pressed") == "false"
    here = picture(browser)
    keys(browser, "+")
    assert picture(browser) != here
    # Tab reaches every control and the focus can be seen
    reached = set()
    for _ in range(60):
        active = browser.switch_to.active_element
        reached.add(active.get_attribute("id") or active.get_attribute("data-layer"))
        active.send_keys(Keys.TAB)
    wanted = {"plan-mode", "relief-mode", "closer", "farther", "whole", "find", "draw", "undo"}
    assert wanted | {"clear", "from", "to", "ground", "writing", "areas", "parcels"} <= reached


def test_drawing_with_the_pointer(browser: Any, page: Path) -> None:
    show(browser, page)
    browser.find_element("id", "draw").click()
    for across in (-80, 20, 120):
        click(browser, across, 30)
    assert len(browser.find_elements("css selector", "#profile-rows tr")) == 2
    browser.find_element("id", "undo").click()
    assert len(browser.find_elements("css selector", "#profile-rows tr")) == 1
    browser.find_element("id", "clear").click()
    assert browser.find_element("id", "profile-words").text == "No line yet."


def test_layers_and_ground_colours_change_the_picture(browser: Any, page: Path) -> None:
    show(browser, page)
    seen = {picture(browser)}
    boxes = browser.find_elements("css selector", "#layers input")
    assert len(boxes) == 13  # twelve layers and the writing
    for box in boxes:
        box.click()
        settle(browser)
        seen.add(picture(browser))
    # the distances to parcel lines are off at first: switched on, under their line nothing else
    assert len(seen) >= 12
    for name in ("Elevation", "Slope", "Elevation sigma", "Ponding depth", "Drainage direction"):
        choose(browser, "ground", name)
        seen.add(picture(browser))
        assert browser.find_element("id", "ramp").is_displayed()
    assert len(seen) >= 17


def test_the_relief_turns_and_answers(browser: Any, page: Path) -> None:
    from selenium.webdriver.common.keys import Keys

    show(browser, page)
    flat = picture(browser)
    browser.find_element("id", "relief-mode").click()
    settle(browser)
    first = picture(browser)
    assert first != flat
    click(browser, 0, 20)
    told = answer(browser)
    east = (float(told["Easting"].replace("\u202f", "")) - 512_300) / FACTOR
    north = (float(told["Northing"].replace("\u202f", "")) - 5_276_100) / FACTOR
    assert 3 < east < 55
    assert 1 < north < 36
    assert float(told["Elevation"].split()[0]) == pytest.approx(
        float(ground(east, north)), abs=0.02
    )
    assert picture(browser) != first  # the spot is marked on the relief too
    turned = picture(browser)
    keys(browser, Keys.ARROW_RIGHT)
    assert picture(browser) != turned
    slider = browser.find_element("id", "exaggeration")
    before = slider.get_attribute("value")
    slider.send_keys(Keys.ARROW_RIGHT)
    settle(browser)
    assert float(slider.get_attribute("value")) > float(before)
    assert browser.find_element("id", "exaggeration-value").text.endswith(chr(0xD7))
    assert browser.get_log("browser") == []


def test_a_steeper_view_shows_more_of_the_block(browser: Any, page: Path) -> None:
    """Seen from straight above the relief is the plan: every place where it belongs."""
    show(browser, page)
    browser.find_element("id", "relief-mode").click()
    browser.execute_script(
        "for (const [id, v] of [['tilt', 88], ['turn', 0]]) {"
        " const s = document.getElementById(id); s.value = v;"
        " s.dispatchEvent(new Event('input')); s.dispatchEvent(new Event('change')); }"
    )
    settle(browser)
    click(browser)
    told = answer(browser)  # the middle of the raster, 60 x 45 m from the origin on
    middle = [float(told[name].replace("\u202f", "")) for name in ("Easting", "Northing")]
    assert middle == pytest.approx([512_330.0, 5_276_122.5], abs=0.8)
    places = []
    for across in (-150, 150):
        click(browser, across, 0)
        told = answer(browser)
        places.append(float(told["Easting"].replace("\u202f", "")))
        assert float(told["Northing"].replace("\u202f", "")) == pytest.approx(5_276_120, abs=6)
    assert places[0] < 512_330 < places[1]


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_phone_shows_it_without_scrolling_sideways(browser: Any, page: Path, scheme: str) -> None:
    show(browser, page, 360, 740, scheme=scheme)
    wide, inner = browser.execute_script(
        "return [document.documentElement.scrollWidth, window.innerWidth]"
    )
    assert wide <= inner == 360
    for button in browser.find_elements("css selector", "button, select"):
        if button.is_displayed():
            assert button.size["height"] >= 44
            assert button.rect["x"] + button.rect["width"] <= 360
    for size in browser.execute_script(
        "return [...document.querySelectorAll('p, li, dt, dd, label, h2')]"
        ".filter(e => e.offsetParent).map(e => parseFloat(getComputedStyle(e).fontSize))"
    ):
        assert size >= 13
    ink, paper = browser.execute_script(
        "const s = getComputedStyle(document.querySelector('.card'));"
        "return [getComputedStyle(document.body).color, s.backgroundColor]"
    )
    light = [sum(map(int, re.findall(r"\d+", c)[:3])) for c in (ink, paper)]
    assert (light[1] > light[0]) is (scheme == "light")


LISTEN = """
window.written = [];
const told = CanvasRenderingContext2D.prototype.fillText;
CanvasRenderingContext2D.prototype.fillText = function (text, x, y) {
  if (this.canvas.id === "screen") {
    const wide = this.measureText(text).width, high = parseFloat(this.font.match(/([\\d.]+)px/)[1]);
    window.written.push([text, x - wide / 2, y - 0.4 * high, x + wide / 2, y + 0.4 * high]);
  }
  return told.apply(this, arguments);
};
const cleared = CanvasRenderingContext2D.prototype.fillRect;
CanvasRenderingContext2D.prototype.fillRect = function () {
  if (this.canvas.id === "screen") window.written = [];
  return cleared.apply(this, arguments);
};
"""
"""Keeps what stands on the map, as text and box; every picture begins with its paper."""


def written(browser: Any) -> dict[str, list[float]]:
    """Return what is written on the map; nothing of it may cover anything else of it."""
    found = browser.execute_script("return window.written")
    boxes = np.array([box for _, *box in found])
    held = browser.execute_script(
        "const map = document.getElementById('screen'), own = map.getBoundingClientRect();"
        "const ratio = map.width / own.width;"
        "return [...document.querySelectorAll('.modes, .zooms, #scale')].map(e => {"
        " const b = e.getBoundingClientRect();"
        " return [b.left - own.left, b.top - own.top, b.right - own.left, b.bottom - own.top]"
        "  .map(v => v * ratio); })"
    )
    for k, (text, *box) in enumerate(found):
        rest = np.vstack([np.delete(boxes, k, axis=0), held])
        meets = (rest[:, :2] < box[2:]).all(axis=1) & (rest[:, 2:] > box[:2]).all(axis=1)
        assert not meets.any(), text
    return {text: box for text, *box in found}


@pytest.mark.parametrize("size", [(1400, 900), (820, 1180), (390, 844)])
def test_names_cover_neither_each_other_nor_a_button(
    browser: Any, page: Path, size: tuple[int, int]
) -> None:
    """On a phone the most important stand, the rest comes when it is looked at closely."""
    script = browser.execute_cdp_cmd("Page.addScriptToEvaluateOnNewDocument", {"source": LISTEN})
    try:
        show(browser, page, *size)
        names = written(browser)
        assert {"B1", "B2", "inlet west", "inlet east", "apron", "island"} <= set(names)
        named = {mark for mark, *_ in marks()} - {"B1", "B2"}
        if size[0] > 1000:
            assert len(named & set(names)) > len(named) / 2
        elif size[0] < 500:
            assert not named & set(names)
            assert len(names) <= 30
            find(browser, "S10")
            for _ in range(4):
                browser.find_element("id", "closer").click()
            settle(browser)
            assert "S10" in written(browser)
    finally:
        browser.execute_cdp_cmd("Page.removeScriptToEvaluateOnNewDocument", script)


ROOF = """
const map = document.getElementById("screen"), at = [];
const copy = new OffscreenCanvas(map.width, map.height);
const pen = copy.getContext("2d", { willReadFrequently: true });
pen.drawImage(map, 0, 0);
const own = pen.getImageData(0, 0, map.width, map.height).data;
const [r, g, b] = arguments[0];
for (let i = 0; i < own.length; i += 4)
  if (own[i] === r && own[i + 1] === g && own[i + 2] === b)
    at.push([(i / 4) % map.width, Math.floor(i / 4 / map.width)]);
return at;
"""


@pytest.mark.parametrize("title", ["", "Slab"])
def test_a_design_has_an_ink_and_a_name_of_its_own(
    title: str, browser: Any, tmp_path: Path
) -> None:
    """Blue dots would make a doubtful pond of it; and no line runs through its own name."""
    site = ferry_landing()
    corners = np.array([(14.0, 14.0), (22.0, 14.0), (22.0, 18.0), (14.0, 18.0), (14.0, 14.0)])
    ring = shapely.LineString(on_map(corners)[:, :2])
    edges = layer(
        "design_edges", "Edges of designs", "LineString", [{"design": "pad_east"}], [ring]
    )
    told = Table("designs", "", (), [{"design": "pad_east", "title": title}])
    site = dataclasses.replace(site, layers=(*site.layers, edges), tables=(told,))
    script = browser.execute_cdp_cmd("Page.addScriptToEvaluateOnNewDocument", {"source": LISTEN})
    try:
        show(browser, write_viewer(tmp_path, only(site, "lines", "design_edges", "parcels")))
        names = written(browser)
    finally:
        browser.execute_cdp_cmd("Page.removeScriptToEvaluateOnNewDocument", script)
    drawn = np.array(browser.execute_script(ROOF, [int(ALERT[i : i + 2], 16) for i in (1, 3, 5)]))
    assert len(drawn) > 60  # of lines the soft edges have other colours
    x0, y0, x1, y1 = names[f"design {title or 'pad east'}"]
    inside = (drawn[:, 0] > x0) & (drawn[:, 0] < x1) & (drawn[:, 1] > y0) & (drawn[:, 1] < y1)
    # the letters have its ink, the line has none of their room: it is as wide as the whole pad
    wide = np.ptp(drawn[~inside][:, 0])
    rows = np.unique(drawn[inside][:, 1], return_counts=True)[1]
    assert wide > x1 - x0 + 10
    assert rows.max() < 0.8 * (x1 - x0)


def test_a_building_stands_in_the_relief_as_a_block_with_a_flat_roof(
    browser: Any, page: Path
) -> None:
    show(browser, page)
    colour = [int(BUILDING[i : i + 2], 16) for i in (1, 3, 5)]
    browser.find_element("id", "relief-mode").click()
    settle(browser)
    assert "not measured" in browser.find_element("id", "blocks-words").text
    roof = np.array(browser.execute_script(ROOF, colour))
    assert len(roof) > 1500
    # nothing of the ground shines through: the roof fills its outline but for its name
    hull = shapely.convex_hull(shapely.multipoints(roof))
    assert len(roof) > 0.75 * hull.area
    x, y = roof[np.argmax(roof[:, 1])]  # the nearest corner of the roof; below it stands a wall
    wide, high = browser.execute_script(
        "const b = document.getElementById('screen').getBoundingClientRect();"
        "return [b.width, b.height]"
    )
    click(browser, int(x - wide / 2), int(y - 6 - high / 2))
    assert answer(browser)["Area"].startswith("ticket_house")
    browser.find_element("css selector", "#layers input[data-layer='areas']").click()
    settle(browser)
    assert len(browser.execute_script(ROOF, colour)) < 100


def test_names_in_the_relief_are_those_of_the_plan(browser: Any, page: Path) -> None:
    script = browser.execute_cdp_cmd("Page.addScriptToEvaluateOnNewDocument", {"source": LISTEN})
    try:
        show(browser, page)
        browser.find_element("id", "relief-mode").click()
        settle(browser)
        names = {text for text, *_ in browser.execute_script("return window.written")}
    finally:
        browser.execute_cdp_cmd("Page.removeScriptToEvaluateOnNewDocument", script)
    assert {"ticket house", "inlet west"} <= names
    assert not [name for name in names if "_" in name]


def test_hostile_names_do_nothing(browser: Any, tmp_path: Path) -> None:
    show(browser, write_viewer(tmp_path, hostile_landing(*HOSTILE)))
    click(browser)
    browser.find_element("id", "relief-mode").click()
    settle(browser)
    click(browser)
    for name in ("find", "from", "to"):
        browser.execute_script(
            "const s = document.getElementById(arguments[0]); s.selectedIndex = 2;"
            "s.dispatchEvent(new Event('change'))",
            name,
        )
    settle(browser)
    assert browser.execute_script("return window.hacked") is None
    assert browser.execute_script("return document.scripts.length") == 2
    assert browser.execute_script("return document.images.length") == 0
    assert "<img src=x onerror" in browser.find_element("id", "look").text
    assert browser.get_log("browser") == []


def test_a_script_of_somebody_else_is_refused(browser: Any, page: Path, tmp_path: Path) -> None:
    """The policy works: a page with one more script does not run it and asks for nothing."""
    text = page.read_text("utf-8").replace(
        "</body>", "<script>window.hacked = 1</script><img src='http://127.0.0.1:9/x.png'></body>"
    )
    changed = tmp_path / "changed.html"
    changed.write_text(text, "utf-8")
    browser.get(changed.as_uri())
    settle(browser)
    assert browser.execute_script("return window.hacked") is None
    complaints = " ".join(entry["message"] for entry in browser.get_log("browser"))
    assert "Content Security Policy" in complaints
    assert "ERR_CONNECTION" not in complaints


@pytest.mark.parametrize("names", [(), ("points",), ("elevation",), ("parcels", "areas")])
def test_a_page_with_little_in_it(browser: Any, tmp_path: Path, names: tuple[str, ...]) -> None:
    show(browser, write_viewer(tmp_path, only(ferry_landing(), *names)))
    click(browser)
    assert browser.find_element("id", "relief-mode").is_displayed() is ("elevation" in names)
    assert browser.get_log("browser") == []


def test_a_name_is_found_by_its_beginning_and_an_unknown_one_is_said(
    browser: Any, page: Path
) -> None:
    show(browser, page)
    find(browser, "islan")
    assert "island" in answer(browser)["Area"]
    find(browser, "no such mark")
    assert "no such mark" in browser.find_element("id", "find-words").text


def test_lengths_change_to_feet_everywhere(browser: Any, page: Path) -> None:
    show(browser, page)
    find(browser, "S10")
    metres = float(answer(browser)["Elevation"].split()[0])
    choose(browser, "from", "B1")
    choose(browser, "to", "B2")
    choose(browser, "units", "feet")
    told = answer(browser)
    assert told["Elevation"].endswith(" ft")
    assert float(told["Elevation"].split()[0]) == pytest.approx(metres / 0.3048, abs=0.03)
    assert told["Area"].endswith("ft²")
    words = browser.find_element("id", "profile-words").text
    # 34.0147 m between the baseline marks, on the ground
    assert re.match(r"111\.\d+ ft long", words)
    assert " m " not in words
    assert browser.find_element("id", "scale-words").text.endswith(" ft")


def test_findings_and_accuracy_follow_the_unit_chosen(browser: Any, tmp_path: Path) -> None:
    seen = (
        Finding("look", "pond", "Water stands 0.30 m deep.", place=(512_330.0, 5_276_120.0)),
        Finding("note", "known", "It is so, whatever the unit."),
    )
    package = dataclasses.replace(
        ferry_landing(),
        findings=seen,
        in_other_unit={seen[0].text: "Water stands 0.98 ft deep."},
    )
    show(browser, write_viewer(tmp_path, package))
    told = [browser.find_element("id", name).text for name in ("look", "accuracy", "notes")]
    assert told[0] == "Water stands 0.30 m deep."
    choose(browser, "units", "feet")
    feet = [browser.find_element("id", name).text for name in ("look", "accuracy", "notes")]
    assert feet[0] == "Water stands 0.98 ft deep."
    assert " ft in position" in feet[1]
    assert feet[2] == told[2]
    browser.find_element("css selector", "button.finding").click()  # it still goes there
    settle(browser)
    assert answer(browser)["Easting"].replace("\u202f", "").startswith("512330")
    choose(browser, "units", "metres")
    assert [browser.find_element("id", name).text for name in ("look", "accuracy")] == told[:2]


MESH = """
const source = arguments[0], meshOf = new Function(source + "; return meshOf;")();
const rows = 60, cols = 90, values = new Float32Array(rows * cols).fill(NaN);
// ground below a line that falls by 3 in 10, and right of one that leans
for (let i = 0; i < rows; i++)
  for (let j = 0; j < cols; j++)
    if (i - 5 > 0.3 * j && j > 8 + 0.2 * i && i < 55) values[i * cols + j] = 100 + 0.1 * j;
const mesh = meshOf({ rows, cols, cell: 0.5, west: 10, north: 50 }, values, 1, 4);
const next = new Map(mesh.edges), turns = [];
for (const [p, q] of mesh.edges) {
  const r = next.get(q), way = (a, b) => Math.atan2(mesh.n[b] - mesh.n[a], mesh.e[b] - mesh.e[a]);
  let turn = way(q, r) - way(p, q);
  turn = Math.atan2(Math.sin(turn), Math.cos(turn));
  turns.push(Math.abs(turn * 180 / Math.PI));
}
let moved = 0;
for (let k = 0; k < mesh.z.length; k++) {
  const e = 10 + ((k % cols) + 0.5) * 0.5, n = 50 - (Math.floor(k / cols) + 0.5) * 0.5;
  moved = Math.max(moved, Math.hypot(mesh.e[k] - e, mesh.n[k] - n));
}
turns.sort((a, b) => b - a);
return { edges: mesh.edges.length, next: next.size, sharp: turns.slice(0, 40), moved };
"""


def test_the_rim_of_the_relief_has_no_stairs_and_no_place_moves_by_a_cell(browser: Any) -> None:
    source = (files("geosite.handover.viewer") / "mesh.js").read_text("utf-8")
    found = browser.execute_script(MESH, source.replace("export function", "function"))
    assert found["edges"] == found["next"] > 100  # one ring
    # its few corners stay; along its sides stairs would turn by 90 degrees throughout
    assert found["sharp"][4] < 15
    assert 0 < found["moved"] <= 0.75 * 0.5 + 1e-9


def test_a_closed_line_holds_the_area_of_its_corners(browser: Any, page: Path) -> None:
    show(browser, page)
    find(browser, "S10")
    for _ in range(5):  # so close that no other mark is within a finger's breadth of a corner
        browser.find_element("id", "closer").click()
    browser.find_element("id", "draw").click()
    for across, down in ((-80, -80), (80, -80), (80, 80), (-80, 80)):
        click(browser, across, down)
    bar = browser.execute_script(
        "return parseFloat(document.getElementById('scale-bar').style.width)"
    )
    length = float(browser.find_element("id", "scale-words").text.split()[0])
    side = 160 * length / bar
    words = browser.find_element("id", "profile-words").text.replace("\u202f", "")
    held = re.search(r"it holds ([\d.]+) m²", words)
    assert held
    assert float(held[1]) == pytest.approx(side**2, rel=0.03)


def test_the_rest_of_a_long_finding_is_there_to_be_opened(browser: Any, tmp_path: Path) -> None:
    first, rest = "The wall rises 1.8 +/- 0.7 % (95 %) away from it. ", "Exceptions: none. " * 20
    long = Finding("look", "a", first + rest.strip(), place=(512_330.0, 5_276_120.0))
    short = Finding("look", "b", first + "Look there.")
    package = dataclasses.replace(ferry_landing(), findings=(long, short))
    show(browser, write_viewer(tmp_path, package))
    one, other = browser.find_elements("css selector", "#look > li")
    assert other.text == short.text
    said = one.find_element("css selector", "button.finding").text
    assert said.startswith(first)
    assert len(said) <= 260
    (more,) = one.find_elements("css selector", "details")
    more.find_element("css selector", "summary").click()
    assert f"{said} {more.find_element('css selector', 'p').text}" == long.text


def test_a_finding_with_a_place_goes_there_and_back(browser: Any, tmp_path: Path) -> None:
    package = ferry_landing()
    east, north = place_of("S10")
    at = (512_300 + FACTOR * east, 5_276_100 + FACTOR * north)
    findings = (
        Finding("look", "a", "Look at this place.", place=at),
        Finding("look", "b", "Look at this mark.", mark="S4"),
        Finding("note", "c", "Nowhere."),
    )
    page = write_viewer(tmp_path, dataclasses.replace(package, findings=findings))
    show(browser, page)
    first, second = browser.find_elements("css selector", "#look button.finding")
    second.click()
    settle(browser)
    assert browser.find_element("id", "answer-title").text == "Mark S4"
    first.click()
    settle(browser)
    assert browser.find_element("id", "answer-title").text == "Mark S10"
    assert "here" in first.get_attribute("class")
    assert "here" not in second.get_attribute("class")
    assert not browser.find_elements("css selector", "#notes button")


def test_the_name_of_an_area_is_not_written_on_what_lies_in_it(tmp_path: Path) -> None:
    import json

    package = ferry_landing()
    text = write_viewer(tmp_path, package).read_text("utf-8")
    (data,) = re.findall(r'<script type="application/json" id="site">(.*?)</script>', text, re.S)
    site = json.loads(data)
    areas = next(layer for layer in site["layers"] if layer["name"] == "areas")["features"]
    shapes = {f["p"]["feature"]: shapely.Polygon(np.reshape(f["g"][0], (-1, 2))) for f in areas}
    for f in areas:
        label = shapely.Point(f["label"])
        assert shapes[f["p"]["feature"]].contains(label)
        for name, other in shapes.items():
            inside = shapes[f["p"]["feature"]].contains(other)
            assert name == f["p"]["feature"] or not (inside and other.contains(label))


@pytest.mark.parametrize("size", [(1400, 900), (820, 1180), (390, 844)])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_serious(
    browser: Any, page: Path, size: tuple[int, int], scheme: str
) -> None:
    """Rules of axe-core, an open checker of the Web Content Accessibility Guidelines."""
    package = importlib.util.find_spec("axe_core_python")
    if package is None or not package.submodule_search_locations:
        pytest.skip("needs the package axe-core-python")
    (script,) = Path(package.submodule_search_locations[0]).rglob("axe.min.js")
    show(browser, page, *size, scheme=scheme)
    browser.execute_cdp_cmd("Runtime.evaluate", {"expression": script.read_text("utf-8")})
    found = browser.execute_async_script(
        "const done = arguments[0]; axe.run(document).then(r => done(r.violations));"
    )
    serious = [v for v in found if v["impact"] in ("serious", "critical")]
    assert not serious, [(v["id"], v["nodes"][0]["html"]) for v in serious]
