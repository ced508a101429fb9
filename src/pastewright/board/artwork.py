"""What a Gerber file holds once it is read: objects in file order, in mm, with their attributes."""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from pastewright.board.model import Area, Point
from pastewright.problems import Problem

Attributes = Mapping[str, tuple[str, ...]]


class ObjectKind(StrEnum):
    """How an object was made in the file."""

    FLASH = "flash"
    STROKE = "stroke"
    REGION = "region"


@dataclass(frozen=True, slots=True, kw_only=True)
class GerberObject:
    """One graphical object: its filled `shape` [mm, file], dark or clear, and where it stands.

    `attributes` are the aperture and object attributes in force, without the leading dot of their names
    ("AperFunction", "P", "N", "C", …); the mapping is shared between objects, never change it.
    `path_mm` is the centre line of a stroke (arcs as chords); empty for others. `width_mm` is the width of
    the stroke, or the diameter of a round flash, else 0.
    """

    kind: ObjectKind
    shape: Area
    dark: bool
    attributes: Attributes
    line: int
    path_mm: tuple[Point, ...] = ()
    width_mm: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class GerberLayer:
    """A whole Gerber file; step-and-repeat and aperture blocks are already expanded into `objects`."""

    file: str
    attributes: Attributes
    objects: tuple[GerberObject, ...]
    problems: tuple[Problem, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Drill:
    """One hole (`slot_to_mm` None) or slot [mm, file]. `plated` is None when nothing says."""

    x_mm: float
    y_mm: float
    diameter_mm: float
    line: int
    slot_to_mm: Point | None = None
    plated: bool | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class DrillFile:
    """A whole Excellon/XNC file. `plated` is None when neither attribute, comment nor name says.

    One file may hold both plated and other holes: then `plated` is None here and each drill has its own.
    """

    file: str
    drills: tuple[Drill, ...]
    plated: bool | None
    attributes: Attributes
    problems: tuple[Problem, ...] = ()
