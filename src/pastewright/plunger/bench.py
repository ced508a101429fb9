"""`Profile` to `PlungerBench`: the numbers that decide how pressure follows the plunger, and nothing else.

Everything after this module works in real sweep at the plunger's face [µL]. The drive's own millimetres come in
once, here: 1 mm commanded sweeps A·gain µL.
"""

from dataclasses import dataclass, replace

from pastewright.materials.model import Screw
from pastewright.materials.screw import raising_torque_nm
from pastewright.plunger.flow import TipFlow, tip_flow, yield_pressure_kpa
from pastewright.plunger.storage import Store, stored_ul
from pastewright.profile.model import Profile
from pastewright.profile.strength import BARREL_SHARE, motor_hold_kpa


@dataclass(frozen=True, slots=True, kw_only=True)
class PlungerBench:
    """Tip, springs and drive. Speeds, backlash and microstep are commanded millimetres of the plunger.

    `backlash_mm` is the motor's way at a reversal before the plunger follows: the drive's own backlash, and what the
    frame's spring takes up while the seal grips the plunger, first one way and then the other, 2·F/k. Of this
    `grip_ul` is half, in µL of sweep: while it is taken up only paste and air give way (`pressure.retracted`).

    `press_fraction` and `draw_yields` of the yield pressure say what of a push is done while the tip is lowered, and of a
    retraction while it is lifted (`press_ul`, `draw_ul`).

    `motor_torque_nm` is of the motor, `gear` motor turns per turn of the screw. `wanted_push_ul_s` is what
    tuning asks for; `push_ul_s` what the drive can do of it.
    """

    tip: TipFlow
    store: Store
    screw: Screw
    gear: float
    motor_torque_nm: float
    thread_friction: float
    gain: float
    microstep_mm: float
    backlash_mm: float
    stroke_mm: float
    speed_mm_s: float
    accel_mm_s2: float
    wanted_push_ul_s: float
    dwell_s: float
    rest_fraction: float
    barrel_limit_kpa: float
    grip_ul: float = 0.0
    pressure_doubt: float = 1.0
    press_fraction: float = 0.0
    draw_yields: float = 0.0

    @property
    def ul_per_mm(self) -> float:
        """Real sweep of one commanded millimetre [µL/mm]."""
        return self.store.area_mm2 * self.gain

    @property
    def microstep_ul(self) -> float:
        """Real sweep of one microstep [µL]."""
        return self.ul_per_mm * self.microstep_mm

    @property
    def backlash_ul(self) -> float:
        """What the motor's travel in the backlash would sweep [µL]."""
        return self.ul_per_mm * self.backlash_mm

    @property
    def accel_ul_s2(self) -> float:
        """Acceleration of the sweep [µL/s²]."""
        return self.ul_per_mm * self.accel_mm_s2

    def held_still(self) -> "PlungerBench":
        """Return the bench on which nothing is pressed on the way down or drawn on the way up."""
        return replace(self, press_fraction=0.0, draw_yields=0.0)

    @property
    def push_ul_s(self) -> float:
        """Sweep rate of pushes and retractions [µL/s], as tuned, or the drive's fastest."""
        return min(self.wanted_push_ul_s, self.ul_per_mm * self.speed_mm_s)

    @property
    def yield_kpa(self) -> float:
        """Pressure at which paste begins to move [kPa]."""
        return yield_pressure_kpa(self.tip)

    @property
    def rest_kpa(self) -> float:
        """Pressure that every deposit starts from and ends at [kPa]."""
        return self.rest_fraction * self.yield_kpa

    @property
    def rest_ul(self) -> float:
        """Volume stored at rest [µL]."""
        return float(stored_ul(self.rest_kpa, self.store))

    @property
    def press_kpa(self) -> float:
        """Pressure that the tip comes down with [kPa], below yield; that of rest where pushes begin on the board."""
        return max(self.rest_kpa, self.press_fraction * self.yield_kpa)

    @property
    def press_ul(self) -> float:
        """What is swept while the tip is lowered [µL]; the backlash is taken up before it. 0: neither."""
        return max(float(stored_ul(self.press_kpa, self.store)) - self.rest_ul, 0.0)

    @property
    def draw_ul(self) -> float:
        """What is drawn back while the tip is lifted [µL]; 0: nothing. A seal that grips is turned round standing."""
        if self.grip_ul > 0:
            return 0.0
        return max(float(stored_ul(self.draw_yields * self.yield_kpa, self.store)) - self.rest_ul, 0.0)

    @property
    def limit_kpa(self) -> float:
        """Highest pressure planned with [kPa]: what the motor holds, and 95 % of what the barrel is rated for; both are
        kept where the real pressure is `pressure_doubt` times the planned one.
        """
        return min(self.motor_limit_kpa, BARREL_SHARE * self.barrel_limit_kpa) / self.pressure_doubt

    @property
    def motor_limit_kpa(self) -> float:
        """Highest pressure that the motor can hold with its margin [kPa]; at least 0."""
        return motor_hold_kpa(
            self.motor_torque_nm * self.gear,
            torque_per_newton_nm=self.torque_per_newton_nm,
            area_mm2=self.store.area_mm2,
            friction_n=self.seal_friction_n,
        )

    @property
    def seal_friction_n(self) -> float:
        """Friction of the seal that the plan knows of [N]."""
        return self.grip_ul * self.store.stiffness_n_mm / self.store.area_mm2

    @property
    def torque_per_newton_nm(self) -> float:
        """Torque on the screw for a newton at the plunger [N·m/N]."""
        return raising_torque_nm(
            1.0,
            lead_mm=self.screw.lead_mm,
            pitch_diameter_mm=self.screw.pitch_diameter_mm,
            half_angle_deg=self.screw.half_angle_deg,
            friction=self.thread_friction,
        )


