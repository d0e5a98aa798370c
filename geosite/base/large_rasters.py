"""Rasters larger than memory: on disk, some rows at a time."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

__all__ = ["Rows", "ScratchFolder", "strips"]


@dataclass(frozen=True, slots=True)
class Rows:
    """A raster in a file of plain numbers.

    Parameters
    ----------
    path, dtype
    shape
        Rows and columns.
    """

    path: Path
    dtype: np.dtype[Any]
    shape: tuple[int, int]

    def mapped(self, top: int, bottom: int) -> npt.NDArray[Any]:
        """Return rows `top` to `bottom`; what is written into them is written into the file."""
        cols = self.shape[1]
        return np.asarray(
            np.memmap(
                self.path,
                self.dtype,
                "r+",
                offset=top * cols * self.dtype.itemsize,
                shape=(bottom - top, cols),
            )
        )

    def copied(self, top: int, bottom: int) -> npt.NDArray[Any]:
        """Return a copy of rows `top` to `bottom`."""
        return np.array(self.mapped(top, bottom))


@dataclass(slots=True)
class ScratchFolder:
    """A folder for rasters that are needed while something larger than memory is worked out.

    Parameters
    ----------
    folder
        Existing and empty; whoever made it removes it.
    """

    folder: Path
    _count: int = field(default=0, init=False)

    def rows(self, shape: tuple[int, int], dtype: npt.DTypeLike) -> Rows:
        """Make a raster of zeros.

        Raises
        ------
        OSError
            The disk has no room for it.
        """
        kind = np.dtype(dtype)
        self._count += 1
        path = self.folder / f"{self._count}.bin"
        size = shape[0] * shape[1] * kind.itemsize
        with path.open("wb") as stream:
            # room is taken now: a full disk found while writing through a map would end the process
            if hasattr(os, "posix_fallocate") and size:
                os.posix_fallocate(stream.fileno(), 0, size)
            stream.truncate(size)
        return Rows(path, kind, shape)


def strips(rows: int, height: int) -> Iterator[tuple[int, int]]:
    """Yield first and last row (not included) of strips of a raster.

    Examples
    --------
    >>> list(strips(5, 2))
    [(0, 2), (2, 4), (4, 5)]
    """
    for top in range(0, rows, height):
        yield top, min(top + height, rows)
