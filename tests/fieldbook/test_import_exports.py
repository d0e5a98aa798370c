"""geosite import: one survey in many forms comes out as one; what is ambiguous is asked."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import fiona
import numpy as np
import pytest
import xlsxwriter
from cli_runner import geosite
from export_cases import COLUMNS, ROWS, WALKS, Form, forms, write

from geosite.base.errors import InputError
from geosite.fieldbook.imports.importing import import_exports
from geosite.fieldbook.imports.model import Answers

FORMS = list(forms())


def test_there_are_at_least_sixty_forms() -> None:
    assert len(FORMS) >= 60
    for name in ("separator", "decimal", "header", "split", "encoding", "axes", "unit"):
        assert len({getattr(form, name) for form in FORMS}) > 1


def book(folder: Path) -> list[dict[str, str]]:
    with (folder / "field_book.csv").open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def same_survey(folder: Path, unit_m: float) -> None:
    """Compare an imported field book with the survey, in metres."""
    rows = book(folder)
    assert len(rows) == len(ROWS)
    runs = (
        {row["run"] for row in rows[: len(WALKS[0])]},
        {row["run"] for row in rows[len(WALKS[0]) :]},
    )
    assert len(runs[0]) == len(runs[1]) == 1
    assert runs[0] != runs[1]
    for got, row in zip(rows, ROWS, strict=True):
        for k, role in ((1, "point"), (5, "feature"), (6, "code"), (7, "segment"), (8, "note")):
            assert got[role] == row[k], (role, got)
    local = np.array([[float(row[axis]) for axis in "xyz"] for row in rows]) * unit_m
    assert np.abs(local - np.array([row[2:5] for row in ROWS])).max() < 6e-6


@pytest.mark.parametrize("form", FORMS, ids=lambda form: form.name)
def test_every_form_is_the_same_survey(tmp_path: Path, form: Form) -> None:
    paths, options = write(form, tmp_path)
    ran = geosite("import", *paths, "--out", tmp_path / "out", "--json", *options)
    assert (ran.status, ran.err) == (0, "")
    made = json.loads(ran.out)
    assert made["unit"] == form.unit
    assert (made["baseline"]["from"], made["baseline"]["to"]) == ("B1", "B2")
    same_survey(tmp_path / "out", 1.0 if form.unit == "m" else 0.3048)
    assert "anchor.crs" in made["gaps"]


def test_gaps_are_told_by_check_and_nothing_else_is_wrong(tmp_path: Path) -> None:
    paths, options = write(FORMS[0], tmp_path)
    assert geosite("import", *paths, "--out", tmp_path / "out", *options).status == 0
    ran = geosite("check", tmp_path / "out/site.toml")
    assert ran.status == 2
    lines = ran.err.splitlines()
    assert len(lines) == 5
    assert all("is still a gap" in line for line in lines)


@pytest.mark.slow
def test_with_crs_and_marks_the_import_builds(tmp_path: Path) -> None:
    paths, options = write(FORMS[4], tmp_path)
    known = ("--crs", "EPSG:25832", "--mark", "B1=512640,5276210,402.6")
    ran = geosite(
        "import",
        *paths,
        "--out",
        tmp_path / "out",
        *options,
        *known,
        "--mark",
        "B2=512640,5276227.89",
    )
    assert ran.status == 0, ran.err
    assert geosite("check", tmp_path / "out/site.toml").status == 0
    ran = geosite("build", tmp_path / "out/site.toml", "--out", tmp_path / "map")
    assert ran.status == 0, ran.err
    with fiona.open(tmp_path / "map/site.gpkg", layer="areas") as areas:
        assert {a.properties["feature"] for a in areas} == {"turnaround", "shelter"}


def put(folder: Path, text: str, name: str = "walk.csv") -> Path:
    (folder / name).write_text(text, encoding="utf-8")
    return folder / name


PLAIN = "B1,0,0,0\nB2,3.2,17.6,0.12\nT1,6.1,2.45,-0.05\nT2,24.8,1.05,-0.31\nT3,31.5,9.2,-0.22\n"
BACK = "B1,0.06,-0.03,0.02\nB2,3.27,17.54,0.13\n"


@pytest.mark.parametrize(
    ("text", "options", "asked"),
    [
        # heights in the second column: the order of the axes is open
        (
            "B1,0,0,0\nB2,3.2,.12,17.6\nT1,6.1,-.05,2.4\nT2,24.8,-.31,1.1\nB1,.1,0,0\n",
            (),
            "--column x=",
        ),
        # four columns of numbers, no header
        (PLAIN.replace("\n", ",7.5\n").replace("0,7.5", "0,3.1", 1), (), "--column x="),
        # one comma that may be thousands or decimals
        ("B1;0;0;0\nB2;1,234;5,678;1,111\nT1;2,222;3,333;1,234\nB1;0;0;0\n", (), "--decimal"),
        # two columns that may be the mark
        ("Label,Station,x,y,z\na,b,0,0,0\nc,d,1,9,0\ne,f,4,4,0\n", (), "--column point="),
        # two walks and nothing that tells where the second begins
        ("B1,1,1,0\nB2,3,17,0\nT1,9,2,0\nB1,40,70,0\nB2,57,72,0\n", (), "--column run="),
        # every walk shares one mark only
        ("run,point,x,y,z\na,B1,0,0,0\na,B2,3,17,0\nb,B1,0,0,0\nb,C,4,15,0\n", (), "--baseline"),
        # the length and the header contradict each other
        (
            "point,x [m],y [m],z [m]\n" + PLAIN + BACK,
            ("--baseline-length", "17.9 ft"),
            "correct the unit",
        ),
        # no unit fits the length
        ("point,x,y,z\n" + PLAIN + BACK, ("--baseline-length", "40 m"), "--baseline-length"),
        # decimal commas between commas
        (
            "point,x,y,z\nB1,0,0,0\nB2,3,2,17,6,0,1\nT1,6,2,2,4,0\nB1,0,0,0\nT2,3,3,3\n",
            (),
            "semicolons",
        ),
        # a column that is not there
        ("point,x,y,z\n" + PLAIN + BACK, ("--column", "z=height"), "correct --column"),
    ],
)  # fmt: skip
def test_what_is_open_is_asked(
    tmp_path: Path, text: str, options: tuple[str, ...], asked: str
) -> None:
    ran = geosite("import", put(tmp_path, text), "--out", tmp_path / "out", *options)
    assert ran.status == 2, ran.out
    assert asked in ran.err
    assert not (tmp_path / "out").exists()


def test_walks_in_two_units_are_asked_about(tmp_path: Path) -> None:
    head = "point,x,y,z\n"
    feet = "\n".join(
        ",".join([row.split(",")[0], *(f"{float(c) / 0.3048:.3f}" for c in row.split(",")[1:])])
        for row in (PLAIN + BACK).split()
    )
    files = put(tmp_path, head + PLAIN + BACK, "a.csv"), put(tmp_path, head + feet, "b.csv")
    ran = geosite("import", *files, "--out", tmp_path / "out")
    assert ran.status == 2
    assert "another unit" in ran.err


def test_mirrored_walk_is_asked_about(tmp_path: Path) -> None:
    head = "point,x,y,z\n"
    turned = "point,y,x,z\n" + PLAIN + BACK
    files = put(tmp_path, head + PLAIN + BACK, "a.csv"), put(tmp_path, turned, "b.csv")
    ran = geosite("import", *files, "--out", tmp_path / "out")
    assert ran.status == 2
    assert "mirror" in ran.err


def test_spreadsheet_with_a_walk_on_each_sheet(tmp_path: Path) -> None:
    from openpyxl import Workbook

    made = Workbook()
    for sheet, rows in zip((made.active, made.create_sheet()), WALKS, strict=True):
        sheet.title = rows[0][0]
        sheet.append(["Mark", "X (m)", "Y (m)", "Z (m)", "feature", "code", "segment", "note"])
        for row in rows:
            sheet.append([value if value != "" else None for value in row[1:]])
    notes = made.create_sheet("To buy")
    notes.append(["what", "how many"])
    notes.append(["pegs", 40])
    prices = made.create_sheet("Prices")
    for row in (
        ["item", "quantity", "price", "total"],
        ["kerb", 80, 48, 3840],
        ["asphalt", 9, 3, 27],
    ):
        prices.append(row)
    made.save(tmp_path / "walks.xlsx")
    ran = geosite("import", tmp_path / "walks.xlsx", "--out", tmp_path / "out")
    assert ran.status == 0, ran.err
    for sheet in ("To buy", "Prices"):
        assert f"walks.xlsx, {sheet}: no coordinates, passed over (--layer " in ran.out
    same_survey(tmp_path / "out", 1.0)


def test_a_walk_under_a_header_of_other_words_is_not_passed_over(tmp_path: Path) -> None:
    """It visits the same two marks; one of its sheets was lost."""
    path = tmp_path / "walks.xlsx"
    with xlsxwriter.Workbook(path) as made:
        for name, heads in (("one", "mark x y z"), ("two", "where along across above")):
            sheet = made.add_worksheet(name)
            sheet.write_row(0, 0, heads.split())
            for row, (mark, *at) in enumerate(
                [("B1", 0, 0, 0), ("B2", 20, 1, 0.1), ("C", 9, 8, 0.2)], 1
            ):
                sheet.write_row(row, 0, [mark, *at])
    ran = geosite("import", path, "--baseline", "B1,B2", "--out", tmp_path / "out")
    assert "2 walks (one, two)" in ran.out, ran.err


def test_sheets_may_be_named(tmp_path: Path) -> None:
    path = tmp_path / "walks.xlsx"
    with xlsxwriter.Workbook(path) as made:
        for number, name in enumerate(("early", "late")):
            sheet = made.add_worksheet(name)
            for at, row in enumerate([COLUMNS[1:5], *(row[1:5] for row in WALKS[number])]):
                sheet.write_row(at, 0, row)
    (one,) = import_exports([path], Answers(layers=("late",))).walked
    assert one.source.label == "late"
    with pytest.raises(InputError, match=r'no file has .* "lat"; .* did you mean "late"\?'):
        import_exports([path], Answers(layers=("late", "lat")))


def test_marks_without_names_are_numbered_and_that_is_said(tmp_path: Path) -> None:
    text = "x,y,z\n" + "\n".join(row.split(",", 1)[1] for row in (PLAIN + BACK).split())
    ran = geosite("import", put(tmp_path, text), "--out", tmp_path / "out", "--unit", "m")
    assert ran.status == 0, ran.err
    assert "No column names the marks" in ran.out
    assert [row["point"] for row in book(tmp_path / "out")] == [
        "B1",
        "B2",
        "1",
        "2",
        "3",
        "B1",
        "B2",
    ]


def test_folder_that_holds_something_is_left_alone(tmp_path: Path) -> None:
    source = put(tmp_path, "point,x,y,z\n" + PLAIN + BACK)
    (tmp_path / "out").mkdir()
    (tmp_path / "out/mine.txt").write_text("mine")
    ran = geosite("import", source, "--out", tmp_path / "out", "--unit", "m")
    assert ran.status == 4
    assert [p.name for p in (tmp_path / "out").iterdir()] == ["mine.txt"]


def test_options_that_are_not_understood_are_told_together(tmp_path: Path) -> None:
    source = put(tmp_path, "point,x,y,z\n" + PLAIN)
    ran = geosite(
        "import", source, "--out", tmp_path / "out", "--column", "height=z",
        "--baseline", "B1", "--baseline-length", "10", "--mark", "B1",
    )  # fmt: skip
    assert ran.status == 2
    assert len(ran.err.splitlines()) == 4


def test_a_layer_without_rows_is_told(tmp_path: Path) -> None:
    """It was taken for a fault of the program."""
    (tmp_path / "walk.mif").write_text(
        'Version 300\nDelimiter ","\nColumns 3\n x float\n y float\n z float\nData\n'
    )
    (tmp_path / "walk.mid").write_text("")
    ran = geosite("import", tmp_path / "walk.mif", "--out", tmp_path / "out")
    assert ran.status == 2
    assert "walk.mif: it has no row below its header; expected a table with x, y and z" in ran.err
    assert not (tmp_path / "out").exists()
