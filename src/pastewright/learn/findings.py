"""What inspections found, as rows: one a deposit and pad, of many boards, from inspection.json files or a table.

A table has a line of column names; `board`, `pad` and `state` are needed, `class`, `ref`, `planned_ul`, `volume_ul` and
`age_h` (hours since the paste was opened) are used where they are there.
"""

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite
from pathlib import Path

from pastewright.problems import InputError, Problem, one_error
from pastewright.records.inspection import InspectionRecord
from pastewright.records.kinds import DepositVerdict, PadKind
from pastewright.records.reading import text_of_file

NEEDED = ("board", "pad", "state")
MOST_BYTES = 200_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundDeposit:
    """One deposit on one pad of one board. `share` is measured over planned volume, None where it was not measured."""

    board: str
    kind: str
    ref: str
    pad: str
    state: DepositVerdict
    share: float | None
    age_h: float | None = None

    @property
    def seen(self) -> bool:
        """Whether anything is known of it."""
        return self.state is not DepositVerdict.NOT_SEEN


def found_in(record: InspectionRecord, *, board: str, age_h: float | None = None) -> tuple[FoundDeposit, ...]:
    """Return the rows of an inspection; `board` names it among the others."""
    return tuple(
        FoundDeposit(
            board=board,
            kind=str(one.form) if one.pad_kind is PadKind.SURFACE else f"{one.pad_kind} {one.form}",
            ref=one.ref,
            pad=one.pad,
            state=one.verdict,
            share=one.volume_ul / one.planned_ul
            if one.volume_ul is not None and one.planned_ul > 0 and one.verdict is not DepositVerdict.NOT_SEEN
            else None,
            age_h=age_h,
        )
        for one in record.deposits
    )


def found_in_table(path: Path) -> tuple[FoundDeposit, ...]:
    """Return the rows of a table; raises `InputError` with every faulty line."""
    file = str(path)
    text = text_of_file(
        path,
        what="a table of deposits",
        mend="Give a CSV with a line of column names.",
        most_bytes=MOST_BYTES,
    )
    table = csv.DictReader(io.StringIO(text.lstrip("\ufeff")))
    absent = [name for name in NEEDED if name not in (table.fieldnames or ())]
    if absent:
        raise one_error(
            f"the table has no column {', '.join(absent)}",
            "Its first line names the columns: board, pad, state and, where known, class, ref, planned_ul, volume_ul,"
            " age_h.",
            file=file,
            line=1,
        )
    rows: list[FoundDeposit] = []
    problems: list[Problem] = []
    for row in table:
        try:
            rows.append(_row(row))
        except ValueError as error:
            problems.append(
                Problem(
                    what=str(error), mend="Mend the line, or leave it out.", file=file, line=table.line_num
                )
            )
    if problems:
        raise InputError(problems)
    return tuple(rows)


def _row(row: dict[str, str | None]) -> FoundDeposit:
    def word(name: str) -> str:
        return (row.get(name) or "").strip()

    state = word("state")
    if state not in set(DepositVerdict):
        raise ValueError(f"state is {state!r}, not one of {', '.join(DepositVerdict)}")
    if not word("board") or not word("pad"):
        raise ValueError("a deposit needs a board and a pad")
    planned, volume = _number(word("planned_ul"), "planned_ul"), _number(word("volume_ul"), "volume_ul")
    if planned is not None and planned <= 0:
        raise ValueError("planned_ul is not above zero")
    seen = DepositVerdict(state) is not DepositVerdict.NOT_SEEN
    return FoundDeposit(
        board=word("board"),
        kind=word("class") or "deposit",
        ref=word("ref") or word("pad").partition(".")[0],
        pad=word("pad"),
        state=DepositVerdict(state),
        share=volume / planned if seen and planned is not None and volume is not None else None,
        age_h=_number(word("age_h"), "age_h"),
    )


def _number(word: str, name: str) -> float | None:
    if not word:
        return None
    try:
        value = float(word)
    except ValueError:
        value = -1.0
    if not isfinite(value) or value < 0:
        raise ValueError(f"{name} is {word!r}, not a number of zero or more")
    return value


def boards_of(rows: Sequence[FoundDeposit]) -> tuple[str, ...]:
    """Return the boards in the order in which they come."""
    return tuple(dict.fromkeys(row.board for row in rows))
