"""A good field book: what is read from it, in every form that means the same."""

import codecs
import random
from pathlib import Path
from typing import Literal

import numpy as np
import pytest
from fieldbook_cases import BASELINE, BOOK, HEADER, SITE, faults, write

from geosite.base.errors import InputError
from geosite.base.problems import Problems
from geosite.fieldbook.cells import Written, coordinates
from geosite.fieldbook.model import PIECE_KINDS, FieldBook
from geosite.fieldbook.read import read_survey


def book_of(folder: Path, book: str | bytes = BOOK, site: str = SITE) -> FieldBook:
    return read_survey(write(folder, book, site)).book


def same(one: FieldBook, other: FieldBook) -> bool:
    names = [n for n in FieldBook.__dataclass_fields__ if n not in ("file", "unused")]
    return all(np.array_equal(getattr(one, n), getattr(other, n)) for n in names)


def test_columns_of_the_book(tmp_path: Path) -> None:
    notes = read_survey(write(tmp_path))
    book = notes.book
    assert notes.site_file == str(tmp_path / "site.toml")
    assert notes.folder == tmp_path
    assert book.file == str(tmp_path / "book.csv")
    assert len(book) == 8
    assert book.runs == ("R1", "R2")
    assert book.run.tolist() == [0] * 6 + [1] * 2
    assert book.marks == ("B1", "B2", "A1", "A2", "A3")
    assert book.mark.tolist() == [0, 1, 2, 3, 4, -1, 1, 0]
    assert book.features == ("landing",)
    assert book.feature.tolist() == [-1, -1, 0, 0, 0, 0, -1, -1]
    assert book.codes == ("setts",)
    assert book.code.tolist() == [-1, -1, 0, 0, 0, 0, -1, -1]
    assert [PIECE_KINDS[k] for k in book.kind] == [
        *("line", "line", "line", "line"),
        *("arc", "arc", "line", "line"),
    ]
    assert book.piece.tolist() == [1, 1, 1, 1, 1, 2, 1, 1]
    assert book.line.tolist() == list(range(2, 10))
    assert book.local[1].tolist() == [10, 0, 0.1]
    assert book.notes == ("",) * 8
    assert book.unit_m == 1.0
    assert notes.findings == ()
    assert (book.local.dtype, book.run.dtype, book.line.dtype) == (np.float64, np.int32, np.int32)
    assert (book.kind.dtype, book.piece.dtype) == (np.int8, np.int16)


# Federal Register 85 (193), 5 October 2020, pp. 62698-62708: the international foot is 0.3048 m,
# the US survey foot 1200/3937 m = 0.304800609601 m
@pytest.mark.parametrize(("unit", "metres"), [("m", 1), ("ft", 0.3048), ("ftUS", 0.304800609601)])
def test_unit(tmp_path: Path, unit: str, metres: float) -> None:
    book = book_of(tmp_path, site=SITE.replace("[survey]", f'[survey]\nunit = "{unit}"'))
    assert book.local[1, 0] == pytest.approx(10 * metres, abs=1e-11)
    assert book.unit_m == pytest.approx(metres, abs=1e-12)


def quoted(text: str) -> str:
    lines = [",".join(f'"{cell}"' for cell in line.split(",")) for line in text.splitlines()]
    return "\n".join(lines) + "\n"


def with_another_column(text: str) -> str:
    head, *rows = text.splitlines()
    return "\n".join([head + ",battery", *(row + ",81 %" for row in rows)])


@pytest.mark.parametrize(
    "form",
    [
        lambda t: codecs.BOM_UTF8 + t.encode(),
        lambda t: t.replace("\n", "\r\n").encode(),
        lambda t: t.replace("\n", "\r").encode(),
        lambda t: codecs.BOM_UTF8 + quoted(t).replace("\n", "\r\n").encode(),
        lambda t: t.rstrip("\n").encode(),
        lambda t: (t + "\n\n,,,,,,,,\n , ,\t,,,,,,\n").encode(),
        lambda t: t.replace("run,point", " Run , POINT ").replace("segment", "Seg Ment").encode(),
        lambda t: t.replace("\n", ",\n").encode(),
        lambda t: t.replace("R1,B1,0,0,0", " R1 ,B1\t, +0.0e1,-0,\t0.0 ").encode(),
        lambda t: t.replace("arc,", "ARC ,").replace("arc2", "Arc 2").encode(),
        lambda t: with_another_column(t).encode(),
    ],
    ids=[
        "byte order mark",
        "Windows line ends",
        "old Mac line ends",
        "everything quoted",
        "no last line end",
        "blank rows at the end",
        "header in other letters",
        "one comma too many everywhere",
        "blanks around cells",
        "segment in other letters",
        "columns of no interest",
    ],
)
def test_same_book_in_other_clothes(tmp_path: Path, form) -> None:
    (tmp_path / "plain").mkdir()
    assert same(book_of(tmp_path, form(BOOK)), book_of(tmp_path / "plain"))


