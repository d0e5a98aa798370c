"""How much memory there is, so that work which needs more is refused before it begins."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

from geosite.base.errors import InputError, Problem

__all__ = ["available_bytes", "give_back", "keep_freed", "refuse_beyond_memory"]

APART = 4_000_000
"""Bytes from which an array has pages of its own, which go back to the system with it."""
_MMAP_THRESHOLD = -3
_TRIM_THRESHOLD = -1
"""``M_MMAP_THRESHOLD`` and ``M_TRIM_THRESHOLD`` of the GNU C library's ``malloc.h``."""
_LARGEST_KEPT = 1 << 25


def give_back(*, from_now_on: bool) -> None:
    """Give freed memory back to the system, and from now on that of large arrays at once.

    Freed arrays of a few megabytes leave holes in the heap of the GNU C library that later ones do
    not fit: in a field book of a million rows a quarter of all memory. Elsewhere nothing is done.

    Parameters
    ----------
    from_now_on
        Costs time where large arrays are made over and over.
    """
    import ctypes

    if not sys.platform.startswith("linux"):
        return
    library = ctypes.CDLL(None)
    if hasattr(library, "mallopt") and hasattr(library, "malloc_trim"):
        if from_now_on:
            library.mallopt(_MMAP_THRESHOLD, APART)
        library.malloc_trim(0)


def keep_freed() -> None:
    """Keep up to 64 megabytes of freed memory for the arrays that follow, each of up to 32.

    The GNU C library gives freed arrays of a few megabytes back to the system, which hands out the
    same memory again page by page: of many rasters drained one after the other a fifth of the time.
    Elsewhere nothing is done.
    """
    import ctypes

    if not sys.platform.startswith("linux"):
        return
    library = ctypes.CDLL(None)
    if hasattr(library, "mallopt"):
        # to set one of them ends that the library fits the other to what it meets
        library.mallopt(_TRIM_THRESHOLD, 2 * _LARGEST_KEPT)
        library.mallopt(_MMAP_THRESHOLD, _LARGEST_KEPT)


def available_bytes() -> int | None:
    """Return the bytes that this process may still take, ``None`` where the system does not say.

    The least of what the machine has free (Linux: ``MemAvailable``), what is left of the limit of
    the control group, and what is left of the limit on address space.
    """
    return min(_limits(), default=None)


def _limits() -> Iterator[int]:
    with suppress(OSError, ValueError, IndexError):
        for line in Path("/proc/meminfo").read_text(encoding="ascii").splitlines():
            if line.startswith("MemAvailable:"):
                yield int(line.split()[1]) * 1024
    with suppress(OSError, ValueError):
        group = Path("/sys/fs/cgroup")
        most = int((group / "memory.max").read_text(encoding="ascii"))
        yield max(0, most - int((group / "memory.current").read_text(encoding="ascii")))
    if sys.platform != "win32":
        import resource

        soft = resource.getrlimit(resource.RLIMIT_AS)[0]
        with suppress(OSError, ValueError):
            if soft != resource.RLIM_INFINITY:
                pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[0])
                yield max(0, soft - pages * os.sysconf("SC_PAGE_SIZE"))


def refuse_beyond_memory(cells: int, bytes_per_cell: int, work: str, file: str | None) -> None:
    """Refuse a raster that the work on it has no memory for.

    Parameters
    ----------
    cells
        Of the raster.
    bytes_per_cell
        Most that the work holds at a time, as measured.
    work
        What it is, for the message.
    file
        The raster.

    Raises
    ------
    InputError
        It takes more than there is.

    Examples
    --------
    A raster of 100 cells fits anywhere; one of 10^15 cells of 8 bytes, 8 million GB, nowhere:

    >>> refuse_beyond_memory(100, 8, "interpolating", "small.tif")
    >>> refuse_beyond_memory(10**15, 8, "interpolating", "large.tif")  # doctest: +ELLIPSIS
    Traceback (most recent call last):
    ...
    geosite.base.errors.InputError: large.tif: interpolating of 1000000000.0 million cells needs ...
    """
    needed, free = cells * bytes_per_cell, available_bytes()
    if free is None or needed <= free:
        return
    larger = (needed / max(free, 1)) ** 0.5
    raise InputError(
        Problem(
            "memory",
            f"{work} of {cells / 1e6:.1f} million cells needs {needed / 1e9:.1f} GB of memory, "
            f"and {free / 1e9:.1f} GB are free",
            f"at most {free / bytes_per_cell / 1e6:.1f} million cells here",
            f"cut the raster to the site, or resample it to cells {larger:.1f} times as large",
            file,
        )
    )
