"""Text tables of any origin: what the text shows is found out, what it leaves open is not."""

from __future__ import annotations

import pytest

from geosite.base.problems import Problems
from geosite.reading.delimited import TextTable, decoded, split_table
from geosite.reading.written_numbers import as_number


def split(text: str, decimal: str | None = None, encoding: str = "utf-8") -> TextTable:
    problems = Problems()
    found = split_table(text.encode(encoding), "walk.txt", problems, decimal)  # type: ignore[arg-type]
    assert not problems.kept
    assert found is not None
    return found


def faults(text: str) -> list[tuple[str, int | None, str]]:
    problems = Problems()
    split_table(text.encode(), "walk.txt", problems)
    return [(p.code, p.line, p.remedy) for p in problems.kept]


@pytest.mark.parametrize("separator", ["\t", ";", "|", ",", " "])
@pytest.mark.parametrize("named", [False, True])
def test_every_separator_is_found(separator: str, named: bool) -> None:
    rows = [("A1", "0.5", "2.0", "0.125"), ("A2", "1.5", "-2.0", "0.25"), ("A3", "9", "8", "7")]
    rows = [row if named else row[1:] for row in rows]
    table = split("\n".join(separator.join(row) for row in rows))
    assert table.separator == separator
    assert table.rows == tuple(rows)
    assert table.lines == (1, 2, 3)
    assert (table.decimal, table.encoding, table.guessed, table.above) == (".", "utf-8", (), ())
    assert table.width == len(rows[0])


@pytest.mark.parametrize(
    ("cells", "decimal"),
    [
        # a comma after a nought, or before other than three digits, is none of thousands
        *(("0,500 2,25 3,1", ","), ("1,5 2 3", ","), ("-12,3456 1 2", ",")),
        *(("1,234 5,678 9,012", None), ("1,234,567 2 3 4", ".")),
        *(
            ("1.234 5.678 9.012", "."),
            ("1.5 2,5 3 4", None),
            ("1,234.5 2 3 4", "."),
            ("1 2 3", "."),
        ),
        ("1.234,5 2 3", ","),
    ],
)
def test_the_decimal_mark_is_what_the_numbers_show(cells: str, decimal: str | None) -> None:
    row = cells.replace(" ", ";")
    assert split(f"{row}\n{row}\n").decimal == decimal
    assert split(f"{row}\n{row}\n", ",").decimal == ","


@pytest.mark.parametrize(
    ("row", "decimal"),
    [
        ("P;0.5;1.5;2.5;2,5 m", "."),
        ("P;0,5;1,5;2,5;1.5 in", ","),
        # coordinates with units beside a time, and whole numbers
        ("P;0,5 m;1,5 m;2,5 m;7", ","),
        ("P;1;2;3;2,5 m", ","),
    ],
)
def test_a_remark_with_a_unit_is_none_of_the_numbers_that_show_the_decimal_mark(
    row: str, decimal: str
) -> None:
    """2,5 m in a remark: it was asked what the commas of the numbers are."""
    assert split(f"{row}\n{row}\n").decimal == decimal


@pytest.mark.parametrize("sign", ["%", "//"])
def test_a_whole_row_of_a_mark_that_begins_with_a_sign_is_no_comment(sign: str) -> None:
    """It was left out without a word."""
    table = split(
        f"{sign} three marks\nname,x,y,z\n{sign}1,0,0,0\nB,1,2,3\nC,1,2,3\n{sign} a,b,c,d\n"
    )
    assert [row[0] for row in table.rows] == ["name", f"{sign}1", "B", "C"]


def test_of_commas_in_a_table_with_semicolons_none_separates() -> None:
    table = split("P;1,5;2,5;3,5\nQ;4,5;5,5;6,5\n")
    assert (table.separator, table.decimal, table.width) == (";", ",", 4)


