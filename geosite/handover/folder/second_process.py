"""Work done aside, by a copy of this process on another processor, where that is safe."""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import pickle
import signal
import sys
import threading
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TypeVar

from geosite.base.parent_process import die_with_parent

__all__ = ["aside"]

Done = TypeVar("Done")


@contextmanager
def aside(work: Callable[[], Done]) -> Iterator[Callable[[], Done]]:
    """Do some work while the body of the ``with`` does other work.

    Parameters
    ----------
    work
        Writes files that the body does not touch and returns something small. It may be done twice.

    Yields
    ------
    function
        Waits for the work and returns its result, or raises what it raised.

    Notes
    -----
    A copy of the process does it, on Linux with two processors or more, if this process has one
    thread and was not itself started to share work: a copy of a process that holds locks in other
    threads could wait for them for ever. Elsewhere, and where the copy dies, the work is done when
    its result is asked for.
    """
    if not _is_safe():
        yield work
        return
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
        _work_and_vanish(work, reading, writing)
    ended = False

    def result() -> Done:
        nonlocal ended
        with os.fdopen(reading, "rb", closefd=False) as pipe:
            told = pipe.read()
        os.waitpid(copy, 0)
        ended = True
        if not told:
            return work()
        answer: tuple[bool, Done | BaseException] = pickle.loads(told)
        if isinstance(answer[1], BaseException) and not answer[0]:
            raise answer[1]
        return answer[1]  # type: ignore[return-value]

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


def _is_safe() -> bool:
    return (
        sys.platform == "linux"
        and (os.cpu_count() or 1) > 1
        and threading.active_count() == 1
        and multiprocessing.parent_process() is None
    )


def _work_and_vanish(work: Callable[[], object], reading: int, writing: int) -> None:
    """Do the work in the copy, send the result and end without any clean-up of the original's."""
    try:
        os.close(reading)
        answer: tuple[bool, object]
        try:
            answer = (True, work())
        except Exception as error:
            answer = (False, error)
        try:
            told = pickle.dumps(answer)
            pickle.loads(told)
        except Exception:
            told = b""  # cannot be sent: the original does it again and sees for itself
        with os.fdopen(writing, "wb") as pipe:
            pipe.write(told)
    finally:
        os._exit(0)
