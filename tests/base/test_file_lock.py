"""One process has the lock of a file; whoever comes second is told at once."""

from __future__ import annotations

import errno
import sys
from pathlib import Path
from types import SimpleNamespace

import pytest

from geosite.base.file_lock import lock


def test_who_comes_second_is_told_and_has_it_once_the_first_is_gone(tmp_path: Path) -> None:
    path = tmp_path / "lock"
    with path.open("w") as first, path.open("r+") as second:
        lock(first.fileno())
        with pytest.raises(BlockingIOError):
            lock(second.fileno())
        first.close()
        lock(second.fileno())


@pytest.mark.parametrize(
    ("code", "told"),
    [
        (errno.EACCES, BlockingIOError),
        (errno.EDEADLK, BlockingIOError),
        (errno.EBADF, OSError),
        (errno.EINVAL, OSError),
    ],
)
def test_where_the_system_locks_bytes_a_taken_one_is_told_the_same(
    monkeypatch: pytest.MonkeyPatch, code: int, told: type[OSError]
) -> None:
    asked = []

    def locking(handle: int, mode: str, count: int) -> None:
        asked.append((handle, mode, count))
        if handle == 4:
            raise OSError(code, "as the system says")

    monkeypatch.setattr(sys, "platform", "win32")
    monkeypatch.setitem(sys.modules, "msvcrt", SimpleNamespace(LK_NBLCK="now", locking=locking))
    lock(3)
    with pytest.raises(OSError, match="as the system says") as refused:
        lock(4)
    assert type(refused.value) is told
    assert refused.value.errno == code
    assert asked == [(3, "now", 1), (4, "now", 1)]
