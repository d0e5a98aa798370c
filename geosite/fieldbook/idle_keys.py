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

_Rule = tuple[tuple[str, ...], Callable[[Any], bool], str]
"""Keys of a table, when they do nothing, and what they would need."""


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
        lambda c: c.geometry != "area",
        'a code with geometry = "area"',
    ),
    (("coverage_unit",), lambda c: c.geometry == "area" and c.coverage is None, "coverage"),
    (("breakline",), lambda c: c.geometry == "point", "a code of lines or areas"),
    (
        ("height_m",),
        lambda c: not (c.barrier or c.gutter),
        "barrier = true or gutter = true",
    ),
    (("dwelling",), lambda c: not c.building, "building = true"),
    (
        ("building",),
        lambda c: c.geometry != "area",
        'geometry = "area": an outline is cut out of the ground, and its falls are checked',
    ),
)
_ROOF: _Rule = (("drains_to",), lambda c: not c.building, "building = true")
_OF_BUILDINGS = ("building", "dwelling")
"""Whoever wrote these expects another drainage: they want an eye."""

_EARTHWORK: tuple[_Rule, ...] = (
    (
        ("through", "fall_percent", "fall_azimuth"),
        lambda e: e.surface is not None,
        "design_elevation instead of surface",
    ),
    (
        ("fall_azimuth",),
        lambda e: e.surface is None and not e.fall_percent,
        "fall_percent",
    ),
)
_PAD: tuple[_Rule, ...] = ((("fall_azimuth",), lambda p: not p.fall_percent, "fall_percent"),)
_SECTION: tuple[_Rule, ...] = (
    (("design_grade_percent",), lambda s: s.design_elevation is None, "design_elevation"),
)
_GRADE_LINE: tuple[_Rule, ...] = (
    (("width",), lambda g: g.edges is not None, "a line without edges, which tell the width"),
)
_ANCHOR_MARK: tuple[_Rule, ...] = (
    (
        ("sigma_elevation",),
        lambda m: m.elevation is None and m.ellipsoidal_height is None,
        "elevation",
    ),
)
_AZIMUTH: tuple[_Rule, ...] = (
    (("date",), lambda a: a.reference != "magnetic", 'reference = "magnetic"'),
)
_SHEET: tuple[_Rule, ...] = (
    (
        ("background_layer", "background_attribution"),
        lambda s: s.background is None,
        "background",
    ),
)
_DRAINAGE: tuple[_Rule, ...] = (
    (("runoff",), lambda d: d.rainfall_mm_per_hour is None, "rainfall_mm_per_hour"),
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
    for path, table, rules in _tables(site, book):
        written: Any = raw
        for key in path:
            written = written.get(key, {})
        for keys, idle, needs in rules:
            asked = [key for key in keys if key in written and not _is_default(table, key)]
            if asked and idle(table):
                yield from (IdleKey((*path, key), needs) for key in asked)


def _is_default(table: Any, key: str) -> bool:
    (field,) = (one for one in msgspec.structs.fields(table) if one.encode_name == key)
    return bool(getattr(table, field.name) == field.default)


def _tables(
    site: SiteFile, book: FieldBook
) -> Iterator[tuple[tuple[str, ...], Any, tuple[_Rule, ...]]]:
    """Yield path, table and rules of all that is looked at."""
    seconds = ("walk_per_second", "walk_up_per_second")
    clock: _Rule = (seconds, lambda _: book.time is None, "a column time in the field book")
    yield ("survey", "device"), site.survey.device, (clock,)
    for name, mark in site.anchor.marks.items():
        yield ("anchor", "marks", name), mark, _ANCHOR_MARK
    if site.anchor.azimuth is not None:
        yield ("anchor", "azimuth"), site.anchor.azimuth, _AZIMUTH
    dry = site.drainage.rainfall_mm_per_hour is None
    rain: _Rule = (("runoff", "drains_to"), lambda _: dry, "[drainage] rainfall_mm_per_hour")
    for name, code in site.codes.items():
        # without rain nothing drains: what else a roof needs is told once there is some
        yield ("codes", name), code, (*_CODE, rain if dry else _ROOF)
    yield ("drainage",), site.drainage, _DRAINAGE
    unbuilt: _Rule = (("cut", "fill"), lambda _: not site.designs, "a design to be built")
    unpriced: _Rule = (
        ("currency", "rounding"),
        lambda p: not p.codes and p.cut is None and p.fill is None,
        "a rate in [prices.codes.NAME], [prices.cut] or [prices.fill]",
    )
    yield ("prices",), site.prices, (unpriced, unbuilt)
    own_limits: _Rule = (("limits_file",), lambda g: not g.lines, "a line in [grades.lines.NAME]")
    yield ("grades",), site.grades, (own_limits,)
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
