"""What must fit together: tables of the site file with each other, and with the field book."""

from __future__ import annotations

import datetime

import numpy as np

from geosite.base.errors import Finding, InputError
from geosite.base.problems import Problems, did_you_mean, nearest, shown
from geosite.fieldbook.book import COLUMNS, normal_header
from geosite.fieldbook.model import FieldBook
from geosite.fieldbook.read_site_file import SiteText
from geosite.fieldbook.sitefile import AnchorMark, SiteFile, Survey
from geosite.reading.crs import read_systems

__all__ = [
    "check_against_book",
    "check_columns",
    "check_site",
    "check_systems",
    "check_walks",
    "iso_day",
]

FARTHEST = 1e8
"""Easting and northing, map units: farther than any projected CRS reaches."""
HIGHEST = 1e5
"""Elevation, map units."""


def check_columns(survey: Survey, place: SiteText, problems: Problems) -> None:
    r"""Check ``[survey.columns]``: our names on the left, each header once on the right.

    Examples
    --------
    >>> place = SiteText("site.toml", '[survey]\ncolumns.heigth = "Z"', None, None, None)
    >>> problems = Problems()
    >>> check_columns(Survey(file="book.csv", columns={"poimt": "Name"}), place, problems)
    >>> print(problems.first()[0].what, "-", problems.first()[0].remedy)
    [survey.columns] maps "poimt" - did you mean "point"?
    """
    headers: dict[str, str] = {}
    for name, header in survey.columns.items():
        line = place.line("survey", "columns", name)
        if name not in COLUMNS:
            near = nearest(name, COLUMNS)
            problems.add(
                "column-unknown",
                f"[survey.columns] maps {shown(name)}",
                "one of " + ", ".join(COLUMNS) + " on the left of the equals sign",
                did_you_mean(near, "remove it"),
                place.file,
                line,
            )
        if not header.strip():
            problems.add(
                "column-blank",
                f"[survey.columns] {name} is blank",
                "the header in the field book",
                "write it, or remove the key",
                place.file,
                line,
            )
        other = headers.setdefault(normal_header(header), name)
        if other != name:
            problems.add(
                "column-shared",
                f"[survey.columns] takes {other} and {name} both from {shown(header)}",
                "a column of its own for each",
                "correct one of them",
                place.file,
                line,
            )


def check_site(site: SiteFile, place: SiteText, problems: Problems) -> None:
    """Check the tables of a site file against each other."""
    if site.baseline.from_ == site.baseline.to:
        problems.add(
            "baseline-one-mark",
            f"[baseline] from and to are both {shown(site.baseline.to)}",
            "two different marks",
            "name the two marks that every run visits",
            place.file,
            place.line("baseline", "to"),
        )
    for name, mark in site.anchor.marks.items():
        _check_anchor_mark(name, mark, place, problems)
    _check_placing(site, place, problems)
    for path, day in (
        (("site", "date"), site.site.date),
        (("anchor", "azimuth", "date"), site.anchor.azimuth and site.anchor.azimuth.date),
        (("submission", "issued"), site.submission.issued),
        *((("runs", name, "date"), run.date) for name, run in site.runs.items()),
        *(
            (("sheet", "revisions", number, "date"), revision.date)
            for number, revision in enumerate(site.sheet.revisions)
        ),
    ):
        if not day:
            continue
        name, read = ".".join(map(str, path)), iso_day(day)
        if read is None:
            problems.add(
                "date-unreadable",
                f"{name} is {shown(day)}",
                "a day such as 2026-04-12",
                "write year, month and day with dashes",
                place.file,
                place.line(*path),
            )
        elif not _EARLIEST <= read <= _LATEST:
            problems.add(
                "date-unlikely",
                f"{name} is {shown(day)}",
                f"a day from {_EARLIEST} to {_LATEST}",
                "correct the year",
                place.file,
                place.line(*path),
            )
    azimuth = site.anchor.azimuth
    if azimuth is not None and azimuth.reference == "magnetic" and not azimuth.date:
        problems.add(
            "azimuth-undated",
            "[anchor.azimuth] is magnetic and has no date",
            "the day of the compass reading, since magnetic north moves",
            "add date = 2026-04-12 or whenever it was",
            place.file,
            place.line("anchor", "azimuth"),
        )


_EARLIEST, _LATEST = "1900-01-01", "2099-12-31"
"""Days of a walk or a hand-over; other years are slips of the hand."""


