"""Running pages, read back by a general-purpose PDF library."""

from __future__ import annotations

import io
import re

import pypdf
import pytest

from geosite.drawing.document import (
    Block,
    Column,
    Figure,
    Heading,
    Paper,
    Paragraph,
    Signature,
    Table,
    lay_out,
)
from geosite.drawing.font import typeface
from geosite.drawing.pdf import pdf
from geosite.drawing.sheet import Rectangle, Shape, Text, rectangle

PAPER = Paper(210, 297, "Survey report", "Ferry landing (invented)", "No boundary survey.")


def texts(blocks: list[Block]) -> list[str]:
    document = pypdf.PdfReader(io.BytesIO(pdf(*lay_out(blocks, PAPER))))
    return [page.extract_text() for page in document.pages]


def test_every_word_of_a_long_text_stands_once_and_in_order() -> None:
    words = [f"w{i}" for i in range(4000)]
    pages = texts([Heading("Long"), Paragraph(" ".join(words))])
    assert len(pages) > 3
    assert re.findall(r"\bw\d+", " ".join(pages)) == words


@pytest.mark.parametrize("number", ["7", "1\u202f234", "14\u202f994", "9\u202f876\u202f543"])
def test_thousands_are_parted_by_a_blank_and_not_by_a_box(number: str) -> None:
    (page,) = texts([Paragraph(f"area {number} m²")])
    assert number.replace("\u202f", " ") in page.replace("\u202f", " ").replace("\xa0", " ")
    assert "□" not in page


def test_a_table_repeats_its_header_and_cuts_no_row() -> None:
    columns = (Column("mark"), Column("elevation\nm", align="end"))
    rows = tuple((f"mark{i:03}", f"{i}.5") for i in range(150))
    pages = texts([Table(columns, rows)])
    assert len(pages) > 1
    assert all("elevation" in page for page in pages)
    assert sum(page.count("mark0") + page.count("mark1") for page in pages) == 150


ENDS: dict[str, list[Block]] = {
    "heading and text": [Heading("Last, a heading of its own\n" * 8), Paragraph("under it")],
    "table": [Table((Column("Last"), Column("metres")), (("under it", "1"), ("third", "2")))],
    "table without header": [Table((Column(""),), (("Last",), ("under it",), ("third",)))],
    "figure": [Figure(30.0, lambda box: [Text(box.x, box.y, "Last", 2.0)], "under it " * 40)],
    "heading and figure": [
        Heading("Last"),
        Paragraph("what it shows"),
        Figure(30.0, lambda box: [Text(box.x, box.y, "under it", 2.0)], "words " * 40),
    ],
    "signature": [Signature(("Last", "under it"))],
}


@pytest.mark.parametrize("end", ENDS)
def test_what_belongs_together_is_not_parted_by_the_end_of_a_page(end: str) -> None:
    # 46 paragraphs fill a page
    pages_of = []
    for fillers in range(32, 48):
        pages = lay_out([*[Paragraph("filler")] * fillers, *ENDS[end]], PAPER)
        told = [[i for i in page.groups[0].items if isinstance(i, Text)] for page in pages]
        box = PAPER.text
        assert all(box.y <= item.y <= box.bottom for items in told for item in items)
        (first,) = [n for n, items in enumerate(told) if any("Last" in i.text for i in items)]
        under = [n for n, items in enumerate(told) if any("under it" in i.text for i in items)]
        assert under[0] == first
        pages_of.append(len(pages))
    assert set(pages_of) == {1, 2}


