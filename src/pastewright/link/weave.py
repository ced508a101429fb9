"""A verified program made to fit the next board: strip at a fresh place, witness dots before it, board found again.

    settle      every X and Y of the strip moved by the way to the fresh place
    witness     strokes of another program, put in behind the strip
    deposits    every X and Y turned and shifted with the board

Nothing of a stroke changes but where it is. The result is a program and a plan like any other: it is read back before
it is sent, and has a name of its own in the journal.
"""

import cmath
import re
from collections.abc import Sequence
from dataclasses import dataclass
from math import cos, hypot, radians, sin

import msgspec

from pastewright.link.job import Block, Job, Part
from pastewright.link.words import Scan, number, wire_line, words_of
from pastewright.problems import one_error
from pastewright.records.kinds import Form, PadKind
from pastewright.records.placement import BoardPlaceRecord, StepRecord
from pastewright.records.plan import DepositRecord, PadRecord, PlanRecord

DECIMALS = 4
"""Of a place [mm]: a tenth of what any controller resolves."""
WITNESS_REF = "witness"
FOUND_AGAIN = "found again at the machine"
ZONE_CLEARANCE_MM = 0.5
"""Left between tip and part: boards bow by as much (common practice)."""
_NUMBERED = re.compile(r"\s*N\s*\d", re.IGNORECASE)
_WORD = re.compile(r"([XY])\s*[-+]?(?:\d+\.?\d*|\.\d+)")


@dataclass(frozen=True, slots=True, kw_only=True)
class Shift:
    """A turn about the machine's origin, anticlockwise, then a way [mm, machine]."""

    turn_deg: float = 0.0
    x_mm: float = 0.0
    y_mm: float = 0.0

    def of(self, x_mm: float, y_mm: float) -> tuple[float, float]:
        """Return where a place comes to lie."""
        c, s = cos(radians(self.turn_deg)), sin(radians(self.turn_deg))
        return c * x_mm - s * y_mm + self.x_mm, s * x_mm + c * y_mm + self.y_mm

    @property
    def is_none(self) -> bool:
        """Whether nothing moves."""
        return self == Shift()


@dataclass(frozen=True, slots=True, kw_only=True)
class Witness:
    """Dots to be laid on the card before the board: a sheet's job and text, and the way from there to the card."""

    job: Job
    text: str
    shift: Shift


def woven(
    text: str,
    plan: PlanRecord,
    job: Job,
    *,
    strip: Shift,
    board: Shift,
    witness: Witness | None,
    board_at_mm: tuple[float, float],
) -> tuple[str, PlanRecord]:
    """Return program and plan for the next board; `board_at_mm` is where the plan's board corner lies.

    Line numbers and checksums are left out: the sender has its own. Raises `InputError` for relative positions.
    """
    rows = _unnumbered(text)
    starts = {block.first: block.deposit for block in job.blocks if block.deposit is not None}
    out: list[str] = []
    lines: dict[int, int] = {}
    witness_lines: list[tuple[int, int]] = []
    for block in job.blocks:
        if block.deposit is not None:
            if not lines and witness is not None:
                witness_lines = _put_in(out, witness, job, block)
            lines[starts[block.first] or 0] = len(out) + 1
        shift = {Part.SETTLE: strip, Part.DEPOSIT: board}.get(block.part, Shift())
        out += _moved(rows[block.first - 1 : block.last], block, job.letter, shift)
    return "\n".join(out) + "\n", _planned(plan, lines, witness, witness_lines, board, board_at_mm)


def _unnumbered(text: str) -> list[str]:
    return [wire_line(row) if _NUMBERED.match(row) else row for row in text.splitlines()]


