"""Work done by a copy of the process: its result, its limits, its end."""

import os
import signal
import sys
import time

import pytest

from geosite.base.process_copies import CopyDied, Limits, in_a_copy

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
