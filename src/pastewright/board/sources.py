"""The readers of everything that is no Gerber set, behind one small interface, found by content.

A `Reader` tells by the first bytes of a file whether it is its own, and turns the file into a `Board`. Gerber
sets come first: in a folder that holds one, drawings and tables are notes beside it. Libraries are loaded only
when a file needs them.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from pastewright.board.drawn.drawing import Ask
from pastewright.board.model import Board, LayerRole
from pastewright.board.source.files import SourceFile
from pastewright.board.source.sniff import HEAD_BYTES, FileKind, kind_of, text_of
from pastewright.problems import one_error

JOB_FILE = "job.toml"
"""A job file lies beside the design and is no part of it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reader:
    """One format: `claims` looks at the head of a file, `read` returns the asked side or raises `InputError`."""

    name: str
    claims: Callable[[bytes], bool]
    read: Callable[[SourceFile, Ask], Board]


def _is_svg(head: bytes) -> bool:
    text = text_of(head).lstrip("\ufeff \t\r\n")
    return text.startswith("<") and ("<svg" in text or ":svg" in text)


def _is_ipc2581(head: bytes) -> bool:
    text = text_of(head).lstrip("\ufeff \t\r\n")
    return text.startswith("<") and "<IPC-2581" in text


def _is_dxf(head: bytes) -> bool:
    if head.startswith(b"AutoCAD Binary DXF"):
        return True
    # Group code 0 or 999, then SECTION: every text DXF starts so, whatever its name.
    lines = [line.strip() for line in text_of(head[:4096]).splitlines()]
    while len(lines) > 2 and lines[0] == "999":
        lines = lines[2:]
    return len(lines) > 3 and lines[0] == "0" and lines[1].upper() == "SECTION" and lines[2] == "2"


def _is_table(head: bytes) -> bool:
    from pastewright.board.drawn.pad_table import looks_like_pads

    return looks_like_pads(head)


def _svg(file: SourceFile, ask: Ask) -> Board:
    from pastewright.board.drawn.svg import read_svg

    return read_svg(file, ask)


def _dxf(file: SourceFile, ask: Ask) -> Board:
    from pastewright.board.drawn.dxf import read_dxf

    return read_dxf(file, ask)


def _ipc2581(file: SourceFile, ask: Ask) -> Board:
    from pastewright.board.ipc2581.read import read_ipc2581

    return read_ipc2581(file, ask)


def _table(file: SourceFile, ask: Ask) -> Board:
    from pastewright.board.drawn.pad_table import read_table

    return read_table(file, ask)


READERS = (
    Reader(name="SVG drawing", claims=_is_svg, read=_svg),
    Reader(name="IPC-2581 file", claims=_is_ipc2581, read=_ipc2581),
    Reader(name="DXF drawing", claims=_is_dxf, read=_dxf),
    Reader(name="table of pads", claims=_is_table, read=_table),
)


def reader_of(data: bytes) -> Reader | None:
    """Return the reader whose format the bytes are, None when none claims them."""
    head = data[:HEAD_BYTES]
    return next((reader for reader in READERS if reader.claims(head)), None)


def other_source(
    files: Sequence[SourceFile], roles: Mapping[str, LayerRole]
) -> tuple[SourceFile, Reader] | None:
    """Return the one file that is not part of a Gerber set, with its reader; None where Gerber files decide.

    Raises `InputError` when several files could be meant. Files that `roles` calls other are passed over.
    """
    kept = [
        file
        for file in files
        if not file.ignored
        and file.base_name != JOB_FILE
        and LayerRole.OTHER not in (roles.get(file.name), roles.get(file.base_name))
    ]
    if any(kind_of(file.data) in (FileKind.GERBER, FileKind.EXCELLON) for file in kept):
        return None
    claimed = [(file, reader) for file in kept for reader in [reader_of(file.data)] if reader is not None]
    if len(claimed) > 1:
        names = ", ".join(f"{file.name} ({reader.name})" for file, reader in claimed[:6])
        raise one_error(
            f"{len(claimed)} files could be the board: {names}",
            "Give the one file itself, or leave others out with --layer 'FILE=other'.",
            file=claimed[0][0].name,
        )
    return claimed[0] if claimed else None
