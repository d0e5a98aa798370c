"""The JSON Schema of ``report.json``, made from the types of the report."""

from __future__ import annotations

import re
from dataclasses import fields, is_dataclass
from inspect import cleandoc, getdoc
from typing import Any

from geosite.base.columns import Field
from geosite.handover.layers.distances import distance_columns
from geosite.handover.report_model.site import SiteReport, SurveyReport

__all__ = ["report_schema", "schema_of"]

_DIALECT = "https://json-schema.org/draft/2020-12/schema"


def report_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of the report of ``build-site``.

    A number that is not known, or not finite, is null.

    Examples
    --------
    >>> schema = report_schema()
    >>> sorted(schema["$defs"]["Measured"]["properties"])
    ['grid', 'high', 'low', 'sigma', 'value']
    """
    found = schema_of(SiteReport)
    found["$defs"]["SiteReport"]["properties"]["distances"]["items"] = _record(
        distance_columns().fields
    )
    return found


def schema_of(report: type[SurveyReport]) -> dict[str, Any]:
    """Return the JSON Schema of a report's type, with the words of its docstrings.

    Parameters
    ----------
    report
        `SurveyReport` or one of its kinds.

    Examples
    --------
    >>> schema_of(SurveyReport)["$ref"]
    '#/$defs/SurveyReport'
    """
    import msgspec

    (_, parts) = msgspec.json.schema_components([report], ref_template="#/$defs/{name}")
    for part in parts.values():
        _nullable(part)
    for kind in _kinds(report):
        _describe(parts[kind.__name__], kind)
    return {
        "$schema": _DIALECT,
        "title": "report.json of geosite",
        "$ref": f"#/$defs/{report.__name__}",
        "$defs": parts,
    }


def _kinds(root: type) -> set[type]:
    """Return every dataclass that a dataclass is made of."""
    from typing import get_args, get_type_hints

    found: set[type] = set()
    waiting: list[Any] = [root]
    while waiting:
        one = waiting.pop()
        waiting += get_args(one)
        if isinstance(one, type) and is_dataclass(one) and one not in found:
            found.add(one)
            waiting += get_type_hints(one).values()
    return found


def _nullable(part: Any) -> None:
    """Allow null wherever a number stands."""
    if isinstance(part, dict):
        if part.get("type") == "number":
            part["type"] = ["number", "null"]
        for inner in part.values():
            _nullable(inner)
    elif isinstance(part, list):
        for inner in part:
            _nullable(inner)


def _describe(part: dict[str, Any], kind: type) -> None:
    """Write the docstring's first paragraph and what it says about each field."""
    text = getdoc(kind) or ""
    part["title"] = kind.__name__
    part["description"] = " ".join(text.split("\n\n")[0].split())
    about: dict[str, str] = {}
    for one in reversed(kind.__mro__):
        about |= _parameters(one.__dict__.get("__doc__") or "")
    # the file has no trailing underscore, and every key, whether there is a default or not
    part["properties"] = {name.rstrip("_"): one for name, one in part["properties"].items()}
    part["required"] = [field.name.rstrip("_") for field in fields(kind)]
    for field in fields(kind):
        words = about.get(field.name) or _of_interval(field.name)
        if words:
            part["properties"][field.name.rstrip("_")]["description"] = words
    part["additionalProperties"] = False


_PARTS = {
    "low": "Lower end of the 95 % interval of",
    "high": "Upper end of the 95 % interval of",
    "sigma": "Standard deviation of",
    "95": "Half the 95 % interval of",
}


def _of_interval(name: str) -> str:
    """Say what ``area_low_m2`` is: a part of the interval of ``area_m2``."""
    for word, meaning in _PARTS.items():
        stem, found, unit = name.rpartition(f"_{word}")
        if found and (not unit or unit.startswith("_")):
            return f"{meaning} {stem}{unit}."
    return ""


def _parameters(text: str) -> dict[str, str]:
    """Return what a numpydoc docstring says about each parameter."""
    _, _, section = cleandoc(text).partition("Parameters\n----------\n")
    section = re.split(r"\n\n\w[\w ]*\n-+\n", section)[0]
    found = {}
    for block in re.split(r"\n(?=\S)", section):
        head, _, body = block.partition("\n")
        for name in head.partition(" : ")[0].split(", "):
            found[name.strip()] = " ".join(body.split())
    return found


def _record(columns: tuple[Field, ...]) -> dict[str, Any]:
    kinds = {"text": "string", "integer": "integer", "real": "number"}
    return {
        "type": "object",
        "properties": {
            one.name: {"type": [kinds[one.type], "null"], "description": one.description}
            for one in columns
        },
        "required": [one.name for one in columns],
        "additionalProperties": False,
    }
