"""Layout, tour and profile to `Motions`: every move of tip and plunger, with its speed and time.

    raise · settling strip · per deposit: travel, lower, (push, dwell, retract) or (push, lay…, retract), lift · park

Between boards of a tray the tip may be wiped, and settled on a further strip. Board to machine is the placement's
transform; the standoff is kept above its surface. Corners of beads are stopped at (`plunger.walk`). What a
controller makes of these moves is for `program`; how they were chosen is in `plunger`.

Longer than 400 lines because the journey and the heights of its lifts are one walk.
"""

from collections.abc import Sequence
from itertools import pairwise
from math import dist, inf, pi, sqrt

import numpy as np

from pastewright.deposit.model import Layout
from pastewright.kinematics import move_time_s
from pastewright.motion.cycles import Cycles, plan_cycles
from pastewright.motion.drive import Drive
from pastewright.motion.faults import checked, findings
from pastewright.motion.hops import Floor, Hop, hop_heights_mm
from pastewright.motion.levels import PushLevels, levels_of
from pastewright.motion.model import Motions, Move, Step
from pastewright.motion.paths import path_of
from pastewright.motion.stood import stood_s
from pastewright.motion.vertical import first_lift_mm, vertical
from pastewright.place.transform import Placements, Wipe, on_bed
from pastewright.place.tray.located import Located, located
from pastewright.plunger.bench import PlungerBench, bench_of
from pastewright.plunger.model import BeadCycle, DotCycle
from pastewright.plunger.row import nearest_shares
from pastewright.plunger.structure import LEAST_THICKER, thicker
from pastewright.plunger.walk import Walk
from pastewright.profile.model import Profile
from pastewright.route.model import Tour

# The tip comes no closer than this, whatever the deposit's height: boards are seldom known flatter
# (common practice: warp of 0.75 % of the diagonal is allowed by IPC-6012, from memory; beds are levelled to 0.05).
LEAST_STANDOFF_MM = 0.05

# Standoff over the height of the resting deposit; higher and it does not transfer (trade habit, 0.5 to 0.9).
STANDOFF_OF_HEIGHT = 0.8

# Higher than this the strip's paste would not reach the card in one piece.
HIGHEST_STRIP_MM = 1.0

SAME_PLACE_MM = 1e-9  # rounding of sums, far below what any axis places

# Shorter waits are none: controllers count milliseconds.
LEAST_WAIT_S = 0.0005

# Slow enough to take paste along rather than to fling it; common practice.
WIPE_MM_S = 10.0

Place = tuple[float, float]


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
) -> Motions:
    """Return the whole journey over deposits that are located; see `plan_motions`, and `plan_cycles` for `levels`.

    `floor` is what is known of the boards; without it every travel goes at full height.
    """
    # Cycles are solved for the legs that will be walked; a board that only lies elsewhere has the legs it was drawn with.
    drawn = there.drawn if there.as_drawn else there.layout
    levels = levels or levels_of([drawn.deposits[visit.deposit] for visit in tour.visits], profile)
    lifts = _lifts_mm(there, tour, profile, floor)
    motions = _motions(plan_cycles(drawn, tour, profile, levels), there, tour, profile, lifts)
    if profile.tuning.standing == 0:
        return motions
    # How long paste stands before each deposit hangs on the journey, and not on what is made of it.
    volumes = np.array([drawn.deposits[visit.deposit].volume_ul for visit in tour.visits])
    shift = thicker(stood_s(motions, profile.paste.flow_index), volumes, profile)
    if float(np.abs(shift).max(initial=0.0)) < LEAST_THICKER:
        return motions
    return _motions(plan_cycles(drawn, tour, profile, levels, shift), there, tour, profile, lifts)


def motions_of(
    cycles: Cycles, layout: Layout, tour: Tour, profile: Profile, placements: Placements | None = None
) -> Motions:
    """Return the journey for cycles already planned (`plan_cycles`)."""
    there = located(layout, placements or on_bed(profile.bed))
    return _motions(cycles, there, tour, profile, _lifts_mm(there, tour, profile, None))


