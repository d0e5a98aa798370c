"""Interrupts that count even where a library swallowed them.

An exception that a signal raises inside a callback of a compiled library, or while an object is
cleared away, is printed or dropped, and the work goes on. What is asked for here is remembered.
"""

from __future__ import annotations

import signal
import threading
from types import FrameType

__all__ = ["ignore", "listen", "stop_if_asked", "was_the_end"]

_asked: list[int] = []


def listen() -> None:
    """Raise KeyboardInterrupt on SIGINT and SystemExit on SIGTERM, and remember both.

    A signal that this process was started to ignore stays ignored.
    """
    _asked.clear()
    if threading.current_thread() is not threading.main_thread():
        return
    for number in (signal.SIGINT, signal.SIGTERM):
        if signal.getsignal(number) is not signal.SIG_IGN:
            signal.signal(number, _stop)


def ignore() -> None:
    """Pass over further signals: this process is leaving."""
    if threading.current_thread() is threading.main_thread():
        for number in (signal.SIGINT, signal.SIGTERM):
            signal.signal(number, signal.SIG_IGN)


def was_the_end() -> None:
    """Forget an interrupt that was meant: the usual way to end what runs until then."""
    while signal.SIGINT in _asked:
        _asked.remove(signal.SIGINT)


def _stop(number: int, frame: FrameType | None) -> None:
    _asked.append(number)
    stop_if_asked()


def stop_if_asked() -> None:
    """Raise again what a signal raised before; nothing where none came.

    Raises
    ------
    KeyboardInterrupt, SystemExit

    Examples
    --------
    >>> stop_if_asked()  # nobody pressed a key
    """
    if not _asked:
        return
    if _asked[0] == signal.SIGINT:
        raise KeyboardInterrupt
    raise SystemExit(128 + _asked[0])
