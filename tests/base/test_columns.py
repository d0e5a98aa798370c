"""One column from a fact: its fields, its cells, its order."""

from __future__ import annotations

import math

import numpy as np
import pytest

from geosite.base.columns import Column, Columns, Field, estimate, integer, interval, real, text
from geosite.base.estimate import Estimate


def test_a_number_with_its_interval_is_three_columns_with_the_unit_last() -> None:
    table: Columns[Estimate] = Columns((estimate("area_m2", "Area.", lambda e: e, "m2"),))
    assert [(f.name, f.type, f.unit) for f in table.fields] == [
        ("area_m2", "real", "m2"),
        ("area_sigma_m2", "real", "m2"),
        ("area_95_m2", "real", "m2"),
    ]
    assert table.records([Estimate.normal(20.0, 0.5, 2.0)]) == [
        {"area_m2": 20.0, "area_sigma_m2": 0.5, "area_95_m2": 1.0}
    ]


def test_an_uneven_number_has_both_ends() -> None:
    table: Columns[Estimate] = Columns((interval("depth_m", "Depth.", lambda e: e, "m"),))
    assert table.records([Estimate(0.1, 0.02, 0.3)]) == [
        {"depth_m": 0.1, "depth_low_m": 0.02, "depth_high_m": 0.3}
    ]


def test_a_name_without_a_unit_takes_the_word_at_its_end() -> None:
    table: Columns[Estimate] = Columns((estimate("material", "Bags.", lambda e: e),))
    assert [f.name for f in table.fields] == ["material", "material_sigma", "material_95"]


@pytest.mark.parametrize("value", [None, math.nan, math.inf])
def test_what_is_not_known_is_none(value: float | None) -> None:
    known = None if value is None else Estimate.normal(value, 1.0, 2.0)
    table: Columns[int] = Columns(
        (
            estimate("a_m", "A.", lambda _: known, "m"),
            real("b_m", "B.", lambda _: value, "m"),
            integer("c", "C.", lambda _: None),
            text("d", "D.", lambda _: ""),
        )
    )
    (record,) = table.records([0])
    assert record["a_m"] is record["a_95_m"] is None
    assert record["b_m"] is record["c"] is record["d"] is None


def test_what_others_rely_on_comes_first() -> None:
    table: Columns[float] = Columns(
        (
            estimate("a_m", "A.", lambda v: Estimate.normal(v, 1.0, 2.0), "m"),
            real("b_m", "B.", lambda v: v, "m"),
        ),
        first=("b_m", "a_m"),
    )
    assert [f.name for f in table.fields] == ["b_m", "a_m", "a_sigma_m", "a_95_m"]
    assert list(table.records([3.0])[0]) == ["b_m", "a_m", "a_sigma_m", "a_95_m"]


def test_facts_kept_as_arrays_fill_whole_columns() -> None:
    table: Columns[np.ndarray] = Columns(
        (real("x", "X.", lambda a: a[:, 0]), integer("n", "N.", lambda a: a[:, 1]))
    )
    records = table.records_of(np.array([[0.5, 1.0], [np.nan, 2.0]]))
    assert records == [{"x": 0.5, "n": 1}, {"x": None, "n": 2}]
    assert [type(v) for v in records[0].values()] == [float, int]


def test_columns_of_unlike_length_are_refused() -> None:
    table: Columns[int] = Columns(
        (real("x", "X.", lambda _: [1.0, 2.0]), real("y", "Y.", lambda _: [1.0]))
    )
    with pytest.raises(ValueError, match="argument 2 is shorter"):
        table.records_of(0)


def test_headings_are_the_name_in_words() -> None:
    assert Field("net_area_m2", "real").heading == "Net area"
    assert Field("azimuth_grid_deg", "real").heading == "Azimuth grid"
    assert Field("x", "text", title="Easting").heading == "Easting"
    (_, sigma, half) = estimate("rise_m", "Rise.", lambda e: e, "m").fields
    assert (sigma.heading, half.heading) == (
        "Rise, standard deviation",
        "Rise, +/- at 95 %",
    )
    (value, low, high) = interval("fall_m", "Fall.", lambda e: e, "m").fields
    assert (value.heading, low.heading, high.heading) == (
        "Fall",
        "Fall, low at 95 %",
        "Fall, high at 95 %",
    )
    titled = Column("d_m", "estimate", "D.", lambda e: e, "m", title="Depth").fields
    assert [one.heading for one in titled] == [
        "Depth",
        "Depth, standard deviation",
        "Depth, +/- at 95 %",
    ]


def test_a_unit_is_the_last_word_of_a_name_but_not_the_only_one() -> None:
    words = {"percent": "Percent", "grade_percent": "Grade", "a_b": "A b", "m": "M"}
    assert {name: Field(name, "real").heading for name in words} == words


def test_what_an_interval_leaves_out_is_said() -> None:
    (value, sigma, half) = estimate(
        "rise_m", "Rise.", lambda e: e, "m", known_from="from the marks alone"
    ).fields
    assert value.description == "Rise."
    assert sigma.description == "Standard deviation of rise_m, from the marks alone."
    assert half.description == "Half the 95 % interval of rise_m, from the marks alone."
    (_, low, high) = interval("rise_m", "Rise.", lambda e: e, "m").fields
    assert low.description == "Lower end of the 95 % interval of rise_m."
    assert high.description == "Upper end of the 95 % interval of rise_m."
    assert [one.unit for one in (value, sigma, half, low, high)] == ["m"] * 5


def test_a_column_of_one_field_says_all_that_is_known_of_it() -> None:
    meanings = {"within": "below the limit"}
    columns = (
        text("verdict", "At 95 %.", str, meanings),
        integer("count", "How many.", int, {"1": "one"}),
        real("limit_m", "The limit.", float, "m", exact="given"),
        Column("x_m", "real", "Easting.", float, "m", title="East"),
    )
    assert [one for column in columns for one in column.fields] == [
        Field("verdict", "text", "At 95 %.", values=meanings),
        Field("count", "integer", "How many.", values={"1": "one"}),
        Field("limit_m", "real", "The limit.", "m", exact="given"),
        Field("x_m", "real", "Easting.", "m", title="East"),
    ]
    assert text("a", "A.", str).fields == (Field("a", "text", "A."),)


def test_words_numbers_and_counts_are_what_they_say() -> None:
    assert text("a", "A.", str).cells(["x", 3, None, ""]) == [["x", "3", None, None]]
    assert integer("a", "A.", int).cells([True, 2.0, None]) == [[1, 2, None]]
    assert real("a", "A.", float).cells([True, 2, None, math.nan]) == [[1.0, 2.0, None, None]]
    assert estimate("a", "A.", float).cells([None, Estimate(1.0, 0.5, 2.5)]) == [
        [None, 1.0],
        [None, None],
        [None, 1.0],
    ]
