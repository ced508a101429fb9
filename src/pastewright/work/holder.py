"""Which page's server holds which port: a note that only this user can read, for commands that find the port taken.

The note lies in the user's state folder while the server is connected, with the address that lets a browser in: whoever
can read it could read the journal beside it, too. One whose process is gone says nothing any more.
"""

import os
from dataclasses import dataclass
from pathlib import Path

from msgspec import DecodeError, Struct, ValidationError, json

from pastewright.link.port import NOBODY_ELSES
from pastewright.problems import InputError, one_error
from pastewright.work.running.choice import at_work
from pastewright.work.running.records import default_journal

FOLDER = "pages"


class _Note(Struct, frozen=True):
    port: str
    address: str
    folder: str
    process: int


@dataclass(frozen=True, slots=True, kw_only=True)
class HeldPort:
    """A port that a page's server has open; `address` lets a browser in, and `folder` is where the page works."""

    port: str
    address: str
    folder: Path
    process: int


def _notes() -> Path:
    return default_journal().parent / FOLDER


def same_port(port: str) -> str:
    """Return one name for a port that has several: links to a device lead to it."""
    return os.path.realpath(port) if port.startswith("/") else port


def tell_held(port: str, address: str, folder: Path) -> Path | None:
    """Write the note of this process; None for a virtual port, and where nothing can be written."""
    if port.startswith(NOBODY_ELSES):
        return None
    note = _Note(port=same_port(port), address=address, folder=str(folder), process=os.getpid())
    path = _notes() / f"{os.getpid()}-{abs(hash(port)) % 10**8}.json"
    try:
        path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        path.touch(mode=0o600)
        path.write_bytes(json.encode(note))
    except OSError:
        return None
    return path


def held_by_page(port: str) -> HeldPort | None:
    """Return the page of another process that has this port open, None where there is none."""
    if not port or port.startswith(NOBODY_ELSES):
        return None
    for path in sorted(_notes().glob("*.json")):
        try:
            note = json.decode(path.read_bytes(), type=_Note)
        except (OSError, DecodeError, ValidationError):
            continue
        if not at_work(note.process):
            continue  # killed, or our own
        if note.port == same_port(port):
            return HeldPort(port=port, address=note.address, folder=Path(note.folder), process=note.process)
    return None


def must_be_free(port: str) -> None:
    """Raise `InputError` where a page's server has this port open."""
    held = held_by_page(port)
    if held is not None:
        raise held_error(held)


def held_error(held: HeldPort) -> InputError:
    """Return what is to be raised where a page holds a port."""
    return one_error(
        held_words(held), "Do it in the page's windows, or disconnect it there (Machine) and come back."
    )


def held_words(held: HeldPort) -> str:
    """Say who holds a port."""
    return f"the page of {held.folder} (process {held.process}) holds the port {held.port}"
