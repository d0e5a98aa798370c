"""Which column of an export is what, where several could be."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from geosite.base.errors import InputError
from geosite.fieldbook.book import book_from_text
from geosite.fieldbook.cells import TIME_FORMS, times
from geosite.fieldbook.imports.headers import role_of
from geosite.fieldbook.imports.importing import import_exports
from geosite.fieldbook.imports.model import Answers
from geosite.fieldbook.imports.stated_units import unit_in_words
from geosite.fieldbook.imports.wording import preview
from geosite.fieldbook.sitefile import Survey
from geosite.reading import tables
from geosite.reading.written_numbers import as_number

WALK = [("A", 0.0, 0.0, 0.0), ("B", 25.0, 0.0, 0.2), ("C", 31.0, 17.0, 0.9), ("A", 0.0, 0.0, 0.0)]


def test_a_column_that_is_called_just_so_goes_before_one_that_means_the_same(
    tmp_path: Path,
) -> None:
    """Local coordinates beside those of a map: the field book takes x, y and z."""
    path = tmp_path / "walk.csv"
    rows = [f"{name},{512_300 + x},{5_276_100 + y},{400 + z},{x},{y},{z}" for name, x, y, z in WALK]
    path.write_text("\n".join(["point,easting,northing,elevation,x,y,z", *rows, ""]))
    (walked,) = import_exports([path], Answers(baseline=("A", "B"))).walked
    assert {role: walked.columns[role].header for role in "xyz"} == {"x": "x", "y": "y", "z": "z"}
    assert walked.xyz.tolist() == [[x, y, z] for _, x, y, z in WALK]


@pytest.mark.parametrize(
    ("header", "role", "turned", "sureness"),
    [
        *(("Point", "point", False, "sure"), ("station", "point", False, "likely")),
        *(("Run", "run", False, "sure"), ("Track", "run", False, "likely")),
        *(("Easting", "x", False, "sure"), ("Ost", "x", False, "likely")),
        *(("H\u00f6he \u00fc. NN", "z", False, "likely"), ("right", "x", False, "likely")),
        *(("d", "z", True, "likely"), ("s", "y", True, "likely"), ("West", "x", True, "sure")),
    ],
)
def test_a_word_of_our_own_is_surer_than_one_that_means_the_same(
    header: str, role: str, turned: bool, sureness: str
) -> None:
    assert role_of(header) == (role, turned, sureness)


def test_a_heading_over_nothing_does_not_hide_the_names_beside_it(tmp_path: Path) -> None:
    path = tmp_path / "walk.csv"
    rows = [f",{name},{x},{y},{z}," for name, x, y, z in WALK]
    path.write_text("\n".join(["name,,x,y,z,feature", *rows, ""]))
    (walked,) = import_exports([path], Answers(baseline=("A", "B"))).walked
    assert walked.cells == {"point": ("A", "B", "C", "A")}


@pytest.mark.parametrize("pad", ["", ",,,"])
def test_a_line_of_units_above_the_table_may_be_padded(tmp_path: Path, pad: str) -> None:
    path = tmp_path / "walk.csv"
    rows = [f"{name},{x},{y},{z}" for name, x, y, z in WALK]
    path.write_text("\n".join([f"Units: ft{pad}", "name,x,y,z", *rows, ""]))
    (walked,) = import_exports([path], Answers(baseline=("A", "B"))).walked
    assert walked.unit is not None
    assert walked.unit[0] == "ft"


@pytest.mark.parametrize("titles", [["Yard", "Crew", "Day one"], ["Yard", "Crew,two", "Day,one"]])
@pytest.mark.parametrize("header", ["name,x,y,z", None])
def test_titles_padded_with_blank_cells_are_no_rows_of_a_short_table(
    tmp_path: Path, titles: list[str], header: str | None
) -> None:
    """Three of them above three rows: "no separator gives rows with three columns of numbers"."""
    path = tmp_path / "walk.csv"
    padded = [f"{title}{',' * (3 - title.count(','))}" for title in titles]
    rows = [f"{name},{x},{y},{z}" for name, x, y, z in WALK[:3]]
    path.write_text("\n".join([*padded, *([header] if header else []), *rows, ""]))
    (walked,) = import_exports([path], Answers(baseline=("A", "B"))).walked
    assert walked.xyz.tolist() == [list(row[1:]) for row in WALK[:3]]
    assert walked.cells["point"] == ("A", "B", "C")
    assert walked.columns["x"].header == ("x" if header else "")


def test_clock_times_that_an_import_takes_are_read_by_a_field_book(tmp_path: Path) -> None:
    path = tmp_path / "walk.txt"
    for clock, taken in (("8:30:{0:02d}", True), ("08:3{0}", False), ("3{0}.5.2026", False)):
        rows = [f"{clock.format(n)};{name};{x};{y};{z}" for n, (name, x, y, z) in enumerate(WALK)]
        path.write_text("\n".join([*rows, ""]))
        (walked,) = import_exports([path], Answers(baseline=("A", "B"))).walked
        assert ("time" in walked.columns) is taken
    spent = times(["8:30:00", "8:31:30.5", "T08:32:00", "24:99:00", ""])
    np.testing.assert_array_equal(spent - 30600, [0, 90.5, 120, np.nan, np.nan])
    spent = times(["11:59:59 AM", "12:00:01 PM", "1:00:00pm", "13:00:00 PM", "0:10:00 AM"])
    np.testing.assert_array_equal(spent - 43200, [-1, 1, 3600, np.nan, np.nan])
    spent = times(
        ["05.03.2026 12:00:10 AM", "5.3.2026 13:00:00,5", "31.02.2026 13:00:00", "05.03.2026"]
    )
    midnight = datetime(2026, 3, 5, tzinfo=UTC).timestamp()
    np.testing.assert_array_equal(spent - midnight, [10, 46800.5, np.nan, np.nan])
    # after the last day that there is; blanks that do not break
    assert np.isnan(times(["31.12.9999 24:00:00"])).all()
    assert np.diff(times(["8:30:05\u202fAM", "8:30:06\u00a0PM"])).tolist() == [43201.0]
    # seconds of a day beside those since 1970 would be years of way
    assert np.isnan(times(["8:30:00", "2026-05-01T08:31:00"])[0])


@pytest.mark.parametrize(
    ("days", "hours"),
    [
        # a number above 12, wherever it stands, tells the day from the month
        (["05/03/2026", "06/03/2026", "13/03/2026"], [0, 24, 192]),
        (["05/03/2026", "05/04/2026", "05/13/2026"], [0, 24, 240]),
        # of one day it does not matter
        (["05/03/2026", "05/03/2026", "05/03/2026"], [0, 0, 0]),
        # March or May; and no year has so many months
        (["05/03/2026", "06/03/2026", "06/03/2026"], None),
        (["13/03/2026", "03/13/2026", "03/03/2026"], None),
    ],
)
def test_dates_with_strokes_are_read_where_the_column_tells_day_from_month(
    days: list[str], hours: list[float] | None
) -> None:
    spent = times([f"{day} 08:30:00" for day in days])
    if hours is None:
        assert np.isnan(spent).all()
    else:
        np.testing.assert_array_equal((spent - spent[0]) / 3600, hours)


def test_a_day_far_down_a_long_field_book_tells_the_month_in_its_first_rows(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(tables, "BLOCK", 200)  # so many bytes are read at once
    days = ["05/03/2026 08:30:00"] * 30 + ["05/13/2026 08:30:00"]
    rows = "\n".join(f"R1,,{n},0,0,{day}" for n, day in enumerate(days))
    book = book_from_text(f"run,point,x,y,z,time\n{rows}")
    assert book.time is not None
    assert (book.time[-1] - book.time[0]) / 86400 == 10.0


def test_a_day_without_its_clock_is_no_time() -> None:
    """Spreadsheets that show days alone give these: every row had the same moment."""
    assert np.isnan(times(["2026-05-31", "2026-05-31", "2026-W22", "2026-W22-7"])).all()
    spent = times(["20260531T083000", "2026-05-31T08", "2026-05-31 08:30:10"])
    assert (spent - spent[0]).tolist() == [0.0, -1800.0, 10.0]


def test_what_is_said_of_unread_times_names_each_form_that_is_read() -> None:
    forms = re.findall(r"\d[\d:T/. -]+\d(?: AM)?", TIME_FORMS)
    assert len(forms) == 5
    assert np.isfinite(times(["12.5"])).all()
    for form in forms:
        assert np.isfinite(times([form])).all(), form


@pytest.mark.parametrize("header", [["point,x,y,z,accuracy"], []])
@pytest.mark.parametrize("first", ["A,0,0,0,", "A,n/a,0,0,0.01", "A,,,,"])
def test_a_number_that_is_missing_from_the_first_row_takes_neither_row_nor_header(
    tmp_path: Path, header: list[str], first: str
) -> None:
    """It was taken for the header: the first observation and the names of columns were lost."""
    path = tmp_path / "walk.csv"
    rows = [f"{name},{x},{y},{z},0.01{n}" for n, (name, x, y, z) in enumerate(WALK)]
    path.write_text("\n".join([*header, first, *rows[1:], ""]))
    told = {} if header else {"point": "1", "x": "2", "y": "3", "z": "4"}
    answers = Answers(baseline=("A", "B"), columns=told)
    if first == "A,0,0,0,":
        (walked,) = import_exports([path], answers).walked
        assert walked.xyz.tolist() == [[x, y, z] for _, x, y, z in WALK]
        assert walked.cells["point"] == ("A", "B", "C", "A")
    elif header or first != "A,,,,":  # without a header that may be one
        with pytest.raises(InputError) as refused:
            import_exports([path], answers)
        assert {p.code for p in refused.value.problems} == {"number-unreadable"}
        assert {p.line for p in refused.value.problems} == {1 + len(header)}


def test_point_northing_easting_height_and_description_by_their_first_letters(
    tmp_path: Path,
) -> None:
    path = tmp_path / "walk.csv"
    rows = [f"{name},{y},{x},{z},kerb" for name, x, y, z in WALK]
    path.write_text("\n".join(["P,N,E,Z,D", *rows, ""]))
    (walked,) = import_exports([path], Answers(baseline=("A", "B"))).walked
    assert walked.xyz.tolist() == [[x, y, z] for _, x, y, z in WALK]
    assert walked.cells == {"point": ("A", "B", "C", "A"), "code": ("kerb",) * 4}


def test_seconds_with_decimal_commas_are_read_by_the_field_book(tmp_path: Path) -> None:
    """They went into a field book with decimal points as they were, and nobody could read them."""
    path = tmp_path / "walk.csv"
    rows = [
        f"{name};{x};{y};{z};{n}.25".replace(".", ",") for n, (name, x, y, z) in enumerate(WALK)
    ]
    path.write_text("\n".join(["point;x;y;z;time", *rows, ""]))
    made = import_exports([path], Answers(baseline=("A", "B")))
    (walked,) = made.walked
    assert times(walked.cells["time"]).tolist() == [0.25, 1.25, 2.25, 3.25]
    book = book_from_text(made.files["field_book.csv"].decode())
    assert book.time is not None
    assert book.time.tolist() == [0.25, 1.25, 2.25, 3.25]


def test_axes_whose_y_points_up_are_asked_about(tmp_path: Path) -> None:
    """Plan and heights of a device with y upwards and z backwards were exchanged, unsaid."""
    path = tmp_path / "walk.csv"
    rows = [f"{name},{x},{z},{-y}" for name, x, y, z in WALK]
    path.write_text("\n".join(["point,x,y,z", *rows, ""]))
    with pytest.raises(InputError, match="--column x=x --column y=-z --column z=y") as refused:
        import_exports([path], Answers(baseline=("A", "B")))
    assert [p.code for p in refused.value.problems] == ["height-open"]
    turned = Answers(baseline=("A", "B"), columns={"x": "x", "y": "-z", "z": "y"})
    (walked,) = import_exports([path], turned).walked
    assert walked.xyz.tolist() == [[x, y, z] for _, x, y, z in WALK]
    (left,) = import_exports([path], Answers(baseline=("A", "B"), columns={"z": "z"})).walked
    assert left.xyz[:, 2].tolist() == [-y for _, _, y, _ in WALK]


def test_a_field_book_with_decimal_commas_has_seconds_with_them() -> None:
    rows = [
        f"R1;{name};{x};{y};{z};{n}.25".replace(".", ",") for n, (name, x, y, z) in enumerate(WALK)
    ]
    book = book_from_text("\n".join(["run;point;x;y;z;time", *rows, ""]))
    assert book.time is not None
    assert book.time.tolist() == [0.25, 1.25, 2.25, 3.25]


@pytest.mark.parametrize("height", [0.0, 1.0])
def test_longitude_and_latitude_are_no_lengths(tmp_path: Path, height: float) -> None:
    """They made a field book of a yard of half a millimetre."""
    path = tmp_path / "walk.csv"
    rows = [f"{n},{9.16 + x / 75e3:.8f},{47.6 + y / 111e3:.8f},{height * z}" for n, x, y, z in WALK]
    path.write_text("\n".join(["point,x,y,z", *rows, ""]))
    with pytest.raises(InputError, match="degrees of longitude and latitude") as refused:
        import_exports([path], Answers(baseline=("A", "B")))
    assert [p.code for p in refused.value.problems] == ["degrees"]


@pytest.mark.parametrize(
    ("head", "told"),
    [
        ("point,latitude,longitude,height", '"latitude" and "longitude" are degrees'),
        ("name,Lat,Lng,Alt", '"Lat" and "Lng" are degrees'),
        ("name,Breite,L\u00e4nge,H\u00f6he", 'columns "Breite" and "L\u00e4nge" look like degrees'),
        ("", "columns 2 and 3 look like degrees"),
    ],
)
def test_a_list_of_a_receiver_is_told_in_one_line(tmp_path: Path, head: str, told: str) -> None:
    """It was asked which column is x, and which way the heights count."""
    path = tmp_path / "walk.csv"
    rows = [f"{n},{47.6 + y / 111e3:.8f},{9.4 + x / 75e3:.8f},{400 + z}" for n, x, y, z in WALK]
    path.write_text("\n".join([*([head] if head else []), *rows, ""]), encoding="utf-8")
    with pytest.raises(InputError, match=f"{told} of longitude and latitude") as refused:
        import_exports([path], Answers(baseline=("A", "B")))
    assert [p.code for p in refused.value.problems] == ["degrees"]


@pytest.mark.parametrize("columns", [{}, {"x": "longitude", "y": "latitude", "z": "height"}])
def test_a_list_of_a_receiver_is_no_field_book(columns: dict[str, str]) -> None:
    """Its baseline was said to be 0.000 m long, and its marks to have wrong names."""
    text = "run,point,latitude,longitude,height\nR1,A,47.6,9.4,400\nR1,B,47.60002,9.4,400\n"
    with pytest.raises(InputError) as refused:
        book_from_text(text, Survey(file="walk.csv", columns=columns))
    assert [p.code for p in refused.value.problems] == ["degrees"]


def test_long_and_lat_are_lengths_where_the_site_file_says_so() -> None:
    text = "run,point,long,lat,z\nR1,A,0,0,0\nR1,B,12.5,0.3,0.1\n"
    book = book_from_text(text, Survey(file="walk.csv", columns={"x": "long", "y": "lat"}))
    assert book.local.tolist() == [[0.0, 0.0, 0.0], [12.5, 0.3, 0.1]]
    with pytest.raises(InputError, match="degrees on earth"):
        book_from_text(text)


def test_titles_above_a_table_are_no_observations(tmp_path: Path) -> None:
    """A spreadsheet names the columns beside a title itself: Field2, Field3, ..."""
    twice = [*WALK, *WALK[1:]]
    path = tmp_path / "walk.csv"
    rows = [f"{name},{x},{y},{z}" for name, x, y, z in twice]
    above = ["Yard,Field2,Field3,Field4", "by hand,,,", "point,x,y,z", "-,[m],[m],[m]"]
    path.write_text("\n".join([*above, *rows, ""]))
    (walked,) = import_exports([path], Answers(baseline=("A", "B"))).walked
    assert walked.xyz.tolist() == [[x, y, z] for _, x, y, z in twice]
    assert walked.unit is not None
    assert walked.unit[0] == "m"


def test_numbers_of_marks_before_coordinates_without_a_header_are_marks(tmp_path: Path) -> None:
    """Number, x, y, z: the usual order of a coordinate list (common practice, no source)."""
    path = tmp_path / "walk.csv"
    rows = ["1,0.000,0.000,0.000", "2,12.000,0.000,0.050", "3,12.100,7.000,0.100"]
    path.write_text("\n".join([*rows, "1,0.020,0.010,0.005", ""]))
    (walked,) = import_exports([path], Answers(baseline=("1", "2"))).walked
    assert walked.cells["point"] == ("1", "2", "3", "1")
    np.testing.assert_array_equal(walked.xyz[1], [12.0, 0.0, 0.05])
    # four columns with decimals: nothing says which is the odd one, and all may be coordinates
    path.write_text("\n".join(row.replace(",", ".5,", 1) for row in [*rows, rows[0], ""]))
    with pytest.raises(InputError, match="--column x=1 --column y=2 --column z=3"):
        import_exports([path], Answers(baseline=("1", "2")))


def test_columns_without_decimals_are_not_offered_as_coordinates(tmp_path: Path) -> None:
    path = tmp_path / "walk.csv"
    rows = [f"{n % 2},{x},{y},{z},7" for n, (_, x, y, z) in enumerate(WALK)]
    path.write_text("\n".join(["weight,along,across,above,crew", *rows, ""]))
    with pytest.raises(InputError, match="--column x=2 --column y=3 --column z=4"):
        import_exports([path], Answers())


def test_a_unit_in_a_comment_of_as_many_words_as_the_table_has_columns(tmp_path: Path) -> None:
    path = tmp_path / "walk.txt"
    rows = [f"{name} {x} {y} {z}" for name, x, y, z in WALK]
    above = ["# walk of today", "# Units: ft"]
    path.write_text("\n".join([*above, "name x y z", *rows, ""]))
    (walked,) = import_exports([path], Answers(baseline=("A", "B"))).walked
    assert walked.unit == ("ft", '"# Units: ft" above the table')
    assert len(walked.xyz) == len(WALK)


@pytest.mark.parametrize(("again", "runs"), [("0.0,0.0,0.0", 2), ("0.01,0.0,0.0", 1)])
def test_blocks_with_titles_are_walks_where_each_begins_at_the_same_numbers(
    again: str, runs: int, tmp_path: Path
) -> None:
    """A header that comes once more may also be that of the next page of the same walk."""
    path = tmp_path / "walk.csv"
    rows = [f"{name},{x},{y},{z}" for name, x, y, z in WALK]
    second = [f"A,{again}", *rows[1:]]
    head = "name,x,y,z"
    path.write_text("\n".join(["first,,,", head, *rows, "second,,,", head, *second, ""]))
    imported = import_exports([path], Answers(baseline=("A", "B")))
    assert len(imported.walked[0].xyz) == 2 * len(WALK)
    assert len(set(imported.found.runs)) == runs


@pytest.mark.parametrize("between", [[], [",,,"]])
def test_a_mark_without_coordinates_above_the_next_header_is_no_title(
    between: list[str], tmp_path: Path
) -> None:
    """It was left out without a word; below an empty line a title is all it can be."""
    path = tmp_path / "walk.csv"
    rows = [f"{name},{x},{y},{z}" for name, x, y, z in WALK]
    head = "name,x,y,z"
    path.write_text("\n".join([head, *rows, *between, "D,,,", head, *rows, ""]))
    if between:
        (walked,) = import_exports([path], Answers(baseline=("A", "B"))).walked
        assert walked.cells["point"] == ("A", "B", "C", "A") * 2
        return
    with pytest.raises(InputError, match=r"csv:6: no x, y and z stand beside .D.;"):
        import_exports([path], Answers(baseline=("A", "B")))


@pytest.mark.parametrize(
    ("above", "between", "head"),
    [
        # not as wide as the table, two of them, with a number, below nothing and without a header
        (["Walk one"], ["", "Walk two"], "name,x,y,z"),
        (["Yard", "Walk 1"], ["Yard", "Walk 2, 3 May, in rain, slow, alone"], "name,x,y,z"),
        (["Yard,,,"], ["Yard,,,", "second,,,"], "name,x,y,z"),
        ([], ["Walk two"], ""),
        (["Walk one"], ["Walk two"], ""),
    ],
)
def test_titles_between_blocks_are_told_and_no_rows(
    tmp_path: Path, above: list[str], between: list[str], head: str
) -> None:
    path = tmp_path / "walk.csv"
    rows = [f"{name},{x},{y},{z}" for name, x, y, z in WALK]
    block = [*([head] if head else []), *rows]
    path.write_text("\n".join([*above, *block, *between, *block, ""]))
    names = Answers(baseline=("A", "B"), columns={} if head else {"point": "1"})
    made = import_exports([path], names)
    (walked,) = made.walked
    assert walked.xyz.tolist() == [[x, y, z] for _, x, y, z in WALK * 2]
    assert len(set(made.found.runs)) == 2
    taken = [words.strip(",") for words in between if words]
    assert [words for _, words in walked.titles] == taken
    (line,) = [told for _, told in preview(made) if "for titles" in told]
    assert f'"{taken[-1][:20]}' in line


def test_a_row_that_breaks_off_is_no_title(tmp_path: Path) -> None:
    path = tmp_path / "walk.csv"
    rows = [f"{name},{x},{y},{z}" for name, x, y, z in WALK]
    for broken, line in (([*rows, "D", *rows[1:]], 6), ([*rows, "D"], 6)):
        path.write_text("\n".join(["name,x,y,z", *broken, ""]))
        with pytest.raises(InputError, match=f"csv:{line}: no x, y and z stand beside .D.;"):
            import_exports([path], Answers(baseline=("A", "B")))


@pytest.mark.parametrize(
    "rule", ["-----,----,----,----", "-----  ----  ----  ----", "|---|:--:|---|---|"]
)
def test_a_line_that_is_ruled_below_the_header_hides_none_of_its_names(
    tmp_path: Path, rule: str
) -> None:
    """The order x, y, z was guessed then, and the header said otherwise."""
    mark = next((one for one in ",|" if one in rule), " ")
    rows = [["name", "y", "x", "z"], *([n, f"{y}", f"{x}", f"{z}"] for n, x, y, z in WALK)]
    lines = [mark.join(row) for row in rows]
    if mark == "|":
        lines = [f"| {line} |" for line in lines]
    path = tmp_path / "walk.txt"
    path.write_text("\n".join([lines[0], rule, *lines[1:], ""]))
    (walked,) = import_exports([path], Answers(baseline=("A", "B"))).walked
    assert walked.xyz.tolist() == [[x, y, z] for _, x, y, z in WALK]
    assert walked.cells["point"] == ("A", "B", "C", "A")


@pytest.mark.parametrize("mark", [",", " "])
def test_a_header_with_fewer_names_than_cells_is_asked_about(tmp_path: Path, mark: str) -> None:
    """A comma in remarks took the header away, and with it that y came first."""
    path = tmp_path / "walk.csv"
    rows = [f"{n},{y},{x},{z},gate,left" for n, x, y, z in WALK]
    path.write_text("\n".join(["name,y,x,z,note", *rows, ""]).replace(",", mark))
    with pytest.raises(InputError, match=r"names of the columns are 5 cells, .*the rows have 6"):
        import_exports([path], Answers(baseline=("A", "B")))
    told = {"point": "1", "x": "3", "y": "2", "z": "4"}
    (walked,) = import_exports([path], Answers(baseline=("A", "B"), columns=told)).walked
    assert walked.xyz.tolist() == [[x, y, z] for _, x, y, z in WALK]


@pytest.mark.parametrize("head", ["x,y,z", "name,x,y,z,code,note", "name,x,y,z,,"])
def test_names_in_the_usual_order_are_none_to_ask_about(tmp_path: Path, head: str) -> None:
    """What is read without a header is the same."""
    path = tmp_path / "walk.csv"
    path.write_text("\n".join([head, *(f"{n},{x},{y},{z}" for n, x, y, z in WALK), ""]))
    (walked,) = import_exports([path], Answers(baseline=("A", "B"))).walked
    assert walked.xyz.tolist() == [[x, y, z] for _, x, y, z in WALK]
    path.write_text(path.read_text().replace("z", "depth", 1))
    with pytest.raises(InputError, match="names of the columns are"):
        import_exports([path], Answers(baseline=("A", "B")))


def test_sizes_with_units_beside_bare_coordinates_are_none_of_them(tmp_path: Path) -> None:
    """Pipes of 4 in were a fourth column of numbers, and it was asked which three are x, y, z."""
    path = tmp_path / "walk.csv"
    rows = [f"{n},{x},{y},{z},{4 + 2 * (x > 30)} in" for n, x, y, z in WALK]
    for head in ([], ["name,along,across,above,pipe"]):
        path.write_text("\n".join([*head, *rows, ""]))
        (walked,) = import_exports([path], Answers(baseline=("A", "B"))).walked
        assert walked.xyz.tolist() == [[x, y, z] for _, x, y, z in WALK]
    path.write_text("\n".join([*rows, ""]))
    (walked,) = import_exports([path], Answers(baseline=("A", "B"))).walked
    assert walked.cells["code"] == ("4 in", "4 in", "6 in", "4 in")


def test_names_of_several_words_between_blanks_keep_the_usual_order(tmp_path: Path) -> None:
    path = tmp_path / "walk.txt"
    rows = [f"{n} {x} {y} {z}" for n, x, y, z in WALK]
    path.write_text("\n".join(["Point No X [m] Y [m] Z [m]", *rows, ""]))
    (walked,) = import_exports([path], Answers(baseline=("A", "B"), columns={"point": "1"})).walked
    assert walked.xyz.tolist() == [[x, y, z] for _, x, y, z in WALK]


def test_a_walk_that_is_named_in_its_first_row_alone_is_one(tmp_path: Path) -> None:
    """As spreadsheets do with cells that were one."""
    path = tmp_path / "walk.csv"
    named = ["early", "", "", "", "late", "", "", ""]
    rows = [f"{run},{n},{x},{y},{z}" for run, (n, x, y, z) in zip(named, WALK * 2, strict=True)]
    path.write_text("\n".join(["run,name,x,y,z", *rows, ""]))
    made = import_exports([path], Answers(baseline=("A", "B")))
    assert made.found.runs == ("early",) * 4 + ("late",) * 4


def test_columns_of_equal_names_are_told_by_their_numbers(tmp_path: Path) -> None:
    path = tmp_path / "walk.csv"
    rows = [f"{n},{x},{y},{z},{z}" for n, x, y, z in WALK]
    path.write_text("\n".join(["name,x,y,z,z", *rows, ""]))
    with pytest.raises(InputError, match=r"column 4 or column 5 may be z; .* --column z=4 "):
        import_exports([path], Answers(baseline=("A", "B")))


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ('WKT,name\n"POINT Z (0 0 0)",A\n"POINT Z (2 0 0)",B\n', "csv:2: coordinates .* AS_XYZ"),
        ("name,x,y\nA,0,0\nB,12.5,3\n", "csv: its rows have two columns of numbers; .* heights"),
        ("name,x,y,z\nA,0,0,0\nD,1,2,4\nB,NaN,NaN,NaN\nC,1,2,3\n", "csv:4: x, y and z are .NaN.;"),
        (
            "name,x,y,z\nA,0,0,0\nD,1,2,4\nB,n/a,NaN,3\nC,1,2,3\n",
            "csv:4: x is .n/a.;(?s:.)*csv:4: y is",
        ),
    ],
)
def test_what_no_walk_can_be_made_of_is_told_in_its_own_words(
    tmp_path: Path, text: str, told: str
) -> None:
    path = tmp_path / "walk.csv"
    path.write_text(text)
    with pytest.raises(InputError, match=told):
        import_exports([path], Answers(baseline=("A", "B")))


def test_double_precision_and_a_header_behind_a_sign_of_comments_are_read(tmp_path: Path) -> None:
    """As programs of calculation write: powers of ten with a D, and comments with a percent."""
    path = tmp_path / "walk.txt"
    rows = [f"{n} {x:.5E} {y:.5E} {z:.5E}".replace("E", "D") for n, x, y, z in WALK]
    path.write_text("\n".join(["% walk of the yard", "% name x y z", *rows, ""]))
    (walked,) = import_exports([path], Answers(baseline=("A", "B"))).walked
    assert walked.xyz.tolist() == [[x, y, z] for _, x, y, z in WALK]
    assert walked.columns["x"].header == "x"
    assert as_number("12D3") is None  # a mark


@pytest.mark.parametrize(
    "last", ["Total,56.0,17.0,1.1", "Mean;14;4,25;0,28", "End of list", "Made by,A. Walker,,"]
)
def test_a_line_of_totals_below_the_table_is_no_mark(tmp_path: Path, last: str) -> None:
    path = tmp_path / "walk.csv"
    text = "\n".join(["name,x,y,z", *(f"{name},{x},{y},{z}" for name, x, y, z in WALK)])
    if last.startswith("Made"):
        text += "\n"  # it stands apart
    if ";" in last:
        text = text.replace(",", ";").replace(".", ",")
    path.write_text(f"{text}\n{last}\n")
    (walked,) = import_exports([path], Answers(baseline=("A", "B"))).walked
    assert len(walked.xyz) == len(WALK)
    assert [line for line, _ in walked.titles] == [7 if last.startswith("Made") else 6]
    # a mark that is called so stays one
    path.write_text(text + "\nMax;3,5;4,5;0,3\n" if ";" in last else text + "\nMax,3.5,4.5,0.3")
    assert len(import_exports([path], Answers(baseline=("A", "B"))).found.xyz) == len(WALK) + 1


def test_a_header_that_leaves_one_axis_out_is_no_title(tmp_path: Path) -> None:
    """The columns went by their order then, y as x: the site was a mirror image."""
    path = tmp_path / "walk.csv"
    path.write_text("\n".join(["y,x,", *(f"{y},{x},{z}" for _, x, y, z in WALK), ""]))
    with pytest.raises(InputError, match="which column is z"):
        import_exports([path], Answers())


def test_feet_and_inches_are_read_and_are_the_unit(tmp_path: Path) -> None:
    path = tmp_path / "walk.csv"
    rows = ["B1,0'-0\",0'-0\",0'-0\"", 'B2,40\'-3 1/2",0\'-1",-2"', "B1,0'-1\",0'-0\",0'-0\""]
    for text in (rows, ['"' + row.replace('"', '""').replace(",", '","') + '"' for row in rows]):
        path.write_text("\n".join(["point,x,y,z", *text, ""]))
        made = import_exports([path], Answers(baseline=("B1", "B2")))
        assert (made.unit, made.unit_why) == ("ft", 'x is "0\'-0""')
        want = [[0.0, 0.0, 0.0], [40 + 3.5 / 12, 1 / 12, -2 / 12], [1 / 12, 0.0, 0.0]]
        np.testing.assert_allclose(made.found.xyz, want, atol=1e-9)
    path.write_text("\n".join(["point,x [m],y,z", *rows, ""]))
    with pytest.raises(InputError, match=r"header .x \[m\]. says m, and x is .* write ft into"):
        import_exports([path], Answers(baseline=("B1", "B2")))


@pytest.mark.parametrize(
    ("head", "cells", "unit", "first"),
    [
        ("x", ["10\u2019 6\u201d", "0", "1\u2032 3\u00bd\u2033"], "ft", 10.5),
        ("x", ["10 ft 6 in", "0 ft", "1 ft. 3 in."], "ft", 10.5),
        ("x", ["1,049.87'", "0'", "12.5'"], "ft", 1049.87),
        ("x", ["10,50\u2019", "0,00\u2019", "1,25\u2019"], "ft", 10.5),
        ("x", ["3,25 m", "0 m", "1,5 m"], "m", 3.25),
        ("x", ["126.0 in", "0", '15"'], "ft", 10.5),
        ("x (in)", ["10' 6\"", "0'", '3"'], "ft", 10.5),
        ("x (ftUS)", ["10.5'", "0'", "1.5'"], "ftUS", 10.5),
        ("x [cm]", ["350 cm", "0", "12 cm"], "m", 3.5),
    ],
)
def test_lengths_with_units_behind_their_numbers_are_read(
    tmp_path: Path, head: str, cells: list[str], unit: str, first: float
) -> None:
    path = tmp_path / "walk.csv"
    rows = [f"{name};{cell};{cell};{cell}" for name, cell in zip("ABC", cells, strict=True)]
    path.write_text(
        "\n".join(["point;" + ";".join(head.replace("x", axis) for axis in "xyz"), *rows, ""])
    )
    made = import_exports([path], Answers(baseline=("A", "B")))
    assert made.unit == unit
    assert made.found.xyz[:2, 0].tolist() == [first, 0.0]


@pytest.mark.parametrize(
    ("head", "cells", "told"),
    [
        ("x (in)", ["10.5'", "3'"], "header .x .in.. says in, and x is .10.5'.*; write ft into"),
        ("x", ["10' 6\"", "3"], "x is .3. without a unit, and in line 2 .10' 6"),
        ("x (in)", ['126"', "12"], "x is .12. without a unit"),
        ("x", ["3.5 m", "12 ft"], r"x is in different units: .3.5 m. .line 2. and .12 ft. .line 3"),
        (
            "x",
            ["10'6", "3'2"],
            "csv:2: \"10'6\" is not understood as a number; .* 12.25', 12' 3 1/2",
        ),
    ],
)
def test_units_of_cells_that_contradict_are_told_with_what_to_do(
    tmp_path: Path, head: str, cells: list[str], told: str
) -> None:
    path = tmp_path / "walk.csv"
    rows = [f"{name};{cell};{cell};{cell}" for name, cell in zip("AB", cells, strict=True)]
    path.write_text("\n".join([f"point;{head};y;z", *rows, ""]))
    with pytest.raises(InputError, match=told) as refused:
        import_exports([path], Answers(baseline=("A", "B")))
    assert len(refused.value.problems) == 1


def test_a_unit_behind_numbers_that_was_told_otherwise_is_in_no_header(tmp_path: Path) -> None:
    path = tmp_path / "walk.csv"
    path.write_text("\n".join(["name,x,y,z", *(f"{n},{x} m,{y} m,{z} m" for n, x, y, z in WALK)]))
    with pytest.raises(InputError, match=r"says m .x is .0.0 m.., you .* or correct what says it"):
        import_exports([path], Answers(baseline=("A", "B"), unit="ft"))


def test_a_field_book_says_where_lengths_with_units_are_read() -> None:
    with pytest.raises(InputError) as refused:
        book_from_text("run,point,x,y,z\nR1,A,12\u2019 3\u201d,3 m,0x1\n")
    tails = [p.remedy.partition("; ")[2] for p in refused.value.problems]
    assert tails == ["geosite import reads tables with units, also feet and inches"] * 2 + [""]


@pytest.mark.parametrize(
    ("line", "unit"),
    [
        *(("# all units in feet", "ft"), ("# Coordinates are in US survey feet", "ftUS")),
        *(("x, y and z in metres", "m"), ("Alle Koordinaten in m", "m"), ("Units: in", "in")),
        *(("10 m of kerb in bags", None), ("Unit: m/s", None), ("heights in ft", None)),
        ("Heights in feet, coordinates in m", None),
        # a place, somebody, marks and a rate
        *(("Measured in yard B", None), ("Measured: M. Miller", None), ("values in M hall", None)),
        *(("Numbers: M1 to M9", None), ("Unit: ft per second", None)),
        *(("Units: yard", "yd"), ("Unit M", "m"), ("lengths in m above datum", "m")),
    ],
)
def test_a_line_above_the_table_says_the_unit_in_words(line: str, unit: str | None) -> None:
    assert unit_in_words(line) == unit


@pytest.mark.parametrize("heads", ["distance,bearing,level", "distance,hz,v"])
def test_directions_are_not_offered_as_coordinates(heads: str, tmp_path: Path) -> None:
    """Nor taken as such where as many columns as axes are left."""
    path = tmp_path / "walk.csv"
    path.write_text(f"mark,{heads}\nA,0,0,0\nB,12.5,90,0.1\nA,0.1,90,0\n")
    with pytest.raises(InputError, match="directions are not read: export coordinates"):
        import_exports([path], Answers())


TRAJECTORIES = {
    "an odometry topic saved as a table": (
        "stamp,pose.position.x,pose.position.y,pose.position.z,pose.orientation.x,"
        "pose.orientation.y,pose.orientation.z,pose.orientation.w,"
        "twist.linear.x,twist.linear.y,twist.linear.z",
        "1780000000.{n},{x},{y},{z},0,0,0,1,0.5,0,0",
    ),
    "TUM RGB-D benchmark (Sturm et al. 2012, doi:10.1109/IROS.2012.6385773)": (
        "# ground truth trajectory\n# timestamp tx ty tz qx qy qz qw",
        "1780000000.{n} {x:.3f} {y:.3f} {z:.3f} 0 0 0 1",
    ),
    "EuRoC MAV datasets (Burri et al. 2016, doi:10.1177/0278364915620033)": (
        "#timestamp [ns],p_RS_R_x [m],p_RS_R_y [m],p_RS_R_z [m],q_RS_w [],q_RS_x [],q_RS_y [],"
        "q_RS_z [],v_RS_R_x [m s^-1],v_RS_R_y [m s^-1],v_RS_R_z [m s^-1]",
        "1780000000{n}00000000,{x:.3f},{y:.3f},{z:.3f},1,0,0,0,0.5,0,0",
    ),
}


@pytest.mark.parametrize("kind", TRAJECTORIES)
def test_the_place_is_found_beside_rotation_and_velocity(tmp_path: Path, kind: str) -> None:
    """Headers of open trajectory formats, as their papers and data pages give them."""
    header, row = TRAJECTORIES[kind]
    path = tmp_path / "walk.txt"
    rows = [row.format(n=n, x=x, y=y, z=z) for n, (_, x, y, z) in enumerate(WALK)]
    path.write_text("\n".join([header, *rows, ""]))
    (walked,) = import_exports([path], Answers()).walked
    assert walked.xyz.tolist() == [[x, y, z] for _, x, y, z in WALK]
    if "time" in walked.cells:
        spent = times(walked.cells["time"])
        assert np.diff(spent) == pytest.approx(0.1, abs=1e-6)


@pytest.mark.parametrize(
    "heads", ["ax,ay,az", "vel_x,vel_y,vel_z", "q_x,q_y,q_z,q_w", "pos_x,pos_y,pos_z,p_x,p_y,p_z"]
)
def test_what_may_be_no_place_or_two_is_asked_about(tmp_path: Path, heads: str) -> None:
    path = tmp_path / "walk.csv"
    count = heads.count(",") + 1
    rows = [",".join(f"{0.1 * (n + k):.1f}" for k in range(count)) for n in range(4)]
    path.write_text("\n".join([heads, *rows, ""]))
    with pytest.raises(InputError, match="which column is x"):
        import_exports([path], Answers())


@pytest.mark.parametrize("header", ["time_ms", "time [ms]", "t (ms)"])
def test_times_are_seconds_whatever_part_of_one_they_are_written_in(
    tmp_path: Path, header: str
) -> None:
    path = tmp_path / "walk.csv"
    rows = [f"{250 * n},{x},{y},{z}" for n, (_, x, y, z) in enumerate(WALK)]
    path.write_text("\n".join([f"{header},x,y,z", *rows, ""]))
    (walked,) = import_exports([path], Answers()).walked
    assert walked.cells["time"] == ("0", "0.25", "0.5", "0.75")


@pytest.mark.parametrize(
    ("cells", "spent"),
    [
        (["1780000000", "1780000002"], 2.0),
        (["1780000000000", "1780000002000"], 2.0),
        (["1780000000000000", "1780000002000000"], 2.0),
        (["1780000000000000000", "1780000002000000000"], 2.0),
        # date and time in one number; ticks of 100 ns since the years 1 and 1601
        *((["20260531083059", "20260531083101"], np.nan), (["202605310830"] * 2, np.nan)),
        *((["638800000000000000"] * 2, np.nan), (["134000000000000000"] * 2, np.nan)),
    ],
)
def test_parts_of_a_second_since_1970(cells: list[str], spent: float) -> None:
    assert np.diff(times(cells)).item() == pytest.approx(spent, abs=1e-6, nan_ok=True)
