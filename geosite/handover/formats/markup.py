"""XML documents, put together from plain text without a byte that XML does not allow."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET

__all__ = ["document", "node"]

# XML 1.0, production [2] Char: everything else cannot stand in a document, not even escaped
_NOT_ALLOWED = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


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
    ET.indent(root, "  ")
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ET.tostring(root, "unicode") + "\n"


def _allowed(text: str) -> str:
    return _NOT_ALLOWED.sub("\ufffd", text)
