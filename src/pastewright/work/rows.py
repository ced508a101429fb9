"""A witness row from a profile to its files. Apart from judging one: writing it needs no photos."""

from pathlib import Path

from pastewright.learn.row import witness_row
from pastewright.records.sheet import sheet_text
from pastewright.work.exits import DONE, FINDINGS
from pastewright.work.printing.console import print_file
from pastewright.work.printing.tuning import print_sheet_findings
from pastewright.work.reading import load_profile
from pastewright.writing import writing


def written_row(profile: Path, out: Path) -> int:
    """Write the program of a row and its sheet.json into a folder; returns the exit code. Raises `InputError`."""
    bench = load_profile(profile)
    made = witness_row(bench)
    verdict = made.verdict(bench)
    if not verdict.ok:
        print_sheet_findings(verdict)
        return FINDINGS
    program = out / f"row{made.program.suffix}"
    with writing("the row", out, "Choose another folder with --out."):
        out.mkdir(parents=True, exist_ok=True)
        program.write_text(made.text, encoding="utf-8", newline="\n")
        (out / "sheet.json").write_text(sheet_text(made.record), encoding="utf-8")
    print_file("program", program)
    print_file("record", out / "sheet.json")
    return DONE
