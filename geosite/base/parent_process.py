"""Processes that end with the one that started them."""

from __future__ import annotations

import ctypes
import os
import signal
import sys

__all__ = ["die_with_parent"]

_PR_SET_PDEATHSIG = 1  # prctl(2)


def die_with_parent(parent: int) -> None:
    """Let this process be killed when the thread that started it ends, on Linux.

    Otherwise it would go on writing, and hold the lock of an output folder, after a kill.

    Parameters
    ----------
    parent
        Process id of the one that started it, which may have died before this is called.
    """
    if sys.platform != "linux":
        return
    ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL)
    if os.getppid() != parent:  # it died before this was said
        os._exit(1)
