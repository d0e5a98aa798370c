"""Opening what the user named: plain files only, and for a site file only within its own folder."""

from __future__ import annotations

import codecs
import math
import os
import stat
import unicodedata
from pathlib import Path, PurePosixPath, PureWindowsPath

from geosite.base.errors import InputError, Problem
from geosite.base.problems import Problems

__all__ = [
    "NAME_LIMIT",
    "as_utf8",
    "check_plain_file",
    "clean_name",
    "decode",
    "inside",
    "name_fault",
    "read_plain_file",
    "refuse_empty",
]

NAME_LIMIT = 200
BLOCK = 1_000_000

_KINDS = {
    b"PK\x03\x04": "a zip or spreadsheet file",
    b"SQLite format 3\x00": "a database file",
    b"%PDF": "a PDF file",
    b"\x89PNG": "a picture",
    b"\xff\xd8\xff": "a picture",
    b"\xd0\xcf\x11\xe0": "an old spreadsheet file",
}


def inside(
    folder: Path, named: str, key: str, problems: Problems, file: str, line: int | None
) -> Path | None:
    """Return the file that a site file names, which must lie in the site file's folder.

    Parameters
    ----------
    folder
        Folder of the site file.
    named
        Path as written in the site file.
    key
        Where it is written, ``survey.file``.
    problems
        Receives what is wrong; the answer is then ``None``.
    file, line
        The site file and the line of `key`, for the message.

    Examples
    --------
    >>> problems = Problems()
    >>> inside(Path("sample_data"), "../a.csv", "survey.file", problems, "site.toml", 3)
    >>> problems.codes
    {'path-outside'}
    """
    windows = PureWindowsPath(named)
    if PurePosixPath(named).is_absolute() or windows.drive or windows.root:
        problems.add(
            "path-absolute",
            f'{key} is the absolute path "{named}"',
            "a path relative to the site file's folder",
            "put the file beside the site file and write its name alone",
            file,
            line,
        )
        return None
    if "\\" in named and not (folder / named).exists():
        named = named.replace("\\", "/")  # as some systems write paths
    try:
        root = folder.resolve()
        path = (folder / named).resolve()
        # later Pythons leave a link that leads to itself as it is, without a word
        if any(os.path.islink(one) for one in (path, *path.parents)):
            raise RuntimeError("links lead in a circle")
    except (OSError, RuntimeError, ValueError) as error:
        problems.add(
            "path-unusable",
            f'{key} is "{named}", which cannot be followed ({_reason(error)})',
            "a file in the site file's folder",
            "correct the path, or name the file in plain letters"
            if isinstance(error, UnicodeError)
            else "correct the path",
            file,
            line,
        )
        return None
    if root != path and root not in path.parents:
        problems.add(
            "path-outside",
            f'{key} is "{named}", which leads out of the site file\'s folder',
            "a file in that folder or below it",
            "copy the file beside the site file",
            file,
            line,
        )
        return None
    return folder / named


def _reason(error: BaseException) -> str:
    if isinstance(error, UnicodeError):
        return "the character set of this terminal has no such letters"
    return getattr(error, "strerror", None) or "not a usable path"


def read_plain_file(
    path: Path,
    shown_as: str,
    what: str,
    limit: int,
    problems: Problems,
    named_in: tuple[str, int | None] | None = None,
) -> bytes | None:
    """Return the bytes of a regular file, or report why not.

    Parameters
    ----------
    path, shown_as
        The file, and how the user named it.
    what
        ``"the site file"``, ``"the field book"``, ``"parcels.file: the file"``.
    limit
        Largest size in bytes.
    named_in
        File and line that name it, where that is not the call itself.

    Examples
    --------
    >>> problems = Problems()
    >>> read_plain_file(Path("sample_data"), "sample_data", "the field book", 1000, problems)
    >>> problems.codes
    {'file-is-folder'}
    """
    if not check_plain_file(path, shown_as, what, limit, problems, named_in):
        return None
    try:
        data = path.read_bytes()
    except OSError as error:
        problems.add(
            "file-unreadable",
            f"{what} cannot be read ({_reason(error)})",
            "a file you are allowed to read",
            "check its permissions",
            shown_as,
        )
        return None
    if not data.strip():
        problems.add(
            "file-empty",
            f"{what} is empty",
            "text in it",
            "check that the export or copy went through",
            shown_as,
        )
        return None
    return data


def check_plain_file(
    path: Path,
    shown_as: str,
    what: str,
    limit: int,
    problems: Problems,
    named_in: tuple[str, int | None] | None = None,
) -> bool:
    """Report whether a path is a regular file of at most `limit` bytes."""
    file, line = named_in or (shown_as, None)
    # where the file begins the line its name is not said again
    subject = what if named_in is None else f'{what} "{shown_as}"'
    try:
        status = os.stat(path)
    except (OSError, ValueError) as error:
        gone = isinstance(error, FileNotFoundError | NotADirectoryError)
        problems.add(
            "file-missing" if gone else "file-unreadable",
            f"{subject} " + ("does not exist" if gone else f"cannot be opened ({_reason(error)})"),
            "an existing file",
            "check the name and the folder",
            file,
            line,
        )
        return False
    if stat.S_ISDIR(status.st_mode):
        problems.add(
            "file-is-folder",
            f"{subject} is a folder",
            "a file",
            "name the file in it",
            file,
            line,
        )
        return False
    if not stat.S_ISREG(status.st_mode):
        problems.add(
            "file-not-regular",
            f"{subject} is a device, pipe or socket",
            "a plain file",
            "save the text into a file first",
            file,
            line,
        )
        return False
    if status.st_size > limit:
        problems.add(
            "file-too-large",
            f"{what} has {math.ceil(status.st_size / 1e5) / 10:g} MB",
            f"at most {limit / 1e6:.0f} MB",
            "check that it is the right file, or split the survey",
            shown_as,
        )
        return False
    return True


