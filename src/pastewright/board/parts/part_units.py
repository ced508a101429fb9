"""Places of parts in an unsaid unit to mm: the unit is the one in which they lie on the pads."""

from collections.abc import Sequence
from dataclasses import replace

from pastewright.board.artwork import PartPlace
from pastewright.board.parts.part_fit import NamedParts, name_by_parts
from pastewright.board.shapes.islands import Shapes
from pastewright.problems import Problem, Severity

UNITS_MM = {"mm": 1.0, "mil": 0.0254, "in": 25.4}
"""Units of centroid files (common practice)."""
CLEAR_TIMES = 2.0
"""A unit is believed when so many times as many parts lie on their pads in it as in any other."""
FEWEST_MET = 3
"""Two places fit by chance, in any unit that leaves them on the board."""
NEAR_MM = 0.5
"""Parts on their pads: middles of pads and of bodies differ by less (common practice)."""


def name_by_parts_in_any_unit(
    parts: Sequence[PartPlace], shapes: Shapes, known: Sequence[str], *, file: str, pins: Sequence[str]
) -> NamedParts:
    """Return the part of each land as `name_by_parts` does, in the unit that fits; none is named where none does."""
    found: dict[str, NamedParts] = {}
    for unit, mm in UNITS_MM.items():
        scaled = [replace(part, x_mm=part.x_mm * mm, y_mm=part.y_mm * mm) for part in parts]
        found[unit] = name_by_parts(scaled, shapes, known, file=file, pins=pins)
    met = {unit: _met(each) for unit, each in found.items()}
    best = max(met, key=met.__getitem__)
    others = max(count for unit, count in met.items() if unit != best)
    if met[best] < FEWEST_MET or met[best] < CLEAR_TIMES * others:
        what = "nothing says which unit the places are in, and the pads do not tell: they name none"
        mend = f"Name it in the header, e.g. Mid X (mm), or say --units; units are {', '.join(UNITS_MM)}."
        problem = Problem(what=what, mend=mend, severity=Severity.WARNING, file=file)
        return NamedParts(refs=tuple(known), fit=None, problems=(problem,), check=None)
    what = f"states no unit: read in {best}, in which {met[best]} of {len(parts)} parts lie on their pads"
    note = Problem(what=what, severity=Severity.NOTE, file=file)
    return replace(found[best], problems=(note, *found[best].problems))


def _met(named: NamedParts) -> int:
    """Return how many parts lie on their pads; none where the motion that brings them there is no fit."""
    if named.fit is None or named.fit.rms_mm > NEAR_MM:
        return 0
    return named.fit.met
