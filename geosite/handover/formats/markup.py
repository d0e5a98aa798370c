"""XML documents, put together from plain text without a byte that XML does not allow."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from collections.abc import Callable

__all__ = ["document", "node"]

# XML 1.0, production [2] Char: everything else cannot stand in a document, not even escaped
_NOT_ALLOWED = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")

_SPECIAL = re.compile('[&<>"\\r\\n\\t]')


def node(tag: str, *content: ET.Element | str, **attributes: str) -> ET.Element:
    """Return an element with text or child elements; an attribute ``a__b`` is ``a:b``.

    What XML 1.0 does not allow, not even escaped (production [2], Char), becomes U+FFFD.

    Examples
    --------
    >>> ET.tostring(node("area", node("name", "Yard"), xml__lang="en"), "unicode")
    '<area xml:lang="en"><name>Yard</name></area>'
    """
    made = ET.Element(
        tag, {name.replace("__", ":"): _allowed(value) for name, value in attributes.items()}
    )
    for item in content:
        if isinstance(item, str):
            made.text = _allowed(item)
        else:
            made.append(item)
    return made


def document(root: ET.Element) -> str:
    """Return the document as text, indented, with its declaration.

    Examples
    --------
    >>> print(document(node("area", node("name", "Yard"))), end="")
    <?xml version="1.0" encoding="UTF-8"?>
    <area>
      <name>Yard</name>
    </area>
    """
    parts = ['<?xml version="1.0" encoding="UTF-8"?>']
    _write(root, "\n", parts.append)
    return "".join((*parts, "\n"))


def _write(element: ET.Element, line: str, add: Callable[[str], object]) -> None:
    """Write an element on a line of its own, and what is in it two columns further in.

    The library's own way, which turns names into namespaces first, takes three times as long, and
    styles and project together are some 9,000 elements.
    """
    attributes = "".join([f' {name}="{_attribute(value)}"' for name, value in element.items()])
    text = element.text or ""
    inside = line + "  "
    if len(element):
        add(f"{line}<{element.tag}{attributes}>{_text(text.strip())}")
        for child in element:
            _write(child, inside, add)
        add(f"{line}</{element.tag}>")
    elif text:
        add(f"{line}<{element.tag}{attributes}>{_text(text)}</{element.tag}>")
    else:
        add(f"{line}<{element.tag}{attributes} />")


def _allowed(text: str) -> str:
    return _NOT_ALLOWED.sub("\ufffd", text)


def _text(text: str) -> str:
    if _SPECIAL.search(text) is None:
        return text
    text = text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
    # as it is, a reader would take it for the end of a line
    return text.replace("\r", "&#13;")


def _attribute(text: str) -> str:
    if _SPECIAL.search(text) is None:
        return text
    text = _text(text).replace('"', "&quot;")
    return text.replace("\n", "&#10;").replace("\t", "&#09;")