def _moved(rows: Sequence[str], block: Block, letter: str, shift: Shift) -> list[str]:
    if shift.is_none:
        return list(rows)
    scan = Scan(letter, block.before)
    moved: list[str] = []
    spread = abs(cos(radians(shift.turn_deg))) + abs(sin(radians(shift.turn_deg)))
    for row in rows:
        line = wire_line(row)
        if line:
            scan.line(line)
        if not (line and scan.moved & {"X", "Y"}):
            moved.append(row)
            continue
        if scan.modal().absolute is False:
            raise one_error(
                "a program in relative positions (G91) cannot be moved", "Plan it with absolute positions."
            )
        x, y = shift.of(scan.place.get("X", 0.0), scan.place.get("Y", 0.0))
        line = " ".join(_WORD.sub("", line).split())
        head, _, tail = line.partition(" ")
        # A turned hop is faster along one axis: slower by as much, so that no axis goes beyond its own speed.
        if head == "G0" and spread > 1:
            tail = re.sub(r"F([\d.]+)", lambda found: f"F{number(float(found[1]) / spread)}", tail)
        moved.append(f"{head} X{number(round(x, DECIMALS))} Y{number(round(y, DECIMALS))} {tail}".rstrip())
    return moved


def _put_in(out: list[str], witness: Witness, job: Job, first: Block) -> list[tuple[int, int]]:
    """Add the witness dots' lines; returns (deposit of the sheet, its line in the result)."""
    lines: list[tuple[int, int]] = []
    rows = _unnumbered(witness.text)
    begun = False
    for block in witness.job.blocks:
        if block.part is not Part.DEPOSIT:
            continue
        if not begun:
            out += _renamed(job, block)
            begun = True
        lines.append((block.deposit or 0, len(out) + 1))
        out += _moved(rows[block.first - 1 : block.last], block, job.letter, witness.shift)
    out += _renamed(job, first)
    return lines


def _renamed(job: Job, before: Block) -> list[str]:
    """Return the line that calls the plunger's place what the lines from `before` on believe it to be."""
    place = before.before.place.get(job.letter)
    if place is None or before.before.plunger_absolute is False:
        return []
    return [f"G92 {job.letter}{number(place)}"]


def _planned(
    plan: PlanRecord,
    lines: dict[int, int],
    witness: Witness | None,
    witness_lines: Sequence[tuple[int, int]],
    board: Shift,
    board_at_mm: tuple[float, float],
) -> PlanRecord:
    replace = msgspec.structs.replace
    pads = [
        replace(pad, deposits=tuple(replace(deposit, line=lines[deposit.id]) for deposit in pad.deposits))
        for pad in plan.pads
    ]
    totals = plan.totals
    if witness is not None:
        added = _witness_pads(witness, witness_lines, max(lines) + 1, board, board_at_mm)
        volume_ul = sum(pad.planned_ul for pad in added)
        pads = [*added, *pads]
        totals = replace(
            totals,
            paste_ul=totals.paste_ul + volume_ul,
            barrel_sweep_ul=totals.barrel_sweep_ul + volume_ul,
            deposits=totals.deposits + len(added),
            pads=totals.pads + len(added),
        )
    placement = plan.placement
    if not board.is_none:
        placement = replace(placement, boards=tuple(_placed(one, board) for one in placement.boards))
    return replace(plan, pads=tuple(pads), totals=totals, placement=placement)


def _placed(one: BoardPlaceRecord, shift: Shift) -> BoardPlaceRecord:
    (a, b), (c, d) = one.matrix
    columns = [shift.of(a, c), shift.of(b, d)]
    x0, y0 = shift.x_mm, shift.y_mm
    step = StepRecord(
        what=FOUND_AGAIN,
        turn_deg=shift.turn_deg,
        mirrored=False,
        scale_x=1.0,
        scale_y=1.0,
        skew_deg=0.0,
        shift_mm=(x0, y0),
    )
    return msgspec.structs.replace(
        one,
        steps=(*one.steps, step),
        matrix=(
            (columns[0][0] - x0, columns[1][0] - x0),
            (columns[0][1] - y0, columns[1][1] - y0),
        ),
        shift_mm=shift.of(*one.shift_mm),
    )


