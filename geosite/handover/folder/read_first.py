"""``READ_FIRST.txt``: what each file of a hand-over is, by who reads it, which to open first."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from fnmatch import fnmatchcase

from geosite.drawing.font import printable
from geosite.handover.folder.staging import MANIFEST
from geosite.handover.model import CAUTION, Package
from geosite.handover.wording.reference import crs_words, height_words
from geosite.handover.wording.title_block import title_fields

__all__ = ["PROOF", "READ_FIRST", "family_of", "read_first"]

READ_FIRST = "READ_FIRST.txt"
PROOF = "Checksums of all files, for geosite verify: did they arrive whole?"
"""What the manifest is for, which lists itself nowhere."""
_WIDTH = 92
_NAME = 28
"""Columns of a name; a longer one has a line of its own."""

_READERS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("Open first", ("takeoff.pdf", "plan.pdf", "viewer.html")),
    ("To read and to print", ("*.pdf", "plan.*", "*.svg")),
    (
        "For a GIS or a drafting program",
        ("site.qgs", "site.gpkg", "metadata.xml", "*.tif", "site.dxf", "site.prj"),
    ),
    ("For the office: tables", ("*.xlsx", "*.csv")),
    ("For other programs", ("*",)),
)
"""Headings, and what stands below each, in this order; the first that fits holds."""

_FAMILIES = (
    ("geojson/*", "geojson/", "Each layer by itself in WGS 84, GeoJSON"),
    ("styles/*", "styles/", "Looks of layers and rasters, OGC Styled Layer Descriptor"),
    ("*.qml", "*.qml", "Look of the raster of the same name: leave it beside its .tif"),
)
"""Files that are told together: pattern, name, and what they are."""


def read_first(package: Package, files: Sequence[tuple[str, str]]) -> str:
    r"""Return the list that goes with a hand-over, for people without a program of ours.

    Parameters
    ----------
    package
        For title, date, map and who it is for.
    files
        Name and purpose of each file, as the manifest has them.

    Examples
    --------
    >>> from geosite.base.map_frame import Frame
    >>> text = read_first(
    ...     Package("Yard", "2026-05-01", Frame()),
    ...     [("site.gpkg", "All layers"), ("plan.pdf", "The plan"), ("slope.qml", "Look")],
    ... )
    >>> [line.split()[0] for line in text.split("\r\n") if line[:2] == "  " != line[2:4]]
    ['plan.pdf', 'site.gpkg', '*.qml', 'MANIFEST.json']
    """
    parts = [*_head(package), *_groups([*files, (MANIFEST, PROOF)])]
    return "\r\n".join([*parts, "", *textwrap.wrap(CAUTION, _WIDTH), ""])


def family_of(name: str) -> tuple[str, str, str] | None:
    """Return the family of a file that is told together with others like it.

    Returns
    -------
    (pattern, name, purpose) or None

    Examples
    --------
    >>> family_of("styles/marks.sld")[1], family_of("site.gpkg")
    ('styles/', None)
    """
    return next((family for family in _FAMILIES if fnmatchcase(name, family[0])), None)


def _head(package: Package) -> list[str]:
    frame = package.frame
    heights = height_words(frame)
    lines = [printable(package.name, 200)]
    if package.date:
        lines.append(f"Surveyed {printable(package.date, 40)}")
    fields = title_fields(package)
    lines += [f"{name}: {printable(text, 200)}" for name, text in fields.items()]
    lines += [f"Map: {crs_words(frame.crs_wkt, frame.crs_name)}", f"Elevations: {heights}"]
    return lines


def _groups(files: Sequence[tuple[str, str]]) -> list[str]:
    """Return the headings with their files below, each file once."""
    left = dict(files)
    lines = []
    for heading, patterns in _READERS:
        found = [
            name
            for pattern in patterns
            for name in left
            # a star stops at no folder, and each folder is a family of its own
            if fnmatchcase(name, pattern) and ("/" not in name or pattern == "*")
        ]
        names = list(dict.fromkeys(found))
        if names:
            lines += ["", heading]
            lines += _listed([(name, left.pop(name)) for name in names])
    return lines


def _listed(files: Sequence[tuple[str, str]]) -> list[str]:
    lines: list[str] = []
    told = set()
    for name, purpose in files:
        family = family_of(name)
        if family is None:
            lines += _entry(name, purpose)
        elif family not in told:
            told.add(family)
            many = sum(fnmatchcase(other, family[0]) for other, _ in files)
            lines += _entry(family[1], f"{family[2]} ({many} files)" if many > 1 else family[2])
    return lines


def _entry(name: str, purpose: str) -> list[str]:
    indent = " " * (_NAME + 2)
    words = textwrap.wrap(purpose, _WIDTH, initial_indent=indent, subsequent_indent=indent)
    if len(name) >= _NAME or not words:
        return [f"  {name}", *words]
    return [f"  {name:{_NAME}}{words[0].strip()}", *words[1:]]
