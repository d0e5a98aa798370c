"""Tables, texts and names as they come from outside: what is understood of each, in a line or two.

Every text is wrong or odd in one way, or at the limit of what is taken.
"""

from __future__ import annotations

import codecs
import os
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

import numpy as np
from approved.library_words import without_library_words

from geosite.base.errors import GeositeError
from geosite.base.problems import Problems
from geosite.fieldbook.cells import (
    Segments,
    Texts,
    Written,
    coordinates,
    report_bad_segments,
    times,
)
from geosite.reading.delimited import split_table
from geosite.reading.files import (
    as_utf8,
    check_plain_file,
    clean_name,
    decode,
    inside,
    name_fault,
    read_plain_file,
)
from geosite.reading.tables import text_rows
from geosite.reading.toml_lines import key_lines, line_of
from geosite.reading.toml_text import parse_toml
from geosite.reading.written_numbers import as_number

__all__ = ["listed", "said_of", "tables_told"]

LONG = 300
"""Letters of a line of approved text."""


def said_of(work: Callable[[], Iterable[object]], folder: Path | None = None) -> Iterator[str]:
    """What comes of some work, or every problem that it raises, without the folder's name."""
    try:
        lines = [str(line) for line in work()]
    except GeositeError as error:
        lines = [f"! {problem}" for problem in error.problems]
    for line in lines:
        # before it is cut: folders and libraries vary
        told = without_library_words(line.replace(f"{folder or Path.cwd()}/", ""))
        yield f"  {told if len(told) <= LONG else f'{told[:LONG]} ... {len(told)} letters'}"


def problems_of(problems: Problems) -> list[str]:
    return [f"! {problem}" for problem in problems.first()]


def listed(
    inputs: dict[str, object], work: Callable[..., Iterable[object]], folder: Path | None = None
) -> list[str]:
    """What comes of each of many inputs, below its name."""
    told = []
    for name, given in inputs.items():
        told += [f"== {name}", *said_of(lambda given=given: work(given), folder)]  # type: ignore[misc]
    return told


# --- text tables of any origin ---------------------------------------------------------------

ROWS = "A1;1.5;2.0;0.1\nA2;3.5;2.5;0.2\nA3;5.5;9.0;0.3\n"
DELIMITED: dict[str, object] = {
    "semicolons": ROWS,
    "commas": ROWS.replace(";", ","),
    "tabs": ROWS.replace(";", "\t"),
    "bars": ROWS.replace(";", "|"),
    "blanks": ROWS.replace(";", "   "),
    "blanks round commas": ROWS.replace(";", " , "),
    "a header, titles and a remark": f"My walk\nunits: m\n\nname;x;y;z\n{ROWS}# end\n",
    "an empty line within, and some at the end": ROWS.replace("A3", "\nA3") + "\n\n",
    "empty cells at the ends of rows": ROWS.replace("\n", ";;\n") + "A4;1.0;1.0;0.0\n",
    "a short row": ROWS + "A4;1.0;1.0\n",
    "a long row": ROWS + "A4;1.0;1.0;2.0;7\n",
    "a quote that the first line opens": '"' + ROWS,
    "a long row between commas": ROWS.replace(";", ",") + "A4,1,5,1,5,2,0\n",
    "decimal commas": ROWS.replace(".", ","),
    "decimal commas, thousands with points": ROWS.replace(".", ",").replace("9,0", "1.009,5"),
    "thousands with commas": ROWS.replace("9.0", "1,009.5").replace(";", "\t"),
    "commas that may be either": "A1;1,500;2,000;3,100\nA2;3,500;2,500;4,200\n",
    "commas and points that contradict": "A1;1,5;2.5;3\nA2;3,5;2.5;4\n",
    "a nought before the comma": "A1;0,500;2,000;3,100\nA2;3,500;2,500;4,200\n",
    "whole numbers": "A1;1;2;3\nA2;4;5;6\n",
    "quoted cells with the separator": 'A;"1.5";2.0;3.0;"a; b"\nB;3.5;2.5;3.1;c\nC;4.5;2.5;3.2;c\n',
    "a quoted cell of two lines": 'A1,1.5,2.0,0.1,"a\nb"\nA2,3.5,2.5,0.2,c\nA3,3.5,2.5,0.2,c\n',
    "line ends of old systems": ROWS.replace("\n", "\r"),
    "line ends of other systems": ROWS.replace("\n", "\r\n"),
    "two columns of numbers": "A1;1.5;2.0\nA2;3.5;2.5\n",
    "words": "north;south;east\nwest;up;down\n",
    "nothing": "",
    "a NUL": "A1;1;2;3\0\n",
    "half of the rows are of another length": ROWS + "a;b\nc;d\ne;f\n",
    "most rows are of another length": ROWS + "a;b\n" * 9,
    "UTF-16": ROWS.replace("A1", "Tür").encode("utf-16"),
    "UTF-16 without a mark": ROWS.encode("utf-16-le"),
    "UTF-16 the other way round": ROWS.encode("utf-16-be"),
    "UTF-8 with a mark": codecs.BOM_UTF8 + ROWS.replace("A1", "Tür").encode(),
    "Western letters": ROWS.replace("A1", "Tür Süd").encode("cp1252"),
    "letters of another alphabet": ROWS.replace("A1", "угол дома").encode("cp1251"),
    "minus signs of print": ROWS.replace("0.1", "\u22120.1").replace("0.2", "\u20130.2"),
}


