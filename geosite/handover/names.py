"""What features, codes and designs are called where people read: their keys stay in the files."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping

from geosite.handover.model import Layer, Package, Table

__all__ = ["design_called", "design_name", "design_titles", "named_on_paper", "readable_name"]

_NAMED = ("feature", "code", "line", "design", "part", "earthwork", "section")
"""Columns of layers and tables that hold keys of the field book or the site file."""
_KEY = re.compile(r"[\w.-]*\w_\w[\w.-]*")


def readable_name(key: object) -> str:
    """Return a key as a name: words parted by blanks.

    Marks keep theirs: they are found again by it in the field book and on the phone.

    Examples
    --------
    >>> readable_name("kerb_top"), readable_name(None)
    ('kerb top', '')
    """
    return "" if key is None else str(key).replace("_", " ").strip()


def design_name(package: Package, key: str) -> str:
    """Return what a design is called: its title, else its key as a name.

    Examples
    --------
    >>> from geosite.base.map_frame import Frame
    >>> told = Table("designs", "", (), [{"design": "pad", "title": "Boarding pad"}])
    >>> yard = Package("Yard", "", Frame(), tables=(told,))
    >>> design_name(yard, "pad"), design_name(yard, "long_pier")
    ('Boarding pad', 'long pier')
    """
    return design_titles(package).get(key) or readable_name(key)


def design_titles(package: Package) -> dict[str, str]:
    """Return what designs are called, by key."""
    return {
        str(r["design"]): design_called(r)
        for table in package.tables
        if table.name == "designs"
        for r in table.records
    }


def design_called(record: Mapping[str, object]) -> str:
    """Return what the design of a record is called: a title that is the key is none.

    Examples
    --------
    >>> design_called({"design": "pad", "title": "Boarding pad"})
    'Boarding pad'
    >>> design_called({"design": "long_pier", "title": "long_pier"})
    'long pier'
    """
    key, title = record.get("design"), record.get("title")
    return str(title) if title and title != key else readable_name(key)


def named_on_paper(package: Package, texts: Iterable[str]) -> list[str]:
    """Return sentences in which features and codes have readable names, designs their titles.

    Parameters
    ----------
    package
        Whose keys are meant; any other word with an underscore, such as a key of the site file or
        a mark, stays as it is.
    texts

    Examples
    --------
    >>> from geosite.base.map_frame import Frame
    >>> from geosite.fieldbook.sitefile import Code
    >>> told = Table("designs", "", (), [{"design": "pad", "title": "Boarding pad"}])
    >>> package = Package("Yard", "", Frame(), codes={"kerb_top": Code()}, tables=(told,))
    >>> named_on_paper(package, ["kerb_top is high; say counted_in.", "Design pad: it fits."])
    ['kerb top is high; say counted_in.', 'Design Boarding pad: it fits.']
    """
    keys: set[str] = set()

    def named(found: re.Match[str]) -> str:
        key = found[0].rstrip(".-")
        return readable_name(key) + found[0][len(key) :] if key in keys else found[0]

    told = list(texts)
    if titles := design_titles(package):
        # the longest first, so that none is taken for the beginning of another
        longest_first = sorted(titles, key=len, reverse=True)
        one = rf"(?:{'|'.join(re.escape(key) for key in longest_first)})(?![\w-])"
        listed = re.compile(rf"(?<=[Dd]esign |esigns |one of ){one}(?:(?:, | and ){one})*")
        told = [
            listed.sub(lambda found: re.sub(one, lambda key: titles[key[0]], found[0]), text)
            for text in told
        ]
    if any("_" in text for text in told):
        keys |= _keys(package)
    return [_KEY.sub(named, text) for text in told] if keys else told


def _keys(package: Package) -> set[str]:
    """Return the keys with an underscore that the package names anything by."""
    found = {*package.codes, *package.designed}
    for feature in package.features:
        found |= {feature.name, feature.code}
    everything: list[Layer | Table] = [*package.layers, *package.tables]
    for listed in everything:
        columns = {field.name for field in listed.fields} & set(_NAMED)
        if columns and listed.name != "points":
            found |= {str(r.get(name)) for r in listed.records for name in columns}
    return {key for key in found if "_" in key}
