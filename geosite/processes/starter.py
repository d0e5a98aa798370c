"""A starter site: a commented site file and a small invented field book that build as they are."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

from geosite.errors import OutputRefused, Problem

__all__ = ["write"]

_NAMES = ("site.toml", "field_book.csv")


def write(folder: Path) -> Path:
    """Write the starter site into a new or empty folder.

    Returns
    -------
    Path
        The site file.

    Raises
    ------
    OutputRefused
        The folder holds something already or cannot be written.
    """
    from geosite.handover.folder import staged

    try:
        taken = folder.is_dir() and any(folder.iterdir())
    except OSError:
        taken = False  # the folder cannot be looked into; writing will say why
    if taken:
        raise OutputRefused(
            Problem(
                "folder-not-empty",
                "there are files in the folder already",
                "a new or an empty folder",
                "choose another name",
                str(folder),
            )
        )
    with staged(folder) as staging:
        for name in _NAMES:
            text = (files("geosite.processes") / "starter_site" / name).read_bytes()
            (staging / name).write_bytes(text)
    return folder / _NAMES[0]