def quoted_with(mark: str, thousands: str = "", far: float = 0.0, separator: str = ",") -> bytes:
    """The book as a spreadsheet writes it: every cell in quotes, numbers in the land's own way."""
    head, *rows = BOOK.splitlines()
    lines = [head.split(",")]
    for row in rows:
        cells = row.split(",")
        numbers = [f"{float(cell) + far:,.3f}" for cell in cells[2:5]]
        own = str.maketrans({",": thousands, ".": mark})
        lines.append([*cells[:2], *(n.translate(own) for n in numbers), *cells[5:]])
    return "".join(separator.join(f'"{c}"' for c in line) + "\n" for line in lines).encode()


@pytest.mark.parametrize("separator", [",", ";"])
def test_decimal_commas_in_quotes(tmp_path: Path, separator: str) -> None:
    (tmp_path / "plain").mkdir()
    other = book_of(tmp_path, quoted_with(",", separator=separator))
    assert same(other, book_of(tmp_path / "plain"))


@pytest.mark.parametrize("mark", [".", ","])
@pytest.mark.parametrize("thousands", [",", ".", " ", "\u00a0", "\u202f", "'"])
@pytest.mark.parametrize("separator", [",", ";"])
def test_parted_thousands(tmp_path: Path, mark: str, thousands: str, separator: str) -> None:
    if mark == thousands:
        return
    (tmp_path / "plain").mkdir()
    other = book_of(tmp_path, quoted_with(mark, thousands, 16000.0, separator))
    plain = book_of(tmp_path / "plain")
    np.testing.assert_allclose(other.local, plain.local + 16000.0, rtol=0, atol=1e-9)


def test_blank_rows_in_between(tmp_path: Path) -> None:
    lines = BOOK.splitlines()
    lines.insert(4, "," * 8)
    lines.insert(7, " ,\t,,,,,,, ")
    book = book_of(tmp_path, "\n".join(lines) + "\n")
    assert book.line.tolist() == [2, 3, 4, 6, 7, 9, 10, 11]


def test_columns_in_any_order_and_mapped(tmp_path: Path) -> None:
    rows = [line.split(",") for line in BOOK.splitlines()]
    rows[0] = ["Walk", "Name", "Local East", "y", "z", "feature", "code", "segment", "note"]
    turned = "\n".join(",".join(reversed(row)) for row in rows)
    mapping = '[survey]\ncolumns = {run = "walk", point = " NAME", x = "localeast"}'
    (tmp_path / "plain").mkdir()
    one = book_of(tmp_path, turned, SITE.replace("[survey]", mapping))
    assert same(one, book_of(tmp_path / "plain"))


def test_optional_columns_may_be_missing(tmp_path: Path) -> None:
    book = book_of(tmp_path, "run,point,x,y,z\nR1,B1,0,0,0\nR1,B2,1,2,3\n")
    assert book.features == book.codes == ()
    assert book.feature.tolist() == book.code.tolist() == [-1, -1]
    assert book.kind.tolist() == [0, 0]
    assert book.piece.tolist() == [1, 1]
    assert book.notes == ("", "")


def test_runs_may_be_interleaved(tmp_path: Path) -> None:
    rows = "R1,B1,0,0,0\nR2,B1,0,0,0\nR1,B2,9,0,0\nR2,B2,0,9,0\n"
    book = book_of(tmp_path, "run,point,x,y,z\n" + rows)
    assert book.run.tolist() == [0, 1, 0, 1]


def test_quoted_cells_with_line_breaks_keep_physical_lines(tmp_path: Path) -> None:
    book = book_of(
        tmp_path,
        HEADER
        + 'R1,B1,0,0,0,,,,"two\nlines, and ""so"""\n'
        + 'R1,B2,1,2,3,,,,"a\r\nb\n\nc"\n\nR1,A,0,1,0,,,,x\n',
    )
    assert book.line.tolist() == [2, 4, 9]
    assert book.notes == ('two lines, and "so"', "a b c", "x")


def test_names_have_one_spelling(tmp_path: Path) -> None:
    # é composed and decomposed, a no-break space from a spreadsheet
    rows = "R1,B1,0,0,0\nR1,B2,1,2,3\nR1,caf\u00e9 1,0,1,0\nR1, cafe\u0301\u00a01 ,0,2,0\n"
    book = book_of(tmp_path, "run,point,x,y,z\n" + rows)
    assert book.marks == ("B1", "B2", "caf\u00e9 1")
    assert book.mark.tolist() == [0, 1, 2, 2]


