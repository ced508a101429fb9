"""One move in time: how long it takes and where it is in the middle.

speed
  v |    ______
    |   /      \\       from a speed it comes with to one it leaves with (both 0 unless controllers look ahead);
    |  /        \\      a short one never reaches v
    +-/----------\\--- time
      rise_s  fall_s
"""

from collections.abc import Mapping
from dataclasses import dataclass
from math import sqrt

from pastewright.virtual.state import AxisLimit

AXES = "XYZ"


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """What a straight move asks for: its length, cruise speed and acceleration along it [mm or degrees, s]."""

    length: float
    speed: float
    accel: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Pace:
    """How long a move takes in all, and how long each of its two ramps is [s, the machine's own].

    `enter`, `cruise` and `leave` are its speeds [mm/s or degrees/s]; all 0 goes evenly.
    """

    seconds: float
    rise_s: float = 0.0
    fall_s: float = 0.0
    enter: float = 0.0
    cruise: float = 0.0
    leave: float = 0.0

    def share_done(self, elapsed_s: float) -> float:
        """Return how much of the way [0..1] lies behind after `elapsed_s`; the area under the trapezoid."""
        if elapsed_s >= self.seconds:
            return 1.0
        if elapsed_s <= 0:
            return 0.0
        if self.cruise <= 0:
            return elapsed_s / self.seconds
        if elapsed_s > self.seconds - self.fall_s:
            left_s = self.seconds - elapsed_s
            return 1 - _ramped(self.leave, self.cruise, self.fall_s, left_s) / self._whole()
        rising_s = min(elapsed_s, self.rise_s)
        done = _ramped(self.enter, self.cruise, self.rise_s, rising_s) + self.cruise * (elapsed_s - rising_s)
        return done / self._whole()

    def _whole(self) -> float:
        ramps = self.rise_s * (self.enter + self.cruise) / 2 + self.fall_s * (self.leave + self.cruise) / 2
        return ramps + self.cruise * (self.seconds - self.rise_s - self.fall_s)


STANDING = Pace(seconds=0.0)


def _ramped(slow: float, fast: float, ramp_s: float, elapsed_s: float) -> float:
    """Way along a ramp after `elapsed_s` of it."""
    return slow * elapsed_s + ((fast - slow) * elapsed_s**2 / (2 * ramp_s) if ramp_s > 0 else 0.0)


def stretch_of(
    way: Mapping[str, float], *, feed: float | None, seconds: float | None, limits: Mapping[str, AxisLimit]
) -> Stretch | None:
    """Return what a straight move of `way` (mm or degrees by letter) asks for, None where nothing moves.

    `feed` [per s] counts along X, Y and Z where any of these moves, else along the rest; None goes as fast as the
    axes can. `seconds`, where given, is how long it should take from rest to rest (inverse time). No axis exceeds its
    limit.
    """
    moving = {letter: abs(part) for letter, part in way.items() if part}
    if not moving:
        return None
    counted = [part for letter, part in moving.items() if letter in AXES] or list(moving.values())
    length = sqrt(sum(part * part for part in counted))
    speed = min(limits[letter].speed_mm_s * length / part for letter, part in moving.items())
    accel = min(limits[letter].accel_mm_s2 * length / part for letter, part in moving.items())
    if feed is not None:
        speed = min(speed, feed)
    if seconds is not None:
        # The cruise speed v that makes length/v + v/accel equal the time asked for, if any is slow enough.
        room = (accel * seconds) ** 2 - 4 * accel * length
        if room >= 0:
            speed = min(speed, 2 * length / (seconds + sqrt(room) / accel))
    return Stretch(length=length, speed=speed, accel=accel)


def paced(stretch: Stretch | None, enter: float = 0.0, leave: float = 0.0) -> Pace:
    """Return the pace of a move that comes with the speed `enter` and leaves with `leave`; from rest to rest without.

    Speeds must be such that it can be slowed or quickened from one to the other on its way.
    """
    if stretch is None:
        return STANDING
    fast = min(stretch.speed, sqrt((2 * stretch.accel * stretch.length + enter**2 + leave**2) / 2))
    rise_s, fall_s = (fast - enter) / stretch.accel, (fast - leave) / stretch.accel
    even = stretch.length - rise_s * (enter + fast) / 2 - fall_s * (leave + fast) / 2
    return Pace(
        seconds=rise_s + fall_s + max(even, 0.0) / fast,
        rise_s=rise_s,
        fall_s=fall_s,
        enter=enter,
        cruise=fast,
        leave=leave,
    )
