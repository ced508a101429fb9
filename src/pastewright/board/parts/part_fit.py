"""Parts and lands to names: which land belongs to which part, when only the parts' middles are known.

The places are fitted to the lands (`registration`), then the lands shared out (`shares`). Where the files name the
lands already, nothing is given: the places are only compared, and differences told.
"""

from collections import defaultdict
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
    parts: Sequence[PartPlace], shapes: Shapes, known: Sequence[str], *, file: str
) -> NamedParts:
    """Return the part of each land. `shapes` are lands [mm, file], `known` their designators, "" for none."""
    refs = list(known)
    if not parts or len(shapes) == 0:
        return NamedParts(refs=tuple(refs), fit=None, problems=())
    centres = shapely.get_coordinates(shapely.centroid(shapes))
    areas = shapely.area(shapes)
    places = np.array([(part.x_mm, part.y_mm) for part in parts])
    if sum(1 for ref in known if ref) >= len(known) / 2:
        fit = _fit_of_named(parts, places, centres, known)
        return NamedParts(
            refs=tuple(refs),
            fit=fit,
            problems=tuple(_compared(parts, places, centres, known, fit, file)),
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


def _middles(centres: Points, known: Sequence[str]) -> dict[str, Points]:
    """Return the box (2×2: low, high) of each named part's land centres."""
    lands: dict[str, list[int]] = defaultdict(list)
    for number, ref in enumerate(known):
        if ref:
            lands[ref].append(number)
    return {
        ref: np.array([centres[numbers].min(axis=0), centres[numbers].max(axis=0)])
        for ref, numbers in lands.items()
    }


def _fit_of_named(
    parts: Sequence[PartPlace], places: Points, centres: Points, known: Sequence[str]
) -> Fit | None:
    """Return the rigid motion by the names themselves, outliers left out."""
    boxes = _middles(centres, known)
    both = [(number, boxes[part.ref].mean(axis=0)) for number, part in enumerate(parts) if part.ref in boxes]
    if len(both) < 2:
        return None
    source = places[[number for number, _ in both]]
    target = np.array([middle for _, middle in both])
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
    parts: Sequence[PartPlace],
    places: Points,
    centres: Points,
    known: Sequence[str],
    fit: Fit | None,
    file: str,
) -> list[Problem]:
    problems: list[Problem] = []
    boxes = _middles(centres, known)
    if fit is not None:
        if fit.words:
            what = f"the centroid file counts from another origin: {fit.words} to meet the pads"
            problems.append(Problem(what=what, severity=Severity.NOTE, file=file))
        moved = fit.places(places)
        off = []
        for part, place in zip(parts, moved, strict=True):
            if part.ref not in boxes:
                continue
            low, high = boxes[part.ref]
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
