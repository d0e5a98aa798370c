"""One run in a process of its own, within limits: ``python -m geosite.processes.hosts.job``.

The host writes one JSON object to standard input and reads JSON lines from standard output:
``{"progress": share, "message": words}`` while it runs, at the end ``{"outputs": {id: file name}}``
or ``{"problems": [line, ...]}``.
"""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path
from typing import Any

from geosite.base.parent_process import die_with_parent

__all__ = ["main"]


def _limit(memory_bytes: int, file_bytes: int) -> None:
    """Let the system stop a run that takes too much memory or disk."""
    if sys.platform == "win32":
        return
    import resource
    import signal

    # a file too large is then an error of the write, not the end of the process
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    for kind, wanted in ((resource.RLIMIT_AS, memory_bytes), (resource.RLIMIT_FSIZE, file_bytes)):
        hard = resource.getrlimit(kind)[1]
        value = wanted if hard == resource.RLIM_INFINITY else min(wanted, hard)
        resource.setrlimit(kind, (value, hard))


def main() -> None:
    """Run what standard input asks for."""
    asked: dict[str, Any] = json.load(sys.stdin)
    die_with_parent(asked["host"])
    for name in ("PROJ_DATA", "PROJ_LIB", "GDAL_DATA"):
        os.environ.pop(name, None)
    _limit(asked["memory_bytes"], asked["file_bytes"])
    answer = sys.stdout

    def say(**line: object) -> None:
        print(json.dumps(line), file=answer, flush=True)

    from geosite.base.errors import GeositeError
    from geosite.processes.registry import PlugInError, execute

    try:
        result = execute(
            asked["process"],
            asked["inputs"],
            Path(asked["out"]),
            progress=lambda share, words: say(progress=share, message=words),
        )
    except GeositeError as error:
        say(problems=[str(problem) for problem in error.problems])
    except MemoryError:
        say(problems=["the run needs more memory than this host allows; use larger cells"])
    except PlugInError as error:
        say(problems=[f"a bug of the package {error.package} ({type(error.__cause__).__name__})"])
    except Exception as error:
        say(problems=[f"a bug in geosite ({type(error).__name__})"])
    else:
        say(outputs={name: Path(one["href"]).name for name, one in result.outputs.items()})


if __name__ == "__main__":
    main()
