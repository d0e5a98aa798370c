"""Work done aside, by a copy of this process on another processor, where that is safe."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TypeVar

from geosite.base.process_copies import CopyDied, can_copy, in_a_copy

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
    thread and was not itself started to share work. Elsewhere, and where the copy dies, the work is
    done when its result is asked for.
    """
    # whoever was started to share work has this module loaded; to load it takes a while
    started = sys.modules.get("multiprocessing.process")
    shares_work = started is not None and started.parent_process() is not None
    if shares_work or (os.cpu_count() or 1) == 1 or not can_copy():
        yield work
        return
    with in_a_copy(work) as copied:

        def result() -> Done:
            try:
                return copied()
            except CopyDied:
                return work()

        yield result
