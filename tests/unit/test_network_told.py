"""How the lines of a mistake are listed."""

from __future__ import annotations

import numpy as np
import pytest
from network_cases import book

from geosite.network.blunders import Mistake
from geosite.network.told import _lines


@pytest.mark.parametrize(
    ("kind", "lines"), [("names-swapped", "2 and 3, or 5 and 4"), ("leg-sign", "2 and 3")]
)
def test_lines_that_may_be_meant_are_all_listed(kind: str, lines: str) -> None:
    # other legs with the wrong sign are told as stretches, not here
    walked = book([("R", name, float(k), 0.0, 0.0) for k, name in enumerate("ABCD")])
    unknown = np.full(3, np.nan)
    others = ((3, 2),)
    mistake = Mistake(kind, "R", (0, 1), ("A", "B"), unknown, "", 0.0, others, walked)
    assert _lines(walked, mistake) == lines
