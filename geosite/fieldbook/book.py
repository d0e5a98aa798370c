"""The field book: text rows to typed columns in walking order."""

from __future__ import annotations

import gc
from pathlib import Path

import numpy as np

from geosite.base.arrays import Floats, Ints, Shorts
from geosite.base.errors import Finding, InputError
from geosite.base.memory import give_back
from geosite.base.problems import Problems, nearest, shown
from geosite.base.units import UNIT_M
from geosite.fieldbook.cells import (
    PIECE_LIMIT,
    TIME_FORMS,
    Names,
    Segments,
    Texts,
    Written,
    coordinates,
    report_bad_segments,
    times,
)
from geosite.fieldbook.model import PIECE_KINDS, FieldBook
from geosite.fieldbook.read_site_file import SiteText
from geosite.fieldbook.sitefile import Survey
from geosite.reading.files import NAME_LIMIT, name_fault
from geosite.reading.tables import Rows, open_csv, text_rows

__all__ = ["COLUMNS", "book_from_text", "give_back_of", "read_book"]

REQUIRED = ("run", "point", "x", "y", "z")
COLUMNS = (*REQUIRED, "feature", "code", "segment", "note", "time")

MANY = 200_000
"""Rows from which a book is long: memory that reading it freed is given back."""

# what devices and spreadsheets call these columns, for suggestions only
_OFTEN = {
    "run": ("walk", "session", "track", "setup", "trip"),
    "point": ("name", "mark", "pt", "id", "pointid", "pointname", "station", "number", "no"),
    "x": ("east", "easting", "e", "localx", "xm", "xcoord", "xcoordinate"),
    "y": ("north", "northing", "n", "localy", "ym", "ycoord", "ycoordinate"),
    "z": ("elevation", "height", "h", "elev", "up", "localz", "zm", "zcoord", "altitude"),
}


def normal_header(name: str) -> str:
    """Return a column name as headers are compared: no blanks, no capitals."""
    return "".join(name.split()).casefold()


def read_book(
    path: Path,
    file: str,
    survey: Survey,
    problems: Problems,
    findings: list[Finding],
    place: SiteText,
) -> FieldBook | None:
    """Read a field book.

    Parameters
    ----------
    path, file
        The file, and how to call it in messages.
    survey
        ``[survey]`` of the site file: unit, columns, layer.
    problems
        Receives what is wrong. Where rows were lost, the answer is ``None``; where cells alone
        were bad, it is a book with NaN in their place, good for further checks only.
    findings
        Receives what was noticed.
    place
        The site file that names the field book.
    """
    rows = _rows_of(path, file, survey.layer, problems, place)
    if rows is None:
        return None
    book = _book_of(rows, file, survey, problems, findings)
    del rows
    if book is not None and len(book) > MANY:
        # runs are reckoned one by one: a single long one makes large arrays at every step
        longest = int(np.bincount(book.run[book.run >= 0]).max(initial=0))
        give_back(from_now_on=longest < len(book) / 4)
    return book


def _rows_of(
    path: Path, file: str, layer: str | None, problems: Problems, place: SiteText
) -> Rows | None:
    # what reads layers takes its time to load, and most field books are text
    if path.suffix.lower() != ".csv":
        from geosite.reading.table_layers import is_layer_file, open_layer

        if is_layer_file(path):
            return open_layer(path, file, layer, problems, place)
    return open_csv(path, file, problems, place)


def give_back_of(book: FieldBook) -> None:
    """Give back what one step on a long field book has freed, before the next one begins."""
    if len(book) > MANY:
        # what holds itself by a ring goes only when it is looked for
        gc.collect()
        give_back(from_now_on=False)


def book_from_text(text: str, survey: Survey | None = None, file: str = "field book") -> FieldBook:
    """Return the field book that a text is.

    Parameters
    ----------
    text
        CSV with a header, one row per observation in walking order.
    survey
        ``[survey]`` of a site file: unit, columns; without it metres and the usual columns.
    file
        How to call it in messages.

    Raises
    ------
    InputError
        Everything that is wrong, with its line.

    Examples
    --------
    >>> book = book_from_text('''run,point,x,y,z
    ... R1,B1,0,0,0
    ... R1,B2,3,4,0
    ... R1,,6,8,0.5''')
    >>> book.marks, book.mark.tolist()
    (('B1', 'B2'), [0, 1, -1])
    """
    problems, findings = Problems(), list[Finding]()
    rows = text_rows(text.encode(), file, problems)
    survey = Survey(file=file) if survey is None else survey
    book = None if rows is None else _book_of(rows, file, survey, problems, findings)
    if book is None or problems:
        raise InputError(problems.first())
    return book