def _delimited(given: str | bytes) -> Iterator[str]:
    problems = Problems()
    data = given.encode() if isinstance(given, str) else given
    table = split_table(data, "walk.txt", problems)
    yield from problems_of(problems)
    if table is not None:
        yield (
            f"{table.encoding}, {table.separator!r}, decimal {table.decimal!r}, {table.width} wide,"
            f" lines {list(table.lines)}, breaks {sorted(table.breaks)}"
        )
        yield f"{table.rows[0]} ... {table.rows[-1]}"
        if table.above or table.guessed:
            yield f"above {table.above}, guessed {table.guessed}"


NUMBERS = (
    "1", "+1.5", "-0.25", ".5", "5.", "1e3", "1E-2", "1,5", "1,234", "1,234.5", "1.234", "1.234,5",
    "1,234,567", "1,23,456", "0,123", "0.123", "1 234", "1 234.5", "1 234,5", "12 34", "1'234.5",
    "1\u00a0234.5", "1\u202f234,5", "\u22121.5", "\u2013" "1.5", "1_000", "0x10", "1e", "e5", "-",
    "", "nan", "inf", "1.5 m", "P1", "1.2.3", "1,2,3", "--1", "٣", "1.5e400", "n/a", "None",
    "1.#IND", "12,345", "123,456", "1234,5", "1234,567", "01,234", "10000000", "10000000.1", "-1e7",
    "3ft", "4.2'", "1.5-", "½", "9" * 99, "9" * 101,
)  # fmt: skip


def _numbers() -> Iterator[str]:
    """What a cell is as a number: in an export and in a field book, by both decimal marks."""
    for cell in NUMBERS:
        told = [str(as_number(cell, mark)) for mark in (".", ",")]
        for mark in (".", ","):
            problems = Problems()
            found = coordinates("x", Written([cell], [4], "book.csv", mark), 1.0, problems)[0]
            said = [f"{p.what}; {p.expected}; {p.remedy}" for p in problems.first()]
            told += said or [str(found)]
        name = repr(cell) if len(cell) < 50 else f"{len(cell)} times {cell[0]}"
        yield f"{name}: export {told[0]} or {told[1]}"
        yield f"  point: {told[2]}"
        if told[3] != told[2]:
            yield f"  comma: {told[3]}"
    problems = Problems()
    coordinates("z", Written(["1e8"], [4], "book.csv"), 0.3048, problems)
    coordinates("z", Written(["3e7"], [4], "book.csv"), 0.3048, problems)
    yield from problems_of(problems)


TIMES = (
    "0", "12.5", "-3", "1e3", "2026-05-01T08:30:00", "2026-05-01 08:30:30", "2026-05-01",
    "2026-05-01T08:30:00Z", "2026-05-01T08:30:00+02:00", "2026-05-01T08:30:00.25", "08:30",
    "1.5.2026", "noon", "", " 7 ", "1e999", "nan", "9" * 101,
)  # fmt: skip
SEGMENTS = (
    "", "line", "arc", "Arc", " circle ", "stream", "gap", "arc2", "arc 3", "arc 03", "line9999",
    "arc10000", "arc123456", "ark", "lines", "crcle", "2", "arc-2", "arc2b", "bow", "spline",
)  # fmt: skip
TEXTS = (
    "plain",
    "  two   blanks ",
    "a\nb",
    "a\tb",
    "zero\u200bwidth",
    "नु\u200dक्ता",
    "x" * 2000,
    "x" * 2001,
)


