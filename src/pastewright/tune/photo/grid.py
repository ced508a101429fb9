"""A lattice of places to the sheet's dots: which place is which dot, and how the camera saw the sheet.

Every way of laying the seen lattice on the commanded one is tried: all small whole-number changes of axes (a strong
tilt can make a diagonal look like a row) at all shifts. The three odd dots decide between them. A photo in which two
ways explain the dots almost alike is refused: a wrong index is worse than no answer.
"""

from dataclasses import dataclass
from itertools import product

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from pastewright.problems import InputError, Problem
from pastewright.tune.photo.find import BlobCandidates
from pastewright.tune.photo.lattice import Lattice, grow_lattice
from pastewright.tune.photo.rank import rank_correlation
from pastewright.tune.sheet.model import Sheet

Whole = NDArray[np.int64]

LEAST_SHARE = 0.6  # of the lattice's dots must be seen, …
LEAST_SHARE_SIZED = (
    0.3  # … or so many, if their widths follow the doses: on a soft bench the small ones do not come out
)
SIZED = 0.6  # rank correlation of width and dose; 40 dots taken at random reach it once in 20 000 times
# Fewer than 30 dots must follow their doses better: 30 reach SIZED by chance once in 4 000 times, and a rank correlation of
# n dots taken at random scatters by 1/√(n − 1) (Kendall, Rank Correlation Methods, from memory), so that this is as rare.
LEAST_RANKED, SURELY = 16, 3.24
# Without odd dots, of which a reflection may hide two, sizes must tell more than beside them: one way of a hundred looked at
# follows its doses as well as this by chance once in 3 000 photos.
SURELY_ALONE = 4.5
MOST_RANKED = 40  # ways whose sizes are looked at
CLEAR_RANK = 0.3  # by how much the rank correlation of the right way exceeds that of its rivals
LEAST_ODD = 2  # of the three odd dots must be seen
ODD_NEAR = 0.22  # pitch
RIVAL_SHARE = 0.75  # a rival with as many odd dots, and this share of what the best explains, is a doubt
MOST_STRANGERS = 0.15  # places on the lattice, but off the sheet, per dot matched
SPECK = 0.6  # of the width of the smallest dots: what is narrower is a speck, not a dot
MOST_MAPS = 4
ALMOST = 0.85


@dataclass(frozen=True, slots=True, kw_only=True)
class Match:
    """Dot `index` of the sheet is at `place_px`; `width_px` is how wide the blob looked."""

    index: int
    place_px: tuple[float, float]
    width_px: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Way:
    """One way to lay the seen lattice on the sheet."""

    axes: Whole
    shift: Whole
    lattice_hits: int
    strangers: int
    odd_hits: int

    @property
    def mirrored(self) -> bool:
        # Steps i × j are right-handed in the photo, where y runs down; so are not the sheet's column × row.
        return bool(self.axes[0, 0] * self.axes[1, 1] > self.axes[0, 1] * self.axes[1, 0])


def index_dots(candidates: list[BlobCandidates], sheet: Sheet, name: str) -> tuple[Match, ...]:
    """Return the matches of the map that explains most; raises InputError when none or more than one way does.

    Of maps that explain almost as much, the one with the widest blobs is taken: the lamp's reflections on the dots
    make a lattice too.
    """
    wanted = len(sheet.lattice)
    doubts: list[tuple[int, InputError]] = []
    grown = []
    for found in candidates:
        lattice = grow_lattice(found.places_px, enough=int(0.9 * wanted))
        if lattice is not None:
            grown.append((len(lattice.chosen), found, lattice))
    grown.sort(key=lambda item: -item[0])
    indexed: list[tuple[Match, ...]] = []
    for size, found, lattice in grown[:MOST_MAPS]:
        if indexed and size < ALMOST * grown[0][0]:
            break
        try:
            indexed.append(_indexed(found, lattice, sheet, name))
        except InputError as error:
            doubts.append((size, error))
    if indexed:
        most = max(len(matches) for matches in indexed)
        return max(
            (matches for matches in indexed if len(matches) >= ALMOST * most),
            key=lambda matches: float(np.median([match.width_px for match in matches])),
        )
    if doubts:
        raise max(doubts, key=lambda doubt: doubt[0])[1]
    raise refusal(
        "no grid of dots was found in the photo",
        "Photograph the whole sheet from above, sharp and evenly lit, so that it fills most of the picture.",
        name,
    )


def refusal(what: str, mend: str, name: str) -> InputError:
    """Return the refusal of a photo, ready to raise."""
    return InputError([Problem(what=what, mend=mend, file=name)])


