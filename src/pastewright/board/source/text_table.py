"""Text of a table to rows and columns: separator, decimal comma, header and units, found from the text itself.

Tables come from spreadsheets of every country and from a dozen design programs: comma, semicolon, tab, bar or
aligned with blanks; with a page of remarks before the header, or without one; "12,5" or "12.5"; units in
the header, in a remark, behind each number, or nowhere. What can be read two ways is asked about.
"""

import csv
import io
import re
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from math import isfinite

from msgspec import Struct

from pastewright.board.source.sniff import text_of
from pastewright.board.source.units import unit_name
from pastewright.problems import one_error

MOST_ROWS = 150_000
"""Rows of a table; the largest panels have some ten thousand parts (common practice)."""
MOST_CELL = 2_000
"""Characters of a cell; longer ones are no table."""
HEADER_LINES = 80
"""Some programs write a page of remarks before the header."""
_REMARK = re.compile(r"\s*(?:#|//|;|\*|'|--)")
_NUMBER = re.compile(r"[-+]?(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+)(?:[eE][-+]?[0-9]+)?")
_WITH_UNIT = re.compile(rf'({_NUMBER.pattern})\s*(mm|cm|um|µm|μm|mils?|thou|in|inch|inches|")?')
_REMARK_UNIT = re.compile(
    r"\bunits?\b(?:\s*(?:used|are|in|of measure(?:ment)?))?\s*[:=]?\s*[\"']?([A-Za-zµμ\"]+)", re.I
)
_BLANKS = re.compile(r"\s{1,}")


HeaderTest = Callable[[Sequence[str]], bool]
"""Tells a header from data by the words among its cells."""


class Row(Struct, frozen=True, kw_only=True):
    """Cells of one line, stripped of blanks and quotes, and the line they stand on."""

    cells: tuple[str, ...]
    line: int


@dataclass(frozen=True, slots=True, kw_only=True)
class TextTable:
    """A table: `header` cells (() without one), data `rows`, and the unit that a remark states ("" for none).

    `decimal_comma`: numbers are written "12,5".
    """

    header: tuple[str, ...]
    rows: tuple[Row, ...]
    separator: str
    decimal_comma: bool
    remark_unit: str = ""
    header_line: int = 0
    remarks: tuple[str, ...] = field(default=())


def words_of(cell: str) -> str:
    """Return a header cell in plain words: "PosX (mm)" -> "pos x", "Center-X(mil)" -> "center x"."""
    bare = re.sub(r"[\(\[\{].*?[\)\]\}]", " ", cell)
    parted = re.sub(r"(?<=[a-z0-9])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])", " ", bare)
    words = re.sub(r"[^A-Za-z0-9µμ]+", " ", parted).lower().split()
    return " ".join(word for word in words if not unit_name(word) or word in ("m", "th"))


def unit_of_header(cell: str) -> str:
    """Return the unit that a header cell names: "X (mm)", "x_mil", "Y [inch]"; "" for none."""
    for inner in re.findall(r"[\(\[\{]\s*(.*?)\s*[\)\]\}]", cell):
        if unit_name(inner):
            return unit_name(inner)
    parts = re.split(r"[\s_\-./,]+", cell.strip())
    return unit_name(parts[-1]) if len(parts) > 1 and parts[-1].lower() not in ("m",) else ""


def read_table_text(data: bytes, file: str, *, is_header: HeaderTest) -> TextTable:
    """Return the table in `data`; `is_header` tells the header among candidate rows of cells.

    Raises `InputError` when there is no row, or when numbers can be read with a decimal comma or without.
    """
    text = text_of(data) if not _is_utf8(data) else data.decode("utf-8-sig")
    if "\0" in text:
        raise one_error("is no text", "Save the table as CSV.", file=file)
    lines = text.splitlines()
    if len(lines) > MOST_ROWS:
        raise one_error(f"has {len(lines)} lines; {MOST_ROWS} are the limit", "Leave it out.", file=file)
    separator, header_at = _header(lines, is_header)
    start = header_at + 1 if header_at is not None else 0
    body = [
        (number, line)
        for number, line in enumerate(lines[start:], start=start + 1)
        if line.strip() and not _REMARK.match(line) and not re.fullmatch(r"[\s\-=+|_,;]*", line)
    ]
    remarks = [line for line in lines[: start or len(lines)] if _REMARK.match(line) or header_at is not None]
    if separator == "  " and header_at is not None:
        separator = _blanks(lines[header_at], [line for _, line in body[:200]])
    if separator is None:
        separator = _separator_of_rows([line for _, line in body[:50]])
    every = (_row(line, number, separator) for number, line in body)
    rows = tuple(row for row in every if any(row.cells))
    header = _cells(_bare(lines[header_at]), separator) if header_at is not None else ()
    if not rows:
        raise one_error("holds no rows", "Save the table with its data.", file=file)
    return TextTable(
        header=tuple(header),
        rows=rows,
        separator=separator,
        decimal_comma=_decimal_comma(rows, separator, file),
        remark_unit=_remark_unit(remarks),
        header_line=header_at + 1 if header_at is not None else 0,
        remarks=tuple(remarks[:HEADER_LINES]),
    )


