"""The slip and the table of a setting out."""

from __future__ import annotations

import io
import json
import math
import re
from dataclasses import replace

import numpy as np
import pytest
from package_cases import ferry_landing
from pypdf import PdfReader
from setting_out_cases import found

from geosite.base.estimate import Estimate
from geosite.drawing.pdf import pdf
from geosite.drawing.sheet import Arc, Page, Shape, Text
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


def rows(page: Page) -> list[Text]:
    return [item for item in page.groups[0].items if isinstance(item, Text)]


def test_a_row_says_what_is_known_of_a_point_in_the_unit_of_the_walk() -> None:
    one = found(count=2)
    first, second = one.points
    unknown = replace(
        second, reading=None, cut=None, error_95_m=None, offset=0.0, target=replace(
            second.target, name="Q"
        )
    )  # fmt: skip
    level = replace(first, cut=Estimate.normal(0.0, 0.1, 2.0), error_95_m=0.3048, verdict="cannot")
    feet = replace(one, points=(level, unknown), unit="ft", unit_m=0.3048)
    (page,) = slip_pages(feet)
    words = rows(page)
    at = next(i for i, item in enumerate(words) if item.text == "P1" and item.weight == "bold")
    assert [item.text for item in words[at : at + 8]] == [
        "P1", "5.0", "5.0", "0.2", "5.0", "5.0 R", "0.00 C", "1.00",
    ]  # fmt: skip
    within = words[at + 7]
    assert within.colour != words[at + 6].colour  # what cannot be set out is told by its ink
    assert [item.text for item in words[at + 8 : at + 16]] == [
        "Q", "-", "-", "-", "2.0", "0.0 R", "-", "?",
    ]  # fmt: skip
    assert "along, ft" in [item.text for item in words]


def dots(page: Page) -> dict[float, list[tuple[float, float]]]:
    """Return the middles of round signs by their radius, mm."""
    made: dict[float, list[tuple[float, float]]] = {}
    for item in page.groups[0].items:
        if isinstance(item, Shape) and isinstance(arc := item.outlines[0].pieces[0], Arc):
            made.setdefault(arc.radius, []).append(arc.centre)
    return made


def test_the_drawing_keeps_the_proportions_of_the_ground() -> None:
    one = found(count=6)
    (page,) = slip_pages(one)
    start, end = dots(page)[1.1]
    # the baseline runs to the right, what lies right of it lies below
    assert end[0] > start[0]
    assert end[1] == pytest.approx(start[1])
    scale = (end[0] - start[0]) / one.baseline
    assert dots(page)[0.8] == [
        pytest.approx((start[0] + scale * p.along, start[1] + scale * p.offset)) for p in one.points
    ]
    texts = {item.text: item for item in rows(page)}
    assert texts["A"].y < start[1] < texts["B"].y
    drawn = [y for _, y in dots(page)[0.8]]
    assert max(drawn) - min(drawn) > 20  # as large as there is room


def test_short_ways_are_not_taped() -> None:
    whole = found(count=2)
    first, second = whole.points
    points = [replace(first, along=0.0, offset=0.0), replace(second, along=9.0, offset=0.0)]
    near = replace(points[1], along=9.2, target=replace(second.target, name="N"))
    (page,) = slip_pages(replace(whole, points=(*points, near)))
    taped = [item.text for item in rows(page) if item.halo and item.text.startswith(("9.", "0."))]
    assert taped == ["9.000"]


def test_numbers_of_the_table_are_those_of_the_map_and_of_the_walk() -> None:
    one = found()
    first, second = one.points
    odd = replace(
        first, ground=Estimate.normal(30.48, 0.03048, 2.0), error_95_m=math.inf,
        v_95_m=None, cut=Estimate(0.30488888, -math.inf, math.inf),
    )  # fmt: skip
    bare = replace(second, ground=None, cut=None, reading=None)
    frame = replace(ferry_landing().frame, height_unit_m=0.3048)
    told, other = setting_out_table(replace(one, points=(odd, bare)), frame).records
    assert (told["ground_elevation"], told["ground_elevation_sigma"]) == (100.0, 0.1)
    assert (told["error_95_m"], told["v_95_m"], told["cut_95_m"]) == (None, None, None)
    assert (told["cut_m"], told["cut_sigma_m"]) == (0.3049, None)
    assert (told["rise"], told["distance"]) == (0.25, 7.0711)
    assert (told["easting"], told["northing"], told["elevation"]) == (500005, 5000005, 100.25)
    assert (told["sigma_h_m"], told["map_sigma_h_m"], told["verdict"]) == (0.01, 0.02, "can")
    assert [other[name] for name in ("x", "y", "z", "ground_elevation", "cut_m")] == [None] * 5
    assert other["angle_deg"] == pytest.approx(333.4349)


def test_the_page_is_given_all_in_the_unit_of_the_walk() -> None:
    one = found()
    assert one.check is not None
    check = replace(one.check, limit_m=0.06096)
    feet = replace(one, unit="ft", unit_m=0.3048, tolerance_m=0.1524, check=check)
    page = phone_page(feet).decode("utf-8")
    (work,) = re.findall(r"(\{\"title\".*\})", page)
    told = json.loads(work)
    assert (told["limit"], told["tolerance"]) == pytest.approx((0.2, 0.5))
    assert told["points"][0]["at"] == [5.0, 5.0, 0.25]
    assert told["points"][0]["within"] == pytest.approx(0.0245 / 0.3048)
    assert told["points"][0]["height_within"] == pytest.approx(0.0196 / 0.3048)
    assert told["points"][0]["cut"] == pytest.approx(-0.15 / 0.3048)
    assert (told["baseline"], told["left_handed"]) == (10.0, False)
    assert told["visits"] == [[0.0, 0.0, 0.0], [0.0, 10.0, 0.0]]
    assert told["known"] == {"name": "S1", "at": [3.0, 6.0, 0.1], "reading": [6.0, 3.0, 0.1]}
    bare = replace(
        found(False), tolerance_m=None, check_mark=None, axes="left-handed",
        points=(replace(one.points[0], error_95_m=None, v_95_m=None, cut=None),),
    )  # fmt: skip
    (work,) = re.findall(r"(\{\"title\".*\})", phone_page(bare).decode("utf-8"))
    told = json.loads(work)
    assert [told[name] for name in ("limit", "visits", "tolerance", "known")] == [None] * 4
    assert told["left_handed"]
    assert [told["points"][0][name] for name in ("within", "height_within", "cut")] == [None] * 3
