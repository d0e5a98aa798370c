"""Checking a request against the description: all faults at once, each on one line.

Three ways in, one check: words from a command line (`from_words`), an OGC execute request
(`from_request`), and Python values (`checked` itself, which the other two end in).
"""

from __future__ import annotations

import copy
import json
import math
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from geosite.base.errors import InputError
from geosite.base.problems import Problems, did_you_mean, nearest, shown
from geosite.processes.model import Input, Process
from geosite.reading.files import check_plain_file, read_plain_file

__all__ = ["checked", "from_request", "from_words", "read_request"]

_SCHEME = re.compile(r"[A-Za-z][A-Za-z0-9+.-]+:", re.ASCII)
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)
_DEEPEST = 40
_LARGEST_REQUEST = 10_000_000  # bytes
_LARGEST_FILE = 20_000_000_000  # bytes; what a raster of the largest size can take

_TYPES: dict[str, tuple[Any, str]] = {
    "string": (str, "text"),
    "number": ((int, float), "a number"),
    "integer": (int, "a whole number"),
    "boolean": (bool, "true or false"),
    "array": (list, "a list"),
    "object": (dict, "an object"),
}


def checked(process: Process, inputs: Mapping[str, Any]) -> dict[str, Any]:
    """Check inputs against the description and fill in the defaults.

    Parameters
    ----------
    process
        The process they are for.
    inputs
        Values by input id. A file is a path, a ``file:`` address, or a reference
        ``{"href": path}`` as an earlier process answered it.

    Returns
    -------
    dict
        Values by input id; paths as text, as they were given.

    Raises
    ------
    InputError
        With every fault: unknown input, missing input, value against its schema, NaN or infinity,
        a file that is missing or not a plain local file.
    """
    problems = Problems()
    known = {given.id: given for given in process.inputs}
    for name in inputs:
        if name not in known:
            close = nearest(str(name), known)
            problems.add(
                "input-unknown",
                f"{process.id} has no input {shown(str(name))}",
                f"one of {', '.join(known) or 'no inputs at all'}",
                did_you_mean(close, "leave it out"),
            )
    found: dict[str, Any] = {}
    for given in process.inputs:
        if given.id not in inputs or inputs[given.id] is None:
            if given.required:
                problems.add(
                    "input-missing",
                    f'the input "{given.id}" of {process.id} is missing',
                    given.title[:1].lower() + given.title[1:],
                    f"give it as --{given.id.replace('_', '-')} on the command line "
                    "or under inputs in a request",
                )
            elif "default" in given.schema:
                found[given.id] = copy.deepcopy(given.schema["default"])
            continue
        value = _unwrapped(inputs[given.id])
        if given.is_path:
            path = _local_file(given.id, value, problems)
            if path is not None:
                found[given.id] = str(path)
        elif given.is_path_list:
            files = _local_files(given, value, problems)
            if files is not None:
                found[given.id] = files
        elif _finite(given.id, value, problems) and _fits(given.id, value, given.schema, problems):
            found[given.id] = value
    if problems:
        raise InputError(problems.first())
    return found


def from_words(
    process: Process, words: Mapping[str, str | bool | tuple[str, ...]]
) -> dict[str, Any]:
    """Turn the words of a command line into values, by each input's schema.

    A word that is no number where one belongs stays a word, for `checked` to report it.

    Parameters
    ----------
    process
        The process they are for.
    words
        Text by input id; a list is written with commas (``0,0,10,10``), an object as JSON. A list
        of files may come in several words, too.
    """
    by_id = {given.id: given for given in process.inputs}

    def several(name: str, parts: tuple[str, ...]) -> list[Any]:
        read = [_value(part, by_id[name].schema) for part in parts]
        return [one for part in read for one in (part if isinstance(part, list) else [part])]

    return {
        name: several(name, word)
        if isinstance(word, tuple)
        else _value(word, by_id[name].schema)
        if isinstance(word, str)
        else word
        for name, word in words.items()
    }


def _value(word: str, schema: Mapping[str, Any]) -> Any:
    kind = schema.get("type")
    if kind == "integer" and re.fullmatch(r"[+-]?\d{1,4000}", word.strip(), re.ASCII):
        return int(word)
    if kind == "number" and _NUMBER.fullmatch(word.strip()):
        return float(word)
    if kind == "boolean" and word.lower() in ("true", "false"):
        return word.lower() == "true"
    if kind == "array" and not word.lstrip().startswith("["):
        items = schema.get("items", {})
        return [_value(part.strip(), items) for part in word.split(",")] if word.strip() else []
    if kind in ("array", "object"):
        try:
            return _parsed(word)
        except (ValueError, RecursionError):
            return word
    return word


