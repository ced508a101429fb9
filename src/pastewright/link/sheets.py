"""A tuning sheet's program and its sheet.json to a `ProgramJob`: a stroke is a deposit, in the order of the sheet.

A sheet's record does not name lines. Each of its dots and beads is one stroke of the tip (from a lowering to its lift), the
settling strip is the stroke before them; so the strokes are counted, and must be as many as the sheet has things.
"""

import re
from collections.abc import Sequence

from pastewright.link.job import Laid, ProgramJob, blocks_of, job_sha256, path_sha256_of
from pastewright.link.words import Scan, UnreadableError, rows_of, wire_line
from pastewright.problems import one_error
from pastewright.records.kinds import DepositKind, DialectName, Side
from pastewright.records.sheet import MEND, SheetRecord

_PLUNGER = re.compile(r"^G0?1\b.*?\b([EABCUVW])-?[\d.]", re.MULTILINE)
_REPRAP = re.compile(r"^M(?:82|83|302|400)\b", re.MULTILINE)
LIFT_MM = 0.5
"""A stroke ends with a lift of at least this: a tip that follows an uneven height goes up by less (common practice)."""


def sheet_job(text: str, sheet: SheetRecord, *, file: str = "", sheet_file: str = "") -> ProgramJob:
    """Return the job of a sheet's program; raises `InputError` where program and sheet do not belong together."""
    rows = rows_of(text)
    wire = "\n".join(wire_line(row) for row in rows)
    found = _PLUNGER.search(wire)
    if found is None:
        raise one_error("this program never moves the plunger", MEND, file=file)
    letter = found[1]
    things = _laid(sheet)
    ends = _lifts([wire_line(row) for row in rows], letter)
    if len(ends) != len(things) + 1:
        raise one_error(
            f"the sheet has {len(things)} dots and beads, the program lowers the tip {len(ends)} times (once for the"
            " settling strip)",
            MEND,
            file=sheet_file,
        )
    starts = [(end + 1, laid.id) for end, laid in zip(ends[:-1], things, strict=True)]
    blocks = blocks_of(rows, starts, letter, file)
    xs = [x for laid in things for x, _ in laid.points_mm]
    ys = [y for laid in things for _, y in laid.points_mm]
    paste_ul = sum(laid.volume_ul for laid in things)
    return ProgramJob(
        sha256=job_sha256(text),
        board=f"tuning sheet {sheet.name}",
        side=Side.TOP,
        size_mm=(max(xs) + min(xs), max(ys) + min(ys)),
        dialect=DialectName.REPRAP if _REPRAP.search(wire) else DialectName.NGC,
        letter=letter,
        dry=False,
        paste=str(sheet.process.get("paste", "")),
        machine_s=0.0,
        paste_ul=paste_ul,
        strip_ul=0.0,
        blocks=blocks,
        path_sha256=path_sha256_of(blocks, letter),
        deposits=tuple(things),
    )


def _laid(sheet: SheetRecord) -> list[Laid]:
    """Return dots and beads in the order in which they are laid."""
    dots = [
        Laid(
            id=dot.index,
            kind=DepositKind.DOT,
            pads=(f"dot {dot.index}",),
            points_mm=((dot.x_mm, dot.y_mm),),
            volume_ul=dot.dose_ul,
            width_mm=1.0,
        )
        for dot in sheet.dots
    ]
    beads = [
        Laid(
            id=bead.index,
            kind=DepositKind.BEAD,
            pads=(f"bead {bead.index}",),
            points_mm=bead.path_mm,
            volume_ul=bead.dose_ul,
            width_mm=1.0,
        )
        for bead in sheet.beads
    ]
    return sorted([*dots, *beads], key=lambda laid: laid.id)


def _lifts(wire: Sequence[str], letter: str) -> list[int]:
    """Return the line (1-based) of the lift that ends each stroke."""
    scan = Scan(letter)
    lifts: list[int] = []
    high: float | None = None
    down = False
    for at, line in enumerate(wire, start=1):
        try:
            scan.line(line)
        except UnreadableError:
            continue
        if "Z" not in scan.moved:
            continue
        z_mm = scan.place["Z"]
        if high is None or z_mm >= high:
            high = z_mm
            if down:
                lifts.append(at)
            down = False
        elif z_mm < high - LIFT_MM:
            down = True
    return lifts
