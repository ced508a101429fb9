"""Files and what is asked to `Board`: the table of readers, and the one way from a path to one side of a board.

A `Reader` tells by the first bytes of a file whether it is its own. One of a set (Gerber) is given all files and
comes first: in a folder that holds one, drawings and tables are notes beside it. Libraries are loaded only when a file
needs them.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from pastewright.board.artwork import Artwork
from pastewright.board.ask import Ask
from pastewright.board.model import Board, LayerRole
from pastewright.board.source.files import SourceFile, inputs_sha256, read_source
from pastewright.board.source.sniff import HEAD_BYTES, FileKind, kind_of, text_of
from pastewright.problems import one_error
from pastewright.uncollected import uncollected

JOB_FILE = "job.toml"
"""A job file lies beside the design and is no part of it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reader:
    """One format: `claims` looks at the head of a file, `read` gives what is drawn or raises `InputError`.

    One `of_a_set` is given all files; any other the one file that it claims.
    """

    name: str
    claims: Callable[[bytes], bool]
    read: Callable[[Sequence[SourceFile], Ask], Artwork]
    of_a_set: bool = False


def _is_gerber_set(head: bytes) -> bool:
    return kind_of(head) in (FileKind.GERBER, FileKind.EXCELLON)


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

    return not _is_gerber_set(head) and looks_like_pads(head)


def _gerber_set(files: Sequence[SourceFile], ask: Ask) -> Artwork:
    from pastewright.board.gerber_set import read_gerber_set

    return read_gerber_set(files, ask)


def _svg(files: Sequence[SourceFile], ask: Ask) -> Artwork:
    from pastewright.board.drawn.svg import read_svg

    return read_svg(files[0], ask)


def _dxf(files: Sequence[SourceFile], ask: Ask) -> Artwork:
    from pastewright.board.drawn.dxf import read_dxf

    return read_dxf(files[0], ask)


def _ipc2581(files: Sequence[SourceFile], ask: Ask) -> Artwork:
    from pastewright.board.ipc2581.read import read_ipc2581

    return read_ipc2581(files[0], ask)


def _table(files: Sequence[SourceFile], ask: Ask) -> Artwork:
    from pastewright.board.drawn.pad_table import read_table

    return read_table(files[0], ask)


GERBER_SET = Reader(name="Gerber set", claims=_is_gerber_set, read=_gerber_set, of_a_set=True)
READERS = (
    GERBER_SET,
    Reader(name="SVG drawing", claims=_is_svg, read=_svg),
    Reader(name="IPC-2581 file", claims=_is_ipc2581, read=_ipc2581),
    Reader(name="DXF drawing", claims=_is_dxf, read=_dxf),
    Reader(name="table of pads", claims=_is_table, read=_table),
)


def read_board(path: Path, ask: Ask) -> Board:
    """Return one side of the board whose fabrication files are in the folder, zip or file `path`.

    Raises `InputError` with the problems of all layers at once.
    """
    return board_of_files(read_source(path), replace(ask, name=ask.name or _name(path)))


def source_sha256(path: Path) -> str:
    """Return the hash of the fabrication files in a folder, zip or file, as `Board.inputs_sha256` has it."""
    return inputs_sha256(read_source(path))


@uncollected()
def board_of_files(files: Sequence[SourceFile], ask: Ask) -> Board:
    """Return one side of the board that the files are; raises `InputError` with all that is wrong with them."""
    from pastewright.board.pads.board import board_of

    reader, own = reader_of_files(files, ask)
    if not reader.of_a_set:
        # What is said of the other files is none of the drawing's business.
        named = {name for each in files for name in (each.name, each.base_name)}
        ask = replace(ask, roles={key: role for key, role in ask.roles.items() if key not in named})
    artwork = reader.read(own, ask)
    return board_of(artwork, side=ask.side, name=ask.name, sha256=inputs_sha256(files))


def _name(path: Path) -> str:
    resolved = path.resolve()
    return resolved.stem if resolved.is_file() else resolved.name


def reader_of(data: bytes) -> Reader | None:
    """Return the reader whose format the bytes are, None when none claims them."""
    head = data[:HEAD_BYTES]
    return next((reader for reader in READERS if reader.claims(head)), None)


def reader_of_files(files: Sequence[SourceFile], ask: Ask) -> tuple[Reader, Sequence[SourceFile]]:
    """Return the reader for the files, and those that are its own.

    Raises `InputError` when several files could be meant. Files that are asked to be other are passed over; files
    that nothing claims are left to the Gerber set's reader, which says what it found.
    """
    kept = [
        file
        for file in files
        if not file.ignored
        and file.base_name != JOB_FILE
        and LayerRole.OTHER not in (ask.roles.get(file.name), ask.roles.get(file.base_name))
    ]
    claimed = [(file, reader) for file in kept if (reader := reader_of(file.data)) is not None]
    whole = next((reader for _, reader in claimed if reader.of_a_set), None)
    if whole is not None or not claimed:
        return whole or GERBER_SET, files
    if len(claimed) > 1:
        names = ", ".join(f"{file.name} ({reader.name})" for file, reader in claimed[:6])
        raise one_error(
            f"{len(claimed)} files could be the board: {names}",
            "Give the one file itself, or leave others out with --layer 'FILE=other'.",
            file=claimed[0][0].name,
        )
    file, reader = claimed[0]
    return reader, [file]
