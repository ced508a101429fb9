"""Places of parts and middles of lands to the rigid motion between them: where the parts' file counts from.

Most parts have pads that lie point-symmetric about their middle, so the midpoint of any two equal lands is a likely
middle. All parts vote for the shift (and quarter turn, and mirroring) that brings them onto likely middles; the best
is refined by least squares to a rigid motion (Kabsch 1976, Acta Cryst. A32).
"""

from math import atan2, cos, degrees, hypot, sin

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from pastewright.near import NearPlaces

Points = NDArray[np.float64]

NEIGHBOURS = 12
"""Lands near by that are looked at as the opposite pad of one part; enough for the packages of a dense board."""
REACH_MM = 15.0
"""Pads of one part are hardly further apart; the largest connectors are named by their box (common practice)."""
ALIKE = 0.03
"""Equal lands differ by rounding only, at most by this part of their area."""
NEAR_MM = 0.08
"""Middles in files are rounded to 0.01 mm or to a mil; three mils leave room for both ends."""
VOTE_GRID_MM = 0.1
"""The grid on which shifts are counted; coarser than NEAR_MM, so that one shift falls into one cell."""
VOTES_AT_ONCE = 6_000_000
"""Pairs of voter and middle that are held at once, 96 MB."""
MOST_VOTERS = 200
"""More parts than these do not make a vote surer."""
VOTED_PART = 0.3
"""A shift is believed when this part of the voters names it; by chance a few percent do on a regular board."""
AS_GOOD = 0.85
"""Fits that meet this part of what the best meets are its rivals: with one, places are not unique."""
TURNED_PART = 0.5
"""Turned places are tried only where fewer of the parts than this part meet a middle as they stand."""
MOST_FITS = 6
"""So many rivals are kept; two are enough to know that places are not unique."""
ALL_PAIRS_UP_TO = 400
"""Lands of a small board are all paired with each other."""
SILENT_SHIFT_MM = 0.01  # see below
SILENT_TURN_DEG = 0.02
"""Motions below these come from rounding and are not told."""


class Fit(Struct, frozen=True, kw_only=True):
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
        if abs(self.turn_deg) > SILENT_TURN_DEG:
            parts.append(f"turned by {self.turn_deg:.2f}°")
        if hypot(*self.shift) > SILENT_SHIFT_MM:
            parts.append(f"shifted by ({self.shift[0]:.3f}, {self.shift[1]:.3f}) mm")
        return ", ".join(parts)


def equal_pairs(centres: Points, areas: Points) -> NDArray[np.intp]:
    """Return pairs (M×2) of lands of equal area that could be opposite pads of one part."""
    count = min(NEIGHBOURS + 1, len(centres))
    if len(centres) <= ALL_PAIRS_UP_TO:
        count = len(centres)
    away, other = NearPlaces(centres).some(centres, count, within=REACH_MM)
    one = np.repeat(np.arange(len(centres)), other.shape[1])
    two = other.ravel()
    good = np.isfinite(away.ravel()) & (two > one)
    one, two = one[good], two[good]
    alike = np.abs(areas[one] - areas[two]) <= ALIKE * areas[one]
    return np.column_stack((one[alike], two[alike])).astype(np.intp)


def registered(places: Points, middles: Points) -> list[Fit]:
    """Return the best rigid motions of the places onto the middles, trying quarter turns and mirroring.

    Regular boards, of parts in a grid, have several that are as good by this measure.
    """
    if not len(middles):
        return []
    tree = NearPlaces(middles)
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
    most = max(1, min(MOST_VOTERS, VOTES_AT_ONCE // max(1, len(middles))))
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


def _refined(places: Points, tree: NearPlaces, middles: Points, fit: Fit) -> Fit:
    """Return the least-squares rigid motion of the parts that meet a middle, found again twice."""
    for reach_mm in (2 * NEAR_MM, NEAR_MM, NEAR_MM):
        away, near = tree.nearest(fit.places(places), within=reach_mm)
        met = np.isfinite(away)
        if met.sum() < 2:
            return Fit(matrix=fit.matrix, shift=fit.shift, rms_mm=0.0, met=int(met.sum()))
        fit = kabsch(places[met], middles[near[met]], mirrored=fit.mirrored)
    away, near = tree.nearest(fit.places(places), within=NEAR_MM)
    met = np.isfinite(away)
    rms = float(np.sqrt(np.mean(away[met] ** 2))) if met.any() else 0.0
    return Fit(matrix=fit.matrix, shift=fit.shift, rms_mm=rms, met=int(met.sum()))


def kabsch(source: Points, target: Points, *, mirrored: bool) -> Fit:
    """Return the rigid motion that brings `source` onto `target` (N×2 each, mm) with the least squares."""
    a, b = source.mean(axis=0), target.mean(axis=0)
    flip = np.array([[-1.0, 0.0], [0.0, 1.0]]) if mirrored else np.eye(2)
    one, two = (source - a) @ flip.T, target - b
    angle = atan2(float((one[:, 0] * two[:, 1] - one[:, 1] * two[:, 0]).sum()), float((one * two).sum()))
    matrix = np.array([[cos(angle), -sin(angle)], [sin(angle), cos(angle)]]) @ flip
    return Fit(matrix=matrix, shift=b - matrix @ a, rms_mm=0.0, met=len(source))
