"""Work done aside: its result, its errors, its end."""

import multiprocessing
import os
import signal
import threading
import time
from concurrent.futures import ProcessPoolExecutor

import numpy as np
import pytest

from geosite.base import shared_work as module
from geosite.base.errors import OutputRefused, Problem
from geosite.base.shared_work import aside, at_once, processors, shared_out, shared_zeros, waiting


@pytest.fixture(autouse=True)
def two_processors(have_processors):
    """Share work, which the tests' own process does not elsewhere (`conftest.py`)."""
    have_processors(2)


@pytest.fixture(params=["copy", "here"])
def way(request, monkeypatch):
    safe = request.param == "copy"
    if safe and not hasattr(os, "fork"):
        pytest.skip("this system cannot copy a process")
    monkeypatch.setattr(module, "can_copy", lambda: safe)
    return request.param


def test_the_work_is_done_and_its_result_comes_back(way, tmp_path):
    def work():
        (tmp_path / "aside.txt").write_text(str(os.getpid()))
        return [("aside.txt", "purpose")]

    with aside(work) as result:
        (tmp_path / "body.txt").write_text("body")
        assert result() == [("aside.txt", "purpose")]
    done_here = (tmp_path / "aside.txt").read_text() == str(os.getpid())
    assert done_here == (way == "here")


def test_refusals_cross_whole(way):
    problem = Problem("full", "no room", "room", "make room", "a.dxf", 3)

    def work():
        raise OutputRefused([problem, problem])

    with pytest.raises(OutputRefused) as caught, aside(work) as result:
        result()
    assert caught.value.problems == (problem, problem)


def test_any_other_error_crosses_too(way):
    with pytest.raises(ZeroDivisionError), aside(lambda: 1 / 0) as result:
        result()


def test_what_cannot_be_sent_is_done_again_here(way):
    with aside(lambda: threading.Lock()) as result:
        assert result().acquire(blocking=False)


def test_a_copy_that_dies_is_replaced(monkeypatch, tmp_path):
    monkeypatch.setattr(module, "can_copy", lambda: True)
    me = os.getpid()

    def work():
        if os.getpid() != me:
            os.kill(os.getpid(), signal.SIGKILL)
        return "done"

    with aside(work) as result:
        assert result() == "done"


def test_pieces_are_done_once_each_by_whoever_is_free(way):
    done = shared_zeros((40, 3), np.int64)

    def begin(worker):
        def work(piece):
            done[piece] += (1, worker, os.getpid())
            time.sleep(0.02 if worker == 1 else 0.002)
            return piece**2

        return work

    assert shared_out(begin, 40, 3) == [piece**2 for piece in range(40)]
    assert (done[:, 0] == 1).all()
    by_worker = np.bincount(done[:, 1], minlength=3)
    assert by_worker[1] < by_worker[0]  # the slow one does less
    assert (len(set(done[:, 2].tolist())) == 1) == (way == "here")


def test_more_pieces_than_a_pipe_holds(way):
    assert shared_out(lambda worker: lambda piece: -piece, 5_000, 2) == [-k for k in range(5_000)]


def test_pieces_of_a_copy_that_dies_are_done_here(monkeypatch):
    """Counts of a worker begin anew where it begins again."""
    monkeypatch.setattr(module, "can_copy", lambda: True)
    me, counts = os.getpid(), shared_zeros((2, 30), np.int64)

    def begin(worker):
        counts[worker] = 0

        def work(piece):
            counts[worker, piece] += 1
            time.sleep(0.01)
            if os.getpid() != me and counts[1].sum() == 3:
                os.kill(os.getpid(), signal.SIGKILL)
            return piece

        return work

    assert shared_out(begin, 30, 2) == list(range(30))
    assert counts.sum(axis=0).tolist() == [1] * 30


def test_an_error_in_a_piece_crosses(way):
    def begin(worker):
        return lambda piece: 1 // (piece - 7)

    with pytest.raises(ZeroDivisionError):
        shared_out(begin, 10, 2)


def test_an_error_in_the_body_ends_the_copy(monkeypatch, tmp_path):
    monkeypatch.setattr(module, "can_copy", lambda: True)
    copies = []
    fork = os.fork

    def noted():
        copies.append(fork())
        return copies[-1]

    monkeypatch.setattr(os, "fork", noted)

    def work():
        time.sleep(30)

    before = time.monotonic()
    with pytest.raises(KeyError), aside(work):
        raise KeyError("body")
    assert time.monotonic() - before < 10
    (copy,) = copies
    with pytest.raises(ChildProcessError):  # nobody is left to wait for
        os.waitpid(copy, os.WNOHANG)


def test_a_copy_waits_loaded_for_what_it_is_given(monkeypatch, tmp_path):
    monkeypatch.setattr(module, "can_copy", lambda: True)
    monkeypatch.setattr(module, "processors", lambda: 2)
    loaded = []

    def work(what):
        (tmp_path / "who.txt").write_text(str(os.getpid()))
        return loaded, what

    with waiting(lambda: loaded.append("library"), work) as give:
        result = give({"a": np.arange(3)})
        told, what = result()
    assert told == ["library"]
    assert loaded == []
    assert what["a"].tolist() == [0, 1, 2]
    assert (tmp_path / "who.txt").read_text() != str(os.getpid())


def test_where_no_copy_is_safe_nothing_waits(monkeypatch):
    monkeypatch.setattr(module, "can_copy", lambda: False)
    with waiting(lambda: 1 / 0, sum) as give:
        assert give is None


