"""Files read back before they leave: whole, or the reason why not.

A library that writes to a full disk may say nothing. So every file of a staging folder is looked at
once more when it is on the disk: the tiles of a raster are unpacked, a database is checked, a
document must have its end. Nothing is imported for it that takes long to load.
"""

from __future__ import annotations

import os
import struct
import zlib
from codecs import getincrementaldecoder
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import IO

__all__ = ["fault", "faults"]


def faults(folder: Path) -> Iterator[tuple[str, str]]:
    """Yield every file below a folder that is not whole, by name, and why not.

    Parameters
    ----------
    folder
        Links in it are not followed.
    """
    for base, folders, names in os.walk(folder):
        folders.sort()
        for name in sorted(names):
            path = Path(base, name)
            if not path.is_symlink() and (reason := fault(path)) is not None:
                yield os.path.relpath(path, folder), reason


def fault(path: Path) -> str | None:
    """Return why a file is not whole, or ``None``.

    Parameters
    ----------
    path
        The ending of its name says what it has to be; files of other kinds are taken as they are.

    Notes
    -----
    TIFF: every directory lies in the file, every tile or strip too, and deflated ones unpack to
    their size with the right checksum (RFC 1950). A raster without the bytes of a tile is not
    whole: nobody can tell such a hole from a write that was lost. GeoPackage: SQLite's own check,
    and a CRS row for every layer (OGC 12-128r18, clause 1.1.2).

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = Path(folder, "plan.pdf")
    ...     _ = path.write_bytes(b"%PDF-1.7 and no more")
    ...     fault(path)
    'its end is missing'
    """
    check = _CHECKS.get(path.suffix.lower())
    if check is None:
        return None
    try:
        return check(path)
    except (ValueError, struct.error, zlib.error, IndexError, KeyError, OverflowError) as error:
        return " ".join(str(error).split()) or type(error).__name__


# ---- documents ----------------------------------------------------------------------------------

_LARGEST_PARSED = 200_000_000
"""Bytes of JSON, which has to be in memory whole."""

_BLOCK = 1 << 20
"""Bytes that markup is read by: a parser that gets less looks at a long attribute from its start
again with every block."""


def _text(*ends: bytes) -> Callable[[Path], str | None]:
    """Make the check of a text, which holds no NUL and ends in one of `ends`."""

    def check(path: Path) -> str | None:
        last = b""
        with path.open("rb") as stream:
            while block := stream.read(_BLOCK):
                if b"\0" in block:
                    return "it has a hole"
                last = (last + block)[-100:]
        return None if last.rstrip().endswith(ends) else "its end is missing"

    return check


def _binary(start: bytes, end: bytes) -> Callable[[Path], str | None]:
    """Make the check of a file with a known start and end."""

    def check(path: Path) -> str | None:
        with path.open("rb") as stream:
            if stream.read(len(start)) != start:
                return "its start is missing"
            stream.seek(max(0, stream.seek(0, os.SEEK_END) - len(end) - 8))
            return None if stream.read().rstrip(b"\r\n").endswith(end) else "its end is missing"

    return check


def _json(path: Path) -> str | None:
    import msgspec

    if path.stat().st_size > _LARGEST_PARSED:
        return _END_OF_JSON(path)
    content = path.read_bytes()
    msgspec.json.decode(content, type=msgspec.Raw)  # looks at all of it and keeps nothing
    utf8 = getincrementaldecoder("utf-8")()
    for start in range(0, len(content), _BLOCK):
        utf8.decode(content[start : start + _BLOCK])
    utf8.decode(b"", final=True)
    return None


def _markup(path: Path) -> str | None:
    from xml.parsers import expat

    parser = expat.ParserCreate()
    try:
        with path.open("rb") as stream:
            while block := stream.read(_BLOCK):
                parser.Parse(block, False)
        parser.Parse(b"", True)
    except expat.ExpatError as error:
        return str(error)
    return None


def _archive(path: Path) -> str | None:
    import zipfile

    try:
        with zipfile.ZipFile(path) as archive:
            damaged = archive.testzip()
    except zipfile.BadZipFile as error:
        return str(error)
    return None if damaged is None else f"{damaged} in it is damaged"


