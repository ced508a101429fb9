"""The operations D01, D02 and D03 and the region statement (G36, G37), to objects on the canvas."""

from collections.abc import Callable

import numpy as np

from pastewright.board.gerber.apertures import LARGEST_MM
from pastewright.board.gerber.arcs import Arc, multi_quadrant_arc, single_quadrant_arc
from pastewright.board.gerber.attributes import AttributeBook
from pastewright.board.gerber.budget import Budget
from pastewright.board.gerber.canvas import Canvas
from pastewright.board.gerber.complaints import Complaints
from pastewright.board.gerber.coordinates import Coordinates
from pastewright.board.gerber.lexer import shown
from pastewright.board.gerber.plot import Inking
from pastewright.board.gerber.runs import PlainRun
from pastewright.board.gerber.toolbox import BlockAperture, Toolbox
from pastewright.board.model import Point
from pastewright.board.shapes.curves import Points, arc_points

_LOOK = "Look at it in the picture of the board."


class Pen:
    """The current point, polarity and interpolation, and the region that is being drawn."""

    def __init__(
        self,
        complaints: Complaints,
        budget: Budget,
        coordinates: Coordinates,
        book: AttributeBook,
        toolbox: Toolbox,
        canvas: Canvas,
    ) -> None:
        self._complaints = complaints
        self._budget = budget
        self._coordinates = coordinates
        self._book = book
        self._toolbox = toolbox
        self._canvas = canvas
        self.x_mm = 0.0
        self.y_mm = 0.0
        self.dark = True
        self.operation = 0
        """The last of D01, D02, D03 (1, 2, 3), which bare coordinates repeat in old files; 0 before the first."""
        self.interpolation = 1
        """1 straight, 2 clockwise, 3 counterclockwise: the numbers of G01, G02, G03."""
        self.multi_quadrant: bool | None = None
        self._region_line: int | None = None
        self._contours: list[Points] = []
        self._contour: list[Point] = []

    def commands(self) -> dict[str, Callable[[str, int], None]]:
        """Return the commands that this follows, by their two letters."""
        return {"LP": self._polarity}

    @property
    def in_region(self) -> bool:
        """Whether a region statement is open."""
        return self._region_line is not None

    def operate(self, x_mm: float, y_mm: float, i_mm: float, j_mm: float, line: int) -> None:
        """Follow the operation in force to (x, y); I and J lead from the current point to an arc's centre."""
        if not (-LARGEST_MM <= x_mm <= LARGEST_MM and -LARGEST_MM <= y_mm <= LARGEST_MM):
            self._complaints.error(
                f"The place ({x_mm:.6g}, {y_mm:.6g}) mm is beyond the limit of {LARGEST_MM:g} mm.",
                "The unit (MO) or the number format (FS) is probably wrong; export the layer again.",
                line=line,
                key="far",
            )
            return
        if self.operation == 3:
            self._flash((x_mm, y_mm), line)
        elif self.operation == 1:
            self._draw((x_mm, y_mm), i_mm, j_mm, line)
        elif self.in_region:
            self._close_contour(line)
        if self.operation == 0:
            self._complaints.warn(
                "Coordinates come before any operation; they are taken as a move.", _LOOK, line=line
            )
        self.x_mm, self.y_mm = x_mm, y_mm

    def follow_run(self, run: PlainRun, to_mm: Points, line: int) -> bool:
        """Follow operations to places (N×2) at once; False, and nothing done, where they must be followed singly."""
        if not (np.abs(to_mm) <= LARGEST_MM).all() or (
            self.interpolation != 1 and (run.operations == 1).any()
        ):
            return False
        if self.in_region:
            if not (run.operations == 1).all():
                return False
            if not self._contour:
                self._contour.append((self.x_mm, self.y_mm))
            self._contour.extend(map(tuple, to_mm.tolist()))
        else:
            tools, which = np.unique(run.tools, return_inverse=True)
            inks = []
            for tool in tools.tolist():
                code = self._toolbox.code if tool < 0 else tool
                aperture = None if code is None else self._toolbox.drawn(code, line)
                if aperture is None:
                    return False
                inks.append((aperture, self._book.merged(aperture.attributes)))
            from_mm = np.vstack(([self.x_mm, self.y_mm], to_mm[:-1]))
            lines = line + run.lines
            self._canvas.plot.run(Inking(inks, which, run.operations, from_mm, to_mm, lines), self.dark)
        if run.last_tool >= 0:
            self._toolbox.select(run.last_tool)
        self.operation = int(run.operations[-1])
        self.x_mm, self.y_mm = to_mm[-1].tolist()
        return True

    def _flash(self, place: Point, line: int) -> None:
        if self.in_region:
            self._complaints.error("A flash (D03) stands within a region (G36).", line=line)
            return
        aperture = self._toolbox.current(line)
        if aperture is None:
            return
        attributes = self._book.merged(aperture.attributes)
        if isinstance(aperture, BlockAperture):
            self._canvas.plot.copies(
                aperture.block,
                [place],
                line,
                stance=self._toolbox.stance,
                dark=self.dark,
                attributes=attributes,
            )
        else:
            self._canvas.plot.flash(aperture, place, self.dark, attributes, line)

    def _draw(self, end: Point, i_mm: float, j_mm: float, line: int) -> None:
        """Follow D01: an edge of a region, or a stroke."""
        start = (self.x_mm, self.y_mm)
        arc = None if self.interpolation == 1 else self._arc(start, end, i_mm, j_mm, line)
        if self.in_region:
            self._add_edge(start, end, arc, line)
            return
        aperture = self._toolbox.current(line)
        if aperture is None:
            return
        if isinstance(aperture, BlockAperture):
            self._complaints.error(
                f"The aperture block D{self._toolbox.code} cannot draw strokes (D01).", line=line
            )
            return
        attributes = self._book.merged(aperture.attributes)
        if arc is None:
            self._canvas.plot.stroke(aperture, start, end, self.dark, attributes, line)
        else:
            self._canvas.plot.arc_stroke(aperture, arc, self.dark, attributes, line)

    # Arcs.

    def _arc(self, start: Point, end: Point, i_mm: float, j_mm: float, line: int) -> Arc | None:
        """Return the arc of a G02 or G03 draw; None when it is drawn as a line."""
        factor_x, factor_y = self._coordinates.factors
        if abs(factor_x) != abs(factor_y):
            self._complaints.error(
                "Arcs are scaled differently along A and B (SF).", line=line, key="scaled arcs"
            )
            return None
        clockwise = (self.interpolation == 2) == (factor_x * factor_y > 0)
        if self._is_multi_quadrant(start, end, i_mm, j_mm, clockwise, line):
            arc = multi_quadrant_arc(start, end, i_mm, j_mm, clockwise)
        else:
            arc = single_quadrant_arc(start, end, i_mm, j_mm, clockwise)
        if arc is None:
            if start != end:
                self._complaints.warn(
                    "An arc has no centre that fits; it is drawn as a line.", _LOOK, line=line, key="arc"
                )
            return None
        if max(arc.radius_mm, arc.misfit_mm) > 10 * LARGEST_MM:
            self._complaints.error(
                f"An arc has a radius of {arc.radius_mm:.6g} mm; the limit is {10 * LARGEST_MM:g} mm.",
                line=line,
            )
            return None
        if arc.misfit_mm > max(0.05 * arc.radius_mm, 0.01):
            self._complaints.warn(
                f"The ends of an arc are {arc.misfit_mm:.4f} mm differently far from its centre; "
                "it is drawn as a spiral.",
                _LOOK,
                line=line,
                key="spiral",
            )
        return arc

    def _is_multi_quadrant(
        self, start: Point, end: Point, i_mm: float, j_mm: float, clockwise: bool, line: int
    ) -> bool:
        """Return whether G75 is in force. Before any G74 or G75, signs or a centre that fits tell which is meant."""
        if self.multi_quadrant is not None:
            return self.multi_quadrant
        self._complaints.warn(
            "An arc comes before G74 or G75; the mode that fits its centre is taken.",
            _LOOK,
            line=line,
            key="no mode",
        )
        arc = multi_quadrant_arc(start, end, i_mm, j_mm, clockwise)
        return i_mm < 0 or j_mm < 0 or (arc is not None and arc.misfit_mm <= 0.05 * arc.radius_mm)

    # Regions.

    def open_region(self, line: int) -> None:
        """Follow G36."""
        if self.in_region:
            self._complaints.error("A region (G36) begins within a region.", line=line)
        self._region_line = line
        self._contours, self._contour = [], []

    def close_region(self, line: int) -> None:
        """Follow G37."""
        if self._region_line is None:
            self._complaints.error("A region ends (G37) that never began.", line=line)
            return
        self._close_contour(line)
        if self._contours:
            attributes = self._book.merged(self._book.of_aperture)
            self._canvas.plot.region(self._contours, self.dark, attributes, self._region_line)
        self._region_line = None
        self._contours = []

    def finish(self) -> None:
        """Tell of a region that is open at the end of the file."""
        if self._region_line is not None:
            self._complaints.error("A region (G36) is not closed by G37.", line=self._region_line)

    def _add_edge(self, start: Point, end: Point, arc: Arc | None, line: int) -> None:
        if not self._contour:
            self._contour.append(start)
        if arc is None:
            self._contour.append(end)
            return
        points = arc_points(arc.centre, arc.start, arc.end, arc.sweep, true_area=True)
        self._budget.spend(line, objects=0, corners=2 * len(points))
        self._contour.extend((float(x), float(y)) for x, y in points[1:])

    def _close_contour(self, line: int) -> None:
        if len(self._contour) > 1:
            first, last = self._contour[0], self._contour[-1]
            gap_mm = max(abs(first[0] - last[0]), abs(first[1] - last[1]))
            if gap_mm > 0:
                tell = self._complaints.warn if gap_mm > 0.01 else self._complaints.note
                tell(
                    f"A contour of a region ends {gap_mm:.4f} mm from where it began; a straight line closes it.",
                    _LOOK,
                    line=line,
                    key="contour",
                )
            self._contours.append(np.array(self._contour))
        self._contour = []

    def _polarity(self, text: str, line: int) -> None:
        if text in ("LPD", "LPC"):
            self.dark = text == "LPD"
        else:
            self._complaints.error(f"The polarity {shown(text)} is neither LPD nor LPC.", line=line)
