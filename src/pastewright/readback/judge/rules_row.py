"""Rules about beads across rows: every pad of a row has its share nearest to it, before the paste settles.

The barrel is followed through each such visit again, from the pressure that it began with, in `PARTS` of every move that
goes sideways; what comes out in a part lies along its way, and belongs to the pads whose centres are nearest: each has the
stretch of a straight way that is nearer to it than to any other.
"""

from collections.abc import Callable, Iterator, Sequence
from typing import NamedTuple

import numpy as np

from pastewright.readback.judge.evidence import CaseFile, tolerance_ul
from pastewright.readback.machine.barrel import runs_out_ul
from pastewright.readback.machine.timeline import Floats, Ints
from pastewright.readback.machine.visits import Flags, TipVisit
from pastewright.readback.model import Finding, FindingKind, RowOfPads

WITHIN = 0.15  # of its share; common practice: prints scatter about as much on such pads
GRAIN = 0.02  # parts of a move and rounded places leave less
HONEST = 0.1  # a plan may tell of a pad beyond the limit, and is believed where it is right within this
PARTS = 24  # of a move: half a per cent of a share of a long row
SHORTEST = 1e-9  # of a way; a part that is shorter lies at its place
AT_ONCE = 256  # pads whose rows are looked at in one go: 15 MB


def every_pad_of_a_row(seen: CaseFile) -> Iterator[Finding]:
    """Each pad under a bead across a row has its share of it nearest to it, or the plan tells by how much not."""
    laid = [(row, seen.ledger.laid[row.deposit]) for row in seen.expected.rows]
    # What is missing or doubled is told by other rules.
    once = [(row, visits[0]) for row, visits in laid if len(visits) == 1 and visits[0].volume_ul > 0]
    for (row, visit), shares in zip(once, nearest_shares(seen, once), strict=True):
        for at, share in enumerate(shares.tolist()):
            told = row.told[at]
            admitted = told is not None and abs(told - 1) > WITHIN and abs(told - share) <= HONEST
            if abs(share - 1) > WITHIN + GRAIN and not admitted:
                what = (
                    f"{row.pad_ids[at]}: {share:.0%} of its share of the bead across the row comes out nearest to it, which"
                    f" the plan {'does not tell' if told is None else f'tells as {told:.0%}'}; the limit is {WITHIN:.0%}"
                )
                yield Finding(kind=FindingKind.ROW, what=what, line=visit.line, pad_id=row.pad_ids[at])


