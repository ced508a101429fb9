"""Every end of a host process: through a pseudo-terminal, with the virtual controllers and a real process.

The process runs in a session of its own with a terminal of its own. It is ended while the tip is down; then the tip
must be at travel height, the plunger drawn back, and the journal closed with the reason.
"""

import fcntl
import json
import os
import pty
import resource
import signal
import sqlite3
import subprocess
import sys
import termios
import threading
import time
from contextlib import contextmanager

import pytest
from programs import LETTERS, written
from server import Server
from test_running import ASSUMED, BENCHES, HEIGHTS

from pastewright.link.journal import Journal
from pastewright.link.journal_rows import DepositState
from pastewright.profile.examples import example_text
from pastewright.virtual import VirtualController
from pastewright.work.exits import OUR_MISTAKE

TRAVEL_MM = 12.0
HASTE = """
import sys
from pastewright.link import conduct, detect, journal
journal.PATIENCE_S, conduct.LAST_WAIT_S, journal.SYNCED = 0.4, 0.4, "OFF"
detect.GREETING_S, detect.QUIET_S, detect.STATUS_S = 0.1, 0.05, 0.1
"""
MAIN = HASTE + "from pastewright.cli.app import main; main()"
OWN_MISTAKE = (
    HASTE
    + """
from pastewright.work.running import live
shown = []
def broken(self, actions):
    shown.extend(actions)
    if sum(type(action).__name__ == "Started" for action in shown) > 3:
        raise ZeroDivisionError("our own mistake")
live.LiveView.__call__ = broken
from pastewright.cli.app import main; main()
"""
)


