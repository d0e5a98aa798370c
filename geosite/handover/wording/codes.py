"""What codes are called where people read."""

from __future__ import annotations

from collections.abc import Mapping

from geosite.fieldbook.sitefile import Code
from geosite.handover.names import readable_name

__all__ = ["code_title"]


def code_title(codes: Mapping[str, Code], code: str | None) -> str:
    """Return the title that the site file gives a code, or the code itself.

    Examples
    --------
    >>> codes = {"asphalt": Code(title="Asphalt, 4 cm"), "kerb": Code()}
    >>> [code_title(codes, code) for code in ("asphalt", "kerb", "")]
    ['Asphalt, 4 cm', 'kerb', 'without a code']
    """
    meaning = codes.get(code or "")
    return (meaning.title if meaning is not None else "") or readable_name(code) or "without a code"
