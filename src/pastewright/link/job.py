"""Text of a program and its plan to a `ProgramJob`: blocks of lines in the order they are sent, one per deposit.

    setup     modes and settings, before anything moves
    settle    raising the tip, the settling strip
    deposit   from the line that plan.json names to the one before the next deposit's
    end       after the last lift: park, motors

Every line of the text belongs to exactly one block. A block knows the modes in force before it, so that a run may
begin with it (`chosen`): modes and the plunger's position are restated by words that move nothing.
"""

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from pastewright.link.words import (
    Modal,
    Scan,
    UnreadableError,
    rows_of,
    wire_line,
    words_of,
)
from pastewright.problems import InputError, Problem, one_error
from pastewright.records.kinds import DepositKind, DialectName, Side
from pastewright.records.placement import BoardPlaceRecord
from pastewright.records.plan import MEND, PlanRecord
from pastewright.records.thrown import trip_name

LONGEST_MM = 1000.0
"""No bed of a bench is longer (own choice): what a slope comes to at most."""


class ProgramPart(StrEnum):
    """What a block of lines is for."""

    SETUP = "setup"
    SETTLE = "settle"
    DEPOSIT = "deposit"
    END = "end"


@dataclass(frozen=True, slots=True, kw_only=True)
class ProgramBlock:
    """Lines `first` to `last` of the program (1-based, both included), as they go out, and the modes around them."""

    part: ProgramPart
    first: int
    last: int
    lines: tuple[str, ...]
    deposit: int | None
    before: Modal
    after: Modal


@dataclass(frozen=True, slots=True, kw_only=True)
class Laid:
    """What a deposit is, for people: its pads, place [mm, board] and volume. What is thrown away on the card has no pad, but
    a name in its place (`records.thrown.is_trip`).
    """

    id: int
    kind: DepositKind
    pads: tuple[str, ...]
    points_mm: tuple[tuple[float, float], ...]
    volume_ul: float
    width_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ProgramJob:
    """A program ready to be sent. `deposits` are in the order of the program."""

    sha256: str
    board: str
    side: Side
    size_mm: tuple[float, float]
    dialect: DialectName
    letter: str
    dry: bool
    paste: str
    machine_s: float
    paste_ul: float
    strip_ul: float
    blocks: tuple[ProgramBlock, ...]
    deposits: tuple[Laid, ...]
    path_sha256: str = ""
    """Name of the way that the tip goes over board and machine, whatever its height and the plunger do."""
    corner_mm: tuple[float, float] | None = None
    """Where the lower left corner of the (first) board lies by its plan [mm, machine]; None: where the profile has it."""
    walked: bool = False
    """Whether ways lead round something that no height is known to clear: places left out are then gone by, in the air."""

    @property
    def pads(self) -> tuple[str, ...]:
        """Every pad that gets paste, in the order it gets it first."""
        return tuple(dict.fromkeys(pad for laid in self.deposits for pad in laid.pads))

    @property
    def strip_mm(self) -> tuple[float, float] | None:
        """Where the settling strip begins [mm], None where the program has none."""
        for block in self.blocks:
            if block.part is ProgramPart.SETTLE:
                scan = Scan(self.letter, block.before)
                for line in block.lines:
                    scan.line(line)
                    if {"X", "Y"} <= scan.place.keys():
                        return scan.place["X"], scan.place["Y"]
        return None

    @property
    def own_mode(self) -> bool:
        """Whether M82 and M83 rule the plunger's words."""
        return self.letter == "E"


def job_sha256(text: str) -> str:
    """Return the name of a program: the SHA-256 of its text."""
    return hashlib.sha256(text.encode()).hexdigest()


def read_job(text: str, plan: PlanRecord, *, file: str = "", plan_file: str = "") -> ProgramJob:
    """Return the job of a program and its plan; raises `InputError` naming every line that does not fit."""
    laid, first_lines = _deposits(plan, plan_file)
    rows = rows_of(text)
    starts = starts_of(first_lines, rows, file)
    letter = plan.profile.plunger_letter
    return ProgramJob(
        sha256=job_sha256(text),
        board=plan.board.name,
        side=plan.board.side,
        size_mm=plan.board.size_mm,
        dialect=plan.profile.dialect,
        letter=letter,
        dry=plan.dry,
        paste=plan.profile.paste,
        machine_s=plan.totals.machine_s,
        paste_ul=(paste_ul := plan.totals.paste_ul + plan.totals.thrown_ul),
        strip_ul=max(plan.totals.barrel_sweep_ul - paste_ul, 0.0),
        blocks=(blocks := blocks_of(rows, starts, letter, file)),
        path_sha256=path_sha256_of(blocks, letter),
        deposits=tuple(laid[deposit] for _, deposit in starts),
        corner_mm=plan.placement.boards[0].shift_mm,
        walked=_leads_round(plan, raised(blocks, letter)[1]),
    )


