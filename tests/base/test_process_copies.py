"""Work done by a copy of the process: its result, its limits, its end."""

import os
import resource
import signal
import sys
import threading
import time
from pathlib import Path

import pytest

from geosite.base import process_copies as module
from geosite.base.process_copies import CopyDied, Limits, can_copy, in_a_copy

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="copies processes")

SMALL = Limits(seconds=1, memory=100_000_000)


def done(work, limits=SMALL):
    with in_a_copy(work, limits) as result:
        return result()


def test_a_result_larger_than_a_pipe_comes_back():
    assert done(lambda: b"x" * 3_000_000) == b"x" * 3_000_000


def test_it_is_another_process():
    assert done(os.getpid) != os.getpid()


def test_signals_that_waited_for_the_copy_reach_the_original_again():
    waiting = {signal.SIGINT, signal.SIGTERM}
    with in_a_copy(os.getpid, SMALL) as result:
        assert not waiting & signal.pthread_sigmask(signal.SIG_BLOCK, ())
        result()


def test_its_errors_come_back():
    with pytest.raises(ZeroDivisionError):
        done(lambda: 1 / 0)


class TakesItsCauseAlong(ValueError):
    """As every error does once Dask is imported."""

    def __reduce__(self):
        return TakesItsCauseAlong, self.args, {"came_from": self.__cause__}


def test_an_error_comes_back_whatever_it_came_from():
    class Unsendable(Exception):
        def __reduce__(self):
            raise TypeError

    def fail():
        try:
            raise Unsendable
        except Unsendable as error:
            raise TakesItsCauseAlong("no such file") from error

    with pytest.raises(TakesItsCauseAlong, match="no such file"):
        done(fail)


@pytest.mark.slow
def test_work_without_end_is_ended():
    def busy():
        while True:
            pass

    started = time.process_time()
    with pytest.raises(CopyDied):
        done(busy)
    assert time.process_time() - started < 0.5  # the copy's time, not this process's


def test_waiting_without_end_is_ended():
    started = time.monotonic()
    with pytest.raises(CopyDied):
        done(lambda: time.sleep(60), Limits(seconds=0, memory=100_000_000))
    assert time.monotonic() - started < 30


def test_memory_without_end_is_refused():
    with pytest.raises(MemoryError):
        done(lambda: len(bytearray(200_000_000)))


def test_a_crash_is_told_as_one():
    with pytest.raises(CopyDied):
        done(lambda: os.kill(os.getpid(), signal.SIGKILL))


def test_it_writes_no_file(tmp_path):
    with pytest.raises(OSError, match="too large"):
        done(lambda: (tmp_path / "a").write_text("a"))
    done(lambda: (tmp_path / "b").write_text("b"), Limits(1, 100_000_000, writes=True))
    assert (tmp_path / "b").read_text() == "b"


def test_what_it_prints_is_not_seen(capfd):
    done(lambda: os.write(2, b"Warning 1: odd header\n"))
    assert capfd.readouterr() == ("", "")


def test_no_copy_is_left_when_the_body_fails():
    with pytest.raises(KeyError), in_a_copy(lambda: time.sleep(60)):
        raise KeyError
    with pytest.raises(ChildProcessError):
        os.waitpid(-1, os.WNOHANG)


class NeedsTwo(Exception):
    """Is written, and cannot be read again."""

    def __init__(self, one, other):
        super().__init__(one)


@pytest.mark.parametrize("limits", [None, SMALL])
def test_an_error_that_cannot_be_read_again_is_no_result(limits):
    def fail():
        raise NeedsTwo("a", "b")

    with pytest.raises(CopyDied):
        done(fail, limits)


def test_what_cannot_be_written_is_no_result():
    with pytest.raises(CopyDied):
        done(lambda: lambda: 0)


def test_limits_are_what_was_asked_for_and_never_more_than_before():
    def held():
        kinds = (resource.RLIMIT_CPU, resource.RLIMIT_CORE, resource.RLIMIT_FSIZE)
        return [resource.getrlimit(kind) for kind in kinds], sys.dont_write_bytecode

    core = (0, 0)
    files = resource.getrlimit(resource.RLIMIT_FSIZE)
    before = resource.getrlimit(resource.RLIMIT_CPU)
    asked = Limits(seconds=6, memory=10**9)
    assert done(held, asked) == ([(6, 6), core, (0, 0)], True)
    writes = Limits(6, 10**9, writes=True)
    assert done(held, writes) == ([(6, 6), core, files], True)
    assert done(lambda: done(held, Limits(9, 10**9)), asked)[0][0] == (6, 6)
    assert done(lambda: done(held, Limits(2, 10**9)), asked)[0][0] == (2, 2)
    assert resource.getrlimit(resource.RLIMIT_CPU) == before


def test_memory_is_counted_beyond_what_the_original_has():
    def held():
        pages = int(Path("/proc/self/statm").read_text().split()[0])
        return resource.getrlimit(resource.RLIMIT_AS)[0] - pages * resource.getpagesize()

    assert done(held, Limits(5, 300_000_000)) == pytest.approx(300_000_000, abs=20_000_000)


def test_nothing_comes_in_and_nothing_goes_out(capfd):
    def talk():
        os.write(1, b"out")
        os.write(2, b"err")
        return os.read(0, 10)

    assert done(talk) == b""
    assert capfd.readouterr() == ("", "")
    done(lambda: os.write(1, b"heard"), None)  # without limits it speaks as the original does
    assert capfd.readouterr().out == "heard"


def test_a_copy_is_safe_on_linux_in_one_thread_only(monkeypatch):
    assert can_copy() == (threading.active_count() == 1)
    monkeypatch.setattr(threading, "active_count", lambda: 1)
    assert can_copy()
    monkeypatch.setattr(sys, "platform", "darwin")
    assert not can_copy()
    monkeypatch.setattr(sys, "platform", "linux")
    monkeypatch.setattr(threading, "active_count", lambda: 2)
    assert not can_copy()


def test_no_file_of_the_pipe_stays_open():
    before = set(os.listdir("/proc/self/fd"))
    assert done(lambda: 1) == 1
    with in_a_copy(lambda: time.sleep(60)):
        pass
    assert set(os.listdir("/proc/self/fd")) == before


def test_time_by_the_clock_is_four_times_that_of_the_processor(monkeypatch):
    waits = []

    def select(reading, writing, other, seconds):
        waits.append(seconds)
        return [], [], []

    monkeypatch.setattr(module.select, "select", select)
    with pytest.raises(CopyDied):
        done(lambda: time.sleep(60), Limits(seconds=30, memory=100_000_000))
    with pytest.raises(CopyDied):
        done(lambda: time.sleep(60), None)
    assert waits == [pytest.approx(120.0, abs=1.0), None]
