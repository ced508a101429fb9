"""Boards, or the record of a plan, to what stands on their floor: what hops may go low over (`motion.hops`)."""

from collections.abc import Sequence
from math import pi

from pastewright.board.model import Board
from pastewright.deposit.model import Layout
from pastewright.motion.around import Blocked
from pastewright.motion.hops import EmptyPad, Floor, nothing_stands
from pastewright.records.plan import PlanRecord


def floor_of(board: Board, layout: Layout, zones: Sequence[Blocked], *, boards: int) -> Floor:
    """Return what is known of the boards of a program; of a tray, `board` and `layout` have the pads of all."""
    empty: list[EmptyPad] = []
    pasted: set[tuple[int, str]] = set()
    for pad, plan in zip(board.pads, layout.pads, strict=True):
        if plan.deposits:
            pasted.add((plan.board, pad.ref))
        elif not nothing_stands(pad.kind):
            centre = pad.land.centroid
            empty.append(
                EmptyPad(
                    board=plan.board,
                    ref=pad.ref,
                    place_mm=(centre.x, centre.y),
                    area_mm2=float(pad.land.area),
                )
            )
    for mark in board.fiducials:
        area_mm2 = pi / 4 * mark.diameter_mm**2
        empty.extend(
            EmptyPad(board=number, ref="", place_mm=(mark.x_mm, mark.y_mm), area_mm2=area_mm2)
            for number in range(boards)
        )
    return Floor(size_mm=board.size_mm, empty=tuple(empty), pasted=frozenset(pasted), zones=tuple(zones))


def floor_of_plan(plan: PlanRecord, zones: Sequence[Blocked]) -> Floor:
    """Return the same from the record of a plan."""
    numbers = {board.name: number for number, board in enumerate(plan.placement.boards)}
    boards = [(pad, numbers.get(pad.board, 0)) for pad in plan.pads]
    pads = [
        EmptyPad(board=number, ref=pad.ref, place_mm=(pad.x_mm, pad.y_mm), area_mm2=pad.area_mm2)
        for pad, number in boards
        if not pad.deposits and not nothing_stands(pad.kind)
    ]
    marks = [
        EmptyPad(
            board=number,
            ref="",
            place_mm=(mark.x_mm, mark.y_mm),
            area_mm2=pi / 4 * mark.diameter_mm**2,
        )
        for mark in plan.board.fiducials
        for number in numbers.values()
    ]
    return Floor(
        size_mm=plan.board.size_mm,
        empty=(*pads, *marks),
        pasted=frozenset((number, pad.ref) for pad, number in boards if pad.deposits),
        zones=tuple(zones),
    )
