"""The site file of benchmarks that walk from a baseline A to B, which runs east."""

from __future__ import annotations

_TEXT = """
[site]
title = "{title}"
date = 2026-04-14
[survey]
file = "field_book.csv"
[survey.device]
class = "good"
[baseline]
from = "A"
to = "B"
[anchor]
crs = "EPSG:25832"
[anchor.marks.A]
easting = 512000.0
northing = 5276000.0
elevation = 400.0
sigma = 0.02
[anchor.marks.B]
easting = {east}
northing = 5276000.0
sigma = 0.02
"""


def site_text(title: str, length_m: float) -> str:
    """Return the text of a site file whose baseline has this length, by a good device."""
    return _TEXT.format(title=title, east=512000.0 + length_m)
