"""Where objects go: the image, or a step-and-repeat (`SR`) or aperture block (`AB`) that is being filled."""

import re
from collections.abc import Callable
from dataclasses import dataclass

from pastewright.board.artwork import Attributes
from pastewright.board.gerber.apertures import LARGEST_MM, NUMBER
from pastewright.board.gerber.attributes import AttributeBook
from pastewright.board.gerber.block import PlottedBlock
from pastewright.board.gerber.budget import Budget
from pastewright.board.gerber.complaints import Complaints
from pastewright.board.gerber.coordinates import Coordinates
from pastewright.board.gerber.lexer import shown
from pastewright.board.gerber.plot import Plot
from pastewright.board.gerber.toolbox import Toolbox
from pastewright.board.model import Point

MOST_DEPTH = 50
"""Aperture blocks defined within each other."""

_REPEAT = re.compile(
    r"SR(?:X(?P<x>\d{1,9}))?(?:Y(?P<y>\d{1,9}))?(?:I(?P<i>[+-]?[\d.]+))?(?:J(?P<j>[+-]?[\d.]+))?"
)


@dataclass(slots=True, kw_only=True)
class _Frame:
    """What was being filled when this step-and-repeat (with `places`) or block (with `code`) began."""

    around: Plot
    line: int
    places: tuple[Point, ...] = ()
    code: int = 0
    attributes: Attributes | None = None


class Canvas:
    """The plot that is being filled, and those it will be drawn into."""

    def __init__(
        self,
        complaints: Complaints,
        budget: Budget,
        coordinates: Coordinates,
        book: AttributeBook,
        toolbox: Toolbox,
    ) -> None:
        self._complaints = complaints
        self._budget = budget
        self._coordinates = coordinates
        self._book = book
        self._toolbox = toolbox
        self._frames: list[_Frame] = []
        self.plot = Plot(complaints, budget)

    def commands(self) -> dict[str, Callable[[str, int], None]]:
        """Return the commands that this follows, by their two letters."""
        return {"SR": self._repeat, "AB": self._block}

    def finished(self) -> PlottedBlock:
        """Close what the end of the file closes, tell what should have been closed, and return the image."""
        while self._frames:
            if self._frames[-1].places:
                self._close_repeat()
                continue
            frame = self._frames.pop()
            self._complaints.error(
                f"The aperture block D{frame.code} is not closed by %AB*%.", line=frame.line
            )
            self.plot = frame.around
        return self.plot.finished()

    def _repeat(self, text: str, line: int) -> None:
        found = _REPEAT.fullmatch(text)
        steps = [found[name] or "0" for name in "ij"] if found else []
        if not found or not all(NUMBER.fullmatch(step) for step in steps):
            self._complaints.error(f"{shown(text)} is not a step-and-repeat like SRX2Y3I5.0J4.0.", line=line)
            return
        # A new SR closes the one before; %SRX1Y1I0J0*% is the old way of only closing it.
        if self._frames and self._frames[-1].places:
            self._close_repeat()
        count_x, count_y = int(found["x"] or 1), int(found["y"] or 1)
        if count_x < 1 or count_y < 1:
            self._complaints.error(f"The step-and-repeat {shown(text)} repeats nothing.", line=line)
            return
        if count_x * count_y == 1:
            return
        self._budget.spend(line, objects=count_x * count_y)
        unit_mm = self._coordinates.unit_mm(line)
        step_x, step_y = (float(step) * unit_mm for step in steps)
        if count_x * abs(step_x) > LARGEST_MM or count_y * abs(step_y) > LARGEST_MM:
            self._complaints.error(
                f"The step-and-repeat {shown(text)} reaches beyond {LARGEST_MM:g} mm.", line=line
            )
            return
        if (count_x > 1 and step_x == 0) or (count_y > 1 and step_y == 0):
            self._complaints.warn(f"The step-and-repeat {shown(text)} repeats in place.", line=line)
        places = tuple((nx * step_x, ny * step_y) for nx in range(count_x) for ny in range(count_y))
        self._open(_Frame(around=self.plot, line=line, places=places))

    def _open(self, frame: _Frame) -> None:
        if len(self._frames) >= MOST_DEPTH:
            self._complaints.fatal(f"Aperture blocks stand more than {MOST_DEPTH} deep.", line=frame.line)
        self._frames.append(frame)
        self.plot = Plot(self._complaints, self._budget)

    def _close_repeat(self) -> None:
        frame = self._frames.pop()
        block = self.plot.finished()
        self.plot = frame.around
        self.plot.copies(block, frame.places, frame.line)

    def _block(self, text: str, line: int) -> None:
        if text == "AB":
            self._close_block(line)
            return
        code = re.fullmatch(r"ABD(\d{1,9})", text)
        if not code:
            self._complaints.error(f"{shown(text)} is not an aperture block like ABD12.", line=line)
        elif self._toolbox.announce_block(int(code[1]), line):
            attributes = self._book.of_aperture
            self._open(_Frame(around=self.plot, line=line, code=int(code[1]), attributes=attributes))

    def _close_block(self, line: int) -> None:
        if len(self._frames) > 1 and self._frames[-1].places:
            self._complaints.warn(
                "A step-and-repeat (SR) is still open at the end of its aperture block.", line=line
            )
            self._close_repeat()
        if not self._frames or self._frames[-1].places:
            self._complaints.error("An aperture block ends (%AB*%) that never began.", line=line)
            return
        frame = self._frames.pop()
        self._toolbox.define_block(frame.code, self.plot.finished(), frame.attributes or {})
        self.plot = frame.around
