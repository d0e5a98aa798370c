"""Findings of a row of the field book are given the place of that row."""

from __future__ import annotations

import pytest
from cli_runner import FERRY

from geosite.base.errors import Finding
from geosite.fieldbook.read import read_survey
from geosite.handover.report_json.make import located
from geosite.network.adjust import adjust


def test_a_row_a_mark_and_a_given_place() -> None:
    notes = read_survey(FERRY / "site.toml")
    network = adjust(notes)
    book = notes.book
    row = int(book.mark.tolist().index(book.marks.index("A2")))
    there = network.frame.to_map(network.en[row])
    given = (1.0, 2.0)
    by_row, by_mark, kept, elsewhere, unknown = located(
        (
            Finding("look", "a", "x", book.file, int(book.line[row])),
            Finding("look", "a", "x", mark="A2"),
            Finding("look", "a", "x", book.file, int(book.line[row]), place=given),
            Finding("note", "a", "x", "site.toml", int(book.line[row])),
            Finding("note", "a", "x", book.file, 10_000),
        ),
        notes,
        network,
    )
    for found in (by_row, by_mark):
        assert found.mark == "A2"
        assert found.place == pytest.approx(tuple(there))
    assert kept.place == given
    assert elsewhere.place is None
    assert unknown.place is None
    assert unknown.mark is None
