"""Writing a starter site into a folder of its own."""

from __future__ import annotations

from pathlib import Path

__all__ = ["write"]


def write(folder: Path, starter: str = "landing") -> Path:
    """Write a starter site, which builds as it is, into a new or empty folder.

    Parameters
    ----------
    folder
    starter
        One of `geosite.fieldbook.starter.STARTERS`.

    Returns
    -------
    Path
        The site file.

    Raises
    ------
    InputError
        There is no such starter.
    OutputRefused
        The folder holds something already or cannot be written.
    """
    from geosite.fieldbook.starter import starter_files
    from geosite.handover.folder.staging import staged
    from geosite.processes.importing import refuse_full

    found = starter_files(starter)
    refuse_full(folder)
    with staged(folder) as staging:
        for name, content in found.items():
            (staging / name).write_bytes(content)
    return folder / next(iter(found))
