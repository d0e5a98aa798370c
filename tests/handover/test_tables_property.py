"""CSV: whatever is written is read back."""

from __future__ import annotations

import csv
import tempfile
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from geosite.handover.formats.tables import write_csv

TEXT = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"))
VALUE = TEXT | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | st.none()


@settings(max_examples=60, deadline=None, derandomize=True)
@given(st.lists(st.tuples(VALUE, VALUE), max_size=20))
def test_values_come_back(pairs: list[tuple[object, object]]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "x.csv")
        write_csv(path, ("a", "b"), [{"a": a, "b": b} for a, b in pairs])
        with path.open(encoding="utf-8", newline="") as stream:
            header, *read = csv.reader(stream)
    assert header == ["a", "b"]
    assert len(read) == len(pairs)
    for row, pair in zip(read, pairs, strict=True):
        for shown, value in zip(row, pair, strict=True):
            if isinstance(value, str):
                lines = value.replace("\r\n", "\n").replace("\r", "\n")
                assert shown.removeprefix("'") == lines.removeprefix("'")
                assert not shown.startswith(("=", "+", "-", "@", "\t", "\r", "\n"))
            elif value is None:
                assert shown == ""
            else:
                assert type(value)(shown) == value