def test_words_of_a_table_stay_in_their_columns() -> None:
    columns = (Column("narrow", 1.0), Column("wide", 3.0), Column("end", 1.0, align="end"))
    cell = "words of a sentence that is longer than any of these columns is wide"
    (page,) = lay_out([Table(columns, ((cell, cell, cell),))], PAPER)
    lines = [item for item in page.groups[0].items if isinstance(item, Text)]
    # shares 1, 3 and 1 of the width
    edges = [PAPER.text.x + PAPER.text.width * share / 5 for share in (0, 1, 4, 5)]
    places = set()
    for line in lines:
        wide = typeface(line.weight).width(line.text) * line.size
        left = line.x if line.anchor == "start" else line.x - wide
        (column,) = [k for k in range(3) if edges[k] <= left + 1e-6 < edges[k + 1]]
        assert left + wide < edges[column + 1]
        places.add((column, line.y))
    # side by side, one under the other: no two lines in one place, the widest has the fewest
    assert len(places) == len(lines)
    counts = [sum(c == column for c, _ in places) for column in range(3)]
    assert counts[1] < counts[0] == counts[2]


def test_a_figure_that_does_not_fit_moves_to_the_next_page_whole() -> None:
    boxes: list[Rectangle] = []

    def draw(box: Rectangle) -> list[Shape | Text]:
        boxes.append(box)
        return [rectangle(box, fill="#cccccc")]

    blocks: list[Block] = [Paragraph("filler") for _ in range(40)]
    pages = lay_out([*blocks, Figure(120.0, draw, "Residuals")], PAPER)
    assert len(pages) == 2
    assert boxes[0].y == PAPER.text.y
    assert boxes[0].bottom < PAPER.text.bottom


@pytest.mark.parametrize(("least", "begins_a_page"), [(60.0, False), (119.0, True)])
def test_a_figure_is_lower_where_the_rest_of_the_page_has_room_for_that(
    least: float, begins_a_page: bool
) -> None:
    boxes: list[Rectangle] = []

    def draw(box: Rectangle) -> list[Shape | Text]:
        boxes.append(box)
        return [rectangle(box, fill="#cccccc")]

    figure = Figure(120.0, draw, "Residuals", least=least)
    pages = lay_out([*_fillers(30), figure], PAPER)
    assert len(pages) == 1 + begins_a_page
    (box,) = boxes
    assert (box.y == PAPER.text.y) is begins_a_page
    assert box.bottom < PAPER.text.bottom
    assert least <= box.height <= 120.0
    assert (box.height == 120.0) is begins_a_page


def test_nothing_asked_for_is_one_page_with_its_number() -> None:
    (page,) = texts([])
    assert "page 1 of 1" in page
    assert "No boundary survey." in page


def test_signature_lines_carry_their_labels() -> None:
    (page,) = texts([Signature(("Surveyor, licence", "Place, date"))])
    assert "Surveyor, licence" in page
    assert "Place, date" in page


def _fillers(lines: int) -> list[Block]:
    return [Paragraph("filler") for _ in range(lines)]


def test_a_heading_stands_with_its_table_however_high_the_first_row_is() -> None:
    columns = (Column("finding"), Column("what was\nfound\nhere"))
    tall = Table(columns, (("first " + "row " * 90, ""), ("second", "")))
    for lines in range(20, 46):
        pages = texts([*_fillers(lines), Heading("Findings", 2), tall])
        (holder,) = [page for page in pages if "Findings" in page]
        assert "first row" in holder
        assert sum("what was" in page for page in pages) == 1  # no header without a row


def test_a_heading_goes_along_with_the_heading_under_it() -> None:
    rows = tuple((f"row{i}",) for i in range(3))
    for lines in range(20, 46):
        pages = texts(
            [
                *_fillers(lines),
                Heading("Take-off"),
                Paragraph("How to read it."),
                Heading("What to order", 2),
                Table((Column("what"),), rows),
            ]
        )
        (holder,) = [page for page in pages if "Take-off" in page]
        assert "row0" in holder


@pytest.mark.slow
def test_the_last_row_of_a_table_does_not_stand_alone_on_a_page() -> None:
    # the 51st begins a second page, the 101st a third
    for rows in (*range(46, 58), *range(96, 108)):
        table = Table((Column("what"),), tuple((f"row{i:03}",) for i in range(rows)))
        assert texts([table])[-1].count("row") >= 2
