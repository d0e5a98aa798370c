"""The page for the phone in a real browser of a phone's size, without any network."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

from browser_cases import MARKS, sized
from setting_out_cases import found

from geosite.handover.setting_out.phone import phone_page

pytestmark = MARKS


def opened(browser: Any, path: Path, **how: Any) -> None:
    path.write_bytes(phone_page(found(**how)))
    sized(browser, 390, 844, 2)
    browser.execute_cdp_cmd("Network.enable", {})
    browser.execute_cdp_cmd(
        "Network.emulateNetworkConditions",
        {"offline": True, "latency": 0, "downloadThroughput": 0, "uploadThroughput": 0},
    )
    browser.get(path.as_uri())
    assert browser.get_log("browser") == []


def typed(browser: Any, name: str, text: str) -> None:
    box = browser.find_element("id", name)
    box.clear()
    box.send_keys(text)


def words(browser: Any, name: str) -> str:
    return browser.execute_script(f"return document.getElementById('{name}').textContent")


def test_the_page_says_forward_and_right_and_up(browser: Any, tmp_path: Path) -> None:
    opened(browser, tmp_path / "phone.html")
    assert words(browser, "title") == "Setting out: Quay & <b>shed</b> (invented)"
    assert "fits" in words(browser, "frame-words")
    # baseline along +y of the device: forward is +y, right is +x
    typed(browser, "shown", "1.00 3.00 0.10")
    assert words(browser, "ahead") == "2.000"
    assert words(browser, "ahead-word") == "forward"
    assert words(browser, "aside") == "4.000"
    assert words(browser, "aside-word") == "right"
    assert words(browser, "height") == "0.150"
    assert words(browser, "height-word") == "up"
    assert words(browser, "answer") == f"{math.hypot(2, 4):.3f} m to go."
    typed(browser, "shown", "5.005, 5.00, 0.40")
    assert words(browser, "aside-word") == "left"
    assert words(browser, "height-word") == "down"
    assert words(browser, "answer").startswith("You are there")


def test_everything_fits_a_phone_and_can_be_hit_with_a_thumb(browser: Any, tmp_path: Path) -> None:
    opened(browser, tmp_path / "phone.html")
    typed(browser, "shown", "1.00 3.00 0.10")
    wide = browser.execute_script("return document.documentElement.scrollWidth")
    assert wide <= 390
    for name in ("before", "after", "point", "shown", "note"):
        box = browser.find_element("id", name).rect
        assert box["height"] >= 44
        assert box["x"] >= 0
        assert box["x"] + box["width"] <= 390
    # point, target, input, answer, which way to face and the button are on the first screen
    for name in ("answer", "facing", "note"):
        box = browser.find_element("id", name).rect
        assert box["y"] + box["height"] <= 844


def test_a_new_start_of_the_device_is_typed_in(browser: Any, tmp_path: Path) -> None:
    opened(browser, tmp_path / "phone.html", walked=False)
    assert "Type what the device shows" in words(browser, "frame-words")
    typed(browser, "shown", "0 0 0")
    assert "First the baseline" in words(browser, "answer")
    # from A to B along -x of the new frame: right of it is +y
    typed(browser, "first", "x=20 y=7 z=1.5")
    typed(browser, "second", "10,0; 7,0; 1,5")
    assert "fits" in words(browser, "frame-words")
    typed(browser, "shown", "15 7 1.5")
    assert words(browser, "ahead") == "0.000"
    assert words(browser, "aside") == "5.000"
    assert words(browser, "aside-word") == "right"
    figures = browser.execute_script(
        "return [...document.querySelectorAll('#target dd')].slice(0, 3).map(d => d.textContent)"
    )
    assert figures == ["15.000", "12.000", "1.750"]
    browser.find_element("id", "mirrored").click()
    figures = browser.execute_script(
        "return [...document.querySelectorAll('#target dd')].slice(0, 3).map(d => d.textContent)"
    )
    assert figures == ["15.000", "2.000", "1.750"]


def test_a_baseline_in_feet_is_refused(browser: Any, tmp_path: Path) -> None:
    opened(browser, tmp_path / "phone.html")
    browser.find_element("id", "frame").click()
    typed(browser, "second", "0 32.81 0")
    assert "the device shows feet" in words(browser, "frame-words")
    typed(browser, "shown", "1 1 1")
    assert words(browser, "ahead") == "-"


def test_points_that_were_set_are_kept_as_a_table(browser: Any, tmp_path: Path) -> None:
    opened(browser, tmp_path / "phone.html")
    typed(browser, "shown", "5.01 4.99 0.26")
    browser.find_element("id", "note").click()
    browser.find_element("id", "after").click()
    assert browser.execute_script("return document.getElementById('shown').value") == ""
    typed(browser, "shown", "-1 2")
    browser.find_element("id", "note").click()
    kept = browser.execute_script("return document.getElementById('noted').value")
    assert kept == 'point,x,y,z\nP1,5.01,4.99,0.26\n"P2, ""the"" <i>post</i>",-1,2'
    assert words(browser, "noted-count") == "2 of 2 set"