# ---- GeoPackage ---------------------------------------------------------------------------------

_WITHOUT_CRS = """
SELECT table_name, srs_id FROM (
    SELECT table_name, srs_id FROM gpkg_contents WHERE srs_id IS NOT NULL
    UNION SELECT table_name, srs_id FROM gpkg_geometry_columns)
WHERE srs_id NOT IN (SELECT srs_id FROM gpkg_spatial_ref_sys) LIMIT 1
"""


def _geopackage(path: Path) -> str | None:
    import sqlite3
    from contextlib import closing

    for ending in ("-journal", "-wal"):
        if Path(f"{path}{ending}").exists():
            return f"the writing of it was not finished, {path.name}{ending} is still there"
    try:
        address = f"{path.resolve().as_uri()}?immutable=1"
        with closing(sqlite3.connect(address, uri=True)) as file:
            (verdict,) = file.execute("PRAGMA integrity_check(1)").fetchone()
            if verdict != "ok":
                return str(verdict)
            lost = file.execute(_WITHOUT_CRS).fetchone()
    except sqlite3.Error as error:
        return str(error)
    return None if lost is None else f"the CRS {lost[1]} of its layer {lost[0]} is missing"


# ---- TIFF ---------------------------------------------------------------------------------------

# TIFF 6.0, section 2: bytes of one value by type; 13 and 16 to 18 as in BigTIFF
_TYPE_SIZES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 13: 4}
_TYPE_SIZES |= {16: 8, 17: 8, 18: 8}
_INTEGERS = {1: "B", 3: "H", 4: "I", 16: "Q"}
_WIDTH, _HEIGHT, _BITS, _COMPRESSION, _SAMPLES, _PLANAR = 256, 257, 258, 259, 277, 284
_STRIP_OFFSETS, _STRIP_ROWS, _STRIP_SIZES = 273, 278, 279
_TILE_WIDTH, _TILE_HEIGHT, _TILE_OFFSETS, _TILE_SIZES = 322, 323, 324, 325
_GEO_KEYS = 34735
_WANTED = frozenset(
    (
        *(_WIDTH, _HEIGHT, _BITS, _COMPRESSION, _SAMPLES, _PLANAR, _GEO_KEYS),
        *(_STRIP_OFFSETS, _STRIP_ROWS, _STRIP_SIZES),
        *(_TILE_WIDTH, _TILE_HEIGHT, _TILE_OFFSETS, _TILE_SIZES),
    )
)
_NONE, _DEFLATE, _OLD_DEFLATE = 1, 8, 32946


def _tiff(path: Path) -> str | None:
    with path.open("rb") as stream:
        size = stream.seek(0, os.SEEK_END)
        stream.seek(0)
        head = stream.read(16)
        if head[:2] not in (b"II", b"MM") or len(head) < 16:
            return "its start is missing"
        order = "<" if head[:2] == b"II" else ">"
        (version,) = struct.unpack(order + "H", head[2:4])
        if version not in (42, 43):
            return "its start is missing"
        is_big = version == 43
        next_at = struct.unpack(order + ("Q" if is_big else "I"), head[8:] if is_big else head[4:8])
        seen: set[int] = set()
        while next_at[0]:
            if next_at[0] in seen:
                return "its directories run in a circle"
            seen.add(next_at[0])
            tags, next_at = _directory(stream, next_at[0], order, is_big, size)
            if (reason := _pieces_fault(stream, tags, size)) is not None:
                return reason
    return None if seen else "it has no directory"


def _read(stream: IO[bytes], at: int, length: int, size: int) -> bytes:
    if at + length > size:
        raise ValueError(f"it ends at {size} bytes and should go on to {at + length}")
    stream.seek(at)
    return stream.read(length)


