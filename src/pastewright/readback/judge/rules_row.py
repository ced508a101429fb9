"""Rules about beads across rows: every pad of a row has its share nearest to it, before the paste settles.

The barrel is followed through each such visit again, from the pressure that it began with, in `PARTS` of every move that
goes sideways; what comes out in a part lies along its way, and belongs to the pads whose centres are nearest.
"""

from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np
from scipy.spatial import cKDTree

from pastewright.readback.judge.evidence import CaseFile, tolerance_ul
from pastewright.readback.machine.barrel import run
from pastewright.readback.machine.timeline import Floats
from pastewright.readback.machine.visits import TipVisit
from pastewright.readback.model import Finding, FindingKind, RowOfPads

WITHIN = 0.15  # of its share; common practice: prints scatter about as much on such pads
GRAIN = 0.02  # parts of a move and rounded places leave less
HONEST = 0.1  # a plan may tell of a pad beyond the limit, and is believed where it is right within this
PARTS = 24  # of a move, and places that the paste of each is spread over: half a per cent of a share of a long row
PLACES = 32


def every_pad_of_a_row(seen: CaseFile) -> Iterator[Finding]:
    """Each pad under a bead across a row has its share of it nearest to it, or the plan tells by how much not."""
    step_ul = tolerance_ul(seen.expected)
    for row in seen.expected.rows:
        visits = seen.ledger.laid[row.deposit]
        if len(visits) != 1 or not visits[0].volume_ul > 0:
            continue  # what is missing or doubled is told by other rules
        for at, share in enumerate(nearest_shares(seen, row, visits[0], step_ul=step_ul).tolist()):
            told = row.told[at]
            admitted = told is not None and abs(told - 1) > WITHIN and abs(told - share) <= HONEST
            if abs(share - 1) > WITHIN + GRAIN and not admitted:
                what = (
                    f"{row.pad_ids[at]}: {share:.0%} of its share of the bead across the row comes out nearest to it, which"
                    f" the plan {'does not tell' if told is None else f'tells as {told:.0%}'}; the limit is {WITHIN:.0%}"
                )
                yield Finding(kind=FindingKind.ROW, what=what, line=visits[0].line, pad_id=row.pad_ids[at])


def nearest_shares(
    seen: CaseFile, row: RowOfPads, visit: TipVisit, *, step_ul: float | None = None
) -> Floats:
    """Return what comes out nearest to each pad of a row, over its share of what comes out in all [-].

    `step_ul` is the error allowed to one step of the simulation, reckoned here where it is not given.
    """
    moves, first, stop = seen.moves, visit.first, visit.last + 1
    plunger, seconds, ramps, places = [moves.plunger_mm[first : first + 1]], [], [], []
    for at in range(first, stop):
        start, end = moves.start_mm[at, :2], moves.end_mm[at, :2]
        count = PARTS if seen.where.sideways[at] else 1
        clock = np.linspace(0.0, 1.0, count + 1)
        way = _way(clock * moves.duration_s[at], float(moves.duration_s[at]), float(moves.ramp_s[at]))
        if count == 1:
            way = clock
        swept = moves.plunger_mm[at] + way * (moves.plunger_mm[at + 1] - moves.plunger_mm[at])
        plunger.append(swept[1:])
        seconds.append(np.full(count, moves.duration_s[at] / count))
        ramps.append(np.full(count, moves.ramp_s[at] if count == 1 else 0.0))
        if count == 1:
            places.append(np.repeat(end[None, :], PLACES, axis=0))
        else:
            inside = (np.arange(PLACES) + 0.5) / PLACES
            spread = (way[:-1, None] + np.diff(way)[:, None] * inside).reshape(-1, 1)
            places.append(start + spread * (end - start))
    parts_s = np.concatenate(seconds)
    built = float(seen.paste.built[first - 1]) if first > 0 else 1.0
    again = run(
        replace(seen.bench, built=built),
        plunger_mm=np.concatenate(plunger).tolist(),
        duration_s=parts_s.tolist(),
        ramp_s=np.concatenate(ramps).tolist(),
        tolerance_ul=tolerance_ul(seen.expected) if step_ul is None else step_ul,
        start_kpa=float(seen.paste.last_kpa[first - 1]) if first > 0 else 0.0,
    )
    pads = seen.boards[seen.expected.deposits[row.deposit].board].to_machine(np.array(row.centres_mm))
    nearest = cKDTree(pads).query(np.concatenate(places))[1]
    lifted = np.repeat(seen.where.lift[first:stop], [part.size for part in seconds])
    came = np.where(lifted, 0.0, np.maximum(again.out_ul, 0.0)) / PLACES
    got = np.bincount(nearest, np.repeat(came, PLACES), len(pads))
    due = np.array(row.shares_ul)
    found: Floats = got / max(got.sum(), 1e-12) * due.sum() / due
    return found


def _way(at_s: Floats, seconds: float, ramp_s: float) -> Floats:
    """Share of a trapezoid's way that is done at times from its start [-]."""
    if seconds <= 0:
        return np.asarray(at_s * 0.0)
    ramp = min(max(ramp_s, 1e-9), seconds / 2)
    top = 1 / (seconds - ramp)
    left = seconds - at_s
    rising, falling = top * at_s**2 / (2 * ramp), 1 - top * left**2 / (2 * ramp)
    return np.asarray(np.where(at_s < ramp, rising, np.where(left < ramp, falling, top * (at_s - ramp / 2))))


RULES: tuple[Callable[[CaseFile], Iterator[Finding]], ...] = (every_pad_of_a_row,)
