"""Work shared out to copies of this process on other processors, where that is safe."""

from __future__ import annotations

import mmap
import os
import pickle
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from functools import partial
from math import prod
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from geosite.base.process_copies import CopyDied, can_copy, in_a_copy

__all__ = ["aside", "at_once", "processors", "shared_out", "shared_zeros", "waiting"]

_MOST_PIECES = 2_000
"""Their numbers are told through a pipe, which holds 4,096 bytes at least."""

Done = TypeVar("Done")
Given = TypeVar("Given")
Number = TypeVar("Number", bound=np.generic)


def processors() -> int:
    """Return how many processors there are for this process: one where it shares work itself."""
    # whoever was started to share work has this module loaded; to load it takes a while
    started = sys.modules.get("multiprocessing.process")
    if started is not None and started.parent_process() is not None:
        return 1
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


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
    if processors() == 1 or not can_copy():
        yield work
        return
    with in_a_copy(work) as copied:
        yield partial(_result, copied, work)


def _result(copied: Callable[[], Done], work: Callable[[], Done]) -> Done:
    try:
        return copied()
    except CopyDied:
        return work()


@contextmanager
def waiting(
    load: Callable[[], None], work: Callable[[Given], Done]
) -> Iterator[Callable[[Given], Callable[[], Done]] | None]:
    """Let a copy of this process load what some work needs, before there is anything to work on.

    Parameters
    ----------
    load
        Imports modules, which takes a while.
    work
        As in `aside`, of what it is given.

    Yields
    ------
    function or None
        Gives the copy what to work on and returns what `aside` yields; what is given is pickled.
        ``None`` where a copy is not safe.

    Examples
    --------
    >>> with waiting(lambda: None, sum) as give:
    ...     result = (lambda: 6) if give is None else give([1, 2, 3])
    ...     result()
    6
    """
    if processors() == 1 or not can_copy():
        yield None
        return
    told, telling = os.pipe()
    given = os.memfd_create("given")

    def loaded() -> Done:
        load()
        os.read(told, 1)
        with open(given, "rb") as stream:
            stream.seek(0)
            return work(pickle.load(stream))

    def give(what: Given) -> Callable[[], Done]:
        with open(given, "wb", closefd=False) as stream:
            try:
                pickle.dump(what, stream, pickle.HIGHEST_PROTOCOL)
            except (pickle.PicklingError, TypeError, AttributeError):  # it cannot be sent
                return partial(work, what)
        os.write(telling, b"!")
        return partial(_result, copied, partial(work, what))

    try:
        with in_a_copy(loaded) as copied:
            yield give
    finally:
        for handle in (told, telling, given):
            os.close(handle)


def at_once(work: Callable[[int], Done], count: int) -> list[Done]:
    """Do several pieces of work at the same time.

    Parameters
    ----------
    work
        Does piece number 0, 1, ... and returns something small. A piece may be done twice.
    count
        How many.

    Returns
    -------
    list
        Results by number.

    Notes
    -----
    The first piece is done here, the others `aside`. Where this process cannot be copied threads do
    them, which numpy lets run side by side in its longer steps only.

    Examples
    --------
    >>> at_once(lambda number: number**2, 3)
    [0, 1, 4]
    """
    if count > 1 and not can_copy():
        from concurrent.futures import ThreadPoolExecutor

        with ThreadPoolExecutor(count) as pool:
            return list(pool.map(work, range(count)))
    with ExitStack() as copies:
        others = [copies.enter_context(aside(partial(work, k))) for k in range(1, count)]
        return [work(0), *(other() for other in others)]


def shared_out(
    begin: Callable[[int], Callable[[int], Done]], count: int, workers: int
) -> list[Done]:
    """Do many pieces of work, each on the processor that is free first.

    Parameters
    ----------
    begin
        Called by each worker, 0, 1, ..., before its first piece; returns what does one piece of the
        work. It is called again here for a worker whose copy of this process died.
    count
        How many pieces.
    workers
        As `count` of `at_once`.

    Returns
    -------
    list
        Results by number of the piece.

    Examples
    --------
    >>> shared_out(lambda worker: lambda number: number**2, 5, 2)
    [0, 1, 4, 9, 16]
    """
    numbers, told = os.pipe()
    with open(told, "wb") as pipe:
        pipe.write(b"".join(k.to_bytes(2, "little") for k in range(min(count, _MOST_PIECES))))
    own: list[Callable[[int], Done]] = []

    def some(worker: int) -> dict[int, Done]:
        work = begin(worker)
        if worker == 0:
            own.append(work)
        done = {}
        while number := os.read(numbers, 2):  # nobody else reads the same
            k = int.from_bytes(number, "little")
            done[k] = work(k)
        return done

    try:
        done = {k: one for part in at_once(some, workers) for k, one in part.items()}
    finally:
        os.close(numbers)
    # what a copy took that died, too, and what is too much for the pipe
    return [done[k] if k in done else own[0](k) for k in range(count)]


def shared_zeros(shape: tuple[int, ...], number: type[Number]) -> npt.NDArray[Number]:
    """Return zeros in memory that this process and its later copies see alike.

    What one of them writes the others read. Memory is taken where it is first written.

    Examples
    --------
    >>> numbers = shared_zeros((2, 2), np.float64)
    >>> at_once(lambda row: numbers[row].fill(5.0 + row), 2)
    [None, None]
    >>> numbers.tolist()
    [[5.0, 5.0], [6.0, 6.0]]
    """
    count = prod(shape)
    memory = mmap.mmap(-1, max(count * np.dtype(number).itemsize, 1))
    return np.frombuffer(memory, number, count).reshape(shape)
