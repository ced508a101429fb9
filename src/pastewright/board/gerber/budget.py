"""How much one file may draw, so that a file of some hundred bytes cannot fill the memory."""

from pastewright.board.gerber.complaints import Complaints

MOST_OBJECTS = 1_000_000
"""Objects of one file after expansion. A dense panel has tens of thousands; half a million take 0.8 GB."""

MOST_CORNERS = 20_000_000
"""Corners of all shapes of one file together, which take 0.7 GB."""


class Budget:
    """How much one file may still draw. It keeps a file of some hundred bytes from filling the memory."""

    def __init__(self, complaints: Complaints) -> None:
        self._complaints = complaints
        self._objects = 0
        self._corners = 0

    def spend(self, line: int, *, objects: int = 1, corners: int = 0) -> None:
        """Take objects and corners from the budget; raises `InputError` when it is used up."""
        self._objects += objects
        self._corners += corners
        if self._objects > MOST_OBJECTS:
            self._complaints.fatal(
                f"The file draws more than {MOST_OBJECTS} objects once its repeats are expanded.",
                "Check its step-and-repeat (SR) and aperture block (AB) commands, or export a single board.",
                line=line,
            )
        if self._corners > MOST_CORNERS:
            self._complaints.fatal(
                f"The shapes of the file have more than {MOST_CORNERS} corners.",
                "Check its step-and-repeat (SR) and aperture block (AB) commands, or export a single board.",
                line=line,
            )
