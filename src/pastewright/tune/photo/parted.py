"""A sheet that lies half in a lamp's mirror image: dots in parts that are lit alike, each part read by itself.

Paste is what it is, but the ground under it is dark where it mirrors nothing and bright where it mirrors a lamp: dots are
lighter than their ground on one side and darker on the other, and one common picture is none of both. Where one leaves many
dots out, the dots are parted in two by how light their grounds are, and each half is read with a picture and a rim of its
own, and parted again where it has to be. Parts are kept where more dots are measured so.
"""

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pastewright.photo.view import PhotoView
from pastewright.tune.photo.alike import Alike, Lot, read_alike
from pastewright.tune.photo.common import INNER, grid
from pastewright.tune.photo.dots import SeenDots, readings_of
from pastewright.tune.photo.edge import Outlines
from pastewright.tune.photo.laid import LaidDot, LaidDots
from pastewright.tune.photo.rays import DIMMEST
from pastewright.tune.record.measurements import DotReading, DotState

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]

ENOUGH = 0.85  # of the dots that lie there: measured together, so many are not parted
LEAST_OF_A_PART = 8  # dots, as many as tell where the middles of their bases lie
LEAST_APART = 0.3  # ln of light between the grounds of two parts
SEEN = 0.35  # of the contrast that paste has on its part's usual ground: with less on its own ground a dot may lie unseen
MOST_DOUBT = 1.25  # times what the whole's dots may be off by together: where it measures enough, parts must not know less
DEEPEST = 3  # times a part is parted again
LEAST_MORE = 0.1  # of all dots: so many more parts must measure than the whole, or no more fewer where contrast differs


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PartRead:
    """Some of a sheet's dots, `which` (places on the sheet), as read by themselves."""

    which: Whole
    read: Alike


@dataclass(frozen=True, slots=True, kw_only=True)
class _Part:
    """Some of the dots that were laid (`LaidDots`)."""

    name: str
    pitch_mm: float
    dots: Sequence[LaidDot]


def read_parts(lot: Lot) -> tuple[PartRead, ...]:
    """Return all dots of a lot, in as many parts as it takes."""
    whole = PartRead(which=np.arange(len(lot.laid.dots)), read=read_alike(lot))
    return (whole,) if lot.few else _parted(lot, whole, DEEPEST)


def _parted(lot: Lot, whole: PartRead, deepest: int) -> tuple[PartRead, ...]:
    """Return a part, `lot`, or the parts of it where they tell more."""
    measured, there = _counted(lot, whole.read)
    if deepest == 0 or there < 2 * LEAST_OF_A_PART:
        return (whole,)
    halves = in_two(np.log(np.maximum(whole.read.dots.common.levels, DIMMEST)))
    if halves is None:
        return (whole,)
    enough, differs = measured >= ENOUGH * there, _contrast_differs(whole.read.dots, halves)
    if enough and not differs:
        return (whole,)
    parts: list[PartRead] = []
    more = -measured
    for half in halves:
        own = _lot_of(lot, half, whole.read.view)
        if not own.matches:
            return (whole,)
        for part in _parted(own, PartRead(which=np.arange(len(half)), read=read_alike(own)), deepest - 1):
            of_part = _lot_of(own, part.which, whole.read.view)
            more += _counted(of_part, part.read)[0]
            parts.append(replace(part, which=whole.which[half[part.which]]))
    as_sure = _doubt(parts) <= MOST_DOUBT * _doubt((whole,))
    if enough and not as_sure:
        return (whole,)
    least = -LEAST_MORE if differs and as_sure else LEAST_MORE
    return tuple(parts) if more >= least * len(whole.which) else (whole,)


def _doubt(parts: Sequence[PartRead]) -> float:
    """Return what dots of a part may be off by together, the mean over all dots."""
    counts = [len(part.which) for part in parts]
    return float(np.average([part.read.dots.rim.shared_sd for part in parts], weights=counts))


def _contrast_differs(dots: SeenDots, halves: tuple[Whole, Whole]) -> bool:
    """Tell whether paste stands out from its ground far more in one half of the dots than in the other: in a shadow it
    stands out as elsewhere, in a mirror image it does not.
    """
    lower, higher = (float(np.median(np.abs(dots.common.contrast[half]))) for half in halves)
    return bool(abs(np.log(max(lower, 1e-3) / max(higher, 1e-3))) > LEAST_APART)


def _counted(lot: Lot, read: Alike) -> tuple[int, int]:
    """Return how many dots of a lot are measured, and how many lie there."""
    dots = read.dots
    readings = readings_of(dots, lot.laid, dots.centres, np.ones(len(dots.radii)))
    states = [reading.state for reading in readings]
    # What is weak beside a picture of light dots on a dark ground is not missing where a blob was seen.
    there = max(len(states) - states.count(DotState.MISSING), len(lot.matches))
    return states.count(DotState.MEASURED), there


def _lot_of(lot: Lot, which: Whole, view: PhotoView) -> Lot:
    """Return the lot of some of the dots, to be read in the view of those they were seen with: few dots tell none."""
    dots = [lot.laid.dots[place] for place in which.tolist()]
    own = {dot.index for dot in dots}
    return replace(
        lot,
        laid=_Part(name=lot.laid.name, pitch_mm=lot.laid.pitch_mm, dots=dots),
        matches=[match for match in lot.matches if match.index in own],
        fit=lambda *_: (view, 0.0, None),
        view=view,
    )


