"""Bytes of a Gerber file to statements with their lines. What a statement means is left to `gerber`.

A Gerber file is a row of word statements ended by `*` (`X100Y200D01*`), extended statements between `%`
(`%LPD*%`) and comments (`G04 … *`). Line ends carry no meaning. Gerber layer format specification, chapter 3.
"""

import re
from collections.abc import Iterator
from enum import IntEnum

from pastewright.board.gerber.complaints import Complaints
from pastewright.board.gerber.runs import RUN
from pastewright.problems import one_error

MOST_BYTES = 200_000_000
"""Largest file read. A dense copper layer of a large panel has some tens of megabytes."""

# A comment runs to its `*`; a `%` that opens a line ends it as well, since writers forget the `*`.
_STATEMENT = re.compile(
    r"\s*(?:(G04[^*]*?|G4(?!\d)[^*]*?)(?:\*|(?=\n[ \t]*%))|%([^%]*)%|([^*%]*)\*)",
)
_GERBER_SIGNS = re.compile(r"%\s*(?:FS|MO|AD|AM|LP|T[FAO]|IP|SR|IN)|(?:[XYIJGDM]\d+)\s*\*")
_DRILL_SIGNS = re.compile(r"^\s*(?:;[^\n]*\n\s*)*(?:M48|%\s*\n?\s*T\d|T\d+C[\d.])")
_KNOWN_BYTES = (
    (b"PK\x03\x04", "a zip archive", "Give the archive itself as the source, or unpack it first."),
    (b"%PDF", "a PDF document", "Export Gerber files from the design program."),
    (b"\x89PNG", "a PNG picture", "Export Gerber files from the design program."),
    (b"\xff\xd8\xff", "a JPEG picture", "Export Gerber files from the design program."),
    (b"\xd0\xcf\x11\xe0", "an office document", "Export Gerber files from the design program."),
    (b"\x1f\x8b", "a gzip archive", "Unpack it first."),
)


_SWALLOWED = re.compile(r"\n[ \t]*(?:[GDXYIJM][+-]?\d+)+[ \t]*(?:\n|$)")


class StatementKind(IntEnum):
    """What a statement is."""

    WORDS = 0
    COMMENT = 1
    EXTENDED = 2
    RUN = 3
    """Many plain operations, one a line: the text from the end of the line before (`runs`)."""


def gerber_text(data: bytes, file: str) -> str:
    """Return the text of a Gerber file, line ends as "\\n"; raises `InputError` for what cannot be one.

    Text is UTF-8 by the specification; older writers used Latin-1, which is taken when UTF-8 does not fit.
    """
    for start, name, mend in _KNOWN_BYTES:
        if data.startswith(start):
            raise one_error(f"This is {name}, not a Gerber file.", mend, file=file, line=1)
    if len(data) > MOST_BYTES:
        what = f"The file has {len(data)} bytes; the limit is {MOST_BYTES}."
        raise one_error(what, "Export this layer without its fills, or in parts.", file=file)
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        what = "The file is UTF-16 text; Gerber files are UTF-8 or ASCII."
        raise one_error(what, "Save it as UTF-8, or export it again.", file=file, line=1)
    data = data.removeprefix(b"\xef\xbb\xbf").rstrip(b"\x00\x1a \t\r\n")
    if not data:
        raise one_error("The file is empty.", "Export this layer again.", file=file, line=1)
    controls = len(data) - len(data.translate(None, bytes(range(9)) + bytes(range(14, 32)) + b"\x7f"))
    if controls:
        line = _line_of_first_control(data)
        what = f"The file holds {controls} control bytes, so it is binary or damaged, not a Gerber file."
        raise one_error(what, "Choose the Gerber file, or copy it again.", file=file, line=line)
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError:
        text = data.decode("latin-1")
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    _refuse_other_text(text, file)
    return text


def _line_of_first_control(data: bytes) -> int:
    found = re.search(rb"[\x00-\x08\x0e-\x1f\x7f]", data)
    return data.count(b"\n", 0, found.start() if found else 0) + 1


