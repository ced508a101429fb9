"""The `Board`: pads, paste apertures, holes and fiducials of one side, as seen from that side.

Board coordinates: mm, origin at the lower left corner of the outline's box (of the pads' box when
there is no outline), x to the right and y up as seen from the pasted side. `Board.to_file_mm` leads back
to the coordinates of the files, so that any pad can be found in them again.
"""

from dataclasses import dataclass, field
from enum import StrEnum

from msgspec import Struct
from shapely.geometry import MultiPolygon, Polygon

from pastewright.counting import counted
from pastewright.problems import Problem
from pastewright.records.kinds import PadKind as PadKind
from pastewright.records.kinds import PasteOrigin as PasteOrigin
from pastewright.records.kinds import Side as Side

Point = tuple[float, float]
Area = Polygon | MultiPolygon


class LayerRole(StrEnum):
    """What a fabrication file is. Sides are part of the role, since files are looked up by both."""

    TOP_PASTE = "top paste"
    BOTTOM_PASTE = "bottom paste"
    TOP_COPPER = "top copper"
    BOTTOM_COPPER = "bottom copper"
    INNER_COPPER = "inner copper"
    TOP_MASK = "top mask"
    BOTTOM_MASK = "bottom mask"
    TOP_SILK = "top silk"
    BOTTOM_SILK = "bottom silk"
    OUTLINE = "outline"
    DRILL = "drill/rout"
    NETLIST = "netlist"
    CENTROID = "centroid"
    OTHER = "other"


class Source(Struct, frozen=True, kw_only=True):
    """The file and line that a thing was read from; `line` is 0 where the thing has no line of its own."""

    file: str
    line: int = 0

    def __str__(self) -> str:
        return f"{self.file}:{self.line}" if self.line else self.file


class Aperture(Struct, frozen=True, kw_only=True):
    """One opening of the paste layer [mm, board]."""

    shape: Polygon
    source: Source


class Hole(Struct, frozen=True, kw_only=True):
    """A drilled hole, or a slot from (`x_mm`, `y_mm`) to `slot_to_mm`. `plated` is None when no file says."""

    x_mm: float
    y_mm: float
    diameter_mm: float
    plated: bool | None
    slot_to_mm: Point | None = None
    source: Source


class Fiducial(Struct, frozen=True, kw_only=True):
    """A round mark used to find where the board lies; `reason` says why it was taken for one."""

    x_mm: float
    y_mm: float
    diameter_mm: float
    reason: str
    source: Source


class Pad(Struct, frozen=True, kw_only=True):
    """Copper to be soldered: its exposed `land`, and the paste `apertures` over it (none: no paste asked).

    `land` is copper within mask opening, one polygon; several window panes over one thermal land stay
    together as its apertures. `hole` is the plated hole of a through-hole pad. `id` is unique on the
    board: "U1-3" where reference designator and pin are known, else "P0007".

    A line that was drawn to become a bead has its centre line in `path_mm` [mm, board] and its drawn width in
    `path_width_mm`; its land and aperture are the area of the stroke. `volume_ul` is paste that the source
    asks for outright, None where the dose is to be reckoned.
    """

    id: str
    kind: PadKind
    land: Polygon
    apertures: tuple[Aperture, ...]
    source: Source
    ref: str = ""
    pin: str = ""
    net: str = ""
    hole: Hole | None = None
    kind_reason: str = ""
    path_mm: tuple[Point, ...] = ()
    path_width_mm: float = 0.0
    volume_ul: float | None = None

    @property
    def aperture_area_mm2(self) -> float:
        """Sum of the paste apertures' areas [mm²]; they do not overlap."""
        return float(sum(aperture.shape.area for aperture in self.apertures))


class LayerUse(Struct, frozen=True, kw_only=True):
    """What became of one file: its role, how that was known, and a note for the person ("ignored: …")."""

    file: str
    role: LayerRole
    how: str
    used: bool
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class LeftOut:
    """Something in the paste layer that was judged not to be paste, and why."""

    shape: Area
    reason: str
    source: Source


class OutlineFrom(StrEnum):
    """How the board's size is known."""

    CLOSED = "closed outline"
    OPEN = "box of an open outline"
    NOTHING = "no outline, size of the pads"


class Check(Struct, frozen=True, kw_only=True):
    """How well two sources agree: `met` `of` so many of what `what` names."""

    what: str
    met: int
    of: int

    def __str__(self) -> str:
        return f"{self.met} of {self.of} {self.what}"


AGREED_PART = 0.9
"""Sources agree when this part of what one says is met by the other: some holes are bare, some points are covered."""


class PartlyNamed(Struct, frozen=True, kw_only=True):
    """A part of which only `named` `of` so many pads bear its name: a rule for it misses the others."""

    ref: str
    named: int
    of: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Board:
    """One side of a board, ready for dosing. `outline` has inner cut-outs as holes; None when no file has it.

    `file_origin_mm` is the place of the board's (0, 0) in file coordinates; `mirrored` is True for the
    bottom side, whose x runs against the files' x. `inputs_sha256` names the exact bytes read.
    """

    name: str
    side: Side
    outline: Area | None
    size_mm: Point
    file_origin_mm: Point
    mirrored: bool
    pads: tuple[Pad, ...]
    holes: tuple[Hole, ...]
    fiducials: tuple[Fiducial, ...]
    paste_origin: PasteOrigin
    layers: tuple[LayerUse, ...]
    left_out: tuple[LeftOut, ...] = ()
    problems: tuple[Problem, ...] = field(default=())
    inputs_sha256: str = ""
    outline_from: OutlineFrom = OutlineFrom.NOTHING
    checks: tuple[Check, ...] = ()
    partly_named: tuple[PartlyNamed, ...] = ()

    @property
    def in_words(self) -> str:
        """One line that says what the board is, and how sure that is."""
        width_mm, height_mm = self.size_mm
        pasted = sum(bool(pad.apertures) for pad in self.pads)
        parts = len({pad.ref for pad in self.pads if pad.ref})
        roles = {use.role for use in self.layers}
        layers = (
            "both sides have" if {LayerRole.TOP_PASTE, LayerRole.BOTTOM_PASTE} <= roles else "one side has"
        )
        return (
            f"{width_mm:.1f} × {height_mm:.1f} mm, {self.side} side ({layers} a paste layer),"
            f" {counted(parts, 'named part')}, {counted(len(self.pads), 'pad')} ({pasted} pasted),"
            f" {counted(len(self.holes), 'hole')}; {self.certainty}"
        )

    @property
    def certainty(self) -> str:
        """How sure it is that the files were read right, and by what."""
        doubted = [check for check in self.checks if check.met < AGREED_PART * check.of]
        closed = self.outline_from is OutlineFrom.CLOSED
        how = "unsure" if doubted else "sure" if closed and self.checks else "fairly sure"
        return f"{how}: " + ", ".join([str(self.outline_from), *map(str, self.checks)])

    def to_file_mm(self, x_mm: float, y_mm: float) -> Point:
        """Return the place (x, y) [mm, board] in the coordinates of the fabrication files [mm]."""
        x0_mm, y0_mm = self.file_origin_mm
        return (x0_mm - x_mm if self.mirrored else x0_mm + x_mm), y0_mm + y_mm
