"""Care with files that are read through GDAL: looked at before, kept quiet while.

The wrapper that reads vector layers brings the whole process down when the library complains in
bytes that are not UTF-8, which it does about damaged databases. So databases are checked first.
"""

from __future__ import annotations

import glob
import json
import os
import re
import sys
import warnings
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeVar

from geosite.base.problems import shown
from geosite.base.process_copies import CopyDied, Limits, can_copy, in_a_copy
from geosite.reading.databases import crs_texts, database_damage, holds_queries, plain
from geosite.reading.spreadsheets import DAMAGED, sheet_damage

__all__ = [
    "damage",
    "driver_names",
    "harmless",
    "in_limited_copy",
    "name_fault",
    "names_a_file",
    "open_options",
    "quiet",
    "reading_layers",
    "within_limits",
]

Done = TypeVar("Done")

_BY_EXTENSION = {"Shapefile": "shp", "TAB": "tab"}
"""Formats that the library names after their makers; it is asked for the name."""
UNPACKED_LIMIT = 200_000_000
JSON_LIMIT = 50_000_000
"""Bytes; reading JSON takes many times its size in memory."""
LIMITS = Limits(seconds=30, memory=1_000_000_000)
"""What reading one file may take."""
HEAD = 1_000_000
"""Bytes at the start of other files in which the text of a CRS is looked for."""

# What makes PROJ open a file as soon as it understands the text. "@null" is no grid at all.
_FILE_OF_CRS = re.compile(
    r"PARAMETERFILE|PROJ4_GRIDS|\b(?:nad|geoid|xy_|z_)?grids\s*=(?!\s*[\"']|\s*@null)"
    r"|\b(?:init|catalog)\s*=(?!\s*[\"'])|\bproj\s*=\s*(?:tinshift|defmodel)",
    re.IGNORECASE,
)
_CRS_NAME = re.compile(r"urn:[\w:.-]+|https?://www\.opengis\.net/[\w/.#-]+|\w+:[\w.-]+", re.ASCII)
_FOREIGN_CRS = "its CRS names another file or an address, and nothing else is read or fetched"


def damage(path: Path) -> str | None:
    """Return why a file must not be handed to the reading library, or ``None``.

    A name that it would not find; damage in databases, archives and JSON; a CRS that would have
    another file read or an address fetched; a part of a shapefile that is a link to another folder.

    Examples
    --------
    >>> damage(Path("sample_data/ferry_landing/parcels.gpkg")) is None
    True
    """
    if (fault := name_fault(path)) is not None:
        return fault
    with path.open("rb") as stream:
        head = stream.read(HEAD)
    if (fault := _foreign_part(path)) is not None:
        return fault
    if head.startswith(b"SQLite format 3\0"):
        return _database_damage(path)
    if head.startswith(b"PK\x03\x04"):
        return _archive_damage(path) or sheet_damage(path)
    if head.removeprefix(b"\xef\xbb\xbf").lstrip(b" \t\r\n\x1e").startswith((b"{", b"[")):
        return _json_damage(path)
    return _FOREIGN_CRS if names_a_file(head.decode("latin-1")) else None


def name_fault(path: Path) -> str | None:
    """Return why the reading libraries would not find a file by its name, or ``None``.

    They take names as UTF-8, whatever this process takes them as.

    Examples
    --------
    >>> name_fault(Path("sample_data/ferry_landing/parcels.gpkg")) is None
    True
    """
    encoding = sys.getfilesystemencoding()
    try:
        if path.as_posix().encode("utf-8") == os.fsencode(path.as_posix()):
            return None
    except UnicodeEncodeError:
        pass
    part = next((p for p in path.parts if not p.isascii()), path.name)
    return (
        f"set PYTHONUTF8=1, or rename {shown(part, 40)} in plain letters: the library that reads "
        f"it takes names as UTF-8, this terminal as {encoding}"
    )


