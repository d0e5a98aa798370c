"""The reference of the site file, made of the same structs that read it.

A table is a struct, a key a field of it: type, bounds, default and unit come from the field, its
meaning, example and first version from the docstring below the field.
"""

from __future__ import annotations

import ast
import inspect as source_of
import re
import sys
import textwrap
from dataclasses import dataclass
from functools import cache
from typing import Any, Literal

import msgspec
from msgspec import NODEFAULT, inspect

from geosite.fieldbook.sitefile import SiteFile

__all__ = ["FIRST_VERSION", "KeyEntry", "TableEntry", "json_schema", "tables"]

FIRST_VERSION = "0.1"
"""Since when a key is there whose docstring says nothing of it."""

_EXAMPLE = re.compile(r"\s*Example:\s+`([^`]*)`\.", re.DOTALL)
_SINCE = re.compile(r"\s*Since (\d+(?:\.\d+)+)\.")
_SUFFIXES = {"_percent": "percent", "_m": "m", "_deg": "degree", "_m2": "m2", "_m3": "m3"}
_TYPES = {
    "StrType": "text",
    "FloatType": "number",
    "IntType": "whole number",
    "BoolType": "true or false",
}


@dataclass(frozen=True, slots=True)
class KeyEntry:
    """One key of a table.

    Parameters
    ----------
    name, meaning
    type
        In words, ``"number"``, ``"list of text"``.
    unit
        Of a plain number; blank where it has none.
    takes_unit
        Whether it may be a text with a unit of its own, ``"4 in"``.
    required
    default
        ``None`` where there is none.
    allowed
        Words or bounds, blank where everything of the type is allowed.
    example
        As it is written after the equals sign.
    since
        Version.
    """

    name: str
    meaning: str
    type: str
    unit: str
    takes_unit: bool
    required: bool
    default: Any
    allowed: str
    example: str
    since: str


@dataclass(frozen=True, slots=True)
class TableEntry:
    """One table: its heading as written, what it is for, its keys in order.

    Parameters
    ----------
    path
        ``"anchor.marks.NAME"``; blank for the file itself.
    meaning
    keys
    required
        Whether a file without it is refused.
    repeated
        Whether it is written as ``[[...]]``, once for each of a list.
    """

    path: str
    meaning: str
    keys: tuple[KeyEntry, ...]
    required: bool
    repeated: bool = False

    @property
    def heading(self) -> str:
        """As it stands in the file."""
        return f"[[{self.path}]]" if self.repeated else f"[{self.path}]"


@cache
def _docstrings(struct: type) -> tuple[str, dict[str, str]]:
    """Return the docstring of a class and those below its fields, its bases' among them."""
    found: dict[str, str] = {}
    own = ""
    for base in reversed(struct.__mro__):
        if base.__module__ in ("builtins", "msgspec", "msgspec._core") or base is msgspec.Struct:
            continue
        tree = _module_tree(base.__module__)
        body = next(
            n for n in ast.walk(tree) if isinstance(n, ast.ClassDef) and n.name == base.__name__
        )
        own = ast.get_docstring(body) or own
        for field, below in zip(body.body, body.body[1:], strict=False):
            if (
                isinstance(field, ast.AnnAssign)
                and isinstance(field.target, ast.Name)
                and isinstance(below, ast.Expr)
                and isinstance(below.value, ast.Constant)
                and isinstance(below.value.value, str)
            ):
                found[field.target.id] = " ".join(below.value.value.split())
    return own, found


@cache
def _module_tree(module: str) -> ast.Module:
    return ast.parse(source_of.getsource(sys.modules[module]))


@cache
def tables() -> tuple[TableEntry, ...]:
    """Return every table of the site file, in the order of the structs.

    Examples
    --------
    >>> [table.path for table in tables()][:3]
    ['site', 'survey', 'survey.leg_noise']
    """
    root = inspect.type_info(SiteFile)
    assert isinstance(root, inspect.StructType)
    return tuple(table for table in _struct_tables(root, "", True) if table.path)


def _struct_tables(
    struct: inspect.StructType, path: str, required: bool, repeated: bool = False
) -> list[TableEntry]:
    """Return the table of a struct and those inside it.

    Parameters
    ----------
    struct
        From ``msgspec.inspect.type_info``.
    path
        How its table is called.
    required
        Whether the file must have it.
    repeated
        Whether it is one of a list.
    """
    own, docstrings = _docstrings(struct.cls)
    keys: list[KeyEntry] = []
    inner: list[TableEntry] = []
    for field in struct.fields:
        here = f"{path}.{field.encode_name}" if path else field.encode_name
        nested = _nested(field.type)
        if nested is None:
            keys.append(_key(field, docstrings.get(field.name, "")))
            continue
        table, many = nested
        below = f"{here}.NAME" if many == "by name" else here
        inner += _struct_tables(table, below, field.required, many == "list")
    meaning = re.sub(r"^``\[[^`]*``:\s*", "", own.split("\n\n")[0].replace("\n", " "))
    entry = TableEntry(path, meaning[:1].upper() + meaning[1:], tuple(keys), required, repeated)
    return [entry, *inner]


def _nested(
    kind: inspect.Type,
) -> tuple[inspect.StructType, Literal["one", "by name", "list"]] | None:
    """Return the struct of a table, and whether there may be many of it."""
    for one in kind.types if isinstance(kind, inspect.UnionType) else (kind,):
        if isinstance(one, inspect.StructType):
            return one, "one"
        if isinstance(one, inspect.DictType) and isinstance(one.value_type, inspect.StructType):
            return one.value_type, "by name"
        if isinstance(one, inspect.VarTupleType | inspect.ListType) and isinstance(
            one.item_type, inspect.StructType
        ):
            return one.item_type, "list"
    return None


