"""Reading a survey: the site file, the field book it names, and whether they fit together."""

from __future__ import annotations

from pathlib import Path

import msgspec

from geosite.base.errors import Finding, InputError, SurveyRefused
from geosite.base.problems import Problems
from geosite.fieldbook.attached_files import Attached, read_attached
from geosite.fieldbook.book import read_book
from geosite.fieldbook.checks import (
    check_against_book,
    check_columns,
    check_site,
    check_systems,
    check_walks,
    iso_day,
)
from geosite.fieldbook.idle_keys import look_at_idle_keys
from geosite.fieldbook.model import FieldBook, Notes
from geosite.fieldbook.read_site_file import SiteText, read_site
from geosite.fieldbook.remarks import look_at
from geosite.fieldbook.sitefile import SiteFile
from geosite.fieldbook.stray_tolerances import stray_tolerances
from geosite.fieldbook.written_lengths import look_at_numbers
from geosite.reading.files import inside

__all__ = ["read_survey"]


def read_survey(site_path: Path) -> Notes:
    """Read a site file and its field book.

    Parameters
    ----------
    site_path
        The site file (TOML). The field book and every other file it names must lie in its folder.

    Returns
    -------
    notes : Notes
        Site file and field book as typed data, coordinates in metres, and what was noticed.

    Raises
    ------
    InputError
        Something cannot be read or is impossible; all such problems, with file and line.
    SurveyRefused
        Everything was read, but a run does not visit the baseline or the anchor cannot hold it.

    Examples
    --------
    Davis' 52 spot heights (Davis 1973, Statistics and Data Analysis in Geology), feet:

    >>> notes = read_survey(Path("sample_data/davis_spot_heights/site.toml"))
    >>> len(notes.book), notes.site.survey.unit, notes.book.marks[:3]
    (52, 'ft', ('1', '2', '3'))
    """
    site_path = Path(site_path)
    wrong, refused = Problems(), Problems()
    findings: list[Finding] = []
    place = read_site(site_path, wrong)
    book, attached = None, Attached()
    if place is not None:
        if place.site is not None:
            check_site(place.site, place, wrong)
        book = _read_named_book(place, site_path.parent, wrong, findings)
        if place.site is not None:
            near = None
            if book is not None and place.site.parcels is not None:
                from geosite.fieldbook.rough_place import surroundings

                near = surroundings(place.site.anchor, book.local, book.run)
            attached = read_attached(
                place.site, site_path.parent, place.file, place.line, wrong, near
            )
    if place is None:
        raise InputError(wrong.first())
    if place.site is None or book is None:
        check_systems(place, wrong)
        raise InputError(wrong.first())
    site = _with_days(place.site)
    check_against_book(site, book, place, wrong)
    check_walks(site, book, place, refused, findings)
    if len(wrong) or len(refused):
        check_systems(place, wrong)
    if len(wrong):
        raise InputError([*wrong.first(), *(refused.first() if len(refused) else [])])
    if len(refused):
        raise SurveyRefused(refused.first())
    look_at(site, book, findings)
    findings += stray_tolerances(site, book, attached, place)
    look_at_numbers(place.raw, site, place, findings)
    look_at_idle_keys(place.raw, site, book, place, findings)
    return Notes(site, place.file, site_path.parent, book, tuple(findings), place.lines, attached)


def _read_named_book(
    place: SiteText, folder: Path, problems: Problems, findings: list[Finding]
) -> FieldBook | None:
    survey = place.survey
    if survey is None:
        return None
    before = len(problems)
    check_columns(survey, place, problems)
    line = place.line("survey", "file")
    path = inside(folder, survey.file, "survey.file", problems, place.file, line)
    if path is None or len(problems) > before:
        return None
    if survey.layer is not None and path.suffix.lower() == ".csv":
        findings.append(
            Finding(
                "note",
                "layer-unused",
                "survey.layer is set, but a CSV field book has no layers.",
                place.file,
                place.line("survey", "layer"),
            )
        )
    return read_book(path, str(path), survey, problems, findings, place)


def _with_days(site: SiteFile) -> SiteFile:
    """Reduce dates with a time to the day."""
    replace = msgspec.structs.replace
    if site.site.date:
        site = replace(site, site=replace(site.site, date=iso_day(site.site.date)))
    if site.submission.issued:
        issued = iso_day(site.submission.issued)
        site = replace(site, submission=replace(site.submission, issued=issued))
    azimuth = site.anchor.azimuth
    if azimuth is not None and azimuth.date:
        azimuth = replace(azimuth, date=iso_day(azimuth.date))
        site = replace(site, anchor=replace(site.anchor, azimuth=azimuth))
    return site
