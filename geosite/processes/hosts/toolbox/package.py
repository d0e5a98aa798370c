"""The installable plug-in: a zip file of the folder ``plugin`` beside this module."""

from __future__ import annotations

import io
import zipfile
from importlib.resources import files
from pathlib import Path

from geosite.base.errors import OutputRefused, Problem
from geosite.base.version import __version__
from geosite.handover.folder.one_file import write_whole
from geosite.handover.folder.output_place import reason_of

__all__ = ["write_toolbox"]

FOLDER = "geosite_toolbox"
"""Name of the plug-in's folder in the desktop's profile."""
_STAMP = (1980, 1, 1, 0, 0, 0)


def write_toolbox(path: Path) -> None:
    """Write the plug-in as a zip file that the desktop installs.

    The same version gives the same bytes.

    Raises
    ------
    OutputRefused
        The file cannot be written; one that was there is as it was. Or it is called otherwise than
        a zip file, which the desktop would not offer to install.
    """
    if path.suffix.casefold() != ".zip":
        raise OutputRefused(
            Problem(
                "toolbox-not-zip",
                "is not called a zip file",
                "a name that ends in .zip, for the desktop to find it",
                f"write --out {path.stem or 'toolbox'}.zip",
                file=str(path),
            )
        )
    content = _zip()
    try:
        write_whole(path, content)
    except OSError as error:
        raise _refusal(path, error) from error


def _zip() -> bytes:
    sources = files("geosite.processes.hosts.toolbox") / "plugin"
    names = sorted(
        entry.name for entry in sources.iterdir() if entry.is_file() and entry.name[0] != "."
    )
    content = io.BytesIO()
    with zipfile.ZipFile(content, "w") as archive:
        for name in names:
            text = (sources / name).read_bytes()
            if name == "metadata.txt":
                text = text.replace(b"version=VERSION", f"version={__version__}".encode())
            entry = zipfile.ZipInfo(f"{FOLDER}/{name}", _STAMP)
            entry.compress_type = zipfile.ZIP_DEFLATED
            entry.external_attr = 0o644 << 16
            entry.create_system = 3
            archive.writestr(entry, text)
    return content.getvalue()


def _refusal(path: Path, error: OSError) -> OutputRefused:
    return OutputRefused(
        Problem(
            "output-not-writable",
            f"cannot be written ({reason_of(path, error)}), nothing was changed",
            "a file name in a folder that can be written",
            "choose another name with --out",
            file=str(path),
        )
    )