def _key(field: inspect.Field, docstring: str) -> KeyEntry:
    kind, extra = _plain(field.type)
    example = _EXAMPLE.search(docstring)
    since = _SINCE.search(docstring)
    meaning = _SINCE.sub("", _EXAMPLE.sub("", docstring)).strip()
    default = None if field.default is NODEFAULT else field.default
    if field.default_factory is not NODEFAULT:
        default = field.default_factory()
    unit = extra.get("unit", "")
    if not unit and isinstance(kind, inspect.FloatType | inspect.IntType):
        unit = next((u for end, u in _SUFFIXES.items() if field.encode_name.endswith(end)), "")
    shown = example[1] if example else toml_value(default) or _some_value(kind, meaning)
    return KeyEntry(
        name=field.encode_name,
        meaning=meaning,
        type=_type_words(kind),
        unit=unit,
        takes_unit=unit in ("m", "map unit", "elevation unit") and "unit" in extra,
        required=field.required,
        default=default,
        allowed=_allowed(kind, extra),
        example=" ".join(shown.split()),
        since=since[1] if since else FIRST_VERSION,
    )


def _plain(kind: inspect.Type) -> tuple[inspect.Type, dict[str, Any]]:
    """Return a type without ``None`` and annotations, and what the annotations say."""
    if isinstance(kind, inspect.UnionType):
        kind = next(t for t in kind.types if not isinstance(t, inspect.NoneType))
    if isinstance(kind, inspect.Metadata):
        return kind.type, dict(kind.extra or {})
    return kind, {}


def _some_value(kind: inspect.Type, meaning: str) -> str:
    """Return a value of the type, for a key without default whose docstring shows none."""
    if isinstance(kind, inspect.LiteralType):
        return toml_value(kind.values[0])
    if isinstance(kind, inspect.StrType):
        return "2026-04-12" if "ISO 8601" in meaning else '"..."'
    if isinstance(kind, inspect.BoolType):
        return "true"
    if isinstance(kind, inspect.FloatType | inspect.IntType):
        return "1"
    return "[]"


def _type_words(kind: inspect.Type) -> str:
    kind, _ = _plain(kind)
    if isinstance(kind, inspect.LiteralType):
        return "one of these words"
    if isinstance(kind, inspect.VarTupleType | inspect.ListType):
        return f"list of {_type_words(kind.item_type)}"
    if isinstance(kind, inspect.TupleType):
        return f"{len(kind.item_types)} of {_type_words(kind.item_types[0])}"
    if isinstance(kind, inspect.DictType):
        return f"table of {_type_words(kind.value_type)}"
    return _TYPES.get(type(kind).__name__, type(kind).__name__)


def _allowed(kind: inspect.Type, extra: dict[str, Any]) -> str:
    if isinstance(kind, inspect.LiteralType):
        return ", ".join(toml_value(v) for v in kind.values)
    if isinstance(kind, inspect.VarTupleType) and not extra:
        return _allowed(*_plain(kind.item_type))
    words = [
        f"{text} {bound:g}"
        for text, bound in (
            ("greater than", getattr(kind, "gt", None)),
            ("at least", getattr(kind, "ge", None)),
            ("less than", getattr(kind, "lt", None)),
            ("at most", getattr(kind, "le", None)),
        )
        if bound is not None
    ]
    if "usual" in extra:
        words.append("usually {:g} to {:g}".format(*extra["usual"]))
    return ", ".join(words)


def toml_value(value: Any) -> str:
    """Return a value as TOML.

    Examples
    --------
    >>> toml_value(True), toml_value("m"), toml_value(("a", 1.5))
    ('true', '"m"', '["a", 1.5]')
    """
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        escaped = value.replace("\\", "\\\\").replace('"', '\\"')
        return f'"{escaped}"'
    if isinstance(value, list | tuple):
        return f"[{', '.join(map(toml_value, value))}]"
    if isinstance(value, dict):
        return (
            "{ " + ", ".join(f"{k} = {toml_value(v)}" for k, v in value.items()) + " }"
            if value
            else "{}"
        )
    return "" if value is None else str(value)


def json_schema() -> dict[str, Any]:
    """Return the JSON Schema of a site file for editors: with meanings, and texts with units.

    Returns
    -------
    dict
        JSON Schema 2020-12.

    Examples
    --------
    >>> schema = json_schema()
    >>> schema["$defs"]["Baseline"]["required"]
    ['from', 'to']
    """
    schema = msgspec.json.schema(SiteFile)
    schema["$schema"] = "https://json-schema.org/draft/2020-12/schema"
    schema["title"] = "geosite site file"
    for name, definition in schema["$defs"].items():
        struct = getattr(sys.modules[SiteFile.__module__], name, None)
        if struct is None:
            continue
        info = inspect.type_info(struct)
        assert isinstance(info, inspect.StructType)
        _, docstrings = _docstrings(struct)
        by_name = {field.encode_name: field for field in info.fields}
        for key, rule in definition.get("properties", {}).items():
            field = by_name[key]
            meaning = docstrings.get(field.name, "")
            if meaning:
                rule["description"] = textwrap.shorten(meaning, 1000)
            if _nested(field.type) is None and _key(field, meaning).takes_unit:
                number = {k: rule.pop(k) for k in list(rule) if k not in ("description", "default")}
                kinds = number.get("anyOf", [number])
                rule["anyOf"] = [
                    *(k for k in kinds if k != {"type": "null"}),
                    {"type": "string", "pattern": r"^[+-]?[0-9.]+\s*(mm|cm|m|km|in|ft|ftUS|yd)$"},
                ]
    return schema
