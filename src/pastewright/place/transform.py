"""Steps in the plane to one composed transform, and with a height surface to a `Placement`.

    machine = M · board + shift        M = turn · square it · stretch · mirror

        M = R(θ) · [ 1  −sin γ ] · [ sx  0 ] · [ ±1  0 ]
                   [ 0   cos γ ]   [ 0  sy ]   [  0  1 ]

θ is the turn of the board's x axis, anticlockwise; γ is how much the angle between the images of the two axes
is above 90°. −1 stands for a mirrored placement. Every invertible M with a sensible skew has exactly one set of
these parts.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import atan2, cos, degrees, hypot, radians, sin

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from pastewright.board.model import Point
from pastewright.place.surface import Surface, flat
from pastewright.profile.model import Bed
from pastewright.records.placement import ON_BED

Floats = NDArray[np.float64]

# Lengths are kept within this: rounding, not stretch.
SAME_LENGTH = 1e-9


class Affine(Struct, frozen=True, kw_only=True):
    """A map of the plane: (x, y) to (`xx`·x + `xy`·y + `x_mm`, `yx`·x + `yy`·y + `y_mm`) [mm]."""

    xx: float = 1.0
    xy: float = 0.0
    yx: float = 0.0
    yy: float = 1.0
    x_mm: float = 0.0
    y_mm: float = 0.0

    @property
    def matrix(self) -> Floats:
        """The 2×2 part [-]."""
        return np.array([[self.xx, self.xy], [self.yx, self.yy]])

    @property
    def shift_mm(self) -> Point:
        """Where (0, 0) goes [mm]."""
        return self.x_mm, self.y_mm

    @property
    def determinant(self) -> float:
        """Area over area [-]; below zero when mirrored."""
        return self.xx * self.yy - self.xy * self.yx

    @property
    def mirrored(self) -> bool:
        """Whether left and right change places."""
        return self.determinant < 0

    @property
    def turn_deg(self) -> float:
        """Turn θ of the x axis, anticlockwise, above −180 to 180 [degrees]; of a mirrored map, of its −x axis."""
        sign = -1.0 if self.mirrored else 1.0
        angle = degrees(atan2(sign * self.yx, sign * self.xx))
        return 180.0 if angle <= -180.0 else angle

    @property
    def scale_x(self) -> float:
        """Length over length along the x axis [-]."""
        return hypot(self.xx, self.yx)

    @property
    def scale_y(self) -> float:
        """Length over length along the y axis [-]."""
        return hypot(self.xy, self.yy)

    @property
    def skew_deg(self) -> float:
        """Skew γ: the angle from the image of x (−x if mirrored) to that of y, less 90 [degrees]."""
        sign = -1.0 if self.mirrored else 1.0
        dot = sign * (self.xx * self.xy + self.yx * self.yy)
        return degrees(atan2(abs(self.determinant), dot)) - 90.0

    @property
    def keeps_lengths(self) -> bool:
        """Whether every length stays what it is."""
        stretched = (self.scale_x - 1, self.scale_y - 1, radians(self.skew_deg))
        return all(abs(part) <= SAME_LENGTH for part in stretched)

    def apply(self, points_mm: Floats) -> Floats:
        """Return points (N×2) where they go [mm]."""
        x, y = points_mm[..., 0], points_mm[..., 1]
        return np.stack(
            (self.xx * x + self.xy * y + self.x_mm, self.yx * x + self.yy * y + self.y_mm), axis=-1
        )

    def point(self, place_mm: Point) -> Point:
        """Return where one point goes [mm]."""
        x, y = place_mm
        return self.xx * x + self.xy * y + self.x_mm, self.yx * x + self.yy * y + self.y_mm

    def then(self, after: "Affine") -> "Affine":
        """Return this map followed by `after`."""
        x, y = after.point(self.shift_mm)
        return Affine(
            xx=after.xx * self.xx + after.xy * self.yx,
            xy=after.xx * self.xy + after.xy * self.yy,
            yx=after.yx * self.xx + after.yy * self.yx,
            yy=after.yx * self.xy + after.yy * self.yy,
            x_mm=x,
            y_mm=y,
        )

    def inverse(self) -> "Affine":
        """Return the way back; ValueError when there is none."""
        d = self.determinant
        if abs(d) < 1e-12:
            raise ValueError("this map presses the plane onto a line and cannot be turned round")
        xx, xy, yx, yy = self.yy / d, -self.xy / d, -self.yx / d, self.xx / d
        return Affine(
            xx=xx,
            xy=xy,
            yx=yx,
            yy=yy,
            x_mm=-(xx * self.x_mm + xy * self.y_mm),
            y_mm=-(yx * self.x_mm + yy * self.y_mm),
        )


# Quarter turns are exact: no board moves by 1e-15 for being turned four times.
_QUARTERS = {0: (1.0, 0.0), 90: (0.0, 1.0), 180: (-1.0, 0.0), 270: (0.0, -1.0)}


def affine(
    *,
    turn_deg: float = 0.0,
    mirrored: bool = False,
    scale_x: float = 1.0,
    scale_y: float = 1.0,
    skew_deg: float = 0.0,
    shift_mm: Point = (0.0, 0.0),
) -> Affine:
    """Return the map made of these parts (see the module's formula)."""
    c, s = _QUARTERS.get(turn_deg % 360, (cos(radians(turn_deg)), sin(radians(turn_deg))))  # type: ignore[call-overload]
    g = radians(skew_deg)
    # Columns: the image of x, then R(θ)·(−sin γ, cos γ).
    sign = -1.0 if mirrored else 1.0
    return Affine(
        xx=sign * scale_x * c,
        yx=sign * scale_x * s,
        xy=scale_y * (-c * sin(g) - s * cos(g)),
        yy=scale_y * (-s * sin(g) + c * cos(g)),
        x_mm=shift_mm[0],
        y_mm=shift_mm[1],
    )


class Pair(Struct, frozen=True, kw_only=True):
    """A point known in two systems: `from_mm` in that of the board (or tray), `to_mm` where it was found."""

    name: str
    from_mm: Point
    to_mm: Point


class PlaceStep(Struct, frozen=True, kw_only=True):
    """One part of the way from board to machine: what it is, its map, and the points it was fitted to."""

    what: str
    affine: Affine
    fit: str = ""
    pairs: tuple[Pair, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Placement:
    """Where one board lies: steps from board to machine in order, composed in `affine`, and its surface.

    The surface is the Z at which the tip touches the board, over machine coordinates. `warnings` are what finding
    it has told.
    """

    name: str
    steps: tuple[PlaceStep, ...]
    surface: Surface
    warnings: tuple[str, ...] = ()

    @property
    def affine(self) -> Affine:
        """All steps as one map, board to machine."""
        whole = Affine()
        for step in self.steps:
            whole = whole.then(step.affine)
        return whole


class Wipe(Struct, frozen=True, kw_only=True):
    """A wiping pad: the tip goes down to `z_mm` and `strokes` times from one end to the other [mm, machine]."""

    from_mm: Point
    to_mm: Point
    z_mm: float
    strokes: int = 1


class Neighbour(Struct, frozen=True, kw_only=True):
    """A board that lies there and is not in this program: skipped, or in another one; its corners [mm, machine].

    `highest_mm` is the highest place of its surface [mm, machine], None where nobody measured it.
    """

    name: str
    corners_mm: tuple[Point, ...]
    highest_mm: float | None = None

    def board_map(self, size_mm: Point) -> Affine | None:
        """Return the map from the board's coordinates to the machine's; None where its corners are not those of a board."""
        width, height = size_mm
        if len(self.corners_mm) != 4 or width <= 0 or height <= 0:
            return None
        (x0, y0), (x1, y1), _, (x3, y3) = self.corners_mm
        return Affine(
            xx=(x1 - x0) / width,
            yx=(y1 - y0) / width,
            xy=(x3 - x0) / height,
            yy=(y3 - y0) / height,
            x_mm=x0,
            y_mm=y0,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Placements:
    """The boards of one program; deposits and planned pads name theirs by its number here.

    With `settle`, a settling strip is laid before each board, each `strip_step_mm` further in Y than the one
    before; with `wipe`, the tip is wiped between boards.
    """

    boards: tuple[Placement, ...]
    settle: bool = False
    strip_step_mm: float = 0.0
    wipe: Wipe | None = None
    neighbours: tuple[Neighbour, ...] = ()

    @property
    def on_bed(self) -> bool:
        """Whether nothing was measured: one board in the bed's corner."""
        return len(self.boards) == 1 and [step.what for step in self.boards[0].steps] == [ON_BED]

    @property
    def one_by_one(self) -> bool:
        """Whether each board must be finished before the next begins."""
        return self.settle or self.wipe is not None


def on_bed(bed: Bed) -> Placements:
    """Return the placement that holds where nothing else was measured: the corner and height of `[bed]`."""
    step = PlaceStep(what=ON_BED, affine=Affine(x_mm=bed.board_x_mm, y_mm=bed.board_y_mm))
    return Placements(boards=(Placement(name="", steps=(step,), surface=flat(bed.board_z_mm)),))


def corners_mm(size_mm: Point, where: Affine) -> Floats:
    """Return the four corners of a board in machine coordinates (4×2)."""
    w, h = size_mm
    return where.apply(np.array([[0.0, 0.0], [w, 0.0], [w, h], [0.0, h]]))


def turned_into_place(size_mm: Point, *, turn_deg: float, at_mm: Point) -> Affine:
    """Return the map that turns a board and then puts the lower left corner of its box at a place."""
    turned = affine(turn_deg=turn_deg)
    low = corners_mm(size_mm, turned).min(axis=0)
    return affine(turn_deg=turn_deg, shift_mm=(at_mm[0] - float(low[0]), at_mm[1] - float(low[1])))


def nearest_quarter(turn_deg: float) -> int:
    """Return 0, 90, 180 or 270, whichever the turn is nearest to [degrees]."""
    return round(turn_deg / 90.0) % 4 * 90


def same_turn(a_deg: float, b_deg: float, *, within_deg: float) -> bool:
    """Return whether two turns agree, going round the circle."""
    off = (a_deg - b_deg + 180.0) % 360.0 - 180.0
    return abs(off) <= within_deg


def as_points(points_mm: Sequence[Point]) -> Floats:
    """Return points as an N×2 array."""
    return np.array(points_mm, dtype=np.float64).reshape(len(points_mm), 2)
