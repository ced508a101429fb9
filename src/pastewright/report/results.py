"""The files of a plan: plan.json, pads.csv, board.svg, report.html and the program."""

import csv
from collections.abc import Mapping, Sequence
from pathlib import Path

from pastewright.plan.document import PAD_COLUMNS, pad_rows
from pastewright.plan.pipeline import Plan
from pastewright.program.dialects import PROGRAM_ENDINGS
from pastewright.records.plan import plan_text
from pastewright.report.render import Skipped, render_report
from pastewright.uncollected import uncollected
from pastewright.writing import writing

PROGRAM_STEM = "program"


@uncollected()
def write_results(plan: Plan, out: Path, *, even_if_unverified: bool, skipped: Skipped = ()) -> Path | None:
    """Write plan.json, pads.csv, board.svg, report.html and the program; returns the program's path.

    A program with findings is not written, and one left there by an earlier plan is removed, so that what lies
    beside plan.json always belongs to it.
    """
    picture, page = render_report(plan, skipped=skipped)
    with writing("the results", out, "Choose another folder with --out, and no file's name."):
        out.mkdir(parents=True, exist_ok=True)
        for old in (out / f"{PROGRAM_STEM}{ending}" for ending in PROGRAM_ENDINGS):
            old.unlink(missing_ok=True)
        (out / "plan.json").write_text(plan_text(plan.record), encoding="utf-8")
        _write_csv(out / "pads.csv", pad_rows(plan.record))
        (out / "board.svg").write_text(picture, encoding="utf-8")
        (out / "report.html").write_text(page, encoding="utf-8")
        if not plan.verdict.ok and not even_if_unverified:
            return None
        program_file = out / f"{PROGRAM_STEM}{plan.program.suffix}"
        program_file.write_text(plan.program.text, encoding="utf-8", newline="\n")
    return program_file


def _write_csv(path: Path, rows: Sequence[Mapping[str, str]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, PAD_COLUMNS)
        writer.writeheader()
        writer.writerows(rows)
