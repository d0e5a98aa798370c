"""Documents are read back as they were put together, by a parser that is not ours."""

from __future__ import annotations

import xml.etree.ElementTree as ET

import pytest

from geosite.handover.formats.markup import document, node

ODD = ["plain", "a < b & c > d", 'say "so"', "it's", "one\ntwo", "tab\there", "car\rriage", "ä €"]


@pytest.mark.parametrize("text", ODD)
def test_text_and_attributes_come_back(text: str) -> None:
    root = node("area", node("name", text, title=text), node("empty"), title=text)
    read = ET.fromstring(document(root))
    assert read.get("title") == text
    name, empty = read
    assert (name.text, name.get("title")) == (text, text)
    assert (empty.tag, empty.text, len(empty)) == ("empty", None, 0)


def test_every_element_stands_on_a_line_of_its_own() -> None:
    root = node("a", node("b", node("c", "1"), node("d", e="2")), node("f"))
    assert document(root).splitlines()[1:] == [
        "<a>",
        "  <b>",
        "    <c>1</c>",
        '    <d e="2" />',
        "  </b>",
        "  <f />",
        "</a>",
    ]


@pytest.mark.parametrize("text", ["\x00", "\x0b", "\ud800", "\ufffe"])
def test_what_cannot_stand_in_a_document_is_replaced(text: str) -> None:
    read = ET.fromstring(document(node("name", f"a{text}b", title=text)))
    assert (read.text, read.get("title")) == ("a\ufffdb", "\ufffd")


def test_names_with_a_prefix() -> None:
    assert '<name xml:lang="en">Yard</name>' in document(node("name", "Yard", xml__lang="en"))
