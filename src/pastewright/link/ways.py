"""Lines of a program as ways: how far they take the plunger, which of them go out whole, and where they bring each axis."""

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import replace

from pastewright.link.job import ProgramBlock, ProgramJob
from pastewright.link.stroke import plunger_units
from pastewright.link.words import Scan

RENAMING = ("G92", "G10", "G28", "G30", "G38", "G53", "$")
"""Lines that rename places, or move to places in other numbers."""
LEAST_UNITS = 1e-9
"""Below the last decimal of any plunger word: rounding of sums, no motion."""


def deposit_units(job: ProgramJob, blocks: Sequence[ProgramBlock]) -> dict[int | None, float]:
    """Return how far the plunger goes for each deposit of these blocks, and for all else under None."""
    units: dict[int | None, float] = {None: 0.0}
    for block in blocks:
        units[block.deposit] = units.get(block.deposit, 0.0) + plunger_units(
            block.lines, block.before, job.letter
        )
    return units


def whole_strokes(block: ProgramBlock, letter: str, height_mm: float) -> list[tuple[bool, list[str]]]:
    """Part a block's lines into those sent as they come and those from a lowering to its lift, which go out whole."""
    scan = Scan(letter, block.before)
    strokes: list[tuple[bool, list[str]]] = [(False, [])]
    down = False
    for line in block.lines:
        scan.line(line)
        # A run that begins at a deposit comes down to its hops at the rapid; only from there the tip goes into paste.
        lowered = (
            "Z" in scan.moved and scan.place.get("Z", height_mm) < height_mm and not line.startswith("G0 ")
        )
        lowered = lowered or line.startswith("G38.")  # a probe's way down ends where it touches
        if lowered and not down:
            strokes.append((True, []))
            down = True
        strokes[-1][1].append(line)
        if down and "Z" in scan.moved and not lowered:
            strokes.append((False, []))
            down = False
    return [(whole, lines) for whole, lines in strokes if lines]


def names_plunger(line: str, letter: str) -> bool:
    """Whether a line calls the plunger's place by another number."""
    return line.startswith("G92") and letter in line[3:]


def number_at_rest(blocks: Sequence[ProgramBlock], letter: str) -> float | None:
    """Return what the plunger's place is called before these blocks, None where a G92 renames it once it has moved."""
    at = blocks[0].before.place.get(letter, 0.0) if blocks else 0.0
    moved = 0.0
    for block in blocks:
        scan = Scan(letter, block.before)
        for line in block.lines:
            stood = scan.place.get(letter, 0.0)
            scan.line(line)
            if not line.startswith("G92"):
                moved += abs(scan.place.get(letter, 0.0) - stood)
            elif moved > LEAST_UNITS and abs(scan.place.get(letter, 0.0) - stood) > LEAST_UNITS:
                return None
            else:
                at = scan.place.get(letter, 0.0) if moved <= LEAST_UNITS else at
    return at


def reach_of(
    blocks: Sequence[ProgramBlock], letter: str, here: dict[str, float]
) -> dict[str, tuple[float, float]]:
    """Return from where to where each axis goes in these blocks, {} where that is not told by their numbers alone.

    `here` is where the tip stands before them. A new name for the plunger's place alone leaves the others' reach.
    """
    reach: dict[str, tuple[float, float]] = {}
    renamed = False

    def reaches(places: Mapping[str, float]) -> None:
        for axis, at in places.items():
            low, high = reach.get(axis, (at, at))
            reach[axis] = min(low, at), max(high, at)

    reaches(here)  # a chosen deposit is come to from elsewhere than the program has it
    for block in blocks:
        scan = Scan(letter, replace(block.before, place={**here, **block.before.place}))
        for line in ("", *block.lines):
            own = names_plunger(line, letter) and not set(line[3:]) & set("XYZ")
            renamed = renamed or own
            if line.startswith(RENAMING) and not own:
                return {}
            scan.line(line)
            reaches(scan.place)
    if renamed:
        reach.pop(letter, None)
    return reach


def grouped(blocks: Sequence[ProgramBlock], size: int) -> deque[Sequence[ProgramBlock]]:
    """The blocks in their order, so many behind each barrier."""
    return deque(blocks[begin : begin + size] for begin in range(0, len(blocks), size))
