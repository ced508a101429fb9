"""The file beside a program, whatever the program is for: to a record, to text, and with the program to a `ProgramJob`.

    plan.json     a board, a touch-up                 deposits by the lines that the plan names
    sheet.json    a tuning sheet, a shape trial       deposits by strokes
    probe.json    a probing program                   places by the lines that it names

Which it is, the file says itself (`records.companion`). `REGISTERED` is the table that run, journal and resume go by: a
program of another kind is sent, resumed and kept by one entry more. What is read back of it before it is sent, and
what becomes of it afterwards, is registered in `work.running.kinds`.
"""

import json
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from pastewright.link.job import ProgramJob, read_job
from pastewright.link.probes import probing_job
from pastewright.link.sheets import sheet_job
from pastewright.problems import one_error
from pastewright.records.companion import kind_of_text
from pastewright.records.kinds import ProgramKind
from pastewright.records.plan import PlanRecord, plan_of_text, plan_text
from pastewright.records.probing import ProbingRecord, probing_of_text, probing_text
from pastewright.records.reading import text_of_file
from pastewright.records.sheet import SheetRecord, sheet_of_data, sheet_text


class Companion(Protocol):
    """The record in a companion file."""

    @property
    def kind(self) -> ProgramKind:
        """What the program is for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CompanionKind:
    """What is done with the companions of some kinds of programs.

    `of_text` takes a text and its file's name, `job` a program's text, the record and both files' names; both raise
    `InputError` with everything that is wrong. `profile_sha256` is the profile that the program was made with, "" where
    the record does not say.
    """

    kinds: tuple[ProgramKind, ...]
    file_name: str
    record: type
    of_text: Callable[[str, str], Companion]
    text: Callable[[Any], str]
    job: Callable[[str, Any, str, str], ProgramJob]
    profile_sha256: Callable[[Any], str]


def _plan_job(text: str, plan: PlanRecord, file: str, companion_file: str) -> ProgramJob:
    return read_job(text, plan, file=file, plan_file=companion_file)


def _sheet_job(text: str, sheet: SheetRecord, file: str, companion_file: str) -> ProgramJob:
    return sheet_job(text, sheet, file=file, sheet_file=companion_file)


def _probing_job(text: str, record: ProbingRecord, file: str, companion_file: str) -> ProgramJob:
    return probing_job(text, record, file=file, record_file=companion_file)


REGISTERED: list[CompanionKind] = [
    CompanionKind(
        kinds=(ProgramKind.BOARD, ProgramKind.TOUCH_UP),
        file_name="plan.json",
        record=PlanRecord,
        of_text=lambda text, file: plan_of_text(text, file=file),
        text=plan_text,
        job=_plan_job,
        profile_sha256=lambda plan: plan.profile.sha256,
    ),
    CompanionKind(
        kinds=(ProgramKind.TUNING_SHEET, ProgramKind.SHAPE_TRIAL),
        file_name="sheet.json",
        record=SheetRecord,
        of_text=lambda text, file: sheet_of_data(json.loads(text), file=file),
        text=sheet_text,
        job=_sheet_job,
        profile_sha256=lambda sheet: str(sheet.process.get("profile_sha256", "")),
    ),
    CompanionKind(
        kinds=(ProgramKind.PROBING,),
        file_name="probe.json",
        record=ProbingRecord,
        of_text=lambda text, file: probing_of_text(text, file=file),
        text=probing_text,
        job=_probing_job,
        profile_sha256=lambda record: record.profile_sha256,
    ),
]
MOST_BYTES = 200_000_000
"""As for plans: a board of 20 000 deposits takes 10 MB."""
MEND = "Give the file that was written together with the program (plan.json, sheet.json, probe.json)."


def names() -> tuple[str, ...]:
    """Return the names under which companions are written beside their programs."""
    return tuple(dict.fromkeys(entry.file_name for entry in REGISTERED))


def companion_of(program: Path) -> Path:
    """Return the companion of a program: the file with its own name, else the one that lies beside it.

    Raises `InputError` where there is none, or more than one.
    """
    own = program.with_suffix(".json")
    if own != program and own.is_file():
        return own
    there = [program.parent / name for name in names() if (program.parent / name).is_file()]
    if len(there) == 1:
        return there[0]
    what = f"there is no {' or '.join(names())} beside this program"
    if there:
        what = f"{' and '.join(path.name for path in there)} both lie beside this program"
    raise one_error(what, "Name the file that was written with it: --plan FILE.", file=str(program))


def companion_of_text(text: str, *, file: str) -> Companion:
    """Return the record in a companion's text; raises `InputError` with everything that is wrong with it."""
    kind = kind_of_text(text, file=file)
    for entry in REGISTERED:
        if kind in entry.kinds:
            return entry.of_text(text, file)
    raise one_error(f"nobody here knows how to send a program for {kind}", MEND, file=file)


def read_companion(path: Path) -> Companion:
    """Return the record in a companion file."""
    text = text_of_file(path, what="the file beside a program", mend=MEND, most_bytes=MOST_BYTES)
    return companion_of_text(text, file=str(path))


def companion_text(companion: Companion) -> str:
    """Return the text of a companion file."""
    return _entry(companion).text(companion)


def job_of(text: str, companion: Companion, *, file: str = "", companion_file: str = "") -> ProgramJob:
    """Return the job of a program and its companion; raises `InputError` where they do not belong together."""
    return _entry(companion).job(text, companion, file, companion_file)


def profile_sha256_of(companion: Companion) -> str:
    """Return the name of the profile that a program was made with, "" where its companion does not say."""
    return _entry(companion).profile_sha256(companion)


def _entry(companion: Companion) -> CompanionKind:
    return next(entry for entry in REGISTERED if isinstance(companion, entry.record))
