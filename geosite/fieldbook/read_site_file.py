"""The site file: TOML text to `SiteFile`, with the line of everything that is wrong."""

from __future__ import annotations

import datetime
import unicodedata
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import msgspec

from geosite.base.problems import Problems
from geosite.fieldbook.against_schema import GAP, dotted, explain, number_fault
from geosite.fieldbook.sitefile import SiteFile, Survey, schema
from geosite.fieldbook.written_lengths import with_lengths
from geosite.reading.files import clean_name, decode, name_fault, read_plain_file
from geosite.reading.toml_lines import Path as TomlPath
from geosite.reading.toml_lines import TomlText
from geosite.reading.toml_text import DEPTH_LIMIT, LINE_LIMIT, parse_toml

__all__ = ["GAP", "SiteText", "read_site"]

SIZE_LIMIT = 200_000
# where a text may have several lines: WKT is usually printed so
_PATHS = {"file", "limits_file", "surface", "profile"}
_TABLES = {".csv", ".tsv", ".xlsx", ".ods", ".gpkg", ".shp", ".geojson"}
_MANY_LINES = {"description", "crs", "vertical_crs"}
# paths of the tables without which there is no survey
_NEEDED = ((), ("survey",), ("baseline",), ("anchor",))


@dataclass(frozen=True)
class SiteText(TomlText):
    """A site file that TOML accepted, with what could be understood of it.

    Parameters
    ----------
    site
        Its tables; ``None`` when something in them is wrong.
    survey
        ``[survey]``, if what it says of the field book is right: that can then be read, and its
        problems told together with those of the site file.
    systems : (crs, vertical_crs) or None
        Of ``[anchor]``, as far as both are texts: they can be read whatever else is wrong.
    raw
        The tables as they are written.
    """

    site: SiteFile | None
    survey: Survey | None
    systems: tuple[str, str | None] | None
    raw: Mapping[str, Any] = field(default_factory=dict)


def read_site(path: Path, problems: Problems) -> SiteText | None:
    """Read a site file; what is wrong goes into `problems`.

    Examples
    --------
    >>> problems = Problems()
    >>> found = read_site(Path("sample_data/jetty_feet/site.toml"), problems)
    >>> found.site.survey.unit, found.systems, len(problems)
    ('ft', ('EPSG:2264', 'EPSG:6360'), 0)
    """
    file = str(path)
    if path.suffix.lower() in _TABLES and path.is_file():
        problems.add(
            "site-file-is-table",
            "is a table, no site file",
            "the site file, which names the field book: TOML, such as site.toml",
            "give that, or make one with geosite import",
            file,
        )
        return None
    data = read_plain_file(path, file, "the site file", SIZE_LIMIT, problems)
    if data is None or not decode(data, file, "site file", problems):
        return None
    text = data.decode("utf-8-sig")
    raw = parse_toml(text, file, problems)
    if raw is None:
        return None
    parsed = SiteText(file, text, None, None, None)
    before = len(problems)
    tree = _clean(raw, (), parsed, problems)
    _name_gaps(tree, (), parsed, problems)
    with_lengths(tree, parsed, problems)
    _unit_of_the_walk(tree)
    site = None
    try:
        site = msgspec.convert(tree, SiteFile)
    except msgspec.ValidationError as error:
        if "toml-nesting" not in problems.codes:
            explain(tree, schema(), parsed, problems, needed=_NEEDED)
        if len(problems) == before:  # the schema is blind to it, so msgspec has the word
            problems.add(
                "value-refused",
                str(error),
                "what the description of the site file says",
                "correct the value",
                file,
            )
    if site is None or len(problems) > before:
        return SiteText(file, text, None, _survey_alone(tree), _systems_alone(tree))
    systems = site.anchor.crs, site.anchor.vertical_crs
    return SiteText(file, text, site, site.survey, systems, raw)


def _unit_of_the_walk(tree: Any) -> None:
    """Say and print in the unit of the walk, unless the site file says otherwise."""
    survey, handover = tree.get("survey"), tree.get("handover", {})
    if isinstance(survey, dict) and isinstance(handover, dict) and "unit" not in handover:
        in_feet = survey.get("unit") in ("ft", "ftUS")
        tree["handover"] = {**handover, "unit": "ft" if in_feet else "m"}


