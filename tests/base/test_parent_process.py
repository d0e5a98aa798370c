"""A process that was started for another one does not outlive it."""

from __future__ import annotations

import ctypes
import os
import select
import signal
import sys

import pytest

from geosite.base.parent_process import die_with_parent

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="Linux kills it")


def test_it_is_killed_when_its_parent_ends() -> None:
    alive, held = os.pipe()
    parent = os.fork()
    if parent == 0:
        me = os.getpid()
        ready, tell = os.pipe()
        if os.fork() == 0:
            die_with_parent(me)
            os.write(tell, b"!")
            signal.pause()
            os._exit(1)
        os.read(ready, 1)
        os._exit(0)
    os.close(held)
    assert os.waitpid(parent, 0)[1] == 0
    # the pipe ends when nobody is left who could write into it
    assert select.select([alive], [], [], 20)[0]
    assert os.read(alive, 1) == b""
    os.close(alive)


@pytest.mark.parametrize("has_died", [False, True])
def test_it_goes_on_only_where_its_parent_is_there_still(has_died: bool) -> None:
    me = os.getpid()
    child = os.fork()
    if child == 0:
        die_with_parent(me + 1 if has_died else me)
        told = ctypes.c_int(0)
        ctypes.CDLL(None).prctl(2, ctypes.byref(told))  # PR_GET_PDEATHSIG
        os._exit(10 + told.value)
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == (
        1 if has_died else 10 + signal.SIGKILL
    )


def test_elsewhere_nothing_is_done(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "platform", "darwin")
    die_with_parent(-1)
