"""Ours over another's, both measured in this run on this computer: what remains true on any computer.

The Gerber reader against gerbonara, on one layer of plain flashes; the read-back against `rs274 -g`, the stand-alone
interpreter of LinuxCNC, on one program. Ours gives more (areas as polygons; a barrel simulated and judged), which the
ratio does not show. Tours against published optima are in `tours.py`. In processor time, and the best of several counts:
a busy computer changes both less.
"""

import shutil
import subprocess
import sys
import tempfile
import warnings
from collections.abc import Callable
from functools import partial
from pathlib import Path

from aims import attempted
from boards import write_field
from stages import big_bed, processor_s

from pastewright.board.gerber.read import read_gerber
from pastewright.board.model import Side
from pastewright.board.read import Ask, read_board
from pastewright.plan.pipeline import make_plan
from pastewright.profile.examples import example_text
from pastewright.profile.read import parse_profile
from pastewright.readback.judge.expect import expected_from_plan
from pastewright.readback.judge.verify import verify
from pastewright.readback.text.interpret import interpret

RUNS = 3  # the best counts
PADS = 20_000  # the largest board of `stages`
PROGRAM_PADS = 3_000  # rs274 takes a third of a second: long beside its start
BENCH = "bench-ngc-rotary-a"


def best_s(work: Callable[[], object]) -> float:
    """Seconds of processor time, of this process and of those it waits for, of the least of several runs."""
    seconds = []
    for _ in range(RUNS):
        began = processor_s()
        work()
        seconds.append(processor_s() - began)
    return min(seconds)


def row(what: str, ours_s: float, theirs: str, theirs_s: float) -> None:
    """Print one comparison."""
    print(f"{what:<46}{ours_s:>9.3f}  {theirs:<28}{theirs_s:>9.3f}{ours_s / theirs_s:>8.2f}")


def gerber(folder: Path) -> None:
    """Compare the reading of a layer of `PADS` flashes."""
    from gerbonara import GerberFile
    from gerbonara.utils import MM
    from shapely.geometry import Polygon

    write_field(folder, PADS)
    file = folder / "field-paste.gtp"
    data, text = file.read_bytes(), file.read_text(encoding="ascii")

    def as_polygons() -> list[Polygon]:
        return [
            Polygon(primitive.to_arc_poly().outline)
            for thing in GerberFile.from_string(text).objects
            for primitive in thing.to_primitives(unit=MM)
        ]

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        objects_s, polygons_s = best_s(lambda: GerberFile.from_string(text)), best_s(as_polygons)
        theirs = as_polygons()
    ours = read_gerber(data, file.name)
    if not len(ours.objects) == len(theirs) == PADS:
        raise ValueError(f"{len(ours.objects)} objects of ours, {len(theirs)} of theirs, {PADS} drawn")
    ours_mm2, theirs_mm2 = sum(one.shape.area for one in ours.objects), sum(one.area for one in theirs)
    if abs(ours_mm2 - theirs_mm2) > 1e-6 * theirs_mm2:
        raise ValueError(f"areas differ: {ours_mm2} mm² of ours, {theirs_mm2} mm² of theirs")
    ours_s = best_s(lambda: read_gerber(data, file.name))
    row(f"{PADS} flashes to polygons", ours_s, "gerbonara, to polygons", polygons_s)
    row("", ours_s, "gerbonara, to objects only", objects_s)


def readback(folder: Path) -> None:
    """Compare the reading of a program, and the whole verdict, with an interpreter that only reads."""
    if shutil.which("rs274") is None:
        print(
            "rs274 is not installed (Debian: linuxcnc-uspace); the read-back has nothing to be compared with"
        )
        return
    write_field(folder, PROGRAM_PADS)
    profile = big_bed(parse_profile(example_text(BENCH), BENCH))
    plan = make_plan(read_board(folder, Ask(side=Side.TOP)), profile)
    text, expected = plan.program.text, expected_from_plan(plan.record)
    program, empty = folder / "program.ngc", folder / "empty.ngc"
    program.write_text(text, encoding="ascii")
    empty.write_text("M2\n", encoding="ascii")

    def theirs(file: Path) -> None:
        subprocess.run(["rs274", "-g", str(file)], capture_output=True, cwd=folder, check=False)

    # Without the start of its process, which ours has not either.
    theirs_s = best_s(lambda: theirs(program)) - best_s(lambda: theirs(empty))
    lines = text.count("\n")
    read_s = best_s(lambda: interpret(text, profile.controller, plunger_letter=profile.plunger.letter))
    row(f"{lines} lines of program read", read_s, "rs274 -g", theirs_s)
    row(
        f"{lines} lines read, simulated and judged",
        best_s(lambda: verify(text, expected, profile)),
        "rs274 -g",
        theirs_s,
    )


def main() -> int:
    """Print the table; exit code 1 only where something failed."""
    print(f"{'':<46}{'ours s':>9}  {'against':<28}{'s':>9}{'ratio':>8}")
    good = True
    for what, compare in (("Gerber reader", gerber), ("read-back", readback)):
        with tempfile.TemporaryDirectory() as folder:
            good &= attempted(partial(compare, Path(folder)), what)
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
