"""Layout and placements to a `Sequence`: one tour over all boards, or board after board, whichever is quicker.

Boards that must be finished one by one (a settling strip or a wipe between them) are; their order is that of a
short way past their middles.
"""

from dataclasses import replace

from pastewright.board.model import Point
from pastewright.deposit.model import Deposit, DepositKind, Layout
from pastewright.place.transform import Placements
from pastewright.place.tray.located import located
from pastewright.profile.model import Profile
from pastewright.route.model import Sequence, Visit
from pastewright.route.order import order


def placed_tour(layout: Layout, placements: Placements, profile: Profile) -> Sequence:
    """Return the order of all deposits, from the end of the settling strip on.

    Travel and bounds are those of `route.order`; for several boards the bound holds for every order that the
    placements allow.
    """
    bed, machine = profile.bed, profile.machine
    start = (bed.strip_x_mm + bed.strip_length_mm, bed.strip_y_mm)
    if placements.on_bed:
        # In board coordinates, as the deposits are.
        here = (start[0] - bed.board_x_mm, start[1] - bed.board_y_mm)
        return order(layout.deposits, start_mm=here, machine=machine)
    deposits = located(layout, placements).layout.deposits
    if len(placements.boards) == 1:
        return order(deposits, start_mm=start, machine=machine)
    if placements.one_by_one:
        return _one_by_one(deposits, placements, profile, start)
    whole = order(deposits, start_mm=start, machine=machine)
    apart = _one_by_one(deposits, placements, profile, start)
    if whole.travel_s <= apart.travel_s:
        return whole
    return replace(apart, bound_mm=whole.bound_mm, bound_s=whole.bound_s)


def _one_by_one(
    deposits: tuple[Deposit, ...], placements: Placements, profile: Profile, start: Point
) -> Sequence:
    """Return the boards one after the other; each begins at the strip or wiping pad, or where the last one ended."""
    count = len(placements.boards)
    each = len(deposits) // count
    visits: list[Visit] = []
    travel_mm = travel_s = bound_mm = bound_s = 0.0
    here = start
    for laid, number in enumerate(_board_order(deposits, placements, profile, start)):
        if laid and placements.settle:
            here = (start[0], start[1] + laid * placements.strip_step_mm)
        elif laid and placements.wipe is not None:
            wipe = placements.wipe
            here = wipe.to_mm if wipe.strokes % 2 else wipe.from_mm
        own = deposits[number * each : (number + 1) * each]
        part = order(own, start_mm=here, machine=profile.machine)
        visits.extend(part.visits)
        travel_mm, travel_s = travel_mm + part.travel_mm, travel_s + part.travel_s
        bound_mm, bound_s = bound_mm + part.bound_mm, bound_s + part.bound_s
        last = part.visits[-1]
        points = deposits[last.deposit].points_mm
        here = points[0] if last.backwards else points[-1]
    return Sequence(
        visits=tuple(visits), travel_mm=travel_mm, travel_s=travel_s, bound_mm=bound_mm, bound_s=bound_s
    )


def _board_order(
    deposits: tuple[Deposit, ...], placements: Placements, profile: Profile, start: Point
) -> list[int]:
    """Return the boards in the order of a short way past the middles of their deposits."""
    count = len(placements.boards)
    each = len(deposits) // count
    middles = []
    for number in range(count):
        points = [
            point for deposit in deposits[number * each : (number + 1) * each] for point in deposit.points_mm
        ]
        x = sum(point[0] for point in points) / len(points)
        y = sum(point[1] for point in points) / len(points)
        middles.append(
            Deposit(
                index=number,
                kind=DepositKind.DOT,
                points_mm=((x, y),),
                volume_ul=0.0,
                width_mm=0.0,
                height_mm=0.0,
                shares=(),
            )
        )
    return [visit.deposit for visit in order(middles, start_mm=start, machine=profile.machine).visits]
