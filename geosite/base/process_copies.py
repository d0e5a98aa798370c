"""Work done by a copy of this process: on another processor, or within limits."""

from __future__ import annotations

import contextlib
import os
import pickle
import select
import signal
import sys
import threading
import time
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import NoReturn, TypeVar

from geosite.base.parent_process import die_with_parent

__all__ = ["CopyDied", "Limits", "can_copy", "in_a_copy"]

Done = TypeVar("Done")


class CopyDied(Exception):
    """The copy ended without a result: it crashed, was killed, or reached a limit."""


@dataclass(frozen=True, slots=True)
class Limits:
    """What a copy may take.

    Parameters
    ----------
    seconds
        Of a processor; it is ended after four times as long by the clock.
    memory
        Bytes beyond what the original has.
    writes
        Whether it may write files.
    """

    seconds: int
    memory: int
    writes: bool = False


def can_copy() -> bool:
    """Report whether this process can be copied without the danger of a copy that waits for ever.

    On Linux, where it has one thread: a copy of a process that holds locks in other threads could
    wait for them.
    """
    return sys.platform == "linux" and threading.active_count() == 1


@contextmanager
def in_a_copy(
    work: Callable[[], Done], limits: Limits | None = None
) -> Iterator[Callable[[], Done]]:
    """Let a copy of this process do some work while the body of the ``with`` does other work.

    Parameters
    ----------
    work
        Returns something that can be pickled.
    limits
        None where left out.

    Yields
    ------
    function
        Waits for the work and returns its result, or raises what it raised.

    Raises
    ------
    CopyDied
        By that function: there is no result.

    Examples
    --------
    >>> with in_a_copy(lambda: 6 * 7) as result:
    ...     result()
    42
    """
    reading, writing = os.pipe()
    original = os.getpid()
    # an interrupt is the original's, who ends the copy; it must not come between fork and work
    blocked = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT, signal.SIGTERM})
    with warnings.catch_warnings():
        # the idle threads of the linear algebra library look like ours; it forks well
        warnings.simplefilter("ignore", DeprecationWarning)
        copy = os.fork()
    if copy == 0:
        die_with_parent(original)
        _work_and_vanish(work, limits, reading, writing)
    ended = False

    def result() -> Done:
        nonlocal ended
        told = _all_of(reading, None if limits is None else 4.0 * limits.seconds)
        if told is None:
            raise CopyDied
        os.waitpid(copy, 0)
        ended = True
        if not told:
            raise CopyDied
        is_done, answer = pickle.loads(told)
        if is_done:
            return answer  # type: ignore[no-any-return]
        raise answer

    try:
        signal.pthread_sigmask(signal.SIG_SETMASK, blocked)
        os.close(writing)
        yield result
    finally:
        os.close(reading)
        if not ended:
            with contextlib.suppress(ProcessLookupError):
                os.kill(copy, signal.SIGKILL)
            os.waitpid(copy, 0)


def _all_of(pipe: int, seconds: float | None) -> bytes | None:
    """Read a pipe to its end; ``None`` where that does not come in time."""
    until = None if seconds is None else time.monotonic() + seconds
    pieces: list[bytes] = []
    while True:
        left = None if until is None else max(0.0, until - time.monotonic())
        if not select.select([pipe], [], [], left)[0]:
            return None
        piece = os.read(pipe, 1 << 20)
        if not piece:
            return b"".join(pieces)
        pieces.append(piece)


def _limit(limits: Limits) -> None:
    import resource

    # Python would keep a module that it compiled and could write in part only, for good
    sys.dont_write_bytecode = True

    with open("/proc/self/statm", encoding="ascii") as statm:
        pages = int(statm.read().split()[0])
    taken = pages * os.sysconf("SC_PAGE_SIZE")
    kinds = [
        (resource.RLIMIT_CPU, limits.seconds),
        (resource.RLIMIT_AS, taken + limits.memory),
        (resource.RLIMIT_CORE, 0),
    ]
    if not limits.writes:
        kinds.append((resource.RLIMIT_FSIZE, 0))
    for kind, value in kinds:
        hard = resource.getrlimit(kind)[1]
        least = value if hard == resource.RLIM_INFINITY else min(value, hard)
        resource.setrlimit(kind, (least, least))
    # nobody reads what a library complains of; what matters is the result
    nothing = os.open(os.devnull, os.O_RDWR)
    for stream in (0, 1, 2):
        os.dup2(nothing, stream)


def _work_and_vanish(
    work: Callable[[], object], limits: Limits | None, reading: int, writing: int
) -> NoReturn:
    """Do the work in the copy, send the result and end without any clean-up of the original's."""
    try:
        os.close(reading)
        answer: tuple[bool, object]
        try:
            if limits is not None:
                _limit(limits)
            answer = (True, work())
        except Exception as error:
            # what it came from stays here: other libraries teach pickle to take that along (Dask
            # does, by tblib), and errors of the vector library cannot be read again
            error.__cause__ = error.__context__ = error.__traceback__ = None
            answer = (False, error)
        try:
            told = pickle.dumps(answer, pickle.HIGHEST_PROTOCOL)
            if not answer[0]:
                pickle.loads(told)  # some errors are written and cannot be read
        except Exception:
            told = b""
        with os.fdopen(writing, "wb") as pipe:
            pipe.write(told)
    finally:
        os._exit(0)