def _book_of(
    rows: Rows, file: str, survey: Survey, problems: Problems, findings: list[Finding]
) -> FieldBook | None:
    before = len(problems)
    where = _match_header(rows, survey.columns, file, problems)
    if where is None:
        return None
    unit_m = UNIT_M[survey.unit]
    book = _collect(rows, where, file, unit_m, problems)
    if len(book) == 0 and len(problems) == before:
        problems.add(
            "no-rows",
            "the field book has a header and no rows",
            "one row per observation",
            "check that the export went through",
            file,
            rows.header_line,
        )
    _check_names(book, problems)
    if book.time is not None and len(book) and bool(np.isnan(book.time).any()):
        without = int(np.isnan(book.time).sum())
        findings.append(
            Finding(
                "note",
                "time-unread",
                f"{without} of {len(book)} rows have no time that can be read ({TIME_FORMS}); "
                "there the device is judged by the way walked.",
                file,
                int(book.line[int(np.argmax(np.isnan(book.time)))]),
            )
        )
    _check_duplicates(book, problems, findings)
    # after bad cells the walks can still be checked, after lost rows they cannot
    lost = {"row-length", "csv-syntax", "run-blank", "no-rows"} & problems.codes
    return None if lost or problems.full else book


def _match_header(
    rows: Rows, mapping: dict[str, str], file: str, problems: Problems
) -> dict[str, int] | None:
    """Return the place of each of our columns in the file."""
    headers = [normal_header(name) for name in rows.header]
    before = len(problems)
    where: dict[str, int] = {}
    wanted = {name: normal_header(mapping.get(name, name)) for name in COLUMNS}
    for name, header in wanted.items():
        places = [i for i, h in enumerate(headers) if h == header]
        if len(places) > 1:
            problems.add(
                "column-twice",
                f"two columns are called {shown(rows.header[places[0]])}",
                "one",
                "rename or remove one of them",
                file,
                rows.header_line,
            )
        if places:
            where[name] = places[0]
    if _is_on_earth(rows, headers, {where[axis] for axis in "xy" if axis in where}, file, problems):
        return None
    free = [rows.header[i] for i in range(len(headers)) if headers[i] and i not in where.values()]
    listed = ", ".join(shown(h.strip(), 30) for h in rows.header[:20]) or "nothing"
    if not any(name in where or _likely_header(name, wanted[name], free) for name in REQUIRED):
        problems.add(
            "header-missing",
            "the first row names none of the columns "
            f"{', '.join(mapping.get(name, name) for name in REQUIRED)}; it has {listed}",
            "the names of the columns there",
            "delete what stands above them, map other names in [survey.columns], or let geosite"
            " import make the field book",
            file,
            rows.header_line,
        )
        return None
    near_misses: set[str] = set()
    for name in COLUMNS:
        if name in where:
            continue
        likely = _likely_header(name, wanted[name], free)
        if name in REQUIRED or name in mapping:
            named = shown(mapping[name]) if name in mapping else name
            remedy = f'if it is called otherwise, set {name} = "..." in [survey.columns]'
            if likely is not None:
                near_misses.add(likely)
                remedy = (
                    f"is it {shown(likely)}? then set {name} = {shown(likely)} in [survey.columns]"
                )
            problems.add(
                "column-missing",
                f"the field book has no column {named}"
                + (f" (for {name}, by [survey.columns])" if name in mapping else ""),
                f"it among the columns, which are {listed}",
                remedy,
                file,
                rows.header_line,
            )
        elif likely is not None and likely not in near_misses:
            problems.add(
                "column-near-miss",
                f"the field book has a column {shown(likely)} and none called {name}",
                f"{name}, or another name that cannot be mistaken for it",
                f"rename it, or set {name} = {shown(likely)} in [survey.columns]",
                file,
                rows.header_line,
            )
    return where if len(problems) == before else None


def _is_on_earth(
    rows: Rows, headers: list[str], taken: set[int], file: str, problems: Problems
) -> bool:
    """Tell of latitude and longitude, where no other columns are taken for x and y."""
    if any(headers[i] in ("x", "y") for i in taken):
        return False
    from geosite.fieldbook.book_columns import latitude_and_longitude

    pair = latitude_and_longitude(headers)
    if len(pair) != 2 or taken - {*pair}:
        return False
    if taken and {headers[i] for i in pair} == {"lat", "long"}:
        return False  # whoever says that these are x and y may mean lateral and along
    problems.add(
        "degrees",
        f"{shown(rows.header[pair[0]])} and {shown(rows.header[pair[1]])} are degrees on earth, as"
        " receivers write them, and no lengths",
        "x and y as lengths",
        "transform the list to a projected CRS in metres or feet, and take easting as x and"
        " northing as y",
        file,
        rows.header_line,
    )
    return True


def _likely_header(name: str, wanted: str, free: list[str]) -> str | None:
    for header in free:
        if normal_header(header).replace("_", "") in _OFTEN.get(name, ()):
            return header
    if len(wanted) < 3:
        return None
    return nearest(wanted, [h.strip() for h in free], 0.8)