def _cells() -> Iterator[str]:
    """Times, segments and notes of a field book."""
    for cell, found in zip(TIMES, times(TIMES), strict=True):
        yield f"time {cell[:30]!r}: {found}"
    words = np.array([Segments()[cell] for cell in SEGMENTS])
    problems = Problems()
    report_bad_segments(SEGMENTS, words, range(2, 99), "book.csv", problems)
    yield ", ".join(f"{c!r} {w}" for c, w in zip(SEGMENTS, words.tolist(), strict=True))
    yield from problems_of(problems)
    for text in TEXTS:
        kept = Texts()[text]
        yield f"note {text[:20]!r}: {kept[:20]!r}, {len(kept)} letters, ends with {kept[-1]!r}"


# --- text tables of field books --------------------------------------------------------------

HEAD = "run,point,x,y,z,note\n"
BOOK = f"{HEAD}R1,A,0,0,0,\nR1,B,10.5,0,0.1,gate\n"
FIELD_BOOKS: dict[str, object] = {
    "plain": BOOK,
    "semicolons": BOOK.replace(",", ";"),
    "tabs": BOOK.replace(",", "\t"),
    "bars": BOOK.replace(",", "|"),
    "decimal commas between semicolons": BOOK.replace(",", ";").replace(".", ","),
    "decimal commas in quotes": BOOK.replace("10.5", '"10,5"').replace("0.1", '"0,1"'),
    "thousands in quotes": BOOK.replace("10.5", '"1,010"').replace("0.1", '"1,234.5"'),
    "thousands alone in quotes": BOOK.replace("10.5", '"1,010"').replace("0.1", "0"),
    "thousands parted by points": BOOK.replace(",", ";").replace("10.5", "1.010,5"),
    "a quoted text with a comma": BOOK.replace("gate", '"gate, south"'),
    "a quoted text of two lines": BOOK.replace("gate", '"gate\nsouth"') + "R1,C,1,1,1,\n",
    "a doubled quote": BOOK.replace("gate", '"the ""gate"""'),
    "a quote that is never closed": BOOK.replace("gate", '"gate'),
    "a quote that is never closed, rows further up": BOOK.replace("R1,B", '"R1,B') + BOOK,
    "a quote of the header that is never closed": '"run,point\nR1,A\n',
    "a quoted header below blank lines": "\n , \n" + BOOK.replace("run", '"run"'),
    "text behind a closing quote": BOOK.replace("gate", '"gate"s'),
    "the separator told": "sep=;\n" + BOOK.replace(",", ";"),
    "the separator told in quotes": '"sep=,"\n' + BOOK,
    "blank lines before and within": "\n\n" + BOOK.replace("R1,B", "\n , ,\nR1,B"),
    "commas at the ends of rows": BOOK.replace(",\nR1,B", ",,,\nR1,B"),
    "a short row": BOOK + "R1,C,1,1\n",
    "a row of one cell": BOOK + "R1\n",
    "a row with one cell more": BOOK + "R1,C,1,1,1,gate, south\n",
    "a row with two cells more": BOOK + "R1,C,1,5,1,5,1,5\n",
    "between semicolons, short, long and behind a quote": (
        (BOOK + "R1,C,1,1\nR1,D,1,1,1,a,b\nR1,E,1,1,1,a,b,c\n").replace(",", ";")
        + 'R1;F;1;1;1;"gate"s\n'
    ),
    "between tabs, short and behind a quote": (BOOK + 'R1,C,1,1\nR1,F,1,1,1,"gate"s\n').replace(
        ",", "\t"
    ),
    "short and quoted": BOOK.replace("gate", '"gate"') + "R1,C,1\nR1,D,1,1,1,\n",
    "old line ends": BOOK.replace("\n", "\r"),
    "line ends of other systems": BOOK.replace("\n", "\r\n"),
    "no line end at the end": BOOK.removesuffix("\n"),
    "UTF-16": BOOK.encode("utf-16"),
    "UTF-16 without a mark": BOOK.encode("utf-16-be"),
    "a mark before UTF-8": codecs.BOM_UTF8 + BOOK.encode(),
    "Latin letters": BOOK.replace("gate", "Tür").encode("latin-1"),
    "a NUL": BOOK.replace("gate", "ga\0te").encode(),
    "a zip file": b"PK\x03\x04" + b"x" * 20,
    "a picture": b"\x89PNG" + b"x" * 20,
    "an old spreadsheet": b"\xd0\xcf\x11\xe0" + b"x" * 20,
    "only separators": ",,;\n\t|\n",
    "nothing": b"",
    "many rows": HEAD + "".join(f"R1,M{k},{k},0,0,\n" for k in range(5000)),
    "many quoted rows": HEAD + "".join(f'R1,M{k},{k},0,0,"a, b"\n' for k in range(4100)),
    "a row that never ends": HEAD + "R1,A,0,0,0," + "x" * 2_100_000 + "\n",
    "more lines than anybody walks": b"\n" * 5_000_001,
}


