"""What pads and deposits may be off, in the plan's record: beside each of them, in the table, and in a sentence."""

from collections.abc import Iterator, Sequence

import numpy as np
from msgspec import structs

from pastewright.counting import counted
from pastewright.deposit.model import Deposit
from pastewright.motion.model import Motions
from pastewright.profile.model import Profile
from pastewright.records.plan import PadRecord, PlanRecord, SpreadRecord, ToleranceRecord
from pastewright.tolerance.predict import MOST, WORDS, Expectations, Floats, Predicted, predicted
from pastewright.tune.fit.spread import Spread, spread_of

# Of a share: a hundredth of a per cent, finer than anybody measures.
DIGITS = 4

WORST = 10


def with_tolerances(
    record: PlanRecord, motions: Motions, deposits: Sequence[Deposit], profile: Profile
) -> PlanRecord:
    """Return the plan with what every pad and deposit may be off on this bench; a dry one stays as it is."""
    return told_tolerances(record, tolerances_of(motions, deposits, profile), profile)


def tolerances_of(motions: Motions, deposits: Sequence[Deposit], profile: Profile) -> Predicted | None:
    """Return what every deposit may be off on this bench; none of a dry program."""
    return None if motions.dry else predicted(motions, deposits, profile, spread_of(profile))


def told_tolerances(record: PlanRecord, found: Predicted | None, profile: Profile) -> PlanRecord:
    """Return the plan with what was predicted of its deposits; as it is where nothing was."""
    return record if found is None else _told(record, found, profile.verify.tolerance)


def _told(record: PlanRecord, found: Predicted, limit: float) -> PlanRecord:
    within = dict(zip(found.deposits, _rounded(found.of_deposits().reach), strict=True))
    laid = [
        number
        for number, pad in enumerate(record.pads)
        if pad.deposits and all(row.id in within for row in pad.deposits)
    ]
    pads = list(record.pads)
    told = found.of_pads(
        (at, row.id, row.volume_ul) for at, number in enumerate(laid) for row in pads[number].deposits
    )
    for number, tolerance in zip(laid, _records(told), strict=True):
        pad = pads[number]
        deposits = tuple([structs.replace(row, within=within[row.id]) for row in pad.deposits])
        pads[number] = structs.replace(pad, deposits=deposits, tolerance=tolerance)
    return structs.replace(record, pads=tuple(pads), spread=_spread(found.spread, told.reach.tolist(), limit))


def _records(told: Expectations) -> Iterator[ToleranceRecord]:
    columns = (_rounded(told.bias), _rounded(told.within), told.most, _rounded(told.share, 3))
    for bias, within, most, share in zip(*columns, strict=True):
        yield ToleranceRecord(bias=bias, within=within, most=most, share=share)


def _rounded(shares: Floats, digits: int = DIGITS) -> list[float]:
    return [round(share, digits) for share in shares.tolist()]


def _spread(spread: Spread, reaches: Sequence[float], limit: float) -> SpreadRecord:
    rows = spread.covariance.tolist()
    return SpreadRecord(
        names=spread.names,
        covariance=tuple(tuple(float(f"{rows[i][j]:.6e}") for j in range(i + 1)) for i in range(len(rows))),
        bias=tuple(round(value, 6) for value in spread.bias.tolist()),
        scatter=round(spread.scatter, 6),
        tuned=tuple(name for name in spread.names if name in spread.tuned),
        limit=limit,
        reached=round(float(np.percentile(reaches, 95)), DIGITS) if reaches else 0.0,
        beyond=sum(reach > limit for reach in reaches),
    )


def tolerance_cells(tolerance: ToleranceRecord | None) -> tuple[str, str, str]:
    """Return the cells of a pad's row in `pads.csv`: bias, what it is within [%], and what does most of it."""
    if tolerance is None:
        return "", "", ""
    return (
        f"{100 * tolerance.bias:.1f}",
        f"{100 * tolerance.within:.1f}",
        WORDS.get(tolerance.most, tolerance.most),
    )


def tolerance_words(plan: PlanRecord) -> str:
    """Return what the pads of a plan may be off, in a sentence; empty where the plan does not say."""
    spread = plan.spread
    if spread is None:
        return ""
    if spread.reached >= MOST:
        words = "95 of 100 pads may be off by anything"
    else:
        words = f"95 of 100 pads within {shown(spread.reached)}"
    pads = sum(1 for pad in plan.pads if pad.tolerance is not None)
    if spread.beyond:
        words += f"; {spread.beyond} of {counted(pads, 'pad')} beyond the {shown(spread.limit)} that the profile asks for"
    if not spread.tuned:
        words += ": this bench was never tuned (pastewright tune sheet)"
    elif spread.beyond and (worst := worst_pads(plan)):
        most = worst[0].tolerance
        words += f", most by its {WORDS.get(most.most, most.most)}" if most else ""
    return words


def worst_pads(plan: PlanRecord, count: int = WORST) -> tuple[PadRecord, ...]:
    """Return the pads that may be off most, worst first."""
    told = [pad for pad in plan.pads if pad.tolerance is not None]
    return tuple(sorted(told, key=lambda pad: -reach_of(pad.tolerance))[:count])


def reach_of(tolerance: ToleranceRecord | None) -> float:
    """Return how far off 95 of 100 such pads may be, the bias counted [-]."""
    return 0.0 if tolerance is None else abs(tolerance.bias) + tolerance.within


def shown(share: float) -> str:
    """Return ± a share as people read it."""
    if share >= MOST:
        return "±300 % or more"
    return f"±{100 * share:.1f} %" if share < 0.1 else f"±{100 * share:.0f} %"