def nearest_shares(seen: CaseFile, laid: Sequence[tuple[RowOfPads, TipVisit]]) -> list[Floats]:
    """Return, for each row and the visit that laid it, what comes out nearest to each pad over its share of all [-]."""
    step_ul = tolerance_ul(seen.expected)
    sizes: dict[int, list[int]] = {}
    for number, (row, _) in enumerate(laid):
        sizes.setdefault(len(row.pad_ids), []).append(number)
    found: list[Floats] = [np.zeros(0)] * len(laid)
    for size, numbers in sizes.items():
        for at in range(0, len(numbers), step := max(AT_ONCE // size, 1)):
            block = numbers[at : at + step]
            shares = _shares(seen, [laid[number] for number in block], step_ul=step_ul)
            for number, own in zip(block, shares, strict=True):
                found[number] = own
    return found


def _shares(seen: CaseFile, laid: Sequence[tuple[RowOfPads, TipVisit]], *, step_ul: float) -> Floats:
    """Return the shares of rows of equally many pads (rows×pads, -)."""
    parts = _parts(seen, [visit for _, visit in laid])
    out_ul = _out_ul(seen, parts, [visit.first for _, visit in laid], step_ul=step_ul)
    pads = np.array([row.centres_mm for row, _ in laid])
    board = np.array([seen.expected.deposits[row.deposit].board for row, _ in laid])
    for number in sorted(set(board.tolist())):
        own = board == number
        pads[own] = seen.boards[number].to_machine(pads[own].reshape(-1, 2)).reshape(pads[own].shape)
    came = np.where(seen.where.lift[parts.move], 0.0, out_ul)
    start, end = seen.moves.start_mm[parts.move, :2], seen.moves.end_mm[parts.move, :2]
    standing = np.flatnonzero(~parts.sideways)
    got = np.zeros(pads.shape[:2])
    np.add.at(got, _nearest(pads, parts.visit[standing], end[standing]), came[standing])
    along = np.flatnonzero(parts.sideways).reshape(-1, PARTS)  # the parts of a move follow one another
    visit = parts.visit[along[:, 0]]
    begin, over = _stretches(pads[visit], start[along[:, 0]], end[along[:, 0]])
    begun = parts.begun[along]
    done = np.maximum(parts.done[along], begun + SHORTEST)
    lies = np.minimum(over[:, None], done[..., None]) - np.maximum(begin[:, None], begun[..., None])
    ours = np.maximum(lies, 0.0) * (came[along] / (done - begun))[..., None]
    np.add.at(got, visit, ours.sum(axis=1))
    due = np.array([row.shares_ul for row, _ in laid])
    all_ul = np.maximum(got.sum(axis=1, keepdims=True), 1e-12)
    found: Floats = got / all_ul * due.sum(axis=1, keepdims=True) / due
    return found


class _Parts(NamedTuple):
    """Moves of visits in parts: which visit and `move` each is of, whether that goes `sideways`, the shares of its way that
    are `begun` and `done` before and after it [-], and plunger, duration and ramp as the barrel wants them.
    """

    visit: Ints
    move: Ints
    sideways: Flags
    begun: Floats
    done: Floats
    swept_to_mm: Floats
    duration_s: Floats
    ramp_s: Floats


def _parts(seen: CaseFile, visits: Sequence[TipVisit]) -> _Parts:
    """Return the moves of the visits in `PARTS` each, those that stay at their place whole."""
    moves = seen.moves
    each = np.concatenate([np.arange(visit.first, visit.last + 1) for visit in visits])
    counts = np.where(seen.where.sideways[each], PARTS, 1)
    move = np.repeat(each, counts)
    number = np.arange(len(move)) - np.repeat(np.cumsum(counts) - counts, counts)
    sideways, duration, ramp = seen.where.sideways[move], moves.duration_s[move], moves.ramp_s[move]
    begun = np.where(sideways, _way(number / PARTS * duration, duration, ramp), 0.0)
    done = np.where(sideways, _way((number + 1) / PARTS * duration, duration, ramp), 1.0)
    drive = moves.plunger_mm
    owners = np.repeat(np.arange(len(visits)), [visit.last + 1 - visit.first for visit in visits])
    return _Parts(
        visit=np.repeat(owners, counts),
        move=move,
        sideways=sideways,
        begun=begun,
        done=done,
        swept_to_mm=drive[move] + done * (drive[move + 1] - drive[move]),
        duration_s=np.where(sideways, duration / PARTS, duration),
        ramp_s=np.where(sideways, 0.0, ramp),
    )


def _out_ul(seen: CaseFile, parts: _Parts, first: Sequence[int], *, step_ul: float) -> Floats:
    """Return what comes out in each part [µL], every visit begun as the barrel was before its `first` move."""
    bounds = np.searchsorted(parts.visit, np.arange(len(first) + 1))
    before = np.array(first)
    known = before > 0
    out = runs_out_ul(
        seen.bench,
        bounds,
        plunger_mm=np.insert(parts.swept_to_mm, bounds[:-1], seen.moves.plunger_mm[before]),
        duration_s=parts.duration_s,
        ramp_s=parts.ramp_s,
        tolerance_ul=step_ul,
        start_kpa=np.where(known, seen.paste.last_kpa[before - 1], 0.0),
        built=np.where(known, seen.paste.built[before - 1], 1.0),
    )
    return np.maximum(out, 0.0)


def _nearest(pads: Floats, rows: Ints, places: Floats) -> tuple[Ints, Ints]:
    """Return row and pad (of R×M×2, mm) nearest to each of N places that belong to `rows`."""
    off = (places[:, :1] - pads[rows, :, 0]) ** 2 + (places[:, 1:] - pads[rows, :, 1]) ** 2
    return rows, np.asarray(off.argmin(axis=1), dtype=np.int64)


def _stretches(pads: Floats, start: Floats, end: Floats) -> tuple[Floats, Floats]:
    """Return where on each of K straight ways (K×2, mm) its M pads (K×M×2, mm) begin and cease to be the nearest [-].

    At a share t of the way, the square of the distance to pad i less |t·d|² is cᵢ + mᵢ·t: the nearest pad has the lowest of
    M lines. The share may be beyond 0…1, and a pad that is nowhere the nearest ceases before it begins.
    """
    off = pads - start[:, None]
    at_start, slope = (off**2).sum(axis=2), -2 * (off * (end - start)[:, None]).sum(axis=2)
    more, steeper = at_start[:, :, None] - at_start[:, None], slope[:, :, None] - slope[:, None]
    numbers = np.arange(pads.shape[1])
    hidden = (steeper == 0) & ((more > 0) | ((more == 0) & (numbers[:, None] > numbers)))
    meet = -more / np.where(steeper == 0, 1.0, steeper)
    begin = np.where(steeper < 0, meet, np.where(hidden, np.inf, -np.inf)).max(axis=2)
    over = np.where(steeper > 0, meet, np.inf).min(axis=2)
    return begin, over


def _way(at_s: Floats, seconds: Floats, ramp_s: Floats) -> Floats:
    """Share of a trapezoid's way that is done at times from its start [-], for N moves."""
    whole = np.maximum(seconds, 1e-12)  # a move of no time has no way; its share is zero
    ramp = np.minimum(np.maximum(ramp_s, 1e-9), whole / 2)
    top = 1 / (whole - ramp)
    left = whole - at_s
    rising, falling = top * at_s**2 / (2 * ramp), 1 - top * left**2 / (2 * ramp)
    done = np.where(at_s < ramp, rising, np.where(left < ramp, falling, top * (at_s - ramp / 2)))
    return np.asarray(np.where(seconds > 0, done, 0.0))


RULES: tuple[Callable[[CaseFile], Iterator[Finding]], ...] = (every_pad_of_a_row,)