def _field_book(given: str | bytes) -> Iterator[str]:
    problems = Problems()
    data = given.encode() if isinstance(given, str) else given
    rows = text_rows(data, "book.csv", problems)
    if rows is not None:
        yield f"line {rows.header_line}: {rows.header}, decimal {rows.decimal!r}"
        for lines, columns in rows.chunks:
            some = [list(cells)[:3] for cells in columns]
            yield f"{len(lines)} rows from lines {list(lines)[:3]} to {list(lines)[-1:]}: {some}"
    yield from problems_of(problems)


# --- TOML, files and names -------------------------------------------------------------------

TOML: dict[str, object] = {
    "right": "[site]\ntitle = 'a'\n",
    "a line of 10,000 letters": f"a = '{'x' * 9994}'\n",
    "a line of one more": f"b = 1\na = '{'x' * 9995}'\n",
    "a key of 30 parts": "b = 1\n" + ".".join("a" * 31) + " = 1\n",
    "30 points in quotes": f"a = '{'x.' * 40}'\n",
    "nested too deeply": "a = " + "[" * 3000 + "]" * 3000,
    "a number of thousands of digits": "b = 1\na = " + "9" * 5000,
    "a quote that is not closed": "a = 1\nb = 'c\nd = 2\n",
    "a bracket that is not closed": "a = [1, 2\n\n",
    "a key twice": "a = 1\nb = 2\na = 3\n",
    "a table twice": "[a]\n[b]\n[a]\n",
    "a table within a value": "a = 1\n[a.b]\n",
    "a list grown elsewhere": "a = [1]\n[[a]]\n",
    "no value": "a = \n",
    "no equals sign": "a 1\n",
    "a comma in a number": "a = 1,5\n",
    "a bare word": "a = yes\n",
    "a path with backslashes": 'file = "C:\\Users\\walk.csv"\n',
    "another path with backslashes": 'file = "walks\\new.csv"\n',
    "a third one": 'file = "walks\\york.csv"\n',
    "a bad date": "a = 2026-13-40\n",
    "a control character": "a = 'b\x07'\n",
}
KEYS = """\
# a remark with = and [x]
title = "a # b"   # another
"quoted key".'and.another' = 3

[anchor.marks.A] # here
easting = 1.0; northing
""".replace("; northing", "")
KEYS += '''
list = [ # of four
  1,
  [2, 3], { a = 4, b.c = "]" },
  """five
  # no remark
six""",
]
raw = \'\'\'one
two\'\'\'
inline = { x = 1, y = [ { z = 2 } ] }
[[sheet.revisions]]
number = "A"
[[sheet.revisions]]
number = "B"
[sheet.revisions.more]
deep = true
'''


def _toml(given: str) -> Iterator[str]:
    problems = Problems()
    found = parse_toml(given, "site.toml", problems)
    yield from problems_of(problems)
    if found is not None:
        yield f"keys {list(found)}"


