"""The values the pretend controller shows: what it carried out, how it stands, and how it is built."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from pastewright.virtual.reach import Ground, Travel

PLUNGER_LETTERS = "EABCUVW"
"""Letters besides X, Y and Z that may name an axis; the plunger is whichever of them is used first."""

ROTARY_LETTERS = "ABC"
"""Axes that turn, RS274/NGC (NISTIR 6556) section 2.1.2.3: inches never apply to them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AxisLimit:
    """How fast an axis may go and how quickly it may get there (degrees in place of mm for one that turns)."""

    speed_mm_s: float
    accel_mm_s2: float

    def __post_init__(self) -> None:
        if self.speed_mm_s <= 0 or self.accel_mm_s2 <= 0:
            raise ValueError(f"no such axis: {self}; both must be above zero")


def _small_gantry() -> Mapping[str, AxisLimit]:
    """Return the limits of an everyday desktop gantry (made up, common practice)."""
    level = AxisLimit(speed_mm_s=200.0, accel_mm_s2=1000.0)
    lift = AxisLimit(speed_mm_s=20.0, accel_mm_s2=200.0)
    plunger = AxisLimit(speed_mm_s=100.0, accel_mm_s2=1000.0)
    return MappingProxyType({"X": level, "Y": level, "Z": lift, **dict.fromkeys(PLUNGER_LETTERS, plunger)})


@dataclass(frozen=True, slots=True, kw_only=True)
class Manners:
    """How this controller is built and how much it talks. Times are the machine's own unless said otherwise.

    `planner_moves`, `command_lines` and `receive_bytes` are what fits (None: the protocol's usual number);
    `busy_s` between signs of life while it works; `chatter_lines` answered lines between temperature reports
    that nobody asked for (0 for none); `boot_s` host seconds from a reset to the greeting, when bytes are lost;
    `greeting` takes the place of the CNC controller's own ("": its own), for clients that know certain names only;
    `baud` 0 for a wire that takes no time; `cold_guard` refuses E until `M302 P1`, as printer controllers do.
    `travel` is where limit switches are (none: nowhere), `ground` what closes the probe's contact (None: nothing),
    `start_mm` where the axes truly are at power-on, whatever the controller believes. `junction_mm` lets it run through
    corners (`look_ahead`); None stops at the end of every move.
    """

    advanced_ok: bool = False
    emergency_parser: bool = True
    cold_guard: bool = False
    busy_s: float = 2.0
    chatter_lines: int = 40
    boot_s: float = 0.0
    greeting: str = ""
    baud: int = 0
    planner_moves: int | None = None
    command_lines: int = 4
    receive_bytes: int | None = None
    homing_speed_mm_s: float = 20.0
    limits: Mapping[str, AxisLimit] = field(default_factory=_small_gantry)
    travel: Travel = field(default_factory=dict)
    ground: Ground | None = None
    start_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)
    junction_mm: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class VirtualModes:
    """What the words so far have set: units, distance modes, feed."""

    inches: bool = False
    relative: bool = False
    plunger_relative: bool = False
    inverse_time: bool = False
    feed: float = 0.0
    motion: str = "G0"


@dataclass(frozen=True, slots=True, kw_only=True)
class Executed:
    """One command carried out, and how the machine stood after it.

    `line` is its N word, `text` the command without number, checksum and comments. `time_s` is when it ended on
    the host's clock, `machine_s` the machine's own working time up to there, before scaling. `axes_mm` (X, Y, Z)
    and `plunger` count from where the machine stood at power-on, whatever the controller was told to call it.
    `share` < 1: a move that a reset or an emergency cut short.
    """

    line: int | None
    text: str
    time_s: float
    machine_s: float
    axes_mm: tuple[float, float, float]
    plunger: float
    share: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class VirtualState:
    """How the machine stands now. `axes_mm` and `plunger` are the truth, `reported` what the controller believes.

    `activity` is Idle, Run, Hold or Alarm, and Halted after an emergency or Booting after a reset; `alarm` says
    why it is locked, "" when it is not; `queued_moves` planned and not yet ended; `waiting_bytes` received and
    not yet read; `lost_bytes` came while the receive buffer was full; `last_line` last line number taken.
    """

    axes_mm: tuple[float, float, float]
    plunger: float
    reported: Mapping[str, float]
    modal: VirtualModes
    activity: str
    alarm: str
    paused: bool
    queued_moves: int
    waiting_bytes: int
    lost_bytes: int
    last_line: int
