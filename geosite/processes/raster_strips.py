"""Work on rasters that is done some rows at a time: when, and what it takes, said before it begins.

A raster that takes more than `MOST_BYTES` at once, or than is free, is worked on in strips of whole
rows. What is needed of all of it meanwhile lies on the disk beside the output.
"""

from __future__ import annotations

import shutil
import tempfile
import traceback
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from geosite.base.errors import InputError, OutputRefused, Problem
from geosite.base.memory import available_bytes

if TYPE_CHECKING:
    from geosite.base.grid import Grid
    from geosite.base.large_rasters import ScratchFolder
    from geosite.processes.model import Context

__all__ = ["MOST_BYTES", "Cost", "cost_in_strips", "fits_at_once", "room_for"]

MOST_BYTES = 2_500_000_000
"""What work on a raster takes at once before it is done in strips."""
STRIP_CELLS = 4_000_000
"""Cells of a strip: enough that the borders between strips cost nothing."""
_LIBRARIES = 300_000_000
"""Bytes of the process itself, with the libraries and their caches."""


def fits_at_once(grid: Grid, bytes_per_cell: int) -> bool:
    """Return whether the work is done with the whole raster in memory."""
    from geosite.base.grid import MAX_CELLS

    cells, free = grid.rows * grid.cols, available_bytes()
    needed = cells * bytes_per_cell
    return cells <= MAX_CELLS and needed <= (MOST_BYTES if free is None else min(MOST_BYTES, free))


@dataclass(frozen=True, slots=True)
class Cost:
    """What work in strips takes.

    Parameters
    ----------
    height, strips
        Rows per strip, and how many.
    memory, disk
        Bytes, about.
    """

    height: int
    strips: int
    memory: int
    disk: int

    def __str__(self) -> str:
        return (
            f"in {self.strips} strips of {self.height} rows: some {self.memory / 1e9:.1f} GB of "
            f"memory, and {self.disk / 1e9:.1f} GB on the disk meanwhile"
        )


def cost_in_strips(
    grid: Grid, *, strip_bytes: int, resident_bytes: int, disk_bytes: int, file: str
) -> Cost:
    """Say what work in strips takes.

    Parameters
    ----------
    grid
    strip_bytes
        Of memory for each cell of a strip.
    resident_bytes, disk_bytes
        Of memory and of disk for each cell of the raster.
    file
        The raster, for the message.

    Raises
    ------
    InputError
        There is not enough memory.
    """
    cells = grid.rows * grid.cols
    height = max(1, min(grid.rows, STRIP_CELLS // grid.cols))
    memory = _LIBRARIES + cells * resident_bytes + (height + 2) * grid.cols * strip_bytes
    free = available_bytes()
    if free is not None and memory > free:
        raise InputError(
            Problem(
                "memory",
                f"{cells / 1e6:.1f} million cells need {memory / 1e9:.1f} GB of memory even in "
                f"strips, and {free / 1e9:.1f} GB are free",
                "less memory than is free",
                "cut the raster to the surroundings of the site, or resample it to larger cells",
                file,
            )
        )
    return Cost(height, -(-grid.rows // height), memory, cells * disk_bytes)


@contextmanager
def room_for(cost: Cost, context: Context) -> Iterator[ScratchFolder]:
    """Say what the work takes, and yield room for it on the disk of the output.

    Raises
    ------
    OutputRefused
        The disk has not enough room.
    """
    from geosite.base.large_rasters import ScratchFolder

    free = shutil.disk_usage(context.out).free
    if cost.disk > free:
        raise OutputRefused(
            Problem(
                "disk-full",
                f"the work needs some {cost.disk / 1e9:.1f} GB on the disk of the output meanwhile,"
                f" and {free / 1e9:.1f} GB are free",
                "as much free room",
                "free room there, choose another folder with --out, or cut the raster",
                str(context.out),
            )
        )
    context.progress(0.02, str(cost))
    with tempfile.TemporaryDirectory(prefix=".geosite-rows-", dir=context.out) as folder:
        try:
            yield ScratchFolder(Path(folder))
        except BaseException as error:
            # where it stopped strips are still mapped, and Windows removes no file that is
            traceback.clear_frames(error.__traceback__)
            raise
