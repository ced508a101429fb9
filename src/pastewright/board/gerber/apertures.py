"""Apertures: the text of an `AD` command, or an aperture block, to what a flash or a stroke draws.

Gerber layer format specification, "Aperture definition (AD)" and "Standard templates".
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from msgspec import Struct
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from pastewright.board.artwork import Attributes
from pastewright.board.gerber.lexer import shown
from pastewright.board.gerber.macros import Macro, MacroError, macro_shape
from pastewright.board.model import Area
from pastewright.board.shapes.curves import (
    EMPTY,
    Points,
    area_of,
    circle,
    obround,
    rectangle,
    regular_polygon,
    turned,
)

LARGEST_MM = 10_000.0
"""Sizes and places beyond ten metres mean a wrong unit or number format: the largest panels made are under 2 m."""

NUMBER = re.compile(r"[+-]?(?:\d{1,15}(?:\.\d{0,20})?|\.\d{1,20})")
_DEFINITION = re.compile(r"ADD(\d{1,9})([^,]+)(?:,(.*))?", re.DOTALL)
_STANDARD = {"C": (1, 3), "R": (2, 4), "O": (2, 4), "P": (2, 5)}
_NAMES = {"C": "circle", "R": "rectangle", "O": "obround", "P": "polygon"}


class ApertureError(ValueError):
    """An aperture definition that cannot be drawn; the text says why."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stance:
    """How apertures are placed (`LM`, `LR`, `LS`): mirrored first, then turned, then scaled."""

    mirror_x: bool = False
    mirror_y: bool = False
    turn_deg: float = 0.0
    scale: float = 1.0

    @property
    def upright(self) -> bool:
        """Whether apertures are drawn as they are defined."""
        return not (self.mirror_x or self.mirror_y or self.turn_deg % 360) and self.scale == 1

    def placed(self, points: Points) -> Points:
        """Return points (N×2, mm) about an aperture's origin as they are drawn."""
        sign = np.array([-1.0 if self.mirror_x else 1.0, -1.0 if self.mirror_y else 1.0])
        return turned(points * sign, self.turn_deg) * self.scale


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DrawnAperture:
    """An aperture about its origin [mm]: the `shape` it flashes, and what it needs to draw strokes.

    `disc_mm` is the diameter of a solid or holed disc, else 0. `hull` holds the corners of a convex aperture
    without a hole, degenerate ones included, so that a stroke is the convex hull of its ends; None otherwise.
    """

    shape: Area
    attributes: Attributes
    disc_mm: float = 0.0
    holed: bool = False
    hull: Points | None = None
    width_mm: float = 0.0

    @property
    def corners(self) -> int:
        """Return the number of corners of the shape."""
        return int(shapely.get_num_coordinates(self.shape))

    def placed(self, stance: Stance) -> "DrawnAperture":
        """Return the aperture mirrored, turned and scaled."""
        if stance.upright:
            return self
        return replace(
            self,
            shape=circle(self.disc_mm * stance.scale / 2)
            if self.disc_mm and not self.holed
            else shapely.transform(self.shape, stance.placed),
            disc_mm=self.disc_mm * stance.scale,
            hull=None if self.hull is None else stance.placed(self.hull),
            width_mm=self.width_mm * stance.scale,
        )


class Definition(Struct, frozen=True, kw_only=True):
    """An `AD` command taken apart."""

    code: int
    template: str
    parameters: tuple[float, ...]


def definition(text: str) -> Definition:
    """Return the parts of an `AD` command; raises `ApertureError`."""
    found = _DEFINITION.fullmatch(text)
    if not found:
        raise ApertureError(f"{shown(text)} is not an aperture definition like ADD10C,0.5")
    code, template, tail = int(found[1]), found[2].strip(), found[3]
    numbers = []
    if tail is not None and tail.strip():
        for word in "".join(tail.split()).upper().split("X"):
            if not NUMBER.fullmatch(word):
                raise ApertureError(f"the parameter {shown(word)} of D{code} is not a number")
            numbers.append(float(word))
    return Definition(code=code, template=template, parameters=tuple(numbers))


