"""The starter site: reads without anything to look at, and shows every kind of feature."""

from pathlib import Path

import numpy as np

from geosite.fieldbook.model import PIECE_KINDS
from geosite.fieldbook.read import read_survey
from geosite.fieldbook.starter import starter_files


def test_starter_reads_without_findings(tmp_path: Path) -> None:
    for name, data in starter_files().items():
        (tmp_path / name).write_bytes(data)
    notes = read_survey(tmp_path / "site.toml")
    assert notes.findings == ()
    book, site = notes.book, notes.site
    assert len(book.runs) == 2
    assert {site.codes[c].geometry for c in book.codes} == {"area", "line", "point"}
    assert PIECE_KINDS.index("arc") in book.kind
    assert (site.anchor.crs, site.anchor.vertical_crs) == ("EPSG:25832", "EPSG:7837")


def test_starter_walks_close_by_centimetres(tmp_path: Path) -> None:
    for name, data in starter_files().items():
        (tmp_path / name).write_bytes(data)
    book = read_survey(tmp_path / "site.toml").book
    lengths = []
    for run in range(len(book.runs)):
        for name in ("B1", "B2"):
            at = np.flatnonzero((book.run == run) & (book.mark == book.marks.index(name)))
            assert len(at) == 2  # left and reached again
            miss = float(np.linalg.norm(book.local[at[1]] - book.local[at[0]]))
            assert 0.001 < miss < 0.1
        start, end = (
            book.local[np.flatnonzero((book.run == run) & (book.mark == book.marks.index(n)))[0]]
            for n in ("B1", "B2")
        )
        lengths.append(float(np.hypot(*(end - start)[:2])))
    assert abs(lengths[0] - lengths[1]) < 0.05


def test_starter_is_plain_text_with_unix_line_ends() -> None:
    files = starter_files()
    assert list(files) == ["site.toml", "field_book.csv"]
    for data in files.values():
        assert data.decode("ascii").endswith("\n")
        assert b"\r" not in data
