"""What in a tree of TOML tables breaks its schema, said in the words of who writes it by hand."""

from __future__ import annotations

import math
import re
from collections.abc import Collection, Mapping
from typing import Any

from geosite.base.errors import InputError
from geosite.base.problems import Problems, did_you_mean, shown
from geosite.reading.toml_lines import Path, TomlText

__all__ = ["GAP", "dotted", "explain", "name_impossible", "number_fault", "refusal"]

LARGEST = 1e12
SMALLEST = 1e-12
"""What a number of the site file, and of files that it names, may be."""
GAP = "GAP"
"""How a text starts that stands for something an import could not know."""

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
_TYPES = {
    "string": "text in quotes",
    "number": "a number",
    "integer": "a whole number",
    "boolean": "true or false",
    "array": "a list",
    "object": "a table",
}


def dotted(path: Path) -> str:
    """Return a path as it would be written in the file."""
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f"[{part}]"
        else:
            plain = re.fullmatch(r"[A-Za-z0-9_-]+", part)
            text += ("." if text else "") + (part if plain else shown(part, 80))
    return text


def number_fault(value: float) -> tuple[str, str, str, str] | None:
    """Return what is wrong with a number that TOML has and no quantity is, ``None`` for another.

    Returns
    -------
    code, what, expected, remedy : str
        As of `Problem`; what is wrong goes on from the name of the key.

    Examples
    --------
    >>> number_fault(1e30)
    ('number-too-large', 'is 1e+30', 'at most 1e+12', 'correct the number')
    >>> number_fault(0.02) is None
    True
    """
    if isinstance(value, float) and not math.isfinite(value):
        remedy = "give the number, or leave the key out"
        return "not-finite", f"is {value}", "a finite number", remedy
    if abs(value) > LARGEST:
        is_whole = isinstance(value, int)
        what = "is a huge whole number" if is_whole else f"is {value:.3g}"
        return "number-too-large", what, f"at most {LARGEST:.0e}", "correct the number"
    if 0 < abs(value) < SMALLEST:
        least = f"0 or at least {SMALLEST:.0e}"
        return "number-too-small", f"is {value:.3g}", least, "write 0, or correct the number"
    return None


def name_impossible(tree: Any, place: TomlText, problems: Problems, path: Path = ()) -> None:
    r"""Report numbers that TOML has and no quantity is: nan, inf, and those beyond all bounds.

    Examples
    --------
    >>> place, problems = TomlText("a.toml", "[device]\nwalk = inf"), Problems()
    >>> name_impossible({"device": {"walk": math.inf}}, place, problems)
    >>> print(problems.first()[0])
    a.toml:2: device.walk is inf; expected a finite number; give the number, or leave the key out
    """
    if isinstance(tree, dict | list):
        for key, inner in tree.items() if isinstance(tree, dict) else enumerate(tree):
            name_impossible(inner, place, problems, (*path, key))
    elif isinstance(tree, int | float) and (fault := number_fault(tree)) is not None:
        code, what, expected, remedy = fault
        said = f"{dotted(path)} {what}"
        problems.add(code, said, expected, remedy, place.file, place.line(*path))


def refusal(
    tree: Any, schema: Mapping[str, Any], place: TomlText, error: Exception, whole: str
) -> InputError:
    """Return what is said of tables that do not fit their struct: never nothing.

    Parameters
    ----------
    tree, schema, place, whole
        As of `explain`.
    error
        What the library says of it, for what the schema is blind to.
    """
    problems = Problems()
    explain(tree, schema, place, problems, whole=whole)
    if not problems:
        problems.add(
            "value-refused",
            str(error),
            f"what is described of {whole}",
            "correct the value",
            place.file,
        )
    return InputError(problems.first())


def explain(
    tree: Any,
    schema: Mapping[str, Any],
    place: TomlText,
    problems: Problems,
    *,
    whole: str = "the site file",
    needed: Collection[Path] = (),
) -> None:
    r"""Report everything in which a tree of TOML tables breaks a schema, in our own words.

    Parameters
    ----------
    tree
        The tables.
    schema
        JSON Schema, as msgspec makes it of structs.
    place
        Where the tables are written.
    problems
        Receives what is wrong, with its line.
    whole
        How to call the file itself.
    needed
        Paths of the tables without which there is no survey.

    Examples
    --------
    >>> text = '[device]\nwalk = "far"'
    >>> number = {"type": "object", "properties": {"walk": {"type": "number"}}}
    >>> rule = {"type": "object", "properties": {"device": number}}
    >>> problems = Problems()
    >>> explain({"device": {"walk": "far"}}, rule, TomlText("a.toml", text), problems)
    >>> print(problems.first()[0])  # doctest: +ELLIPSIS
    a.toml:2: device.walk is "far"; expected a number; write a number without quotes, ...
    """
    from jsonschema import Draft202012Validator  # slow to import, needed on failure only

    name_impossible(tree, place, problems)

    unknown: list[tuple[Path, str, str | None]] = []
    missing: dict[Path, Any] = {}
    for error in _leaves(Draft202012Validator(dict(schema)).iter_errors(tree)):
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
                    kind = "table" if isinstance(error.instance[key], Mapping) else "key"
                    problems.add(
                        "key-unknown",
                        f"unknown {kind} {shown(key)} in {f'[{dotted(path)}]' if path else whole}",
                        "one of " + ", ".join(allowed),
                        did_you_mean(likely, "remove it"),
                        place.file,
                        place.line(*path, key),
                    )
        elif error.validator == "required":
            missing.setdefault(path, error)
        elif not (isinstance(error.instance, str) and error.instance.startswith(GAP)):
            problems.add(
                "value-refused",
                f"{dotted(path) or whole} is {shown(error.instance)}",
                _expected(error.schema),
                _remedy(error, problems),
                place.file,
                place.line(*path),
            )
    guessed = {(path, likely) for path, _, likely in unknown}
    for path, found in missing.items():
        for key in found.validator_value:
            # a misspelt key is one mistake, not two
            if key not in found.instance and (path, key) not in guessed:
                table = f"[{dotted(path)}]" if path else whole
                # a table of its own is a reference to its struct
                is_table = not path and "type" not in found.schema["properties"][key]
                problems.add(
                    "key-missing",
                    f"{table} has no {f'[{key}] table' if is_table else f'key {key}'}",
                    "it, because the survey cannot be read or placed without it"
                    if path[:1] in needed
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
    if rule.get("type") == "object":
        *above, key = error.absolute_path
        if above and key in rule.get("properties", ()):
            # its table has a name of its own: [tolerances.NAME]
            return f"write {key} = ... below [{dotted((*above, 'NAME'))}]"
        return f"write its keys below [{dotted((*above, key))}]"
    return "correct the value"
