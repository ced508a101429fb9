"""Holes that two drill files of one board both hold, taken once: some programs write vias a second time."""

from collections.abc import Sequence
from dataclasses import replace

from pastewright.board.artwork import Drill, DrillFile
from pastewright.problems import Problem, Severity

SAME_MM = 0.005
"""Places and diameters are counted in steps of this: one program writes all of its files in one format."""
Key = tuple[int, ...]


def without_doubles(files: Sequence[DrillFile]) -> tuple[tuple[DrillFile, ...], list[Problem]]:
    """Return the files with each hole in the first that holds it, and a note for each file that repeats another's.

    Where only the later file says whether the hole is plated, the earlier takes that from it.
    """
    first: dict[Key, tuple[int, int]] = {}
    kept: list[list[Drill]] = []
    problems: list[Problem] = []
    for number, file in enumerate(files):
        kept.append([])
        own: set[Key] = set()
        repeats: set[int] = set()
        for drill in file.drills:
            key = _key(drill)
            if key in first and key not in own:
                where, place = first[key]
                repeats.add(where)
                known = drill.plated if drill.plated is not None else file.plated
                if kept[where][place].plated is None and files[where].plated is None:
                    kept[where][place] = replace(kept[where][place], plated=known)
                continue
            own.add(key)
            first.setdefault(key, (number, len(kept[number])))
            kept[number].append(drill)
        doubled = len(file.drills) - len(kept[number])
        if doubled:
            names = ", ".join(files[each].file for each in sorted(repeats))
            what = f"{doubled} of its {len(file.drills)} holes stand in {names} too: each is taken once"
            problems.append(Problem(what=what, severity=Severity.NOTE, file=file.file))
    result = tuple(replace(file, drills=tuple(own)) for file, own in zip(files, kept, strict=True))
    return result, problems


def _key(drill: Drill) -> Key:
    ends = [(drill.x_mm, drill.y_mm), drill.slot_to_mm or (drill.x_mm, drill.y_mm)]
    numbers = [value for end in sorted(ends) for value in end]
    return tuple(round(value / SAME_MM) for value in (*numbers, drill.diameter_mm))
