"""A verified program made to fit the next board: strip at a fresh place, witness dots before it, board found again.

    settle      every X and Y of the strip moved by the way to the fresh place, and of what is thrown away in line with it
    witness     strokes of another program with a strip of its own, which takes the place of the board's
    deposits    every X and Y turned and shifted with the board
    trips       to the card and back by the place on the first row, where the program's own ways lead round zones

Nothing of a stroke changes but where it is. The result is a program and a plan like any other: it is read back before
it is sent, and has a name of its own in the journal.
"""

import cmath
import re
from collections.abc import Sequence
from dataclasses import dataclass
from math import cos, hypot, radians, sin

import msgspec

from pastewright.link.job import ProgramBlock, ProgramJob, ProgramPart, on_board, raised
from pastewright.link.left_out import let_down
from pastewright.link.words import Scan, number, rows_of, wire_line
from pastewright.problems import one_error
from pastewright.records.kinds import Form, PadKind
from pastewright.records.placement import BoardPlaceRecord, StepRecord, StripRecord
from pastewright.records.plan import ROW_ON_CARD, DepositRecord, PadRecord, PlanRecord

DECIMALS = 4
"""Of a place [mm]: a tenth of what any controller resolves."""
WITNESS_REF = "witness"
SETTLING = "settling strip"
FOUND_AGAIN = "found again at the machine"
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
    """Dots to be laid on the card before the board: a sheet's job and text, and the way from there to the card.

    `strip_mm` is how long its strip is, `strip_ul` what it takes [µL]. It is laid in
    place of the board's, which settles no more than the board's own first deposits need: too little for dots this small.
    """

    job: ProgramJob
    text: str
    shift: Shift
    strip_mm: float
    strip_ul: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Ways:
    """Where strip and board come to lie; `board_at_mm` is the bed's corner, from which sheets count [mm, machine]."""

    strip: Shift
    board: Shift
    board_at_mm: tuple[float, float]


def woven(
    text: str,
    plan: PlanRecord,
    job: ProgramJob,
    *,
    strip: Shift,
    board: Shift,
    witness: Witness | None,
    board_at_mm: tuple[float, float],
    speed_xy_mm_s: float,
) -> tuple[str, PlanRecord]:
    """Return program and plan for the next board; `board_at_mm` is the corner of the bed.

    A hop whose ends were moved apart goes no faster than one axis alone may (`speed_xy_mm_s`). Line numbers and
    checksums are left out: the sender has its own. Raises `InputError` for relative positions.
    """
    rows = _unnumbered(text)
    starts = {block.first: block.deposit for block in job.blocks if block.deposit is not None}
    out: list[str] = []
    lines: dict[int, int] = {}
    witness_lines: list[tuple[int, int]] = []
    trips, was_on_card = {trip.id for trip in plan.thrown}, False
    for block in job.blocks:
        if witness is not None and not lines and block.part is ProgramPart.SETTLE:
            continue  # the witness brings its own
        if block.deposit is not None:
            if not lines and witness is not None:
                witness_lines = _put_in(out, witness, job, block, speed_xy_mm_s)
            lines[starts[block.first] or 0] = len(out) + 1
        on_card = block.part is ProgramPart.SETTLE or block.deposit in trips
        shift = strip if on_card else board if block.part is ProgramPart.DEPOSIT else Shift()
        own = rows[block.first - 1 : block.last]
        moved = _moved(own, block, job.letter, shift)
        if job.walked and not strip.is_none:
            if block.deposit in trips:
                moved = _by_first_row(own, moved, block, job.letter)
            elif was_on_card and lines and len(lines) > 1:
                moved = [*_back(block, moved), *moved]
        first = block.deposit is not None and len(lines) == 1
        if first and witness is not None:
            moved = let_down(moved, block.before, job.letter, *raised(witness.job.blocks, job.letter))
        if first and job.walked and not (witness is None and strip.is_none):
            moved = [*_back(block, moved), *moved]
        # The way to the first deposit, to the card and back, and to the park place has other ends now.
        out += (
            _slowed(moved, speed_xy_mm_s)
            if first or was_on_card or on_card or block.deposit is None
            else moved
        )
        was_on_card = on_card
    ways = Ways(strip=strip, board=board, board_at_mm=board_at_mm)
    return "\n".join(out) + "\n", _planned(plan, lines, witness, witness_lines, ways)


def _unnumbered(text: str) -> list[str]:
    return [wire_line(row) if _NUMBERED.match(row) else row for row in rows_of(text)]


def _moved(rows: Sequence[str], block: ProgramBlock, letter: str, shift: Shift) -> list[str]:
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


