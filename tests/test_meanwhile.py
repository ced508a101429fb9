"""A second process beside this one: the same results, the same errors, and nothing left behind."""

import os
import signal
import threading
import time

import pytest

from pastewright import meanwhile as module
from pastewright.meanwhile import meanwhile

TWO_CORES = {0, 1}

pytestmark = pytest.mark.skipif(not module.FORKS, reason="processes are not copied on this system")


@pytest.fixture(autouse=True)
def two_cores(monkeypatch):
    monkeypatch.setattr(os, "sched_getaffinity", lambda _: TWO_CORES, raising=False)


@pytest.fixture
def seconds(monkeypatch):
    """The ids of the second processes that were begun."""
    begun = []
    begin = module._begun

    def watched(work):
        second = begin(work)
        if second is not None:
            begun.append(second.pid)
        return second

    monkeypatch.setattr(module, "_begun", watched)
    return begun


def is_gone(pid):
    with pytest.raises(ChildProcessError):
        os.waitpid(pid, os.WNOHANG)
    return True


def test_the_work_is_done_by_another_process_and_its_result_is_here(seconds):
    with meanwhile(lambda: (os.getpid(), "ä" * 3_000_000)) as result:
        pid, text = result()
    assert pid == seconds[0] != os.getpid()
    assert text == "ä" * 3_000_000
    assert is_gone(pid)


@pytest.mark.parametrize("without", ["worth", "core", "fork", "room"])
def test_without_a_second_process_it_is_done_here(seconds, monkeypatch, without):
    if without == "core":
        monkeypatch.setattr(os, "sched_getaffinity", lambda _: {0}, raising=False)
    if without == "fork":
        monkeypatch.setattr(module, "FORKS", False)
    if without == "room":

        def full():
            raise BlockingIOError("no more processes")

        monkeypatch.setattr(os, "fork", full)
    with meanwhile(os.getpid, worth=without != "worth") as result:
        assert result() == os.getpid()
    assert seconds == []


def test_what_fails_there_fails_here_with_the_same_error(seconds):
    def work():
        raise KeyError("the same")

    with meanwhile(work) as result, pytest.raises(KeyError, match="the same"):
        result()
    assert is_gone(seconds[0])


def test_a_second_process_that_is_killed_costs_time_only(seconds):
    me = os.getpid()

    def work():
        if os.getpid() != me:
            os.kill(os.getpid(), signal.SIGKILL)
        return 42

    with meanwhile(work) as result:
        assert result() == 42


def test_what_ends_the_body_ends_the_second_process(seconds):
    with pytest.raises(KeyboardInterrupt), meanwhile(lambda: time.sleep(600)):
        raise KeyboardInterrupt
    assert is_gone(seconds[0])


def test_a_result_that_nobody_asks_for_is_no_reason_to_wait(seconds):
    with meanwhile(lambda: "x" * 10_000_000):
        pass
    assert is_gone(seconds[0])


def test_a_pipe_of_ours_ends_though_the_second_process_lives_on(seconds):
    ours, its = os.pipe()
    with meanwhile(lambda: time.sleep(600)):
        os.close(its)
        told = []
        reader = threading.Thread(target=lambda: told.append(os.read(ours, 1)), daemon=True)
        reader.start()
        reader.join(60)
        assert told == [b""]
    os.close(ours)
