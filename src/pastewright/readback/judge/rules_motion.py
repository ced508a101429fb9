"""Rules about the axes: heights, limits, speeds, waits, the end. Each returns its findings and knows no other."""

from collections.abc import Callable, Iterator
from math import isnan

import numpy as np

from pastewright.readback.judge.cap import height_mm
from pastewright.readback.judge.evidence import CaseFile
from pastewright.readback.judge.match import near_wipe
from pastewright.readback.machine.visits import HEIGHT_GRAIN_MM, TipVisit
from pastewright.readback.model import Finding, FindingKind
from pastewright.readback.placed import BoardPlace
from pastewright.readback.text.controller import DWELL

SPEED_MARGIN = 1.01  # F is written with few digits
LEAST_STANDOFF_MM = 0.02  # below it the tip ploughs; common practice
STANDOFF_GRAIN_MM = 0.005  # half of the 0.01 mm that controllers with two decimals place to
PARK_MM = 0.05  # programs are written to 0.01 mm at worst; the tip is parked, not aimed
BESIDE_MM = 3.0  # so near to a board its height is taken, not the bed's
WAIT_S = 2.0  # longest believable wait at a deposit; longer is seconds taken for milliseconds
WAIT_DWELLS = 20.0  # the same, in dwells of the profile
STRIP_WAIT_S = 60.0  # and on the settling strip, or anywhere else
AXIS_NAMES = ("X", "Y", "Z", "the plunger")


def sideways_below_travel(seen: CaseFile) -> Iterator[Finding]:
    """No move sideways lower than what stands below it asks for, but along an expected bead or on the settling strip."""
    moves = seen.moves
    for visit in seen.ledger.sideways:
        rows = np.arange(visit.first, visit.last + 1)
        low = rows[seen.where.sideways[rows] & seen.where.low[rows]]
        row = int(low[0]) if len(low) else visit.first
        z = np.fmin(moves.start_mm[row, 2], moves.end_mm[row, 2])
        needed = seen.needed_z_mm[row]
        full = needed >= seen.travel_z_mm - HEIGHT_GRAIN_MM
        what = (
            f"the tip moves sideways at Z {z:.3f} mm, below the"
            + (" travel height of" if full else " height that the paste and the board under it ask for,")
            + f" {needed:.3f} mm, from {_place(moves.start_mm[row, :2].tolist())}"
            f" to {_place(moves.end_mm[row, :2].tolist())}, and follows no bead"
        )
        yield Finding(kind=FindingKind.LOW_TRAVEL, what=what, line=int(moves.line[row]))


def lowered_for_nothing(seen: CaseFile) -> Iterator[Finding]:
    """The tip goes down only where a deposit is expected, or on the settling strip."""
    for visit in seen.ledger.idle:
        what = f"the tip goes down to Z {visit.low_mm:.3f} mm at {_place(visit.path_mm[0])}, where nothing is to be laid"
        yield Finding(kind=FindingKind.LOW_TRAVEL, what=what, line=visit.line)


def above_the_board(seen: CaseFile) -> Iterator[Finding]:
    """The tip never touches a board, nor goes below the bed's height beside one, but on a wiping pad."""
    wiped = seen.expected.tray.wipe
    z = seen.moves.end_mm[:, 2]
    ground = np.full(len(z), seen.profile.bed.board_z_mm)
    for margin_mm in (BESIDE_MM, 0.0):  # what is above a board counts more than what is beside another
        for board in seen.boards:
            if not board.on_bed:
                over = board.beneath(seen.moves.end_mm[:, :2], margin_mm=margin_mm)
                ground[over] = board.ground.heights_mm(seen.moves.end_mm[over, :2])
    for row in np.flatnonzero(z < ground).tolist():
        place = seen.moves.end_mm[row, :2]
        if wiped is not None and z[row] >= wiped.z_mm - HEIGHT_GRAIN_MM and near_wipe(place, wiped):
            continue
        what = f"Z {z[row]:.3f} mm is below the board at {ground[row]:.3f} mm: the tip crashes"
        yield Finding(kind=FindingKind.STANDOFF, what=what, line=int(seen.moves.line[row]))


