"""Sheet, orientation and scale."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from package_cases import frame

from geosite.base.errors import OutputRefused
from geosite.fieldbook.sitefile import Handover
from geosite.handover.plan.layout import SHEETS, choose_layout, scale_name, usual_scales

EXTENT = (512_300.0, 5_276_100.0, 512_355.0, 5_276_140.0)


def layout(extent: tuple[float, float, float, float], **options: object):  # type: ignore[no-untyped-def]
    return choose_layout(frame(), extent, Handover(**options), lambda *_: True)  # type: ignore[arg-type]


def test_paper_sizes_are_the_standards() -> None:
    # ISO 216: A0 has one square metre, sides as the root of two, halved and rounded down
    for n in range(5):
        long, short = SHEETS[f"A{n}"]
        assert long == pytest.approx(1000 * 2 ** (0.25 - n / 2), abs=1)
        assert short == pytest.approx(1000 * 2 ** (-0.25 - n / 2), abs=1)
    # ANSI/ASME Y14.1, inches: A 8.5 x 11, each next size doubles the shorter side
    inches = [(11.0, 8.5), (17.0, 11.0), (22.0, 17.0), (34.0, 22.0), (44.0, 34.0)]
    for letter, sides in zip("ABCDE", inches, strict=True):
        assert SHEETS[f"ANSI {letter}"] == pytest.approx(np.array(sides) * 25.4, abs=1e-9)


def test_scales_are_the_usual_ones() -> None:
    metric = usual_scales("m")
    assert [next(metric) for _ in range(14)] == [
        10, 20, 50, 100, 200, 250, 500, 1000, 1250, 2000, 2500, 5000, 10_000, 20_000,
    ]  # fmt: skip
    feet = usual_scales("ft")
    first = [next(feet) for _ in range(17)]
    assert [s / 12 for s in first] == [
        1, 2, 5, 10, 20, 30, 40, 50, 60, 100, 200, 300, 400, 500, 1000, 2000, 5000,
    ]  # fmt: skip
    assert first == sorted(first)
    assert scale_name(240, "ft") == "1 in = 20 ft (1:240)"
    assert scale_name(200, "m") == "1:200"
    assert scale_name(250, "ft") == "1:250"


@given(
    wide=st.floats(0.0, 50_000.0),
    high=st.floats(0.0, 50_000.0),
    sheet=st.sampled_from(list(SHEETS)),
    unit=st.sampled_from(["m", "ft"]),
)
def test_everything_fits_at_the_largest_usual_scale(
    wide: float, high: float, sheet: str, unit: str
) -> None:
    west, south = EXTENT[:2]
    found = layout((west, south, west + wide, south + high), sheet=sheet, unit=unit)
    view = found.view
    ends = view.on_paper([(west, south), (west + wide, south + high)])
    left, bottom = ends[0]
    right, top = ends[1]
    assert view.window.x < left <= right < view.window.right
    assert view.window.y < top <= bottom < view.window.bottom
    assert {found.width, found.height} == set(SHEETS[sheet])
    # at the next larger scale it would not fit into this window with 7 mm clear around it
    larger = [s for s in _until(view.scale, unit) if s < view.scale]
    if larger:
        factor = 1000 * frame().unit_m / frame().combined_factor / larger[-1]
        clear = 14 * found.lettering
        assert (
            max(wide, 0.5) * factor > view.window.width - clear
            or max(high, 0.5) * factor > view.window.height - clear
        )


def _until(scale: float, unit: str) -> list[float]:
    found = []
    for s in usual_scales(unit):  # type: ignore[arg-type]
        found.append(s)
        if s >= scale:
            return found
    return found


def test_long_sites_lie_the_way_they_run() -> None:
    west, south = EXTENT[:2]
    assert layout((west, south, west + 80, south + 20)).way == "landscape"
    assert layout((west, south, west + 20, south + 80)).way == "portrait"


def test_a_wanted_scale_is_kept() -> None:
    assert layout(EXTENT, scale=750).view.scale == 750


def test_a_scale_that_needs_a_larger_sheet_is_refused_in_one_line() -> None:
    with pytest.raises(OutputRefused) as refused:
        layout(EXTENT, sheet="A4", scale=100)
    (problem,) = refused.value.problems
    assert problem.code == "plan-does-not-fit"
    assert "A4 at 1:100" in str(problem)
    needed = int(problem.expected.split()[0].removeprefix("1:"))
    assert layout(EXTENT, sheet="A4", scale=needed).view.scale == needed
    with pytest.raises(OutputRefused):
        layout(EXTENT, sheet="A4", scale=needed - 1)


def test_paper_lengths_are_ground_lengths() -> None:
    view = layout(EXTENT).view
    here = np.array(EXTENT[:2])
    grid_m = 40.0 * frame().combined_factor  # 40 m on the ground
    moved = view.on_paper(here + np.array([grid_m, 0.0])) - view.on_paper(here)
    assert moved == pytest.approx([200.0, 0.0], abs=1e-6)
    assert view.length(grid_m) == pytest.approx(200.0, abs=1e-9)
    up = view.on_paper(here + np.array([0.0, grid_m])) - view.on_paper(here)
    assert up == pytest.approx([0.0, -200.0], abs=1e-6)  # north is up, the sheet's y runs down
