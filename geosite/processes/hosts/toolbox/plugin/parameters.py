"""From a process description to what a form must ask for; knows nothing of the desktop."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

__all__ = ["Parameter", "at_parameters", "parameters", "to_input"]


@dataclass(frozen=True)
class Parameter:
    """One input as a form shows it.

    Parameters
    ----------
    id, title, help
    kind
        ``file``, ``layer`` (vector), ``raster``, ``crs``, ``extent``, ``choice``, ``number``,
        ``integer``, ``boolean``, ``text`` or ``json``.
    optional
        Whether it may be left empty.
    default
        None for none.
    choices
        Of a choice.
    least, most
        Of a number, None for no bound.
    filter
        Kinds of files, as file windows take them.
    """

    id: str
    title: str
    help: str
    kind: str
    optional: bool
    default: Any = None
    choices: tuple[str, ...] = ()
    least: float | None = None
    most: float | None = None
    filter: str = ""


_FILTERS = {
    "application/toml": "Site files (*.toml)",
    "text/csv": "Tables (*.csv)",
}


def parameters(description: Mapping[str, Any]) -> list[Parameter]:
    """Return the inputs of a process, those that are needed first.

    Examples
    --------
    >>> (one,) = parameters({"inputs": {"cell_size": {
    ...     "title": "Cell size", "minOccurs": 0, "schema": {"type": "number", "minimum": 0}}}})
    >>> one.kind, one.optional, one.least
    ('number', True, 0)
    """
    inputs = description["inputs"]
    found = [_parameter(name, given) for name, given in inputs.items()]
    example = list(description.get("example", {}).get("inputs", {}))

    def place(one: Parameter) -> tuple[bool, int]:
        return one.optional, example.index(one.id) if one.id in example else len(example)

    return sorted(found, key=place)


def _parameter(name: str, given: Mapping[str, Any]) -> Parameter:
    schema: Mapping[str, Any] = given.get("schema", {})
    optional = given.get("minOccurs", 1) == 0
    kind = _kind(name, schema)
    return Parameter(
        id=name,
        title=given.get("title") or name,
        help=given.get("description", "")
        + ("; paths with commas between them" if _of_files(schema) else ""),
        kind=kind,
        optional=optional,
        default=schema.get("default"),
        choices=tuple(str(choice) for choice in schema.get("enum", ())),
        least=schema.get("minimum"),
        most=schema.get("maximum"),
        filter=_FILTERS.get(str(schema.get("contentMediaType", "")), ""),
    )


def _kind(name: str, schema: Mapping[str, Any]) -> str:
    kind = schema.get("type")
    if schema.get("format") == "path":
        media = str(schema.get("contentMediaType", ""))
        if media.startswith("image/tiff"):
            return "raster"
        # a site file or a table is a file; what is not said may be a layer of the project
        return "file" if media else "layer"
    if "enum" in schema:
        return "choice"
    if name == "crs" or name.endswith("_crs"):
        return "crs"
    if name == "extent" and kind == "array" and schema.get("minItems") == 4:
        return "extent"
    if kind in ("number", "integer", "boolean"):
        return str(kind)
    if _of_files(schema):
        return "text"  # with commas between them
    return "text" if kind == "string" else "json"


def _of_files(schema: Mapping[str, Any]) -> bool:
    return schema.get("type") == "array" and schema.get("items", {}).get("format") == "path"


def to_input(value: str, schema: Mapping[str, Any]) -> Any:
    """Return what was typed into a plain text field as a value of the schema, else as it is.

    Examples
    --------
    >>> to_input("1, 2.5", {"type": "array", "items": {"type": "number"}})
    [1.0, 2.5]
    """
    if schema.get("type") == "string":
        return value
    if schema.get("type") == "array":
        inner = schema.get("items", {}).get("type")
        parts: Sequence[str] = [part.strip() for part in value.split(",") if part.strip()]
        try:
            return [float(p) if inner in ("number", "integer") else p for p in parts]
        except ValueError:
            return list(parts)
    try:
        return json.loads(value)
    except ValueError:
        return value


_VERBS = '(is|has|must|does|cannot|")'
"""What follows the subject of a refusal, or the name of a file behind it."""


def at_parameters(lines: Sequence[str], known: Sequence[Parameter]) -> list[str]:
    """Return what the command said with the title of the field that each line is about in front.

    Examples
    --------
    >>> field = Parameter("cell_size", "Cell size", "", "number", True)
    >>> at_parameters(["geosite: cell_size is -1; expected more than 0"], [field])
    ['Cell size: cell_size is -1; expected more than 0']
    >>> field = Parameter("points", "Points", "", "file", True)
    >>> at_parameters(["a.csv: the file given as points does not exist"], [field])
    ['Points: a.csv: the file given as points does not exist']
    """
    told = []
    for line in lines:
        text = line.removeprefix("geosite: ")
        about = next(
            (
                p
                for p in known
                if re.search(rf"(^|[:,] )(the )?(file given as )?{re.escape(p.id)} {_VERBS}", text)
            ),
            None,
        )
        told.append(text if about is None else f"{about.title}: {text}")
    return told
