"""What headers say: the role of a column and the unit of its numbers."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence

from geosite.base.units import unit_named
from geosite.fieldbook.imports.model import Role, Sureness
from geosite.reading.written_numbers import Decimal, as_number

__all__ = [
    "DIRECTIONS",
    "header_rows",
    "plain_header",
    "position_columns",
    "role_of",
    "second_of",
    "unit_of",
]

# generic words of tables in several languages; the first of each is our own
_WORDS: dict[Role, tuple[str, ...]] = {
    "run": ("run", "walk", "session", "track", "trip", "pass", "traverse", "setup", "gang", "lauf"),
    "point": (
        *("point", "name", "mark", "pt", "id", "pointid", "pointname", "pointno", "pointnumber"),
        *("station", "label", "ptid", "ptno", "punkt", "punktnummer", "punktnr", "pnt", "punto"),
        *("no", "nr", "num", "number", "markname", "p", "pkt", "pktnr", "nom", "nome", "ponto"),
    ),
    "x": (
        "x",
        "east",
        "easting",
        "e",
        "localx",
        "xcoord",
        "xcoordinate",
        "este",
        "ost",
        "est",
        "rechts",
        "right",
        "rechtswert",
    ),
    "y": (
        "y",
        "north",
        "northing",
        "n",
        "localy",
        "ycoord",
        "ycoordinate",
        "norte",
        "nord",
        "hoch",
        "forward",
        "hochwert",
    ),
    "z": (
        *("z", "elevation", "height", "elev", "h", "up", "u", "localz", "zcoord", "altitude"),
        *("alt", "hohe", "hoehe", "cota", "altura", "rl", "level", "zcoordinate", "quota"),
        *("hohenn", "hohenhn", "hoheunn", "hoheunhn", "hoheubernn", "hoheubernhn", "nnhohe"),
    ),
    "feature": ("feature", "shape", "object", "outline", "figure", "string", "element", "objekt"),
    "code": (
        *("code", "featurecode", "fcode", "surface", "material", "type", "kind", "class"),
        *("category", "desc", "description", "descriptor"),
    ),
    "segment": ("segment", "seg", "curve", "join", "connection", "linetype"),
    "note": ("note", "notes", "comment", "comments", "remark", "remarks", "bemerkung", "memo"),
    "time": ("time", "timestamp", "datetime", "seconds", "sec", "t", "utc", "zeit", "hora"),
}
DIRECTIONS = ("angle", "azimuth", "bearing", "direction", "hz", "richtung", "winkel")
_DOWN = ("down", "zdown", "depth", "d", "tiefe", "below")
_SOUTH_WEST: dict[str, Role] = {"south": "y", "west": "x", "s": "y", "w": "x"}
# what stands with x, y and z in the names of a place, and not in those of a velocity or a rotation
_PLACE = ("t", "p", "pos", "position", "loc", "location", "coord", "coordinate", "translation")
# the Greek letter and the sign of micro, which fold to the same
_A_SECOND = {"ms": 10**3, "us": 10**6, "\u03bcs": 10**6, "ns": 10**9}
_INSIDE = re.compile(r"[(\[{<]\s*([^)\]}>]+?)\s*[)\]}>]")
_ENDING = re.compile(
    r"[_\s.]+(mm|cm|m|ft|feet|foot|metres?|meters?|usft|ftus|in|inch|inches|yd|yards?|[nuµm]s)$",
    re.IGNORECASE,
)


def plain_header(header: str) -> str:
    """Return a header without unit, accents, capitals and marks.

    Examples
    --------
    >>> plain_header("Höhe [m]"), plain_header("Local_X_ft"), plain_header("Point ID")
    ('hohe', 'localx', 'pointid')
    """
    text = _ENDING.sub("", _INSIDE.sub("", header).strip())
    text = unicodedata.normalize("NFKD", text)
    return "".join(c for c in text.casefold() if c.isalnum())


def role_of(header: str) -> tuple[Role, bool, Sureness] | None:
    """Return the role a header names, whether its axis is turned, and how sure that is.

    Examples
    --------
    >>> role_of("Northing (m)"), role_of("DOWN"), role_of("battery")
    (('y', False, 'sure'), ('z', True, 'sure'), None)
    """
    plain = plain_header(header)
    if plain in _DOWN:
        return "z", True, "sure" if len(plain) > 1 else "likely"
    if plain in _SOUTH_WEST:
        return _SOUTH_WEST[plain], True, "sure" if len(plain) > 1 else "likely"
    for role, words in _WORDS.items():
        if plain in words:
            clear = plain == role or (role in "xyz" and plain in words[:6])
            return role, False, "sure" if clear else "likely"
    return None


def unit_of(header: str) -> str | None:
    """Return the unit of length that a header carries.

    Examples
    --------
    >>> unit_of("x [ft]"), unit_of("z_m"), unit_of("x")
    ('ft', 'm', None)
    """
    for found in (_INSIDE.search(header), _ENDING.search(header.strip())):
        if found is not None and (unit := unit_named(found[1])) is not None:
            return unit
    return None


def second_of(header: str) -> int:
    """Return how many of the unit of time that a header carries make a second.

    Examples
    --------
    >>> second_of("timestamp [ns]"), second_of("time_ms"), second_of("time")
    (1000000000, 1000, 1)
    """
    for found in (_INSIDE.search(header), _ENDING.search(header.strip())):
        if found is not None and (many := _A_SECOND.get(found[1].casefold())) is not None:
            return many
    return 1


def position_columns(header: Sequence[str]) -> dict[Role, int]:
    """Return the columns of x, y and z where one name has all three of them as its letter.

    A name that comes with ``w``, too, is a rotation; one in another unit than of length a velocity,
    an acceleration or a rate.

    Returns
    -------
    dict
        Column by axis; empty where no such name, or more than one, is that of a place.

    Examples
    --------
    >>> position_columns(["timestamp", "tx", "ty", "tz", "qx", "qy", "qz", "qw"])
    {'x': 1, 'y': 2, 'z': 3}
    >>> position_columns(["p_x [m]", "p_y [m]", "p_z [m]", "v_x [m/s]", "v_y [m/s]", "v_z [m/s]"])
    {'x': 0, 'y': 1, 'z': 2}
    >>> position_columns(["ax", "ay", "az"])
    {}
    """
    named: dict[tuple[str, str, str], dict[str, int]] = {}
    for column, head in enumerate(header):
        name, unit = _INSIDE.sub("", head).casefold(), _INSIDE.search(head)
        for at, letter in enumerate(name):
            if letter in "xyzw":
                key = name[:at], name[at + 1 :], unit[1].casefold() if unit else ""
                named.setdefault(key, {}).setdefault(letter, column)
    places: list[dict[Role, int]] = [
        {"x": axes["x"], "y": axes["y"], "z": axes["z"]}
        for (before, after, unit), axes in named.items()
        if axes.keys() == {"x", "y", "z"}
        and (unit_named(unit) if unit else _names_place(before, after))
    ]
    return places[0] if len(places) == 1 else {}


def _names_place(before: str, after: str) -> bool:
    """Whether what stands round the letter of an axis is a word for a place."""
    words = [word for word in re.split(r"[^a-z]+", f"{before} {after}") if word]
    return bool(words) and words[-1] in _PLACE


def header_rows(
    rows: Sequence[Sequence[str]], numeric: Sequence[int], decimal: Decimal
) -> tuple[Sequence[str] | None, Sequence[str] | None, int]:
    """Return the header, a row of units below it, and where the data begin.

    Parameters
    ----------
    rows
        Of the table.
    numeric
        Columns of numbers.
    decimal
        Mark between whole and fraction.

    Returns
    -------
    header
        ``None`` where the table has none.
    units
        Of the row of units below it, without brackets; ``None`` where there is none.
    first
        Number of the first row of data.

    Examples
    --------
    >>> rows = [["name", "x", "y"], ["-", "[m]", "[m]"], ["A1", "0.5", "2.0"]]
    >>> header_rows(rows, [1, 2], ".")
    (['name', 'x', 'y'], ['-', 'm', 'm'], 2)

    A number that is missing from the first observation is a fault of its row:

    >>> header_rows([["name", "x", "y"], ["A1", "", "2.0"], ["A2", "1.5", "2.0"]], [1, 2], ".")
    (['name', 'x', 'y'], None, 1)
    """
    counts = [sum(as_number(row[k], decimal) is not None for k in numeric) for row in rows]
    full = next((i for i, count in enumerate(counts) if 2 * count >= len(numeric)), len(rows))
    # the last row that names every column of numbers; below it one without numbers is data
    naming = [i for i in range(full) if not counts[i] and all(rows[i][k] for k in numeric)]
    named = next((i for i in reversed(naming) if not _are_units(rows[i])), None)
    header: Sequence[str] | None = None
    units: Sequence[str] | None = None
    first = full
    for i, row in enumerate(rows[:full]):
        if header is not None and _are_units(row):
            units = [_INSIDE.sub(r"\1", cell) for cell in row]
        elif named is not None and i > named and any(row):
            first = i
            break
        elif sum(map(bool, row)) >= 3 or _names_axes(row):
            header = row  # else a title, padded with blank cells
    return header, units, first


def _names_axes(row: Sequence[str]) -> bool:
    """Whether a row names two axes, and leaves the third column without a name."""
    meant = [role_of(cell) for cell in row]
    return len({one[0] for one in meant if one is not None and one[0] in "xyz"}) > 1


def _are_units(row: Sequence[str]) -> bool:
    """Whether a row has units alone, such as "[m]", or dashes."""
    bare = [_INSIDE.sub(r"\1", cell) for cell in row if cell]
    return bool(bare) and all(cell == "-" or unit_named(cell) for cell in bare)
