"""A folder, a zip or a single file to `SourceFile` values: the only module of `board` that touches the disk.

Nothing is ever unpacked onto the disk, and nothing is read before its kind and size are known, so a named
pipe cannot hang the reading and a zip that swells cannot fill the memory. What the files mean is left to
`roles` and the readers.
"""

import hashlib
import io
import lzma
import os
import stat
import struct
import zipfile
import zlib
from collections.abc import Iterable
from pathlib import Path, PurePosixPath

from msgspec import Struct

from pastewright.problems import InputError, Problem, one_error

MAX_FILE_BYTES = 128 * 2**20
MAX_TOTAL_BYTES = 512 * 2**20
MAX_FILES = 1000
"""A dense board of 20 layers exports under 200 MB in under 100 files (common practice); these leave room above that."""
MAX_DEPTH = 8
"""Folders within folders; exports nest two or three deep (common practice)."""
MAX_ZIP_RATIO = 200
"""Plain text of coordinates shrinks 5 to 30 times in a zip (common practice)."""
RATIO_FREE_BYTES = 2**20
"""Below this size a high ratio is harmless: an almost empty layer with a long comment shrinks well."""

_ENCRYPTED = 0x1  # general purpose bit 0, APPNOTE.TXT 4.4.4
_JUNK_NAMES = {"__macosx": "left by an archiver", "thumbs.db": "made by a file viewer"}
_JUNK_NAMES["desktop.ini"] = _JUNK_NAMES["thumbs.db"]
_OTHER_ARCHIVES = {
    b"7z\xbc\xaf\x27\x1c": "a 7z archive",
    b"Rar!": "a rar archive",
    b"\x1f\x8b": "a gzip archive",
    b"BZh": "a bzip2 archive",
    b"\xfd7zXZ": "an xz archive",
}


class SourceFile(Struct, frozen=True, kw_only=True):
    """One file: its `name` inside the folder or zip ("gerber/top.gtp") and its bytes.

    `ignored` says why a file was not read ("hidden file"); its `data` is then empty.
    """

    name: str
    data: bytes
    ignored: str = ""

    @property
    def base_name(self) -> str:
        """The name without the folders before it."""
        return self.name.rsplit("/", 1)[-1]


def inputs_sha256(files: Iterable[SourceFile]) -> str:
    """Return the SHA-256 [hex] of names and bytes of all files that were read, whatever their order."""
    total = hashlib.sha256()
    for file in sorted((f for f in files if not f.ignored), key=lambda f: f.name):
        name = file.name.encode("utf-8", "surrogateescape")
        total.update(b"%d:%s%d:" % (len(name), name, len(file.data)))
        total.update(hashlib.sha256(file.data).digest())
    return total.hexdigest()


def read_source(path: Path) -> tuple[SourceFile, ...]:
    """Return every file of a folder, of a .zip, or the one file at `path`, sorted by name.

    Hidden files and the droppings of archivers come back with `ignored` set and no data. Raises
    `InputError` with every problem found: missing, unreadable, empty, too large, a damaged, encrypted,
    swelling or traversing zip.
    """
    try:
        mode = path.stat().st_mode
    except (OSError, ValueError) as error:
        raise one_error(f"cannot be opened: {_reason(error)}", _MEND_PATH, file=str(path)) from None
    if stat.S_ISDIR(mode):
        files = _folder(path)
    elif not stat.S_ISREG(mode):
        raise one_error(
            "is a device, a pipe or a socket, not a file", "Give a folder, a .zip or a file.", file=str(path)
        )
    else:
        data = _bytes_of(path, path.name)
        files = _zip(path, data) if _is_zip(path, data) else (SourceFile(name=path.name, data=data),)
    if not any(not file.ignored for file in files):
        raise one_error(
            "holds no files that can be read",
            "Give the folder or zip that holds the Gerber and drill files themselves.",
            file=str(path),
        )
    return tuple(sorted(files, key=lambda file: file.name))


def names_in_zip(data: bytes) -> tuple[str, ...]:
    """Return the names in a zip's list of contents, () where it has none; nothing is unpacked."""
    if not data.startswith(b"PK\x03\x04") or data.count(b"PK\x01\x02") > 20 * MAX_FILES:
        return ()
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            return tuple(info.filename for info in archive.infolist() if not info.is_dir())
    except _DAMAGE:
        return ()


