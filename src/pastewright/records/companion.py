"""What a program is, as the file beside it says: the same word at the same place in every record."""

from typing import Annotated

import msgspec
from msgspec import Meta, Struct

from pastewright.json_text import parsed
from pastewright.problems import one_error
from pastewright.records.kinds import ProgramKind

MEND = "Give the plan.json or sheet.json that was written together with the program."

Kind = Annotated[ProgramKind, Meta(description="What the program is for.")]


class _Companion(Struct, frozen=True):
    """As much of a record as every kind of program has in common; records of earlier programs say no kind."""

    kind: ProgramKind | None = None
    format: object = None


def kind_of_text(text: str, *, file: str = "") -> ProgramKind:
    """Return what the program beside a file is; raises `InputError` for a file that no program has beside it."""
    try:
        told = msgspec.json.decode(text, type=_Companion)
    except (msgspec.DecodeError, UnicodeError, RecursionError):
        parsed(text, what="the file beside a program", mend=MEND, file=file)
        raise one_error("this file does not say what its program is for", MEND, file=file) from None
    if told.kind is not None:
        return told.kind
    if told.format == 1:
        return ProgramKind.BOARD
    raise one_error("this file does not say what its program is for", MEND, file=file)
