"""A spreadsheet's bytes to the text of a table, through python-calamine; the text is then read as any other."""

import io
import re
import zipfile
from collections.abc import Callable, Sequence

from pastewright.board.source.files import MAX_FILE_BYTES, MAX_FILES
from pastewright.problems import one_error

MOST_SHEETS = 50
"""Sheets that are looked at; the table of parts stands on one of the first (common practice)."""
MOST_ROWS = 150_000
"""As for tables of text: the largest panels have some ten thousand parts (common practice)."""
_MEND = "Save the sheet as CSV, or leave it out."
_OLD = b"\xd0\xcf\x11\xe0"
"""The first bytes of spreadsheets older than the zipped formats ([MS-CFB] 2.2)."""


def is_spreadsheet(data: bytes) -> bool:
    """Tell whether the bytes are a spreadsheet: a zip, as newer ones are, or the container of old ones."""
    return data.startswith((b"PK\x03\x04", _OLD))


def spreadsheet_text(data: bytes, file: str, *, is_header: Callable[[Sequence[str]], bool]) -> bytes:
    """Return the rows of the first sheet with a header, cells parted by tabs; else those of the first sheet.

    Raises `InputError` for a spreadsheet that cannot be read or swells beyond bounds.
    """
    _check_swelling(data, file)
    import python_calamine

    try:
        book = python_calamine.CalamineWorkbook.from_filelike(io.BytesIO(data))
        sheets = [book.get_sheet_by_name(name).to_python() for name in book.sheet_names[:MOST_SHEETS]]
    # The library is written in another language: a damaged file fails in a dozen ways, and even panics.
    except (python_calamine.CalamineError, ValueError, OSError, KeyError, IndexError) as error:
        raise one_error(f"cannot be read as a spreadsheet: {str(error)[:100]}", _MEND, file=file) from None
    except BaseException as error:
        if type(error).__name__ != "PanicException":
            raise
        raise one_error("cannot be read as a spreadsheet: it is damaged", _MEND, file=file) from None
    if not sheets:
        raise one_error("has no sheet", _MEND, file=file)
    texts = [[[_cell(value) for value in row] for row in sheet[:MOST_ROWS]] for sheet in sheets]
    chosen = next((rows for rows in texts if any(is_header(row) for row in rows[:80])), texts[0])
    return "\n".join("\t".join(row) for row in chosen if any(row)).encode("utf-8")


def _cell(value: object) -> str:
    text = f"{value:.9g}" if isinstance(value, float) else str(value)
    return re.sub(r"[\t\r\n]+", " ", text).strip()


def _check_swelling(data: bytes, file: str) -> None:
    """Refuse a zipped spreadsheet that would fill the memory: its list of contents says how large it is."""
    if not data.startswith(b"PK\x03\x04"):
        return
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            entries = archive.infolist()
    except Exception:
        raise one_error("is no whole spreadsheet: its zip is damaged", _MEND, file=file) from None
    if len(entries) > MAX_FILES or sum(entry.file_size for entry in entries) > MAX_FILE_BYTES:
        raise one_error("unpacks to more than a table of parts can be", _MEND, file=file)
