"""Whether a hand-over has what a profile requires; what is missing, and where it is stated."""

from __future__ import annotations

import json
import sqlite3
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from contextlib import closing
from fnmatch import fnmatchcase
from pathlib import Path
from typing import Any

from geosite.base.errors import Problem
from geosite.handover.submission.profile import Profile
from geosite.reading.foreign import damage

__all__ = ["missing"]

_NAMES = {
    "gmd": "http://www.isotc211.org/2005/gmd",
    "gco": "http://www.isotc211.org/2005/gco",
}
_NIL = f"{{{_NAMES['gco']}}}nilReason"
_LARGEST_RECORD = 20 * 2**20
#: Steps of the database's machine after which a foreign one is given up.
_STEPS = 20_000_000


def missing(folder: Path, profile: Profile) -> tuple[Problem, ...]:
    """Return what a hand-over lacks.

    Parameters
    ----------
    folder
        That geosite wrote.
    profile
        What is required.

    Returns
    -------
    tuple of Problem
        One per file, element, layer, column, CRS or accuracy that is not there or not good enough;
        empty when the profile is met.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as name:
    ...     [p.what for p in missing(Path(name), Profile(title="Own", files=("plan.pdf",)))]
    ['plan.pdf is missing']
    """
    return (
        *_files(folder, profile),
        *_elements(folder / "metadata.xml", profile),
        *_layers(folder / "site.gpkg", profile),
        *_systems(folder / "MANIFEST.json", profile),
        *_accuracy(folder / "site.gpkg", profile),
    )


def _files(folder: Path, profile: Profile) -> Iterator[Problem]:
    there = [
        p.relative_to(folder).as_posix()
        for p in sorted(folder.rglob("*"))
        if p.is_file() and not p.is_symlink()
    ]
    for pattern in profile.files:
        if not any(fnmatchcase(name, pattern) for name in there):
            yield Problem(
                "profile-file",
                f"{pattern} is missing",
                f'what the profile "{profile.title}" lists',
                "build the site again with [handover] asking for it",
                file=str(folder),
            )


def _elements(path: Path, profile: Profile) -> Iterator[Problem]:
    if not profile.elements:
        return
    try:
        if path.stat().st_size > _LARGEST_RECORD:
            raise ValueError("it is too large for a record")
        text = path.read_bytes()
        if b"<!ENTITY" in text or b"<!DOCTYPE" in text:
            raise ValueError("it declares entities")
        root = ET.fromstring(text)
    except (OSError, ValueError, ET.ParseError) as error:
        reason = getattr(error, "strerror", None) or error
        yield Problem(
            "profile-record",
            f"the metadata cannot be read ({reason})",
            "an ISO 19139 record",
            "build the site again",
            file=str(path),
        )
        return
    for element in profile.elements:
        found = (node for way in element.path.split("|") for node in root.iterfind(way, _NAMES))
        if not any(_filled(node) for node in found):
            yield Problem(
                "profile-element",
                f"{element.name} is missing",
                f'what the profile "{profile.title}" lists',
                f"state it: {element.state}" if element.state else "state it in the site file",
                file=str(path),
            )


def _filled(node: ET.Element) -> bool:
    return node.get(_NIL) is None and bool("".join(node.itertext()).strip())


def _rows(path: Path, query: str) -> list[tuple[Any, ...]]:
    """Return the rows of a query; the database is only read, and given up when it never ends."""
    if (fault := damage(path)) is not None:
        raise sqlite3.DatabaseError(fault)
    address = f"{path.resolve().as_uri()}?immutable=1"
    with closing(sqlite3.connect(address, uri=True)) as connection:
        connection.set_progress_handler(lambda: 1, _STEPS)
        return connection.execute(query).fetchall()


def _layers(path: Path, profile: Profile) -> Iterator[Problem]:
    if not profile.layers:
        return
    try:
        kinds = dict(
            _rows(path, "SELECT table_name, geometry_type_name FROM gpkg_geometry_columns")
        )
        columns = {
            name: {row[1] for row in _rows(path, f'PRAGMA table_info("{_quoted(name)}")')}
            for name in profile.layers
            if name in kinds
        }
    except (sqlite3.Error, OSError, ValueError) as error:
        yield _unreadable(path, error)
        return
    for name, rule in profile.layers.items():
        if name not in kinds:
            yield Problem(
                "profile-layer",
                f"the layer {name} is missing",
                f'what the profile "{profile.title}" lists',
                "walk and code what belongs on it",
                file=str(path),
            )
            continue
        if rule.geometry is not None and rule.geometry.upper() not in (
            kinds[name],
            f"MULTI{kinds[name]}",
            kinds[name].removeprefix("MULTI"),
        ):
            yield Problem(
                "profile-geometry",
                f"the layer {name} holds {kinds[name]}",
                rule.geometry.upper(),
                "give its code that geometry",
                file=str(path),
            )
        for column in rule.columns:
            if column not in columns[name]:
                yield Problem(
                    "profile-column",
                    f"the layer {name} has no column {column}",
                    f'what the profile "{profile.title}" lists',
                    "rename it in the profile, or ask the receiver",
                    file=str(path),
                )


def _quoted(name: str) -> str:
    return name.replace('"', '""')


def _unreadable(path: Path, error: Exception) -> Problem:
    return Problem(
        "profile-package",
        f"the GeoPackage cannot be read ({' '.join(str(error).split())[:120]})",
        "the layers that the profile lists",
        "build the site again",
        file=str(path),
    )


def _systems(path: Path, profile: Profile) -> Iterator[Problem]:
    wanted = (
        ("crs", profile.crs, "[anchor] crs"),
        ("vertical_crs", profile.vertical_crs, "[anchor] vertical_crs"),
    )
    if not any(codes for _, codes, _ in wanted):
        return
    try:
        about = json.loads(path.read_bytes())
    except (OSError, ValueError, RecursionError):
        about = {}
    for key, codes, state in wanted:
        said = about.get(key) if isinstance(about, dict) else None
        if codes and said not in codes:
            yield Problem(
                "profile-crs",
                f"the {key.replace('_crs', ' CRS').replace('crs', 'CRS')} is {said or 'not said'}",
                " or ".join(codes),
                f"state it: {state}",
                file=str(path),
            )


def _accuracy(path: Path, profile: Profile) -> Iterator[Problem]:
    limits = {
        "h_95_m": profile.accuracy.horizontal_95_m,
        "v_95_m": profile.accuracy.vertical_95_m,
    }
    asked = {column: limit for column, limit in limits.items() if limit is not None}
    for column, limit in asked.items():
        try:
            ((worst, unknown),) = _rows(
                path, f"SELECT max({column}), sum({column} IS NULL) FROM points"
            )
        except (sqlite3.Error, OSError, ValueError) as error:
            yield _unreadable(path, error)
            return
        if worst is None or unknown or worst > limit:
            said = "not known" if worst is None or unknown else f"{worst:.3f} m"
            yield Problem(
                "profile-accuracy",
                f"the worst {column} of the marks is {said}",
                f"at most {limit:g} m",
                "see the advice of geosite check: which one extra measurement helps most",
                file=str(path),
            )