def _refuse_other_text(text: str, file: str) -> None:
    head = text[:4000]
    if _DRILL_SIGNS.match(head):
        what = "This is a drill file (Excellon), not a Gerber file."
        raise one_error(what, "Give it as a drill file, and the Gerber layer here.", file=file, line=1)
    if head.lstrip().startswith("<"):
        what = "This is an XML or HTML text, not a Gerber file."
        raise one_error(what, "Choose the Gerber file of this layer.", file=file, line=1)
    if not _GERBER_SIGNS.search(text):
        what = "This is no Gerber file: it has neither Gerber commands nor statements ended by '*'."
        raise one_error(what, "Choose the Gerber file of this layer, or export it again.", file=file, line=1)


def statements(text: str, complaints: Complaints) -> Iterator[tuple[StatementKind, str, int]]:
    """Yield (kind, body, line) of each statement: the body without its `*` or `%`, as it stands.

    Statements that are not ended are complained about: what is cut off may be paste.
    """
    at, counted, line = 0, 0, 1
    last_star = text.rfind("*")
    match = _STATEMENT.match
    while True:
        run = RUN.match(text, at)
        if run is not None:
            line += text.count("\n", counted, at) + 1
            yield StatementKind.RUN, run[0], line
            # Its last line is counted already when the next statement's is sought.
            at = counted = run.end()
            line += run[0].count("\n") - 1
            continue
        found = match(text, at) if at <= last_star else None
        if found is None:
            rest = text[at:].lstrip()
            if not rest:
                return
            begin = len(text) - len(rest)
            line += text.count("\n", counted, begin)
            counted = begin
            cut = text.find("%", begin + 1)
            if cut < 0 or cut > last_star or rest.startswith("%"):
                yield from _last_words(rest, line, complaints)
                return
            complaints.error(f"The statement {shown(text[begin:cut])} is not ended by '*'.", line=line)
            at = cut
            continue
        group = found.lastindex or 3
        begin = found.start(group)
        line += text.count("\n", counted, begin)
        counted = begin
        at = found.end()
        body = found[group]
        if group == 3:
            if body:
                yield StatementKind.WORDS, body, line
        elif group == 2:
            yield StatementKind.EXTENDED, body, line
        else:
            if text[at - 1] != "*":
                complaints.warn("A comment is not ended by '*'.", line=line)
            elif "\n" in body and _SWALLOWED.search(body):
                complaints.warn(
                    f"A comment runs on into {shown(body[body.index(chr(10)) :])}; a '*' may be missing.",
                    "End the comment with '*', or export this layer again.",
                    line=line,
                )
            yield StatementKind.COMMENT, body, line


def _last_words(rest: str, line: int, complaints: Complaints) -> Iterator[tuple[StatementKind, str, int]]:
    """Deal with text after the last whole statement: only a program end or a comment may lack its `*`."""
    if rest.strip() in {"M02", "M00", "M30"}:
        complaints.note(f"{rest.strip()} is not ended by '*'.", line=line)
        yield StatementKind.WORDS, rest.strip(), line
    elif rest.startswith("G04"):
        complaints.warn("The comment at the end of the file is not ended by '*'.", line=line)
    elif rest.strip() == "%":
        complaints.warn("A single '%' stands at the end of the file.", line=line)
    else:
        complaints.error(
            f"The file is cut off in the middle of a statement: {shown(rest)}.",
            "Copy or export the file again: what is missing may be paste.",
            line=line,
        )


def blocks(body: str, line: int, complaints: Complaints) -> list[tuple[str, int]]:
    """Return the data blocks of an extended statement, each with its line."""
    parts = body.split("*")
    if parts[-1].strip():
        complaints.warn(f"The extended statement {shown(body)} lacks its '*' before the '%'.", line=line)
    found = []
    for part in parts:
        stripped = part.lstrip()
        if stripped:
            lead = part[: len(part) - len(stripped)]
            found.append((stripped.rstrip(), line + lead.count("\n")))
        line += part.count("\n")
    return found


def shown(text: str) -> str:
    """Return `text` fit for a message: one line, at most 40 characters."""
    line = " ".join(text[:200].split())
    return repr(line if len(line) <= 40 else line[:37] + "…")