def standard_aperture(
    template: str, parameters: Sequence[float], unit_mm: float, attributes: Attributes
) -> DrawnAperture:
    """Return a C, R, O or P aperture, with its round or (old) rectangular hole; raises `ApertureError`."""
    fewest, most = _STANDARD[template]
    name = _NAMES[template]
    if not fewest <= len(parameters) <= most:
        raise ApertureError(f"a {name} takes {fewest} to {most} parameters, here are {len(parameters)}")
    hole_from = {"C": 1, "R": 2, "O": 2, "P": 3}[template]
    sizes = [parameters[0], *(parameters[1:2] if template in "RO" else ()), *parameters[hole_from:]]
    if min(sizes) < 0:
        raise ApertureError(f"a {name} has a negative size, {min(sizes):g}")
    _check_size(max(sizes) * unit_mm, name)
    hole = [value * unit_mm for value in parameters[hole_from:]]
    disc_mm = 0.0
    solid: BaseGeometry
    if template == "C":
        disc_mm = width_mm = parameters[0] * unit_mm
        solid = circle(disc_mm / 2)
        hull: Points | None = np.asarray(solid.exterior.coords) if not solid.is_empty else np.zeros((1, 2))
    elif template == "P":
        corners = parameters[1]
        if corners != int(corners) or not 3 <= corners <= 12:
            raise ApertureError(f"a polygon has {corners:g} corners; it must have 3 to 12")
        turn_deg = parameters[2] if len(parameters) > 2 else 0.0
        width_mm = parameters[0] * unit_mm
        solid = regular_polygon(width_mm, int(corners), turn_deg)
        hull = np.asarray(solid.exterior.coords) if not solid.is_empty else np.zeros((1, 2))
    else:
        width, height = parameters[0] * unit_mm, parameters[1] * unit_mm
        width_mm = min(width, height)
        solid = rectangle(width, height) if template == "R" else obround(width, height)
        if solid.is_empty or template == "R":
            x, y = width / 2, height / 2
            hull = np.array([(-x, -y), (x, -y), (x, y), (-x, y)])
        else:
            hull = np.asarray(solid.exterior.coords)
    holed = bool(hole) and min(hole) > 0
    if holed:
        solid = solid.difference(circle(hole[0] / 2) if len(hole) == 1 else rectangle(hole[0], hole[1]))
    return DrawnAperture(
        shape=area_of(solid),
        attributes=attributes,
        disc_mm=disc_mm,
        holed=holed,
        hull=None if holed else hull,
        width_mm=width_mm,
    )


def macro_aperture(
    macro: Macro, parameters: Sequence[float], unit_mm: float, attributes: Attributes
) -> tuple[DrawnAperture, tuple[str, ...]]:
    """Return the aperture of a macro with parameters, and what was odd about it; raises `ApertureError`."""
    try:
        drawn = macro_shape(macro, parameters, unit_mm)
    except MacroError as error:
        raise ApertureError(f"macro {shown(macro.name)} cannot be drawn: {error}") from None
    except shapely.errors.GEOSException as error:
        raise ApertureError(
            f"macro {shown(macro.name)} has a shape that cannot be joined ({error})"
        ) from None
    shape = drawn.shape
    if shape.is_empty:
        return DrawnAperture(shape=EMPTY, attributes=attributes, hull=np.zeros((1, 2))), drawn.oddities
    bounds = shape.bounds
    _check_size(max(abs(value) for value in bounds), "macro")
    hull = None
    around = shape.convex_hull
    if isinstance(around, Polygon) and around.area - shape.area <= 1e-9 * around.area:
        hull = np.asarray(around.exterior.coords)
    aperture = DrawnAperture(
        shape=shape,
        attributes=attributes,
        disc_mm=drawn.disc_mm,
        hull=hull,
        width_mm=min(bounds[2] - bounds[0], bounds[3] - bounds[1]),
    )
    return aperture, drawn.oddities


def _check_size(size_mm: float, name: str) -> None:
    if size_mm > LARGEST_MM:
        raise ApertureError(
            f"a {name} of {size_mm:.6g} mm; the limit is {LARGEST_MM:g} mm, so the unit is probably wrong"
        )


def is_standard(template: str) -> bool:
    """Return whether this is the name of a standard template."""
    return template in _STANDARD