def names_a_file(crs: str) -> bool:
    """Report whether the text of a CRS would have PROJ read a file that it names.

    Examples
    --------
    >>> names_a_file("EPSG:25832"), names_a_file("+proj=utm +zone=32 +nadgrids=x.gsb")
    (False, True)
    """
    return _FILE_OF_CRS.search(crs) is not None


def _foreign_part(path: Path) -> str | None:
    """Look at the files beside one that belong to it."""
    folder = path.resolve().parent
    for part in sorted(folder.glob(glob.escape(path.stem) + ".*")):
        if part.name == path.name or part.is_dir():
            continue
        if path.suffix.lower() in (".shp", ".dbf") and part.resolve().parent != folder:
            return f"{part.name} is a link to another folder"
        if not part.is_file():
            return f"{part.name} beside it is no plain file"
        ending = part.name[len(path.stem) :].lower()
        if ending in (".prj", ".qpj") or ending.endswith(".aux.xml"):
            with part.open("rb") as stream:
                if names_a_file(stream.read(HEAD).decode("latin-1")):
                    return _FOREIGN_CRS
    return None


def _database_damage(path: Path) -> str | None:
    import sqlite3

    if (fault := database_damage(path)) is not None:
        return fault
    try:
        if not holds_queries(path) and any(map(names_a_file, crs_texts(path))):
            return _FOREIGN_CRS
    except (sqlite3.Error, ValueError) as error:
        return None if "no such module" in str(error) else f"damaged: {error}"
    return None


@contextmanager
def harmless(path: Path) -> Iterator[Path]:
    """Yield a file that the reading library may be given, or a copy that it may be given instead.

    Raises
    ------
    ValueError
        Why not; see `damage`.

    Examples
    --------
    >>> with harmless(Path("sample_data/ferry_landing/parcels.gpkg")) as safe:
    ...     safe.name
    'parcels.gpkg'
    """
    if (fault := damage(path)) is not None:
        raise ValueError(fault)
    with plain(path) as found:
        if found != path and (fault := damage(found)) is not None:
            raise ValueError(fault)
        yield found


def _archive_damage(path: Path) -> str | None:
    import zipfile

    try:
        with zipfile.ZipFile(path) as archive:
            size = sum(member.file_size for member in archive.infolist())
    except DAMAGED as error:
        return f"damaged: {error}"
    if size > UNPACKED_LIMIT:
        return f"unpacks to {size / 1e6:.0f} MB, more than {UNPACKED_LIMIT / 1e6:.0f}"
    return None


def _json_damage(path: Path) -> str | None:
    if path.stat().st_size > JSON_LIMIT:
        return f"more than {JSON_LIMIT / 1e6:.0f} MB of JSON"
    try:
        text = path.read_bytes().decode("utf-8-sig")
        try:
            documents = [json.loads(text)]
        except json.JSONDecodeError as error:
            if error.msg != "Extra data" and "\x1e" not in text:
                raise
            # one feature per line, or after a record separator (RFC 8142)
            documents = [json.loads(line) for line in re.split("[\x1e\n]", text) if line.strip()]
    except RecursionError:
        return "damaged: nested too deeply"
    except ValueError as error:
        return f"damaged: {error}"
    return None if all(map(_harmless_crs, documents)) else _FOREIGN_CRS


def _harmless_crs(document: Any) -> bool:
    """Report whether the CRS of a GeoJSON object is one that its name alone says."""
    crs = document.get("crs") if isinstance(document, dict) else None
    if not isinstance(crs, dict) or crs.get("type") == "EPSG":
        return True
    named = crs.get("properties")
    name = named.get("name") if isinstance(named, dict) else None
    return crs.get("type") == "name" and bool(_CRS_NAME.fullmatch(str(name)))


