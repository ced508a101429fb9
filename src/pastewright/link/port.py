"""The thin serial edge: open a port by name or URL, read what is there, write, close; and say plainly what is wrong.

Names are those of the system (`/dev/ttyUSB0`, `COM3`), URLs those of pyserial (`socket://host:port`,
`rfc2217://host:port`), and `sim:reprap`, `sim:cnc` for the virtual controllers. Nothing is decided here.
"""

import errno
import os
import stat
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import serial
from serial.tools import list_ports

from pastewright.problems import InputError, Problem, one_error

try:
    from termios import error as TerminalError  # noqa: N812
except ImportError:  # a system without terminals of this kind never raises it

    class TerminalError(Exception):  # type: ignore[no-redef]
        """Never raised here."""


GONE = (serial.SerialException, OSError, TypeError, TerminalError)
"""What a port raises that is gone. TypeError: pyserial reads from a descriptor that another thread's failure closed. The
terminal's own: a cable pulled while bytes are on their way out, which pyserial lets through."""
READ_S = 0.02
"""Longest wait for bytes; wishes of the person are looked at this often."""
WRITE_S = 5.0
"""A port that takes no bytes for so long is dead: 128 bytes take 0.1 s at the slowest common speed, 9600 baud."""
MOST_BYTES = 4096
"""Read at once: a page, more than any controller says between two looks."""
SIMULATED = ("sim:reprap", "sim:cnc")


class PortLostError(Exception):
    """The connection broke while it was in use."""


class Port(Protocol):
    """A connection to a controller."""

    name: str

    def read(self) -> bytes:
        """Return what has come, after waiting up to `READ_S` for the first byte; raises `PortLostError`."""

    def write(self, data: bytes) -> None:
        """Send all bytes; raises `PortLostError`."""

    def close(self) -> None:
        """Close it."""


class _Inner(Protocol):
    """What is used of a pyserial port."""

    @property
    def in_waiting(self) -> int:
        """Bytes that can be read at once."""

    def read(self, size: int = 1, /) -> bytes:
        """Return up to `size` bytes, fewer when the time is up."""

    def write(self, data: bytes, /) -> int | None:
        """Send bytes."""

    def flush(self) -> None:
        """Wait until they are out."""

    def close(self) -> None:
        """Close it."""


class SerialPort:
    """A pyserial port, or anything of its shape."""

    def __init__(self, name: str, inner: _Inner) -> None:
        self.name = name
        self._inner = inner

    def read(self) -> bytes:
        """Return what has come."""
        try:
            data = self._inner.read(1)
            while data and len(data) < MOST_BYTES and (more := self._inner.in_waiting):
                data += self._inner.read(more)
        except GONE as error:
            raise PortLostError(_why_lost(error)) from None
        return bytes(data)

    def write(self, data: bytes) -> None:
        """Send all bytes."""
        try:
            self._inner.write(data)
            self._inner.flush()
        except GONE as error:
            raise PortLostError(_why_lost(error)) from None

    def close(self) -> None:
        """Close it; a port that is gone already closes too."""
        # pyserial's socket:// gives up closing when the other end is gone, and leaves the socket open.
        inner_socket = getattr(self._inner, "_socket", None)
        try:
            self._inner.close()
        except GONE:
            pass
        finally:
            if inner_socket is not None:
                inner_socket.close()


def _why_lost(error: Exception) -> str:
    words = error.args[1] if isinstance(error, TerminalError) and len(error.args) > 1 else error
    return f"the connection broke: {words}"


def open_port(name: str, *, baud: int) -> Port:
    """Return the open port; raises `InputError` that says what is wrong with it and how to mend it."""
    if name.startswith("sim:"):
        return _open_simulated(name)
    check_port(name)
    try:
        if "://" in name:
            inner = serial.serial_for_url(name, baudrate=baud, timeout=READ_S, write_timeout=WRITE_S)
        else:
            inner = serial.Serial(name, baudrate=baud, timeout=READ_S, write_timeout=WRITE_S, exclusive=True)
    except (*GONE, ValueError) as error:
        raise InputError([_problem(name, baud, error)]) from None
    return SerialPort(name, inner)


def _open_simulated(name: str) -> Port:
    from pastewright.virtual.port import open_virtual

    return SerialPort(name, open_virtual(name, timeout=READ_S))


NOBODY_ELSES = ("sim:", "file:")
"""How ports begin of which everybody who opens one has one of his own: no machine hangs on them."""


def check_port(name: str) -> None:
    """Raise `InputError` for a port that cannot be opened as far as that shows without opening it."""
    if not name:
        raise one_error("no port was given", "Give --port; `pastewright ports` lists those of this machine.")
    if name.startswith(NOBODY_ELSES) or "://" in name or os.name != "posix":
        return
    path = Path(name)
    if not path.exists():
        known = ", ".join(port.device for port in known_ports())
        raise one_error(
            "there is no such port",
            f"Ports of this machine: {known}."
            if known
            else "No port is known to this machine: plug the cable in.",
            file=name,
        )
    if not stat.S_ISCHR(path.stat().st_mode):
        raise one_error("this is no port", "`pastewright ports` lists the ports of this machine.", file=name)
    if not os.access(path, os.R_OK | os.W_OK):
        raise InputError([_no_permission(name)])


def _problem(name: str, baud: int, error: Exception) -> Problem:
    code = getattr(error, "errno", None)
    text = str(error).lower()
    if code == errno.EACCES or "permission" in text:
        return _no_permission(name)
    if code == errno.EBUSY or "lock" in text or "resource busy" in text or "temporarily unavailable" in text:
        return Problem(
            what="another program has this port",
            mend="Close it (another sender, a terminal, a print server), then try again.",
            file=name,
        )
    if "baud" in text or "invalid baud" in text or isinstance(error, ValueError):
        return Problem(
            what=f"this port cannot be opened at {baud} baud: {error}",
            mend="Give another speed with --baud or [run] baud.",
            file=name,
        )
    if "://" in name:
        return Problem(
            what=f"nobody answers there: {error}",
            mend="Check host and port number, and that the serial server runs.",
            file=name,
        )
    if code in (errno.ENOENT, errno.ENXIO, errno.ENODEV) or "could not open port" in text:
        return Problem(
            what=f"the port cannot be opened: {error}",
            mend="`pastewright ports` lists the ports of this machine.",
            file=name,
        )
    return Problem(what=f"the port cannot be opened: {error}", file=name)


def _no_permission(name: str) -> Problem:
    """Name the group that may use the port, from the file itself."""
    group = ""
    try:
        import grp

        group = grp.getgrgid(Path(name).stat().st_gid).gr_name
    except (ImportError, KeyError, OSError):
        group = ""
    if group and group != "root":
        return Problem(
            what=f"you have no permission for this port; it belongs to the group {group}",
            mend=f"sudo usermod -aG {group} $USER, then log out and in again.",
            file=name,
        )
    return Problem(
        what="you have no permission for this port",
        mend="Ask who runs this machine to give the port to a group that you are in, often dialout or uucp.",
        file=name,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownPort:
    """One port of this machine."""

    device: str
    description: str
    hardware: str


def known_ports() -> list[KnownPort]:
    """Return the ports of this machine, by name."""
    return [
        KnownPort(
            device=port.device,
            description="" if port.description in (None, "n/a") else str(port.description),
            hardware="" if port.hwid in (None, "n/a") else str(port.hwid),
        )
        for port in sorted(list_ports.comports(), key=lambda port: port.device)
    ]
