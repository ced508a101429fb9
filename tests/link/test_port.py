"""Ports that work, and what is said of those that do not."""

import os
import socket

import pytest
import serial
from peers import TinyPrinter
from server import Server

from pastewright.link import port as port_module
from pastewright.link.port import PortLostError, SerialPort, TerminalError, known_ports, open_port
from pastewright.problems import InputError


def problem(name, baud=115200):
    with pytest.raises(InputError) as caught:
        open_port(name, baud=baud)
    return str(caught.value)


@pytest.mark.parametrize("pty", [False, True], ids=["socket", "pty"])
def test_bytes_go_and_come(pty):
    with Server(TinyPrinter(), pty=pty) as server:
        port = open_port(server.url, baud=115200)
        port.write(b"M115\n")
        heard = b""
        while not heard.endswith(b"ok\n"):
            heard += port.read()
        port.close()
    assert heard.startswith(b"FIRMWARE_NAME")


def test_a_port_that_is_not_there_names_those_that_are():
    assert "no such port" in problem("/dev/ttyNOTHERE9")


def test_a_plain_file_is_no_port(tmp_path):
    file = tmp_path / "file"
    file.write_text("x")
    assert "this is no port" in problem(str(file))


def test_a_busy_port_is_said_to_be_busy():
    with Server(TinyPrinter(), pty=True) as server:
        first = open_port(server.url, baud=115200)
        assert "another program has this port" in problem(server.url)
        first.close()


def test_no_permission_names_the_group_of_the_port(monkeypatch):
    import grp

    with Server(TinyPrinter(), pty=True) as server:
        group = next(entry for entry in grp.getgrall() if entry.gr_name == "dialout")
        os.chown(server.url, -1, group.gr_gid)
        monkeypatch.setattr(port_module.os, "access", lambda *_: False)
        words = problem(server.url)
    assert "the group dialout" in words
    assert "usermod -aG dialout" in words


def test_permission_refused_by_the_system_is_told_the_same_way(monkeypatch):
    def refuse(*_, **__):
        raise serial.SerialException(13, "could not open port: [Errno 13] Permission denied")

    with Server(TinyPrinter(), pty=True) as server:
        monkeypatch.setattr(port_module.serial, "Serial", refuse)
        assert "no permission" in problem(server.url)


def test_nobody_behind_a_url():
    with socket.create_server(("127.0.0.1", 0)) as unused:
        number = unused.getsockname()[1]
    assert "nobody answers there" in problem(f"socket://127.0.0.1:{number}")


@pytest.mark.parametrize("name", ["", "sim:laser", "nonsense://x"])
def test_names_that_mean_nothing(name):
    assert problem(name)


def test_a_connection_that_breaks_is_told_as_lost():
    listener = socket.create_server(("127.0.0.1", 0))
    port = open_port(f"socket://127.0.0.1:{listener.getsockname()[1]}", baud=115200)
    accepted, _ = listener.accept()
    accepted.close()
    listener.close()
    with pytest.raises(PortLostError, match="connection broke"):
        for _ in range(100):
            port.write(b"x" * 1000)
            port.read()
    port.close()


def test_known_ports_are_sorted_and_named():
    names = [port.device for port in known_ports()]
    assert names == sorted(names)


class PulledWhileWriting:
    """A port of the system whose cable is pulled while bytes are on their way out."""

    in_waiting = 0

    def read(self, size=1):
        raise TerminalError(5, "Input/output error")

    def write(self, data):
        return len(data)

    def flush(self):
        raise TerminalError(5, "Input/output error")

    def close(self):
        raise TerminalError(5, "Input/output error")


@pytest.mark.parametrize("ask", [lambda port: port.write(b"M115\n"), lambda port: port.read()])
def test_a_cable_pulled_while_bytes_go_out_is_a_lost_connection(ask):
    # What `tcdrain` raises is no OSError, and the serial library lets it through.
    assert not issubclass(TerminalError, OSError)
    port = SerialPort("/dev/ttyGONE", PulledWhileWriting())
    with pytest.raises(PortLostError, match="the connection broke: Input/output error"):
        ask(port)
    port.close()
