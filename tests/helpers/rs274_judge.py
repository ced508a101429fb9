"""Debian's stand-alone RS274/NGC interpreter as a judge, and our own reading in the same shape.

`rs274 -g FILE` (package linuxcnc-uspace) prints canonical calls in program coordinates with four decimals; offsets
are added here, inches turned into millimetres. It knows X Y Z A B C.
"""

import re
import shutil
import subprocess
from pathlib import Path

import pytest

from pastewright.readback.text.controller import DWELL, LOST, RAPID
from pastewright.readback.text.interpret import ReadProgram

needs_rs274 = pytest.mark.skipif(
    shutil.which("rs274") is None, reason="rs274 is not installed (Debian: linuxcnc-uspace)"
)

CALL = re.compile(r"^\s*\d+\s+N\S*\s+(\w+)\((.*)\)$")
INCH = 25.4
Move = tuple[str, tuple[float, float, float, float]]


def lengths(values: list[str], unit: float) -> list[float]:
    """X Y Z in mm; A B C stay degrees."""
    return [float(value) * (unit if k < 3 else 1.0) for k, value in enumerate(values)]


def judged(text: str, folder: Path, *, rotary: int = 3) -> tuple[bool, list[Move], list[tuple[float, ...]]]:
    """Whether rs274 takes the text; its moves (kind, end in mm, machine); its arcs (centre in mm, turns).

    `rotary` is the place of the plunger's letter among X Y Z A B C.
    """
    file = folder / "program.ngc"
    file.write_text(text)
    done = subprocess.run(
        ["rs274", "-g", str(file)], capture_output=True, text=True, timeout=20, cwd=folder, check=False
    )
    unit = 1.0
    system = [0.0] * 6
    offset = [0.0] * 6
    plane = 0
    at = (0.0, 0.0, 0.0, 0.0)
    moves: list[Move] = []
    arcs: list[tuple[float, ...]] = []
    for line in done.stdout.splitlines():
        match = CALL.match(line)
        if not match:
            continue
        name, words = match[1], match[2].split(",")
        if name == "USE_LENGTH_UNITS":
            unit = INCH if "INCHES" in words[0] else 1.0
        elif name == "SET_G5X_OFFSET":
            system = lengths(words[1:], unit)
        elif name == "SET_G92_OFFSET":
            offset = lengths(words, unit)
        elif name == "SELECT_PLANE":
            plane = {"CANON_PLANE_XY": 0, "CANON_PLANE_YZ": 1, "CANON_PLANE_XZ": 2}[words[0]]
        elif name in {"STRAIGHT_FEED", "STRAIGHT_TRAVERSE"}:
            place = [a + b + c for a, b, c in zip(lengths(words, unit), system, offset, strict=True)]
            end = (place[0], place[1], place[2], place[rotary])
            if any(abs(a - b) > 1e-9 for a, b in zip(end, at, strict=True)):
                moves.append(("rapid" if name == "STRAIGHT_TRAVERSE" else "feed", end))
            at = end
        elif name == "ARC_FEED":
            values = [float(word) for word in words]
            first, second, c1, c2, turns, along = (
                v * unit if k != 4 else v for k, v in enumerate(values[:6])
            )
            order = {0: (0, 1, 2), 1: (1, 2, 0), 2: (2, 0, 1)}[plane]
            plain = [0.0] * 3
            for axis, value in zip(order, (first, second, along), strict=True):
                plain[axis] = value + system[axis] + offset[axis]
            at = (plain[0], plain[1], plain[2], values[3 + rotary] + system[rotary] + offset[rotary])
            moves.append(("arc", at))
            arcs.append(
                (c1 + system[order[0]] + offset[order[0]], c2 + system[order[1]] + offset[order[1]], turns)
            )
        elif name == "DWELL":
            moves.append(("dwell", (float(words[0]), 0.0, 0.0, 0.0)))
    return done.returncode == 0, moves, arcs


def ours(reading: ReadProgram) -> list[Move]:
    """Our own reading's moves (kind, end in mm, machine); unknown places as 0."""
    moves: list[Move] = []
    for row, (_, kind, x, y, z, q, _, _, seconds) in enumerate(reading.rows):
        if kind == DWELL:
            moves.append(("dwell", (seconds, 0.0, 0.0, 0.0)))
        elif kind != LOST:
            name = "arc" if row in reading.arcs else "rapid" if kind == RAPID else "feed"
            moves.append((name, (x, y, z, q)))
    # The judge starts at 0 0 0: a first move to there is none for it.
    at_zero = bool(moves) and moves[0] == ("rapid", (0.0, 0.0, 0.0, 0.0))
    return moves[1:] if at_zero else moves
