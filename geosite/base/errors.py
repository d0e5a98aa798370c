"""The one root error, its three kinds, and the findings that do not stop the work.

Every problem that geosite can meet in its input is a `Problem`: one line that says where, what is
wrong, what was expected and what to do. Stages collect problems and raise them together, so that
somebody who fixes a field book fixes it once.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import ClassVar, Literal

from geosite.base.exact_numbers import Told

__all__ = [
    "Finding",
    "GeositeError",
    "InputError",
    "OutputRefused",
    "Problem",
    "Refuse",
    "SurveyRefused",
    "printable",
]


def printable(text: str) -> str:
    r"""Return a text with what a terminal would obey, not show, written out as numbers.

    Examples
    --------
    >>> printable("a\x1b[31mb")
    'a\\x1b[31mb'
    """
    return "".join(c if c.isprintable() else f"\\x{ord(c):02x}" for c in text)


def _cut(text: str, limit: int) -> str:
    return text if len(text) <= limit else text[: limit - 1] + "…"


_LONGEST_EXPECTED, _LONGEST_REMEDY, _LONGEST_LINE = 300, 450, 1000
"""Characters of what was expected and what to do about it, and of the whole line."""


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong, on one line.

    Parameters
    ----------
    code
        Stable identifier of the cause, words joined by dashes (``"column-missing"``).
    what
        What is wrong, with the offending value.
    expected
        What was expected instead.
    remedy
        What to do about it.
    file
        File the problem is in, as the user named it.
    line
        Line in that file, counted from 1.
    """

    code: str
    what: str
    expected: str
    remedy: str
    file: str | None = None
    line: int | None = None

    def __post_init__(self) -> None:
        """Take exact values out of the words; those of what is wrong stay with it."""
        object.__setattr__(self, "what", Told(self.what))
        object.__setattr__(self, "expected", str(Told(self.expected)))
        object.__setattr__(self, "remedy", str(Told(self.remedy)))

    def __str__(self) -> str:
        where = ""
        if self.file is not None:
            where = self.file + (f":{self.line}" if self.line is not None else "") + ": "
        # hostile or endless text is cut at what is wrong: what to do about it always stays
        expected = _cut(printable(self.expected), _LONGEST_EXPECTED)
        remedy = _cut(printable(self.remedy), _LONGEST_REMEDY)
        end = f"; expected {expected}; {remedy}"
        head = _cut(printable(where + self.what), _LONGEST_LINE - len(end))
        return head + end


class GeositeError(Exception):
    """Root of every error that geosite raises on purpose.

    Parameters
    ----------
    problems
        All problems found, in file order.

    Raises
    ------
    ValueError
        There is none.
    """

    exit_code: ClassVar[int] = 2

    def __init__(self, problems: Problem | Iterable[Problem]) -> None:
        found = (problems,) if isinstance(problems, Problem) else tuple(problems)
        if not found:  # whoever collects problems would go on as if nothing were wrong
            raise ValueError("an error without a problem")
        self.problems: tuple[Problem, ...] = found
        super().__init__("\n".join(str(p) for p in found))

    def __reduce__(self) -> tuple[type[GeositeError], tuple[tuple[Problem, ...]]]:
        """Cross from one process to another whole."""
        return type(self), (self.problems,)


class InputError(GeositeError):
    """A bad call or unreadable input (exit status 2)."""

    exit_code = 2


Refuse = Callable[[str, str, str, str], InputError]
"""Makes an error of code, what is wrong, what was expected, what to do, at a place it knows."""


class SurveyRefused(GeositeError):
    """The input was read, but the survey cannot be right (exit status 3)."""

    exit_code = 3


class OutputRefused(GeositeError):
    """The result cannot be written as asked (exit status 4)."""

    exit_code = 4


@dataclass(frozen=True, slots=True)
class Finding:
    """Something the reader should know that does not stop the work.

    Parameters
    ----------
    level
        ``"note"`` to know, ``"look"`` to look at before the numbers are used.
    code
        Stable identifier of the cause, words joined by dashes.
    text
        One sentence in a contractor's words.
    file, line
        Where it comes from, if from a row.
    mark
        The mark that it is about.
    place : (easting, northing), map units
        Where to look.
    """

    level: Literal["note", "look"]
    code: str
    text: str
    file: str | None = None
    line: int | None = None
    mark: str | None = None
    place: tuple[float, float] | None = None

    def __post_init__(self) -> None:
        """Take exact values out of the words and keep them beside."""
        object.__setattr__(self, "text", Told(self.text))
