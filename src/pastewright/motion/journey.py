"""Where tip and plunger are, and the moves that led there: what a journey is made of, one after the other."""

from collections.abc import Sequence
from itertools import pairwise
from math import dist, inf

from pastewright.kinematics import move_time_s
from pastewright.motion.drive import Drive
from pastewright.motion.model import Move, Step
from pastewright.motion.vertical import first_lift_mm, vertical
from pastewright.place.transform import Wipe
from pastewright.plunger.bench import PlungerBench
from pastewright.plunger.model import BeadCycle, DotCycle
from pastewright.plunger.walk import Walk
from pastewright.profile.model import Profile

SAME_PLACE_MM = 1e-9  # rounding of sums, far below what any axis places

# Shorter waits are none: controllers count milliseconds.
LEAST_WAIT_S = 0.0005

# Slow enough to take paste along rather than to fling it; common practice.
WIPE_MM_S = 10.0

Place = tuple[float, float]


class Journey:
    """A journey as it grows."""

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
        self.push_ul_s = bench.push_ul_s
        # Before the first travel nobody knows where the tip is; for its time, the park position is as good a guess
        # as any, but the move itself must be made even if it seems to lead nowhere.
        self._lost = True
        self._x, self._y = profile.bed.park_x_mm, profile.bed.park_y_mm
        self._z = profile.bed.board_z_mm
        self._placed = False

    def section(self, heading: str) -> None:
        """Begin a part of the journey that has a heading of its own."""
        self.sections.append((len(self.moves), heading))

    def raise_tip(self) -> None:
        """Go straight up to the height of travels, wherever the tip is."""
        self._vertical(Step.RAISE, self.travel_z_mm)

    def lower(self, z_mm: float, *, press_ul: float = 0.0, rate_ul_s: float = inf) -> None:
        """Lower the tip to a height [mm, machine], and press paste into store meanwhile."""
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
        """Push, wait, and draw back, without what is pressed and drawn on the way down and up."""
        self._plunger(Step.PUSH, cycle.push_ul - cycle.press_ul, cycle.push_ul_s)
        if cycle.dwell_s >= LEAST_WAIT_S:
            self._add(Step.DWELL, 0.0, cycle.dwell_s)
        self._plunger(Step.RETRACT, cycle.draw_ul - cycle.retract_ul, cycle.retract_ul_s)

    def standing_bead(self, cycle: BeadCycle) -> None:
        """Lay all of a bead at one place, where its shape does not matter."""
        self._plunger(Step.PUSH, cycle.prime_ul - cycle.press_ul, cycle.prime_ul_s)
        self._stand(cycle.feed_ul, cycle.feed_ul_s)
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
        self._stand(cycle.stand_in_ul, cycle.feed_ul_s)
        walked_ul = cycle.feed_ul - cycle.stand_in_ul - cycle.stand_out_ul
        for place, leg in zip(points[1:], legs, strict=True):
            self.drive.sweep(walked_ul * leg / whole)
            self._x, self._y, self._z = place
            self._add(Step.LAY, speed, move_time_s(leg, speed, accel))
        self._stand(cycle.stand_out_ul, cycle.feed_ul_s)
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

    def _stand(self, volume_ul: float, rate_ul_s: float) -> None:
        """Feed while the tip stands, for as long as the volume takes: paste flows by its pressure, and how many microsteps
        that is decides how fast they go, not how long. Of a bead of 14 microsteps one too few at either end was 9 %.
        """
        seconds = volume_ul / rate_ul_s
        if seconds < LEAST_WAIT_S:
            self._plunger(Step.PUSH, volume_ul, rate_ul_s)
            return
        before = self.drive.position_mm
        way_mm = self.drive.sweep(volume_ul) - before
        if way_mm == 0:
            self._add(Step.DWELL, 0.0, seconds)
        else:
            self._add(Step.PUSH, min(way_mm / seconds, self.profile.plunger.speed_mm_s), seconds)

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


def _towards(
    start: tuple[float, float, float], end: tuple[float, float, float], way_mm: float
) -> tuple[float, float, float]:
    """Return the point `way_mm` from one point towards another."""
    if way_mm <= 0:
        return start
    share = way_mm / dist(start, end)
    (x, y, z), (to_x, to_y, to_z) = start, end
    return x + share * (to_x - x), y + share * (to_y - y), z + share * (to_z - z)