_MEND_PATH = "Check the path and the right to read it; give a folder, a .zip or a file."


def _reason(error: Exception) -> str:
    return (error.strerror if isinstance(error, OSError) else None) or str(error) or type(error).__name__


def _mb(size: int) -> str:
    return f"{size / 2**20:.1f} MB"


def _too_large(name: str, size: int) -> Problem:
    return Problem(
        what=f"is {_mb(size)}; a file may have {_mb(MAX_FILE_BYTES)}",
        mend="Leave files that are no fabrication data out of the folder or zip.",
        file=name,
    )


def _too_much(name: str, size: int) -> InputError:
    return one_error(
        f"holds more than {_mb(size)} in all; the limit is {_mb(MAX_TOTAL_BYTES)}",
        "Give only the folder or zip of the fabrication files.",
        file=name,
    )


def _too_many(name: str) -> InputError:
    return one_error(
        f"holds more than {MAX_FILES} files",
        "Give only the folder or zip of the fabrication files, not the whole project.",
        file=name,
    )


def _junk(name: str) -> str:
    """Return why a file of this name inside a folder or zip is not fabrication data, or ""."""
    for part in PurePosixPath(name).parts:
        if part.lower() in _JUNK_NAMES:
            return _JUNK_NAMES[part.lower()]
        if part.startswith("."):
            return "hidden file"
    return ""


def _bytes_of(path: Path, name: str) -> bytes:
    """Return the bytes of a regular file; the size is checked on the open file, so it cannot be swapped."""
    try:
        # O_NONBLOCK: opening a named pipe that took the file's place must not wait for a writer.
        handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
        with os.fdopen(handle, "rb") as stream:
            about = os.fstat(stream.fileno())
            if not stat.S_ISREG(about.st_mode):
                raise one_error("is a device, a pipe or a socket, not a file", "Remove it.", file=name)
            if about.st_size > MAX_FILE_BYTES:
                raise InputError([_too_large(name, about.st_size)])
            data = stream.read(MAX_FILE_BYTES + 1)
    except OSError as error:
        raise one_error(f"cannot be read: {_reason(error)}", _MEND_PATH, file=name) from None
    if len(data) > MAX_FILE_BYTES:
        raise InputError([_too_large(name, len(data))])
    return data


def _folder(root: Path) -> tuple[SourceFile, ...]:
    files: list[SourceFile] = []
    problems: list[Problem] = []
    total = 0

    def unreadable(error: OSError) -> None:
        name = Path(error.filename).name if error.filename else str(root)
        problems.append(Problem(what=f"folder cannot be read: {_reason(error)}", mend=_MEND_PATH, file=name))

    for place, folders, names in os.walk(root, onerror=unreadable):
        within = Path(place).relative_to(root)
        for folder in list(folders):
            # A link may lead in a circle or to the whole disk.
            why = _junk(folder) or ("link to a folder" if (Path(place) / folder).is_symlink() else "")
            if why:
                folders.remove(folder)
                name = (within / folder).as_posix() + "/"
                files.append(SourceFile(name=name, data=b"", ignored=why))
        if len(within.parts) >= MAX_DEPTH and folders:
            problems.append(
                Problem(
                    what=f"folders are nested deeper than {MAX_DEPTH}",
                    mend="Give the folder of the fabrication files itself.",
                    file=within.as_posix(),
                )
            )
            folders.clear()
        for base in sorted(names):
            name = (within / base).as_posix()
            if len(files) >= MAX_FILES:
                raise _too_many(str(root))
            if junk := _junk(base):
                files.append(SourceFile(name=name, data=b"", ignored=junk))
                continue
            try:
                if not stat.S_ISREG((Path(place) / base).stat().st_mode):
                    files.append(SourceFile(name=name, data=b"", ignored="device, pipe or socket"))
                    continue
                data = _bytes_of(Path(place) / base, name)
            except OSError as error:
                problems.append(Problem(what=f"cannot be read: {_reason(error)}", mend=_MEND_PATH, file=name))
                continue
            except InputError as error:
                problems.extend(error.problems)
                continue
            total += len(data)
            if total > MAX_TOTAL_BYTES:
                raise _too_much(str(root), total)
            files.append(SourceFile(name=name, data=data))
    if problems:
        raise InputError(problems)
    return tuple(files)


