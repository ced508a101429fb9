"""Parts and lands to names: which land belongs to which part, when only the parts' middles are known.

1. Registration. Most parts have pads that lie point-symmetric about their middle, so the midpoint of any two
   equal lands is a likely middle. All parts vote for the shift (and quarter turn, and mirroring) that brings them
   onto likely middles; the best is refined by least squares to a rigid motion (Kabsch 1976, Acta Cryst. A32).
2. Shares. Parts take the symmetric pair of lands nearest to their middle, near pairs first; then further pairs of
   lands as large as those, near pairs first again; then what is not symmetric goes to the part whose middle is that
   of the lands' box.

Where the files name the lands already, nothing is given: the places are only compared, and differences told.
"""

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import atan2, cos, degrees, hypot, sin

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from pastewright.board.parts.centroid import PartPlace
from pastewright.board.shapes.islands import Shapes
from pastewright.problems import Problem, Severity

Points = NDArray[np.float64]
Give = Callable[[int, Iterable[int]], None]
"""Gives lands, by index, to a part."""

NEIGHBOURS = 12
# Pads of one part are hardly further apart than this; the largest connectors are named by their box.
REACH_MM = 15.0
# Equal lands differ by rounding only; middles in files are rounded to 0.01 mm or a mil.
ALIKE = 0.03
NEAR_MM = 0.08
VOTE_GRID_MM = 0.1
VOTES_AT_ONCE = 6_000_000
VOTED_PART = 0.3
# Fits that meet this part of what the best meets are its rivals: with one, places are not unique. So many at most.
AS_GOOD = 0.85
# Turned places are tried only where fewer of the parts than this part meet a middle as they stand.
TURNED_PART = 0.5
MOST_FITS = 6
# The middle of an unsymmetric part's pads may miss its stated middle by this much.
BOX_MM = 0.3
# A named part whose pads lie this far from its stated place is a conflict.
CONFLICT_MM = 1.0
SILENT_SHIFT_MM = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """A rigid motion: places in the centroid file to places in the board's files. `rms_mm` over `met` parts."""

    matrix: Points
    shift: Points
    rms_mm: float
    met: int

    def places(self, points: Points) -> Points:
        """Return the points moved (N×2)."""
        return np.asarray(points @ self.matrix.T + self.shift)

    @property
    def turn_deg(self) -> float:
        """Counter-clockwise turn [degrees]."""
        return degrees(atan2(self.matrix[1, 0], self.matrix[1, 1] if self.mirrored else self.matrix[0, 0]))

    @property
    def mirrored(self) -> bool:
        """Whether x is turned round first."""
        return bool(np.linalg.det(self.matrix) < 0)

    @property
    def words(self) -> str:
        """The motion, "" when there is none to speak of."""
        parts = []
        if self.mirrored:
            parts.append("mirrored")
        if abs(self.turn_deg) > 0.02:
            parts.append(f"turned by {self.turn_deg:.2f}°")
        if hypot(*self.shift) > SILENT_SHIFT_MM:
            parts.append(f"shifted by ({self.shift[0]:.3f}, {self.shift[1]:.3f}) mm")
        return ", ".join(parts)


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedParts:
    """A reference designator for each land ("" for none found), the fit, and what there is to say."""

    refs: tuple[str, ...]
    fit: Fit | None
    problems: tuple[Problem, ...]


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
            refs=tuple(refs), fit=fit, problems=tuple(_compared(parts, places, centres, known, fit, file))
        )
    pairs = _pairs(centres, areas)
    # Single lands are middles only where pairs are none: all parts of two pads have a pad at one side of them.
    middles = (centres[pairs[:, 0]] + centres[pairs[:, 1]]) / 2
    fits = _registered(places, middles) or _registered(places, centres)
    free = np.array([not ref for ref in known])
    given: set[int] = set()
    unmoved = [fit for fit in fits if not fit.words]
    if len(fits) > 1 and not unmoved:
        what = f"the {len(parts)} parts of the centroid file fit the pads in {len(fits)} ways: they name none"
        mend = "Export it with the same origin as the Gerber files."
        problem = Problem(what=what, mend=mend, severity=Severity.WARNING, file=file)
        return NamedParts(refs=tuple(refs), fit=None, problems=(problem,))
    if not fits:
        what = f"the {len(parts)} parts of the centroid file fit no pads of this side: they name none"
        mend = "Export it together with the Gerber files, of the same board and side."
        problem = Problem(what=what, mend=mend, severity=Severity.WARNING, file=file)
        return NamedParts(refs=tuple(refs), fit=None, problems=(problem,))
    fit = (unmoved or fits)[0]
    for land, part in _shares(fit.places(places), centres, areas, free).items():
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
    return NamedParts(refs=tuple(refs), fit=fit, problems=tuple(problems))


# ---- registration