def check_systems(place: SiteText, problems: Problems) -> None:
    """Read the CRS of the anchor, so that its faults are told together with all others.

    Needed only where something else is wrong: the network reads the CRS in any case, and the
    library that can is slow to import.

    Examples
    --------
    Longitude and latitude are no map that lengths can be measured on:

    >>> place = SiteText("site.toml", "", None, None, ("EPSG:4326", None))
    >>> problems = Problems()
    >>> check_systems(place, problems)
    >>> problems.codes
    {'crs-geographic'}
    """
    if place.systems is None:
        return
    lines = place.line("anchor", "crs"), place.line("anchor", "vertical_crs")
    try:
        read_systems(*place.systems, place.file, lines)
    except InputError as error:
        problems.extend(error.problems)


def iso_day(text: str) -> str | None:
    """Return the calendar day of an ISO 8601 date or date and time, or ``None``."""
    try:
        return datetime.datetime.fromisoformat(text).date().isoformat()
    except ValueError:
        return None


def _check_anchor_mark(name: str, mark: AnchorMark, place: SiteText, problems: Problems) -> None:
    table = f"[anchor.marks.{name}]"

    def wrong(code: str, what: str, expected: str, remedy: str, key: str | None = None) -> None:
        path = ("anchor", "marks", name) + ((key,) if key else ())
        problems.add(code, f"{table} {what}", expected, remedy, place.file, place.line(*path))

    grid = [k for k in ("easting", "northing") if getattr(mark, k) is not None]
    globe = [k for k in ("latitude", "longitude") if getattr(mark, k) is not None]
    for pair, both in ((grid, ("easting", "northing")), (globe, ("latitude", "longitude"))):
        if len(pair) == 1:
            other = both[1 - both.index(pair[0])]
            wrong("anchor-half", f"has {pair[0]} without {other}", "both", f"add {other}", pair[0])
    if grid and globe:
        wrong(
            "anchor-two-positions",
            "has both easting, northing and latitude, longitude",
            "one of the two pairs",
            "keep the one that was measured",
        )
    if not grid and not globe and (mark.elevation is None or mark.ellipsoidal_height is not None):
        wrong(
            "anchor-no-position",
            "has no position",
            "easting and northing, or latitude and longitude (a benchmark: elevation alone)",
            "add them",
        )
    if mark.elevation is not None and mark.ellipsoidal_height is not None:
        wrong(
            "anchor-two-heights",
            "has both elevation and ellipsoidal_height",
            "one of the two",
            "keep the one that was measured",
        )
    for key, limit in (
        ("easting", FARTHEST),
        ("northing", FARTHEST),
        ("elevation", HIGHEST),
        ("ellipsoidal_height", HIGHEST),
    ):
        value = getattr(mark, key)
        if value is not None and abs(value) > limit:
            wrong(
                "anchor-too-far",
                f"{key} is {value:.12g}",
                f"a map coordinate within {limit:.0e}",
                "check the decimal point and the CRS",
                key,
            )


def _placing(site: SiteFile) -> dict[str, AnchorMark]:
    """Return the marks that place the survey: neither check points nor mere benchmarks."""
    return {
        name: mark
        for name, mark in site.anchor.marks.items()
        if not mark.check and (mark.easting is not None or mark.latitude is not None)
    }


def _check_placing(site: SiteFile, place: SiteText, problems: Problems) -> None:
    placing = _placing(site)
    needed = 1 if site.anchor.azimuth is not None else 2
    if len(placing) < needed:
        others = len(site.anchor.marks) - len(placing)
        problems.add(
            "anchor-too-few",
            f"[anchor.marks] has {len(placing) or 'no'} mark{'s' if len(placing) != 1 else ''}"
            " to place the survey by"
            + (f" ({others} only for checking or for elevation)" if others else ""),
            "two, or one and [anchor.azimuth]",
            "add a mark with a known position, or the azimuth of the baseline",
            place.file,
            place.line("anchor", "marks"),
        )


