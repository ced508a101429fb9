"""Drills to the board's holes [mm, file]."""

from collections.abc import Sequence

from pastewright.board.artwork import DrillFile
from pastewright.board.model import Hole, Point, Source


def holes_of(files: Sequence[DrillFile]) -> list[Hole]:
    """Return every hole and slot; what a file says of plating holds for its drills that say nothing."""
    return [
        Hole(
            x_mm=drill.x_mm,
            y_mm=drill.y_mm,
            diameter_mm=drill.diameter_mm,
            plated=drill.plated if drill.plated is not None else file.plated,
            slot_to_mm=drill.slot_to_mm,
            source=Source(file=file.file, line=drill.line),
        )
        for file in files
        for drill in file.drills
    ]


def hole_centre(hole: Hole) -> Point:
    """Return the middle (x, y) of a hole or slot [mm]."""
    if hole.slot_to_mm is None:
        return hole.x_mm, hole.y_mm
    return (hole.x_mm + hole.slot_to_mm[0]) / 2, (hole.y_mm + hole.slot_to_mm[1]) / 2
