"""An interrupt that somebody swallowed is raised again where it is asked for."""

from __future__ import annotations

import contextlib
import os
import signal
import sys
import threading
from collections.abc import Iterator

import pytest

from geosite.base import interrupt

if sys.platform == "win32":
    pytest.skip("has no such signals", allow_module_level=True)


@pytest.fixture(autouse=True)
def _as_before() -> Iterator[None]:
    before = {number: signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)}
    for number in before:  # a shell lets what it starts behind ignore SIGINT
        signal.signal(number, signal.SIG_DFL)
    yield
    for number, handler in before.items():
        signal.signal(number, handler)
    interrupt.listen()
    for number, handler in before.items():
        signal.signal(number, handler)


@pytest.mark.parametrize(
    ("number", "kind"), [(signal.SIGINT, KeyboardInterrupt), (signal.SIGTERM, SystemExit)]
)
def test_a_swallowed_signal_comes_back(number: signal.Signals, kind: type[BaseException]) -> None:
    interrupt.listen()
    interrupt.stop_if_asked()
    with contextlib.suppress(kind):
        os.kill(os.getpid(), number)
        raise AssertionError("the signal came too late")
    for _ in range(2):
        with pytest.raises(kind):
            interrupt.stop_if_asked()
    interrupt.listen()
    interrupt.stop_if_asked()


def test_what_this_process_was_started_to_ignore_stays_so() -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    interrupt.listen()
    os.kill(os.getpid(), signal.SIGINT)
    interrupt.stop_if_asked()


def test_who_leaves_is_not_interrupted() -> None:
    interrupt.listen()
    interrupt.ignore()
    os.kill(os.getpid(), signal.SIGINT)
    os.kill(os.getpid(), signal.SIGTERM)
    interrupt.stop_if_asked()


def test_an_interrupt_may_be_the_usual_end() -> None:
    interrupt.listen()
    with contextlib.suppress(KeyboardInterrupt):
        os.kill(os.getpid(), signal.SIGINT)
        raise AssertionError("the signal came too late")
    interrupt.was_the_end()
    interrupt.stop_if_asked()


def test_a_request_to_end_is_no_usual_end() -> None:
    interrupt.listen()
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGINT):
        with contextlib.suppress(KeyboardInterrupt, SystemExit):
            os.kill(os.getpid(), number)
            raise AssertionError("the signal came too late")
    interrupt.was_the_end()
    with pytest.raises(SystemExit) as ended:
        interrupt.stop_if_asked()
    assert ended.value.code == 128 + 15  # as shells count


def test_another_thread_leaves_signals_as_they_are() -> None:
    def work() -> None:
        interrupt.listen()
        interrupt.ignore()

    before = signal.getsignal(signal.SIGTERM)
    thread = threading.Thread(target=work)
    thread.start()
    thread.join()
    assert signal.getsignal(signal.SIGTERM) is before
