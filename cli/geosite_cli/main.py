"""Entry point of the command line: exit statuses, and never a traceback.

Status 0 done, 2 bad call or input, 3 survey refused, 4 output refused, 1 a bug, 130 interrupted,
141 the reader of a pipe has left. Click, like everything else that takes time to import, is
imported inside, so that an interrupt during the start is as quiet as a later one.
"""

from __future__ import annotations

import contextlib
import gc
import os
import sys
from collections.abc import Sequence
from typing import NoReturn

from geosite.base import interrupt

__all__ = ["main"]

BUG, BAD_CALL, OUTPUT_REFUSED, INTERRUPTED, PIPE_CLOSED = 1, 2, 4, 130, 141


def main(arguments: Sequence[str] | None = None) -> NoReturn:
    """Run the command and leave with its status."""
    status = BUG
    try:
        interrupt.listen()
        status = _run(sys.argv[1:] if arguments is None else list(arguments))
        sys.stdout.flush()
        interrupt.stop_if_asked()
    except KeyboardInterrupt:
        status = INTERRUPTED
        _say("interrupted; nothing half-written was left")
    except BrokenPipeError:
        status = PIPE_CLOSED
    except OSError as error:  # standard output itself could not be written
        status = OUTPUT_REFUSED
        _say(f"standard output cannot be written ({error.strerror}); look at where it goes")
    finally:
        interrupt.ignore()
        if status in (PIPE_CLOSED, OUTPUT_REFUSED):
            # the interpreter flushes once more when it leaves and would complain again
            _silence(sys.stdout)
    sys.exit(status)


def _silence(stream: object) -> None:
    with contextlib.suppress(OSError, ValueError, AttributeError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())  # type: ignore[attr-defined]


def _say(text: str) -> None:
    from geosite.base.errors import printable

    with contextlib.suppress(OSError):
        print(printable(f"geosite: {text}"), file=sys.stderr)


def _run(arguments: list[str]) -> int:
    for name in ("PROJ_DATA", "PROJ_LIB", "GDAL_DATA"):
        # several PROJ and GDAL copies live in one process, each with its own data: foreign breaks
        os.environ.pop(name, None)
    # what goes wrong is said by an error, not by a library's own lines beside it
    os.environ.setdefault("CPL_LOG", os.devnull)  # the name of a file, whatever is written there
    # imports make 100,000s of objects that stay; to look at them again and again for circles of
    # garbage takes a tenth of a small build, and to look once a thirtieth; what is made later
    # makes few such circles
    gc.set_threshold(500_000, 50, 50)
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")  # a terminal that cannot show a character

    import click

    from geosite.base.errors import GeositeError
    from geosite_cli.commands import geosite

    try:
        # not geosite.main(): click would answer a closed pipe and an interrupt in its own way
        with geosite.make_context("geosite", arguments) as context:
            geosite.invoke(context)
    except GeositeError as error:
        for problem in error.problems:
            click.echo(str(problem) if problem.file else f"geosite: {problem}", err=True)
        if "--json" in arguments:
            import json
            from dataclasses import asdict

            problems = [asdict(problem) for problem in error.problems]
            click.echo(json.dumps({"problems": problems}, indent=2, sort_keys=True))
        return error.exit_code
    except click.exceptions.Exit as error:
        return error.exit_code
    except click.Abort:
        raise KeyboardInterrupt from None
    except click.ClickException as error:
        _say(_one_line(error))
        return BAD_CALL
    except (KeyboardInterrupt, BrokenPipeError):
        raise
    except MemoryError:
        _say("this machine has not enough memory for it; use larger cells or a smaller extent")
        return OUTPUT_REFUSED
    except Exception as error:
        if isinstance(error, OSError) and error.filename is None:
            raise
        from geosite_cli.bug_report import report

        return report(error)
    return 0


def _one_line(error: object) -> str:
    import click

    assert isinstance(error, click.ClickException)
    text = " ".join(error.format_message().split()).rstrip(".")
    context = getattr(error, "ctx", None)
    path = context.command_path if context is not None else "geosite"
    return f"{text}; see {path} --help"
