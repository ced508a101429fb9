"""The pretend controller as a port, and on a pseudo-terminal in a process of its own."""

import json
import os
import re
import select
import signal
import subprocess
import sys
import termios
import threading
import time
import tty
from contextlib import contextmanager

import pytest

from pastewright.problems import InputError
from pastewright.virtual import Direction, Fault, FaultKind, Faults, Manners
from pastewright.virtual.port import PortGoneError, VirtualPort, open_virtual


class MadeUpClock:
    """A clock that only moves when told."""

    def __init__(self):
        self.now_s = 100.0

    def __call__(self):
        return self.now_s


@pytest.mark.parametrize(("name", "greeting"), [("sim:reprap", b"start\n"), ("sim:cnc", b"\r\nPretend 1 [")])
def test_a_port_greets_and_answers(name, greeting):
    with open_virtual(name, scale=0.0, timeout=0.0) as port:
        assert port.read(10_000).startswith(greeting)
        assert port.write(b"G4 P0\n") == 6
        assert port.in_waiting > 0
        assert port.readline() in (b"ok\n", b"error:9\r\n")
        assert port.read(1) == b""


def test_a_read_waits_for_its_bytes_and_no_longer():
    port = open_virtual("sim:reprap", scale=0.1, timeout=5.0)
    port.reset_input_buffer()
    begin_s = time.monotonic()
    port.write(b"G4 P1000\n")  # 1 s of the machine is 0.1 s here
    assert port.read(3) == b"ok\n"
    assert time.monotonic() - begin_s >= 0.1
    port.timeout = 0.05
    begin_s = time.monotonic()
    assert port.read(1) == b""
    assert time.monotonic() - begin_s >= 0.05


def test_the_clock_is_given_from_outside():
    clock = MadeUpClock()
    port = open_virtual("sim:reprap", timeout=0.0, clock=clock)
    port.read(1000)
    port.write(b"G1 X10 F600\nM400\n")
    assert port.read(100) == b"ok\n"
    clock.now_s += 1.005
    assert port.read(100) == b""
    clock.now_s += 0.01  # 10 mm at 10 mm/s with ramps of 10 ms: 1.01 s
    assert port.read(100) == b"ok\n"
    assert port.controller.state.axes_mm[0] == pytest.approx(10.0)


def test_a_write_from_another_thread_wakes_a_read():
    port = open_virtual("sim:reprap", scale=0.0, timeout=5.0)
    port.reset_input_buffer()
    writer = threading.Timer(0.05, port.write, [b"G90\n"])
    writer.start()
    assert port.read(3) == b"ok\n"
    writer.join()


def test_a_waiting_read_can_be_called_off():
    port = open_virtual("sim:reprap", scale=0.0, timeout=None)
    port.reset_input_buffer()
    threading.Timer(0.05, port.cancel_read).start()
    assert port.read(3) == b""


def test_raising_dtr_resets_as_on_many_boards():
    port = open_virtual("sim:reprap", scale=0.0, timeout=0.0)
    port.read(1000)
    port.dtr = False
    assert port.read(1000) == b""
    port.dtr = True
    assert port.read(1000).startswith(b"start\n")


def test_a_pulled_cable_is_an_error_of_the_operating_system():
    pulled = Fault(kind=FaultKind.DISCONNECT, direction=Direction.TO_CONTROLLER, at_byte=4)
    port = open_virtual("sim:reprap", scale=0.0, timeout=1.0, faults=Faults(scripted=(pulled,)))
    port.reset_input_buffer()
    port.write(b"G90\nG91\n")
    assert port.read(10) == b"ok\n"  # what came before can be read
    with pytest.raises(PortGoneError, match="disconnected"):
        port.read(1)
    with pytest.raises(OSError, match="disconnected"):
        port.write(b"G90\n")
    port.close()
    with pytest.raises(PortGoneError, match="closed"):
        port.write(b"G90\n")


def test_scale_and_seed_can_be_part_of_the_name():
    port = open_virtual("sim:cnc?scale=0.5&seed=7")
    assert isinstance(port, VirtualPort)
    assert port.controller.protocol == "cnc"


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("sim:laser", "sim:reprap or sim:cnc"),
        ("reprap", "sim:reprap or sim:cnc"),
        ("sim:cnc?scale=fast", "fast"),
        ("sim:cnc?scale=-1", "0 or more"),
        ("sim:cnc?scale=nan", "0 or more"),
        ("sim:cnc?speed=1", "speed"),
    ],
)
def test_a_name_that_means_nothing_is_told_with_what_there_is(name, told):
    with pytest.raises(InputError, match=re.escape(told)):
        open_virtual(name)


