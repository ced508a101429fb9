"""Located deposits to a `Tour`: one tour over all boards, or board after board, whichever is quicker.

Boards that must be finished one by one (a settling strip or a wipe between them) are; their order is that of a
short way past their middles. What a job wants laid first or last is, within a board or over all of them. Within that,
classes of deposits that must follow each other do (`motion.levels`); within a class the order is free.
"""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from dataclasses import replace

from msgspec import Struct

from pastewright.board.model import Point
from pastewright.deposit.model import Deposit
from pastewright.job.model import LayTurn
from pastewright.meanwhile import meanwhile
from pastewright.place.transform import Placements
from pastewright.place.tray.located import Located
from pastewright.profile.model import Bed, Profile
from pastewright.route.model import Stop, Tour
from pastewright.route.order import order, ordered

Turns = Mapping[str, LayTurn]
NO_TURNS: Turns = {}

Classes = Mapping[int, int]
"""The class of each deposit, by its index; lower numbers are laid first."""
NO_CLASSES: Classes = {}
TURNS = (LayTurn.FIRST, LayTurn.BETWEEN, LayTurn.LAST)
# A tray is laid class by class over all its boards where that takes no more than this of the travel board by board: each
# change of class is an error that fades over the next deposits, and so there is one where there were as many as boards.
WHOLE_MAY_COST = 1.5

MANY = 150
"""Deposits of a class from which on a second process works their bound out while the next class is ordered: it takes some
twentieths of a second then, and beginning one a hundredth (measured)."""
LARGE = 5000
"""Deposits in all beyond which copying the process takes longer than the bounds, sought less long then (measured)."""
NOWHERE = Tour(visits=(), travel_mm=0.0, travel_s=0.0, bound_s=0.0)


def placed_tour(
    there: Located, profile: Profile, turns: Turns = NO_TURNS, classes: Classes = NO_CLASSES
) -> Tour:
    """Return the order of all deposits, from the end of the settling strip on.

    `turns` say when single pads are laid, by their id, `classes` which deposits come before which. Travel and bounds
    are those of `route.order`, the bounds for orders that keep turns and classes; for several boards they hold for
    every such order that the placements allow.
    """
    bed, placements = profile.bed, there.placements
    route = _Route(profile, turns, classes)
    start = _strip_end(bed)
    if placements.on_bed and not turns:
        # In board coordinates, as the deposits are.
        here = (start[0] - bed.board_x_mm, start[1] - bed.board_y_mm)
        return route.over(there.drawn.deposits, here)
    deposits = there.layout.deposits
    if len(placements.boards) == 1:
        return route.over(deposits, start)
    if placements.one_by_one:
        return one_by_one(there, profile, turns, classes)
    whole = route.over(deposits, start)
    apart = one_by_one(there, profile, turns, classes)
    # What neither way of ordering can go below.
    return replace(
        whole if whole.travel_s <= (WHOLE_MAY_COST if classes else 1.0) * apart.travel_s else apart,
        bound_s=min(whole.bound_s, apart.bound_s),
    )


class _Middle(Struct, frozen=True, kw_only=True):
    """Where a board is, for the way from board to board."""

    index: int
    points_mm: tuple[Point, ...]


class _Route:
    """Ways over deposits that keep to the turns of a job, and to classes within them."""

    def __init__(self, profile: Profile, turns: Turns, classes: Classes) -> None:
        self.machine = profile.machine
        self.turns = turns
        self.classes = classes

    def over(self, deposits: Sequence[Deposit], start_mm: Point, *, rising: bool = False) -> Tour:
        """Return the way over some deposits, group after group; `rising` takes the classes the other way round."""
        groups: dict[tuple[int, int], list[Deposit]] = defaultdict(list)
        for deposit in deposits:
            number = self.classes.get(deposit.index, 0)
            groups[TURNS.index(self._turn(deposit)), -number if rising else number].append(deposit)
        tour, here = NOWHERE, start_mm
        with ExitStack() as others:
            bounds = []
            for _, group in sorted(groups.items()):
                part, bound_s = ordered(group, start_mm=here, machine=self.machine, of=len(deposits))
                bounds.append(
                    others.enter_context(
                        meanwhile(bound_s, worth=len(group) >= MANY and len(deposits) <= LARGE)
                    )
                )
                tour, here = _joined(tour, part), _end_of(part, {each.index: each for each in group})
            return replace(tour, bound_s=sum(bound_s() for bound_s in bounds))

    def short(self, stops: Sequence[Stop], start_mm: Point) -> Tour:
        """Return a short way over anything, from a start."""
        return order(stops, start_mm=start_mm, machine=self.machine)

    def _turn(self, deposit: Deposit) -> LayTurn:
        """Return when a deposit is laid: of several pads under one bead, the one that is wanted most decides."""
        found = {self.turns.get(share.pad_id, LayTurn.BETWEEN) for share in deposit.shares}
        return next((turn for turn in (LayTurn.FIRST, LayTurn.LAST) if turn in found), LayTurn.BETWEEN)


def one_by_one(
    there: Located, profile: Profile, turns: Turns = NO_TURNS, classes: Classes = NO_CLASSES
) -> Tour:
    """Return the boards one after the other; each begins at the strip or wiping pad, or where the last one ended.

    Without a strip between them every other board takes the classes the other way round, so that pushes change little
    from one board to the next.
    """
    route, start = _Route(profile, turns, classes), _strip_end(profile.bed)
    placements = there.placements
    boards: dict[int, list[Deposit]] = defaultdict(list)
    for deposit in there.layout.deposits:
        boards[deposit.board].append(deposit)
    middles = [
        _Middle(index=number, points_mm=(_middle([p for deposit in own for p in deposit.points_mm]),))
        for number, own in boards.items()
    ]
    tour, here = NOWHERE, start
    for laid, visit in enumerate(route.short(middles, start).visits):
        own = boards[visit.deposit]
        rising = laid % 2 == 1 and not placements.settle
        part = route.over(own, _begun_at(placements, laid, start) or here, rising=rising)
        tour, here = _joined(tour, part), _end_of(part, {each.index: each for each in own})
    return tour


def _strip_end(bed: Bed) -> Point:
    """Return where the first settling strip ends [mm, machine]."""
    return bed.strip_x_mm + bed.strip_length_mm, bed.strip_y_mm


def _begun_at(placements: Placements, laid: int, start: Point) -> Point | None:
    """Return where the tip is before the next board, after so many; None where it comes straight from the last."""
    if not laid:
        return start
    if placements.settle:
        return start[0], start[1] + laid * placements.strip_step_mm
    if placements.wipe is not None:
        return placements.wipe.to_mm if placements.wipe.strokes % 2 else placements.wipe.from_mm
    return None


def _middle(points: Sequence[Point]) -> Point:
    return sum(x for x, _ in points) / len(points), sum(y for _, y in points) / len(points)


def _end_of(tour: Tour, deposits: Mapping[int, Deposit]) -> Point:
    last = tour.visits[-1]
    points = deposits[last.deposit].points_mm
    return points[0] if last.backwards else points[-1]


def _joined(tour: Tour, part: Tour) -> Tour:
    return Tour(
        visits=(*tour.visits, *part.visits),
        travel_mm=tour.travel_mm + part.travel_mm,
        travel_s=tour.travel_s + part.travel_s,
        bound_s=tour.bound_s + part.bound_s,
    )
