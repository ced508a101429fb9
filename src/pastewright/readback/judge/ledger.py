"""Every drop of paste to where it belongs: a deposit that was expected, the settling strip, or neither."""

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from msgspec import Struct

from pastewright.board.model import Point
from pastewright.profile.model import Profile
from pastewright.readback.judge.match import Finder, Target, on_strips, on_wipe, targets
from pastewright.readback.machine.timeline import Floats, MachineTimeline
from pastewright.readback.machine.visits import TipLevels, TipVisit, places_in, visits
from pastewright.readback.model import Expected, ExpectedDeposit

# Paste outside any deposit that is worth a finding: this share of the smallest dose, and no less than a
# hundred-thousandth of a µL (a ball of 27 µm, the size of one particle).
STRAY_SHARE = 0.01
STRAY_UL = 1e-5


class Stray(NamedTuple):
    """Paste that came out on the way: `line` where it began, `place_mm`, volume, and where the tip was."""

    line: int
    place_mm: Point
    volume_ul: float
    lifted: bool


class Misplaced(NamedTuple):
    """A visit that laid paste beside the deposit number `target`, `off_mm` away from it."""

    target: int
    visit: TipVisit
    off_mm: float


class Ledger(Struct, frozen=True, kw_only=True):
    """Who got what. `laid` has the visits of each expected deposit, in its order; `found` all visits.

    `idle`: lowered where nothing is expected, without paste. `loose`: paste laid where nothing is near.
    `sideways`: paths below the travel height that follow no bead; their standing places are booked apart.
    """

    found: tuple[TipVisit, ...]
    laid: tuple[tuple[TipVisit, ...], ...]
    strip: tuple[TipVisit, ...]
    idle: tuple[TipVisit, ...]
    loose: tuple[TipVisit, ...]
    misplaced: tuple[Misplaced, ...]
    sideways: tuple[TipVisit, ...]
    strays: tuple[Stray, ...]


def stray_limit_ul(expected: Expected) -> float:
    """Return the volume [µL] from which paste outside every deposit counts.

    A board is judged as it is without the witness dots that may come before it; these by their own smallest.
    """
    return _limit_of([one for one in expected.deposits if not one.on_card] or expected.deposits)


def _limit_of(deposits: Sequence[ExpectedDeposit]) -> float:
    smallest = min((deposit.volume_ul for deposit in deposits), default=0.0)
    return max(STRAY_SHARE * smallest, STRAY_UL)


def ledger(
    moves: MachineTimeline,
    where: TipLevels,
    out_ul: Floats,
    peak_kpa: Floats,
    expected: Expected,
    profile: Profile,
) -> Ledger:
    """Return where everything that came out went."""
    wanted = targets(expected, profile.bed)
    finder = Finder(wanted, tolerance_mm=profile.verify.place_tolerance_mm)
    limit = stray_limit_ul(expected)
    found = visits(moves, where, out_ul, peak_kpa)
    tray = expected.tray
    strip = on_strips(found, profile.bed, tray)
    wiping = [visit for visit in found if on_wipe(visit, tray.wipe)] if tray.wipe else []
    aside = {visit.first for visit in (*strip, *wiping)}
    on_board = [visit for visit in found if visit.first not in aside]
    dots = [visit for visit in on_board if len(visit.path_mm) == 1]
    laid: list[list[TipVisit]] = [[] for _ in wanted]
    unknown: list[TipVisit] = []
    sideways: list[TipVisit] = []
    strays: list[Stray] = []
    paths = [visit for visit in on_board if len(visit.path_mm) > 1]
    for visit, index in zip(paths, finder.beads([visit.path_mm for visit in paths]), strict=True):
        if index is not None:
            laid[index].append(visit)
            continue
        sideways.append(visit)
        standing, between = places_in(moves, where, visit, out_ul)
        dots.extend(standing)
        if between > limit:
            strays.append(Stray(visit.line, visit.path_mm[0], between, False))
    for visit, index in zip(dots, finder.dots([visit.path_mm[0] for visit in dots]), strict=True):
        if index is None:
            unknown.append(visit)
        else:
            laid[index].append(visit)
    in_row = [index for index, one in enumerate(expected.deposits) if one.on_card and not one.thrown]
    row_limit = min(limit, _limit_of(expected.deposits))
    row_end = max((visit.last for index in in_row for visit in laid[index]), default=-1) + 1  # and its lift
    misplaced, loose = _misplaced(unknown, laid, wanted, finder, limit)
    for stray, first in _on_the_way(moves, where, out_ul, row_limit):
        if stray.volume_ul > limit or first <= row_end:
            strays.append(stray)
    return Ledger(
        found=tuple(found),
        laid=tuple(tuple(sorted(one)) for one in laid),
        strip=tuple(strip),
        idle=tuple(visit for visit in unknown if visit.volume_ul <= limit),
        loose=tuple(loose),
        misplaced=tuple(misplaced),
        sideways=tuple(sideways),
        strays=tuple(strays),
    )


def _misplaced(
    unknown: list[TipVisit], laid: list[list[TipVisit]], wanted: list[Target], finder: Finder, limit_ul: float
) -> tuple[list[Misplaced], list[TipVisit]]:
    """Tell paste beside a deposit that got none from paste with nothing near; the former counts as laid there."""
    misplaced: list[Misplaced] = []
    loose: list[TipVisit] = []
    for visit in unknown:
        if visit.volume_ul <= limit_ul:
            continue
        near = finder.nearest(visit.path_mm[0])
        if near is None or laid[near[0]]:
            loose.append(visit)
        else:
            index, off = near
            laid[index].append(visit)
            misplaced.append(Misplaced(wanted[index].index, visit, off))
    return misplaced, loose


def _on_the_way(
    moves: MachineTimeline, where: TipLevels, out_ul: Floats, limit_ul: float
) -> list[tuple[Stray, int]]:
    """Return the paste that came out above the travel height, or while the tip went up or down.

    Each with the row of its first paste. One entry for each stretch without work: what oozes between two deposits is
    one mistake, not three.
    """
    travel = ~where.low | where.lift
    wet = np.flatnonzero(travel & (out_ul > 0))
    if not len(wet):
        return []
    stretch = np.cumsum(~travel)[wet]
    strays = []
    begins = np.flatnonzero(np.diff(stretch, prepend=stretch[0] - 1))
    volumes = np.add.reduceat(out_ul[wet], begins)
    for first, volume in zip(wet[begins].tolist(), volumes.tolist(), strict=True):
        if volume > limit_ul:
            place = (float(moves.end_mm[first, 0]), float(moves.end_mm[first, 1]))
            strays.append((Stray(int(moves.line[first]), place, volume, True), first))
    return strays