class Bench:
    """A virtual controller behind a pseudo-terminal, and a process that lays a board on it."""

    def __init__(self, protocol, folder, server):
        self.protocol, self.folder, self.server = protocol, folder, server
        self.here = self.there = -1

    @property
    def controller(self):
        return self.server.peer

    @property
    def journal_file(self):
        return self.folder / "journal.db"

    def begin(self, *, code=MAIN, stdout=None):
        self.here, self.there = pty.openpty()

        def own_session():
            os.setsid()
            fcntl.ioctl(self.there, termios.TIOCSCTTY, 0)

        words = ["run", str(self.folder / "program.gcode"), "--plan", str(self.folder / "plan.json")]
        words += ["--profile", str(self.folder / "bench.toml"), "--even-if-unverified", "--assume", ASSUMED]
        words += ["--port", self.server.url, "--journal", str(self.journal_file)]
        self.process = subprocess.Popen(
            [sys.executable, "-c", code, *words],
            stdin=self.there,
            stdout=stdout or self.there,
            stderr=stdout or self.there,
            env={**os.environ, "TERM": "xterm", "COLUMNS": "120", "COVERAGE_PROCESS_START": ""},
            preexec_fn=own_session,  # noqa: PLW1509
        )
        os.close(self.there)
        self.shown = bytearray()
        threading.Thread(target=self._read, args=(self.here,), daemon=True).start()

    def _read(self, here):
        try:
            while data := os.read(here, 4096):
                self.shown += data
        except OSError:
            return

    def wait_down(self, seconds=90):
        """Wait until a deposit some way into the board is being laid."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            with self.server.lock:
                state = self.controller.state
            if min(state.axes_mm[:2]) > 19 and state.axes_mm[0] > 23 and state.axes_mm[2] < TRAVEL_MM - 1:
                return
            assert self.process.poll() is None, self.shown.decode()
            time.sleep(0.002)
        raise AssertionError(f"the tip never went down: {self.shown.decode()}")

    def close_terminal(self):
        os.close(self.here)

    def ended(self):
        self.process.wait(30)
        return self.process.returncode


@contextmanager
def bench(protocol, folder):
    text, plan = written(protocol, 60, beads=False)
    (folder / "program.gcode").write_text(text, "utf-8")
    (folder / "plan.json").write_text(json.dumps(plan), "utf-8")
    toml = example_text(BENCHES[protocol])
    for old, new in HEIGHTS[protocol]:
        toml = toml.replace(old, new)
    (folder / "bench.toml").write_text(toml, "utf-8")
    controller = VirtualController(protocol, scale=0.15)
    with Server(controller, pty=True) as server:
        made = Bench(protocol, folder, server)
        try:
            yield made
        finally:
            if made.process.poll() is None:
                made.process.kill()
                made.process.wait()


def check(made, reason, phase="stopped"):
    """Hold the machine and the journal to it: tip up, paste at rest, every deposit in one state, the reason told."""
    state = made.controller.state
    assert state.queued_moves == 0
    assert state.axes_mm[2] == pytest.approx(TRAVEL_MM, abs=0.01)
    begun_x = state.axes_mm[0]
    assert 20 < begun_x < 60
    journal = Journal(made.journal_file)
    try:
        row = journal.runs()[0]
        states = [one.state for one in journal.deposits(row.board)]
        assert row.ended_at is not None
        assert row.phase == phase
        assert reason in row.why
        assert DepositState.STARTED not in states
        assert states.count(DepositState.TO_BE_CHECKED) <= 1
        done = states.count(DepositState.DONE)
        assert 0 < done < 60
        assert set(states[:done]) == {DepositState.DONE}
    finally:
        journal.close()


@pytest.fixture(params=["reprap", "cnc"])
def protocol(request):
    return request.param


def test_a_closed_terminal(protocol, tmp_path):
    with bench(protocol, tmp_path) as made:
        made.begin()
        made.wait_down()
        made.close_terminal()
        made.ended()
        check(made, "terminal")


def and_the_other(protocol, *rest):
    """The case on one controller in every run of the tests, and on the other one in the campaign."""
    other = "cnc" if protocol == "reprap" else "reprap"
    return [pytest.param(protocol, *rest), pytest.param(other, *rest, marks=pytest.mark.campaign)]


@pytest.mark.parametrize(
    ("protocol", "number", "reason"),
    [
        *and_the_other("reprap", signal.SIGTERM, "SIGTERM"),
        *and_the_other("cnc", signal.SIGQUIT, "SIGQUIT"),
        *and_the_other("reprap", signal.SIGINT, "Ctrl-C"),
        *and_the_other("cnc", signal.SIGHUP, "SIGHUP"),
    ],
)
def test_a_signal_even_twice(protocol, number, reason, tmp_path):
    with bench(protocol, tmp_path) as made:
        made.begin()
        made.wait_down()
        made.process.send_signal(number)
        if number != signal.SIGINT:  # of Ctrl-C the second one drops everything, as the keys say
            time.sleep(0.02)
            made.process.send_signal(number)
        assert made.ended() == 1
        check(made, reason)


@pytest.mark.parametrize("protocol", and_the_other("reprap"))
def test_a_broken_pipe_to_the_terminal(protocol, tmp_path):
    with bench(protocol, tmp_path) as made:
        reading, writing = os.pipe()
        made.begin(stdout=writing)
        os.close(writing)
        made.wait_down()
        os.close(reading)
        made.ended()
        check(made, "terminal")


def test_an_exception_of_our_own(protocol, tmp_path):
    with bench(protocol, tmp_path) as made:
        made.begin(code=OWN_MISTAKE)
        assert made.ended() == OUR_MISTAKE
        assert b"ZeroDivisionError" in made.shown  # told as what it is, after the tip is up
        check(made, "ZeroDivisionError")


@pytest.mark.parametrize("protocol", and_the_other("reprap"))
def test_a_full_disk(protocol, tmp_path):
    with bench(protocol, tmp_path) as made:
        made.begin()
        made.wait_down()
        resource.prlimit(
            made.process.pid, resource.RLIMIT_FSIZE, (4096, 4096)
        )  # no file grows beyond it any more
        made.ended()
        assert made.controller.state.axes_mm[2] == pytest.approx(TRAVEL_MM, abs=0.01)
        assert b"the journal cannot be written" in made.shown
        journal = Journal(made.journal_file)
        row = journal.runs()[0]
        states = [one.state for one in journal.deposits(row.board)]
        journal.close()
        executed = [one.text for one in made.controller.executed]
        # What the journal has as not started was not begun: all that was laid is done, or started and thus in doubt.
        plunger = LETTERS[protocol]
        begun = sum(text.startswith("G1 X") and " Y" in text and plunger not in text for text in executed) - 1
        assert 0 < begun < 60
        assert sum(state is not DepositState.NOT_STARTED for state in states) == begun


@pytest.mark.parametrize("protocol", and_the_other("cnc"))
def test_a_locked_journal(protocol, tmp_path):
    with bench(protocol, tmp_path) as made:
        made.begin()
        made.wait_down()
        locker = sqlite3.connect(made.journal_file, isolation_level=None, timeout=5)
        locker.execute("BEGIN IMMEDIATE")
        end = time.monotonic() + 60
        while b"stopped" not in made.shown and time.monotonic() < end:
            time.sleep(0.05)
        assert made.controller.state.axes_mm[2] == pytest.approx(TRAVEL_MM, abs=0.01)
        locker.execute("ROLLBACK")
        locker.close()
        made.ended()
        check(made, "locked")