def _pairs(centres: Points, areas: Points) -> NDArray[np.intp]:
    """Return pairs (M×2) of lands of equal area that could be opposite pads of one part."""
    count = min(NEIGHBOURS + 1, len(centres))
    if len(centres) <= 400:
        count = len(centres)
    away, other = cKDTree(centres).query(centres, k=count, distance_upper_bound=REACH_MM)
    away, other = np.atleast_2d(away), np.atleast_2d(other)
    one = np.repeat(np.arange(len(centres)), other.shape[1])
    two = other.ravel()
    good = np.isfinite(away.ravel()) & (two > one)
    one, two = one[good], two[good]
    alike = np.abs(areas[one] - areas[two]) <= ALIKE * areas[one]
    return np.column_stack((one[alike], two[alike])).astype(np.intp)


def _registered(places: Points, middles: Points) -> list[Fit]:
    """Return the best rigid motions of the places onto the middles, trying quarter turns and mirroring.

    Regular boards, of parts in a grid, have several that are as good by this measure.
    """
    if not len(middles):
        return []
    tree = cKDTree(middles)
    fits: list[Fit] = []
    for mirrored in (False, True):
        for quarter in range(4):
            turn = quarter * np.pi / 2
            matrix = np.array([[cos(turn), -sin(turn)], [sin(turn), cos(turn)]]).round(12)
            if mirrored:
                matrix = matrix @ np.array([[-1.0, 0.0], [0.0, 1.0]])
            turned = places @ matrix.T
            # Unmoved is tried whatever the votes: most files are of one origin.
            for shift in (np.zeros(2), *_votes(turned, middles)):
                fit = _refined(places, tree, middles, Fit(matrix=matrix, shift=shift, rms_mm=0.0, met=0))
                if fit.met >= max(2, VOTED_PART * len(places)):
                    fits.append(fit)
            if any(fit.met >= TURNED_PART * len(places) for fit in fits):
                break
        if fits:
            break  # files that are turned or mirrored are rare; a row of parts would fit turned half round as well
    most = max((fit.met for fit in fits), default=0)
    good = [fit for fit in fits if fit.met >= AS_GOOD * most]
    distinct: list[Fit] = []
    for fit in sorted(good, key=lambda fit: -fit.met):
        same = (np.allclose(fit.places(places), other.places(places), atol=NEAR_MM) for other in distinct)
        if not any(same):
            distinct.append(fit)
    return distinct[:MOST_FITS]


