"""A lock of an open file, which the system takes back when its process ends, however it does."""

from __future__ import annotations

import errno
import sys

__all__ = ["lock"]


def lock(handle: int) -> None:
    """Take the lock of an open file, until it is closed.

    Parameters
    ----------
    handle
        Of the operating system.

    Raises
    ------
    BlockingIOError
        Another process has it.
    OSError
        The file system has no locks.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryFile() as file:
    ...     lock(file.fileno())
    """
    if sys.platform != "win32":
        import fcntl

        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        return
    import msvcrt

    try:
        msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
    except OSError as error:
        if error.errno in (errno.EBADF, errno.EINVAL):
            raise
        raise BlockingIOError(error.errno, error.strerror) from error
