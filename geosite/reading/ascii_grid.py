"""ASCII grids, looked at before the raster library reads them: it takes any word for the number 0.

A header of names and numbers (``ncols``, ``nrows``, ``xllcorner`` or ``xllcenter``, ...,
``nodata_value``), then the cells row by row, separated by blanks or line ends.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from geosite.base.errors import InputError, Problem, Refuse
from geosite.base.problems import shown
from geosite.reading.crs import parse_crs

__all__ = ["OPTIONS", "check_ascii_grid", "crs_beside", "fill_by_custom"]

OPTIONS = {"DATATYPE": "FLOAT64"}
"""For the reading library, which would take ``nan`` for 0 among whole numbers."""

_NUMBER = rb"[+-]?(?:\d+[.,]?\d*|[.,]\d+)(?:[eE][+-]?\d+)?"
_HEADER = re.compile(
    rb"\s*(ncols|nrows|[xy]ll(?:corner|center)|cellsize|d[xy]|nodata_value)[ \t]+(\S+)", re.I
)
_BAD_CELL = re.compile(rb"(?<!\S)(?!(?:" + _NUMBER + rb"|nan)(?!\S))\S+", re.I)
_LONGEST_HEADER = 10_000
_BLOCK = 1 << 20
_LONGEST_CRS = 30_000
_NODATA_BY_CUSTOM = -9999.0
"""What stands for nothing in a grid whose header has no ``nodata_value``: the format's default."""


def check_ascii_grid(path: Path, file: str) -> None:
    """Refuse an ASCII grid with a cell that is no number, or with too few or too many cells.

    Parameters
    ----------
    path, file
        The file, and how the user named it.

    Raises
    ------
    InputError
        With the line of the cell.
    """
    with path.open("rb") as stream:
        head = stream.read(_LONGEST_HEADER)
        named: dict[bytes, bytes] = {}
        at = 0
        while found := _HEADER.match(head, at):
            named[found[1].lower()] = found[2]
            if not re.fullmatch(_NUMBER + rb"|nan", found[2], re.I):
                name = found[1].decode().lower()
                raise _not_number(name, found[2], file, head.count(b"\n", 0, found.end()) + 1)
            at = found.end()
        stream.seek(at)
        line, cells = head.count(b"\n", 0, at) + 1, 0
        while block := stream.read(_BLOCK):
            block += stream.readline() if not block[-1:].isspace() else b""
            if (bad := _BAD_CELL.search(block)) is not None:
                raise _not_number("a cell", bad[0], file, line + block.count(b"\n", 0, bad.start()))
            cells += len(block.split())
            line += block.count(b"\n")
    try:
        rows, cols = int(named[b"nrows"]), int(named[b"ncols"])
    except (KeyError, ValueError):
        return  # a header that the library refuses
    if cells != rows * cols:
        raise InputError(
            Problem(
                "grid-cell-count",
                f"the grid has {cells} cells",
                f"{rows} rows of {cols}, {rows * cols} cells, as its header says",
                "export it again",
                file,
            )
        )


def crs_beside(path: Path, refuse: Refuse) -> str:
    """Return the CRS in the .prj file beside a grid as WKT, blank where there is none.

    The raster library reads but one kind of it, and passes the others over without a word.

    Parameters
    ----------
    path
        Of the grid.
    refuse
        Makes the error of a code, what is wrong, what was expected and what to do.

    Raises
    ------
    InputError
        What stands in it is no CRS.
    """
    for beside in (path.with_suffix(ending) for ending in (".prj", ".PRJ")):
        if not beside.is_file():
            continue
        text = beside.read_bytes()[:_LONGEST_CRS].decode("utf-8-sig", "replace").strip()
        try:
            return str(parse_crs(text, "crs").to_wkt())
        except InputError as error:
            raise refuse(
                "grid-prj",
                f"{beside.name} beside it: {error.problems[0].what}",
                "the WKT of a CRS in it, or its code",
                "write for example EPSG:25832 into it, or export the grid again with its CRS",
            ) from None
    return ""


def fill_by_custom(values: npt.NDArray[np.floating[Any]], source: Any) -> None:
    """Put NaN where a grid without a ``nodata_value`` has the format's default for nothing.

    Parameters
    ----------
    values
        Cells of the raster, changed in place.
    source
        The raster, open in the reading library; only of text grids there is a default.
    """
    if source.driver == "AAIGrid" and source.nodata is None:
        values[values == _NODATA_BY_CUSTOM] = np.nan


def _not_number(what: str, cell: bytes, file: str, line: int) -> InputError:
    return InputError(
        Problem(
            "grid-cell-not-number",
            f"{what} is {shown(cell.decode('utf-8', 'replace'))}",
            "a number",
            "correct it, or write the grid's nodata_value in a cell where nothing was measured",
            file,
            line,
        )
    )
