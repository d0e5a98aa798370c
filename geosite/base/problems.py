"""Collecting problems: all of them are counted, the first ones are kept and shown in file order."""

from __future__ import annotations

from collections.abc import Iterable

from geosite.base.errors import Problem

__all__ = ["Problems", "did_you_mean", "nearest", "one_line", "shown"]

KEPT = 1000
SHOWN = 50


class Problems:
    """A growing list of problems that stays small whatever is thrown at it."""

    def __init__(self) -> None:
        self.kept: list[Problem] = []
        self.not_kept = 0
        self.codes: set[str] = set()

    def __len__(self) -> int:
        return len(self.kept) + self.not_kept

    def add(
        self,
        code: str,
        what: str,
        expected: str,
        remedy: str,
        file: str | None = None,
        line: int | None = None,
    ) -> None:
        """Keep one problem, or only count it when there are many already."""
        self.codes.add(code)
        if len(self.kept) < KEPT:
            self.kept.append(Problem(code, what, expected, remedy, file, line))
        else:
            self.not_kept += 1

    def extend(self, problems: Iterable[Problem]) -> None:
        """Keep problems that were found elsewhere."""
        for p in problems:
            self.add(p.code, p.what, p.expected, p.remedy, p.file, p.line)

    @property
    def full(self) -> bool:
        """Whether nobody will read more of them: time to stop looking for further ones."""
        return len(self.kept) >= KEPT

    def suggest(self, word: str, names: Iterable[str], cutoff: float = 0.6) -> str | None:
        """Return the name most like `word`, while the problem will be shown at all."""
        return nearest(word, names, cutoff) if len(self.kept) < SHOWN else None

    def first(self) -> list[Problem]:
        """Return the problems to show: by line within each file, files in order of appearance."""
        files: dict[str | None, int] = {}
        for problem in self.kept:
            files.setdefault(problem.file, len(files))
        ordered = sorted(self.kept, key=lambda p: (files[p.file], p.line or 0))
        more = len(self) - SHOWN
        if more > 0:
            rest = Problem(
                "more-problems",
                f"{'at least ' if self.full else ''}{more} more problem{'s' if more > 1 else ''}"
                " not shown",
                "a survey without any",
                "mend the ones above first",
            )
            ordered = [*ordered[:SHOWN], rest]
        return ordered


def nearest(word: str, names: Iterable[str], cutoff: float = 0.6) -> str | None:
    """Return the name most like `word`, ignoring capitals, or ``None``.

    Only the first 500 names are compared: a suggestion is not worth waiting for.

    Examples
    --------
    >>> nearest("cel_size", ["cell_size", "method"])
    'cell_size'
    >>> nearest("colour", ["cell_size", "method"]) is None
    True
    """
    from difflib import get_close_matches

    known: dict[str, str] = {}
    for name in names:
        known.setdefault(name.casefold()[:80], name)
        if len(known) >= 500:
            break
    close = get_close_matches(word.casefold()[:80], known, n=1, cutoff=cutoff)
    return known[close[0]] if close else None


def did_you_mean(close: str | None, otherwise: str) -> str:
    """Say what to do about a name that is not known.

    Examples
    --------
    >>> did_you_mean(nearest("metod", ["method"]), "leave it out")
    'did you mean "method"?'
    >>> did_you_mean(None, "leave it out")
    'leave it out'
    """
    return f'did you mean "{close}"?' if close else otherwise


def shown(value: object, limit: int = 60) -> str:
    """Return a value as it is quoted in a message.

    Examples
    --------
    >>> print(shown("a" * 100, 10))
    "aaaaaaaaaa…" (100 characters)
    """
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list | tuple):
        return "a list"
    if isinstance(value, str):
        return (
            f'"{value}"' if len(value) <= limit else f'"{value[:limit]}…" ({len(value)} characters)'
        )
    return repr(value)


def one_line(error: BaseException) -> str:
    r"""Return what a library complains of as one line of at most 200 characters.

    Examples
    --------
    >>> one_line(ValueError("bad\nfile (flags=68)"))
    'bad file'
    """
    # GDAL's own word for how it tried to open a file says nothing to anybody
    return " ".join(str(error).replace(" (flags=68)", "").split())[:200]
