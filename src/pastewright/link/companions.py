"""The file beside a program, whatever the program is for: to a record, to text, and with the program to a `ProgramJob`.

    plan.json     a board, a touch-up     deposits by the lines that the plan names
    sheet.json    a tuning sheet          deposits by strokes

Which it is, the file says itself (`records.companion`).
"""

import json
from pathlib import Path

from pastewright.link.job import ProgramJob, read_job
from pastewright.link.sheets import sheet_job
from pastewright.problems import one_error
from pastewright.records.companion import kind_of_text
from pastewright.records.kinds import ProgramKind
from pastewright.records.plan import PlanRecord, plan_of_text, plan_text
from pastewright.records.reading import text_of_file
from pastewright.records.sheet import SheetRecord, sheet_of_data, sheet_text

Companion = PlanRecord | SheetRecord
NAMES = ("plan.json", "sheet.json")
"""Names under which companions are written, beside their programs."""
MOST_BYTES = 200_000_000
"""As for plans: a board of 20 000 deposits takes 10 MB."""
MEND = "Give the plan.json or sheet.json that was written together with the program."


def companion_of(program: Path) -> Path:
    """Return the companion that lies beside a program; raises `InputError` where there is none, or more than one."""
    there = [program.parent / name for name in NAMES if (program.parent / name).is_file()]
    if len(there) == 1:
        return there[0]
    what = "there is no plan.json or sheet.json beside this program"
    if there:
        what = f"{' and '.join(path.name for path in there)} both lie beside this program"
    raise one_error(what, "Name the file that was written with it: --plan FILE.", file=str(program))


def companion_of_text(text: str, *, file: str) -> Companion:
    """Return the record in a companion's text; raises `InputError` with everything that is wrong with it."""
    kind = kind_of_text(text, file=file)
    if kind in (ProgramKind.BOARD, ProgramKind.TOUCH_UP):
        return plan_of_text(text, file=file)
    if kind in (ProgramKind.TUNING_SHEET, ProgramKind.SHAPE_TRIAL):
        return sheet_of_data(json.loads(text), file=file)
    raise one_error(
        f"a program for {kind} is not sent deposit by deposit",
        "Probing has a command of its own, which takes the answers in: pastewright probe.",
        file=file,
    )


def read_companion(path: Path) -> Companion:
    """Return the record in a companion file."""
    text = text_of_file(path, what="the file beside a program", mend=MEND, most_bytes=MOST_BYTES)
    return companion_of_text(text, file=str(path))


def companion_text(companion: Companion) -> str:
    """Return the text of a companion file."""
    return plan_text(companion) if isinstance(companion, PlanRecord) else sheet_text(companion)


def job_of(text: str, companion: Companion, *, file: str = "", companion_file: str = "") -> ProgramJob:
    """Return the job of a program and its companion; raises `InputError` where they do not belong together."""
    if isinstance(companion, PlanRecord):
        return read_job(text, companion, file=file, plan_file=companion_file)
    return sheet_job(text, companion, file=file, sheet_file=companion_file)


def profile_sha256_of(companion: Companion) -> str:
    """Return the name of the profile that a program was made with, "" where its companion does not say."""
    if isinstance(companion, PlanRecord):
        return companion.profile.sha256
    return str(companion.process.get("profile_sha256", ""))
