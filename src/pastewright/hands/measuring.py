"""Numbers of the bench measured with a person's help, and written into the profile.

    plunger      a caliper, or paste on a scale        tuning.gain_percent
    backlash     one place come to from both sides     plunger.backlash_mm
    stiffness    force or current against feed         plunger.frame_stiffness_n_mm
    camera       one mark seen from two places         camera.mm_per_px, turn_deg
    offset       spots touched and looked at           camera.offset_x_mm, offset_y_mm

What the numbers mean is worked out by the small functions here; the guides around them ask, move and tell.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import atan2, degrees, fsum, hypot, sqrt

from pastewright.board.model import Point
from pastewright.hands.barrels import FEED_UL, SETTLE_S, pushed_ul
from pastewright.hands.guide import Act, Confirm, GivenUpError, Guide, Keep, Look, Number, Steer, Tell
from pastewright.hands.moves import Push, Spot, Wait
from pastewright.hands.reach import Reach
from pastewright.hands.travel import lifted, to_place
from pastewright.place.fiducials.offset import OffsetSpot, camera_offset
from pastewright.plunger.bench import bench_of
from pastewright.problems import one_error
from pastewright.profile.keys import Value
from pastewright.profile.model import Profile

TAKE_UP_MM = 1.0
"""Forward before anything is read: more than the lost motion of any screw that is fit for use (common practice)."""
FAR_MM = 10.0
"""Way between two readings of a caliper: 0.02 mm of it is 0.2 %."""
TIMES = 3
LEAST_GAIN, MOST_GAIN = 0.5, 1.5
"""What the profile takes; beyond it a setting is wrong, not the drive."""
FORCES = 5
FORCE_N = 10.0
"""Step of force that a push should make; five of them stay far below what a barrel stands."""
STRAIGHT = 0.15
"""Largest scatter about a straight line, of the greatest force: more is slip or a scale at its end."""
LOOK_MM = 2.0


def gain_of(measured_mm: float, commanded_mm: float) -> float:
    """Return real over commanded way [-]."""
    return abs(measured_mm) / commanded_mm


def gain_by_mass(mass_mg: float, density_g_cm3: float, swept_ul: float) -> float:
    """Return real over commanded sweep [-]: V = m/ρ, 1 mg at 1 g/cm³ is 1 µL."""
    return mass_mg / density_g_cm3 / swept_ul


@dataclass(frozen=True, slots=True, kw_only=True)
class FittedLine:
    """A straight line through points: slope, and the rms distance of the points from it."""

    slope: float
    rms: float


def line_through(points: Sequence[Point]) -> FittedLine:
    """Return the least-squares line through two or more points, offset free."""
    count = len(points)
    mean_x, mean_y = fsum(x for x, _ in points) / count, fsum(y for _, y in points) / count
    spread = fsum((x - mean_x) ** 2 for x, _ in points)
    slope = fsum((x - mean_x) * (y - mean_y) for x, y in points) / spread
    rest = fsum((y - mean_y - slope * (x - mean_x)) ** 2 for x, y in points)
    return FittedLine(slope=slope, rms=sqrt(rest / count))


def stiffness_n_mm(readings: Sequence[Point], *, gives_mm_n: float = 0.0) -> float:
    """Return the frame's stiffness [N/mm] from (feed [mm], force [N]); the scale itself gives `gives_mm_n` [mm/N].

    Frame and scale stand one behind the other, so their give adds up: 1/k = 1/k_frame + gives. Raises `InputError`
    where the readings make no straight line that rises.
    """
    line = line_through(readings)
    most_n = max(abs(force) for _, force in readings)
    if line.slope <= 0 or line.rms > STRAIGHT * most_n:
        raise one_error(
            "these forces do not rise in a straight line with the feed",
            "Does the plunger press squarely on the scale, without slipping, and below the scale's end?",
        )
    rest = 1 / line.slope - gives_mm_n
    if rest <= 0:
        raise one_error(
            "the scale gives more than frame and scale together", "Measure what the scale gives again."
        )
    return 1 / rest


def camera_scale(moved_mm: Point, first_px: Point, second_px: Point) -> tuple[float, float]:
    """Return the size of a pixel [mm] and the picture's turn [degrees] from one mark seen before and after a move.

    The mark stays, the camera goes d: s·e^{iθ}·u = d, with u = (x1 − x2) − i·(y1 − y2), as y runs down in a picture.
    """
    u = complex(first_px[0] - second_px[0], -(first_px[1] - second_px[1]))
    if abs(u) < 10:
        raise one_error(
            f"the mark moved by {abs(u):.1f} pixels only",
            "Was it the same mark, and does the camera move with the head?",
        )
    turned = complex(*moved_mm) / u
    return abs(turned), degrees(atan2(turned.imag, turned.real))


def measure_plunger(profile: Profile) -> Guide[float]:
    """Return and keep real over commanded plunger travel, by a caliper [-]."""
    way_mm = min(FAR_MM, profile.plunger.stroke_mm / 2)
    speed = profile.plunger.speed_mm_s / 2
    yield from _hands_off(f"The plunger goes forward by {TAKE_UP_MM + way_mm:g} mm, with no barrel in.")
    yield Act(moves=(Push(by_mm=TAKE_UP_MM, speed_mm_s=speed),), words="taking up the lost motion")
    first: float = yield _caliper("first", "Put the caliper between plunger and frame. What does it read?")
    yield Act(moves=(Push(by_mm=way_mm, speed_mm_s=speed),), words="forward")
    second: float = yield _caliper("second", "What does it read now?")
    gain = gain_of(second - first, way_mm)
    if not LEAST_GAIN <= gain <= MOST_GAIN:
        raise GivenUpError(
            f"the plunger went {abs(second - first):.2f} mm of {way_mm:g}: its steps are set wrong. Multiply the"
            f" controller's steps for {profile.plunger.letter} by {way_mm / max(abs(second - first), 1e-9):.4f}, or mend"
            " screw and gear in [plunger]; then measure again"
        )
    yield from _kept({"tuning.gain_percent": round(100 * gain, 3)})
    yield Tell(
        words=f"The plunger goes {gain:.2%} of what it is told; tuning.gain_percent says so. (Or multiply the controller's"
        f" steps for {profile.plunger.letter} by {1 / gain:.4f}, and set gain_percent to 100.)"
    )
    return gain


def measure_plunger_by_scale(profile: Profile) -> Guide[float]:
    """Return and keep real over commanded sweep, by paste on a scale [-]; from rest to rest nothing stays stored."""
    volume_ul = max(20 * FEED_UL, 40 * profile.run.relieve_ul)
    push = pushed_ul(profile, volume_ul + profile.run.relieve_ul)
    back = pushed_ul(profile, -profile.run.relieve_ul)
    swept_ul = (push.by_mm + back.by_mm) * profile.barrel.area_mm2
    yield from _hands_off("Paste is pressed out into a weighed cup below the tip.")
    yield Act(
        moves=(push, Wait(seconds=SETTLE_S), back, Wait(seconds=SETTLE_S)),
        words="once for rest; wipe this off",
    )
    yield Tell(
        words="Wipe the tip, put the empty cup on the scale, set it to zero, and the cup below the tip."
    )
    ready: bool = yield Confirm(question="Is the cup below the tip?", name="cup", safety=True)
    if not ready:
        raise GivenUpError("nothing was weighed")
    yield Act(moves=(push, Wait(seconds=SETTLE_S), back, Wait(seconds=SETTLE_S)), words="into the cup")
    mass_mg: float = yield Number(
        question="What does the cup hold?", name="mass", unit="mg", low=0.1, high=100_000, default=None
    )
    gain = gain_by_mass(mass_mg, profile.paste.density_g_cm3, swept_ul)
    if not LEAST_GAIN <= gain <= MOST_GAIN:
        raise GivenUpError(
            f"{mass_mg:g} mg are {gain:.0%} of the {swept_ul:.0f} µL swept: weigh again, and look at bore and alloy"
        )
    yield from _kept({"tuning.gain_percent": round(100 * gain, 3)})
    yield Tell(words=f"{gain:.2%} of what was swept came out; tuning.gain_percent says so.")
    return gain


def measure_backlash(profile: Profile) -> Guide[float]:
    """Return and keep the drive's lost motion [mm]: one place come to from behind and from before."""
    speed = profile.plunger.speed_mm_s / 2
    yield from _hands_off(f"The plunger goes forward and back by {TAKE_UP_MM:g} mm, with no barrel in.")
    lost_mm: list[float] = []
    for number in range(1, TIMES + 1):
        yield Act(
            moves=(Push(by_mm=-TAKE_UP_MM, speed_mm_s=speed), Push(by_mm=TAKE_UP_MM, speed_mm_s=speed)),
            words="to the place from behind",
        )
        behind: float = yield _caliper(f"behind{number}", "What does the caliper read?")
        yield Act(
            moves=(Push(by_mm=TAKE_UP_MM, speed_mm_s=speed), Push(by_mm=-TAKE_UP_MM, speed_mm_s=speed)),
            words="to the same place from before",
        )
        before: float = yield _caliper(f"before{number}", "What does it read now?")
        lost_mm.append(abs(before - behind))
    mean_mm = fsum(lost_mm) / TIMES
    yield from _kept({"plunger.backlash_mm": round(mean_mm, 4)})
    yield Tell(
        words=f"The drive loses {mean_mm:.3f} mm when it turns round ({min(lost_mm):.3f} to {max(lost_mm):.3f});"
        " plunger.backlash_mm says so."
    )
    return mean_mm