@contextmanager
def quiet() -> Iterator[None]:
    """Keep warnings and complaints of the reading libraries off the terminal.

    What matters is checked on what was read. Complaints that cannot be decoded would be printed
    twice, as an exception and as one that is ignored.

    Examples
    --------
    >>> with quiet():
    ...     warnings.warn("the file has an odd header")
    """
    hooks = sys.excepthook, sys.unraisablehook
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        sys.excepthook, sys.unraisablehook = (lambda *_: None), (lambda _: None)
        try:
            yield
        finally:
            sys.excepthook, sys.unraisablehook = hooks


@contextmanager
def reading_layers() -> Iterator[None]:
    """Be `quiet`, fetch nothing, and make complaints of the vector library errors of its own.

    Raises
    ------
    FionaError
        Of the body; complaints that arrive bare are among them.
    """
    import fiona
    from fiona._err import CPLE_BaseError
    from fiona.errors import FionaError, UnsupportedGeometryTypeError

    with quiet():
        try:
            # a layer may name a schema at an address of its own
            with fiona.Env(GML_DOWNLOAD_SCHEMA="NO"):
                yield
        except CPLE_BaseError as error:
            raise FionaError(str(error)) from error
        except UnsupportedGeometryTypeError as error:
            raise FionaError(f"geometries of an unknown type, {error}") from error


def within_limits(read: Callable[[], Done]) -> Done:
    """Read a file from outside in a copy of this process, which is ended when it takes too much.

    The copy has 30 s of a processor and a gigabyte, and writes no file. Where this process cannot
    be copied without danger (`geosite.base.process_copies.can_copy`) it reads the file itself.

    Parameters
    ----------
    read
        Opens and reads the file with the vector library; its result can be pickled.

    Raises
    ------
    ValueError
        It takes more, the library crashed, or it complains of the file.
    GeositeError, OSError, TypeError, ...
        Whatever else `read` raises.

    Examples
    --------
    >>> within_limits(lambda: 17)
    17
    """
    # imported before the copy is made: this process will need them too, and copies have them
    from fiona.errors import FionaError
    from shapely.errors import ShapelyError

    def told() -> Done:
        try:
            return read()
        except (FionaError, ShapelyError) as error:
            raise ValueError(str(error)) from error
        except SystemError as error:
            # the wrapper lost an error of the library and came upon it later
            raise ValueError(str(error.__cause__ or "the library cannot tell why")) from error

    return in_limited_copy(told) if can_copy() else told()


def in_limited_copy(read: Callable[[], Done]) -> Done:
    """Read a file from outside in a copy of this process, wherever copies can be made.

    Raises
    ------
    ValueError
        It takes more than the copy has, or the library crashed.
    Exception
        Whatever `read` raises.

    Examples
    --------
    >>> in_limited_copy(lambda: 17)
    17
    """
    with in_a_copy(read, LIMITS) as result:
        try:
            return result()
        except (CopyDied, MemoryError) as error:
            raise ValueError(
                f"reading it takes more than {LIMITS.seconds} s or {LIMITS.memory / 1e9:g} GB, or "
                "breaks the library that reads it"
            ) from error


def open_options(place: Path | str) -> dict[str, str]:
    """Return the options by which opening a layer, or listing layers, leaves no file beside it.

    Examples
    --------
    >>> open_options("walk.gml"), open_options("walk.gpkg")
    ({'WRITE_GFS': 'NO'}, {})
    """
    # this driver writes down what it has found out of the features
    return {"WRITE_GFS": "NO"} if str(place).lower().endswith(".gml") else {}


def driver_names(formats: Iterable[str]) -> list[str]:
    """Return the vector library's own names of some formats.

    Examples
    --------
    >>> driver_names(["GPKG", "GeoJSON"])
    ['GPKG', 'GeoJSON']
    """
    from fiona.drvsupport import driver_from_extension

    return [
        driver_from_extension(f"a.{_BY_EXTENSION[name]}") if name in _BY_EXTENSION else name
        for name in formats
    ]
