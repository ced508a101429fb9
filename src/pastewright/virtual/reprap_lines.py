"""Bytes of one line to a command, or to the reason why the RepRap host protocol does not take it."""

import re
from dataclasses import dataclass

from pastewright.virtual.interpreter import without_comments

LONGEST_LINE = 95
"""Characters without the note; common firmware keeps 96 bytes for a command, and ignores the rest."""

_NUMBERED = re.compile(r"N\s*(-?\d+)")
_M110 = re.compile(r"M110(?!\d)(?:\s*N\s*(-?\d+))?")
_CHECKSUM = re.compile(r"\s*(\d+)", re.ASCII)


@dataclass(frozen=True, slots=True, kw_only=True)
class HostLine:
    """A line that may be carried out: its number, if it has one, and its command without note and checksum."""

    number: int | None
    text: str


class RefusedError(Exception):
    """A line that must be sent again; the message is what the controller says about it."""


def line_of(raw: bytes, *, last: int) -> HostLine | None:
    """Return the line in `raw` when `last` was the number before it; None for an empty one.

    Raises RefusedError where number or checksum are not right. A line without either is taken as it is.
    """
    # A zero byte ends a text for firmware written in C.
    text = raw.partition(b"\0")[0].decode("latin-1").partition(";")[0].strip(" \t")[:LONGEST_LINE]
    if not text:
        return None
    body, star, given = text.rpartition("*")
    command = body if star else text
    numbered = _NUMBERED.match(text)
    if not numbered:
        if star:
            raise RefusedError("No Line Number with checksum")
        return HostLine(number=None, text=without_comments(command))
    number = int(numbered[1])
    command = command[numbered.end() :]
    renumber = _M110.search(command)
    if renumber and renumber[1] is not None:
        number = int(renumber[1])
    if not renumber and number != last + 1:
        raise RefusedError("Line Number is not Last Line Number+1")
    if not star:
        raise RefusedError("No Checksum with line number")
    digits = _CHECKSUM.match(given)
    if digits is None or int(digits[1]) != checksum(body):
        raise RefusedError("checksum mismatch")
    return HostLine(number=number, text=without_comments(command))


def checksum(body: str) -> int:
    """Return the exclusive-or of all characters before the star."""
    total = 0
    for letter in body:
        total ^= ord(letter)
    return total