def _leads_round(plan: PlanRecord, full_mm: float) -> bool:
    """Whether a zone of the plan stands higher than the program ever goes by itself, or has no top at all."""
    others = [one.highest_mm for one in plan.placement.neighbours if one.highest_mm is not None]
    highest = max([*map(_highest_mm, plan.placement.boards), *others])
    return any(zone.height_mm is None or highest + zone.height_mm > full_mm for zone in plan.placement.zones)


def _highest_mm(board: BoardPlaceRecord) -> float:
    """No place of a board is higher than this [mm]: the plane's slopes over the longest way that a bed has, and the bow."""
    ground = board.surface
    bow_mm = max((dz for row in ground.mesh.dz_mm for dz in row), default=0.0) if ground.mesh else 0.0
    return ground.z_mm + (abs(ground.slope_x) + abs(ground.slope_y)) * LONGEST_MM + bow_mm


def path_sha256_of(blocks: Sequence[ProgramBlock], letter: str) -> str:
    """Return the SHA-256 of the places in X and Y that the deposits' lines go to [mm]: dry or not, they are the same."""
    places = hashlib.sha256()
    for block in blocks:
        if block.part is not ProgramPart.DEPOSIT:
            continue
        scan = Scan(letter, block.before)
        last: tuple[float, float] | None = None
        for line in block.lines:
            scan.line(line)
            here = (scan.place.get("X", 0.0), scan.place.get("Y", 0.0))
            if scan.moved & {"X", "Y"} and here != last:
                places.update(f"{here[0]:.3f} {here[1]:.3f}\n".encode())
                last = here
    return places.hexdigest()


def _deposits(plan: PlanRecord, plan_file: str) -> tuple[dict[int, Laid], dict[int, int]]:
    """Return deposits by id and their first lines; a bead across several pads appears once, with all of them."""
    laid: dict[int, Laid] = {}
    first_lines: dict[int, int] = {}
    for pad in plan.pads:
        for row in pad.deposits:
            if row.id in laid:
                laid[row.id] = replace(laid[row.id], pads=(*laid[row.id].pads, pad.id))
                continue
            first_lines[row.id] = row.line
            laid[row.id] = Laid(
                id=row.id,
                kind=row.kind,
                pads=(pad.id,),
                points_mm=row.points_mm,
                volume_ul=row.total_ul,
                width_mm=row.width_mm,
            )
    if not laid:
        raise one_error("this plan has no deposits", MEND, file=plan_file)
    for number, trip in enumerate(plan.thrown, start=1):
        if trip.id in laid:
            raise one_error(f"{trip_name(number)} has the number of a deposit", MEND, file=plan_file)
        first_lines[trip.id] = trip.line
        laid[trip.id] = Laid(
            id=trip.id,
            kind=DepositKind.DOT,
            pads=(trip_name(number),),
            points_mm=(on_board(trip.at_mm, plan.placement.boards[0]),),
            volume_ul=trip.total_ul,
            width_mm=trip.width_mm,
        )
    return laid, first_lines


def on_board(at_mm: tuple[float, float], board: BoardPlaceRecord) -> tuple[float, float]:
    """Return a place of the machine in coordinates of a board [mm]."""
    (xx, xy), (yx, yy) = board.matrix
    x, y = at_mm[0] - board.shift_mm[0], at_mm[1] - board.shift_mm[1]
    determinant = xx * yy - xy * yx
    return (yy * x - xy * y) / determinant, (xx * y - yx * x) / determinant


def starts_of(first_lines: Mapping[int, int], rows: Sequence[str], file: str) -> list[tuple[int, int]]:
    """Return (first line, deposit) in program order; raises `InputError` for lines that the program does not have."""
    wrong = [
        Problem(
            what=f"the plan has deposit {deposit} begin at line {line}, but the program has {len(rows)} lines"
            if line > 0
            else f"the plan does not say at which line deposit {deposit} begins",
            mend="Program and plan.json must come from the same `pastewright plan`.",
            file=file,
        )
        for deposit, line in first_lines.items()
        if not 0 < line <= len(rows)
    ]
    seen: dict[int, int] = {}
    for deposit, line in first_lines.items():
        if line in seen and 0 < line <= len(rows):
            wrong.append(
                Problem(
                    what=f"the plan has deposits {seen[line]} and {deposit} begin at the same line",
                    mend="Program and plan.json must come from the same `pastewright plan`.",
                    file=file,
                    line=line,
                )
            )
        seen[line] = deposit
    if wrong:
        raise InputError(wrong[:20])
    return sorted((line, deposit) for deposit, line in first_lines.items())


