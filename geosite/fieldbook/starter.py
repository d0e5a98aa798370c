"""The starter site: a commented site file and the field book of an invented ferry landing."""

from __future__ import annotations

from importlib.resources import files

__all__ = ["starter_files"]


def starter_files() -> dict[str, bytes]:
    """Return the files of a starter site, by name, in the order to read them."""
    folder = files("geosite.fieldbook").joinpath("starter")
    return {name: folder.joinpath(name).read_bytes() for name in ("site.toml", "field_book.csv")}