def _motions(cycles: Cycles, there: Located, tour: Tour, profile: Profile, lifts: Sequence[float]) -> Motions:
    bench, placements = cycles.bench or bench_of(profile), there.placements
    deposits, ground = there.layout.deposits, there.ground_mm
    journey = _Journey(bench, profile, travel_z_mm=there.travel_z_mm(profile.bed))
    _strip(journey, cycles)
    journey.section("deposits")
    board = None
    press_ul_s = bench.push_ul_s
    for visit, cycle, walk, lift_mm in zip(tour.visits, cycles.visits, cycles.walks, lifts, strict=True):
        deposit = deposits[visit.deposit]
        if len(placements.boards) > 1:
            number = deposit.board
            if number != board:
                if board is not None and placements.one_by_one:
                    _between(journey, cycles, placements)
                if placements.one_by_one or board is None:
                    journey.section(f"board {placements.boards[number].name}")
                board = number
                journey.strips += 1
        path = path_of(deposit, backwards=visit.backwards)
        heights = _heights(deposit.points_mm, ground[visit.deposit], path)
        gap = standoff_mm(deposit.height_mm, profile)
        journey.deposit = deposit.index
        journey.travel(path[0])
        journey.lower(heights[0] + gap, press_ul=cycle.press_ul, rate_ul_s=press_ul_s)
        if isinstance(cycle, DotCycle):
            journey.dot(cycle)
        elif walk is not None:
            journey.bead(cycle, path[1:], walk, [z + gap for z in heights[1:]])
        journey.lift(lift_mm, draw_ul=cycle.draw_ul, rate_ul_s=cycle.retract_ul_s)
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


def _between(journey: "_Journey", cycles: Cycles, placements: Placements) -> None:
    """Wipe the tip and settle it anew on the next strip, before another board begins."""
    journey.deposit = None
    if placements.wipe is not None:
        journey.section("wipe")
        journey.wipe(placements.wipe)
    if placements.settle:
        _strip(journey, cycles, off_mm=journey.strips * placements.strip_step_mm)


def _strip(journey: "_Journey", cycles: Cycles, *, off_mm: float = 0.0) -> None:
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


def _towards(
    start: tuple[float, float, float], end: tuple[float, float, float], way_mm: float
) -> tuple[float, float, float]:
    """Return the point `way_mm` from one point towards another."""
    if way_mm <= 0:
        return start
    share = way_mm / dist(start, end)
    (x, y, z), (to_x, to_y, to_z) = start, end
    return x + share * (to_x - x), y + share * (to_y - y), z + share * (to_z - z)