def as_utf8(data: bytes) -> bytes:
    """Return UTF-16 text as UTF-8, anything else as it is.

    Examples
    --------
    >>> as_utf8("x,y".encode("utf-16"))
    b'x,y'
    """
    head = data[:4096]
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        name = "utf-16"
    elif head.count(0) * 4 > len(head) and 0 in (head[::2].count(0), head[1::2].count(0)):
        name = "utf-16-le" if head[1::2].count(0) else "utf-16-be"
    else:
        return data
    try:
        return data.decode(name).encode("utf-8")
    except UnicodeError:
        return data  # told as what it is


def refuse_empty(text: str, expected: str, file: str) -> None:
    """Refuse a table in which nothing is written but separators and quotes.

    Raises
    ------
    InputError
        There is nothing in it.

    Examples
    --------
    >>> refuse_empty("easting,northing", "points", "points.csv")
    >>> refuse_empty("  ,,  ", "points", "points.csv")  # doctest: +ELLIPSIS
    Traceback (most recent call last):
    geosite.base.errors.InputError: points.csv: there is nothing in it; expected points; ...
    """
    if not text.strip(", \t\r\n\"';|"):
        raise InputError(
            Problem(
                "file-empty",
                "there is nothing in it",
                expected,
                "check that the export or copy went through",
                file,
            )
        )


def decode(data: bytes, file: str, what: str, problems: Problems) -> bool:
    """Report whether bytes are UTF-8 text without NUL, naming what they look like if not.

    Parameters
    ----------
    data, file, what
        The bytes, and how to call them in messages: ``"site file"`` or ``"field book"``.
    problems
        Receives what is wrong.

    Examples
    --------
    >>> problems = Problems()
    >>> decode(b"run,point", "walk.csv", "field book", problems)
    True
    >>> decode(b"%PDF-1.7", "walk.csv", "field book", problems), problems.codes
    (False, {'not-text'})
    """
    for start, kind in _KINDS.items():
        if data.startswith(start):
            problems.add(
                "not-text",
                f"the {what} is {kind}, not text",
                "UTF-8 text",
                "export it as text, or give the file its right extension",
                file,
            )
            return False
    wide = data[:4096]
    if data.startswith((b"\xff\xfe", b"\xfe\xff")) or (
        b"\0" in wide
        and min(wide[::2].count(0), wide[1::2].count(0)) * 4 < wide.count(0) > len(wide) // 4
    ):
        problems.add(
            "encoding",
            f"the {what} is UTF-16 text",
            "UTF-8",
            'save it as "UTF-8" (in a spreadsheet: "CSV UTF-8")',
            file,
            1,
        )
        return False
    nul = data.find(b"\0")
    if nul >= 0:
        problems.add(
            "nul-byte",
            f"the {what} contains a NUL byte",
            "text",
            "export it again: the file is damaged or not text",
            file,
            data.count(b"\n", 0, nul) + 1,
        )
        return False
    at = _first_wrong_byte(data)
    if at is not None:
        problems.add(
            "encoding",
            f"byte 0x{data[at]:02x} is not UTF-8; it looks like Latin-1 or Windows text"
            f' ("{bytes([data[at]]).decode("latin-1")}")',
            "UTF-8",
            'save it as "UTF-8" (in a spreadsheet: "CSV UTF-8")',
            file,
            data.count(b"\n", 0, at) + 1,
        )
        return False
    return True


def _first_wrong_byte(data: bytes) -> int | None:
    """Return where UTF-8 ends; in blocks, since text takes up to four times the room of bytes."""
    decoder = codecs.getincrementaldecoder("utf-8")()
    for start in range(0, len(data), BLOCK):
        held = len(decoder.getstate()[0])
        try:
            decoder.decode(data[start : start + BLOCK], start + BLOCK >= len(data))
        except UnicodeDecodeError as error:
            return start - held + error.start
    return None


def clean_name(text: str) -> str:
    """Return a name in the one spelling that names are compared in.

    Composed characters (NFC), plain spaces for the typographic ones, none at the ends.

    Examples
    --------
    >>> clean_name("  north gate ")
    'north gate'
    """
    text = text.strip()
    if text.isascii():
        return text
    spaced = "".join(" " if unicodedata.category(c) == "Zs" else c for c in text)
    return unicodedata.normalize("NFC", spaced)


def name_fault(name: str) -> tuple[str, str] | None:
    r"""Return what is wrong with a name and what to do, or ``None`` for a usable one.

    Examples
    --------
    >>> name_fault("north gate") is None
    True
    >>> name_fault("a\x07b")[0]
    'contains the control character U+0007'
    """
    if len(name) > NAME_LIMIT:
        return f"has {len(name)} characters", "shorten it"
    if not name.isprintable():
        bad = next(c for c in name if not c.isprintable())
        kind = "control" if unicodedata.category(bad) == "Cc" else "invisible"
        return f"contains the {kind} character U+{ord(bad):04X}", "type it again without it"
    return None
