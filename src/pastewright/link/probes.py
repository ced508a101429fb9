"""A probing program and its record to a `ProgramJob`: a place is a deposit of no paste; its answers come back as text.

A place that was begun and not proved done is in doubt like a deposit; touching it again does no harm.
"""

import re
from collections.abc import Iterable, Sequence

from pastewright.link.job import Laid, ProgramJob, blocks_of, job_sha256, path_sha256_of, starts_of
from pastewright.link.words import rows_of
from pastewright.records.kinds import DepositKind, Side
from pastewright.records.probing import ProbingRecord

_PRB = re.compile(r"\[PRB:([^,\]]+),([^,\]]+),([^,:\]]+)[^:\]]*:([01])\]")
_PLACE = re.compile(r"^(?:Bed )?X:\s*(\S+)\s+Y:\s*(\S+)\s+Z:\s*(\S+)")
"""Answers of the two probe words, and of the question where it stands after a probe that answers nothing."""

NO_CONTACT = re.compile(r"failed to reach|probing failed", re.IGNORECASE)
"""What printer controllers say of a probe that touched nothing."""


def probing_job(text: str, record: ProbingRecord, *, file: str = "", record_file: str = "") -> ProgramJob:
    """Return the job of a probing program; raises `InputError` where program and record do not belong together."""
    rows = rows_of(text)
    starts = starts_of({place.number: place.line for place in record.places}, rows, file or record_file)
    by_number = {place.number: place for place in record.places}
    blocks = blocks_of(rows, starts, record.plunger_letter, file)
    return ProgramJob(
        sha256=job_sha256(text),
        board=record.board,
        side=Side(record.side) if record.side in tuple(Side) else Side.TOP,
        size_mm=record.size_mm,
        dialect=record.dialect,
        letter=record.plunger_letter,
        dry=True,  # the plunger stays still, whatever ends the run
        paste="",
        machine_s=0.0,
        paste_ul=0.0,
        strip_ul=0.0,
        blocks=blocks,
        path_sha256=path_sha256_of(blocks, record.plunger_letter),
        deposits=tuple(
            Laid(
                id=number,
                kind=DepositKind.DOT,
                pads=(f"place {number}",),
                points_mm=(by_number[number].on_board_mm,),
                volume_ul=0.0,
                width_mm=1.0,
            )
            for _, number in starts
        ),
    )


def touched(events: Iterable[tuple[str, str]]) -> list[tuple[float, float, float] | None]:
    """Return X, Y of the head and Z at each touch [mm, as the program counts], in order, from (kind, text) of a run.

    None where the contact did not close, or the answer is none. CNC controllers answer in the machine's own coordinates;
    how far those are from the program's was noted before.
    """
    off = (0.0, 0.0, 0.0)
    found: list[tuple[float, float, float] | None] = []
    for kind, text in events:
        if kind == "offset":
            off = _three(text.split()) or off
        elif kind == "said" and (answer := _PRB.search(text)):
            at = _three(answer.groups()[:3])
            closed = at is not None and answer[4] == "1"
            found.append((at[0] - off[0], at[1] - off[1], at[2] - off[2]) if at and closed else None)
        elif kind == "said" and (answer := _PLACE.match(text)):
            found.append(_three(answer.groups()))
    return found


def _three(words: Sequence[str]) -> tuple[float, float, float] | None:
    try:
        x, y, z = (float(word) for word in words)
    except ValueError:
        return None
    return x, y, z