def _indexed(found: BlobCandidates, lattice: Lattice, sheet: Sheet, name: str) -> tuple[Match, ...]:
    ways = _ways(found, lattice, sheet)
    wanted = len(sheet.lattice)
    if not ways:
        raise refusal(
            "the dots found do not fit the sheet", "Check that sheet.json and photo belong together.", name
        )
    best = max(ways, key=_merit)
    told = _told_by_sizes(ways, best, found, lattice, sheet)
    best = told or best
    if told is None and best.odd_hits < LEAST_ODD:
        raise refusal(
            f"{best.odd_hits} of the 3 odd dots beside the grid were found, which does not tell how the photo is turned",
            "Get the whole sheet into the picture, with the odd dots at its edges; check that it is this sheet.",
            name,
        )
    matches = _matches(found, lattice, sheet, best)
    share = best.lattice_hits / wanted
    if share < LEAST_SHARE_SIZED or (share < LEAST_SHARE and not _follows_doses(matches, sheet)):
        raise refusal(
            f"only {best.lattice_hits} of {wanted} dots were found",
            "Get the whole sheet into the picture, without reflections; check that it is this sheet.",
            name,
        )
    if best.mirrored:
        raise refusal(
            "the photo shows the sheet as in a mirror",
            "Use the camera on the back of the phone, and photograph the side that has the dots.",
            name,
        )
    strangers = _wide_strangers(found, lattice, sheet, best)
    if strangers > MOST_STRANGERS * best.lattice_hits:
        raise refusal(
            f"{strangers} dots stand in line with the grid where the sheet has none",
            "Check that sheet.json and photo belong together, and that only one sheet is in the picture.",
            name,
        )
    if told is None and any(_is_doubt(way, best) for way in ways if way is not best):
        raise refusal(
            "the photo can be read in two ways, since the odd dots beside the grid are not clear enough",
            "Check that sheet.json and photo belong together; wipe off what lies near the grid; get the whole sheet "
            "into the picture.",
            name,
        )
    return matches


def _wide_strangers(found: BlobCandidates, lattice: Lattice, sheet: Sheet, way: _Way) -> int:
    """Return how many places off the sheet are wide enough to be dots: grain makes lattices of specks."""
    cells = (lattice.steps @ way.axes.T + way.shift).tolist()
    laid = {(dot.column, dot.row) for dot in sheet.lattice}
    off = np.array([tuple(cell) not in laid for cell in cells])
    widths = found.widths_px[lattice.chosen]
    if off.all():
        return way.strangers
    return int((off & (widths > SPECK * np.quantile(widths[~off], 0.1))).sum())


def _follows_doses(matches: tuple[Match, ...], sheet: Sheet) -> bool:
    """Whether wide blobs lie where large doses were commanded."""
    return _beyond_chance(_rank_of_sizes(matches, sheet), len(matches))


def _rank_of_sizes(matches: tuple[Match, ...], sheet: Sheet) -> float:
    """Return the rank correlation of width and dose; 0 where either does not vary."""
    dose = {dot.index: dot.dose_ul for dot in sheet.dots}
    widths, doses = [match.width_px for match in matches], [dose[match.index] for match in matches]
    if len(matches) < LEAST_RANKED or min(widths) == max(widths) or min(doses) == max(doses):
        return 0.0
    return rank_correlation(widths, doses)


def _beyond_chance(rank: float, dots: int, surely: float = SURELY) -> bool:
    """Tell whether so many dots follow their doses so well that they are those dots."""
    return bool(rank >= max(SIZED, surely / np.sqrt(max(dots - 1, 1))))


def _told_by_sizes(
    ways: list[_Way], best: _Way, found: BlobCandidates, lattice: Lattice, sheet: Sheet
) -> _Way | None:
    """Return the way whose dots are as wide as their doses say, where those of all its rivals are not.

    With half of the dots missing, or odd dots that a reflection hides, places alone leave several ways open, mirror images
    among them; sizes do not. Every way is a rival that meets about as many dots of the grid.
    """
    near = [way for way in ways if _net(way) >= RIVAL_SHARE * _net(best)]
    if len(near) < 2:
        return None
    near = sorted(near, key=_merit, reverse=True)[:MOST_RANKED]
    matches = [_matches(found, lattice, sheet, way) for way in near]
    ranks = [_rank_of_sizes(met, sheet) for met in matches]
    first, second = sorted(ranks, reverse=True)[:2]
    sized = ranks.index(first)
    surely = SURELY if near[sized].odd_hits >= LEAST_ODD else SURELY_ALONE
    clear = _beyond_chance(first, len(matches[sized]), surely) and second <= first - CLEAR_RANK
    return near[sized] if clear else None


def _net(way: _Way) -> int:
    """Return how many dots of the grid a way meets, less the places that stand where the sheet has none."""
    return way.lattice_hits - way.strangers


def _is_doubt(rival: _Way, best: _Way) -> bool:
    """Whether a rival explains the photo so well that it might be the truth.

    `net` is dots met less places that stand where the sheet has none. A rival with as many odd dots is a doubt even if
    it explains a quarter less; one with an odd dot less (dirt can play an odd dot) if it explains almost as much.
    Light does not make mirror images, so a mirrored rival must be as good as the best.
    """
    net, best_net = _net(rival), _net(best)
    if rival.mirrored:
        return rival.odd_hits >= best.odd_hits and net >= best_net - 2
    if rival.odd_hits >= best.odd_hits:
        return net >= RIVAL_SHARE * best_net
    return rival.odd_hits == best.odd_hits - 1 and net >= best_net - max(4.0, 0.08 * best.lattice_hits)


