"""Numbers in findings with their interval, and the same read in feet."""

from __future__ import annotations

import re

from hypothesis import given
from hypothesis import strategies as st

from geosite.base.estimate import Estimate
from geosite.base.spoken_units import in_feet
from geosite.terrain.wording import interval_words

YARD = 0.9144**3


@given(st.floats(0.01, 50), st.floats(0.05, 0.9), st.integers(1, 2))
def test_a_volume_in_yards_is_the_volume_and_not_its_rounded_metres(
    value: float, share: float, decimals: int
) -> None:
    half = value * share
    found = interval_words(Estimate(value, value - half, value + half), decimals, "m3")
    told = [
        float(number)
        for number in re.findall(r"\d+(?:\.\d+)?\b", in_feet(found).replace("yd3", ""))
    ]
    # what is rounded stays well inside of what is not known; to tenths 0.149 m3 would be 0.1
    for number, exact in zip(told, (value, value - half, value + half), strict=True):
        assert abs(number - exact / YARD) <= max(0.3 * half / YARD, 0.0013)  # or a litre
    assert len(told) == 3


def test_no_more_digits_than_the_interval_has() -> None:
    assert interval_words(Estimate(25.61, 22.7, 27.9), 1, "m3") == "25.6 m3 (22.7 to 27.9)"
    assert interval_words(Estimate(0.0, 0.0, 0.0156), 1, "m3").startswith(
        "0.000 m3 (0.000 to 0.016"
    )
    assert interval_words(Estimate(0.3512, 0.0, 3.1), 2, "m3") == "0.4 m3 (0.0 to 3.1)"
    assert interval_words(Estimate(0.0, 0.0, 0.0), 1, "m3") == "0.0 m3 (0.0 to 0.0)"
    assert interval_words(Estimate(142.94, 141.9, 144.1), 1, "m2") == "142.9 m2 (141.9 to 144.1)"