def test_names_in_the_site_file_have_the_same_spelling(tmp_path: Path) -> None:
    site = SITE.replace("B2", "e\u0301\u00a02").replace("[anchor.marks.e", '[anchor.marks."e')
    site = site.replace("\u00a02]", '\u00a02"]')
    assert read_survey(write(tmp_path, BOOK.replace("B2", "\u00e9 2"), site)).book.marks[1] == "é 2"


def test_free_text_becomes_one_printable_line(tmp_path: Path) -> None:
    rows = BASELINE + "R1,A,0,1,0,,,,  a\u202e\x07 b\x0b" + "c" * 3000 + "\n"
    note = book_of(tmp_path, HEADER + rows).notes[2]
    assert note.startswith("a b c")
    assert note.endswith("c…")
    assert len(note) == 2000


def test_blocks_and_rows_are_cut_without_loss(tmp_path: Path, monkeypatch) -> None:
    rng = random.Random(1)
    rows = [
        f"R{rng.randrange(3)},P{i},{i},{i / 7:.4f},-{i},f{i // 9},c,stream,n{i}" for i in range(500)
    ]
    baseline = "".join(f"R{r},B{b},{r},{b},0,,,,\n" for r in range(3) for b in (1, 2))
    text = HEADER + baseline + "\n".join(rows) + "\n"
    (tmp_path / "whole").mkdir()
    whole = book_of(tmp_path / "whole", text)
    assert whole.local[6:, 0].tolist() == list(range(500))
    assert whole.notes[6:] == tuple(f"n{i}" for i in range(500))
    monkeypatch.setattr("geosite.reading.tables.BLOCK", 100)
    monkeypatch.setattr("geosite.reading.tables.ROWS", 7)
    assert same(book_of(tmp_path, text), whole)
    assert same(book_of(tmp_path, quoted(text)), whole)


def test_a_row_longer_than_a_block(tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setattr("geosite.reading.tables.BLOCK", 20)
    book = book_of(tmp_path, HEADER + BASELINE + "R1,A,0,1,0,,,," + "n" * 50 + "\nR1,C,0,2,0,,,,\n")
    assert book.line.tolist() == [2, 3, 4, 5]


def test_a_mark_again_is_no_duplicate(tmp_path: Path) -> None:
    rows = BASELINE + (
        "R1,A,0,1,0,f,setts,,\n"
        "R1,A,0,1,0,g,setts,,\n"  # a corner of two features
        "R1,A,0,1.001,0,g,setts,,\n"  # observed again
        "R2,A,0,1.001,0,g,setts,,\n"  # in another run
        "R1,B1,0,0,0,,,,\n"  # closed without error
        "R2,B1,0,0,0,,,,\nR2,B2,1,0,0,,,,\n"
    )
    assert len(book_of(tmp_path, HEADER + rows)) == 9


def test_standing_still_while_streaming_is_noted(tmp_path: Path) -> None:
    row = "R1,,0,1,0,f,setts,stream,\n"
    notes = read_survey(write(tmp_path, HEADER + BASELINE + row * 3))
    assert len(notes.book) == 5
    assert [(f.level, f.code, f.line) for f in notes.findings] == [("note", "standing-still", 5)]


def test_a_title_above_the_header_is_one_problem(tmp_path: Path) -> None:
    """As spreadsheets have it; five columns that are not there would be told one by one."""
    assert faults(write(tmp_path, "My walk\n\n" + BOOK)) == (
        2,
        [("book.csv", 1, "header-missing")],
    )


def test_names_of_columns_are_told_as_they_are_written(tmp_path: Path) -> None:
    site = SITE + '[survey.columns]\nx = "Easting (m)"\n'
    with pytest.raises(InputError, match=r"point, Easting \(m\), y, z; it has") as told:
        read_survey(write(tmp_path, "My walk\n\n" + BOOK, site))
    assert told.value.problems[0].code == "header-missing"


@pytest.mark.parametrize(
    ("cell", "decimal", "says"),
    [
        ("1.5e400", ".", "a local coordinate of at most 1e+07 units"),
        ("1.5e400", ",", "a decimal comma, as in other rows"),
        ("1,5e2", ".", "a decimal point"),
        ("1.5 m", ".", "a number alone"),
    ],
)
def test_a_power_of_ten_is_no_unit(cell: str, decimal: Literal[".", ","], says: str) -> None:
    problems = Problems()
    coordinates("x", Written([cell], [2], "book.csv", decimal), 1.0, problems)
    assert [problem.expected for problem in problems.first()] == [says]