def _is_utf8(data: bytes) -> bool:
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return False
    try:
        data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return False
    return True


def _header(lines: Sequence[str], is_header: HeaderTest) -> tuple[str | None, int | None]:
    for number, line in enumerate(lines[:HEADER_LINES]):
        bare = _bare(line)
        for separator in ("\t", ";", ",", "|", "  ", " "):
            if separator.strip() and separator not in bare:
                continue
            cells = _cells(bare, separator)
            if len(cells) > 1 and is_header(cells):
                return separator, number
    return None, None


def _blanks(header: str, lines: Sequence[str]) -> str:
    """Return whether cells are parted by any blanks or by two at least: what fits more rows to the header."""
    fits = {
        separator: sum(
            len(_cells(line, separator)) == len(_cells(_bare(header), separator)) for line in lines
        )
        for separator in ("  ", " ")
    }
    return max(fits, key=lambda separator: fits[separator])


def _bare(line: str) -> str:
    """Return a header without the marks of a remark before it."""
    return re.sub(r"^\s*(?:#|//|;|\*|'|--)+\s*", "", line)


def _separator_of_rows(lines: Sequence[str]) -> str:
    """Return the separator of rows without a header: the one that splits all of them alike, blanks last."""
    for separator in ("\t", ";", "|"):
        if lines and all(separator in line for line in lines):
            return separator
    comma = Counter(len(_cells(line, ",")) for line in lines)
    if comma and max(comma) > 1 and not all(_BLANKS.search(line.strip()) for line in lines):
        return ","
    if lines and all("," in line and re.search(r",\s", line) for line in lines):
        return ","
    blank = Counter(len(line.split()) for line in lines)
    return " " if blank and max(blank) > 1 else ","


def _cells(line: str, separator: str) -> list[str]:
    if len(line) > 100_000:
        line = line[:100_000]
    if separator == "  ":
        parts = re.split(r"\s{2,}|\t", line.strip())
    elif separator == " ":
        parts = next(csv.reader(io.StringIO(_BLANKS.sub(" ", line.strip())), delimiter=" "), [])
    else:
        try:
            parts = next(csv.reader(io.StringIO(line), delimiter=separator, skipinitialspace=True), [])
        except csv.Error:
            parts = line.split(separator)
    return [part.strip().strip('"').strip()[:MOST_CELL] for part in parts]


def _row(line: str, number: int, separator: str) -> Row:
    return Row(cells=tuple(_cells(line, separator)), line=number)


def _remark_unit(remarks: Sequence[str]) -> str:
    for remark in remarks:
        found = _REMARK_UNIT.search(remark)
        if found and unit_name(found[1]):
            return unit_name(found[1])
    return ""


_COMMA_NUMBER = re.compile(r"[-+]?[0-9]*,[0-9]+")
_POINT_NUMBER = re.compile(r"[-+]?[0-9]*\.[0-9]+")


def _decimal_comma(rows: Sequence[Row], separator: str, file: str) -> bool:
    """Tell whether numbers have a decimal comma; numbers of both kinds are refused."""
    comma = point = 0
    for row in rows[:5000]:
        for cell in row.cells:
            if re.fullmatch(r"[-+]?[0-9]{1,3}(?:[.,][0-9]{3})+[.,][0-9]+", cell):
                raise one_error(
                    f"{cell!r} has both a comma and a point",
                    "Save numbers without thousands separators.",
                    file=file,
                    line=row.line,
                )
            found = _WITH_UNIT.fullmatch(cell)
            if not found:
                continue
            comma += bool(_COMMA_NUMBER.fullmatch(found[1]))
            point += bool(_POINT_NUMBER.fullmatch(found[1]))
            if comma and point:
                raise one_error(
                    "some numbers have a decimal comma and some a decimal point",
                    "Save the table with one kind of number.",
                    file=file,
                    line=row.line,
                )
    return comma > 0


def number_in(cell: str, *, decimal_comma: bool) -> tuple[float, str] | None:
    """Return the number in a cell and the unit behind it ("" for none); None when it is no number."""
    found = _WITH_UNIT.fullmatch(cell)
    if found is None:
        return None
    word = found[1].replace(",", ".") if decimal_comma else found[1]
    try:
        value = float(word)
    except ValueError:
        return None
    return (value, unit_name(found[2] or "")) if isfinite(value) and abs(value) < 1e9 else None
