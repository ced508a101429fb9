"""Trips to the card in the middle of a board: which visits they come before, where, and what is thrown away there.

    … lift to full height · travel to the card · lower · push, dwell, retract, once or more · lift to full height · travel …

What is thrown away is like the deposit that follows, or paste at its steady flow (`plunger.between`), all of a trip at one
place: it lies on the card,
the tip at four fifths of its height, and belongs to no pad. Each trip has a place of its own, in line with the settling
strip, and a number behind those of the board's deposits, so that a run that is broken off knows whether it was made.
"""

from collections.abc import Callable, Mapping, Sequence
from math import log

from msgspec import structs

from pastewright.kinematics import move_time_s
from pastewright.materials.cap import dot_width_mm
from pastewright.motion.cycles import Cycles
from pastewright.motion.levels import hop_s
from pastewright.motion.model import NO_TRIPS, Away, Trip
from pastewright.motion.paths import path_of
from pastewright.place.tray.located import Located
from pastewright.plunger.bench import PlungerBench, bench_of
from pastewright.plunger.between import (
    Option,
    SizeChange,
    board_error,
    cycles_thrown,
    options_for,
    thrown_between,
)
from pastewright.plunger.model import BeadCycle, DotCycle
from pastewright.profile.model import Profile
from pastewright.route.model import Tour

# A tolerance is held where no more than this share of it is predicted: that agrees with benches simulated apart within about
# a tenth (`docs/plunger.md`).
NOT_HELD = 1.1

# Beads of a class are laid in parts, each a class of its own: volumes within this share are one size.
SAME_SIZE = 0.02
VERY_FIRST = 3

SWITCHED_OFF = "trips to the card are switched off (strip_trips of [bed])"
ONE_SIZE = "all deposits are of one size, so that trips to the card bring nothing"
NO_ROOM = "trips to the card were not looked at, for it has no room in line with the strip"

Place = tuple[float, float]

Card = Callable[[float, int], Sequence[Place]]
"""Free places on the card [mm, machine] for so much paste of a radius [mm], at most so many."""


def no_card(_radius_mm: float, _most: int) -> Sequence[Place]:
    """Return no place: nothing may be thrown away in the middle of this board."""
    return ()


def trips_between(
    cycles: Cycles,
    there: Located,
    tour: Tour,
    profile: Profile,
    classes: Mapping[int, int],
    card: Card,
) -> Away:
    """Return the trips that a board needs so that the tolerance of the profile is held, or comes nearer.

    None between boards that are finished one by one: each is settled for by itself.
    """
    if there.placements.one_by_one:
        return NO_TRIPS
    head: tuple[DotCycle | BeadCycle, ...] = (cycles.settling.cycle, *cycles.thrown)
    bench = cycles.bench or bench_of(profile)
    tolerance, most = profile.verify.tolerance, profile.bed.strip_trips
    error = board_error(head, cycles.visits, bench)
    begins = _begins([classes[visit.deposit] for visit in tour.visits], cycles.visits)
    if error <= NOT_HELD * tolerance:
        return Away(trips={}, error=error)
    if most < 1 or not begins:
        return Away(trips={}, error=error, beyond=True, why_none=SWITCHED_OFF if most < 1 else ONE_SIZE)
    options = {at: options_for(cycles.visits[at], bench, most_ul=profile.bed.strip_most_ul) for at in begins}
    places = card(trip_width_mm(profile.bed.strip_most_ul, profile) / 2, most)
    if not places:
        return Away(trips={}, error=error, beyond=True, why_none=NO_ROOM)
    found = thrown_between(
        head,
        cycles.visits,
        [
            SizeChange(
                visit=at, trip_s=_trip_s(at, there, tour, profile, places[0]), options=tuple(options[at])
            )
            for at in begins
            if options[at]
        ],
        bench,
        tolerance=tolerance,
        board_s=sum(_seconds(cycle) for cycle in (*head, *cycles.visits))
        + hop_s(profile) * len(cycles.visits),
        most=len(places),
    )
    trips = {
        visit: Trip(
            deposit=len(there.layout.deposits) + number,
            place_mm=places[number],
            count=option.count,
            steady_s=option.steady_s,
        )
        for number, (visit, option) in enumerate(sorted(found.thrown.items()))
    }
    return Away(
        trips=with_volumes(trips, cycles, bench),
        error=found.error,
        beyond=found.error > NOT_HELD * tolerance,
    )


def _begins(classes: Sequence[int], visits: Sequence[DotCycle | BeadCycle]) -> list[int]:
    """The visits that begin another size: another class, and no further part of the one before. Among the very first a
    further part counts as well, for they show how the barrel was begun.
    """
    return [
        at
        for at in range(1, len(classes))
        if classes[at] != classes[at - 1]
        and not (
            at >= VERY_FIRST
            and isinstance(visits[at], BeadCycle)
            and isinstance(visits[at - 1], BeadCycle)
            and abs(log(visits[at].volume_ul / visits[at - 1].volume_ul)) < SAME_SIZE
        )
    ]


def with_volumes(trips: Mapping[int, Trip], cycles: Cycles, bench: PlungerBench) -> dict[int, Trip]:
    """Return trips with what lies there by the cycles of their visits [µL]."""
    return {
        visit: structs.replace(
            trip, volume_ul=sum(one.volume_ul for one in thrown_strokes(cycles.visits[visit], trip, bench))
        )
        for visit, trip in trips.items()
    }


def trip_width_mm(volume_ul: float, profile: Profile) -> float:
    """Return the width at rest of what a trip throws away [mm]: a dot."""
    return dot_width_mm(volume_ul, profile.tuning.dot_shape_ratio)


def trip_height_mm(trip: Trip, profile: Profile) -> float:
    """Return the height at rest of what a trip throws away [mm]."""
    return profile.tuning.dot_shape_ratio * trip_width_mm(trip.volume_ul, profile)


def thrown_strokes(
    cycle: DotCycle | BeadCycle, trip: Trip, bench: PlungerBench
) -> list[DotCycle | BeadCycle]:
    """Return what a trip lays, one after the other at one place."""
    return cycles_thrown(cycle, Option(count=trip.count, steady_s=trip.steady_s), bench)


def _seconds(cycle: DotCycle | BeadCycle) -> float:
    """About how long a deposit's strokes and waits take [s]."""
    if isinstance(cycle, DotCycle):
        return cycle.dwell_s + cycle.push_ul / cycle.push_ul_s + cycle.retract_ul / cycle.retract_ul_s
    return cycle.travel_s + cycle.prime_ul / cycle.prime_ul_s + cycle.retract_ul / cycle.retract_ul_s


def _trip_s(at: int, there: Located, tour: Tour, profile: Profile, place: Place) -> float:
    """About how much longer the way to a visit is by the card [s]: two ways for one, and twice up and down."""
    machine, deposits = profile.machine, there.layout.deposits
    before, visit = tour.visits[at - 1], tour.visits[at]
    here = path_of(deposits[before.deposit], backwards=before.backwards)[-1]
    to = path_of(deposits[visit.deposit], backwards=visit.backwards)[0]

    def way_s(a: Place, b: Place) -> float:
        longer = max(abs(a[0] - b[0]), abs(a[1] - b[1]))
        return move_time_s(longer, machine.speed_xy_mm_s, machine.accel_xy_mm_s2)

    upright_s = move_time_s(profile.bed.clearance_mm, machine.speed_z_mm_s, machine.accel_z_mm_s2)
    return way_s(here, place) + way_s(place, to) - way_s(here, to) + 4 * upright_s
