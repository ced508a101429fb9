"""Deposits: paste at rest on the board [mm and µL, board coordinates]."""

from dataclasses import dataclass

from msgspec import Struct

from pastewright.board.model import Point
from pastewright.records.kinds import DepositKind as DepositKind
from pastewright.records.kinds import Form as Form


class Share(Struct, frozen=True, kw_only=True):
    """The part of a deposit that a pad gets; a bead across a row of pads has one share a pad."""

    pad_id: str
    volume_ul: float


class Deposit(Struct, frozen=True, kw_only=True):
    """One dot (one point) or bead (two points or more, a polyline for the tip's centre).

    `width_mm` is the dot's diameter or the bead's width at rest, `height_mm` its height. `index` is its
    place in `Layout.deposits`. The shares' volumes add up to `volume_ul`. `board` is the number of the board it
    is laid on, of those of one program. `row_mm` is the length that the pads under a bead across a row are due, their
    number times their pitch; 0 of all others.
    """

    index: int
    kind: DepositKind
    points_mm: tuple[Point, ...]
    volume_ul: float
    width_mm: float
    height_mm: float
    shares: tuple[Share, ...]
    board: int = 0
    row_mm: float = 0.0


class Balance(Struct, frozen=True, kw_only=True):
    """Where the paste's centre should lie [mm, board], the pad's half width [mm], and how far off it is [shares]."""

    centre_mm: Point
    half_width_mm: float
    imbalance: float


class Bridge(Struct, frozen=True, kw_only=True):
    """Another pad whose paste may meet this pad's: what is left between them [mm], and what would mend it."""

    other: str
    gap_mm: float
    mend: str


class PadPlan(Struct, frozen=True, kw_only=True):
    """What is laid on one pad: planned volume, the form chosen and why, and the deposits by index.

    `board` is the number of its board, of those of one program; `balance` is told of thermal lands.
    """

    pad_id: str
    planned_ul: float
    form: Form
    reason: str
    deposits: tuple[int, ...]
    warnings: tuple[str, ...] = ()
    balance: Balance | None = None
    bridges: tuple[Bridge, ...] = ()
    board: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """All deposits of a board, with `pads` in the board's order (pads without paste included)."""

    deposits: tuple[Deposit, ...]
    pads: tuple[PadPlan, ...]
    warnings: tuple[str, ...] = ()
