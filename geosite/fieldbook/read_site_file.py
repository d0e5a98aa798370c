"""The site file: TOML text to `SiteFile`, with the line of everything that is wrong."""

from __future__ import annotations

import datetime
import math
import re
import unicodedata
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import msgspec

from geosite.base.problems import Problems, did_you_mean, shown
from geosite.fieldbook.sitefile import SiteFile, Survey, schema
from geosite.fieldbook.written_lengths import with_lengths
from geosite.reading.files import clean_name, decode, name_fault, read_plain_file
from geosite.reading.toml_lines import Path as TomlPath
from geosite.reading.toml_lines import TomlText
from geosite.reading.toml_text import DEPTH_LIMIT, LINE_LIMIT, parse_toml

__all__ = ["GAP", "SiteText", "read_site"]

SIZE_LIMIT = 200_000
GAP = "GAP"
"""How a text starts that stands for something an import could not know."""
LARGEST = 1e12
SMALLEST = 1e-12


# where a text may have several lines: WKT is usually printed so
_PATHS = {"file", "limits_file", "surface", "profile"}
_MANY_LINES = {"description", "crs", "vertical_crs"}

# what others call it
_SAME_WORDS = {
    **dict.fromkeys(("polygon", "surface", "region", "face", "multipolygon"), "area"),
    **dict.fromkeys(("polyline", "linestring", "path", "edge", "multilinestring"), "line"),
    **dict.fromkeys(("spot", "node", "mark", "multipoint"), "point"),
    **dict.fromkeys(("metre", "metres", "meter", "meters", "metric"), "m"),
    **dict.fromkeys(("feet", "foot", "imperial", "international foot"), "ft"),
    **dict.fromkeys(("us-ft", "usft", "us survey foot", "us survey feet", "sft"), "ftUS"),
    **dict.fromkeys(("%", "per cent"), "percent"),
    **dict.fromkeys(("degrees", "deg"), "degree"),
}
# paths of the tables without which there is no survey
_NEEDED = ((), ("survey",), ("baseline",), ("anchor",))
_TYPES = {
    "string": "text in quotes",
    "number": "a number",
    "integer": "a whole number",
    "boolean": "true or false",
    "array": "a list",
    "object": "a table",
}


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
    data = read_plain_file(path, file, "site file", SIZE_LIMIT, problems)
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
            _explain(tree, parsed, problems)
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
            f"{_dotted(path)} is still a gap",
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
            code, f"{_dotted(path)} {what}", expected, remedy, place.file, place.line(*path)
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
                f"the key {_dotted(here)} {fault}",
                "a name of 1 to 200 visible characters",
                remedy,
                place.file,
                place.line(*here),
            )
        if name in cleaned:
            problems.add(
                "toml-duplicate",
                f"{_dotted(here)} is given twice",
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
    if isinstance(value, float) and not math.isfinite(value):
        wrong(
            "not-finite",
            f"is {value}",
            "a finite number",
            "give the number, or leave the key out",
        )
        return 1
    if abs(value) > LARGEST:
        wrong(
            "number-too-large",
            f"is {value:.3g}" if isinstance(value, float) else "is a huge whole number",
            f"at most {LARGEST:.0e}",
            "correct the number",
        )
        return 1
    if 0 < abs(value) < SMALLEST:
        wrong(
            "number-too-small",
            f"is {value:.3g}",
            f"0 or at least {SMALLEST:.0e}",
            "write 0, or correct the number",
        )
    return value


def _dotted(path: TomlPath) -> str:
    """Return a path as it would be written in the file."""
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f"[{part}]"
        else:
            plain = re.fullmatch(r"[A-Za-z0-9_-]+", part)
            text += ("." if text else "") + (part if plain else shown(part, 80))
    return text


def _explain(tree: Any, place: SiteText, problems: Problems) -> None:
    """Report everything in which the tree breaks the schema, in our own words."""
    from jsonschema import Draft202012Validator  # slow to import, needed on failure only

    unknown: list[tuple[TomlPath, str, str | None]] = []
    missing: dict[TomlPath, dict[str, Any]] = {}
    for error in _leaves(Draft202012Validator(schema()).iter_errors(tree)):
        if problems.full:
            return
        path = tuple(error.absolute_path)
        if error.validator == "additionalProperties":
            allowed = error.schema["properties"]
            for key in error.instance:
                if key not in allowed and not problems.full:
                    free = [name for name in allowed if name not in error.instance]
                    likely = problems.suggest(key, free) or problems.suggest(key, allowed)
                    unknown.append((path, key, likely))
                    _unknown_key(path, key, likely, list(allowed), place, problems)
        elif error.validator == "required":
            missing.setdefault(path, {"keys": error.validator_value, "table": error.instance})
        elif not (isinstance(error.instance, str) and error.instance.startswith(GAP)):
            problems.add(
                "value-refused",
                f"{_dotted(path) or 'the site file'} is {shown(error.instance)}",
                _expected(error.schema),
                _remedy(error, problems),
                place.file,
                place.line(*path),
            )
    guessed = {(path, likely) for path, _, likely in unknown}
    for path, found in missing.items():
        for key in found["keys"]:
            # a misspelt key is one mistake, not two
            if key not in found["table"] and (path, key) not in guessed:
                table = f"[{_dotted(path)}]" if path else "the site file"
                is_table = not path
                problems.add(
                    "key-missing",
                    f"{table} has no {f'[{key}] table' if is_table else f'key {key}'}",
                    "it, because the survey cannot be read or placed without it"
                    if path[:1] in _NEEDED
                    else "it, because nothing can be made of the table without it",
                    f"add {f'the table [{key}]' if is_table else f'{key} = ...'}",
                    place.file,
                    place.line(*path),
                )


def _leaves(errors: Any) -> Any:
    """Yield errors; of "this or nothing" only those about this, since TOML has no null."""
    for error in errors:
        if error.validator == "anyOf" and error.context:
            about = [
                e
                for e in error.context
                if error.schema["anyOf"][e.relative_schema_path[0]] != {"type": "null"}
            ]
            yield from _leaves(about)
        else:
            yield error


def _unknown_key(
    path: TomlPath,
    key: str,
    likely: str | None,
    allowed: list[str],
    place: SiteText,
    problems: Problems,
) -> None:
    where = f"[{_dotted(path)}]" if path else "the site file"
    problems.add(
        "key-unknown",
        f"unknown {'key' if path else 'table'} {shown(key)} in {where}",
        "one of " + ", ".join(allowed),
        did_you_mean(likely, "remove it"),
        place.file,
        place.line(*path, key),
    )


def _expected(rule: dict[str, Any]) -> str:
    if "enum" in rule:
        return "one of " + ", ".join(shown(v) for v in rule["enum"])
    text = _TYPES.get(rule.get("type", ""), "another value")
    bounds = []
    for key, words in (
        ("exclusiveMinimum", "greater than"),
        ("minimum", "at least"),
        ("exclusiveMaximum", "less than"),
        ("maximum", "at most"),
    ):
        if key in rule:
            bounds.append(f"{words} {rule[key]:g}")
    if "minLength" in rule:
        most = rule.get("maxLength")
        bounds.append(
            f"of {rule['minLength']} to {most} characters" if most else "that is not empty"
        )
    if "minItems" in rule and rule.get("maxItems") == rule["minItems"]:
        bounds.append(f"of {rule['minItems']}")
    return " ".join([text, " and ".join(bounds)]).strip()


def _remedy(error: Any, problems: Problems) -> str:
    value, rule = error.instance, error.schema
    if "enum" in rule and isinstance(value, str):
        meant = _SAME_WORDS.get(value.casefold())
        if meant in rule["enum"]:
            return did_you_mean(meant, "")
        likely = problems.suggest(value, [v for v in rule["enum"] if isinstance(v, str)], 0.5)
        return did_you_mean(likely, "choose one of these")
    if isinstance(value, str) and rule.get("type") in ("number", "integer"):
        return "write a number without quotes" + (
            ", with a decimal point" if rule["type"] == "number" else ""
        )
    if isinstance(value, str) and rule.get("type") == "boolean":
        return "write it without quotes"
    if rule.get("type") == "string" and not isinstance(value, str):
        return "put it in quotes"
    if rule.get("type") == "array":
        return "correct the list" if isinstance(value, list) else "put it in square brackets"
    return "correct the value"
