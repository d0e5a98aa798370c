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


def test_a_heading_is_never_the_last_thing_on_a_page() -> None:
    for lines in range(55, 75):
        pages = texts(
            [Paragraph("\n") for _ in range(0)]
            + [Paragraph("filler " * 3) for _ in range(lines)]
            + [Heading("Closures"), Paragraph("text under it")]
        )
        (holder,) = [page for page in pages if "Closures" in page]
        assert "text under it" in holder


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


def test_nothing_asked_for_is_one_page_with_its_number() -> None:
    (page,) = texts([])
    assert "page 1 of 1" in page
    assert "No boundary survey." in page


def test_signature_lines_carry_their_labels() -> None:
    (page,) = texts([Signature(("Surveyor, licence", "Place, date"))])
    assert "Surveyor, licence" in page
    assert "Place, date" in page
