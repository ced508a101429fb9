"""The files of a plan: plan.json, pads.csv, board.svg, report.html and the program."""

import csv
from collections.abc import Callable, Iterable, Sequence
from functools import partial
from io import BytesIO, TextIOWrapper
from pathlib import Path

from msgspec import Struct

from pastewright.meanwhile import meanwhile
from pastewright.plan.document import PAD_COLUMNS, pad_rows
from pastewright.plan.pipeline import MANY_DEPOSITS, Decided, Plan, judged
from pastewright.program.dialects import PROGRAM_ENDINGS
from pastewright.records.plan import text_before_verdict, verdict_text
from pastewright.report.render import PlanPictures, Skipped, drawn, report_of
from pastewright.uncollected import uncollected
from pastewright.writing import writing

PROGRAM_STEM = "program"


class Beforehand(Struct, frozen=True, kw_only=True):
    """What of the files does not depend on the verdict: pictures, plan.json in pieces up to its verdict, pads.csv."""

    pictures: PlanPictures
    plan: list[bytes]
    pads: bytes


@uncollected()
def beforehand(decided: Decided, *, skipped: Skipped = ()) -> Beforehand:
    """Return what can be drawn and written while the program is judged."""
    return Beforehand(
        pictures=drawn(decided, skipped=skipped),
        plan=text_before_verdict(decided.record),
        pads=_csv(pad_rows(decided.record)),
    )


def judge_and_write(
    decided: Decided,
    out: Path,
    *,
    even_if_unverified: bool,
    skipped: Skipped = (),
    on_stage: Callable[[str], None],
) -> tuple[Plan, Path | None]:
    """Judge what was decided and write it as `write_results` does; of a large board the two are done at the same time."""
    many = len(decided.layout.deposits) >= MANY_DEPOSITS
    with meanwhile(partial(beforehand, decided, skipped=skipped), worth=many) as ready:
        plan = judged(decided, on_stage=on_stage)
        on_stage("report")
        return plan, _write(plan, ready(), out, even_if_unverified=even_if_unverified)


def write_results(plan: Plan, out: Path, *, even_if_unverified: bool, skipped: Skipped = ()) -> Path | None:
    """Write plan.json, pads.csv, board.svg, report.html and the program; returns the program's path.

    A program with findings is not written, and one left there by an earlier plan is removed, so that what lies
    beside plan.json always belongs to it.
    """
    return _write(plan, beforehand(plan, skipped=skipped), out, even_if_unverified=even_if_unverified)


@uncollected()
def _write(plan: Plan, ready: Beforehand, out: Path, *, even_if_unverified: bool) -> Path | None:
    page = report_of(plan, ready.pictures)
    with writing("the results", out, "Choose another folder with --out, and no file's name."):
        out.mkdir(parents=True, exist_ok=True)
        for old in (out / f"{PROGRAM_STEM}{ending}" for ending in PROGRAM_ENDINGS):
            old.unlink(missing_ok=True)
        with (out / "plan.json").open("wb") as file:
            file.writelines([*ready.plan, verdict_text(plan.record.verdict)])
        (out / "pads.csv").write_bytes(ready.pads)
        (out / "board.svg").write_text(ready.pictures.alone, encoding="utf-8")
        (out / "report.html").write_text(page, encoding="utf-8")
        if not plan.verdict.ok and not even_if_unverified:
            return None
        program_file = out / f"{PROGRAM_STEM}{plan.program.suffix}"
        program_file.write_text(plan.program.text, encoding="utf-8", newline="\n")
    return program_file


def _csv(rows: Iterable[Sequence[str]]) -> bytes:
    told = BytesIO()
    with TextIOWrapper(told, encoding="utf-8", newline="") as text:
        writer = csv.writer(text)
        writer.writerow(PAD_COLUMNS)
        writer.writerows(rows)
        text.flush()
        return told.getvalue()