def standoffs(seen: CaseFile) -> Iterator[Finding]:
    """Paste leaves the tip at a height from which it can reach the board and does not get ploughed."""
    bed, bore = seen.profile.bed, seen.profile.tip.bore_mm
    for index, visits in enumerate(seen.ledger.laid):
        deposit = seen.expected.deposits[index]
        board = seen.boards[deposit.board]
        highest = max(bore, height_mm(deposit, seen.profile.tuning)) + STANDOFF_GRAIN_MM
        for visit in visits:
            if deposit.on_card or board.ground.level:
                ground_mm = bed.board_z_mm if deposit.on_card else board.ground.z_mm
                low, high = visit.low_mm - ground_mm, visit.high_mm - ground_mm
            else:
                low, high = _gaps(visit, board, seen)
            yield from _standoff(visit, low, high, highest, deposit.pad_ids)
    for visit in seen.ledger.strip:
        low, high = visit.low_mm - bed.board_z_mm, visit.high_mm - bed.board_z_mm
        yield from _standoff(visit, low, high, max(2 * bore, 1.0), ())


def _gaps(visit: TipVisit, board: BoardPlace, seen: CaseFile) -> tuple[float, float]:
    """Return the least and greatest gap to a board that is not level: at the ends of each move, and half way."""
    rows = slice(visit.first, visit.last + 1)
    work = ~seen.where.lift[rows]
    ends = seen.moves.end_mm[rows][work]
    sideways = seen.where.sideways[rows][work]
    starts = seen.moves.start_mm[rows][work]
    places = np.concatenate([ends, ((starts + ends) / 2)[sideways]])
    if not len(places):
        places = seen.moves.end_mm[rows]
    gaps = places[:, 2] - board.ground.heights_mm(places[:, :2])
    return float(gaps.min()), float(gaps.max())


def _standoff(
    visit: TipVisit, low: float, high: float, highest_mm: float, pads: tuple[str, ...]
) -> Iterator[Finding]:
    if not low >= LEAST_STANDOFF_MM - HEIGHT_GRAIN_MM:  # also when the height is unknown
        off, limit = low, f"less than {LEAST_STANDOFF_MM:.2f} mm: the tip ploughs"
    elif high > highest_mm:
        off, limit = high, f"more than {highest_mm:.3f} mm: the paste does not reach the board"
    else:
        return
    yield Finding(
        kind=FindingKind.STANDOFF,
        what=f"the standoff is {off:.3f} mm, {limit}",
        line=visit.line,
        pad_id=pads[0] if pads else "",
    )


def within_limits(seen: CaseFile) -> Iterator[Finding]:
    """Every place that the axes go to lies within their travel; on an arc, every place between as well."""
    machine = seen.profile.machine
    least = np.array([machine.x_min_mm, machine.y_min_mm, machine.z_min_mm]) - HEIGHT_GRAIN_MM
    most = np.array([machine.x_max_mm, machine.y_max_mm, machine.z_max_mm]) + HEIGHT_GRAIN_MM
    ends = seen.moves.end_mm.copy()
    for row, arc in seen.moves.arcs.items():
        points = np.array(arc.points_mm)
        for far in (points.min(axis=0), points.max(axis=0)):
            beyond = (far < least) | (far > most)
            ends[row, beyond] = far[beyond]
    moved = np.ones(ends.shape, dtype=np.bool_)
    moved[1:] = ends[1:] != ends[:-1]
    for row, axis in np.argwhere(((ends < least) | (ends > most)) & moved).tolist():
        yield Finding(
            kind=FindingKind.LIMITS,
            what=f"{AXIS_NAMES[axis]} goes to {ends[row, axis]:.3f} mm; its travel is"
            f" {least[axis] + HEIGHT_GRAIN_MM:g} to {most[axis] - HEIGHT_GRAIN_MM:g} mm",
            line=int(seen.moves.line[row]),
        )


def within_speeds(seen: CaseFile) -> Iterator[Finding]:
    """Nothing is asked to go faster than its axis can; a controller would slow the whole move down, or stall."""
    machine, drive = seen.profile.machine, seen.profile.plunger
    limits = (machine.speed_xy_mm_s, machine.speed_xy_mm_s, machine.speed_z_mm_s, drive.speed_mm_s)
    for row, axis in np.argwhere(seen.moves.over > SPEED_MARGIN).tolist():
        asked = seen.moves.over[row, axis] * limits[axis]
        yield Finding(
            kind=FindingKind.SPEED,
            what=f"{AXIS_NAMES[axis]} is asked for {asked:.4g} mm/s; its limit is {limits[axis]:g} mm/s",
            line=int(seen.moves.line[row]),
        )


