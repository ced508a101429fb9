"""The `Profile`: everything the tool must know of one bench. Made by `profile.read`, sound once it exists.

Units inside: mm, µL (= mm³), s, kPa, N, N·m, degrees. Fractions are 0 to 1 (the file speaks of percent where
people do). Machine coordinates are those the program is written in; Z grows upwards, away from the board.

Longer than 400 lines because a profile is one value: its parts are told side by side, one short class each.
"""

from dataclasses import dataclass
from enum import StrEnum

from pastewright.materials.model import Barrel, Paste, Screw, Tip
from pastewright.records.kinds import DialectName as DialectName
from pastewright.records.kinds import PlungerUnit as PlungerUnit


class PlungerMode(StrEnum):
    """Whether plunger words are positions or distances."""

    ABSOLUTE = "absolute"
    RELATIVE = "relative"


class BeadFeed(StrEnum):
    """How the speed of a bead (tip and plunger moving together) is told to the controller.

    PATH: F is the speed along the XYZ path (NIST RS274/NGC for rotary letters, most printer firmware).
    INVERSE_TIME: G93, F is one over the minutes that the move takes; needs no agreement about axes.
    """

    PATH = "path"
    INVERSE_TIME = "inverse-time"


@dataclass(frozen=True, slots=True, kw_only=True)
class Machine:
    """Axes: travel [mm], speed [mm/s], acceleration [mm/s²]. Speeds of X and Y hold for each axis alone."""

    x_min_mm: float
    x_max_mm: float
    y_min_mm: float
    y_max_mm: float
    z_min_mm: float
    z_max_mm: float
    speed_xy_mm_s: float
    speed_z_mm_s: float
    accel_xy_mm_s2: float
    accel_z_mm_s2: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Bed:
    """Where things lie [mm, machine].

    (`board_x_mm`, `board_y_mm`) is the board's lower left corner, `board_z_mm` the Z at which the tip touches
    it. `clearance_mm` above the board is the height of travels; hops of up to `hop_reach_mm` over known ground go
    `hop_clear_mm` above the highest paste on their way (0: none does). The settling strip is a line from
    (`strip_x_mm`, `strip_y_mm`), up to `strip_length_mm` long in +x, on something that may be soiled, at the
    board's height; boards lay `strip_most_ul` on it where that is enough, and may come back to throw away beside it, in
    `strip_trips` at most. The program ends over (`park_x_mm`,
    `park_y_mm`). `strip_open` and `park_open`: the profile does not say where; what stands there is in front of the
    board's corner, until a board is known and a free place with it.
    """

    board_x_mm: float
    board_y_mm: float
    board_z_mm: float
    clearance_mm: float
    strip_x_mm: float
    strip_y_mm: float
    strip_length_mm: float
    park_x_mm: float
    park_y_mm: float
    hop_clear_mm: float = 0.2
    hop_reach_mm: float = 0.0
    strip_most_ul: float = 5.0
    strip_trips: int = 0
    strip_open: bool = False
    park_open: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Controller:
    """How programs are written. `decimals` are those of positions; the plunger's follow from its microstep."""

    dialect: DialectName
    plunger_mode: PlungerMode
    bead_feed: BeadFeed
    line_numbers: bool
    checksums: bool
    decimals: int


@dataclass(frozen=True, slots=True, kw_only=True)
class PlungerDrive:
    """The motor behind the plunger, as an axis of the controller. `sign` +1: growing numbers push paste out.

    `speed_mm_s` and `accel_mm_s2` are of the plunger, after gear and screw. `backlash_mm` is the lost motion
    of the drive at the plunger. `frame_stiffness_n_mm` is how many newtons push the frame, screw and mount
    one millimetre apart. `torque_nm` is of the motor at the step rates used. `drawn_back`: programs begin with the
    drive on the side of its backlash where a retraction leaves it.
    """

    letter: str
    unit: PlungerUnit
    sign: int
    screw: Screw
    steps_per_turn: int
    microsteps: int
    gear: float
    speed_mm_s: float
    accel_mm_s2: float
    torque_nm: float
    thread_friction: float
    stroke_mm: float
    backlash_mm: float
    frame_stiffness_n_mm: float
    drawn_back: bool = False

    @property
    def microstep_mm(self) -> float:
        """Plunger travel of one microstep [mm] = lead / (steps · microsteps · gear)."""
        return self.screw.lead_mm / (self.steps_per_turn * self.microsteps * self.gear)


