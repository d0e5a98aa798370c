"""Keys of the site file that are understood and have no effect where they stand."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import msgspec

from geosite.base.errors import Finding
from geosite.fieldbook.model import FieldBook
from geosite.fieldbook.sitefile import SiteFile
from geosite.reading.toml_lines import TomlText

__all__ = ["IdleKey", "idle_keys", "look_at_idle_keys"]

_Rule = tuple[tuple[str, ...], Callable[[Any, SiteFile, FieldBook], bool], str]
"""Keys of a table, when they do nothing (by the table, the site and the walk), what they need."""


@dataclass(frozen=True, slots=True)
class IdleKey:
    """A key that was written and does nothing.

    Parameters
    ----------
    path
        Of the key, ``("codes", "kerb", "depth")``.
    needs
        What it would need to have an effect.
    """

    path: tuple[str, ...]
    needs: str


_CODE: tuple[_Rule, ...] = (
    (
        ("depth", "coverage", "paved"),
        lambda c, *_: c.geometry != "area",
        'a code with geometry = "area"',
    ),
    (("coverage_unit",), lambda c, *_: c.geometry == "area" and c.coverage is None, "coverage"),
    (("breakline",), lambda c, *_: c.geometry == "point", "a code of lines or areas"),
    (
        ("height_m",),
        lambda c, *_: not (c.barrier or c.gutter),
        "barrier = true or gutter = true",
    ),
    (("dwelling",), lambda c, *_: not c.building, "building = true"),
    (
        ("building",),
        lambda c, *_: c.geometry != "area",
        'geometry = "area": an outline is cut out of the ground, and its falls are checked',
    ),
    (
        ("runoff", "drains_to"),
        lambda _, site, __: _is_dry(site),
        "[drainage] rainfall_mm_per_hour",
    ),
    # without rain nothing drains: what else a roof needs is told once there is some
    (
        ("drains_to",),
        lambda c, site, _: not c.building and not _is_dry(site),
        "building = true",
    ),
)
_OF_BUILDINGS = ("building", "dwelling")
"""Whoever wrote these expects another drainage: they want an eye."""

_EARTHWORK: tuple[_Rule, ...] = (
    (
        ("through", "fall_percent", "fall_azimuth"),
        lambda e, *_: e.surface is not None,
        "design_elevation instead of surface",
    ),
    (
        ("fall_azimuth",),
        lambda e, *_: e.surface is None and not e.fall_percent,
        "fall_percent",
    ),
)
_PAD: tuple[_Rule, ...] = ((("fall_azimuth",), lambda p, *_: not p.fall_percent, "fall_percent"),)
_SECTION: tuple[_Rule, ...] = (
    (("design_grade_percent",), lambda s, *_: s.design_elevation is None, "design_elevation"),
)
_GRADE_LINE: tuple[_Rule, ...] = (
    (("width",), lambda g, *_: g.edges is not None, "a line without edges, which tell the width"),
)
_ANCHOR_MARK: tuple[_Rule, ...] = (
    (
        ("sigma_elevation",),
        lambda m, *_: m.elevation is None and m.ellipsoidal_height is None,
        "elevation",
    ),
)
_AZIMUTH: tuple[_Rule, ...] = (
    (("date",), lambda a, *_: a.reference != "magnetic", 'reference = "magnetic"'),
)
_SHEET: tuple[_Rule, ...] = (
    (
        ("background_layer", "background_attribution"),
        lambda s, *_: s.background is None,
        "background",
    ),
)
_DEVICE: tuple[_Rule, ...] = (
    (
        ("walk_per_second", "walk_up_per_second"),
        lambda _, __, book: book.time is None,
        "a column time in the field book",
    ),
)
_PRICES: tuple[_Rule, ...] = (
    (
        ("currency", "rounding"),
        lambda p, *_: not p.codes and p.cut is None and p.fill is None,
        "a rate in [prices.codes.NAME], [prices.cut] or [prices.fill]",
    ),
    (("cut", "fill"), lambda _, site, __: not site.designs, "a design to be built"),
)
_GRADES: tuple[_Rule, ...] = (
    (("limits_file",), lambda g, *_: not g.lines, "a line in [grades.lines.NAME]"),
)
_DRAINAGE: tuple[_Rule, ...] = (
    (("runoff",), lambda d, *_: d.rainfall_mm_per_hour is None, "rainfall_mm_per_hour"),
)


def idle_keys(raw: Mapping[str, Any], site: SiteFile, book: FieldBook) -> Iterator[IdleKey]:
    """Yield the keys that were written and do nothing, table by table.

    A default that is written out is no such key: nothing was expected of it.

    Parameters
    ----------
    raw
        Tables as they were written, which shows what was.
    site
        The same as structs.
    book
        The walk: some keys need a column of it.

    Examples
    --------
    A kerb that is a line has no volume:

    >>> from geosite.fieldbook.book import book_from_text
    >>> from geosite.fieldbook.model import Notes
    >>> from geosite.fieldbook.sitefile import Code
    >>> notes = Notes.of(
    ...     book_from_text("run,point,x,y,z" + chr(10) + "R1,A,0,0,0"),
    ...     codes={"kerb": Code(geometry="line", depth=0.1)},
    ... )
    >>> raw = {"codes": {"kerb": {"geometry": "line", "depth": 0.1}}}
    >>> [(".".join(one.path), one.needs) for one in idle_keys(raw, notes.site, notes.book)]
    [('codes.kerb.depth', 'a code with geometry = "area"')]
    """
    for path, table, rules in _tables(site):
        written: Any = raw
        for key in path:
            written = written.get(key, {})
        for keys, idle, needs in rules:
            asked = [key for key in keys if key in written and not _is_default(table, key)]
            if asked and idle(table, site, book):
                yield from (IdleKey((*path, key), needs) for key in asked)


def _is_default(table: Any, key: str) -> bool:
    (field,) = (one for one in msgspec.structs.fields(table) if one.encode_name == key)
    return bool(getattr(table, field.name) == field.default)


def _is_dry(site: SiteFile) -> bool:
    return site.drainage.rainfall_mm_per_hour is None


def _tables(site: SiteFile) -> Iterator[tuple[tuple[str, ...], Any, tuple[_Rule, ...]]]:
    """Yield path, table and rules of all that is looked at."""
    yield ("survey", "device"), site.survey.device, _DEVICE
    for name, mark in site.anchor.marks.items():
        yield ("anchor", "marks", name), mark, _ANCHOR_MARK
    if site.anchor.azimuth is not None:
        yield ("anchor", "azimuth"), site.anchor.azimuth, _AZIMUTH
    for name, code in site.codes.items():
        yield ("codes", name), code, _CODE
    yield ("drainage",), site.drainage, _DRAINAGE
    yield ("prices",), site.prices, _PRICES
    yield ("grades",), site.grades, _GRADES
    for name, line in site.grades.lines.items():
        yield ("grades", "lines", name), line, _GRADE_LINE
    for name, section in site.sections.items():
        yield ("sections", name), section, _SECTION
    for name, earthwork in site.earthworks.items():
        yield ("earthworks", name), earthwork, _EARTHWORK
    for name, design in site.designs.items():
        for pad, table in design.pads.items():
            yield ("designs", name, "pads", pad), table, _PAD
    yield ("sheet",), site.sheet, _SHEET


def look_at_idle_keys(
    raw: Mapping[str, Any],
    site: SiteFile,
    book: FieldBook,
    place: TomlText,
    findings: list[Finding],
) -> None:
    """Say of each key that does nothing what it would need."""
    findings += (
        Finding(
            "look" if one.path[-1] in _OF_BUILDINGS else "note",
            "key-idle",
            f"{'.'.join(one.path)} {_comes_to(one.path[-1])}: it needs {one.needs}.",
            place.file,
            place.line(*one.path),
        )
        for one in idle_keys(raw, site, book)
    )


def _comes_to(key: str) -> str:
    # triangles keep to a wall's line, and none is ordered: that is not nothing
    return "makes no building" if key == "building" else "has no effect"
