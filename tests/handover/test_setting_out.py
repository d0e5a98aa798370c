"""The slip and the table of a setting out."""

from __future__ import annotations

import io
import math
from dataclasses import replace

import numpy as np
import pytest
from package_cases import ferry_landing
from pypdf import PdfReader
from setting_out_cases import found

from geosite.drawing.pdf import pdf
from geosite.handover.setting_out.phone import phone_page
from geosite.handover.setting_out.slip import POINTS_PER_PAGE, slip_pages
from geosite.handover.setting_out.table import setting_out_table


def texts(count: int, walked: bool = True, paper: str = "A4") -> list[str]:
    document = pdf(*slip_pages(found(walked, count), paper))
    return [page.extract_text() for page in PdfReader(io.BytesIO(document)).pages]


def test_twenty_points_stand_on_a_page() -> None:
    assert POINTS_PER_PAGE == 20
    pages = texts(41)
    assert len(pages) == 3
    assert "Q20" in pages[0]
    assert "Q21" in pages[1]
    assert "Q41" in pages[2]
    assert all("Setting out: Quay & <b>shed</b> (invented)" in page for page in pages)
    assert "2 of 3" in pages[1]


def test_the_slip_says_baseline_check_mark_ground_and_caution() -> None:
    (page,) = texts(2)
    words = " ".join(page.split())
    assert "Baseline A to B: 10.000 m today, 10.000 m known" in words
    assert "it should show x 6.000, y 3.000, z 0.100 m" in words
    assert "divided by the combined factor 0.9996000" in words
    assert "Locate buried services before digging" in words
    assert "Locate buried services before anything is driven into the ground" in words
    assert "Day ____" in words
    assert "5.000 R" in words
    assert "1.000 L" in words
    assert "0.15 F" in words
    assert "0.60 C" in words


def test_a_number_stands_in_a_column_of_its_own_only_where_the_drawing_needs_it() -> None:
    whole = found(count=2)

    def words(stem: str) -> str:
        named = [replace(p.target, name=f"{stem}{i}") for i, p in enumerate(whole.points)]
        points = [replace(p, target=t) for p, t in zip(whole.points, named, strict=True)]
        (page,) = slip_pages(replace(whole, points=tuple(points)))
        return "|".join(item.text for item in page.groups[0].items if hasattr(item, "text"))

    short, long = words("K"), words("corner of pad ")
    assert "|no.|" not in short
    assert short.count("|K0") == 2  # its row and its place in the drawing
    assert "|no.|point|" in long
    assert long.count("corner of pad 0") == 1


def test_without_a_walk_there_are_no_columns_for_it() -> None:
    (page,) = texts(2, walked=False)
    assert "x, m" not in page
    assert "along, m" in page
    assert "6.00 m to the right" in " ".join(page.split())


@pytest.mark.parametrize("paper", ["A4", "letter"])
@pytest.mark.parametrize("count", [2, 20])
def test_nothing_lies_off_the_paper_or_on_the_foot(paper: str, count: int) -> None:
    for page in slip_pages(found(count=count), paper):
        items = page.groups[0].items
        for item in items:
            if hasattr(item, "text"):
                assert 0 < item.x < page.width
                assert 0 < item.y < page.height - 4
        boxes = [i.outlines[0].pieces[0] for i in items if hasattr(i, "outlines")]
        frames = [b for b in boxes if isinstance(b, np.ndarray) and np.ptp(b[:, 0]) > 180]
        assert max(float(b[:, 1].max()) for b in frames) < page.height - 20


def test_the_table_has_the_columns_of_the_contract_and_no_infinity() -> None:
    table = setting_out_table(found(), ferry_landing().frame)
    names = [field.name for field in table.fields]
    wanted = [
        *("point", "x", "y", "z", "along", "offset", "distance", "angle_deg"),
        *("elevation", "ground_elevation", "cut_m"),
        *("sigma_h_m", "sigma_v_m", "error_95_m", "verdict"),
    ]
    assert [name for name in names if name in wanted] == wanted
    first = table.records[0]
    assert (first["point"], first["x"], first["along"], first["offset"]) == ("P1", 5.0, 5.0, 5.0)
    assert first["angle_deg"] == 45.0
    assert first["cut_m"] == pytest.approx(-0.15)
    assert first["cut_95_m"] == pytest.approx(0.0392)


def test_the_page_holds_everything_and_asks_for_nothing() -> None:
    page = phone_page(found()).decode("utf-8")
    assert "default-src 'none'" in page
    assert "<b>shed</b>" not in page
    assert "src=" not in page


def test_a_length_between_two_points_is_there_to_be_taped() -> None:
    one = found(count=2)
    first, second = one.points
    length = math.hypot(second.along - first.along, second.offset - first.offset)
    (page,) = texts(2)
    assert f"{length:.{one.places}f}" in page


@pytest.mark.parametrize(("error", "places"), [(0.004, 3), (0.073, 2), (0.4, 1), (None, 3)])
def test_readings_have_no_more_digits_than_the_best_point_carries(
    error: float | None, places: int
) -> None:
    one = found(count=2)
    points = tuple(replace(point, error_95_m=error) for point in one.points)
    assert replace(one, points=points).places == places
