"""Writing the starter site into a folder of its own."""

from __future__ import annotations

from pathlib import Path

from geosite.base.errors import OutputRefused, Problem

__all__ = ["write"]


def write(folder: Path) -> Path:
    """Write the starter site, which builds as it is, into a new or empty folder.

    Returns
    -------
    Path
        The site file.

    Raises
    ------
    OutputRefused
        The folder holds something already or cannot be written.
    """
    from geosite.fieldbook.starter import starter_files
    from geosite.handover.folder.staging import staged

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
    found = starter_files()
    with staged(folder) as staging:
        for name, content in found.items():
            (staging / name).write_bytes(content)
    return folder / next(iter(found))