def _witness_pads(
    witness: Witness,
    lines: Sequence[tuple[int, int]],
    first_id: int,
    board: Shift,
    board_at_mm: tuple[float, float],
) -> list[PadRecord]:
    """Return the dots as pads of the plan. The sheet's places count from the bed's corner; the board may be turned."""
    laid = {one.id: one for one in witness.job.deposits}
    back = Shift(turn_deg=-board.turn_deg)
    pads = []
    for at, (key, line) in enumerate(lines):
        x, y = laid[key].points_mm[0]
        machine = witness.shift.of(x + board_at_mm[0], y + board_at_mm[1])
        unturned = back.of(machine[0] - board.x_mm, machine[1] - board.y_mm)
        place = (unturned[0] - board_at_mm[0], unturned[1] - board_at_mm[1])
        volume_ul = laid[key].volume_ul
        pads.append(
            PadRecord(
                id=f"{WITNESS_REF}-{at + 1}",
                ref=WITNESS_REF,
                pin=str(at + 1),
                net="",
                kind=PadKind.SURFACE,
                x_mm=place[0],
                y_mm=place[1],
                area_mm2=0.0,
                target_ul=volume_ul,
                planned_ul=volume_ul,
                solder_ul=0.0,
                form=Form.DOT,
                reason="a witness dot on the card, laid before the board",
                source="witness row",
                deposits=(
                    DepositRecord(
                        id=first_id + at,
                        kind=laid[key].kind,
                        points_mm=(place,),
                        volume_ul=volume_ul,
                        total_ul=volume_ul,
                        width_mm=laid[key].width_mm,
                        height_mm=0.0,
                        line=line,
                    ),
                ),
                warnings=(),
            )
        )
    return pads


def rigid(
    nominal: Sequence[tuple[float, float]], found: Sequence[tuple[float, float]]
) -> tuple[Shift, float]:
    """Return the turn and way from two or more nominal places to where they were found, and the largest residual [mm].

    Least squares of a rigid map in the plane: turn = arg Σ conj(w)·z about the means, w nominal, z found.
    """
    if len(nominal) < 2 or len(nominal) != len(found):
        raise ValueError("two places at least, each found once")
    w = [complex(*place) for place in nominal]
    z = [complex(*place) for place in found]
    w0, z0 = sum(w) / len(w), sum(z) / len(z)
    product = sum((a - w0).conjugate() * (b - z0) for a, b in zip(w, z, strict=True))
    if abs(product) == 0:
        raise one_error("the two places are one", "Find two places that lie far apart.")
    turn = product / abs(product)
    way = z0 - turn * w0
    residual_mm = max(
        hypot((turn * a + way - b).real, (turn * a + way - b).imag) for a, b in zip(w, z, strict=True)
    )
    return Shift(turn_deg=cmath.phase(turn) * 180 / cmath.pi, x_mm=way.real, y_mm=way.imag), residual_mm


def crossings(
    job: Job,
    zones_mm: Sequence[tuple[float, float, float, float, float]],
    *,
    board: Shift,
    surface_z_mm: float,
) -> list[str]:
    """Return where the tip would go through zones in which parts stand: corners and height, machine and above the board.

    A zone is (x0, y0, x1, y1, height) [mm], its corners in machine coordinates of the board as planned.
    """
    words: list[str] = []
    for block in job.blocks:
        scan = Scan(job.letter, block.before)
        at = (scan.place.get("X"), scan.place.get("Y"))
        for line in block.lines:
            words_of(line)
            scan.line(line)
            to = (scan.place.get("X"), scan.place.get("Y"))
            z_mm = scan.place.get("Z")
            if scan.moved and z_mm is not None and None not in (*at, *to):
                for zone in zones_mm:
                    top_mm = surface_z_mm + zone[4] + ZONE_CLEARANCE_MM
                    if z_mm < top_mm and _meets(at, to, zone, board):  # type: ignore[arg-type]
                        words.append(
                            f"line {line!r} goes through the zone {zone[:4]} at Z {z_mm:g}; what stands there needs"
                            f" {top_mm:g}"
                        )
            at = to
    return words


def _meets(
    at: tuple[float, float],
    to: tuple[float, float],
    zone: tuple[float, float, float, float, float],
    board: Shift,
) -> bool:
    """Tell whether a way crosses a zone: the segment cut by its four sides (Liang and Barsky's method)."""
    back = Shift(turn_deg=-board.turn_deg)
    (ax, ay), (bx, by) = (back.of(x - board.x_mm, y - board.y_mm) for x, y in (at, to))
    low, high = 0.0, 1.0
    for begin, end, least, most in ((ax, bx, zone[0], zone[2]), (ay, by, zone[1], zone[3])):
        way = end - begin
        if way == 0:
            if not least <= begin <= most:
                return False
            continue
        first, second = sorted(((least - begin) / way, (most - begin) / way))
        low, high = max(low, first), min(high, second)
    return low <= high
