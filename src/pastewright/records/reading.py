"""Text to a record and back: read whole or refused with every fault; written the same way every time."""

import json
import re
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, TypeVar

import msgspec

from pastewright.json_text import parsed
from pastewright.problems import InputError, Problem, one_error
from pastewright.records.faults import faults

R = TypeVar("R", bound=msgspec.Struct)

MANY_ZEROS = b"0.0000"
_EXPONENT = re.compile(rb"e-?[0-9]")
"""What numbers hold that Python and msgspec may write differently; words that hold it only take the longer way."""


def record_of_text(text: str, kind: type[R], *, what: str, mend: str, file: str) -> R:
    """Return the record in a JSON text that should be `what` ("a plan").

    Raises `InputError` with the line where it is no JSON, else with every fault found and its place.
    """
    try:
        return msgspec.json.decode(text, type=kind)
    except (msgspec.DecodeError, UnicodeError, RecursionError):
        pass
    return record_of_data(
        parsed(text, what=what, mend=mend, file=file), kind, what=what, mend=mend, file=file
    )


def record_of_data(data: object, kind: type[R], *, what: str, mend: str, file: str) -> R:
    """Return the record of JSON-ready data; raises `InputError` with every fault."""
    try:
        found = faults(data, kind)
        if not found:
            return msgspec.convert(data, type=kind)
    except (msgspec.ValidationError, RecursionError):
        found = [f"this is not {what}"]
    raise InputError(Problem(what=words, mend=mend, file=file) for words in found)


def record_data(record: msgspec.Struct) -> Any:
    """Return a record as JSON-ready data, lists for tuples."""
    return msgspec.json.decode(msgspec.json.encode(record, enc_hook=float))


def record_text(record: msgspec.Struct, *, indent: int | None = None) -> str:
    """Return a record as JSON text that ends with a line break; without `indent` on one line, without blanks."""
    if indent is not None or record.__struct_config__.omit_defaults:
        data = msgspec.to_builtins(record, enc_hook=float)  # numbers of numpy are floats by another name
        separators = (",", ":") if indent is None else None
        return json.dumps(data, ensure_ascii=False, indent=indent, separators=separators) + "\n"
    names = [field.name for field in msgspec.structs.fields(record)]
    return b"".join([b"{", *fields_text(record, names), b"}\n"]).decode()


def fields_text(record: msgspec.Struct, names: Sequence[str]) -> Iterator[bytes]:
    """Give some fields of a record as they stand in its JSON text, piece by piece [UTF-8]: all at once take much room."""
    for number, name in enumerate(names):
        yield b"," if number else b""
        yield _text(name) + b":"
        yield _text(getattr(record, name))


def _text(value: object) -> bytes:
    """Return a value as JSON on one line [UTF-8], its numbers as Python writes them.

    msgspec is ten times as fast, and writes all numbers the same but those of many zeros: 0.00001 for 1e-05, 1e-6, 1e16.
    """
    text = msgspec.json.encode(value, enc_hook=float)
    if MANY_ZEROS not in text and not _EXPONENT.search(text):
        return text
    if isinstance(value, tuple | list):  # of many records it is some few
        return b"[" + b",".join(map(_text, value)) + b"]"
    data = msgspec.to_builtins(value, enc_hook=float)
    return json.dumps(data, ensure_ascii=False, separators=(",", ":")).encode()


def text_of_file(path: Path, *, what: str, mend: str, most_bytes: int) -> str:
    """Return the text of a file that should be `what`; raises `InputError` for what cannot be read or is too large."""
    try:
        if path.is_dir():
            raise one_error(f"this is a folder, not {what}", mend, file=str(path))
        size = path.stat().st_size
        if size > most_bytes:
            raise one_error(
                f"{size / 1e6:.1f} MB is too large for {what}; it has {most_bytes / 1e6:g} MB at most",
                mend,
                file=str(path),
            )
        return path.read_text(encoding="utf-8")
    except OSError as error:
        raise one_error(f"{what} cannot be read: {error.strerror or error}", mend, file=str(path)) from None
    except UnicodeDecodeError:
        raise one_error(f"this is not text, so not {what}", mend, file=str(path)) from None
