"""Profiles: what a receiver requires, as a small TOML file."""

from __future__ import annotations

import tomllib
from importlib.resources import files
from pathlib import Path
from typing import Annotated

import msgspec
from msgspec import Meta, field

from geosite.base.errors import InputError, Problem
from geosite.base.problems import Problems, did_you_mean, nearest
from geosite.fieldbook.against_schema import name_impossible, refusal
from geosite.fieldbook.sitefile import Table
from geosite.reading.files import decode, read_plain_file
from geosite.reading.toml_lines import TomlText
from geosite.reading.toml_text import parse_toml

__all__ = ["Accuracy", "Element", "LayerRule", "Profile", "built_in", "read_profile"]

_SIZE_LIMIT = 200_000


class Element(Table, frozen=True, kw_only=True):
    """One element of the metadata that must be there."""

    name: str
    """What the receiver calls it."""
    path: str
    """Where it stands below ``gmd:MD_Metadata``: paths of ElementTree, ``|`` between other ways."""
    state: str = ""
    """Where a surveyor states it."""


class LayerRule(Table, frozen=True, kw_only=True):
    """``[layers.NAME]``: a layer of the GeoPackage that must be there."""

    geometry: str | None = None
    """Geometry type, upper case, such as ``"POLYGON"``."""
    columns: tuple[str, ...] = ()
    """Columns that it must have."""


class Accuracy(Table, frozen=True, kw_only=True):
    """``[accuracy]``: the largest errors at 95 % that are accepted, metres."""

    horizontal_95_m: Annotated[float, Meta(gt=0)] | None = None
    vertical_95_m: Annotated[float, Meta(gt=0)] | None = None


class Profile(Table, frozen=True, kw_only=True):
    """What a receiver requires of a hand-over."""

    title: str
    source: str = ""
    """The rule it comes from."""
    files: tuple[str, ...] = ()
    """Names, ``*`` for any part of one."""
    crs: tuple[str, ...] = ()
    """Accepted map CRSs, such as ``"EPSG:25832"``; empty for any."""
    vertical_crs: tuple[str, ...] = ()
    """Accepted vertical CRSs; empty for any, or none."""
    layers: dict[str, LayerRule] = field(default_factory=dict)
    elements: tuple[Element, ...] = ()
    accuracy: Accuracy = Accuracy()


def built_in() -> tuple[str, ...]:
    """Return the names of the profiles that come with geosite.

    Examples
    --------
    >>> built_in()
    ('discovery',)
    """
    folder = files("geosite.handover.submission") / "profiles"
    return tuple(sorted(p.name[:-5] for p in folder.iterdir() if p.name.endswith(".toml")))


def read_profile(
    name: str, beside: Path | None = None, named_in: tuple[str, int | None] | None = None
) -> Profile:
    """Read a profile by its name or from a file.

    Parameters
    ----------
    name
        Of a built-in profile, or a path that ends in ``.toml``.
    beside
        Folder that a path is relative to.
    named_in
        File and line that name it, where that is not the call itself.

    Raises
    ------
    InputError
        There is no such profile, or it is not understood; every fault of its TOML.

    Examples
    --------
    >>> "metadata.xml" in read_profile("discovery").files
    True
    """
    if name in built_in():
        folder = files("geosite.handover.submission") / "profiles"
        return msgspec.convert(tomllib.loads((folder / f"{name}.toml").read_text("utf-8")), Profile)
    if not name.endswith(".toml"):
        close = nearest(name, built_in())
        raise InputError(
            Problem(
                "profile-unknown",
                f'there is no profile "{name}"',
                f"one of {', '.join(built_in())}, or a file that ends in .toml",
                did_you_mean(close, "name a file with what is required"),
            )
        )
    path = Path(name) if beside is None else beside / name
    problems = Problems()
    data = read_plain_file(path, str(path), "the profile", _SIZE_LIMIT, problems, named_in)
    if data is not None and decode(data, str(path), "profile", problems):
        text = data.decode("utf-8-sig")
        tables = parse_toml(text, str(path), problems)
        if tables is not None:
            place = TomlText(str(path), text)
            try:
                profile = msgspec.convert(tables, Profile)
            except msgspec.ValidationError as error:
                schema = msgspec.json.schema(Profile)
                raise refusal(tables, schema, place, error, "the profile") from error
            name_impossible(tables, place, problems)
            if not problems:
                return profile
    raise InputError(problems.first())