def in_two(levels: Floats) -> tuple[Whole, Whole] | None:
    """Return the places of the lower and of the higher half of some numbers, parted where both halves scatter least
    (N. Otsu, IEEE Transactions on Systems, Man, and Cybernetics 9 (1979) 62-66); None where there are no two halves.
    """
    order = np.argsort(levels)
    count, most = len(levels), LEAST_OF_A_PART
    if count < 2 * most:
        return None
    below = np.arange(most, count - most + 1)
    total = np.cumsum(levels[order])
    low = total[below - 1] / below
    high = (total[-1] - total[below - 1]) / (count - below)
    cut = int(np.argmax(below * (count - below) * (high - low) ** 2))
    if high[cut] - low[cut] < LEAST_APART:
        return None
    return order[: below[cut]], order[below[cut] :]


def told_parts(parts: Sequence[PartRead], most_sd: float) -> tuple[PartRead, ...]:
    """Return the parts whose rims are known to `most_sd`, a share; the dots of the others are taken for not seen. All where
    none is.
    """

    def told(part: PartRead) -> bool:
        return part.read.dots.rim.shared_sd <= most_sd

    if len(parts) == 1 or not any(told(part) for part in parts):
        return tuple(parts)
    return tuple(part if told(part) else replace(part, read=_unseen(part.read)) for part in parts)


def _unseen(read: Alike) -> Alike:
    """Return dots as read, none of which has a clear outline."""
    nil = np.zeros(len(read.good), dtype=np.bool_)
    common = replace(read.dots.common, left=np.ones(len(nil)))
    return replace(read, good=nil, dots=replace(read.dots, common=common))


def together(parts: Sequence[PartRead]) -> SeenDots:
    """Return what is seen of all dots in the sheet's order: pictures and rim are those of the part with most doubt, of
    those that have dots with a clear outline.
    """
    seen = [part for part in parts if part.read.good.any()] or parts
    most = max(seen, key=lambda part: part.read.dots.rim.shared_sd).read.dots
    if len(parts) == 1:
        return most
    order = np.argsort(np.concatenate([part.which for part in parts]))

    dots = [part.read.dots for part in parts]

    def joined(things: Sequence[object], names: Sequence[str]) -> dict[str, Any]:
        return {name: np.concatenate([getattr(one, name) for one in things])[order] for name in names}

    of_a_dot = ("gain", "left", "strength", "shifts", "beyond", "levels", "contrast", "centres", "radii")
    outline = Outlines(**joined([one.outline for one in dots], [item.name for item in fields(Outlines)]))
    common = replace(most.common, **joined([one.common for one in dots], of_a_dot))
    own = joined(dots, ("centres", "radii", "blur", "scale", "inside", "clipped", "strange"))
    return replace(most, outline=outline, common=common, **own)


def never_missing(readings: Sequence[DotReading], parts: Sequence[PartRead]) -> tuple[DotReading, ...]:
    """Return the readings, none of which is missing where paste would be as light as its ground: nobody can see it there.

    That is so where grounds pass from dark to light under grey paste; a dot said to be missing would count as one that did
    not come out.
    """
    hidden = np.zeros(len(readings), dtype=np.bool_)
    for part in parts:
        common = part.read.dots.common
        if common.picture[..., 1:].any():  # its colour shows it
            continue
        inner = np.linalg.norm(grid(len(common.picture)), axis=-1) < INNER
        step = float(np.median(common.picture[inner][:, 0]))
        levels = np.maximum(common.levels, DIMMEST)
        shown = float(np.median(levels)) * (1 + step) / levels - 1
        hidden[part.which] = np.abs(shown) < SEEN * abs(step)
    return tuple(
        replace(one, state=DotState.REFUSED, why="hardly visible")
        if lost and one.state is DotState.MISSING
        else one
        for one, lost in zip(readings, hidden.tolist(), strict=True)
    )


def parts_differ(parts: Sequence[PartRead], readings: Sequence[DotReading], laid: LaidDots) -> float:
    """Return by how much sizes of different parts differ for their doses, beyond chance: a standard error, as a share.

    ln diameter = a + b·ln dose, the same for all dots, and a step for each part: with a rim lost into the ground on one side
    of a sheet its dots are narrower there. The step is taken less twice its own error, and nobody knows which is right.
    """
    if len(parts) < 2:
        return 0.0
    most = 0.0
    dose = np.log([dot.dose_ul for dot in laid.dots])
    wide = np.array([reading.diameter_mm or np.nan for reading in readings])
    for part in parts:
        within = np.zeros(len(wide), dtype=np.bool_)
        within[part.which] = True
        seen = np.isfinite(wide)
        counts = (seen & within).sum(), (seen & ~within).sum()
        if min(counts) < LEAST_OF_A_PART // 2:
            continue
        basis = np.column_stack([np.ones(seen.sum()), dose[seen], within[seen]])
        size, weight = np.log(wide[seen]), np.ones(seen.sum())
        for _ in range(5):
            solved = np.linalg.lstsq(basis * weight[:, None], size * weight, rcond=None)[0]
            rest = np.abs(size - basis @ solved)
            usual = 1.4826 * float(np.median(rest))
            weight = 1 / np.sqrt(np.maximum(1.0, rest / (2 * max(usual, 1e-9))))
        error = usual * float(np.sqrt(sum(1 / count for count in counts)))
        most = max(most, (abs(float(solved[2])) - 2 * error) / 2)
    return most
