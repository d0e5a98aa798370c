"""What is odd in a field book and does not stop the work: codes without a meaning, names alike."""

from __future__ import annotations

import numpy as np

from geosite.base.arrays import Shorts
from geosite.base.errors import Finding
from geosite.base.problems import nearest, shown
from geosite.fieldbook.model import FieldBook, assumed_geometry
from geosite.fieldbook.sitefile import SiteFile
from geosite.fieldbook.suspicious_marks import suspect_findings
from geosite.fieldbook.upside_down_runs import upside_down_findings

__all__ = ["look_at"]

NOTICED = 20
"""Findings of one kind that are told one by one."""


def look_at(site: SiteFile, book: FieldBook, findings: list[Finding]) -> None:
    """Notice what does not stop the work: unexplained codes, stray segments, names alike."""
    _unexplained_codes(site, book, findings)
    stray = np.flatnonzero((book.feature < 0) & ((book.kind != 0) | (book.piece != 1)))
    if len(stray):
        findings.append(
            Finding(
                "look",
                "segment-without-feature",
                f"{len(stray)} row{'s have' if len(stray) > 1 else ' has'} a segment and no"
                " feature; nothing is drawn there.",
                book.file,
                int(book.line[stray[0]]),
            )
        )
    _repeated_exactly(book, findings)
    findings += upside_down_findings(book)
    findings += suspect_findings(book, {n for n, code in site.codes.items() if not code.ground})
    _nothing_drawn(book, findings)
    for kind, names, column in (
        ("marks", book.marks, book.mark),
        ("runs", book.runs, book.run),
        ("features", book.features, book.feature),
        ("codes", book.codes, book.code),
    ):
        _names_alike(kind, names, column, book, findings)


def _nothing_drawn(book: FieldBook, findings: list[Finding]) -> None:
    """Say that no shape will come of a field book, and which column would make one."""
    if len(book.features) or not len(book):
        return
    spare = ", ".join(shown(header, 30) for header in book.unused[:8])
    findings.append(
        Finding(
            "look" if spare else "note",
            "nothing-drawn",
            "No row names a feature, so no area and no line is drawn: fill the column feature"
            + (
                f", or map one of the columns that are not used ({spare}) in [survey.columns],"
                ' such as feature = "..."'
                if spare
                else ""
            )
            + ".",
            book.file,
        )
    )


def _names_alike(
    kind: str, names: tuple[str, ...], column: Shorts, book: FieldBook, findings: list[Finding]
) -> None:
    if len(set(_alike("\n".join(names)).split("\n"))) == len(names):
        return
    known: dict[str, int] = {}
    pairs = [(known.setdefault(_alike(name), i), i) for i, name in enumerate(names)]
    pairs = [(first, i) for first, i in pairs if first != i]
    for first, i in pairs[:NOTICED]:
        findings.append(
            Finding(
                "look",
                "names-alike",
                f"The {kind} {names[first]} and {names[i]} differ in capitals or blanks only"
                " and are taken for two.",
                book.file,
                int(book.line[np.argmax(column == i)]),
            )
        )
    rest = len(pairs) - NOTICED
    pair = "pairs" if rest > 1 else "pair"
    _and_more(rest, "names-alike", f"{pair} of {kind} that look alike", findings)


def _and_more(count: int, code: str, what: str, findings: list[Finding]) -> None:
    if count > 0:
        findings.append(Finding("look", code, f"And {count} more {what}."))


def _repeated_exactly(book: FieldBook, findings: list[Finding]) -> None:
    """Notice marks that read the same to the last digit later in their run, as copied rows do."""
    visit = np.where(book.mark >= 0, book.run.astype(np.int64) * len(book.marks) + book.mark, -1)
    _, first, times = np.unique(visit, return_inverse=True, return_counts=True)
    rows = np.flatnonzero((times[first] > 1) & (visit >= 0))
    order = rows[np.lexsort((rows, *book.local[rows].T, visit[rows]))]
    one, other = order[:-1], order[1:]
    same = (visit[one] == visit[other]) & np.all(book.local[one] == book.local[other], axis=1)
    # one mark of two features stands in neighbouring rows, once for each
    same &= ~((other == one + 1) & (book.feature[one] != book.feature[other]))
    if not same.any():
        return
    again = other[same].min()
    before = one[same][np.argmin(other[same])]
    count = np.count_nonzero(same)
    findings.append(
        Finding(
            "look",
            "rows-repeated",
            f"{count} row{'s repeat' if count > 1 else ' repeats'} an earlier observation of"
            f" {'their' if count > 1 else 'its'} mark to the last digit, the first one line"
            f" {book.line[before]}. A mark walked to again reads a little different: was a row"
            " copied?",
            book.file,
            int(book.line[again]),
        )
    )


def _alike(name: str) -> str:
    return name.replace(" ", "").casefold()


def _unexplained_codes(site: SiteFile, book: FieldBook, findings: list[Finding]) -> None:
    drawn = np.flatnonzero(book.feature >= 0)
    # a mark walked twice counts once; unnamed positions count each
    station = np.where(book.mark >= 0, book.mark, len(book.marks) + np.arange(len(book)))[drawn]
    stations = len(book.marks) + len(book)
    pairs = np.unique(book.feature[drawn].astype(np.int64) * stations + station)
    sizes = np.bincount(pairs // stations, minlength=len(book.features))
    unexplained = [i for i, code in enumerate(book.codes) if code not in site.codes]
    for i in unexplained[:NOTICED]:
        code = book.codes[i]
        rows = np.flatnonzero(book.code == i)
        shapes = sorted(
            {assumed_geometry(int(sizes[f])) for f in np.unique(book.feature[rows]) if f >= 0}
        )
        near = nearest(code, site.codes)
        findings.append(
            Finding(
                "look",
                "code-unexplained",
                f"Code {code} has no [codes.{code}] table"
                + (f" (did you mean {near}?)" if near else "")
                + (
                    f"; its features are drawn as {'s or '.join(shapes)}s by their number of marks."
                    if shapes
                    else "."
                ),
                book.file,
                int(book.line[rows[0]]),
            )
        )
    rest = len(unexplained) - NOTICED
    _and_more(rest, "code-unexplained", f"unexplained code{'s' if rest > 1 else ''}", findings)
