"""One file of ours in a folder of somebody else's, written whole or not at all."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

__all__ = ["write_whole"]


def write_whole(path: Path, content: bytes) -> None:
    """Write a file beside its place and move it there in one step.

    Parameters
    ----------
    path
        Missing folders are made; a link is followed, what it leads to is replaced.
    content

    Raises
    ------
    OSError
        It cannot be written; a file that was there is as it was.

    Examples
    --------
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     write_whole(Path(folder) / "new" / "a.txt", b"whole")
    ...     (Path(folder) / "new" / "a.txt").read_bytes()
    b'whole'
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    place = Path(os.path.realpath(path))
    handle, beside = tempfile.mkstemp(prefix=".geosite-", dir=place.parent)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        umask = os.umask(0)
        os.umask(umask)
        os.chmod(beside, 0o666 & ~umask)
        os.replace(beside, place)
    except BaseException:
        Path(beside).unlink(missing_ok=True)
        raise