@dataclass(frozen=True, slots=True, kw_only=True)
class Tuning:
    """What trial dots taught; defaults are starting points, `dated` is empty until a trial was read.

    `gain` is real over commanded plunger sweep [-]. `bubble_ul` is air trapped behind the paste, at
    atmospheric pressure [µL]. `dot_shape_ratio` h/d and `bead_shape_ratio` h/w of resting paste [-].
    `dwell_s` is the wait between push and retraction of a dot. `push_ul_s` is the plunger's sweep rate while
    it pushes and retracts (limited by the drive). `bead_mm_s` is the tip's speed along a bead.
    `smallest_dot_bores` is the smallest dot's diameter in tip bores. `seal_friction_n` acts on the paste through the
    frame's spring. Boards: with `fastest_push` the plunger goes as fast as its drive, whatever `push_ul_s` says; up to
    `press_fraction` of the yield pressure is built up while the tip is lowered, and from `draw_yields` times the yield
    pressure on the tip is lifted while the plunger draws back. Pressure may really be `pressure_doubt` times what is
    planned [-]; limits are kept with that.
    Paste that stands for long is thicker by `standing`, the logarithm of the factor on its consistency [-]; what it lacks
    of that comes back by 1/e in `building_s`, and a strain of `breaking_strain` in the tip takes as much away. The
    consistency of the paste is that without structure.
    """

    gain: float
    bubble_ul: float
    seal_friction_n: float
    pressure_doubt: float = 1.0
    dot_shape_ratio: float
    bead_shape_ratio: float
    dwell_s: float
    push_ul_s: float
    bead_mm_s: float
    smallest_dot_bores: float
    rest_fraction: float
    standing: float = 0.0
    building_s: float = 30.0
    breaking_strain: float = 100.0
    dated: str
    fastest_push: bool = False
    press_fraction: float = 0.0
    draw_yields: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Covariance:
    """Covariance of the constants `names`, whole: `rows[i][j]` of natural logarithms, of `seal_friction_n` in N, of
    `standing` as a share.
    """

    names: tuple[str, ...]
    rows: tuple[tuple[float, ...], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class OtherBench:
    """Another bench that explains a trial's dots: its likelihood over the fitted one's [-], and how far it lies from that
    by each constant of the trial's covariance, in its order and units.
    """

    likelihood: float
    away: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class TuningRecord:
    """What one trial taught; None where it does not say. `*_sd` are relative standard deviations [-].

    `paste` and `tip` name what was used (`profile.tuned`), `scale` where the absolute volume came from. Values as
    in `PlungerDrive`, `Paste` and `Tuning`. `covariance` is of all of them together.
    """

    dated: str
    use: bool = True
    paste: str = ""
    tip: str = ""
    lot: str = ""
    temperature_c: float | None = None
    sheet: str = ""
    dots: int = 0
    scale: str = "travel"
    spread: float | None = None
    frame_stiffness_n_mm: float | None = None
    frame_stiffness_sd: float | None = None
    backlash_mm: float | None = None
    backlash_sd: float | None = None
    gain: float | None = None
    gain_sd: float | None = None
    bubble_ul: float | None = None
    bubble_sd: float | None = None
    seal_friction_n: float | None = None
    seal_friction_sd_n: float | None = None
    pressure_doubt: float | None = None
    expected_error: float | None = None
    worst_error: float | None = None
    laid_s: float | None = None
    consistency_kpa_sn: float | None = None
    consistency_sd: float | None = None
    flow_index: float | None = None
    flow_index_sd: float | None = None
    yield_stress_kpa: float | None = None
    yield_stress_sd: float | None = None
    dot_shape_ratio: float | None = None
    dot_shape_sd: float | None = None
    smallest_dot_bores: float | None = None
    smallest_dot_sd: float | None = None
    standing: float | None = None
    standing_sd: float | None = None
    building_s: float | None = None
    breaking_strain: float | None = None
    fill_ul: float | None = None
    covariance: Covariance | None = None
    other_benches: tuple[OtherBench, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """How far a bench may be from its last trial. `hours`, `refills` and `temperature_c` say what has been since, the
    others what each brings, as standard deviations: shares [-] of consistency and stiffness, air [µL], friction [N].
    """

    hours: float = 4.0
    refills: int = 0
    temperature_c: float | None = None
    consistency_h: float = 0.015
    consistency_c: float = 0.04
    stiffness_refill: float = 0.02
    bubble_ul_refill: float = 1.0
    bubble_ul_barrel: float = 1.0
    seal_n_barrel: float = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class DoseRule:
    """One rule of the profile or job; all criteria that are given must match, and the first such rule decides.

    `ref` and `pin` are shell-style patterns ("U*"); `kind` is a pad kind's word; areas in mm². Exactly one
    of `volume_ul`, `scale`, `coverage`, `skip` acts. `line` is where the rule stands in the file, `file` the name
    of a job file ("" for the profile). `pad_id` names one pad of a job's board; such a rule acts after the others,
    on what they gave.
    """

    pad_id: str = ""
    ref: str = ""
    pin: str = ""
    kind: str = ""
    area_from_mm2: float = 0.0
    area_to_mm2: float = float("inf")
    volume_ul: float | None = None
    scale: float | None = None
    coverage: float | None = None
    skip: bool = False
    note: str = ""
    line: int = 0
    file: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class DoseSettings:
    """How much paste. `foil_mm` and `print_metal_mass_fraction` describe the print that doses equal.

    `transfer` is pairs (area ratio, transfer efficiency), both rising in area ratio, interpolated linearly and
    held flat outside. `thermal_coverage` applies to thermal lands without window panes. `shrink_mm` is taken
    off each edge of exposed copper when there is no paste layer. Paste-in-hole: `board_mm` thickness,
    `pin_mm` side of a square pin or diameter, `fillet_mm` radius of both fillets.
    """

    foil_mm: float
    print_metal_mass_fraction: float
    transfer: tuple[tuple[float, float], ...]
    thermal_coverage: float
    thermal_area_mm2: float
    shrink_mm: float
    paste_in_hole: bool
    board_mm: float
    pin_mm: float
    pin_square: bool
    fillet_mm: float
    rules: tuple[DoseRule, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class DepositSettings:
    """Where paste may lie. `bridge_gap_mm` must remain between deposits of different nets after
    `placement_error_mm`. A dot may reach `overhang_mm` beyond its land. A dose may be trimmed down to
    `trim_to` of its target, or raised to `raise_to` of it when the tip can lay nothing smaller. A row bead
    lays `row_factor` of the sum of its doses. Behind each deposit the tip goes up `break_off_mm` at `break_off_mm_s`.
    """

    bridge_gap_mm: float
    placement_error_mm: float
    overhang_mm: float
    trim_to: float
    raise_to: float
    row_factor: float
    standoff_bores: float
    break_off_mm: float = 0.0
    break_off_mm_s: float = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class VerifySettings:
    """Limits of the verdict: `volume_tolerance` is a fraction of the planned volume, for a bench that is as its profile
    says; `tolerance` is what 95 of 100 pads are to be within on the bench as it may be [-].
    """

    volume_tolerance: float
    place_tolerance_mm: float
    tolerance: float = 0.10


class WhenToLearn(StrEnum):
    """When a batch asks for its witness rows: when the person presses the key; after each board; after each board, and
    corrected without a further question.
    """

    ON_KEY = "on key"
    EACH_BOARD = "each board"
    BY_ITSELF = "by itself"


@dataclass(frozen=True, slots=True, kw_only=True)
class RunSettings:
    """How programs are sent. `home` is lines parted by "|". A stop draws `relieve_ul` [µL] back. The four
    `confirm_*` are questions asked before a run. `floor_life_s` is how long opened paste may be used [s].
    Batches: `find` is "stop" or "points"; the card has `card_rows` rows, `card_pitch_mm` apart in Y, and `learn` says
    when its witness rows are asked for.
    """

    baud: int = 115200
    home: str = ""
    confirm_board: bool = True
    confirm_side: bool = True
    confirm_tip_clear: bool = True
    confirm_air: bool = True
    deposits_per_barrier: int = 1
    relieve_ul: float = 2.0
    motors_off: bool = False
    floor_life_s: float = 8 * 3600.0
    find: str = "stop"
    card_rows: int = 8
    card_pitch_mm: float = -5.0
    learn: WhenToLearn = WhenToLearn.ON_KEY


@dataclass(frozen=True, slots=True, kw_only=True)
class Camera:
    """A camera beside the tip: the place it shows less the place of the tip [mm]; `mm_per_px` 0 where unknown."""

    offset_x_mm: float = 0.0
    offset_y_mm: float = 0.0
    mm_per_px: float = 0.0
    turn_deg: float = 0.0


class ProbeWord(StrEnum):
    """How a controller is told to probe."""

    TOWARDS = "G38.2"
    SINGLE = "G30"


@dataclass(frozen=True, slots=True, kw_only=True)
class ProbeSettings:
    """What finds heights. Offsets are the probe's place, or its answer, less the tip's [mm]."""

    word: ProbeWord = ProbeWord.TOWARDS
    speed_mm_s: float = 2.0
    below_mm: float = 1.0
    offset_x_mm: float = 0.0
    offset_y_mm: float = 0.0
    offset_z_mm: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Profile:
    """One bench, complete. `sha256` names the exact file it was read from.

    `history` is what earlier trials taught, oldest first; what of it holds is in the values already, and `tuned` says
    so in words.
    """

    name: str
    file: str
    sha256: str
    machine: Machine
    bed: Bed
    controller: Controller
    plunger: PlungerDrive
    barrel: Barrel
    tip: Tip
    paste: Paste
    tuning: Tuning
    dose: DoseSettings
    deposit: DepositSettings
    verify: VerifySettings
    drift: Drift = Drift()
    run: RunSettings = RunSettings()
    camera: Camera = Camera()
    probe: ProbeSettings = ProbeSettings()
    history: tuple[TuningRecord, ...] = ()
    tuned: tuple[str, ...] = ()

    @property
    def microstep_ul(self) -> float:
        """Paste swept by one microstep [µL]."""
        return self.barrel.area_mm2 * self.plunger.microstep_mm * self.tuning.gain

    @property
    def travel_z_mm(self) -> float:
        """Height of every travel [mm, machine]."""
        return self.bed.board_z_mm + self.bed.clearance_mm
