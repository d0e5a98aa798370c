"""The page for the phone: one HTML file with everything in it, that asks the network for nothing.

The page, its style and its script lie in the folder ``phone`` beside this module; the points go
into the page as JSON.
"""

from __future__ import annotations

import json
from html import escape
from importlib.resources import files
from typing import Any

from geosite.analysis.setting_out.model import Located, SettingOut
from geosite.analysis.setting_out.wording import ground_words, order_words
from geosite.handover.formats.web_page import page, script_of
from geosite.handover.model import CAUTION

__all__ = ["phone_page"]


def phone_page(found: SettingOut) -> bytes:
    """Return the page as UTF-8 HTML."""
    assets = files("geosite.handover.setting_out") / "phone"
    style = (assets / "page.css").read_text("utf-8")
    script = (assets / "page.js").read_text("utf-8")
    parts = {
        "title": escape(f"Setting out: {found.title}"),
        # "<" could end the script that holds it
        "work": json.dumps(_work(found), allow_nan=False).replace("<", "\\u003c"),
    }
    template = (assets / "page.html").read_text("utf-8")
    return page(template, style, script_of(script), parts).encode("utf-8", "replace")


def _work(found: SettingOut) -> dict[str, Any]:
    known = found.check_mark
    limit = None if found.check is None else found.check.limit_m / found.unit_m
    return {
        "title": found.title,
        "marks": list(found.marks),
        "unit": found.unit,
        "places": found.places,
        "left_handed": found.axes == "left-handed",
        "baseline": found.baseline,
        "rise": found.baseline_rise,
        "limit": limit,
        "visits": found.baseline_visits and [list(v) for v in found.baseline_visits],
        "tolerance": None if found.tolerance_m is None else found.tolerance_m / found.unit_m,
        "known": known
        and {
            "name": known.name,
            "at": [known.along, known.offset, known.rise],
            "reading": known.reading,
        },
        "points": [_point(p, found.unit_m) for p in found.points],
        "words": [ground_words(found), order_words(found), CAUTION],
    }


def _point(point: Located, unit_m: float) -> dict[str, Any]:
    return {
        "name": point.target.name,
        "at": [point.along, point.offset, point.rise],
        "reading": point.reading,
        "within": None if point.error_95_m is None else point.error_95_m / unit_m,
        "height_within": None if point.v_95_m is None else point.v_95_m / unit_m,
        "cut": None if point.cut is None else point.cut.value / unit_m,
        "verdict": point.verdict,
    }