def _directory(
    stream: IO[bytes], at: int, order: str, is_big: bool, size: int
) -> tuple[dict[int, tuple[int, ...]], tuple[int]]:
    """Read one image directory: the integers of the tags wanted, and where the next one is."""
    count_format, entry_format, inline = ("Q", "HHQ", 8) if is_big else ("H", "HHI", 4)
    count_size = struct.calcsize(order + count_format)
    (count,) = struct.unpack(order + count_format, _read(stream, at, count_size, size))
    entry_size = struct.calcsize(order + entry_format) + inline
    raw = _read(stream, at + count_size, count * entry_size + inline, size)
    tags: dict[int, tuple[int, ...]] = {}
    last = -1
    offset_format = order + ("Q" if is_big else "I")
    for number in range(count):
        entry = raw[number * entry_size : (number + 1) * entry_size]
        tag, kind, values = struct.unpack(order + entry_format, entry[:-inline])
        if tag <= last or kind not in _TYPE_SIZES:
            raise ValueError("a directory in it is damaged")
        last = tag
        length = values * _TYPE_SIZES[kind]
        content = entry[-inline:]
        if length > inline:
            (place,) = struct.unpack(offset_format, content)
            if place + length > size:
                raise ValueError(f"it ends at {size} bytes and should go on to {place + length}")
            if tag in _WANTED:
                content = _read(stream, place, length, size)
        if tag in _WANTED and kind in _INTEGERS:
            tags[tag] = struct.unpack(f"{order}{values}{_INTEGERS[kind]}", content[:length])
    return tags, struct.unpack(offset_format, raw[-inline:])


def _pieces_fault(stream: IO[bytes], tags: Mapping[int, tuple[int, ...]], size: int) -> str | None:
    """Look at the tiles or strips of one image."""
    keys = tags.get(_GEO_KEYS)
    if keys is not None and (len(keys) < 4 or keys[0] != 1 or len(keys) < 4 * (1 + keys[3])):
        return "its CRS is damaged"
    tiled = _TILE_OFFSETS in tags
    offsets = tags[_TILE_OFFSETS if tiled else _STRIP_OFFSETS]
    lengths = tags[_TILE_SIZES if tiled else _STRIP_SIZES]
    unpacked = _unpacked_sizes(tags, tiled)
    if not len(offsets) == len(lengths) == len(unpacked):
        return f"it has {len(offsets)} of {len(unpacked)} pieces"
    compression = tags.get(_COMPRESSION, (_NONE,))[0]
    for number, (at, length, whole) in enumerate(zip(offsets, lengths, unpacked, strict=True)):
        if not at or not length:
            return f"piece {number + 1} of {len(offsets)} is missing"
        if at + length > size:
            return f"it ends at {size} bytes and should go on to {at + length}"
        if compression in (_DEFLATE, _OLD_DEFLATE):
            unpacker = zlib.decompressobj()
            content = unpacker.decompress(_read(stream, at, length, size), whole + 1)
            short = len(content) != whole or not unpacker.eof
        else:
            short = compression == _NONE and length != whole
        if short:
            return f"piece {number + 1} of {len(offsets)} is damaged"
    return None


def _unpacked_sizes(tags: Mapping[int, tuple[int, ...]], tiled: bool) -> list[int]:
    """Return the bytes that each tile or strip unpacks to."""
    width, height = tags[_WIDTH][0], tags[_HEIGHT][0]
    samples = tags.get(_SAMPLES, (1,))[0]
    planes = samples if tags.get(_PLANAR, (1,))[0] == 2 else 1
    bits = sum(tags.get(_BITS, (1,) * samples)) // planes
    if tiled:
        wide, high = tags[_TILE_WIDTH][0], tags[_TILE_HEIGHT][0]
        count = -(-width // wide) * -(-height // high) * planes
        return [(wide * bits + 7) // 8 * high] * count
    high = min(tags.get(_STRIP_ROWS, (height,))[0], height)
    row = (width * bits + 7) // 8
    return [row * min(high, height - top) for top in range(0, height, high)] * planes


_END_OF_JSON = _text(b"}", b"]")

_CHECKS: Mapping[str, Callable[[Path], str | None]] = {
    ".tif": _tiff,
    ".gpkg": _geopackage,
    ".zip": _archive,
    ".pdf": _binary(b"%PDF-", b"%%EOF"),
    ".png": _binary(b"\x89PNG\r\n\x1a\n", b"IEND\xaeB`\x82"),
    ".svg": _markup,
    ".xml": _markup,
    ".sld": _markup,
    ".qml": _markup,
    ".html": _text(b"</html>"),
    ".json": _json,
    ".geojson": _json,
    ".dxf": _text(b"EOF"),
}