def from_request(text: str | bytes, file: str) -> dict[str, Any]:
    """Read an execute request (18-062r2, section 7.11, schema ``execute``).

    Parameters
    ----------
    text
        JSON: ``{"inputs": {...}}``, with a value in place, ``{"value": ...}``, or ``{"href": ...}``
        for a file.
    file
        What to call it in messages.

    Returns
    -------
    dict
        The inputs, not checked yet.

    Raises
    ------
    InputError
        It is no such request.
    """
    problems = Problems()
    remedy = 'write {"inputs": {"name": value, ...}}'
    try:
        request = _parsed(text)
    except RecursionError:
        request = None
        problems.add(
            "request-nested", "the request is nested too deeply", "plain inputs", remedy, file
        )
    except UnicodeDecodeError:
        request = None
        problems.add(
            "encoding", "the request is not UTF-8", "JSON in UTF-8", "save it as UTF-8", file
        )
    except json.JSONDecodeError as error:
        request = None
        what = f"the request is not JSON ({error.msg}, column {error.colno})"
        problems.add("request-not-json", what, "JSON", "mend it there", file, error.lineno)
    except ValueError as error:
        request = None
        problems.add("request-not-json", f"the request has {error}", "plain JSON", "mend it", file)
    else:
        if not isinstance(request, dict):
            problems.add(
                "request-shape", f"the request is {shown(request)}", "an object", remedy, file
            )
        elif not isinstance(given := request.get("inputs"), dict):
            what = f'"inputs" of the request is {shown(given)}'
            if "inputs" not in request:
                what = 'the request has no "inputs"'
            problems.add("request-shape", what, "an object", remedy, file)
        else:
            allowed = ("inputs", "outputs", "response", "mode", "subscriber", "process")
            for key in request:
                if key not in allowed:
                    close = nearest(key, allowed)
                    problems.add(
                        "request-key",
                        f"the request has the key {shown(key)}",
                        f"one of {', '.join(allowed)}",
                        did_you_mean(close, "leave it out"),
                        file,
                    )
    if problems:
        raise InputError(problems.first())
    inputs: dict[str, Any] = request["inputs"]
    return inputs


def read_request(path: Path) -> bytes:
    """Return the text of a request file.

    Raises
    ------
    InputError
        It is missing, empty, no plain file, or too large.
    """
    problems = Problems()
    text = read_plain_file(path, str(path), "the request", _LARGEST_REQUEST, problems)
    if text is None:
        raise InputError(problems.first())
    return text


def _parsed(text: str | bytes) -> Any:
    """Parse JSON strictly: no NaN, no infinity, no key twice."""

    def refuse(word: str) -> float:
        raise ValueError(f"the number {word}")

    def once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        table = dict(pairs)
        if len(table) != len(pairs):
            raise ValueError("a key that is there twice")
        return table

    if isinstance(text, bytes):
        text = text.decode("utf-8-sig")
    return json.loads(text, parse_constant=refuse, object_pairs_hook=once)


def _unwrapped(value: Any) -> Any:
    """Return what a qualified value or a reference of 18-062r2 stands for."""
    if isinstance(value, Path):
        return str(value)
    if isinstance(value, Mapping):
        if "value" in value and set(value) <= {
            "value",
            "mediaType",
            "encoding",
            "schema",
            "format",
        }:
            return value["value"]
        if "href" in value and set(value) <= {"href", "type", "rel", "hreflang", "title"}:
            return value["href"]
        return dict(value)
    return list(value) if isinstance(value, tuple) else value


def _local_file(name: str, value: Any, problems: Problems) -> Path | None:
    """Return a plain file on this machine. No address, pipe, device or GDAL virtual path."""
    remedy = "copy the file to this machine and give its path"
    if not isinstance(value, str) or not value:
        problems.add(
            "input-type", f"{name} is {shown(value)}", "the path of a file", "correct the value"
        )
        return None
    text = value
    if text[:5].lower() == "file:":
        parts = urlsplit(text)
        if parts.netloc not in ("", "localhost") or parts.query or parts.fragment:
            problems.add(
                "path-address", f"{name} is {shown(value)}", "a file on this machine", remedy
            )
            return None
        from urllib.request import url2pathname

        text = url2pathname(parts.path)  # on Windows a drive stands in front
    elif (_SCHEME.match(text) and "//" in text) or text.startswith(("/vsi", "\\\\", "//")):
        # GDAL would follow these to the network or into other files
        problems.add("path-address", f"{name} is {shown(value)}", "a file on this machine", remedy)
        return None
    path = Path(text)
    if not check_plain_file(path, text, f"the file given as {name}", _LARGEST_FILE, problems):
        return None
    return path


