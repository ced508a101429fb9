"""Layout, sequence and profile to `Motions`: every move of tip and plunger, with its speed and time.

    raise · settling strip · per deposit: travel, lower, (push, dwell, retract) or (push, lay…, retract), lift · park

Board to machine is a shift by the bed's board corner. Corners of beads are stopped at (`plunger.walk`). What a
controller makes of these moves is for `program`; how they were chosen is in `plunger`.
"""

from math import dist, pi, sqrt

from pastewright.deposit.model import Layout
from pastewright.kinematics import move_time_s
from pastewright.motion.cycles import Cycles, path_of, plan_cycles
from pastewright.motion.drive import Drive
from pastewright.motion.faults import checked, findings
from pastewright.motion.model import Motions, Move, Step
from pastewright.plunger.bench import PlungerBench, bench_of
from pastewright.plunger.model import BeadCycle, DotCycle
from pastewright.profile.model import Profile
from pastewright.route.model import Sequence

# The tip comes no closer than this, whatever the deposit's height: boards are seldom known flatter
# (common practice: warp of 0.75 % of the diagonal is allowed by IPC-6012, from memory; beds are levelled to 0.05).
LEAST_STANDOFF_MM = 0.05

# Standoff over the height of the resting deposit; higher and it does not transfer (trade habit, 0.5 to 0.9).
STANDOFF_OF_HEIGHT = 0.8

# Higher than this the strip's paste would not reach the card in one piece.
HIGHEST_STRIP_MM = 1.0

SAME_PLACE_MM = 1e-9

Place = tuple[float, float]


def standoff_mm(height_mm: float, profile: Profile) -> float:
    """Gap between tip and board while a deposit of this height is laid [mm].

    The lesser of `standoff_bores` bores and 0.8 of the height, but at least 0.05 mm.
    """
    wanted = min(profile.deposit.standoff_bores * profile.tip.bore_mm, STANDOFF_OF_HEIGHT * height_mm)
    return max(wanted, LEAST_STANDOFF_MM)


def plan_motions(layout: Layout, sequence: Sequence, profile: Profile) -> Motions:
    """Return the whole journey, from raising the tip to the park position.

    Raises `InputError` when a place is out of reach, the barrel or the stroke is too short, or a dose has fewer
    than three microsteps; lesser troubles are warnings of the result.
    """
    return motions_of(plan_cycles(layout, sequence, profile), layout, sequence, profile)


def motions_of(cycles: Cycles, layout: Layout, sequence: Sequence, profile: Profile) -> Motions:
    """Return the journey for cycles already planned (`plan_cycles`)."""
    bench = bench_of(profile)
    journey = _Journey(bench, profile)
    _strip(journey, cycles)
    journey.section("deposits")
    dx, dy = profile.bed.board_x_mm, profile.bed.board_y_mm
    for visit, cycle, walk in zip(sequence.visits, cycles.visits, cycles.walks, strict=True):
        deposit = layout.deposits[visit.deposit]
        path = [(x + dx, y + dy) for x, y in path_of(deposit, backwards=visit.backwards)]
        journey.deposit = deposit.index
        journey.travel(path[0])
        journey.lower(profile.bed.board_z_mm + standoff_mm(deposit.height_mm, profile))
        if isinstance(cycle, DotCycle):
            journey.dot(cycle)
        elif walk is not None:
            journey.bead(cycle, path[1:], walk.speed_mm_s)
        journey.lift()
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
        warnings=checked(problems),
    )


def _strip(journey: "_Journey", cycles: Cycles) -> None:
    bed, tuning = journey.profile.bed, journey.profile.tuning
    strip = cycles.settling
    journey.section(f"settling strip, {strip.cycle.volume_ul:.1f} uL at {strip.flow_ul_s:.3g} uL/s")
    journey.raise_tip()
    journey.travel((bed.strip_x_mm, bed.strip_y_mm))
    # The strip is a thick bead: the tip rides on it as on any other, so that it is not ploughed.
    width = sqrt(strip.cycle.volume_ul / bed.strip_length_mm / (pi / 4 * tuning.bead_shape_ratio))
    height = STANDOFF_OF_HEIGHT * tuning.bead_shape_ratio * width
    highest = min(HIGHEST_STRIP_MM, bed.clearance_mm / 2)
    journey.lower(bed.board_z_mm + min(max(height, LEAST_STANDOFF_MM), highest))
    end = (bed.strip_x_mm + bed.strip_length_mm, bed.strip_y_mm)
    journey.bead(strip.cycle, [end], strip.walk.speed_mm_s)
    journey.lift()


class _Journey:
    """Where tip and plunger are, and the moves that led there."""

    def __init__(self, bench: PlungerBench, profile: Profile) -> None:
        self.profile = profile
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
        self._vertical(Step.RAISE, self.profile.travel_z_mm)

    def lower(self, z_mm: float) -> None:
        self._vertical(Step.LOWER, z_mm)

    def lift(self) -> None:
        self._vertical(Step.LIFT, self.profile.travel_z_mm)

    def travel(self, to: Place) -> None:
        """Both axes start and stop together, so the longer way sets the time and the other goes slower."""
        machine = self.profile.machine
        away = dist((self._x, self._y), to)
        if away <= SAME_PLACE_MM and not self._lost:
            return
        self._lost = False
        longer = max(abs(to[0] - self._x), abs(to[1] - self._y))
        self._x, self._y = to
        self.travel_mm += away
        speed = machine.speed_xy_mm_s * (away / longer if longer > 0 else 1.0)
        seconds = move_time_s(longer, machine.speed_xy_mm_s, machine.accel_xy_mm_s2)
        self._add(Step.TRAVEL, speed, seconds)

    def dot(self, cycle: DotCycle) -> None:
        self._plunger(Step.PUSH, cycle.push_ul, cycle.push_ul_s)
        if cycle.dwell_s > 0:
            self._add(Step.DWELL, 0.0, cycle.dwell_s)
        self._plunger(Step.RETRACT, -cycle.retract_ul, cycle.retract_ul_s)

    def bead(self, cycle: BeadCycle, onward: list[Place], speed_mm_s: float) -> None:
        """Prime, lay to each further point, retract; each leg feeds its share of the length."""
        accel = self.profile.machine.accel_xy_mm_s2
        self._plunger(Step.PUSH, cycle.prime_ul, cycle.prime_ul_s)
        points = [(self._x, self._y), *onward]
        legs = [dist(a, b) for a, b in zip(points, onward, strict=False)]
        whole = sum(legs)
        for (x, y), leg in zip(onward, legs, strict=True):
            self.drive.sweep(cycle.feed_ul * leg / whole)
            self._x, self._y = x, y
            self._add(Step.LAY, speed_mm_s, move_time_s(leg, speed_mm_s, accel))
        self._plunger(Step.RETRACT, -cycle.retract_ul, cycle.retract_ul_s)

    def _plunger(self, step: Step, volume_ul: float, rate_ul_s: float) -> None:
        before = self.drive.position_mm
        after = self.drive.sweep(volume_ul)
        speed = rate_ul_s / self._ul_per_mm
        if after != before:
            seconds = move_time_s(abs(after - before), speed, self.profile.plunger.accel_mm_s2)
            self._add(step, speed, seconds)

    def _vertical(self, step: Step, z_mm: float) -> None:
        machine = self.profile.machine
        # The first move starts nobody knows where; its time is that of the whole clearance.
        seconds = move_time_s(abs(z_mm - self._z), machine.speed_z_mm_s, machine.accel_z_mm_s2)
        self._z = z_mm
        self._add(step, machine.speed_z_mm_s, seconds)

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
