"""The record of a plan to what its program must do: `Expected`.

A bead that a row of pads shares stands in the plan under each of them, with the same "id" and "total_ul" and
that pad's share as "volume_ul". What is said twice must agree.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from math import pi, sqrt

from pastewright.board.model import Point
from pastewright.problems import InputError, Problem
from pastewright.readback.model import Expected, ExpectedDeposit, LevelPad, ReadEmpty, RowOfPads
from pastewright.readback.placed import tray_of_plan
from pastewright.records.kinds import DepositKind, PadKind
from pastewright.records.plan import MEND, ROW_ON_CARD, DepositRecord, PadRecord, PlanRecord
from pastewright.records.thrown import trip_name

MOST_PROBLEMS = 20  # a page of messages; more say nothing new
SAME_VOLUME = 0.01  # shares of one deposit add up to its total within this; plans round to 1e-6 µL
BESIDE_PART_MM = (
    2.0  # bodies overhang their pads by so much, or half the pads' distance; the planner has the same
)
BESIDE_PAD_MM = 0.5  # and what stands on a pad its land
ROUNDING_UL = 2e-6  # plans are written to 1e-6 µL; a total and a part may each be off by one


@dataclass(slots=True)
class _Gathered:
    """A deposit while its pads are being gathered."""

    first: DepositRecord
    where: str
    board: int
    shares_ul: float = 0.0
    pad_ids: list[str] = field(default_factory=list)
    nets: set[str] = field(default_factory=set)
    on_card: bool = False

    @property
    def total_ul(self) -> float:
        return self.first.total_ul

    def same(self, other: DepositRecord, board: int) -> bool:
        """Whether another pad tells the same of it."""
        mine, its = self.first, other
        return (mine.kind, mine.points_mm, mine.total_ul, self.board) == (
            its.kind,
            its.points_mm,
            its.total_ul,
            board,
        )


def expected_from_plan(plan: PlanRecord, *, file: str = "plan.json") -> Expected:
    """Return the deposits [mm, board; µL] that `plan` lists, each once, in the order of their ids.

    InputError gathers everything in which it contradicts itself.
    """
    problems: list[str] = []
    tray = tray_of_plan(plan.placement, plan.board.size_mm, problems)
    numbers = {board.name: number for number, board in enumerate(tray.boards)}
    gathered: dict[int, _Gathered] = {}
    seen: set[str] = set()
    for pad in plan.pads:
        if pad.id in seen:
            problems.append(f"pad {pad.id} is listed twice")
        seen.add(pad.id)
        board = pad.board or next(iter(numbers), "")
        if board not in numbers:
            problems.append(f"pad {pad.id} is on board {board!r}, which is not placed")
            continue
        for index, deposit in enumerate(pad.deposits, start=1):
            where = f"pad {pad.id}, deposits {index}"
            faults = [*_faults(deposit, gathered.get(deposit.id), numbers[board])]
            problems.extend(f"{where}: {words}" for words in faults)
            if faults:
                continue
            known = gathered.setdefault(
                deposit.id, _Gathered(first=deposit, where=where, board=numbers[board])
            )
            known.shares_ul += deposit.volume_ul
            known.nets.add(pad.net)
            known.on_card = pad.source == ROW_ON_CARD
            if pad.id not in known.pad_ids:
                known.pad_ids.append(pad.id)
    problems.extend(_wrong_sums(gathered))
    problems.extend(_wrong_trips(plan, gathered))
    if problems:
        more = len(problems) - MOST_PROBLEMS
        shown = problems[:MOST_PROBLEMS] + ([f"… and {more} more"] if more > 0 else [])
        raise InputError(Problem(what=what, mend=MEND, file=file) for what in shown)
    places = {number: index for index, number in enumerate(sorted(gathered))}
    return Expected(
        deposits=tuple(
            ExpectedDeposit(
                kind=one.first.kind,
                points_mm=one.first.points_mm,
                volume_ul=one.total_ul,
                pad_ids=tuple(one.pad_ids),
                board=one.board,
                width_mm=one.first.width_mm,
                nets=frozenset(one.nets),
                on_card=one.on_card,
            )
            for _, one in sorted(gathered.items())
        )
        + tuple(_thrown(plan)),
        dry=plan.dry,
        tray=tray,
        level=tuple(_level(plan, places)),
        rows=tuple(_rows(plan, places)),
        empty=tuple(_empty(plan, numbers)),
        mends={frozenset((pad.id, one.pad)): one.mend for pad in plan.pads for one in pad.bridges},
    )


def _thrown(plan: PlanRecord) -> Iterator[ExpectedDeposit]:
    """Yield what is thrown away on the card in the middle of the board."""
    for number, trip in enumerate(plan.thrown, start=1):
        yield ExpectedDeposit(
            kind=DepositKind.DOT,
            points_mm=(trip.at_mm,),
            volume_ul=trip.total_ul,
            pad_ids=(trip_name(number),),
            on_card=True,
            thrown=True,
        )


def _wrong_trips(plan: PlanRecord, gathered: Mapping[int, "_Gathered"]) -> Iterator[str]:
    known = set(gathered)
    for number, trip in enumerate(plan.thrown, start=1):
        if trip.id in known:
            yield f"thrown, trip {number}: its id {trip.id} is another deposit's"
        if trip.before not in gathered:
            yield f"thrown, trip {number}: there is no deposit {trip.before} that it comes before"
        known.add(trip.id)


def _empty(plan: PlanRecord, numbers: Mapping[str, int]) -> Iterator[ReadEmpty]:
    """Yield where something may stand that this program did not lay: parts, pads and fiducials without paste."""
    pasted = {(pad.board, pad.ref) for pad in plan.pads if pad.deposits}
    parts: dict[tuple[str, str], list[Point]] = {}
    for pad in plan.pads:
        if pad.deposits or pad.kind is PadKind.TEST_POINT:
            continue
        number = numbers.get(pad.board or next(iter(numbers), ""), 0)
        yield _grown(number, [(pad.x_mm, pad.y_mm)], sqrt(pad.area_mm2) + BESIDE_PAD_MM)
        if pad.ref and (pad.board, pad.ref) not in pasted:
            parts.setdefault((pad.board, pad.ref), []).append((pad.x_mm, pad.y_mm))
    for (name, _), places in parts.items():
        apart = [max(part) - min(part) for part in zip(*places, strict=True)]
        yield _grown(
            numbers.get(name or next(iter(numbers), ""), 0), places, max(BESIDE_PART_MM, max(apart) / 2)
        )
    for mark in plan.board.fiducials:
        for number in range(max(len(numbers), 1)):
            size = sqrt(pi / 4) * mark.diameter_mm
            yield _grown(number, [(mark.x_mm, mark.y_mm)], size + BESIDE_PAD_MM)


def _grown(board: int, places: Sequence[Point], by_mm: float) -> ReadEmpty:
    xs, ys = [x for x, _ in places], [y for _, y in places]
    return ReadEmpty(
        board=board,
        low_mm=(min(xs) - by_mm, min(ys) - by_mm),
        high_mm=(max(xs) + by_mm, max(ys) + by_mm),
    )


def _level(plan: PlanRecord, places: Mapping[int, int]) -> Iterator[LevelPad]:
    for pad in plan.pads:
        if pad.balance is not None and pad.deposits:
            yield LevelPad(
                pad_id=pad.id,
                centre_mm=pad.balance.centre_mm,
                half_width_mm=pad.balance.half_width_mm,
                shares=tuple((places[one.id], one.volume_ul / one.total_ul) for one in pad.deposits),
            )


def _rows(plan: PlanRecord, places: Mapping[int, int]) -> Iterator[RowOfPads]:
    found: dict[int, list[tuple[PadRecord, DepositRecord]]] = {}
    for pad in plan.pads:
        for one in pad.deposits:
            if one.kind is DepositKind.BEAD and one.volume_ul < (1 - SAME_VOLUME) * one.total_ul:
                found.setdefault(one.id, []).append((pad, one))
    for index, pads in found.items():
        if len(pads) > 1:
            yield RowOfPads(
                deposit=places[index],
                pad_ids=tuple(pad.id for pad, _ in pads),
                centres_mm=tuple((pad.x_mm, pad.y_mm) for pad, _ in pads),
                shares_ul=tuple(one.volume_ul for _, one in pads),
                told=tuple(pad.nearest for pad, _ in pads),
            )


def _faults(deposit: DepositRecord, known: _Gathered | None, board: int) -> Iterator[str]:
    points = len(deposit.points_mm)
    if deposit.kind is DepositKind.DOT and points != 1:
        yield f"a dot has 1 point, not {points}"
    if deposit.kind is DepositKind.BEAD and points < 2:
        yield f"a bead has 2 points or more, not {points}"
    if known is not None and not known.same(deposit, board):
        yield f"deposit {deposit.id} differs from the same deposit at {known.where}"


def _wrong_sums(gathered: Mapping[int, _Gathered]) -> list[str]:
    return [
        f"{one.where}: the pads' shares of this deposit add up to {one.shares_ul:.6f} µL, not {one.total_ul:.6f}"
        for one in gathered.values()
        if abs(one.shares_ul - one.total_ul)
        > SAME_VOLUME * one.total_ul + ROUNDING_UL * max(len(one.pad_ids), 1)
    ]
