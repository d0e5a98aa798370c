"""Words of libraries in what is told: left out, since another version of theirs has other ones."""

from __future__ import annotations

import re

__all__ = ["without_library_words"]

FRAMES = re.compile(
    r"(?m)"
    r"((?:cannot be read|as a design|as a point layer|as [A-Z]\w+|something else here"
    r"|inside a value|describe a device|second time here|no profile|not base64) \()"
    r"(.*?)(?=\); expected)"
    r"|(not valid TOML: )(.*?)(?=; expected)"
    r"|(the request is not JSON \()(.*?)(?=, column \d+\); expected)"
    r"|(^ *damaged: )(.*)$"
    r'|(status: "(?:accepted|successful)"\n *message: ")(.*?)(?="$)'
)
"""Our sentences that quote somebody else: what stands before the quoted words, and these."""

OUR_OWN = re.compile(r"its? |no MANIFEST|there is no|No such file|(damaged: )?nested too deeply")
"""How words begin that stand at such a place and are ours."""


def without_library_words(text: str) -> str:
    """Text in which three dots stand for what a library says."""
    return FRAMES.sub(_dots, text)


def _dots(found: re.Match[str]) -> str:
    before, words = (part for part in found.groups() if part is not None)
    if OUR_OWN.match(words):
        return found[0]
    return f"{before}{'damaged: ' if words.startswith('damaged: ') else ''}..."
