"""Frames of a camera on the head, with the machine's position at each: a CSV beside them.

    file,x_mm,y_mm
    frame-001.png,80.25,75.10

x_mm and y_mm are where the camera's middle looked, in machine coordinates. They say which part of the board a frame
shows, so that parts that look alike are not taken for one another; the place itself is read from the frame.
"""

import csv
from collections.abc import Mapping
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pastewright.problems import InputError, Problem
from pastewright.records.plan import PlanRecord
from pastewright.records.reading import text_of_file

Floats = NDArray[np.float64]
MEND = "The first line is file,x_mm,y_mm; each other line names a frame and where the camera looked [mm, machine]."
MOST_BYTES = 5_000_000
"""Frames of a large board are some hundreds."""


def frames_of(path: Path) -> Mapping[Path, tuple[float, float]]:
    """Return the frames of a CSV and their machine places [mm]; raises `InputError` naming each wrong line."""
    text = text_of_file(path, what="a list of frames", mend=MEND, most_bytes=MOST_BYTES)
    rows = list(csv.DictReader(text.splitlines()))
    problems: list[Problem] = []
    found: dict[Path, tuple[float, float]] = {}
    for line, row in enumerate(rows, start=2):
        try:
            x_mm, y_mm = float(row["x_mm"] or ""), float(row["y_mm"] or "")
            if not (row["file"] and np.isfinite([x_mm, y_mm]).all()):
                raise ValueError
            found[path.parent / row["file"]] = (x_mm, y_mm)
        except (KeyError, ValueError, TypeError):
            problems.append(Problem(what="this line is no frame", mend=MEND, file=str(path), line=line))
    if problems:
        raise InputError(problems[:20])
    if not found:
        raise InputError([Problem(what="this list names no frame", mend=MEND, file=str(path))])
    return found


def on_board(place_mm: tuple[float, float], plan: PlanRecord, board: str = "") -> Floats:
    """Return a machine place in the coordinates of the plan's board [mm]."""
    where = next((one for one in plan.placement.boards if one.name == board), plan.placement.boards[0])
    matrix = np.array(where.matrix)
    return np.asarray(np.linalg.solve(matrix, np.array(place_mm) - np.array(where.shift_mm)), np.float64)
