"""Rows of a worksheet written as text, column by column.

The library keeps an object for each cell and asks each what it is when it is written. Here a column
says it once; the bytes are the same.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from io import StringIO
from typing import Any, Literal

import numpy as np
from xlsxwriter.utility import xl_col_to_name
from xlsxwriter.worksheet import Worksheet

__all__ = ["ColumnSheet"]

_SPANNED = 16
"""Rows that share what is said of their first and last column (ECMA-376, 18.3.1.73)."""

_AT_ONCE = 256
"""Such groups of rows of which the texts of the cells are held at once."""


def _all_finite(values: Sequence[Any]) -> bool:
    """Return whether every number among numbers and gaps is finite."""
    finite = np.isfinite(np.array(values, dtype=np.float64))
    return int(finite.sum()) == len(values) - values.count(None)


@dataclass(frozen=True, eq=False)
class _Column:
    """Numbers, numbers of shared texts, or cells that the library has; None where there is none."""

    kind: Literal["number", "text", "by cell"]
    cells: Sequence[Any]
    shape: Any


class ColumnSheet(Worksheet):  # type: ignore[misc]
    """A worksheet with whole columns below what is written by cell."""

    dim_rowmax: Any
    fh: Any

    def __init__(self) -> None:
        super().__init__()
        self._columns: dict[int, _Column] = {}
        self._first = 0

    def write_whole_column(
        self, row: int, column: int, values: Sequence[str | float | None], shape: Any = None
    ) -> None:
        """Write a column of texts, or of numbers.

        Parameters
        ----------
        row
            Of its first cell, counted from 0: the same for all columns, and below everything else.
        column
            Counted from 0.
        values
            None where there is no cell.
        shape
            Format of its numbers.
        """
        self._first = row
        kinds = set(map(type, values)) - {type(None)}
        if not kinds:
            return
        for ends in (values, values[::-1]):
            gap = next(k for k, value in enumerate(ends) if value is not None)
            end = row + gap if ends is values else row + len(values) - 1 - gap
            self._check_dimensions(end, column)
        if kinds == {str}:
            cells = self._shared(row, column, values)
            self._columns[column] = _Column("text", cells, None)
        elif str not in kinds and _all_finite(values):
            self._columns[column] = _Column("number", values, shape)
        else:
            for number, value in enumerate(values, start=row):
                if isinstance(value, str):
                    self.write_string(number, column, value)
                elif value is not None:
                    self.write_number(number, column, value, shape)
            self._columns[column] = _Column("by cell", values, None)

    def _shared(self, row: int, column: int, values: Sequence[Any]) -> list[int | None]:
        """Return the numbers under which the library knows texts."""
        known: dict[str | None, int | None] = {None: None}
        for number, value in enumerate(values, start=row):
            if value not in known:
                self.write_string(number, column, value)
                known[value] = self.table[number].pop(column).string
        # how often one is used
        self.str_table.count += len(values) - values.count(None) - (len(known) - 1)
        return [known[value] for value in values]

    def _write_rows(self) -> None:
        """Write the rows: the library's own method writes those above the columns."""
        if not self._columns:
            super()._write_rows()
            return
        last = self.dim_rowmax
        self.dim_rowmax = self._first - 1
        super()._write_rows()
        self.dim_rowmax = last
        # groups of rows that share their span begin at whole multiples of their size
        step = _AT_ONCE * _SPANNED
        for start in range(self._first // step * step, last + 1, step):
            self._write_some(max(start, self._first), min(start + step, last + 1))

    def _write_some(self, start: int, stop: int) -> None:
        some = slice(start - self._first, stop - self._first)
        columns = sorted(self._columns.items())
        texts = [self._texts(column, of, start, of.cells[some]) for column, of in columns]
        there = np.array([[bool(text) for text in column] for column in texts])
        spans = self._spans(there, [column for column, _ in columns], start)
        write = self.fh.write
        for number, cells in enumerate(zip(*texts, strict=True), start=start):
            row = "".join(cells)
            if row:
                span = spans[number // _SPANNED - start // _SPANNED]
                write(f'<row r="{number + 1}" spans="{span}">{row}</row>')

    def _spans(self, there: Any, columns: list[int], start: int) -> list[str]:
        """Return the first and last column of each group of rows, counted from 1."""
        above = start % _SPANNED  # rows of the first group that stand before
        groups = -(-(above + there.shape[1]) // _SPANNED)
        padded = np.zeros((len(columns), groups * _SPANNED), dtype=np.bool_)
        padded[:, above : above + there.shape[1]] = there
        filled: Any = padded.reshape(len(columns), groups, _SPANNED).any(axis=2)
        number = np.array(columns) + 1
        first = number[filled.argmax(axis=0)]
        last = number[len(columns) - 1 - filled[::-1].argmax(axis=0)]
        spans = [f"{a}:{b}" for a, b in zip(first.tolist(), last.tolist(), strict=True)]
        if start == self._first and above:  # with rows above, which have every column
            spans[0] = f"{self.dim_colmin + 1}:{self.dim_colmax + 1}"
        return spans

    def _texts(self, column: int, of: _Column, start: int, cells: Sequence[Any]) -> list[str]:
        """Return the texts of the cells of a column, empty where there is none."""
        name = xl_col_to_name(column)
        numbered = enumerate(cells, start=start + 1)
        if of.kind == "text":
            return [
                "" if value is None else f'<c r="{name}{row}" t="s"><v>{value}</v></c>'
                for row, value in numbered
            ]
        if of.kind == "number":
            style = "" if of.shape is None else f' s="{of.shape._get_xf_index()}"'
            return [
                "" if value is None else f'<c r="{name}{row}"{style}><v>{value:.16G}</v></c>'
                for row, value in numbered
            ]
        return [
            "" if value is None else self._by_library(row - 1, column) for row, value in numbered
        ]

    def _by_library(self, row: int, column: int) -> str:
        file, self.fh = self.fh, StringIO()
        self._write_cell(row, column, self.table[row][column])
        text: str = self.fh.getvalue()
        self.fh = file
        return text