def test_titles_empty_lines_comments_and_empty_cells_at_the_end() -> None:
    text = "Walk of April\n\nname,x,y,z\n# by hand\nA,1,2,3\n\n\nB,4,5,6,,\n\nC, 7 ,8,9\n\n"
    table = split(text)
    assert table.above == ("Walk of April", "")
    assert table.rows == (
        ("name", "x", "y", "z"),
        ("A", "1", "2", "3"),
        ("B", "4", "5", "6"),
        ("C", "7", "8", "9"),
    )
    assert table.lines == (3, 5, 8, 10)
    assert table.breaks == {2, 3}


def test_rows_of_another_length_are_told_with_their_line() -> None:
    short = ("row-length", 3, "fill in the missing cells, or take the row out")
    assert faults("A;1;2;3\nB;1;2;3\nC;1;2\nD;1;2;3") == [short]
    commas = "decimal commas between commas cannot be told apart: export with semicolons"
    assert faults("A,1,2,3\nB,1,2,3\nC,1,2,3,4\nD,1,2,3") == [("row-length", 3, commas)]
    assert faults("A,1,2,3\nB,1,2,3\nC,1,2\nD,1,2,3") == [short]


@pytest.mark.parametrize("text", ["", "words only\n", "1;2\n3;4\n", "A;B;C\nD;E;F\n"])
def test_a_text_without_three_columns_of_numbers_is_no_walk(text: str) -> None:
    assert [code for code, _, _ in faults(text)] == ["no-coordinates"]


def test_bytes_that_are_no_text_are_refused() -> None:
    problems = Problems()
    # every third byte is no letter, so it is no UTF-16 either
    assert split_table(b"1;2;3\0;4;5;6", "walk.txt", problems) is None
    assert [p.code for p in problems.kept] == ["not-text"]


@pytest.mark.parametrize(
    ("encoding", "told", "certain"),
    [
        *(("utf-8", "utf-8", True), ("utf-8-sig", "utf-8", True), ("utf-16", "utf-16", True)),
        *(("utf-16-le", "utf-16-le", True), ("utf-16-be", "utf-16-be", True)),
        ("cp1252", "cp1252", False),
    ],
)
def test_the_encoding_is_found_and_what_is_no_more_than_likely_is_told(
    encoding: str, told: str, certain: bool
) -> None:
    text = "Höhe;x;y;z\nStraße;1;2;3\nWeg;4;5;6\n"
    assert decoded(text.encode(encoding)) == (text, told, certain)
    table = split(text, encoding=encoding)
    assert table.rows[1][0] == "Straße"
    guess = f"the encoding of walk.txt is taken as {told}"
    assert table.guessed == (() if certain else (guess,))


@pytest.mark.parametrize(
    ("cell", "point", "comma"),
    [
        *(("12", 12.0, 12.0), ("-0.080", -0.08, None), ("-0,080", None, -0.08)),
        *(("1.5 m", 1.5, None), ("1.5 in", 0.125, None), ("1' 6,0\"", None, 1.5)),
        *(("1,234.5", 1234.5, None), ("1.234,5", None, 1234.5), ("1,234", 1234.0, 1.234)),
        *(("12 345.5", 12345.5, None), ("12 345,5", None, 12345.5), ("1'234.5", 1234.5, None)),
        *(("\u22121.5e3", -1500.0, None), (".5", 0.5, None), ("5.", 5.0, None), ("+3", 3.0, 3.0)),
        *(("", None, None), (".", None, None), ("P1", None, None), ("1.2.3", None, None)),
        *(("1,23,456", None, None), ("0x10", None, None), ("1e5", 1e5, 1e5), ("nan", None, None)),
    ],
)
def test_a_number_is_one_by_its_decimal_mark(
    cell: str, point: float | None, comma: float | None
) -> None:
    assert (as_number(cell, "."), as_number(cell, ",")) == (point, comma)


def test_a_quote_that_is_never_closed_is_told_with_its_row() -> None:
    text = 'name,x,y,z,note\nA,0,0,0,\nB,1,0,0,"not closed\nC,2,0,0,\nD,3,0,0,\n'
    ((code, line, _),) = faults(text)
    assert (code, line) == ("csv-syntax", 3)
    assert len(split(text.replace('"', '5"')).rows) == 5  # an inch within a text
    assert len(split(text.replace('"not closed', '"not closed"')).rows) == 5


