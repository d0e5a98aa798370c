"""A calibration in words and as a file, from facts made by hand."""

from __future__ import annotations

import math
import tomllib

import msgspec
import pytest

from geosite.fieldbook.sitefile import DeviceTable
from geosite.network.calibration.components import Component
from geosite.network.calibration.fit import Calibration
from geosite.network.calibration.wording import calibration_facts, calibration_told, device_toml
from geosite.network.walk.device import CLASSES

NAMES = ("pointing", "walk", "heading", "scale", "pointing_up", "walk_up", "climb", "tilt")


def made(surveys: int = 3, loops: int = 100, held: int = 95) -> Calibration:
    """A device whose pointing is not told and whose scale may be none."""
    device = CLASSES["good"]
    components = tuple(
        Component(
            name,
            getattr(device, name),
            0.0 if name == "scale" else getattr(device, name) / 2,
            2 * getattr(device, name),
            name != "pointing",
        )
        for name in NAMES
    )
    return Calibration(device, components, surveys, loops, held, 0.0)


def test_the_file_is_read_as_the_device_it_is() -> None:
    assert "fitted by geosite calibrate to 3 surveys\n" in device_toml(made())
    assert "fitted by geosite calibrate to one survey\n" in device_toml(made(1))
    assert '[survey.device] and file = "my \\"best\\" one.toml"\n' in device_toml(
        made(), 'my "best" one.toml'
    )
    tables = tomllib.loads(device_toml(made(), "two\nlines = 1.toml"))
    assert set(tables) == {"device", "calibration"}
    read = msgspec.convert(tables["device"], DeviceTable)
    good = CLASSES["good"]
    assert read.heading_deg == pytest.approx(math.degrees(good.heading))
    assert (read.scale_percent, read.climb_percent) == (0.8, 0.5)
    assert (read.pointing, read.walk_up, read.degrees_of_freedom) == (0.005, 0.005, 3.0)
    assert tables["calibration"]["not_told"] == ["pointing"]
    assert tables["calibration"]["intervals_95"]["scale_percent"] == [0, 1.6]


def test_what_is_not_told_comes_with_the_walk_that_tells_it() -> None:
    lines = [text for _, text in calibration_told(made())]
    assert any(line.startswith("  heading ") and "95 %: 0.15 to 0.6" in line for line in lines)
    assert any(line.startswith("  scale of a run ") and "at most 1.6" in line for line in lines)
    (gap,) = [i for i, line in enumerate(lines) if line.startswith("Not told by these walks")]
    assert "pointing, per axis" in lines[gap]
    assert lines[gap + 1].startswith("  visit one mark several times")


@pytest.mark.parametrize(
    ("held", "style"), [(95, "good"), (91, "good"), (90, "look"), (60, "look")]
)
def test_a_proof_that_fails_by_more_than_chance_is_said(held: int, style: str) -> None:
    # 100 loops at 95 %: two binomial standard deviations are 4.36 loops
    (proof,) = [line for line in calibration_told(made(held=held)) if "left out" in line[1]]
    assert proof[0] == style
    assert f"{held} of 100 loops" in proof[1]


def test_two_surveys_prove_nothing() -> None:
    told = {text: style for style, text in calibration_told(made(2, 0, 0))}
    assert told["Proof: none, 3 surveys are needed to leave one out"] == "plain"
    assert any(text.startswith("Fewer than 3 surveys") for text in told)


def test_facts_are_in_the_units_of_the_site_file() -> None:
    tilt = calibration_facts(made())["components"]["tilt_deg"]
    assert tilt["value"] == pytest.approx(0.3)
    assert (tilt["unit"], tilt["told"]) == ("degrees", True)
