"""A deposit's path as the tip goes along it: its points, whether it is a dot, its walk."""

from itertools import pairwise
from math import dist

from pastewright.deposit.model import Deposit, DepositKind
from pastewright.plunger.walk import Walk
from pastewright.profile.model import Profile

# Points of a path closer than a micrometre are one point: no axis here tells them apart.
SAME_POINT_MM = 1e-3

# Legs that agree within a tenth of a micrometre are of one bead.
LENGTH_DIGITS = 4


def path_of(deposit: Deposit, *, backwards: bool) -> tuple[tuple[float, float], ...]:
    """Return the deposit's points in the order they are laid [mm, board], doubled points once."""
    points = deposit.points_mm[::-1] if backwards else deposit.points_mm
    kept = [points[0]]
    for point in points[1:]:
        if dist(kept[-1], point) > SAME_POINT_MM:
            kept.append(point)
    return tuple(kept)


def is_dot(deposit: Deposit) -> bool:
    """Tell whether a deposit is laid standing: a dot, or a bead whose path is one point."""
    return deposit.kind is DepositKind.DOT or len(path_of(deposit, backwards=False)) < 2


def walk_of(deposit: Deposit, profile: Profile, *, backwards: bool = False) -> Walk:
    """Return the walk along a bead's path, as fast as beads are tuned to be and the axes go."""
    path = path_of(deposit, backwards=backwards)
    return Walk(
        legs_mm=tuple(round(dist(a, b), LENGTH_DIGITS) for a, b in pairwise(path)),
        speed_mm_s=min(profile.tuning.bead_mm_s, profile.machine.speed_xy_mm_s),
        accel_mm_s2=profile.machine.accel_xy_mm_s2,
        row_mm=round(deposit.row_mm, LENGTH_DIGITS),
        row_pads=len(deposit.shares),
    )
