"""What several photos show of one row to one verdict: each light hides something else, and what one hides another tells.

Of the photos that tell, the one that knows most counts: the least standard error of the volume, in which scale, light and
the land's likeness to paste all stand. Whether paste is there at all is weighed over all photos. What they tell
differently is never good.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from pastewright.inspect.again import SURELY_BARE
from pastewright.inspect.judge import JudgedRow
from pastewright.inspect.measure import RowReading
from pastewright.records.kinds import DepositVerdict

MOST_WEIGHED = 60.0  # ln: no photo says more than that of a land, whether bare or not
UNDOUBTED = -30.0  # ln: of a deposit that looks so much like the others that its land was not asked for
GONE_BY_COLOUR = 25.0  # ln: of a place whose colours tell that no paste is there


@dataclass(frozen=True, slots=True, kw_only=True)
class ToldRow:
    """What one photo shows of a row, and the verdict on it; `place` is the photo's number."""

    reading: RowReading
    verdict: JudgedRow
    place: int


def agreed(told: Sequence[ToldRow]) -> tuple[ToldRow, JudgedRow]:
    """Return the photo that counts, and the verdict of all; `told` has at least one."""
    seen = [one for one in told if one.verdict.verdict is not DepositVerdict.NOT_SEEN]
    if not seen:
        nearest = max(told, key=lambda one: (one.reading.whole, one.reading.px_per_mm))
        return nearest, nearest.verdict
    gone = [one for one in seen if one.verdict.verdict is DepositVerdict.MISSING]
    there = [one for one in seen if one.verdict.verdict is not DepositVerdict.MISSING]
    if gone and there and sum(_bare_ln(one.reading) for one in seen) < SURELY_BARE:
        return min(seen, key=_error), JudgedRow(
            verdict=DepositVerdict.NOT_SEEN, why="the photos disagree: one shows paste, another none"
        )
    if gone:
        surest = max(gone, key=lambda one: _bare_ln(one.reading))
        return surest, surest.verdict
    best = min(there, key=_error)
    others = [one for one in there if one.verdict.verdict is not DepositVerdict.GOOD]
    if best.verdict.verdict is DepositVerdict.GOOD and others:
        why = min(others, key=_error).verdict.why
        return best, JudgedRow(
            verdict=DepositVerdict.NOT_SEEN, why=f"the photos disagree: one shows it good, another {why}"
        )
    return best, best.verdict


def _bare_ln(reading: RowReading) -> float:
    """Return how much likelier a photo shows the row's land bare than with paste on it [ln]."""
    if reading.gone:
        return min(max(reading.bare_ln, GONE_BY_COLOUR), MOST_WEIGHED)
    return max(reading.bare_ln or UNDOUBTED, -MOST_WEIGHED)


def _error(one: ToldRow) -> tuple[float, float]:
    """Return the standard error of a volume over the volume, then how far away the photo was taken."""
    reading = one.reading
    share = reading.volume_sd_ul / reading.volume_ul if reading.volume_ul > 0 else 1.0
    return share + reading.rim_full, -reading.px_per_mm