def waits(seen: CaseFile) -> Iterator[Finding]:
    """No wait is far longer than deposits need: seconds and milliseconds are easily taken for each other."""
    moves = seen.moves
    dwell = moves.kind == DWELL
    at_strip = np.zeros(len(moves), dtype=np.bool_)
    for visit in seen.ledger.strip:
        at_strip[visit.first : visit.last + 1] = True
    low = max(WAIT_S, WAIT_DWELLS * seen.profile.tuning.dwell_s)
    limit = np.where(seen.where.low & ~at_strip, low, max(STRIP_WAIT_S, low))
    for row in np.flatnonzero(dwell & (moves.duration_s > limit)).tolist():
        yield Finding(
            kind=FindingKind.DWELL,
            what=f"a wait of {moves.duration_s[row]:g} s; more than {limit[row]:g} s is not believable here"
            " (seconds where milliseconds were meant?)",
            line=int(moves.line[row]),
        )


def known_place_first(seen: CaseFile) -> Iterator[Finding]:
    """The first thing to move is Z, up to the travel height; until then nothing is known to be clear."""
    moves = seen.moves
    shift = moves.end_mm != moves.start_mm  # not-a-number differs from itself
    shift &= ~np.isnan(moves.end_mm)
    blind = np.isnan(moves.end_mm[:, 2]) & (shift[:, 0] | shift[:, 1])
    for row in np.flatnonzero(blind).tolist():
        yield Finding(
            kind=FindingKind.LOW_TRAVEL,
            what="the tip moves sideways before its height is stated; raise Z first",
            line=int(moves.line[row]),
        )
    lost = np.isnan(moves.end_mm[:, :2]).any(axis=1) & seen.where.low & ~np.isnan(moves.end_mm[:, 2])
    if lost.any():
        yield Finding(
            kind=FindingKind.LOW_TRAVEL,
            what="the tip goes down before X and Y are stated: it comes down wherever it happens to stand",
            line=int(moves.line[int(lost.argmax())]),
        )
    first = np.flatnonzero(shift.any(axis=1))
    if len(first) and not blind[first[0]]:
        row = int(first[0])
        z = moves.end_mm[row, 2]
        if shift[row, 0] or shift[row, 1] or z < seen.travel_z_mm - HEIGHT_GRAIN_MM:
            yield Finding(
                kind=FindingKind.LOW_TRAVEL,
                what=f"the first move must be Z alone, to the travel height of {seen.travel_z_mm:.3f} mm",
                line=int(moves.line[row]),
            )


def ends_parked(seen: CaseFile) -> Iterator[Finding]:
    """The program ends with the tip up and over the park place; one that was cut off does not."""
    bed = seen.profile.bed
    park = seen.expected.tray.park_mm or (bed.park_x_mm, bed.park_y_mm)
    if not len(seen.moves):
        yield Finding(kind=FindingKind.END, what="the program moves nothing")
        return
    x, y, z = seen.moves.end_mm[-1].tolist()
    line = int(seen.moves.line[-1])
    if isnan(z) or z < seen.travel_z_mm - HEIGHT_GRAIN_MM:
        yield Finding(
            kind=FindingKind.END, what=f"the program ends with the tip down, at Z {z:.3f} mm", line=line
        )
    if not (abs(x - park[0]) <= PARK_MM and abs(y - park[1]) <= PARK_MM):
        yield Finding(
            kind=FindingKind.END,
            what=f"the program ends at {_place((x, y))}, not over the park place {_place(park)}",
            line=line,
        )


def _place(point: tuple[float, float]) -> str:
    if isnan(point[0]) or isnan(point[1]):
        return "a place that no line has stated"
    return f"({point[0]:.3f}, {point[1]:.3f})"


RULES: tuple[Callable[[CaseFile], Iterator[Finding]], ...] = (
    known_place_first,
    sideways_below_travel,
    lowered_for_nothing,
    above_the_board,
    standoffs,
    within_limits,
    within_speeds,
    waits,
    ends_parked,
)
DRY_RULES: tuple[Callable[[CaseFile], Iterator[Finding]], ...] = (
    known_place_first,
    above_the_board,
    within_limits,
    within_speeds,
    ends_parked,
)