@pytest.mark.parametrize("dies", ["while it loads", "while it works"])
def test_what_was_given_to_a_copy_that_dies_is_done_here(monkeypatch, dies):
    monkeypatch.setattr(module, "can_copy", lambda: True)
    monkeypatch.setattr(module, "processors", lambda: 2)
    me = os.getpid()

    def die(when):
        if os.getpid() != me and when == dies:
            os.kill(os.getpid(), signal.SIGKILL)

    def work(what):
        die("while it works")
        return sum(what)

    with waiting(lambda: die("while it loads"), work) as give:
        assert give(range(4))() == 6


def test_what_cannot_be_sent_to_a_copy_that_waits_is_done_here(monkeypatch):
    monkeypatch.setattr(module, "can_copy", lambda: True)
    monkeypatch.setattr(module, "processors", lambda: 2)
    with waiting(lambda: None, lambda what: what()) as give:
        assert give(os.getpid)() != os.getpid()
        here = os.getpid()
    with waiting(lambda: None, lambda what: what()) as give:
        assert give(lambda: os.getpid())() == here


def test_a_refusal_before_anything_is_given_ends_the_copy_that_waits(monkeypatch):
    monkeypatch.setattr(module, "can_copy", lambda: True)
    monkeypatch.setattr(module, "processors", lambda: 2)
    copies = []
    fork = os.fork

    def noted():
        copies.append(fork())
        return copies[-1]

    monkeypatch.setattr(os, "fork", noted)
    before = set(os.listdir("/proc/self/fd"))
    with pytest.raises(KeyError), waiting(lambda: None, sum):
        raise KeyError("refused")
    with pytest.raises(ChildProcessError):  # nobody is left to wait for
        os.waitpid(copies[0], os.WNOHANG)
    assert set(os.listdir("/proc/self/fd")) == before


def test_pieces_are_done_at_once_and_come_back_by_number(way):
    numbers = shared_zeros((4, 3), np.int32)

    def piece(number):
        numbers[number] = number
        return number, os.getpid()

    found, who = zip(*at_once(piece, 4), strict=True)
    assert found == (0, 1, 2, 3)
    assert len(set(who)) == (1 if way == "here" else 4)
    assert numbers.tolist() == [[k] * 3 for k in range(4)]


def test_a_piece_whose_copy_dies_is_done_here(monkeypatch):
    monkeypatch.setattr(module, "can_copy", lambda: True)
    me = os.getpid()

    def piece(number):
        if os.getpid() != me and number == 2:
            os.kill(os.getpid(), signal.SIGKILL)
        return number

    assert at_once(piece, 3) == [0, 1, 2]


def test_an_error_of_any_piece_comes_back(way):
    def piece(number):
        return 1 // (2 - number)

    with pytest.raises(ZeroDivisionError):
        at_once(piece, 3)


def test_on_one_processor_nothing_is_copied(monkeypatch):
    monkeypatch.setattr(module, "processors", lambda: 1)
    assert set(at_once(lambda _: os.getpid(), 3)) == {os.getpid()}


def test_a_process_that_shares_work_takes_one_processor():
    with ProcessPoolExecutor(1, multiprocessing.get_context("fork")) as pool:
        assert pool.submit(processors).result() == 1


def test_threads_keep_the_work_here():
    hold = threading.Event()
    other = threading.Thread(target=hold.wait)
    other.start()
    try:
        with aside(os.getpid) as result:
            assert result() == os.getpid()
    finally:
        hold.set()
        other.join()


def test_processors_are_those_that_this_process_may_use(monkeypatch):
    monkeypatch.setattr(os, "sched_getaffinity", lambda _: {0, 2, 5}, raising=False)
    assert processors() == 3
    monkeypatch.delattr(os, "sched_getaffinity")
    monkeypatch.setattr(os, "cpu_count", lambda: 7)
    assert processors() == 7
    monkeypatch.setattr(os, "cpu_count", lambda: None)
    assert processors() == 1


def test_work_aside_is_done_at_the_same_time(monkeypatch):
    monkeypatch.setattr(module, "can_copy", lambda: True)
    monkeypatch.setattr(module, "processors", lambda: 2)
    begun = shared_zeros((1,), np.int64)

    def work():
        begun[0] = os.getpid()
        return os.getpid()

    with aside(work) as result:
        until = time.monotonic() + 20
        while not begun[0] and time.monotonic() < until:
            time.sleep(0.001)
        assert begun[0] not in (0, os.getpid())
        assert result() == begun[0]


def test_one_piece_is_done_here_and_threads_do_several_elsewhere(monkeypatch):
    monkeypatch.setattr(module, "can_copy", lambda: False)
    assert at_once(lambda _: threading.current_thread(), 1) == [threading.main_thread()]
    meet = threading.Barrier(3, timeout=20)  # all three are at work at once
    assert len(set(at_once(lambda _: (meet.wait(), threading.get_ident())[1], 3))) == 3


def test_zeros_of_any_shape():
    for shape in ((0,), (3, 0), (2, 3, 4), ()):
        zeros = shared_zeros(shape, np.float32)
        assert (zeros.shape, zeros.dtype) == (shape, np.float32)
        assert not zeros.any()


def test_without_work_there_is_no_result():
    assert shared_out(lambda worker: lambda piece: piece, 0, 1) == []
