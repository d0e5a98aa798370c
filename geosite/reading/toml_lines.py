"""Where the keys of a TOML text stand: tomllib gives values without positions."""

from __future__ import annotations

import contextlib
import re
import tomllib
from bisect import bisect_right
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

__all__ = ["Path", "TomlText", "key_lines", "line_of"]

Path = tuple[str | int, ...]

_BETWEEN = re.compile(r"(?:[ \t\n]|#[^\n]*)*")
_BLANKS = re.compile(r"[ \t]*")
_BARE = re.compile(r"[A-Za-z0-9_-]+")
_SCALAR = re.compile(r"[^,\]}\n#]+")
_STRINGS = (
    re.compile(r'"""(?:[^\\]|\\.)*?"{3,5}', re.DOTALL),
    re.compile(r"'''.*?'{3,5}", re.DOTALL),
    re.compile(r'"(?:[^"\\\n]|\\.)*"'),
    re.compile(r"'[^'\n]*'"),
)


class _Scan:
    """One pass over a text that tomllib has accepted."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.found: dict[Path, int] = {}
        self.breaks = [m.start() for m in re.finditer("\n", text)]
        self.counts: dict[Path, int] = {}

    def skip(self, pattern: re.Pattern[str]) -> str:
        match = pattern.match(self.text, self.at)
        if match is None:
            raise IndexError
        self.at = match.end()
        return match.group()

    def string(self) -> str:
        for pattern in _STRINGS:
            if match := pattern.match(self.text, self.at):
                self.at = match.end()
                return match.group()
        raise IndexError

    def key(self) -> tuple[str, ...]:
        parts: list[str] = []
        while True:
            self.skip(_BLANKS)
            if self.text[self.at] in "\"'":
                parts.append(tomllib.loads("k=" + self.string())["k"])
            else:
                parts.append(self.skip(_BARE))
            self.skip(_BLANKS)
            if self.text[self.at] != ".":
                return tuple(parts)
            self.at += 1

    def note(self, path: Path, start: int, given: int) -> None:
        line = bisect_right(self.breaks, start - 1) + 1
        for length in range(len(path) - given + 1, len(path) + 1):
            self.found.setdefault(path[:length], line)

    def value(self, path: Path) -> None:
        first = self.text[self.at]
        if first in "\"'":
            self.string()
        elif first == "[":
            self.at += 1
            index = 0
            while True:
                self.skip(_BETWEEN)
                if self.text[self.at] == "]":
                    break
                self.note((*path, index), self.at, 1)
                self.value((*path, index))
                self.skip(_BETWEEN)
                if self.text[self.at] == ",":
                    self.at += 1
                index += 1
            self.at += 1
        elif first == "{":
            self.at += 1
            while True:
                self.skip(_BETWEEN)
                if self.text[self.at] == "}":
                    break
                self.pair(path)
                self.skip(_BETWEEN)
                if self.text[self.at] == ",":
                    self.at += 1
            self.at += 1
        else:
            self.skip(_SCALAR)

    def pair(self, table: Path) -> None:
        start = self.at
        key = self.key()
        self.at += 1  # the equals sign
        self.skip(_BLANKS)
        self.note((*table, *key), start, len(key))
        self.value((*table, *key))

    def header(self) -> Path:
        start = self.at
        many = self.text.startswith("[[", self.at)
        self.at += 2 if many else 1
        key = self.key()
        self.at += 2 if many else 1
        path: Path = ()
        for i, part in enumerate(key):
            path = (*path, part)
            last = i == len(key) - 1
            if many and last:
                self.counts[path] = self.counts.get(path, -1) + 1
            if path in self.counts:
                self.note(path, start, 1)
                path = (*path, self.counts[path])
            self.note(path, start, 1)
        return path

    def run(self) -> None:
        table: Path = ()
        while True:
            self.skip(_BETWEEN)
            if self.at >= len(self.text):
                return
            if self.text[self.at] == "[":
                table = self.header()
            else:
                self.pair(table)


def key_lines(text: str) -> dict[Path, int]:
    r"""Return the line, counted from 1, of every table, key and list item of a valid TOML text.

    Examples
    --------
    >>> key_lines("[site]\ntitle = 1\n")
    {('site',): 1, ('site', 'title'): 2}
    """
    scan = _Scan(text.replace("\r\n", "\n"))
    # a line number is a courtesy: what was found before giving up is still right
    with contextlib.suppress(IndexError, RecursionError):
        scan.run()
    return scan.found


def line_of(lines: Mapping[Path, int], path: Path) -> int | None:
    """Return the line of a path or of the nearest table around it.

    Examples
    --------
    >>> line_of({("site",): 1, ("site", "title"): 2}, ("site", "date"))
    1
    """
    while path:
        if path in lines:
            return lines[path]
        path = path[:-1]
    return None


@dataclass(frozen=True)
class TomlText:
    """A TOML text whose keys can be found again.

    Parameters
    ----------
    file
        Path as the user named it.
    text
        The TOML text.
    """

    file: str
    text: str

    @cached_property
    def lines(self) -> dict[Path, int]:
        """Line of every table and key by its path."""
        return key_lines(self.text)

    def line(self, *path: str | int) -> int | None:
        """Return the line of a key, or of the nearest table around it."""
        return line_of(self.lines, path)
