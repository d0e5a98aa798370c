"""The reference: every key is explained, and every example in it can be written as it is."""

import doctest
import tomllib

import msgspec
import pytest
from jsonschema import Draft202012Validator

from geosite.fieldbook import reference
from geosite.fieldbook.reference import KeyEntry, TableEntry, json_schema, tables
from geosite.fieldbook.sitefile import SiteFile

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
    rule = json_schema()
    for part in table.path.split("."):
        rule = inner(rule)
        rule = rule["additionalProperties"] if part == "NAME" else rule["properties"][part]
    rule = inner(rule)["properties"][key.name]
    value = tomllib.loads(f"value = {key.example}")["value"]
    value = value if isinstance(value, int | float | str | list | dict) else value.isoformat()
    Draft202012Validator({**rule, "$defs": json_schema()["$defs"]}).validate(value)


def inner(rule: dict) -> dict:
    """Follow a reference to its struct, past "or nothing"."""
    rule = next((r for r in rule.get("anyOf", ()) if "$ref" in r), rule)
    rule = rule["items"] if "$ref" in rule.get("items", {}) else rule
    while "$ref" in rule:
        rule = json_schema()["$defs"][rule["$ref"].rsplit("/", 1)[1]]
    return rule


def test_schema_for_editors_takes_units_and_explains() -> None:
    depth = json_schema()["$defs"]["Code"]["properties"]["depth"]
    assert "volume" in depth["description"]
    Draft202012Validator(depth).validate("4 in")
    assert not Draft202012Validator(depth).is_valid("4 stone")


def test_examples_in_the_docstrings() -> None:
    assert doctest.testmod(reference).failed == 0
