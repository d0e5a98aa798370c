"""Rasters on the disk: room is taken at once, what is written into rows stays in them."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import numpy as np
import pytest

from geosite.base.large_rasters import ScratchFolder, strips


def test_room_is_taken_before_anything_is_written(tmp_path: Path) -> None:
    rows = ScratchFolder(tmp_path).rows((100, 1000), np.float32)
    told = rows.path.stat()
    assert told.st_size == 400_000
    if hasattr(os, "posix_fallocate"):
        assert told.st_blocks * 512 >= 400_000
    assert not rows.copied(0, 100).any()


def test_a_disk_without_room_is_told_while_it_can_be(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(handle: int, start: int, size: int) -> None:
        assert (start, size) == (0, 48)
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(os, "posix_fallocate", full, raising=False)
    with pytest.raises(OSError, match="No space left"):
        ScratchFolder(tmp_path).rows((2, 3), np.float64)


def test_what_is_written_into_rows_stays_and_a_copy_is_none(tmp_path: Path) -> None:
    folder = ScratchFolder(tmp_path)
    one, other = folder.rows((5, 3), np.int16), folder.rows((5, 3), np.int16)
    one.mapped(1, 3)[...] = [[1, 2, 3], [4, 5, 6]]
    copy = one.copied(2, 4)
    assert copy.tolist() == [[4, 5, 6], [0, 0, 0]]
    copy[...] = 9
    assert one.copied(0, 5).sum() == 21
    assert not other.copied(0, 5).any()
    assert folder.rows((0, 3), np.int16).path.stat().st_size == 0


def test_strips_cover_all_rows_once() -> None:
    assert list(strips(6, 2)) == [(0, 2), (2, 4), (4, 6)]
    assert list(strips(3, 7)) == [(0, 3)]
    assert list(strips(0, 7)) == []
