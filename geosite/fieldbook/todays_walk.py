"""A walk that no site file names: today's, to be held against a survey that was read before."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

from msgspec.structs import replace

from geosite.base.errors import Finding, InputError
from geosite.base.problems import Problems
from geosite.fieldbook.book import REQUIRED, read_book
from geosite.fieldbook.model import FieldBook, Notes
from geosite.fieldbook.read_site_file import SiteText

__all__ = ["read_other_walk"]


def read_other_walk(
    path: Path, notes: Notes, unit: Literal["m", "ft", "ftUS"] | None = None
) -> tuple[FieldBook, tuple[Finding, ...]]:
    """Read another field book of the same device.

    Parameters
    ----------
    path
        The field book: no more than the columns run, point, x, y and z is needed, under the
        headers of the survey's own field book.
    notes
        The survey; its ``[survey]`` table says how the device writes.
    unit
        Of the coordinates, where it is not the survey's.

    Returns
    -------
    FieldBook, findings

    Raises
    ------
    InputError
        It cannot be read; all problems, with file and line.

    Examples
    --------
    >>> from geosite.fieldbook.read import read_survey
    >>> notes = read_survey(Path("sample_data/ferry_landing/site.toml"))
    >>> book, findings = read_other_walk(Path("sample_data/ferry_landing/today.csv"), notes)
    >>> book.runs, book.marks, len(book)
    (('T1',), ('B1', 'B2'), 4)
    """
    survey = notes.site.survey
    columns = {name: header for name, header in survey.columns.items() if name in REQUIRED}
    survey = replace(survey, columns=columns, unit=unit or survey.unit)
    problems, findings = Problems(), list[Finding]()
    place = SiteText(notes.site_file, "", notes.site, survey, None)
    book = read_book(path, str(path), survey, problems, findings, place)
    if book is None or problems:
        raise InputError(problems.first())
    return book, tuple(findings)