def _key_lines() -> Iterator[str]:
    """The line of each key of a text with all that TOML knows, and of some that are not there."""
    lines = key_lines(KEYS)
    for path, line in lines.items():
        yield f"{line}: {path}"
    for path in (("sheet", "revisions", 1, "date"), ("anchor", "marks", "A", "sigma"), ("none",)):
        yield f"{path}: {line_of(lines, path)}"
    yield f"cut off: {key_lines(KEYS[:-70])!r:.60}, {len(key_lines('a = [1, 2'))} keys of a stump"
    yield f"with other line ends: {key_lines(KEYS.replace(chr(10), chr(13) + chr(10))) == lines}"


PATHS = (
    "walk.csv", "sub/walk.csv", "./walk.csv", "sub/../walk.csv", "../walk.csv", "sub/../../a",
    "/etc/passwd", "C:/walk.csv", "C:walk.csv", "\\\\host\\walk.csv", "sub\\walk.csv", "a\0b",
    "out/walk.csv", ".", "",
)  # fmt: skip


def _paths(folder: Path) -> Iterator[str]:
    """Names of files in a site file, and what the files are."""
    place = folder / "place"
    (place / "sub").mkdir(parents=True)
    (place / "out").symlink_to(folder)
    (place / "loop").symlink_to(place / "loop")
    for name, data in (("walk.csv", b"a"), ("empty.csv", b" \n"), ("large.csv", b"a" * 2_000_001)):
        (place / name).write_bytes(data)
    os.mkfifo(place / "pipe")
    for named in PATHS:
        problems = Problems()
        found = inside(place, named, "survey.file", problems, "site.toml", 3)
        yield f"{named!r}: {found}"
        yield from problems_of(problems)
    for named in (
        "walk.csv",
        "empty.csv",
        "large.csv",
        "sub",
        "pipe",
        "none",
        "walk.csv/x",
        "loop",
    ):
        problems = Problems()
        where = ("site.toml", 3) if named != "none" else None
        data = read_plain_file(place / named, named, "the field book", 2_000_000, problems, where)
        yield f"{named}: {None if data is None else len(data)}"
        yield from problems_of(problems)
    yield f"at the limit: {check_plain_file(place / 'walk.csv', 'w', 'the file', 1, Problems())}"


NAMES = (
    "A1", " A1 ", "north\u00a0gate", "e\u0301", "a\u2003b", "a\x07b", "a\u200bb", "a\u202eb",
    "a\nb", "x" * 200, "x" * 201, "", "名前",
)  # fmt: skip
BYTES: dict[str, object] = {
    "text": "Tür".encode(),
    "latin text on line 2": "a\nTür\n".encode("latin-1"),
    "a bad byte far on": b"a\n" * 600_000 + b"\xff",
    "a letter across two blocks": b"a" * 999_999 + "ü".encode() + b"b" * 10,
    "a letter cut off": b"a" * 999_999 + b"\xc3",
    "a NUL on line 3": b"a\nb\n\0",
    "wide text": "walk of today".encode("utf-16-le"),
    "wide text with a mark": "walk".encode("utf-16"),
    "wide text the other way": "walk of today".encode("utf-16-be"),
    "wide text that breaks off": b"\xff\xfe\x00\xd8",
    "a paper": b"%PDF-1.7",
    "a database": b"SQLite format 3\0",
    "a photograph": b"\xff\xd8\xff\xe0",
}


def _bytes(given: bytes) -> Iterator[str]:
    problems = Problems()
    yield f"{decode(given, 'walk.csv', 'field book', problems)}, as UTF-8 {as_utf8(given)[:20]!r}"
    yield from problems_of(problems)


def _names() -> Iterator[str]:
    for name in NAMES:
        yield f"{name[:20]!r}: {clean_name(name)[:20]!r}, {name_fault(name)}"


def tables_told(folder: Path) -> dict[str, str]:
    """All of it as texts."""
    told = {
        "exports.txt": listed(DELIMITED, _delimited),
        "cells.txt": [*said_of(_numbers), *said_of(_cells)],
        "field_books.txt": listed(FIELD_BOOKS, _field_book),
        "toml.txt": [*listed(TOML, _toml), "== lines of keys", *said_of(_key_lines)],
        "files.txt": [
            *said_of(lambda: _paths(folder), folder),
            *listed(BYTES, _bytes),
            *said_of(_names),
        ],
    }
    return {name: "\n".join(lines) + "\n" for name, lines in told.items()}
