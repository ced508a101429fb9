"""`pastewright verify`: any program against a plan and a bench."""

from pathlib import Path

from pastewright.cli.console import out as console
from pastewright.cli.exits import DONE, FINDINGS
from pastewright.cli.planning import print_verdict
from pastewright.cli.reading import load_profile
from pastewright.json_text import parsed
from pastewright.plan.document import verdict_data
from pastewright.problems import one_error
from pastewright.readback.judge.expect import expected_from_plan
from pastewright.readback.judge.verify import verify

MOST_BYTES = 200_000_000


def verify_command(program: Path, plan_file: Path, profile_path: Path) -> int:
    """Read `program` back and print the verdict; returns the exit code."""
    profile = load_profile(profile_path)
    text = _text(program, "a program")
    mend = "Give the plan.json that `pastewright plan` wrote."
    document = parsed(_text(plan_file, "a plan"), what="a plan", mend=mend, file=str(plan_file))
    verdict = verify(text, expected_from_plan(document, file=str(plan_file)), profile)
    print_verdict(verdict_data(verdict), of_a_kind=10)
    console.print(
        f"  paste out {verdict.out_ul:.3f} µL = swept {verdict.swept_ul:.3f} − stored {verdict.stored_ul:.3f};"
        f" {verdict.machine_s:.0f} s at most, from anywhere to the park position"
    )
    return DONE if verdict.ok else FINDINGS


def _text(path: Path, what: str) -> str:
    try:
        if path.stat().st_size > MOST_BYTES:
            raise one_error(
                f"{path.stat().st_size / 1e6:.0f} MB is too large for {what}",
                "Check the file.",
                file=str(path),
            )
        return path.read_text(encoding="utf-8", errors="replace")
    except OSError as error:
        raise one_error(
            f"{what} cannot be read: {error.strerror or error}", "Check the name.", file=str(path)
        ) from None