def _merit(way: _Way) -> float:
    return _net(way) + 0.25 * way.odd_hits * way.lattice_hits


def _ways(found: BlobCandidates, lattice: Lattice, sheet: Sheet) -> list[_Way]:
    """Return every way worth weighing: at least half as many hits as the best has."""
    laid = np.zeros((sheet.columns, sheet.rows))
    for dot in sheet.lattice:
        laid[dot.column, dot.row] = 1
    origin = np.array(sheet.origin_mm)
    odd = np.array([[dot.x_mm, dot.y_mm] for dot in sheet.odd]) - origin
    odd = odd / sheet.pitch_mm
    inverse = np.linalg.inv(lattice.homography)
    lifted = np.column_stack([found.places_px, np.ones(len(found.places_px))]) @ inverse.T
    ahead = lifted[:, 2] * np.median(lifted[lattice.chosen, 2]) > 0
    fractional = lifted[ahead, :2] / lifted[ahead, 2:]
    tree = cKDTree(fractional)
    ways: list[_Way] = []
    most = 0.0
    for axes in _axes():
        turned = lattice.steps @ axes.T
        low = turned.min(axis=0)
        size = turned.max(axis=0) - low + 1
        if size.max() > 4 * max(sheet.rows, sheet.columns):
            continue
        seen = np.zeros(size)
        seen[tuple((turned - low).T)] = 1
        # hits[a, b] is the number of dots met when the seen picture is moved by (a, b) − (size − 1).
        around = np.pad(laid, [(size[0] - 1,) * 2, (size[1] - 1,) * 2]).astype(np.float32)
        hits = np.round(cv2.matchTemplate(around, seen.astype(np.float32), cv2.TM_CCORR))
        most = max(most, float(hits.max()))
        at = np.argwhere(hits >= max(0.5 * most, 1))
        shifts = at - (size - 1) - low
        met = np.round(hits[tuple(at.T)]).astype(int)
        gaps = np.asarray(tree.query((odd - shifts[:, None, :]) @ np.linalg.inv(axes).T)[0])
        for shift, seen_dots, odd_dots in zip(
            shifts, met.tolist(), (gaps < ODD_NEAR).sum(axis=1).tolist(), strict=True
        ):
            ways.append(
                _Way(
                    axes=axes,
                    shift=shift,
                    lattice_hits=seen_dots,
                    strangers=len(turned) - seen_dots,
                    odd_hits=odd_dots,
                )
            )
    return [way for way in ways if way.lattice_hits >= 0.5 * most]


def _axes() -> list[Whole]:
    """Return the 2×2 matrices of −1, 0, 1 that map the lattice onto itself, mirror images too."""
    every = [np.array(values, dtype=np.int64).reshape(2, 2) for values in product((-1, 0, 1), repeat=4)]
    return [axes for axes in every if abs(int(axes[0, 0] * axes[1, 1] - axes[0, 1] * axes[1, 0])) == 1]


def _matches(found: BlobCandidates, lattice: Lattice, sheet: Sheet, way: _Way) -> tuple[Match, ...]:
    """Return the place of each dot under a way: those of the lattice, then what lies where the others should be."""
    by_cell = {(dot.column, dot.row): dot.index for dot in sheet.lattice}
    cells = lattice.steps @ way.axes.T + way.shift
    chosen: dict[int, int] = {}
    for place, cell in zip(lattice.chosen.tolist(), cells.tolist(), strict=True):
        index = by_cell.get((cell[0], cell[1]))
        if index is not None:
            chosen[index] = place
    others = [dot for dot in sheet.dots if dot.index not in chosen]
    steps = (np.array([[dot.x_mm, dot.y_mm] for dot in others]) - np.array(sheet.origin_mm)) / sheet.pitch_mm
    seen = (steps - way.shift) @ np.linalg.inv(way.axes).T
    lifted = np.column_stack([seen, np.ones(len(seen))]) @ lattice.homography.T
    beside = np.column_stack([seen + 0.5, np.ones(len(seen))]) @ lattice.homography.T
    expected = lifted[:, :2] / lifted[:, 2:]
    half_step = np.linalg.norm(beside[:, :2] / beside[:, 2:] - expected, axis=1)
    distance, nearest = cKDTree(found.places_px).query(expected)
    taken = set(chosen.values())
    for dot, gap, place, reach in zip(
        others, np.atleast_1d(distance), np.atleast_1d(nearest), half_step, strict=True
    ):
        if gap < 0.3 * reach and int(place) not in taken:
            chosen[dot.index] = int(place)
            taken.add(int(place))
    return tuple(
        Match(
            index=index,
            place_px=(float(found.places_px[place, 0]), float(found.places_px[place, 1])),
            width_px=float(found.widths_px[place]),
        )
        for index, place in sorted(chosen.items())
    )
