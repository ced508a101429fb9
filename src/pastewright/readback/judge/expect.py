"""Data of a plan file to what its program must do: `Expected`.

A bead that a row of pads shares stands in the plan under each of them, with the same "id" and "total_ul" and
that pad's share as "volume_ul". Deposits without an id are each their own.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import isfinite

from pastewright.board.model import Point
from pastewright.problems import InputError, Problem, one_error
from pastewright.readback.model import Expected, ExpectedDeposit
from pastewright.readback.placed import tray_of_plan

FORMAT = 1
MOST_PROBLEMS = 20
SAME_VOLUME = 0.01  # shares of one deposit add up to its total within this; plans round to 1e-6 µL
ROUNDING_UL = 2e-6
KINDS = ("dot", "bead")
MEND = "Give the plan.json that was written together with the program."


@dataclass(slots=True)
class _Gathered:
    """A deposit while its pads are being gathered."""

    kind: str
    points_mm: tuple[Point, ...]
    total_ul: float
    shares_ul: float = 0.0
    shared: bool = False
    pad_ids: list[str] = field(default_factory=list)
    where: str = ""
    board: int = 0


def expected_from_plan(plan: object, *, file: str = "plan.json") -> Expected:
    """Return the deposits [mm, board; µL] that `plan` lists, each once, in the order of their ids.

    InputError gathers everything that is malformed.
    """
    if not isinstance(plan, Mapping):
        raise one_error("this is not a plan: no object at the top", MEND, file=file)
    problems: list[str] = []
    if plan.get("format") != FORMAT:
        problems.append(f'"format" is {plan.get("format")!r}; this reads {FORMAT}')
    dry = plan.get("dry", False)
    if not isinstance(dry, bool):
        problems.append('"dry" must be true or false')
    tray = tray_of_plan(plan, problems)
    numbers = {board.name: number for number, board in enumerate(tray.boards)}
    pads = plan.get("pads")
    if not isinstance(pads, list):
        problems.append('"pads" must be a list')
        pads = []
    gathered: dict[int | str, _Gathered] = {}
    seen: set[str] = set()
    for number, pad in enumerate(pads):
        pad_id = pad.get("id") if isinstance(pad, Mapping) else None
        deposits = pad.get("deposits") if isinstance(pad, Mapping) else None
        if not isinstance(pad_id, str) or not isinstance(deposits, list):
            problems.append(f'pads[{number}] needs "id" (text) and "deposits" (a list)')
            continue
        if pad_id in seen:
            problems.append(f"pad {pad_id} is listed twice")
        seen.add(pad_id)
        board = pad.get("board", tray.boards[0].name if tray.boards else "")
        if tray.boards and board not in numbers:
            problems.append(f"pad {pad_id} is on board {board!r}, which is not placed")
            continue
        for index, deposit in enumerate(deposits):
            _gather(
                deposit,
                pad_id,
                f"pad {pad_id}, deposits[{index}]",
                gathered,
                problems,
                board=numbers.get(board, 0),
            )
    problems.extend(_wrong_sums(gathered))
    if problems:
        more = len(problems) - MOST_PROBLEMS
        shown = problems[:MOST_PROBLEMS] + ([f"… and {more} more"] if more > 0 else [])
        raise InputError(Problem(what=what, mend=MEND, file=file) for what in shown)
    ordered = sorted(
        gathered.items(),
        key=lambda item: (isinstance(item[0], str), item[0] if isinstance(item[0], int) else 0),
    )
    return Expected(
        deposits=tuple(
            ExpectedDeposit(
                kind=one.kind,
                points_mm=one.points_mm,
                volume_ul=one.total_ul,
                pad_ids=tuple(one.pad_ids),
                board=one.board,
            )
            for _, one in ordered
        ),
        dry=dry is True,
        tray=tray,
    )


def _gather(
    deposit: object,
    pad_id: str,
    where: str,
    gathered: dict[int | str, _Gathered],
    problems: list[str],
    *,
    board: int,
) -> None:
    if not isinstance(deposit, Mapping):
        problems.append(f"{where} must be an object")
        return
    kind, points = deposit.get("kind"), _points(deposit.get("points_mm"))
    share = _positive(deposit.get("volume_ul"))
    total = _positive(deposit["total_ul"]) if "total_ul" in deposit else share
    number = deposit.get("id")
    faults = []
    if kind not in KINDS:
        faults.append(f'"kind" is {kind!r}; it must be "dot" or "bead"')
    if points is None:
        faults.append('"points_mm" must be a list of [x, y] numbers')
    elif kind == "dot" and len(points) != 1:
        faults.append(f"a dot has 1 point, not {len(points)}")
    elif kind == "bead" and len(points) < 2:
        faults.append(f"a bead has 2 points or more, not {len(points)}")
    if share is None or total is None:
        faults.append('"volume_ul" and "total_ul" must be numbers above zero')
    if number is not None and (not isinstance(number, int) or isinstance(number, bool)):
        faults.append(f'"id" is {number!r}; it must be a whole number')
    if faults or points is None or share is None or total is None or not isinstance(kind, str):
        problems.append(f"{where}: {'; '.join(faults)}")
        return
    key: int | str = number if isinstance(number, int) else where
    known = gathered.get(key)
    if known is None:
        known = gathered[key] = _Gathered(
            kind, points, total, shared=number is not None, where=where, board=board
        )
    elif (known.kind, known.points_mm, known.total_ul, known.board) != (kind, points, total, board):
        problems.append(f"{where}: deposit {number} differs from the same deposit at {known.where}")
        return
    known.shares_ul += share
    if pad_id not in known.pad_ids:
        known.pad_ids.append(pad_id)


def _wrong_sums(gathered: Mapping[int | str, _Gathered]) -> list[str]:
    return [
        f"{one.where}: the pads' shares of this deposit add up to {one.shares_ul:.6f} µL, not {one.total_ul:.6f}"
        for one in gathered.values()
        if abs(one.shares_ul - one.total_ul)
        > SAME_VOLUME * one.total_ul + ROUNDING_UL * max(len(one.pad_ids), 1)
    ]


def _number(value: object) -> float | None:
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return None
    try:
        number = float(value)
    except OverflowError:
        return None
    return number if isfinite(number) else None


def _positive(value: object) -> float | None:
    number = _number(value)
    return number if number is not None and number > 0 else None


def _points(value: object) -> tuple[Point, ...] | None:
    if not isinstance(value, list) or not value:
        return None
    points: list[Point] = []
    for pair in value:
        if not isinstance(pair, (list, tuple)) or len(pair) != 2:
            return None
        x, y = _number(pair[0]), _number(pair[1])
        if x is None or y is None:
            return None
        points.append((x, y))
    return tuple(points)