@contextmanager
def served(*words):
    """Run the controller on a pseudo-terminal in another process; gives the terminal's name and the process."""
    process = subprocess.Popen(
        [sys.executable, "-m", "pastewright.virtual", "--pty", "--boot", "0.02", *words],
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    try:
        yield process.stdout.readline().strip(), process
    finally:
        process.terminate()
        process.wait(10)
        process.stdout.close()


class Client:
    """A terminal opened as a program outside would."""

    def __init__(self, name):
        self.end = os.open(name, os.O_RDWR | os.O_NOCTTY)
        tty.setraw(self.end, termios.TCSANOW)
        self.came = b""

    def until(self, wanted, seconds=60.0):
        """Return what comes up to and with the bytes `wanted`."""
        end_s = time.monotonic() + seconds
        while wanted not in self.came:
            assert time.monotonic() < end_s, f"no {wanted!r} in {self.came!r}"
            if select.select([self.end], [], [], 0.1)[0]:
                self.came += os.read(self.end, 4096)
        answer, found, self.came = self.came.partition(wanted)
        return answer + found

    def send(self, data):
        os.write(self.end, data)

    def close(self):
        os.close(self.end)


def test_a_client_outside_is_greeted_and_answered(tmp_path):
    record = tmp_path / "record.jsonl"
    with served("--protocol", "reprap", "--scale", "0", "--record", str(record)) as (name, _):
        client = Client(name)
        client.until(b"no machine attached\n")
        client.send(b"G1 X1.5 F600\nM114\n")
        assert client.until(b"Count X:120 Y:0 Z:0\nok\n").startswith(b"ok\nX:1.50")
        client.close()
    done = [json.loads(line) for line in record.read_text().splitlines()]
    assert [one["text"] for one in done] == ["G1 X1.5 F600", "M114"]
    assert done[0]["axes_mm"] == [1.5, 0.0, 0.0]


def test_opening_the_terminal_resets_and_the_machine_outlives_its_client():
    with served("--protocol", "reprap", "--scale", "1") as (name, _):
        first = Client(name)
        first.until(b"attached\n")
        first.send(b"G1 X100 F600\nM110 N7\n")
        first.until(b"ok\nok\n")
        time.sleep(0.2)
        first.close()
        time.sleep(0.2)
        second = Client(name)
        second.until(b"attached\n")
        second.send(b"N1 M114*38\n")
        answer = second.until(b"ok\n")
        assert b"X:0.00" in answer  # it has forgotten where it is
        second.close()


def test_opening_the_terminal_need_not_reset():
    with served("--protocol", "cnc", "--scale", "0", "--keep-on-open") as (name, _):
        first = Client(name)
        # Its greeting may have gone out before anybody listened: ask until it has booted.
        for _ in range(600):
            first.send(b"?")
            if select.select([first.end], [], [], 0.1)[0]:
                first.came += os.read(first.end, 4096)
            if b">" in first.came:
                break
        first.until(b">")
        first.send(b"$X\nG0 X4\n")
        first.until(b"ok\r\nok\r\n")
        first.close()
        time.sleep(0.1)
        second = Client(name)
        second.send(b"?")
        assert second.until(b">").startswith(b"<Idle|MPos:4.000,")
        second.close()


def test_a_fault_from_the_command_line_strikes_and_is_recorded(tmp_path):
    record = tmp_path / "record.jsonl"
    words = ("--fault", "corrupt@0:to-controller", "--record", str(record))
    with served("--protocol", "reprap", "--scale", "0", *words) as (name, process):
        client = Client(name)
        client.until(b"attached\n")
        client.send(b"G90\n")
        assert client.until(b"ok\n") == b'echo:Unknown command: "F90"\nok\n'
        client.close()
        process.send_signal(signal.SIGINT)
        assert process.wait(10) == 0
    assert json.loads(record.read_text())["fault"] == "corrupt"


def test_thousands_of_lines_are_each_answered_over_a_terminal():
    count = 3000
    with served("--protocol", "reprap", "--scale", "0") as (name, _):
        client = Client(name)
        client.until(b"attached\n")
        answered = 0
        for at in range(count):
            client.send(b"G1 X%d Y2.5 E0.001 F6000\n" % (at % 100))
            client.until(b"ok\n")
            answered += 1
        client.close()
    assert answered == count


@pytest.mark.parametrize(
    "words",
    [
        ["--protocol", "laser", "--pty"],
        ["--protocol", "cnc"],
        ["--protocol", "cnc", "--pty", "--fault", "lose"],
        ["--protocol", "cnc", "--pty", "--fault", "lose@-1"],
        ["--protocol", "cnc", "--pty", "--scale", "-1"],
        ["--protocol", "cnc", "--pty", "--faults-every", "0"],
        ["--protocol", "cnc", "--pty", "--record", "no-such-folder/record"],
    ],
)
def test_odd_words_are_told_and_end_with_2(words):
    done = subprocess.run(
        [sys.executable, "-m", "pastewright.virtual", *words],
        capture_output=True,
        text=True,
        timeout=20,
        check=False,
    )
    assert done.returncode == 2
    assert "Traceback" not in done.stderr
    assert "error:" in done.stderr


def test_a_made_up_machine_can_be_given():
    port = open_virtual("sim:reprap", scale=0.0, timeout=0.0, manners=Manners(advanced_ok=True))
    port.reset_input_buffer()
    port.write(b"G90\n")
    assert port.read(100) == b"ok P15 B4\n"