def blocks_of(
    rows: Sequence[str], starts: Sequence[tuple[int, int]], letter: str, file: str
) -> tuple[ProgramBlock, ...]:
    """Return the blocks of a program's lines, of which `starts` says where which deposit begins (lines are 1-based)."""
    wire = [wire_line(row) for row in rows]
    problems: list[Problem] = []
    scan = Scan(letter)
    cuts: list[tuple[int, ProgramPart, int | None]] = [
        (line, ProgramPart.DEPOSIT, deposit) for line, deposit in starts
    ]
    settle = _first_move(wire, cuts[0][0], letter)
    cuts = [(1, ProgramPart.SETUP, None), *([(settle, ProgramPart.SETTLE, None)] if settle else []), *cuts]
    end = _end(wire, cuts[-1][0], letter)
    if end is not None:
        cuts.append((end, ProgramPart.END, None))
    blocks: list[ProgramBlock] = []
    for index, (first, part, deposit) in enumerate(cuts):
        last = cuts[index + 1][0] - 1 if index + 1 < len(cuts) else len(rows)
        before = scan.modal()
        for at in range(first - 1, last):
            try:
                if wire[at]:
                    scan.line(wire[at])
                    _keeps_names(wire[at])
            except UnreadableError as error:
                problems.append(
                    Problem(
                        what=f"this line cannot be followed: {error}",
                        mend="Programs that are run line by line need plain numbers and straight moves.",
                        file=file,
                        line=at + 1,
                    )
                )
        blocks.append(
            ProgramBlock(
                part=part,
                first=first,
                last=last,
                lines=tuple(line for line in wire[first - 1 : last] if line),
                deposit=deposit,
                before=before,
                after=scan.modal(),
            )
        )
    if problems:
        raise InputError(problems[:20])
    return tuple(blocks)


def _keeps_names(line: str) -> None:
    """Raise `UnreadableError` for a line after which places of X, Y and Z have other numbers.

    G92.1 takes back what none of them gave. The program as a whole may be right; begun at a later deposit, or lifted into
    the air line by line, it would not be.
    """
    words = words_of(line)
    codes = {value for name, value in words if name == "G"}
    renames = codes & {92.2, 92.3, 10.0, 52.0, 53.0}
    if 92.0 in codes:
        named = {name for name, _ in words} - {"G", "N"}
        renames = renames or ({92.0} if not named or named & {"X", "Y", "Z"} else set())
    if renames:
        raise UnreadableError(f"G{min(renames):g} gives the places of X, Y and Z other numbers")


def _first_move(wire: Sequence[str], until: int, letter: str) -> int | None:
    """Return the first line (1-based) before `until` that moves an axis or the plunger, None if none does."""
    scan = Scan(letter)
    for at, line in enumerate(wire[: until - 1], start=1):
        if not line:
            continue
        try:
            scan.line(line)
        except UnreadableError:
            return at
        if scan.moved:
            return at
    return None


def _end(wire: Sequence[str], start: int, letter: str) -> int | None:
    """Return the line (1-based) after the last deposit's lift, None where nothing follows it.

    In a program that never lowers the tip (a dry one) it is the last move in X or Y after the deposit's own.
    """
    scan, lifts, hops = Scan(letter), [], []
    scan.line("G1")  # the last deposit's lines may rely on the motion word of an earlier one
    for at, line in enumerate(wire[start - 1 :], start=start):
        try:
            if line:
                scan.line(line)
        except UnreadableError:
            continue
        if not line or not scan.moved:
            continue
        if scan.moved & {"Z"}:
            lifts.append(at)
        elif scan.moved & {"X", "Y"}:
            hops.append(at)
    if lifts:
        after = lifts[-1] + 1
        return after if after <= len(wire) and any(wire[after - 1 :]) else None
    return hops[-1] if len(hops) > 1 else None


def raised(blocks: Sequence[ProgramBlock], letter: str) -> tuple[str, float]:
    """Return the line that raises the tip to full height, and that height [mm]; "" without one."""
    for block in blocks:
        if block.part is not ProgramPart.SETTLE:
            continue
        scan = Scan(letter, block.before)
        for line in block.lines:
            scan.line(line)
            if scan.moved == {"Z"}:
                return line, scan.place["Z"]
    return "", 0.0
