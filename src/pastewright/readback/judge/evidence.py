"""Everything that the rules judge by: the text read, the axes' timeline, the barrel's run, and the ledger."""

import numpy as np
from msgspec import Struct

from pastewright.profile.model import Profile
from pastewright.readback.judge.clearance import needed_z_mm
from pastewright.readback.judge.ledger import Ledger, ledger
from pastewright.readback.judge.match import targets
from pastewright.readback.machine.barrel import BarrelBench, BarrelRun, run
from pastewright.readback.machine.timeline import Floats, MachineTimeline, timeline
from pastewright.readback.machine.visits import TipLevels, levels
from pastewright.readback.model import Expected
from pastewright.readback.placed import BoardPlace, boards_on
from pastewright.readback.text.rows import ReadProgram

STEP_ERROR = (
    1e-3  # of the smallest dose, for one step of the simulation; measured: 0.05 % of a dose in the end
)
TRACED_VISITS = 20  # enough for a picture of the pressure; own choice


class CaseFile(Struct, frozen=True, kw_only=True):
    """What a rule may look at. `needed_z_mm` is the height that each move must keep to be no work [mm, machine]."""

    profile: Profile
    expected: Expected
    reading: ReadProgram
    moves: MachineTimeline
    where: TipLevels
    bench: BarrelBench
    paste: BarrelRun
    ledger: Ledger
    boards: tuple[BoardPlace, ...]
    travel_z_mm: float
    needed_z_mm: Floats


def tolerance_ul(expected: Expected) -> float:
    """Return the error allowed to one step of the simulation [µL]."""
    smallest = min((deposit.volume_ul for deposit in expected.deposits), default=1.0)
    return STEP_ERROR * max(smallest, 1e-4)


def paste_run(
    bench: BarrelBench,
    moves: MachineTimeline,
    expected: Expected,
    *,
    rows: int | None = None,
    start_kpa: float = 0.0,
    slack_mm: float | None = None,
    trace_rows: int = 0,
) -> BarrelRun:
    """Return the simulation of the first `rows` rows (all by default)."""
    count = len(moves) if rows is None else rows
    return run(
        bench,
        plunger_mm=moves.plunger_mm[: count + 1],
        duration_s=moves.duration_s[:count],
        ramp_s=moves.ramp_s[:count],
        tolerance_ul=tolerance_ul(expected),
        start_kpa=start_kpa,
        slack_mm=slack_mm,
        trace_rows=trace_rows,
    )


def travel_z_mm(boards: tuple[BoardPlace, ...], expected: Expected, profile: Profile) -> float:
    """Return the height of travels [mm, machine]: the clearance above bed, highest place pasted, and boards beside."""
    highest = profile.bed.board_z_mm
    for number, board in enumerate(boards):
        points = [
            point
            for deposit in expected.deposits
            if deposit.board == number and not deposit.on_card
            for point in deposit.points_mm
        ]
        highest = max(highest, board.highest_mm(np.array(points, dtype=np.float64).reshape(-1, 2)))
    highest = max(
        [highest, *(other.highest_mm for other in expected.tray.neighbours if other.highest_mm is not None)]
    )
    return highest + profile.bed.clearance_mm


def gather(reading: ReadProgram, expected: Expected, profile: Profile, bench: BarrelBench) -> CaseFile:
    """Return the evidence of one program on one bench."""
    moves = timeline(reading.table, reading.arcs, profile)
    boards = boards_on(expected.tray, profile.bed)
    travel = travel_z_mm(boards, expected, profile)
    wanted = targets(expected, profile.bed)
    needed = needed_z_mm(moves, wanted, expected, boards, profile, travel_z_mm=travel)
    where = levels(moves, needed_z_mm=needed)
    traced = int(where.stops[:TRACED_VISITS][-1]) + 1 if len(where.stops) else 0
    paste = paste_run(bench, moves, expected, trace_rows=traced)
    book = ledger(moves, where, np.maximum(paste.out_ul, 0.0), paste.peak_kpa, expected, profile)
    return CaseFile(
        profile=profile,
        expected=expected,
        reading=reading,
        moves=moves,
        where=where,
        bench=bench,
        paste=paste,
        ledger=book,
        boards=boards,
        travel_z_mm=travel,
        needed_z_mm=needed,
    )