def _back(first: ProgramBlock, moved: Sequence[str]) -> list[str]:
    """Return the hop to where the program's own way to its first deposit begins: only from there it leads round zones."""
    place = first.before.place
    if not {"X", "Y"} <= set(place):
        return []
    feed = re.match(r"G0\b[^;(]*?(F[\d.]+)", moved[0]) if moved else None
    at = f"G0 X{number(round(place['X'], DECIMALS))} Y{number(round(place['Y'], DECIMALS))}"
    return [f"{at} {feed[1]}" if feed else at]


def _by_first_row(own: Sequence[str], moved: Sequence[str], block: ProgramBlock, letter: str) -> list[str]:
    """Return a trip's rows with the program's own way to its place on the first row, a hop along the card from there to the
    place that it has now, and the rest as moved.
    """
    scan, end, low = Scan(letter, block.before), 0, False
    for at, row in enumerate(own):
        if line := wire_line(row):
            scan.line(line)
        low = low or bool(scan.moved & {"Z", letter})
        if not low and scan.moved & {"X", "Y"}:
            end = at + 1
    return [*own[:end], *moved[max(end - 1, 0) :]]


def _slowed(rows: Sequence[str], speed_mm_s: float) -> list[str]:
    """Return rows whose hops go no faster than a speed: their ends were moved, and with them their direction."""

    def slower(found: re.Match[str]) -> str:
        return f"{found[1]}F{number(min(float(found[2]), 60 * speed_mm_s))}"

    return [re.sub(r"^(G0\b[^;(]*?)F([\d.]+)", slower, row) for row in rows]


def _put_in(
    out: list[str], witness: Witness, job: ProgramJob, first: ProgramBlock, speed_mm_s: float
) -> list[tuple[int, int]]:
    """Add the lines of the witness's strip and dots; returns (deposit of the sheet, its line in the result)."""
    lines: list[tuple[int, int]] = []
    rows = _unnumbered(witness.text)
    begun = False
    for block in witness.job.blocks:
        if block.part not in (ProgramPart.SETTLE, ProgramPart.DEPOSIT):
            continue
        if not begun:
            if block.part is ProgramPart.SETTLE and out and SETTLING in out[-1]:
                out[-1] = rows[block.first - 2]  # the heading tells how much it takes
            out += _renamed(job, block)
            begun = True
        if block.part is ProgramPart.DEPOSIT:
            lines.append((block.deposit or 0, len(out) + 1))
        moved = _moved(rows[block.first - 1 : block.last], block, job.letter, witness.shift)
        out += moved if len(lines) > 1 else _slowed(moved, speed_mm_s)
    out += _renamed(job, first)
    return lines


def _renamed(job: ProgramJob, before: ProgramBlock) -> list[str]:
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
    ways: Ways,
) -> PlanRecord:
    replace = msgspec.structs.replace
    strip, board = ways.strip, ways.board
    pads = [
        replace(pad, deposits=tuple(replace(deposit, line=lines[deposit.id]) for deposit in pad.deposits))
        for pad in plan.pads
    ]
    placement = replace(
        plan.placement,
        boards=plan.placement.boards
        if board.is_none
        else tuple(_placed(one, board) for one in plan.placement.boards),
        strips=tuple(
            replace(one, from_mm=strip.of(*one.from_mm), to_mm=strip.of(*_strip_end(one, at, witness)))
            for at, one in enumerate(plan.placement.strips)
        ),
    )
    thrown = tuple(replace(trip, at_mm=strip.of(*trip.at_mm), line=lines[trip.id]) for trip in plan.thrown)
    totals = plan.totals
    if witness is not None:
        added = _witness_pads(witness, witness_lines, max(lines) + 1, placement.boards[0], ways.board_at_mm)
        volume_ul = sum(pad.planned_ul for pad in added)
        pads = [*added, *pads]
        more_ul = witness.strip_ul - totals.strip_ul / max(len(placement.strips), 1)
        totals = replace(
            totals,
            paste_ul=totals.paste_ul + volume_ul,
            strip_ul=totals.strip_ul + more_ul,
            barrel_sweep_ul=totals.barrel_sweep_ul + volume_ul + more_ul,
            deposits=totals.deposits + len(added),
            pads=totals.pads + len(added),
        )
    return replace(plan, pads=tuple(pads), totals=totals, placement=placement, thrown=thrown)


def _strip_end(one: StripRecord, at: int, witness: Witness | None) -> tuple[float, float]:
    if witness is None or at > 0:
        return one.to_mm
    return one.from_mm[0] + witness.strip_mm, one.from_mm[1]


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
    board: BoardPlaceRecord,
    corner_mm: tuple[float, float],
) -> list[PadRecord]:
    """Return the dots as pads of the plan, in coordinates of its board. The sheet's places count from the bed's corner."""
    laid = {one.id: one for one in witness.job.deposits}
    pads = []
    for at, (key, line) in enumerate(lines):
        x, y = laid[key].points_mm[0]
        place = on_board(witness.shift.of(x + corner_mm[0], y + corner_mm[1]), board)
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
                source=ROW_ON_CARD,
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
