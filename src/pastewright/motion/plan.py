"""Layout, tour and profile to `Motions`: every move of tip and plunger, with its speed and time.

    raise · settling strip · per deposit: travel, lower, (push, dwell, retract) or (push, lay…, retract), lift · park

Before a deposit there may be a trip to the card (`motion.thrown`). Between boards of a tray the tip may be wiped, and
settled on a further strip. Board to machine is the placement's transform; the standoff is kept above its surface.
Corners of beads are stopped at (`plunger.walk`). What a controller makes of these moves is for `program`; how they were
chosen is in `plunger`.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import pairwise
from math import pi, sqrt

import numpy as np
from numpy.typing import NDArray

from pastewright.deposit.model import Layout
from pastewright.motion.cycles import Cycles, plan_cycles
from pastewright.motion.faults import checked, findings
from pastewright.motion.hops import Floor, Hop, hop_heights_mm
from pastewright.motion.journey import Journey
from pastewright.motion.levels import PushLevels, levels_of
from pastewright.motion.model import NO_TRIPS, Away, Motions, Trip
from pastewright.motion.paths import path_of
from pastewright.motion.thrown import (
    Card,
    no_card,
    thrown_strokes,
    trip_height_mm,
    trips_between,
    with_volumes,
)
from pastewright.motion.turns import laid_by
from pastewright.place.transform import Placements, on_bed
from pastewright.place.tray.located import Located, located
from pastewright.plunger.bench import PlungerBench, bench_of
from pastewright.plunger.model import BeadCycle, DotCycle
from pastewright.plunger.row import nearest_shares
from pastewright.plunger.structure import LEAST_THICKER, thicker
from pastewright.profile.model import Profile
from pastewright.route.model import Tour

# The tip comes no closer than this, whatever the deposit's height: boards are seldom known flatter
# (common practice: warp of 0.75 % of the diagonal is allowed by IPC-6012, from memory; beds are levelled to 0.05).
LEAST_STANDOFF_MM = 0.05

# Standoff over the height of the resting deposit; higher and it does not transfer (trade habit, 0.5 to 0.9).
STANDOFF_OF_HEIGHT = 0.8

# Higher than this the strip's paste would not reach the card in one piece.
HIGHEST_STRIP_MM = 1.0

Place = tuple[float, float]
Floats = NDArray[np.float64]


def standoff_mm(height_mm: float, profile: Profile) -> float:
    """Gap between tip and board while a deposit of this height is laid [mm].

    The lesser of `standoff_bores` bores and 0.8 of the height, but at least 0.05 mm.
    """
    wanted = min(profile.deposit.standoff_bores * profile.tip.bore_mm, STANDOFF_OF_HEIGHT * height_mm)
    return max(wanted, LEAST_STANDOFF_MM)


def plan_motions(
    layout: Layout, tour: Tour, profile: Profile, placements: Placements | None = None
) -> Motions:
    """Return the whole journey, from raising the tip to the park position.

    `placements` say where the boards lie; without them one board lies square in the bed's board corner. Raises
    `InputError` when a place is out of reach, the barrel or the stroke is too short, or a dose has fewer than
    three microsteps; lesser troubles are warnings of the result.
    """
    return motions_over(located(layout, placements or on_bed(profile.bed)), tour, profile)


def motions_over(
    there: Located,
    tour: Tour,
    profile: Profile,
    levels: PushLevels | None = None,
    *,
    floor: Floor | None = None,
    card: Card = no_card,
    trips: Mapping[int, Trip] | None = None,
) -> Motions:
    """Return the whole journey over deposits that are located; see `plan_motions`, and `plan_cycles` for `levels`.

    `floor` is what is known of the boards; without it every travel goes at full height. `card` is where deposits may be
    thrown away in the middle, should the tolerance ask for it; or `trips` are known, by the number of their visit.
    """
    # Cycles are solved for the legs that will be walked; a board that only lies elsewhere has the legs it was drawn with.
    drawn = there.drawn if there.as_drawn else there.layout
    levels = levels or levels_of([drawn.deposits[visit.deposit] for visit in tour.visits], profile)
    lifts = _lifts_mm(there, tour, profile, floor)
    cycles = plan_cycles(drawn, tour, profile, levels)
    if trips is None:
        away = trips_between(cycles, there, tour, profile, levels.classes, card)
    else:
        away = Away(trips=trips)
    motions = _motions(cycles, there, tour, profile, lifts, away)
    if profile.tuning.standing == 0:
        return motions
    # How long paste stands before each deposit hangs on the journey, and not on what is made of it.
    shift = _thicker(motions, drawn, profile)
    if float(np.abs(shift).max(initial=0.0)) < LEAST_THICKER:
        return motions
    return _motions(plan_cycles(drawn, tour, profile, levels, shift), there, tour, profile, lifts, away)


def _thicker(motions: Motions, layout: Layout, profile: Profile) -> Floats:
    """How much thicker than planned each visit meets the paste [-, of ln K]."""
    laid = laid_by(motions, profile, {deposit.index: deposit.volume_ul for deposit in layout.deposits})
    on_board = [own is not None and own < len(layout.deposits) for own in laid.deposits]
    shift = thicker(laid.stood_s(profile.paste.flow_index), laid.turns.volume_ul, profile)
    found: Floats = shift[np.array(on_board)]
    return found


def motions_of(
    cycles: Cycles, layout: Layout, tour: Tour, profile: Profile, placements: Placements | None = None
) -> Motions:
    """Return the journey for cycles already planned (`plan_cycles`)."""
    there = located(layout, placements or on_bed(profile.bed))
    return _motions(cycles, there, tour, profile, _lifts_mm(there, tour, profile, None))


def _motions(
    cycles: Cycles,
    there: Located,
    tour: Tour,
    profile: Profile,
    lifts: Sequence[float],
    away: Away = NO_TRIPS,
) -> Motions:
    bench, placements = cycles.bench or bench_of(profile), there.placements
    away = replace(away, trips=with_volumes(away.trips, cycles, bench))
    deposits, ground = there.layout.deposits, there.ground_mm
    journey = Journey(bench, profile, travel_z_mm=there.travel_z_mm(profile.bed))
    _strip(journey, cycles)
    journey.section("deposits")
    board = None
    told = zip(tour.visits, cycles.visits, cycles.walks, lifts, strict=True)
    for number, (visit, cycle, walk, lift_mm) in enumerate(told):
        if number in away.trips:
            _throw_away(journey, cycle, away.trips[number], bench)
        deposit = deposits[visit.deposit]
        if len(placements.boards) > 1 and deposit.board != board:
            if board is not None and placements.one_by_one:
                _between(journey, cycles, placements)
            if placements.one_by_one or board is None:
                journey.section(f"board {placements.boards[deposit.board].name}")
            board = deposit.board
            journey.strips += 1
        path = path_of(deposit, backwards=visit.backwards)
        heights = _heights(deposit.points_mm, ground[visit.deposit], path)
        gap = standoff_mm(deposit.height_mm, profile)
        journey.deposit = deposit.index
        journey.travel(path[0])
        journey.lower(heights[0] + gap, press_ul=cycle.press_ul, rate_ul_s=journey.push_ul_s)
        if isinstance(cycle, DotCycle):
            journey.dot(cycle)
        elif walk is not None:
            journey.bead(cycle, path[1:], walk, [z + gap for z in heights[1:]])
        to_mm = None if number + 1 in away.trips else lift_mm
        journey.lift(to_mm, draw_ul=cycle.draw_ul, rate_ul_s=cycle.retract_ul_s)
    journey.deposit = None
    journey.section("park")
    journey.travel((profile.bed.park_x_mm, profile.bed.park_y_mm))
    problems = findings(
        cycles,
        moves=journey.moves,
        furthest_mm=journey.drive.peak_mm,
        bench=bench,
        profile=profile,
    )
    return Motions(
        moves=tuple(journey.moves),
        sections=tuple(journey.sections),
        machine_s=sum(move.duration_s for move in journey.moves),
        travel_mm=journey.travel_mm,
        swept_ul=journey.drive.swept_ul,
        thrown_ul=cycles.strip_ul - cycles.settling.cycle.volume_ul,
        strip_ul=cycles.settling.cycle.volume_ul,
        nearest=_nearest(cycles, tour),
        away=away,
        warnings=checked(problems),
    )


def _nearest(cycles: Cycles, tour: Tour) -> dict[int, tuple[float, ...]]:
    """What beads across rows lay nearest to each of their pads, by deposit."""
    found: dict[int, tuple[float, ...]] = {}
    for visit, cycle, walk in zip(tour.visits, cycles.visits, cycles.walks, strict=True):
        if walk is not None and walk.row_mm > 0 and isinstance(cycle, BeadCycle):
            shares = nearest_shares(cycle, walk)
            found[visit.deposit] = shares[::-1] if visit.backwards else shares
    return found


def _lifts_mm(there: Located, tour: Tour, profile: Profile, floor: Floor | None) -> list[float]:
    """Return how high the tip is lifted after each visit [mm, machine]: for the hop that follows, or to full height."""
    full = there.travel_z_mm(profile.bed)
    lifts = [full] * len(tour.visits)
    if floor is None:
        return lifts
    deposits = there.layout.deposits
    paths = [path_of(deposits[visit.deposit], backwards=visit.backwards) for visit in tour.visits]
    boards = [deposits[visit.deposit].board for visit in tour.visits]
    after = [number for number, (a, b) in enumerate(pairwise(boards)) if a == b]
    hops = [
        Hop(board=boards[number], from_mm=paths[number][-1], to_mm=paths[number + 1][0]) for number in after
    ]
    for number, height in zip(after, hop_heights_mm(hops, there, floor, profile), strict=True):
        lifts[number] = min(height, full)
    slow_mm = profile.deposit.break_off_mm
    if slow_mm > 0:
        # A thread of paste is to break before the tip goes aside.
        for number, (visit, path) in enumerate(zip(tour.visits, paths, strict=True)):
            deposit = deposits[visit.deposit]
            end_mm = _heights(deposit.points_mm, there.ground_mm[visit.deposit], path)[-1]
            lifts[number] = min(
                max(lifts[number], end_mm + standoff_mm(deposit.height_mm, profile) + slow_mm), full
            )
    return lifts


def _heights(points: tuple[Place, ...], ground_mm: tuple[float, ...], path: tuple[Place, ...]) -> list[float]:
    """Return the board's height at each point of a path, which goes through the deposit's points either way."""
    if len(points) == 1:
        return [ground_mm[0]]
    at = dict(zip(points, ground_mm, strict=True))
    return [at[point] for point in path]


def _between(journey: Journey, cycles: Cycles, placements: Placements) -> None:
    """Wipe the tip and settle it anew on the next strip, before another board begins."""
    journey.deposit = None
    if placements.wipe is not None:
        journey.section("wipe")
        journey.wipe(placements.wipe)
    if placements.settle:
        _strip(journey, cycles, off_mm=journey.strips * placements.strip_step_mm)


def _strip(journey: Journey, cycles: Cycles, *, off_mm: float = 0.0) -> None:
    bed, tuning = journey.profile.bed, journey.profile.tuning
    strip = cycles.settling
    journey.section(f"settling strip, {strip.cycle.volume_ul:.1f} uL at {strip.flow_ul_s:.3g} uL/s")
    if not journey.moves:
        journey.raise_tip()
    journey.travel((bed.strip_x_mm, bed.strip_y_mm + off_mm))
    # The strip is a thick bead: the tip rides on it as on any other, so that it is not ploughed.
    width = sqrt(strip.cycle.volume_ul / strip.walk.length_mm / (pi / 4 * tuning.bead_shape_ratio))
    height = STANDOFF_OF_HEIGHT * tuning.bead_shape_ratio * width
    highest = min(HIGHEST_STRIP_MM, bed.clearance_mm / 2)
    journey.lower(bed.board_z_mm + min(max(height, LEAST_STANDOFF_MM), highest))
    end = (bed.strip_x_mm + strip.walk.length_mm, bed.strip_y_mm + off_mm)
    journey.bead(strip.cycle, [end], strip.walk)
    for cycle in cycles.thrown:
        journey.dot(cycle)
    journey.lift()


def _throw_away(journey: Journey, cycle: DotCycle | BeadCycle, trip: Trip, bench: PlungerBench) -> None:
    """Go to the card at full height, lay what is thrown away at one place there, and rise to full height again."""
    bed = journey.profile.bed
    journey.deposit = trip.deposit
    journey.travel(trip.place_mm)
    height_mm = STANDOFF_OF_HEIGHT * trip_height_mm(trip, journey.profile)
    highest_mm = min(HIGHEST_STRIP_MM, bed.clearance_mm / 2)
    z_mm = bed.board_z_mm + min(max(height_mm, LEAST_STANDOFF_MM), highest_mm)
    strokes = thrown_strokes(cycle, trip, bench)
    journey.lower(z_mm, press_ul=strokes[0].press_ul, rate_ul_s=journey.push_ul_s)
    for stroke in strokes:
        if isinstance(stroke, DotCycle):
            journey.dot(stroke)
        else:
            journey.standing_bead(stroke)
    journey.lift(draw_ul=strokes[-1].draw_ul, rate_ul_s=cycle.retract_ul_s)
