"""TOML with its faults said in the words of somebody who writes it by hand."""

from __future__ import annotations

import re
import tomllib
from typing import Any

from geosite.base.problems import Problems, shown

__all__ = ["DEPTH_LIMIT", "LINE_LIMIT", "parse_toml"]

LINE_LIMIT = 10_000
"""Characters of a line."""
DEPTH_LIMIT = 8
"""Levels of tables and lists."""

_QUOTED = re.compile(r"""\"(?:[^"\\]++|\\.)*+(?:\"|$)|'[^']*+(?:'|$)""")
# tomllib's work grows with the square of the parts
_LONG_KEY = re.compile(r"(?<![\w-])(?:[\w-]++\s*+\.\s*+){30}")


def parse_toml(text: str, file: str, problems: Problems) -> dict[str, Any] | None:
    r"""Return the tables of a TOML text; a syntax error goes into `problems` with its line.

    Parameters
    ----------
    text
        TOML.
    file
        How to call it in messages.
    problems
        Receives what is wrong; the answer is then ``None``.

    Examples
    --------
    >>> problems = Problems()
    >>> parse_toml('[site]\ntitle = "Yard"', "site.toml", problems)
    {'site': {'title': 'Yard'}}
    >>> parse_toml('[site]\ntitle = "Yard', "site.toml", problems) is None
    True
    >>> problems.first()[0].line
    2
    """
    for number, line in enumerate(text.split("\n"), 1):
        if len(line) > LINE_LIMIT:
            problems.add(
                "toml-line-too-long",
                f"the line has {len(line)} characters",
                f"at most {LINE_LIMIT}",
                "break the list or the text into several lines",
                file,
                number,
            )
            return None
        if line.count(".") >= 30 and _LONG_KEY.search(_QUOTED.sub("q", line)):
            problems.add(
                "toml-nesting",
                "a key has too many parts joined by dots",
                f"at most {DEPTH_LIMIT}",
                "remove the extra dots, or put the text in quotes",
                file,
                number,
            )
            return None
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        number = _toml_line(str(error), text)
        line = text.split("\n")[number - 1]
        # what the file ends in is no fault of its last line
        slip = None if "end of document)" in str(error) else _slip(line)
        problems.add(*(slip or _toml_fault(str(error))), file, number)
    except RecursionError:
        problems.add(
            "toml-nesting",
            "lists or tables are nested too deeply",
            f"at most {DEPTH_LIMIT} levels",
            "remove the extra brackets",
            file,
        )
    except ValueError:  # an integer with more digits than Python converts
        digits = re.search(r"\d[\d_]{300,}", text)
        problems.add(
            "number-too-large",
            "a whole number has thousands of digits",
            "numbers up to 1e+12",
            "correct the number",
            file,
            text.count("\n", 0, digits.start()) + 1 if digits else None,
        )
    return None


_UNQUOTED = re.compile(r"""\s*([\w.-]+)\s*=\s*([^\W\d][^"'#\[\]{}=]*?)\s*(?:#.*)?""")
_COMMA = re.compile(r"\s*([\w.-]+)\s*=\s*([+-]?\d+),(\d+)\s*(?:#.*)?")


def _slip(line: str) -> tuple[str, str, str, str] | None:
    """Return what is wrong with a line that nobody has to know TOML to see; None for another."""
    if (found := _COMMA.fullmatch(line)) is not None:
        key, whole, part = found.groups()
        may_be_thousands = re.fullmatch(r"[+-]?[1-9]\d{0,2},\d{3}", f"{whole},{part}") is not None
        return (
            "toml-syntax",
            f"{key} is {whole},{part}",
            "a number with a decimal point",
            f"write {key} = {whole}.{part}"
            + (f" or {key} = {whole}{part}, as is meant" if may_be_thousands else ""),
        )
    if (found := _UNQUOTED.fullmatch(line)) is not None and found[2] not in _WORDS_OF_TOML:
        key, word = found.groups()
        if word.lower() in _WORDS_OF_TOML:
            right = word.lower()
        else:
            right = f"'{word}'" if "\\" in word else f'"{word}"'
        return (
            "toml-syntax",
            f"{key} is {shown(word)} without quotes",
            "a text in quotes, or a number, true or false without",
            f"write {key} = {right}",
        )
    return None


_WORDS_OF_TOML = ("true", "false", "inf", "nan")


def _toml_line(message: str, text: str) -> int:
    place = re.search(r"\(at line (\d+), column \d+\)$", message)
    return int(place[1]) if place else text.rstrip().count("\n") + 1


def _toml_fault(message: str) -> tuple[str, str, str, str]:
    cause = re.sub(r"\s*\(at [^()]*\)$", "", message)
    if "overwrite" in cause or "twice" in cause or "Cannot mutate" in cause:
        return (
            "toml-duplicate",
            f"a key or table is given a second time here ({cause})",
            "each once",
            "remove one or merge the two",
        )
    if message.endswith("(at end of document)"):
        return (
            "toml-syntax",
            f"the file ends inside a value ({cause})",
            "a closing quote or bracket",
            "look for the one that is opened and never closed",
        )
    # \U as in C:\Users begins the number of a character
    if "scaped" in cause or "hex value" in cause:
        return (
            "toml-syntax",
            f"a backslash between double quotes means something else here ({cause})",
            "a path with /",
            "write / instead of the backslash",
        )
    return (
        "toml-syntax",
        f"not valid TOML: {cause}",
        'lines such as name = "text", name = 1.5 or [table]',
        "check quotes, brackets and the equals sign; a decimal point, not a comma",
    )