def _name_gaps(value: Any, path: TomlPath, place: TomlText, problems: Problems) -> None:
    """Report what an import could not know and nobody has filled in yet."""
    if isinstance(value, dict):
        for key, inner in value.items():
            _name_gaps(inner, (*path, key), place, problems)
    elif isinstance(value, str) and value.startswith(GAP):
        problems.add(
            "gap",
            f"{dotted(path)} is still a gap",
            value.removeprefix(GAP).strip(" :") or "a value",
            "put the value in the place of the text",
            place.file,
            place.line(*path),
        )


def _survey_alone(tree: Any) -> Survey | None:
    """Read ``[survey]``, if need be without what tells nothing of how the field book is written."""
    table = tree.get("survey")
    if not isinstance(table, dict):
        return None
    for aside in ((), ("closure_limit", "leg_noise"), ("closure_limit", "leg_noise", "unit")):
        try:
            return msgspec.convert({k: v for k, v in table.items() if k not in aside}, Survey)
        except msgspec.ValidationError:
            continue
    return None


def _systems_alone(tree: Any) -> tuple[str, str | None] | None:
    anchor = tree.get("anchor")
    if not isinstance(anchor, dict) or not isinstance(anchor.get("crs"), str):
        return None
    if anchor["crs"].startswith(GAP):
        return None
    vertical = anchor.get("vertical_crs")
    return anchor["crs"], vertical if isinstance(vertical, str) else None


def _clean(value: Any, path: TomlPath, place: SiteText, problems: Problems) -> Any:
    """Return the tree, dates as ISO text, names in one spelling; report impossible values."""

    def wrong(code: str, what: str, expected: str, remedy: str) -> None:
        problems.add(
            code, f"{dotted(path)} {what}", expected, remedy, place.file, place.line(*path)
        )

    if len(path) > DEPTH_LIMIT:
        wrong(
            "toml-nesting",
            "is nested too deeply",
            f"at most {DEPTH_LIMIT} levels",
            "remove the extra brackets or dots",
        )
        return None
    if isinstance(value, dict):
        return _clean_table(value, path, place, problems)
    if isinstance(value, list):
        return [_clean(item, (*path, i), place, problems) for i, item in enumerate(value)]
    if isinstance(value, str):
        return _clean_text(value, path[-1] if path else "", wrong)
    if isinstance(value, int | float) and not isinstance(value, bool):
        return _clean_number(value, wrong)
    if isinstance(value, datetime.datetime | datetime.date | datetime.time):
        return value.isoformat()
    return value


Wrong = Callable[[str, str, str, str], None]
"""Reports what is wrong with one value: code, what, what was expected, what to do."""


def _clean_table(
    table: Mapping[str, Any], path: TomlPath, place: SiteText, problems: Problems
) -> dict[str, Any]:
    cleaned: dict[str, Any] = {}
    for key, item in table.items():
        name = clean_name(key)
        here = (*path, key)
        if not name or name_fault(name):
            fault, remedy = name_fault(name) or ("is blank", "name it")
            problems.add(
                "name-unusable",
                f"the key {dotted(here)} {fault}",
                "a name of 1 to 200 visible characters",
                remedy,
                place.file,
                place.line(*here),
            )
        if name in cleaned:
            problems.add(
                "toml-duplicate",
                f"{dotted(here)} is given twice",
                "each name once (blanks at its ends do not make another)",
                "remove one or merge the two",
                place.file,
                place.line(*here),
            )
        cleaned[name] = _clean(item, here, place, problems)
    return cleaned


def _clean_text(value: str, key: str | int, wrong: Wrong) -> str:
    text = clean_name(value)
    many_lines = key in _MANY_LINES
    # joiners belong to the writing of several languages
    allowed = "\n\t\r\u200c\u200d" if many_lines else "\u200c\u200d"
    bad = next((c for c in text if not c.isprintable() and c not in allowed), None)
    if len(text) > LINE_LIMIT:
        wrong("text-too-long", f"has {len(text)} characters", f"at most {LINE_LIMIT}", "shorten it")
    elif bad is not None:
        kind = "a line break" if bad in "\n\r" else f"the invisible character U+{ord(bad):04X}"
        if unicodedata.category(bad) == "Cc" and bad not in "\n\r":
            kind = f"the control character U+{ord(bad):04X}"
        remedy = "type it again without it"
        if key in _PATHS:
            remedy = "a backslash between double quotes made it: write / instead"
        wrong("text-unusable", f"contains {kind}", "visible text", remedy)
    return text


def _clean_number(value: float, wrong: Wrong) -> float:
    """Return the number, or any number for an impossible one, so that it is told once."""
    fault = number_fault(value)
    if fault is None:
        return value
    wrong(*fault)
    return 1