class _Journey:
    """Where tip and plunger are, and the moves that led there."""

    def __init__(self, bench: PlungerBench, profile: Profile, *, travel_z_mm: float) -> None:
        self.profile = profile
        self.travel_z_mm = travel_z_mm
        self.strips = 0
        self.drive = Drive(bench)
        self.moves: list[Move] = []
        self.sections: list[tuple[int, str]] = []
        self.deposit: int | None = None
        self.travel_mm = 0.0
        self._ul_per_mm = bench.ul_per_mm
        # Before the first travel nobody knows where the tip is; for its time, the park position is as good a guess
        # as any, but the move itself must be made even if it seems to lead nowhere.
        self._lost = True
        self._x, self._y = profile.bed.park_x_mm, profile.bed.park_y_mm
        self._z = profile.bed.board_z_mm
        self._placed = False

    def section(self, heading: str) -> None:
        self.sections.append((len(self.moves), heading))

    def raise_tip(self) -> None:
        self._vertical(Step.RAISE, self.travel_z_mm)

    def lower(self, z_mm: float, *, press_ul: float = 0.0, rate_ul_s: float = inf) -> None:
        self._vertical(Step.LOWER, z_mm, press_ul, rate_ul_s)

    def lift(self, z_mm: float | None = None, *, draw_ul: float = 0.0, rate_ul_s: float = inf) -> None:
        """Lift to a height, or to that of travels, and draw back meanwhile; where that is soon done, on the first part.
        Behind a deposit the first of the way is slow, where the profile asks for it.
        """
        z_mm = self.travel_z_mm if z_mm is None else z_mm
        if draw_ul > 0:
            first = first_lift_mm(
                z_mm - self._z,
                draw_ul / self._ul_per_mm,
                self.profile,
                plunger_mm_s=rate_ul_s / self._ul_per_mm,
            )
            self._vertical(Step.LIFT, min(self._z + first, z_mm), -draw_ul, rate_ul_s)
        slow_mm = self.profile.deposit.break_off_mm
        if slow_mm > 0 and self.deposit is not None:
            slow_mm_s = self.profile.deposit.break_off_mm_s
            self._vertical(Step.LIFT, min(self._z + slow_mm, z_mm), tip_mm_s=slow_mm_s)
        if z_mm > self._z or draw_ul <= 0:
            self._vertical(Step.LIFT, z_mm)

    def travel(self, to: Place) -> None:
        """Both axes start and stop together, so the longer way sets the time and the other goes slower."""
        machine = self.profile.machine
        away = dist((self._x, self._y), to)
        if away <= SAME_PLACE_MM and not self._lost:
            return
        # Whence the first way comes nobody knows: no faster than one axis alone.
        lost, self._lost = self._lost, False
        longer = max(abs(to[0] - self._x), abs(to[1] - self._y))
        self._x, self._y = to
        self.travel_mm += away
        speed = machine.speed_xy_mm_s * (away / longer if longer > 0 and not lost else 1.0)
        seconds = move_time_s(longer, machine.speed_xy_mm_s, machine.accel_xy_mm_s2)
        self._add(Step.TRAVEL, speed, seconds)

    def dot(self, cycle: DotCycle) -> None:
        self._plunger(Step.PUSH, cycle.push_ul - cycle.press_ul, cycle.push_ul_s)
        if cycle.dwell_s >= LEAST_WAIT_S:
            self._add(Step.DWELL, 0.0, cycle.dwell_s)
        self._plunger(Step.RETRACT, cycle.draw_ul - cycle.retract_ul, cycle.retract_ul_s)

    def bead(
        self,
        cycle: BeadCycle,
        onward: Sequence[Place],
        walk: Walk,
        heights_mm: Sequence[float] | None = None,
    ) -> None:
        """Prime, lay to each further point at its height, retract; each leg feeds its share of the length.

        The plunger primes along the walk's run in, and retracts along its run out.
        """
        speed, accel = walk.speed_mm_s, self.profile.machine.accel_xy_mm_s2
        z = heights_mm or [self._z] * len(onward)
        points = [(self._x, self._y, self._z), *((x, y, z) for (x, y), z in zip(onward, z, strict=True))]
        end = points[-1]
        points[0] = _towards(points[0], points[1], walk.run_in_mm)
        points[-1] = _towards(points[-1], points[-2], walk.run_out_mm)
        legs = [dist(a, b) for a, b in pairwise(points)]
        whole = sum(legs)
        self._x, self._y, self._z = points[0]
        self._plunger(Step.PUSH, cycle.prime_ul - cycle.press_ul, cycle.prime_ul_s)
        self._plunger(Step.PUSH, cycle.stand_in_ul, cycle.feed_ul_s)
        walked_ul = cycle.feed_ul - cycle.stand_in_ul - cycle.stand_out_ul
        for place, leg in zip(points[1:], legs, strict=True):
            self.drive.sweep(walked_ul * leg / whole)
            self._x, self._y, self._z = place
            self._add(Step.LAY, speed, move_time_s(leg, speed, accel))
        self._plunger(Step.PUSH, cycle.stand_out_ul, cycle.feed_ul_s)
        self._x, self._y, self._z = end
        self._plunger(Step.RETRACT, cycle.draw_ul - cycle.retract_ul, cycle.retract_ul_s)

    def wipe(self, wipe: Wipe) -> None:
        """Draw the tip along the wiping pad, to and fro."""
        machine = self.profile.machine
        speed = min(WIPE_MM_S, machine.speed_xy_mm_s)
        self.travel(wipe.from_mm)
        self.lower(wipe.z_mm)
        ends = (wipe.from_mm, wipe.to_mm)
        for stroke in range(wipe.strokes):
            start, end = ends[stroke % 2], ends[1 - stroke % 2]
            self._x, self._y = end
            self._add(Step.WIPE, speed, move_time_s(dist(start, end), speed, machine.accel_xy_mm_s2))
        self.lift()

    def _plunger(self, step: Step, volume_ul: float, rate_ul_s: float) -> None:
        before = self.drive.position_mm
        after = self.drive.sweep(volume_ul)
        speed = rate_ul_s / self._ul_per_mm
        if after != before:
            seconds = move_time_s(abs(after - before), speed, self.profile.plunger.accel_mm_s2)
            self._add(step, speed, seconds)

    def _vertical(
        self,
        step: Step,
        z_mm: float,
        volume_ul: float = 0.0,
        rate_ul_s: float = inf,
        *,
        tip_mm_s: float = inf,
    ) -> None:
        # The first move starts nobody knows where; its time is that of the whole clearance.
        before = self.drive.position_mm
        if volume_ul != 0:
            self.drive.sweep(volume_ul)
        speed, seconds = vertical(
            abs(z_mm - self._z),
            abs(self.drive.position_mm - before),
            self.profile,
            plunger_mm_s=rate_ul_s / self._ul_per_mm,
            tip_mm_s=tip_mm_s,
        )
        self._z = z_mm
        self._add(step, speed, seconds)

    def _add(self, step: Step, speed_mm_s: float, duration_s: float) -> None:
        self.moves.append(
            Move(
                step=step,
                x_mm=self._x,
                y_mm=self._y,
                z_mm=self._z,
                plunger_mm=self.drive.position_mm,
                speed_mm_s=speed_mm_s,
                duration_s=duration_s,
                deposit=self.deposit,
            )
        )