@pytest.mark.parametrize("mark", [",", ";", "\t", "|"])
@pytest.mark.parametrize("first", ['"Walk of April', '"name,x,y,z', '"A,4,5,6', 'A,"4,5,6'])
def test_a_quote_that_the_first_line_opens_is_told(mark: str, first: str) -> None:
    text = f"{first}\nB,1,0,0\nC,2,0,0\nD,3,0,0\n".replace(",", mark)
    ((code, line, _),) = faults(text)
    assert (code, line) == ("csv-syntax", 1)


@pytest.mark.parametrize(
    "text",
    [
        'name,x,y,z,note\nA,0,0,0,kerb\nB,1,0,0,"\nC,2,0,0,"\nD,3,0,0,\n',
        'name,x,y,z,note\nA,0,0,0,kerb\nB,1,0,0,"\nC,2,0,0,kerb\nD,3,0,0,"\n',
        'name,x,y,z,note\nA,0,0,0,"5" pipe"\nB,1,0,0,"\nC,2,0,0,"old post"\nD,3,0,0,\n',
        'note;name;x;y;z\nkerb;A;0,5;0;0\n";B;1,5;0;0\n";C;2,5;0;0\n;D;3,5;0;0\n',
    ],
)
def test_two_quotes_as_ditto_marks_take_no_row_away(text: str) -> None:
    ((code, line, _),) = faults(text)
    assert (code, line) == ("csv-syntax", 3)


def test_a_note_of_several_lines_stays_whole() -> None:
    noted = 'name,note,x,y,z\nA,"see\n1, 2, 3",0,0,0\nB,,1,0,0\nC,,2,0,0\n'
    assert [row[1] for row in split(noted).rows[1:]] == ["see\n1, 2, 3", "", ""]
    text = 'name,x,y,z,note\nA,0,0,0,"1, 2, 3\n4, 5, 6"\nB,1,0,0,"so, it\nis"\nC,2,0,0,\n'
    assert [row[4] for row in split(text).rows[1:]] == ["1, 2, 3\n4, 5, 6", "so, it\nis", ""]


@pytest.mark.parametrize(
    ("text", "header"),
    [
        ("#;Label;X;Y;Z\n1;A;0,5;0;0\n2;B;1,5;0;0\n", ("", "Label", "X", "Y", "Z")),
        ("# X Y Z\n0.5 0 0\n1.5 0 0\n", ("X", "Y", "Z")),
        ("#X,Y,Z\n0.5,0,0\n1.5,0,0\n", ("X", "Y", "Z")),
        ("# made, by, a tracker of mine\nX,Y,Z\n1,0,0\n2,0,0\n3,0,0\n4,0,0\n", ("X", "Y", "Z")),
        ("# 1 2 3\nX Y Z\n0.5 0 0\n1.5 0 0\n", ("X", "Y", "Z")),
    ],
)
def test_a_header_behind_a_sign_of_comments(text: str, header: tuple[str, ...]) -> None:
    table = split(text)
    assert table.rows[0] == header
    assert all(as_number(row[-1]) is not None for row in table.rows[1:])


@pytest.mark.parametrize(
    ("encoding", "text"),
    [
        ("cp1251", "Имя;X;Y;Примечание\nыьэ;1;2;земля\n"),
        ("cp1250", "Bod;X;Y;Výška;Poznámka\nčíslo;1;2;3;plot u školy, řeka\n"),
    ],
)
def test_letters_of_other_tongues_are_known_by_the_words_they_make(
    encoding: str, text: str
) -> None:
    assert decoded(text.encode(encoding)) == (text, encoding, False)


def test_a_cell_of_several_lines_is_one_and_a_mark_of_inches_is_none() -> None:
    text = 'name;x;y;z;note\n"A\n""north"" end";1;2;3;\nB;4;5;6;6"\n"C";7;8;9;x\nD;7;8;9;x\n'
    table = split(text)
    assert [row[0] for row in table.rows] == ["name", 'A\n"north" end', "B", "C", "D"]
    assert table.rows[2] == ("B", "4", "5", "6", '6"')
    assert table.lines == (1, 2, 4, 5, 6)
