"""The reference: every key is explained, and every example in it can be written as it is."""

import doctest
import tomllib
from functools import cache
from pathlib import Path

import msgspec
import pytest
from jsonschema import Draft202012Validator

from geosite.base.errors import InputError
from geosite.fieldbook import reference
from geosite.fieldbook.read import read_survey
from geosite.fieldbook.reference import KeyEntry, TableEntry, json_schema, tables
from geosite.fieldbook.sitefile import SiteFile
from geosite.fieldbook.starter import starter_files

schema = cache(json_schema)
KEYS = [(table, key) for table in tables() for key in table.keys]


@pytest.mark.parametrize(("table", "key"), KEYS, ids=lambda v: getattr(v, "path", None) or v.name)
def test_every_key_has_meaning_example_and_type(table: TableEntry, key: KeyEntry) -> None:
    assert len(key.meaning) > 5, f"{table.heading} {key.name} has no docstring below it"
    assert key.example, f"{table.heading} {key.name}: end its docstring in Example: `...`."
    assert key.since
    assert key.type not in ("", "AnyType")
    if key.type == "number" and not key.unit:
        assert any(word in key.meaning for word in (" per ", "covers", "ratio", "share", "Share"))


def test_every_key_of_the_schema_is_in_the_reference() -> None:
    schema = msgspec.json.schema(SiteFile)
    in_schema = {
        (name, key)
        for name, definition in schema["$defs"].items()
        for key, rule in definition.get("properties", {}).items()
        if "$ref" not in str(rule) and name != "SiteFile"
    }
    assert len(in_schema) == len(KEYS)


@pytest.mark.parametrize(("table", "key"), KEYS, ids=lambda v: getattr(v, "path", None) or v.name)
def test_every_example_is_taken_by_the_schema_for_editors(table: TableEntry, key: KeyEntry) -> None:
    """The rule of the key alone: which keys go together is the builder's matter."""
    rule = schema()
    for part in table.path.split("."):
        rule = inner(rule)
        rule = rule["additionalProperties"] if part == "NAME" else rule["properties"][part]
    rule = inner(rule)["properties"][key.name]
    value = tomllib.loads(f"value = {key.example}")["value"]
    value = value if isinstance(value, int | float | str | list | dict) else value.isoformat()
    Draft202012Validator({**rule, "$defs": schema()["$defs"]}).validate(value)


def inner(rule: dict) -> dict:
    """Follow a reference to its struct, past "or nothing"."""
    rule = next((r for r in rule.get("anyOf", ()) if "$ref" in r), rule)
    rule = rule["items"] if "$ref" in rule.get("items", {}) else rule
    while "$ref" in rule:
        rule = schema()["$defs"][rule["$ref"].rsplit("/", 1)[1]]
    return rule


def test_schema_for_editors_takes_units_and_explains() -> None:
    depth = schema()["$defs"]["Code"]["properties"]["depth"]
    assert "volume" in depth["description"]
    Draft202012Validator(depth).validate("4 in")
    assert not Draft202012Validator(depth).is_valid("4 stone")


def test_examples_in_the_docstrings() -> None:
    assert doctest.testmod(reference).failed == 0


# keys that stand for another file, or instead of another key: their own tests build with them
ASIDE = {
    "survey": {"file", "layer", "columns", "unit"},
    "anchor": {"crs", "vertical_crs"},
    "anchor.marks.NAME": {"latitude", "longitude", "ellipsoidal_height", "easting", "northing"},
    "earthworks.NAME": {"surface"},
    "grades": {"limits_file"},
    "submission": {"profile"},
}
FILES = ("parcels", "designs")
"""Tables that name a file of their own."""


def with_key(text: str, table: TableEntry, key: KeyEntry) -> str | None:
    """Return a starter with one key as the reference shows it; ``None`` for keys set aside."""
    stem = table.path.split(".")[0]
    if key.name in ASIDE.get(table.path, ()) or stem in FILES:
        return None
    tree = tomllib.loads(text)
    part, names = tree, []
    for word in table.path.split("."):
        name = next(iter(part), "any_name") if word == "NAME" else word
        names.append(name)
        inner_part = part.get(name, {})
        part = inner_part[0] if isinstance(inner_part, list) else inner_part
    if key.name in part:
        return None  # it is in use there already
    line = f"{key.name} = {key.example}\n"
    heading = f"[{'.'.join(names)}]" if not table.repeated else f"[[{'.'.join(names)}]]"
    if f"\n{heading}" in text:
        at = text.index("\n", text.index(f"\n{heading}") + 1) + 1
        return text[:at] + line + text[at:]
    needed = [
        f"{other.name} = {other.example}\n"
        for other in table.keys
        if other.required and other.name != key.name
    ]
    return text + f"\n{heading}\n" + line + "".join(needed)


@pytest.mark.slow
def test_every_example_is_read_in_a_site_file(tmp_path: Path) -> None:
    files = starter_files("paved-yard")
    (tmp_path / "field_book.csv").write_bytes(files["field_book.csv"])
    text = files["site.toml"].decode().split("# ---- every other table")[0]
    tried = 0
    for table, key in KEYS:
        written = with_key(text, table, key)
        if written is None:
            continue
        (tmp_path / "site.toml").write_text(written)
        refused = {}
        try:
            read_survey(tmp_path / "site.toml")
        except InputError as error:
            # names of things that only this example has are its own
            refused = {p.code: str(p) for p in error.problems}
        assert set(refused) <= {"name-unknown", "file-missing"}, (table.heading, key.name, refused)
        tried += 1
    assert tried > 0.6 * len(KEYS)