def check_against_book(
    site: SiteFile, book: FieldBook, place: SiteText, problems: Problems
) -> None:
    """Check that marks and features named in the site file are in the field book."""
    listed = (
        site.surface.exclude,
        site.drainage.flow_paths_from,
        site.sections,
        site.grades.lines,
        site.earthworks,
        site.runs,
    )
    if not any(listed):
        return
    marks, features = dict.fromkeys(book.marks), dict.fromkeys(book.features)
    both = marks | features

    def known(names: tuple[str, ...], among: dict[str, None], kind: str, *path: str) -> None:
        for i, name in enumerate(names):
            if name in among or problems.full:
                continue
            near = problems.suggest(name, among)
            problems.add(
                "name-unknown",
                f"{'.'.join(path)} names the {kind} {shown(name)}",
                f"a {kind} of the field book",
                did_you_mean(near, "correct the name or remove it"),
                place.file,
                place.line(*path, i),
            )

    runs = dict.fromkeys(book.runs)
    for run in site.runs:
        if run not in runs:
            near = problems.suggest(run, runs)
            problems.add(
                "name-unknown",
                f"[runs] names the run {shown(run)}",
                "a run of the field book",
                did_you_mean(near, "correct the name or remove it"),
                place.file,
                place.line("runs", run),
            )
    known(site.surface.exclude, features, "feature", "surface", "exclude")
    known(site.drainage.flow_paths_from, both, "mark or feature", "drainage", "flow_paths_from")
    for name, section in site.sections.items():
        known(section.marks, marks, "mark", "sections", name, "marks")
        if section.feature is not None:
            known((section.feature,), features, "feature", "sections", name, "feature")
    for name, grade in site.grades.lines.items():
        named = {"marks": grade.marks, "landing": grade.landing, "gutter": grade.gutter}
        for key, value in named.items():
            known(value, marks, "mark", "grades", "lines", name, key)
        for flare in grade.flares:
            known(flare, marks, "mark", "grades", "lines", name, "flares")
        known(grade.edges or (), features, "feature", "grades", "lines", name, "edges")
        if grade.feature is not None:
            known((grade.feature,), features, "feature", "grades", "lines", name, "feature")
    for name, work in site.earthworks.items():
        known((work.feature,), features, "feature", "earthworks", name, "feature")
        if work.through is not None:
            known((work.through,), marks, "mark", "earthworks", name, "through")


def check_walks(
    site: SiteFile, book: FieldBook, place: SiteText, problems: Problems, findings: list[Finding]
) -> None:
    """Check that every run visits the baseline and that the anchor can hold the survey."""
    named = {site.baseline.from_, site.baseline.to, *site.anchor.marks}
    number = {name: i for i, name in enumerate(book.marks) if name in named}
    _, first_rows = np.unique(book.run, return_index=True)
    ends = {"from": site.baseline.from_, "to": site.baseline.to}
    for end, name in ends.items():
        if name not in number:
            near = problems.suggest(name, book.marks)
            problems.add(
                "baseline-unseen",
                f"baseline mark {shown(name)} is nowhere in the field book",
                "both baseline marks in every run",
                did_you_mean(near, f"correct [baseline] {end}, or the point column"),
                place.file,
                place.line("baseline", end),
            )
            continue
        unvisited = np.ones(len(book.runs), dtype=bool)
        unvisited[book.run[book.mark == number[name]]] = False
        for run in np.flatnonzero(unvisited).tolist():
            if problems.full:
                break
            problems.add(
                "run-without-baseline",
                f"run {shown(book.runs[run])} never visits mark {shown(name)}",
                "both baseline marks in every run, since they tie it to the others",
                "walk the run again over both, or leave its rows out",
                book.file,
                int(book.line[first_rows[run]]),
            )
    _check_anchor_seen(site, number, book.marks, place, problems, findings)


def _check_anchor_seen(
    site: SiteFile,
    number: dict[str, int],
    marks: tuple[str, ...],
    place: SiteText,
    problems: Problems,
    findings: list[Finding],
) -> None:
    placing = _placing(site)
    needed = 1 if site.anchor.azimuth is not None else 2
    enough = sum(name in number for name in placing) >= needed
    for name, mark in site.anchor.marks.items():
        if name in number:
            continue
        line = place.line("anchor", "marks", name)
        near = problems.suggest(name, marks)
        if enough or name not in placing:
            findings.append(
                Finding(
                    "look",
                    "anchor-unseen",
                    f"{'Check point' if mark.check else 'Anchor mark'} {name} is not in the field"
                    " book" + (f"; did you mean {near}?" if near else " and is not used."),
                    place.file,
                    line,
                )
            )
        else:
            problems.add(
                "anchor-unseen",
                f"anchor mark {shown(name)} is nowhere in the field book",
                f"{'two anchor marks' if needed == 2 else 'one anchor mark'} seen in the survey",
                did_you_mean(near, "correct the name, or walk to the mark"),
                place.file,
                line,
            )
