"""`pastewright tune sheet`: design a sheet of dots for this bench, verify its program, write both and a picture."""

from pathlib import Path

from rich.markup import escape

from pastewright.cli.console import out as console
from pastewright.cli.console import print_problems, stages
from pastewright.cli.exits import DONE, FINDINGS
from pastewright.cli.reading import load_profile
from pastewright.problems import Problem, Severity, one_error
from pastewright.tune.record.pictures import sheet_svg
from pastewright.tune.sheet.design import TRIES, Designed, designed
from pastewright.tune.sheet.model import write_sheet
from pastewright.tune.sheet.program import sheet_program, sheet_verdict

MOST_SHOWN = 10


def tune_sheet_command(profile_path: Path, *, out: Path, name: str, seed: int) -> int:
    """Write sheet.json, sheet.svg and the program into `out`; a program with findings is not written."""
    profile = load_profile(profile_path)
    if not name or not name.isprintable() or len(name) > 60:
        raise one_error("the sheet's name must be one line of 1 to 60 letters", "Choose another --name.")
    tries = tuple(f"order {number + 1}" for number in range(TRIES))
    with stages([*tries, "program"]) as begin:
        counted = iter(tries)
        made = designed(profile, name=name, seed=seed, on_try=lambda: begin(next(counted, "program")))
        begin("program")
        program = sheet_program(name, made.motions, made.layout, profile)
        verdict = sheet_verdict(program, made.layout, profile)
    program_file = out / f"sheet{program.suffix}"
    try:
        out.mkdir(parents=True, exist_ok=True)
        for old in (out / "sheet.gcode", out / "sheet.ngc"):
            old.unlink(missing_ok=True)
        (out / "sheet.svg").write_text(
            sheet_svg(made.sheet, made.layout, largest_mm=made.largest_mm), encoding="utf-8"
        )
        write_sheet(made.sheet, out / "sheet.json")
        if verdict.ok:
            program_file.write_text(program.text, encoding="utf-8", newline="\n")
    except OSError as error:
        raise one_error(
            f"the sheet cannot be written: {error.strerror or error}",
            "Choose another folder with --out.",
            file=str(error.filename or out),
        ) from None
    _tell(made)
    if not verdict.ok:
        console.print(
            f"[bold red]not verified[/] {len(verdict.findings)} findings; the program is not written"
        )
        for finding in verdict.findings[:MOST_SHOWN]:
            console.print(f"  line {finding.line}: {escape(finding.kind)}: {escape(finding.what)}")
        return FINDINGS
    console.print("[bold green]verified[/] read back and simulated by separate code: no findings")
    console.print(f"  program  {escape(str(program_file))}")
    console.print(
        f"  picture  {escape(str(out / 'sheet.svg'))}, what should appear; print nothing on the sheet"
    )
    console.print(
        "  Lay it on white paper or a bare panel fixed at the board's place, take a photo from above with all dots in"
        f" it, then: pastewright tune read {escape(str(out / 'sheet.json'))} PHOTO"
    )
    return DONE


def _tell(made: Designed) -> None:
    sheet, recipe = made.sheet, made.recipe
    points = [point for deposit in made.layout.deposits for point in deposit.points_mm]
    wide = max(x for x, _ in points) + sheet.pitch_mm
    high = max(y for _, y in points) + sheet.pitch_mm
    console.print(
        f"[bold]{escape(sheet.name)}[/] {len(sheet.dots)} dots of {recipe.doses_ul[0]:.3g} to"
        f" {recipe.doses_ul[-1]:.3g} µL, {len(sheet.beads)} beads, {wide:.0f} × {high:.0f} mm,"
        f" {made.motions.machine_s / 60:.0f} min"
    )
    console.print(
        f"  made for a bench that may be off by a factor of {recipe.doubt:g} in stiffness and in flow; dots up to"
        f" {made.largest_mm:.1f} mm wide do not touch"
    )
    if recipe.limited:
        print_problems(
            [
                Problem(
                    what="larger doses are left out: on a stiffer bench they could pass what barrel and motor stand",
                    mend="After this sheet the bench is known better; a second one goes further.",
                    severity=Severity.WARNING,
                )
            ]
        )
