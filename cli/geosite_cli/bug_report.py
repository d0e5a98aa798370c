"""What is said when something failed that should not have: one line, and what to send to whom."""

from __future__ import annotations

import os
import platform
import traceback

import click

from geosite.base.errors import printable
from geosite.processes.registry import PlugInError

__all__ = ["report"]


def report(error: Exception) -> int:
    """Apologise in one line; write the traceback where ``GEOSITE_DEBUG`` says, if it is set."""
    if isinstance(error, OSError) and not isinstance(error, FileNotFoundError) and error.strerror:
        where = f"{error.filename}: " if error.filename else ""
        click.echo(
            printable(
                f"geosite: {where}{error.strerror}; expected a file and folder that can be read "
                "and written; look at its permissions and the free space"
            ),
            err=True,
        )
        return 4
    cause = error.__cause__ if isinstance(error, PlugInError) and error.__cause__ else error
    name = f"{type(cause).__name__}: {' '.join(str(cause).split())[:200]}".rstrip(": ")
    if isinstance(error, PlugInError):
        what = f"{error.process_id} failed by a bug of the package {error.package} ({name})"
        whom = f"the makers of {error.package}"
    else:
        what = f"sorry, this is a bug in geosite ({name})"
        whom = "the makers of geosite"
    target = os.environ.get("GEOSITE_DEBUG", "")
    if target:
        from geosite.base.version import __version__

        try:
            with open(target, "w", encoding="utf-8", errors="backslashreplace") as stream:
                stream.write(f"geosite {__version__}, Python {platform.python_version()}, ")
                stream.write(f"{platform.system()} {platform.machine()}\n\n")
                stream.writelines(traceback.format_exception(error))
            todo = f"please send {target} and the input files to {whom}"
        except OSError as reason:
            todo = f"GEOSITE_DEBUG names {target}, which cannot be written ({reason.strerror})"
    else:
        todo = (
            f"please run it again with GEOSITE_DEBUG=trace.txt and send that file and the input "
            f"files to {whom}"
        )
    click.echo(printable(f"geosite: {what}; {todo}"), err=True)
    return 1