def board_bench_of(profile: Profile) -> PlungerBench:
    """Return the plunger's side of a profile as boards are laid with it: as fast as may be, part of it on the way."""
    bench, tuning = bench_of(profile), profile.tuning
    push_ul_s = bench.ul_per_mm * bench.speed_mm_s if tuning.fastest_push else bench.wanted_push_ul_s
    return replace(
        bench,
        wanted_push_ul_s=push_ul_s,
        press_fraction=tuning.press_fraction,
        # Paste that still comes while the tip goes up slowly would only lengthen the thread that is to break.
        draw_yields=0.0 if profile.deposit.break_off_mm > 0 else tuning.draw_yields,
    )


def bench_of(profile: Profile) -> PlungerBench:
    """Return the plunger's side of a profile, the barrel filled as at the start of a program."""
    drive, tuning, barrel = profile.plunger, profile.tuning, profile.barrel
    taken_up_mm = tuning.seal_friction_n / drive.frame_stiffness_n_mm
    return PlungerBench(
        tip=tip_flow(profile.tip, profile.paste),
        store=Store(
            area_mm2=barrel.area_mm2,
            stiffness_n_mm=drive.frame_stiffness_n_mm,
            paste_ul=barrel.fill_ul,
            bulk_modulus_kpa=profile.paste.bulk_modulus_kpa,
            bubble_ul=tuning.bubble_ul,
        ),
        screw=drive.screw,
        gear=drive.gear,
        motor_torque_nm=drive.torque_nm,
        thread_friction=drive.thread_friction,
        gain=tuning.gain,
        microstep_mm=drive.microstep_mm,
        backlash_mm=drive.backlash_mm + 2 * taken_up_mm / tuning.gain,
        stroke_mm=drive.stroke_mm,
        speed_mm_s=drive.speed_mm_s,
        accel_mm_s2=drive.accel_mm_s2,
        wanted_push_ul_s=tuning.push_ul_s,
        dwell_s=tuning.dwell_s,
        rest_fraction=tuning.rest_fraction,
        barrel_limit_kpa=barrel.limit_kpa,
        pressure_doubt=tuning.pressure_doubt,
        grip_ul=taken_up_mm * barrel.area_mm2,
    )
