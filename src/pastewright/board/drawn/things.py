"""What drawings and tables hold, as values: shapes in mm under the labels that they were drawn under.

All places are in file coordinates: y up, as seen from the top. What a label means is left to `marks`.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from shapely.geometry import LineString

from pastewright.board.artwork import Judging
from pastewright.board.model import Area, Point, Source
from pastewright.problems import Problem

MOST_THINGS = 100_000
"""Shapes of one drawing; dense boards have under 30 000 openings (common practice)."""
STROKE_CORNERS = 24
"""Corners of a quarter of a stroke's round end: the area is 0.07 % too small there, below what any dose can tell."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Thing:
    """One shape of a drawing [mm, file]: a filled `area`, or a line along `path_mm`, `width_mm` wide.

    A line has its stroke as `area` (round ends). `layer` is the label it was drawn under, "" for none. `hole_mm`
    is the diameter of a plated hole in its middle, 0 for none.
    """

    area: Area
    source: Source
    layer: str = ""
    path_mm: tuple[Point, ...] = ()
    width_mm: float = 0.0
    ref: str = ""
    pin: str = ""
    net: str = ""
    volume_ul: float | None = None
    fiducial: bool = False
    hole_mm: float = 0.0

    @property
    def is_line(self) -> bool:
        """Whether it is a line to be laid as a bead."""
        return bool(self.path_mm)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sketch:
    """Everything of one file that may be paste, mark or outline; `what` names the format for messages.

    `judging`: shapes that touch are one pad (drawings), or rows stay apart (tables, whose things are those of the
    asked side already).
    """

    file: str
    what: str
    things: tuple[Thing, ...]
    problems: tuple[Problem, ...] = ()
    judging: Judging = Judging.AS_DRAWN


def stroke_area(path_mm: Sequence[Point], width_mm: float) -> Area:
    """Return the area of a stroke with round ends and corners [mm]; empty for no width."""
    area: Area = LineString(path_mm).buffer(width_mm / 2, quad_segs=STROKE_CORNERS)
    return area