def _local_files(given: Input, value: Any, problems: Problems) -> list[str] | None:
    """Return plain files on this machine; each is checked as one alone would be."""
    parts = [_unwrapped(part) for part in value] if isinstance(value, list) else value
    if not (_finite(given.id, parts, problems) and _fits(given.id, parts, given.schema, problems)):
        return None
    found = [_local_file(f"{given.id}[{n}]", part, problems) for n, part in enumerate(parts)]
    return [str(path) for path in found if path is not None] if None not in found else None


def _finite(name: str, value: Any, problems: Problems) -> bool:
    """Refuse NaN, infinity, endless nesting and values that JSON does not have."""
    stack: list[tuple[Any, int]] = [(value, 0)]
    while stack:
        part, depth = stack.pop()
        fault = None
        if depth > _DEEPEST:
            fault = "nested too deeply"
        elif isinstance(part, float) and not math.isfinite(part):
            fault = f"{part!r}"
        elif isinstance(part, int) and not -(10**300) < part < 10**300:
            fault = "a number of more than 300 digits"
        elif not isinstance(part, str | int | float | bool | list | dict | None):
            fault = f"of the type {type(part).__name__}"
        if fault is not None:
            problems.add(
                "input-not-finite", f"{name} is {fault}", "finite plain values", "correct it"
            )
            return False
        if isinstance(part, list):
            stack += [(item, depth + 1) for item in part]
        elif isinstance(part, dict):
            stack += [(item, depth + 1) for item in part.values()]
    return True


def _fits(name: str, value: Any, schema: Mapping[str, Any], problems: Problems) -> bool:
    import jsonschema

    before = len(problems)
    errors = jsonschema.Draft202012Validator(dict(schema)).iter_errors(value)
    for error in sorted(errors, key=lambda e: [str(part) for part in e.absolute_path]):
        if error.validator == "type" and "enum" in error.schema:
            continue  # the choices say it better
        where = name + "".join(
            f"[{part}]" if isinstance(part, int) else f".{part}" for part in error.absolute_path
        )
        expected, remedy = _expected(error.schema, error.validator, error.instance)
        if expected is None:
            expected = f"a value for which this holds: {error.message}"
        problems.add(
            f"input-{_code(error.validator)}",
            f"{where} is {_shown(error.instance)}",
            expected,
            remedy,
        )
    return len(problems) == before


def _shown(value: Any) -> str:
    return json.dumps(value)[:80] if isinstance(value, list | dict | None) else shown(value)


def _code(validator: str) -> str:
    return "".join(f"-{c.lower()}" if c.isupper() else c for c in validator)


def _values(number: int) -> str:
    return "1 value" if number == 1 else f"{number} values"


def _expected(schema: Any, validator: str, instance: Any) -> tuple[str | None, str]:
    """Put what a schema asks for into words."""
    remedy = "correct the value"
    if validator == "enum":
        names = [str(choice) for choice in schema["enum"]]
        close = nearest(instance, names) if isinstance(instance, str) else None
        return "one of " + ", ".join(names), did_you_mean(close, "choose one")
    if validator == "type":
        kinds = schema["type"] if isinstance(schema["type"], list) else [schema["type"]]
        return " or ".join(_TYPES[kind][1] if kind in _TYPES else kind for kind in kinds), remedy
    if validator in ("minimum", "maximum"):
        low, high = schema.get("minimum"), schema.get("maximum")
        if low is not None and high is not None:
            return f"a number from {low:g} to {high:g}", remedy
        return (f"at least {low:g}" if validator == "minimum" else f"at most {high:g}"), remedy
    if validator in ("minItems", "maxItems"):
        low, high = schema.get("minItems"), schema.get("maxItems")
        if low == high:
            return _values(low), remedy
        return (
            f"at least {_values(low)}" if validator == "minItems" else f"at most {_values(high)}"
        ), remedy
    if validator == "required":
        missing = [key for key in schema["required"] if key not in instance]
        return f"also {', '.join(missing)}", "add what is missing"
    if validator == "additionalProperties" and isinstance(schema.get("properties"), Mapping):
        extra = next(key for key in instance if key not in schema["properties"])
        close = nearest(extra, schema["properties"])
        return (
            f"nothing beside {', '.join(schema['properties'])} (there is {shown(extra)})",
            did_you_mean(close, "leave it out"),
        )
    return None, remedy