def _is_zip(path: Path, data: bytes) -> bool:
    """Return whether a single file is to be opened as a zip; spreadsheets are zips inside and are not."""
    for magic, what in _OTHER_ARCHIVES.items():
        if data.startswith(magic):
            raise one_error(f"is {what}", "Pack the files as .zip, or give the folder.", file=path.name)
    if path.suffix.lower() == ".zip":
        return True
    return data.startswith(b"PK\x03\x04") and path.suffix.lower() not in {".xlsx", ".ods", ".docx", ".odt"}


# What zipfile lets through for damaged archives, found by reading it and by mutating archives.
_DAMAGE = (
    zipfile.BadZipFile,
    zlib.error,
    lzma.LZMAError,
    struct.error,
    EOFError,
    OSError,
    NotImplementedError,
    RuntimeError,
    ValueError,
    OverflowError,
    LookupError,
)
_MEND_ZIP = "Make the zip again, or give the folder."


def _unsafe(name: str) -> bool:
    """Return whether a name inside a zip points out of it: absolute, with a drive, or climbing with '..'."""
    return not name or name.startswith("/") or name[1:2] == ":" or ".." in PurePosixPath(name).parts


def _zip_problem(info: zipfile.ZipInfo, name: str, seen: set[str]) -> str:
    """Return what is wrong with one entry of a zip before any of it is unpacked, or ""."""
    if any(ord(character) < 32 for character in name):
        return f"has a name with a control character in it: {name[:80]!r}"
    if _unsafe(name):
        return f"has a name that points outside the zip: {name[:80]!r}"
    if name in seen:
        return f"holds {name!r} twice, and it cannot be told which is meant"
    if info.flag_bits & _ENCRYPTED:
        return f"is encrypted: {name!r}"
    if len(PurePosixPath(name).parts) > MAX_DEPTH + 1:
        return f"nests folders deeper than {MAX_DEPTH}: {name[:80]!r}"
    if info.file_size > MAX_FILE_BYTES:
        return f"unpacks {name!r} to {_mb(info.file_size)}; a file may have {_mb(MAX_FILE_BYTES)}"
    ratio = info.file_size / max(info.compress_size, 1)
    if info.file_size > RATIO_FREE_BYTES and ratio > MAX_ZIP_RATIO:
        return f"unpacks {name!r} to {ratio:.0f} times its size; the limit is {MAX_ZIP_RATIO}"
    return ""


def _zip(path: Path, packed: bytes) -> tuple[SourceFile, ...]:
    files: list[SourceFile] = []
    problems: list[Problem] = []
    total = 0
    seen: set[str] = set()

    def wrong(what: str) -> None:
        problems.append(Problem(what=what, mend=_MEND_ZIP, file=path.name))

    # The list of contents is built in memory before it can be counted; each entry starts with this mark.
    # The factor leaves room for zips stored inside this one.
    if packed.count(b"PK\x01\x02") > 20 * MAX_FILES:
        raise _too_many(path.name)
    try:
        with zipfile.ZipFile(io.BytesIO(packed)) as archive:
            entries = [info for info in archive.infolist() if not info.is_dir()]
            if len(entries) > MAX_FILES:
                raise _too_many(path.name)
            for info in entries:
                # Some archivers write the backslash of their own system, against APPNOTE.TXT 4.4.17.1.
                name = info.filename.replace("\\", "/")
                if what := _zip_problem(info, name, seen):
                    wrong(what)
                    continue
                seen.add(name)
                total += info.file_size
                if total > MAX_TOTAL_BYTES:
                    raise _too_much(path.name, total)
                if junk := _junk(name):
                    files.append(SourceFile(name=name, data=b"", ignored=junk))
                    continue
                try:
                    with archive.open(info) as stream:
                        data = stream.read(info.file_size + 1)
                except _DAMAGE as error:
                    wrong(f"{name!r} is damaged: {_reason(error)}")
                    continue
                files.append(SourceFile(name=name, data=data))
    except _DAMAGE as error:
        wrong(f"is not a whole zip: {_reason(error)}")
    if problems:
        raise InputError(problems)
    return tuple(files)
