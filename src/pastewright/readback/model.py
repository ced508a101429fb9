"""What the read-back expects, finds and says."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from msgspec import Struct

from pastewright.board.model import Point
from pastewright.readback.placed import NO_TRAY, ReadTray
from pastewright.records.kinds import DepositKind


class FindingKind(StrEnum):
    """What can be wrong with a program."""

    MISSING = "missing"
    DOUBLED = "doubled"
    VOLUME = "wrong volume"
    PLACE = "wrong place"
    STRAY = "stray paste"
    LOW_TRAVEL = "low travel"
    STANDOFF = "wrong standoff"
    LIMITS = "outside limits"
    SPEED = "over speed"
    STROKE = "plunger beyond stroke"
    PRESSURE = "pressure left"
    FORCE = "beyond the bench's strength"
    DWELL = "odd wait"
    UNKNOWN_WORD = "unknown word"
    SYNTAX = "bad line"
    STATE = "unstated mode"
    END = "no proper end"
    DRY = "not dry"
    LEVEL = "not level"
    BRIDGE = "may bridge"
    ROW = "uneven row"
    SOILED = "paste or tip where a board lies"
    KEEP_OUT = "in a keep-out zone"


class Finding(Struct, frozen=True, kw_only=True):
    """One thing wrong: `line` of the program (0: the whole), and the pad it concerns where there is one."""

    kind: FindingKind
    what: str
    line: int = 0
    pad_id: str = ""


class ExpectedDeposit(Struct, frozen=True, kw_only=True):
    """A deposit as the plan has it: its place on the board and its volume. `pad_ids` share it.

    `board` is the number of its board in `Expected.tray`; `width_mm` at rest (0: not told) and the `nets` of its pads
    say whether it may bridge. `on_card`: beside the board, a witness dot; or `thrown` away in the middle of the board, at a
    place in machine coordinates.
    """

    kind: DepositKind
    points_mm: tuple[Point, ...]
    volume_ul: float
    pad_ids: tuple[str, ...]
    board: int = 0
    width_mm: float = 0.0
    nets: frozenset[str] = frozenset()
    on_card: bool = False
    thrown: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelPad:
    """A thermal land: where its paste's centre should lie [mm, board], its half width, and its part [-] of deposits."""

    pad_id: str
    centre_mm: Point
    half_width_mm: float
    shares: tuple[tuple[int, float], ...]


class RowOfPads(Struct, frozen=True, kw_only=True):
    """Pads that share one bead, the deposit number `deposit`: their centres [mm, board], what each is due of it [µL], and
    what the plan says lies nearest to each, over that [-] (None: nothing).
    """

    deposit: int
    pad_ids: tuple[str, ...]
    centres_mm: tuple[Point, ...]
    shares_ul: tuple[float, ...]
    told: tuple[float | None, ...]


class ReadEmpty(Struct, frozen=True, kw_only=True):
    """A box of a board [mm, board] where something may stand: a part, pad or fiducial that gets no paste."""

    board: int
    low_mm: Point
    high_mm: Point


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """What the program must do: deposits in board coordinates; `dry` wants a still plunger and lifted tip.

    `tray` says where the boards lie; empty, one lies in the corner of the profile's bed.
    `level` are the thermal lands, `mends` what the plan says would mend a pair of pads that may bridge, `empty` where
    the tip keeps to the full height, `rows` the pads that share a bead.
    """

    deposits: tuple[ExpectedDeposit, ...]
    dry: bool = False
    tray: ReadTray = NO_TRAY
    level: tuple[LevelPad, ...] = ()
    rows: tuple[RowOfPads, ...] = ()
    empty: tuple[ReadEmpty, ...] = ()
    mends: Mapping[frozenset[str], str] = field(default_factory=dict)


class Delivered(Struct, frozen=True, kw_only=True):
    """What the simulation saw come out for an expected deposit (same order as `Expected.deposits`)."""

    volume_ul: float
    line: int
    peak_kpa: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """The answer. `ok` means no findings. Volumes: everything that left the tip, what the plunger swept,
    what is stored at the end; conservation says out = swept − stored.
    """

    ok: bool
    findings: tuple[Finding, ...]
    delivered: tuple[Delivered | None, ...] = ()
    out_ul: float = 0.0
    swept_ul: float = 0.0
    stored_ul: float = 0.0
    machine_s: float = 0.0
    trace: tuple[tuple[float, float, float], ...] = field(default=())
