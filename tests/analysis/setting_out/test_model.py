"""How many decimals the device is shown with."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from geosite.analysis.setting_out.model import SettingOut
from geosite.base.units import FOOT_M


@pytest.mark.parametrize(
    ("unit", "errors", "places"),
    [
        ("m", (0.0005, 0.2), 3),  # no more than a millimetre, however good the point
        ("m", (0.03, None), 2),
        ("m", (0.4,), 1),
        ("m", (9.0,), 1),
        ("m", (None,), 3),
        ("ft", (0.0005,), 2),
        ("ft", (None,), 2),
        ("ft", (1.0,), 1),
    ],
)
def test_decimals_are_those_of_the_best_point(
    unit: str, errors: tuple[float | None, ...], places: int
) -> None:
    found: Any = SimpleNamespace(
        unit=unit,
        unit_m=FOOT_M if unit == "ft" else 1.0,
        points=[SimpleNamespace(error_95_m=error) for error in errors],
    )
    assert SettingOut.places.fget(found) == places  # type: ignore[attr-defined]