def measure_stiffness(profile: Profile, *, by_current: bool = False) -> Guide[float]:
    """Return and keep the frame's stiffness [N/mm]: force against feed, by a scale or by the motor's current."""
    drive = profile.plunger
    step_mm = FORCE_N / drive.frame_stiffness_n_mm
    yield from _hands_off(
        "The plunger presses on the scale (or, by current, against a closed barrel) with up to about"
        f" {FORCES * FORCE_N:g} N."
    )
    newtons_per_amp, gives_mm_n = 1.0, 0.0
    if by_current:
        rated_a: float = yield Number(
            question="At what current does the motor give its torque of [plunger] torque_nm?",
            name="rated",
            unit="A",
            low=0.01,
            high=100,
        )
        bench = bench_of(profile)
        newtons_per_amp = drive.torque_nm / rated_a * drive.gear / bench.torque_per_newton_nm
    else:
        gives: float = yield Number(
            question="How much does the scale itself give under 10 N?",
            name="gives",
            unit="mm",
            low=0,
            high=5,
            default=0,
        )
        gives_mm_n = gives / 10
    yield Steer(question="Run the plunger forward (f) until it just presses.", axes="P")
    readings: list[Point] = []
    for number in range(FORCES + 1):
        if number:
            yield Act(moves=(Push(by_mm=step_mm, speed_mm_s=drive.speed_mm_s / 4), Wait(seconds=1.0)))
        read: float = yield Number(
            question="What does the motor draw?" if by_current else "What does the scale show?",
            name=f"reading{number}",
            unit="A" if by_current else "N",
            low=0,
            high=10_000,
        )
        readings.append((number * step_mm, read * newtons_per_amp))
    yield Act(
        moves=(Push(by_mm=-FORCES * step_mm - TAKE_UP_MM, speed_mm_s=drive.speed_mm_s / 2),), words="back"
    )
    found = stiffness_n_mm(readings, gives_mm_n=gives_mm_n)
    yield from _kept({"plunger.frame_stiffness_n_mm": round(found, 2)})
    yield Tell(words=f"The frame gives 1 mm under {found:.0f} N; plunger.frame_stiffness_n_mm says so.")
    return found


