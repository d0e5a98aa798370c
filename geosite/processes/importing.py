"""Writing what an import made: field book, site file and sketch, into a folder of their own."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, Literal

from geosite.base.errors import InputError, OutputRefused, Problem
from geosite.base.problems import Problems
from geosite.base.units import FOOT_M, length_m
from geosite.fieldbook.imports.importing import Imported, import_exports
from geosite.fieldbook.imports.model import ROLES, Answers, Unit
from geosite.fieldbook.imports.wording import facts, preview
from geosite.reading.written_numbers import Decimal

__all__ = ["answers_from", "as_facts", "import_into", "refuse_full", "said"]


def answers_from(
    *,
    columns: Sequence[str] = (),
    unit: Unit | None = None,
    decimal: Decimal | None = None,
    baseline: str | None = None,
    baseline_length: str | None = None,
    crs: str | None = None,
    marks: Sequence[str] = (),
    title: str | None = None,
) -> Answers:
    """Return answers from words as a command line has them.

    Parameters
    ----------
    columns
        ``"x=Easting"``, ``"z=-4"``.
    unit, decimal, crs, title
    baseline
        ``"B1,B2"``.
    baseline_length
        With its unit, ``"32.8 ft"``.
    marks
        ``"B1=512640,5276210"``, with the elevation as a third number.

    Raises
    ------
    InputError
        With every word that is not understood.

    Examples
    --------
    >>> answers_from(columns=["x=-2"], baseline_length="10 m").baseline_m
    (10.0, '10 m')
    """
    problems = Problems()
    by_role = _columns(columns, problems)
    ends = tuple(part.strip() for part in baseline.split(",")) if baseline else ()
    if baseline and (len(ends) != 2 or not all(ends)):
        problems.add(
            "option-unreadable",
            f"--baseline {baseline} is not understood",
            "two marks with a comma between",
            "write for example --baseline B1,B2",
        )
    elif baseline and ends[0] == ends[1]:
        problems.add(
            "option-unreadable",
            f"--baseline {baseline} names one mark twice",
            "two different marks",
            "name the two marks that every walk visits",
        )
    if crs:
        _try_crs(crs, problems)
    known = length_m(baseline_length) if baseline_length else None
    if baseline_length and not known:
        problems.add(
            "option-unreadable",
            f"--baseline-length {baseline_length} is not understood",
            "a length with its unit",
            'write for example --baseline-length "32.8 ft"',
        )
    places = {name: place for name, place in (_mark(word, problems) for word in marks) if place}
    if len(problems):
        raise InputError(problems.first())
    return Answers(
        by_role,
        unit,
        decimal,
        (ends[0], ends[1]) if len(ends) == 2 else None,
        (known, baseline_length) if known and baseline_length else None,
        crs,
        places,
        title,
    )


def _try_crs(crs: str, problems: Problems) -> None:
    """Refuse now what the first check of the imported site would refuse."""
    from geosite.reading.crs import read_systems

    try:
        read_systems(crs, None)
    except InputError as error:
        for problem in error.problems:
            problems.add(problem.code, f"--crs: {problem.what}", problem.expected, problem.remedy)


def _columns(words: Sequence[str], problems: Problems) -> dict[str, str]:
    by_role: dict[str, str] = {}
    for word in words:
        role, _, name = word.partition("=")
        if role not in ROLES or not name:
            problems.add(
                "option-unreadable",
                f"--column {word} is not understood",
                f"ROLE=NAME or ROLE=NUMBER with one of the roles {', '.join(ROLES)}",
                "write for example --column x=Easting, or --column z=-4 for an axis that is turned",
            )
        by_role[role] = name
    return by_role


def _mark(word: str, problems: Problems) -> tuple[str, tuple[float, ...]]:
    name, _, numbers = word.partition("=")
    try:
        place = tuple(float(part) for part in numbers.split(","))
    except ValueError:
        place = ()
    if not name or len(place) not in (2, 3) or not all(map(math.isfinite, place)):
        problems.add(
            "option-unreadable",
            f"--mark {word} is not understood",
            "NAME=EASTING,NORTHING or NAME=EASTING,NORTHING,ELEVATION in map units",
            "write for example --mark B1=512640.0,5276210.0",
        )
        return name, ()
    return name, place


def import_into(paths: Sequence[Path], out: Path, answers: Answers) -> Imported:
    """Import exports into a new or empty folder.

    Parameters
    ----------
    paths
        The exports.
    out
        Gets ``field_book.csv``, ``site.toml`` and ``sketch.svg``.
    answers

    Raises
    ------
    InputError
        The exports cannot be read or leave a question open.
    OutputRefused
        The folder holds something already or cannot be written.
    """
    from geosite.handover.folder.staging import staged

    made = import_exports(paths, answers)
    refuse_full(out)
    with staged(out) as staging:
        for name, content in made.files.items():
            (staging / name).write_bytes(content)
        (staging / "sketch.svg").write_text(_sketch(made, staging), encoding="utf-8")
    return made


def refuse_full(folder: Path) -> None:
    """Refuse a folder that holds something already.

    Raises
    ------
    OutputRefused
    """
    try:
        file = folder.exists() and not folder.is_dir()
        taken = file or (folder.is_dir() and any(folder.iterdir()))
    except OSError:
        taken = False  # the folder cannot be looked into; writing will say why
    if taken:
        raise OutputRefused(
            Problem(
                "folder-not-empty",
                "is a file" if file else "there are files in the folder already",
                "a new or an empty folder",
                "choose another name",
                str(folder),
            )
        )


def _sketch(made: Imported, folder: Path) -> str:
    from geosite.drawing.svg import svg
    from geosite.fieldbook.sketch import sketch_sheet

    book, laid = _laid_out(made, folder)
    return svg(sketch_sheet(book, laid, "Imported walk", unit=_told_in(made)))


def _told_in(made: Imported) -> str:
    """Return the unit of what is told, ``"units"`` where nothing says which they are."""
    return "units" if made.unit is None else "m" if made.unit == "m" else "ft"


def _laid_out(made: Imported, folder: Path) -> tuple[Any, Any]:
    """Read the field book that was made, as any other, and lay its walks on each other."""
    from geosite.fieldbook.book import read_book
    from geosite.fieldbook.read_site_file import SiteText
    from geosite.fieldbook.rough_layout import lay_out
    from geosite.fieldbook.sitefile import Survey

    problems = Problems()
    survey = Survey(file="field_book.csv", unit=made.unit or "m")
    place = SiteText("site.toml", "", None, survey, None)
    book = read_book(folder / "field_book.csv", "field_book.csv", survey, problems, [], place)
    if len(problems) or book is None:
        raise InputError(problems.first())
    return book, lay_out(book, (made.baseline.start, made.baseline.end))


def said(
    made: Imported, out: Path
) -> Iterator[tuple[Literal["title", "plain", "good", "look"], str]]:
    """Put an import into lines for people: what each column is, the sketch, what to do next."""
    from geosite.fieldbook.sketch import sketch_text

    yield from preview(made)
    yield "title", "Sketch (laid on the baseline, not adjusted)"
    book, laid = _laid_out(made, out)
    for line in sketch_text(book, laid):
        yield "plain", f"  {line}"
    if laid.misclosures:
        worst, unit = laid.misclosures[0], _told_in(made)
        unit_m = FOOT_M if unit == "ft" else 1.0
        yield (
            "plain",
            f"  Largest misclosure: {worst.length_m / unit_m:.3f} {unit} at {worst.mark} after"
            f" {worst.way_m / unit_m:.0f} {unit}",
        )
    yield "good", f"{out / 'site.toml'} is written, with field_book.csv and sketch.svg beside it"
    yield (
        "plain",
        f"next: {'fill the gaps, then ' if made.gaps else ''}geosite check {out / 'site.toml'}",
    )


def as_facts(made: Imported, out: Path) -> Mapping[str, Any]:
    """Return an import as JSON-ready facts, with the files it wrote."""
    return {
        **facts(made),
        "files": [str(out / name) for name in (*made.files, "sketch.svg")],
    }
