"""Run geosite by Windows' rules for files, as far as another system can stand in for it.

    python tests/windows_rules.py build SITE.toml --out DIR [--then ...]

The command runs once as it is into a folder that goes, which loads every library, then by the
rules: a file is flushed by a handle that may write (FlushFileBuffers), folders cannot be opened, no
name is taken by another file without saying so (MoveFile), nothing that is open is moved or
removed, there is no fork, other locks, no signal but an interrupt and an end. Of geosite
itself nothing was loaded before they hold.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
import shutil
import signal
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path
from types import SimpleNamespace

UNKNOWN = (
    *("fork", "sched_getaffinity", "memfd_create", "killpg", "getuid", "geteuid", "sysconf"),
    *("O_NOFOLLOW", "O_CLOEXEC", "O_NONBLOCK", "O_DIRECTORY", "statvfs", "mkfifo", "fchmod"),
)
NO_SIGNALS = ("SIGKILL", "SIGALRM", "SIGXCPU", "SIGHUP", "SIGPIPE", "pthread_sigmask", "alarm")
NO_MODULES = ("fcntl", "resource", "pwd", "grp", "termios")


def held(path: str | os.PathLike[str]) -> bool:
    """Tell whether this process has a file open, or anything in a folder."""
    place = os.path.realpath(path)
    for number in os.listdir("/proc/self/fd"):
        with contextlib.suppress(OSError):
            there = os.readlink(f"/proc/self/fd/{number}")
            if there == place or there.startswith(place + "/"):
                return True
    return False


def keep_windows_rules() -> None:
    """Let this process go by them from now on."""
    flags, may = fcntl.fcntl, fcntl.F_GETFL
    fsync, open_, rename, replace, unlink = os.fsync, os.open, os.rename, os.replace, os.unlink

    def denied(path: object) -> PermissionError:
        return PermissionError(errno.EACCES, "Permission denied", str(path))

    def flush(file):
        number = file if isinstance(file, int) else file.fileno()
        if flags(number, may) & os.O_ACCMODE == os.O_RDONLY:
            raise OSError(errno.EBADF, "Bad file descriptor")
        fsync(number)

    def opened(path, *arguments, **more):
        if os.path.isdir(path):
            raise denied(path)
        return open_(path, *arguments, **more)

    def moved(source, target, **more):
        if os.path.lexists(target):
            raise FileExistsError(errno.EEXIST, "File exists", str(target))
        if held(source):
            raise denied(source)
        rename(source, target, **more)

    def put(source, target, **more):
        if os.path.isdir(target) or held(source) or held(target):
            raise denied(target)
        replace(source, target, **more)

    def removed(path, **more):
        if os.path.isfile(path) and held(path):
            raise denied(path)
        unlink(path, **more)

    os.fsync, os.open, os.rename, os.replace = flush, opened, moved, put
    os.unlink = os.remove = removed
    shutil._use_fd_functions = False  # they walk folders by their handles
    for name in UNKNOWN:
        delattr(os, name)
    for name in NO_SIGNALS:
        delattr(signal, name)
    flock, taken = fcntl.flock, fcntl.LOCK_EX | fcntl.LOCK_NB

    def locking(number, mode, count):
        try:
            flock(number, taken)
        except BlockingIOError:
            raise denied(number) from None

    sys.modules["msvcrt"] = SimpleNamespace(LK_NBLCK=2, locking=locking)
    for name in NO_MODULES:
        sys.modules[name] = None
    sys.platform = "win32"


def run(arguments: Sequence[str]) -> int:
    """Run geosite's command; return its status."""
    from geosite_cli.main import main

    try:
        main(arguments)
    except SystemExit as left:
        return int(left.code or 0)


def main(arguments: list[str]) -> int:
    """Run a command as it is, then it and those that follow by the rules."""
    commands: list[list[str]] = [[]]
    for argument in arguments:
        if argument == "--then":
            commands.append([])
        else:
            commands[-1].append(argument)
    aside = commands[0].copy()
    with tempfile.TemporaryDirectory() as folder:
        aside[aside.index("--out") + 1] = str(Path(folder) / "out")
        with open(os.devnull, "w") as nothing, contextlib.redirect_stdout(nothing):
            if status := run(aside):
                return status
    for name in [name for name in sys.modules if name.partition(".")[0].startswith("geosite")]:
        del sys.modules[name]
    keep_windows_rules()
    return next((status for command in commands if (status := run(command))), 0)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