def _collect(
    rows: Rows, where: dict[str, int], file: str, unit_m: float, problems: Problems
) -> FieldBook:
    names = {key: Names() for key in ("run", "point", "feature", "code")}
    segments, texts = Segments(), Texts()
    parts: dict[str, list[Floats | Ints]] = {
        key: [np.zeros(0)] for key in (*"xyz", *names, "segment", "line")
    }
    notes: list[str] = []
    clocks: list[str] = []  # what one means the whole column tells
    for lines, columns in rows.chunks:
        blank = ("",) * len(lines)
        cells = {key: columns[where[key]] if key in where else blank for key in COLUMNS}
        parts["line"].append(np.array(lines, dtype=np.int64))
        for axis in "xyz":
            written = Written(cells[axis], lines, file, rows.decimal)
            parts[axis].append(coordinates(axis, written, unit_m, problems))
        for key, known in names.items():
            parts[key].append(known.number(cells[key]) - 1)
        words = np.fromiter(map(segments.__getitem__, cells["segment"]), np.int64, len(lines))
        report_bad_segments(cells["segment"], words, lines, file, problems)
        parts["segment"].append(words)
        notes.extend(map(texts.__getitem__, cells["note"]))
        if "time" in where:
            clocks.extend(cells["time"])
        if problems.full:
            break

    def whole(key: str) -> Shorts:
        return np.concatenate(parts.pop(key), dtype=np.int32, casting="unsafe")

    local = np.column_stack([np.concatenate(parts.pop(axis), dtype=np.float64) for axis in "xyz"])
    local *= unit_m
    segment = whole("segment")
    return FieldBook(
        file=file,
        local=local,
        unit_m=unit_m,
        runs=names["run"].names(),
        run=whole("run"),
        marks=names["point"].names(),
        mark=whole("point"),
        features=names["feature"].names(),
        feature=whole("feature"),
        codes=names["code"].names(),
        code=whole("code"),
        kind=(segment // (PIECE_LIMIT + 1)).astype(np.int8),
        piece=(segment % (PIECE_LIMIT + 1)).astype(np.int16),
        notes=tuple(notes),
        line=whole("line"),
        unused=tuple(
            header.strip()
            for i, header in enumerate(rows.header)
            if i not in where.values() and header.strip()
        ),
        time=times(clocks, rows.decimal) if "time" in where else None,
    )


def _check_names(book: FieldBook, problems: Problems) -> None:
    """Report blank runs and names that nobody could read or type."""
    for row in np.flatnonzero(book.run < 0):
        if problems.full:
            return
        problems.add(
            "run-blank",
            "run is blank",
            "the name of the walk in every row",
            "fill it in; with one walk only, any name will do",
            book.file,
            int(book.line[row]),
        )
    columns: tuple[tuple[str, tuple[str, ...], Shorts], ...] = (
        ("run", book.runs, book.run),
        ("point", book.marks, book.mark),
        ("feature", book.features, book.feature),
        ("code", book.codes, book.code),
    )
    for column, names, number in columns:
        if "".join(names).isprintable() and max(map(len, names), default=0) <= NAME_LIMIT:
            continue
        bad = {i: fault for i, name in enumerate(names) if (fault := name_fault(name))}
        first = dict(zip(*np.unique(number, return_index=True), strict=True))
        for i, (what, remedy) in bad.items():
            if problems.full:
                return
            problems.add(
                "name-unusable",
                f"{column} {shown(names[i], 30)} {what}",
                "a name of at most 200 visible characters",
                remedy,
                book.file,
                int(book.line[first[i]]),
            )


def _check_duplicates(book: FieldBook, problems: Problems, findings: list[Finding]) -> None:
    """Report rows that repeat the one before them in their run.

    A mark observed again has other coordinates; a mark that belongs to two features stands there
    once for each. Standing still while streaming is normal and only counted.
    """
    order = np.argsort(book.run, kind="stable")
    first, second = order[:-1], order[1:]
    same = np.ones(len(first), dtype=bool)
    for column in (book.run, book.mark, book.feature):
        same &= column[first] == column[second]
    same &= np.all(book.local[first] == book.local[second], axis=1)
    streamed = (book.mark[second] < 0) & (book.kind[second] == PIECE_KINDS.index("stream"))
    for row, again in zip(first[same & ~streamed], second[same & ~streamed], strict=True):
        if problems.full:
            break
        name = (
            f"mark {shown(book.marks[book.mark[row]], 30)}"
            if book.mark[row] >= 0
            else "its position"
        )
        problems.add(
            "row-duplicate",
            f"the row repeats line {book.line[row]}: same run, {name}, same coordinates",
            "each observation once",
            "remove one of the two",
            book.file,
            int(book.line[again]),
        )
    still = np.flatnonzero(same & streamed)
    if len(still):
        findings.append(
            Finding(
                "note",
                "standing-still",
                f"{len(still)} streamed row{'s' if len(still) > 1 else ''} did not move from"
                " the row before.",
                book.file,
                int(book.line[second[still[0]]]),
            )
        )