def measure_camera(profile: Profile, at: Spot, reach: Reach) -> Guide[tuple[float, float]]:
    """Return and keep the size of a pixel [mm] and the picture's turn [degrees], from two looks at one mark."""
    at = yield Act(moves=lifted(at, profile))
    at = yield Steer(question="Bring one round mark near the middle of the camera's view.")
    first: Point = yield Look(words="first look")
    way = (LOOK_MM, LOOK_MM)
    at = yield Act(
        moves=to_place((at.x_mm + way[0], at.y_mm + way[1]), at, reach, profile), words="a little on"
    )
    second: Point = yield Look(words="second look")
    scale, turn_deg = camera_scale(way, first, second)
    yield from _kept({"camera.mm_per_px": round(scale, 7), "camera.turn_deg": round(turn_deg, 3)})
    yield Tell(
        words=f"A pixel is {1000 * scale:.2f} µm, the picture is turned by {turn_deg:+.2f}°; [camera] says so."
    )
    return scale, turn_deg


def measure_offset(profile: Profile, at: Spot, reach: Reach, *, spots: int = 2) -> Guide[Point]:
    """Return and keep the camera's place less the tip's [mm]: spots touched with the tip and looked at."""
    pairs: list[OffsetSpot] = []
    x_mm, y_mm = profile.camera.offset_x_mm, profile.camera.offset_y_mm
    for number in range(1, spots + 1):
        yield Tell(words=f"Spot {number} of {spots}: a mark on the board that tip and camera can both reach.")
        at = yield Act(moves=lifted(at, profile))
        touch: Spot = yield Steer(question="Touch the spot with the tip.")
        at = yield Act(
            moves=to_place((touch.x_mm - x_mm, touch.y_mm - y_mm), touch, reach, profile),
            words="camera over the spot",
        )
        at = yield Steer(question="Bring the cross-hair onto the same spot.")
        pairs.append(OffsetSpot(touch_mm=(touch.x_mm, touch.y_mm), look_mm=(at.x_mm, at.y_mm)))
        x_mm, y_mm = touch.x_mm - at.x_mm, touch.y_mm - at.y_mm
    found = camera_offset(pairs)
    yield from _kept(
        {
            "camera.offset_x_mm": round(found.offset_mm[0], 4),
            "camera.offset_y_mm": round(found.offset_mm[1], 4),
        }
    )
    error = "" if found.error_mm is None else f", standard error {found.error_mm:.4f} mm"
    yield Tell(
        words=f"The camera looks {hypot(*found.offset_mm):.2f} mm beside the tip (X {found.offset_mm[0]:+.3f},"
        f" Y {found.offset_mm[1]:+.3f}{error}); [camera] says so."
    )
    return found.offset_mm


def _hands_off(what: str) -> Guide[None]:
    yield Tell(words=f"{what} Keep fingers off plunger and tip.", caution=True)
    ready: bool = yield Confirm(question="Are your hands away?", name="hands", safety=True)
    if not ready:
        raise GivenUpError("nothing was measured")


def _caliper(name: str, question: str) -> Number:
    return Number(question=question, name=name, unit="mm", low=-500, high=500)


def _kept(values: dict[str, Value]) -> Guide[Profile]:
    new: Profile = yield Keep(values=values)
    return new