def _votes(turned: Points, middles: Points) -> list[Points]:
    """Return the shifts that the most parts vote for, those with nearly as many votes as the best."""
    most = max(1, min(200, VOTES_AT_ONCE // max(1, len(middles))))
    voters = turned[:: max(1, len(turned) // most)]
    shifts = (middles[None, :, :] - voters[:, None, :]).reshape(-1, 2)
    found: list[tuple[int, Points]] = []
    # Two grids, half a cell apart, so that no shift falls between cells.
    for offset in (0.0, 0.5):
        cells = np.floor(shifts / VOTE_GRID_MM + offset).astype(np.int64)
        keys = cells[:, 0] * (1 << 32) + cells[:, 1]
        values, counts = np.unique(keys, return_counts=True)
        best_cells = np.argsort(-counts, kind="stable")[:MOST_FITS]
        found.extend(
            (int(counts[top]), np.median(shifts[keys == values[top]], axis=0))
            for top in best_cells
            if counts[top] >= VOTED_PART * len(voters)
        )
    best = max((count for count, _ in found), default=0)
    return [shift for count, shift in found if count >= AS_GOOD * best]


def _refined(places: Points, tree: cKDTree, middles: Points, fit: Fit) -> Fit:
    """Return the least-squares rigid motion of the parts that meet a middle, found again twice."""
    for reach_mm in (2 * NEAR_MM, NEAR_MM, NEAR_MM):
        away, near = _query(tree, fit.places(places), reach_mm)
        met = np.isfinite(away)
        if met.sum() < 2:
            return Fit(matrix=fit.matrix, shift=fit.shift, rms_mm=0.0, met=int(met.sum()))
        fit = _kabsch(places[met], middles[near[met]], mirrored=fit.mirrored)
    away, near = _query(tree, fit.places(places), NEAR_MM)
    met = np.isfinite(away)
    rms = float(np.sqrt(np.mean(away[met] ** 2))) if met.any() else 0.0
    return Fit(matrix=fit.matrix, shift=fit.shift, rms_mm=rms, met=int(met.sum()))


def _query(tree: cKDTree, places: Points, reach_mm: float) -> tuple[Points, NDArray[np.intp]]:
    away, near = tree.query(places, distance_upper_bound=reach_mm)
    return np.asarray(away, dtype=np.float64), np.asarray(near, dtype=np.intp)


def _kabsch(source: Points, target: Points, *, mirrored: bool) -> Fit:
    a, b = source.mean(axis=0), target.mean(axis=0)
    flip = np.array([[-1.0, 0.0], [0.0, 1.0]]) if mirrored else np.eye(2)
    one, two = (source - a) @ flip.T, target - b
    angle = atan2(float((one[:, 0] * two[:, 1] - one[:, 1] * two[:, 0]).sum()), float((one * two).sum()))
    matrix = np.array([[cos(angle), -sin(angle)], [sin(angle), cos(angle)]]) @ flip
    return Fit(matrix=matrix, shift=b - matrix @ a, rms_mm=0.0, met=len(source))


# ---- shares


def _shares(places: Points, centres: Points, areas: Points, free: NDArray[np.bool_]) -> dict[int, int]:
    """Return the part of each land, by index; lands that are not `free` stay out."""
    tree = cKDTree(centres)
    symmetric = [_symmetric(place, tree, centres, areas) for place in places]
    owner: dict[int, int] = {}
    taken = ~free
    has: dict[int, list[int]] = defaultdict(list)

    def give(part: int, lands: Iterable[int]) -> None:
        for land in lands:
            owner[land] = part
            taken[land] = True
            has[part].append(land)

    claims = sorted(
        (away, part, one, two) for part, found in enumerate(symmetric) for away, one, two in found
    )
    for _away, part, one, two in claims:
        if part not in has and not taken[one] and not taken[two]:
            give(part, {one, two})
    others = cKDTree(places)
    closed: set[int] = set()
    for _away, part, one, two in claims:
        # Near pairs first: in a row of equal parts, each keeps its own outer pads from its neighbours.
        if part in closed or taken[one] or taken[two] or not _alike(part, one, has, areas):
            continue
        if _foreign(part, (one, two), places, others, centres, has):
            closed.add(part)
            continue
        give(part, {one, two})
    _boxes(places, centres, tree, taken, has, give)
    return owner


def _symmetric(place: Points, tree: cKDTree, centres: Points, areas: Points) -> list[tuple[float, int, int]]:
    """Return the pairs of equal lands opposite each other about a place, near ones first; one land alone
    stands on the place itself."""
    near = np.array(tree.query_ball_point(place, REACH_MM), dtype=np.intp)
    if not len(near):
        return []
    opposite = 2 * place - centres[near]
    away, other = _query(tree, opposite, NEAR_MM)
    good = np.isfinite(away)
    one, two = near[good], other[good]
    good = (one <= two) & (np.abs(areas[one] - areas[two]) <= ALIKE * areas[one])
    one, two = one[good], two[good]
    from_place = np.hypot(*(centres[one] - place).T)
    rank = np.argsort(from_place, kind="stable")
    return [(float(from_place[k]), int(one[k]), int(two[k])) for k in rank]


def _alike(part: int, land: int, has: Mapping[int, list[int]], areas: Points) -> bool:
    """Tell whether a land is as large as the lands that a part has; a single one (a thermal pad) says nothing."""
    held = has.get(part, [])
    like = next((areas[other] for other in reversed(held) if len(held) > 1), None)
    return like is None or abs(areas[land] - like) <= ALIKE * like


def _foreign(
    part: int,
    pair: tuple[int, int],
    places: Points,
    others: cKDTree,
    centres: Points,
    has: Mapping[int, list[int]],
) -> bool:
    """Tell whether another part without pads stands within the box of a part's lands and a further pair."""
    box = centres[[*has.get(part, []), *pair]]
    low, high = box.min(axis=0), box.max(axis=0)
    middle, reach = (low + high) / 2, float(np.hypot(*(high - low))) / 2
    return any(
        other != part
        and other not in has
        and bool(np.all(places[other] > low) and np.all(places[other] < high))
        for other in others.query_ball_point(middle, reach + 1e-6)
    )


def _boxes(
    places: Points,
    centres: Points,
    tree: cKDTree,
    taken: NDArray[np.bool_],
    has: Mapping[int, list[int]],
    give: Give,
) -> None:
    """Parts without pads take the least group of free lands whose box has its middle where the part's is."""
    bare = [part for part in range(len(places)) if part not in has]
    if not bare:
        return
    bare_tree = cKDTree(places[bare])
    for number, part in enumerate(bare):
        near = np.array(tree.query_ball_point(places[part], REACH_MM), dtype=np.intp)
        near = near[~taken[near]] if len(near) else near
        if not len(near):
            continue
        mine = near[bare_tree.query(centres[near])[1] == number]
        mine = mine[np.argsort(np.hypot(*(centres[mine] - places[part]).T), kind="stable")]
        found = 0
        for count in range(2, len(mine) + 1):
            box = centres[mine[:count]]
            middle = (box.min(axis=0) + box.max(axis=0)) / 2
            if np.hypot(*(middle - places[part])) <= BOX_MM:
                found = count
                break
        if found:
            give(part, [int(land) for land in mine[:found]])


# ---- comparison


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
    fits = [_kabsch(source, target, mirrored=mirrored) for mirrored in (False, True)]
    away = [np.hypot(*(fit.places(source) - target).T) for fit in fits]
    best = int(np.median(away[1]) < np.median(away[0]) - 1e-6)
    fit, miss = fits[best], away[best]
    for _ in range(3):
        kept = miss <= max(3 * float(np.median(miss)), 0.05)
        if kept.sum() < 2:
            break
        fit = _kabsch(source[kept], target[kept], mirrored=fit.mirrored)
        miss = np.hypot(*(fit.places(source) - target).T)
    kept = miss <= max(3 * float(np.median(miss)), 0.05)
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
            for part, away in off[:10]
        )
        if len(off) > 10:
            problems.append(
                Problem(
                    what=f"{len(off) - 10} more parts stand off their pads",
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
