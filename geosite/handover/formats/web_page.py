"""Pages of one file that ask the network for nothing.

The content security policy forbids every request, and every script and style but those whose hash
it names.
"""

from __future__ import annotations

import re
from base64 import b64encode
from collections.abc import Mapping
from hashlib import sha256

__all__ = ["page", "script_of"]


def script_of(modules: str) -> str:
    """Return strict script whose names are its own.

    Examples
    --------
    >>> print(script_of("const a = 1;"), end="")
    "use strict";
    (() => {
    const a = 1;
    })();
    """
    return f'"use strict";\n(() => {{\n{modules}\n}})();\n'


def page(template: str, style: str, script: str, parts: Mapping[str, str]) -> str:
    """Fill a page.

    Parameters
    ----------
    template
        With ``{{name}}`` where a part goes; also ``{{policy}}``, ``{{style}}`` and ``{{script}}``.
    style, script
        The only ones that the page may use.
    parts
        By name.

    Examples
    --------
    >>> page("<p>{{word}}</p>", "", "", {"word": "{{word}}"})
    '<p>{{word}}</p>'
    """
    policy = (
        "default-src 'none'; img-src data:; base-uri 'none'; form-action 'none'; "
        f"script-src '{_hash(script)}'; style-src '{_hash(style)}'"
    )
    filled = {**parts, "policy": policy, "style": style, "script": script}
    # in one pass: what a part contains is never taken for a place to fill
    return re.sub(r"\{\{(\w+)\}\}", lambda place: filled[place[1]], template)


def _hash(text: str) -> str:
    return f"sha256-{b64encode(sha256(text.encode('utf-8')).digest()).decode('ascii')}"
