"""Parts and lands to names: which land belongs to which part, when only the parts' middles are known.

The places are fitted to the lands (`registration`), then the lands shared out (`shares`). Where the files name the
lands already, nothing is given: the places are only compared, and differences told.
"""

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from pastewright.board.artwork import PartPlace
from pastewright.board.model import Check
from pastewright.board.parts.registration import Fit, Points, equal_pairs, kabsch, registered
from pastewright.board.parts.shares import shares
from pastewright.board.shapes.islands import Shapes
from pastewright.problems import Problem, Severity

Boxes = dict[str, list[Points]]

CONFLICT_MM = 1.0
"""A named part whose pads lie this far from its stated place is a conflict: origins off the middle reach half of it."""
MOST_TOLD = 10
"""Conflicts told one by one; the rest is counted."""
KEPT_TIMES, KEPT_MM = 3.0, 0.05
"""Parts further off than so many times the median (and than 0.05 mm) are outliers of the fit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedParts:
    """A reference designator for each land ("" for none found), the fit, and what there is to say."""

    refs: tuple[str, ...]
    fit: Fit | None
    problems: tuple[Problem, ...]
    check: Check | None = None


def name_by_parts(
    parts: Sequence[PartPlace], shapes: Shapes, known: Sequence[str], *, file: str, pins: Sequence[str] = ()
) -> NamedParts:
    """Return the part of each land. `shapes` are lands [mm, file], `known` their designators, "" for none.

    `pins` are the lands' pins, where known; with them the copies of a panel, which bear the same names, are told apart.
    """
    refs = list(known)
    if not parts or len(shapes) == 0:
        return NamedParts(refs=tuple(refs), fit=None, problems=())
    centres = shapely.get_coordinates(shapely.centroid(shapes))
    areas = shapely.area(shapes)
    places = np.array([(part.x_mm, part.y_mm) for part in parts])
    if sum(1 for ref in known if ref) >= len(known) / 2:
        boxes = _boxes_of(centres, known, pins)
        fit = _fit_of_named(parts, places, boxes)
        return NamedParts(
            refs=tuple(refs),
            fit=fit,
            problems=tuple(_compared(parts, places, boxes, fit, file)),
            check=_at_pads(fit.met if fit else 0, parts),
        )
    pairs = equal_pairs(centres, areas)
    # Single lands are middles only where pairs are none: all parts of two pads have a pad at one side of them.
    middles = (centres[pairs[:, 0]] + centres[pairs[:, 1]]) / 2
    fits = registered(places, middles) or registered(places, centres)
    free = np.array([not ref for ref in known])
    given: set[int] = set()
    unmoved = [fit for fit in fits if not fit.words]
    if len(fits) > 1 and not unmoved:
        what = f"the {len(parts)} parts of the centroid file fit the pads in {len(fits)} ways: they name none"
        mend = "Export it with the same origin as the Gerber files."
        problem = Problem(what=what, mend=mend, severity=Severity.WARNING, file=file)
        return NamedParts(refs=tuple(refs), fit=None, problems=(problem,), check=_at_pads(0, parts))
    if not fits:
        what = f"the {len(parts)} parts of the centroid file fit no pads of this side: they name none"
        mend = "Export it together with the Gerber files, of the same board and side."
        problem = Problem(what=what, mend=mend, severity=Severity.WARNING, file=file)
        return NamedParts(refs=tuple(refs), fit=None, problems=(problem,), check=_at_pads(0, parts))
    fit = (unmoved or fits)[0]
    for land, part in shares(fit.places(places), centres, areas, free).items():
        given.add(part)
        refs[land] = parts[part].ref
    problems: list[Problem] = []
    if fit.words:
        what = (
            f"the centroid file counts from another origin: {fit.words} to meet the pads"
            f" ({fit.met} of {len(parts)} parts, rms {fit.rms_mm:.3f} mm)"
        )
        problems.append(Problem(what=what, severity=Severity.NOTE, file=file))
    bare = sorted(set(range(len(parts))) - given)
    if bare:
        names = ", ".join(parts[number].ref for number in bare[:8]) + (" …" if len(bare) > 8 else "")
        what = f"no pads were found for {len(bare)} part(s) of the centroid file: {names}"
        problems.append(Problem(what=what, severity=Severity.NOTE, file=file))
    return NamedParts(refs=tuple(refs), fit=fit, problems=tuple(problems), check=_at_pads(len(given), parts))


def _at_pads(met: int, parts: Sequence[PartPlace]) -> Check:
    return Check(what="parts at their pads", met=met, of=len(parts))


def _boxes_of(centres: Points, known: Sequence[str], pins: Sequence[str]) -> Boxes:
    """Return the boxes (2×2: low, high) of each named part's land centres, one for each copy of the part.

    Copies of a panel bear the same names. Counted from the lower left, pad by pad, they are told apart: copies lie alike.
    """
    named: dict[tuple[str, str], list[int]] = defaultdict(list)
    for number, ref in enumerate(known):
        if ref:
            named[ref, pins[number] if pins else ""].append(number)
    copies: dict[str, dict[int, list[int]]] = defaultdict(lambda: defaultdict(list))
    counts = Counter(len(lands) for (_, pin), lands in named.items() if pin)
    boards = counts.most_common(1)[0][0] if counts else 1
    for (ref, pin), lands in named.items():
        if boards == 1 or not pin:
            copies[ref][0].extend(lands)
            continue
        if len(lands) != boards:
            continue  # a pin of several lands: which of them is of which copy is not told
        places = {land: (round(centres[land][1], 3), round(centres[land][0], 3)) for land in lands}
        for rank, land in enumerate(sorted(lands, key=places.__getitem__)):
            copies[ref][rank].append(land)
    return {
        ref: [
            np.array([centres[lands].min(axis=0), centres[lands].max(axis=0)])
            for _, lands in sorted(own.items())
        ]
        for ref, own in copies.items()
    }


def _pairs_of(parts: Sequence[PartPlace], boxes: Boxes) -> list[tuple[int, Points]]:
    """Return each part with the box of its pads. A file of one board of a panel is held against the first copy."""
    rows: dict[str, list[int]] = defaultdict(list)
    for number, part in enumerate(parts):
        rows[part.ref].append(number)
    found: list[tuple[int, Points]] = []
    for ref, numbers in rows.items():
        lower_left = sorted(numbers, key=lambda n: (round(parts[n].y_mm, 3), round(parts[n].x_mm, 3)))
        found.extend(zip(lower_left, boxes.get(ref, []), strict=False))
    return sorted(found, key=lambda pair: pair[0])


def _fit_of_named(parts: Sequence[PartPlace], places: Points, boxes: Boxes) -> Fit | None:
    """Return the rigid motion by the names themselves, outliers left out."""
    both = _pairs_of(parts, boxes)
    if len(both) < 2:
        return None
    source = places[[number for number, _ in both]]
    target = np.array([middle.mean(axis=0) for _, middle in both])
    fits = [kabsch(source, target, mirrored=mirrored) for mirrored in (False, True)]
    away = [np.hypot(*(fit.places(source) - target).T) for fit in fits]
    best = int(np.median(away[1]) < np.median(away[0]) - 1e-6)
    fit, miss = fits[best], away[best]
    for _ in range(3):
        kept = miss <= max(KEPT_TIMES * float(np.median(miss)), KEPT_MM)
        if kept.sum() < 2:
            break
        fit = kabsch(source[kept], target[kept], mirrored=fit.mirrored)
        miss = np.hypot(*(fit.places(source) - target).T)
    kept = miss <= max(KEPT_TIMES * float(np.median(miss)), KEPT_MM)
    rms = float(np.sqrt(np.mean(miss[kept] ** 2)))
    return Fit(matrix=fit.matrix, shift=fit.shift, rms_mm=rms, met=int(kept.sum()))


def _compared(
    parts: Sequence[PartPlace], places: Points, boxes: Boxes, fit: Fit | None, file: str
) -> list[Problem]:
    problems: list[Problem] = []
    if fit is not None:
        if fit.words:
            what = f"the centroid file counts from another origin: {fit.words} to meet the pads"
            problems.append(Problem(what=what, severity=Severity.NOTE, file=file))
        moved = fit.places(places)
        off = []
        for number, (low, high) in _pairs_of(parts, boxes):
            part, place = parts[number], moved[number]
            beyond = np.maximum(np.maximum(low - place, place - high), 0.0)
            if float(np.hypot(*beyond)) > CONFLICT_MM:
                off.append((part, float(np.hypot(*beyond))))
        problems.extend(
            Problem(
                what=f"{part.ref} stands {away:.2f} mm off its pads: the centroid file and the board disagree",
                mend="Export all files from one state of the design.",
                severity=Severity.WARNING,
                file=file,
                line=part.line,
            )
            for part, away in off[:MOST_TOLD]
        )
        if len(off) > MOST_TOLD:
            problems.append(
                Problem(
                    what=f"{len(off) - MOST_TOLD} more parts stand off their pads",
                    severity=Severity.WARNING,
                    file=file,
                )
            )
    listed = {part.ref for part in parts}
    for names, words in (
        (sorted(listed - boxes.keys()), "are in the centroid file, but no pad bears their name"),
        (sorted(boxes.keys() - listed), "have pads, but are not in the centroid file"),
    ):
        if names:
            shown = ", ".join(names[:10]) + (f" and {len(names) - 10} more" if len(names) > 10 else "")
            problems.append(Problem(what=f"{shown} {words}", severity=Severity.NOTE, file=file))
    return problems
