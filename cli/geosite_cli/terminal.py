"""What depends on whether somebody is looking: colour and progress."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable

import click

from geosite.base.errors import printable

__all__ = ["echo", "progress"]

_STYLES = {
    "title": {"bold": True},
    "good": {"fg": "green"},
    "look": {"fg": "yellow"},
    "plain": {},
}


def _coloured(err: bool) -> bool:
    """Colour on a terminal only; see no-color.org."""
    stream = sys.stderr if err else sys.stdout
    return stream.isatty() and not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"


def echo(style: str, text: str, *, err: bool = False) -> None:
    """Print lines on standard output or standard error, in colour on a terminal.

    Names in files from elsewhere may hold what a terminal obeys: it is written out.
    """
    text = "\n".join(map(printable, text.split("\n")))
    click.secho(text, err=err, color=_coloured(err), **_STYLES[style])  # type: ignore[arg-type]


def progress() -> Callable[[float, str], None] | None:
    """Return what shows progress on standard error, or ``None`` where nobody is looking.

    ``GEOSITE_PROGRESS=lines`` is for programs that look on: ``progress SHARE WORDS``, a line each.
    """
    if os.environ.get("GEOSITE_PROGRESS") == "lines":

        def tell(share: float, words: str) -> None:
            click.echo(
                f"progress {min(max(share, 0.0), 1.0):.3f} {' '.join(words.split())}", err=True
            )

        return tell
    if not sys.stderr.isatty() or os.environ.get("TERM") == "dumb":
        return None

    def show(share: float, words: str) -> None:
        done = round(20 * min(max(share, 0.0), 1.0))
        line = f"[{'#' * done}{' ' * (20 - done)}] {words[:50]}"
        # a finished bar is wiped, the result is what stays
        click.echo("\r\x1b[K" + ("" if share >= 1 else line), nl=False, err=True, color=True)

    return show
