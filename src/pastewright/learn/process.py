"""Rows of many boards to what the process is able to do: capability by class, rates, charts, drift with age, weak parts.

Missing deposits are counted as rates and are no volumes; what was not seen counts as neither good nor bad.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from math import sqrt

import numpy as np
from scipy.special import stdtrit

from pastewright.learn.charts import (
    LEAST_POINTS,
    ControlChart,
    cp_interval,
    ewma,
    individuals,
    moving_range_sigma,
    proportion_interval,
    spreads,
)
from pastewright.learn.findings import FoundDeposit, boards_of
from pastewright.records.kinds import DepositVerdict
from pastewright.tune.record.capability import (
    LEAST_VALUES,
    USUAL_HIGH,
    USUAL_LOW,
    Capability,
    capability,
)

LAID = (DepositVerdict.GOOD, DepositVerdict.LOW, DepositVerdict.HIGH, DepositVerdict.OFF)
"""States whose volume is one of a deposit: a bridged one shares its paste with another."""
MOST_PARTS = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class DefectRate:
    """So many of so many [-], with the exact 95 % interval."""

    found: int
    of: int
    low: float
    high: float

    @property
    def share(self) -> float:
        """The rate itself."""
        return self.found / self.of


@dataclass(frozen=True, slots=True, kw_only=True)
class ClassTold:
    """One class of deposits: `able` is None with fewer than five volumes."""

    kind: str
    deposits: int
    not_seen: int
    able: Capability | None
    cp_low: float
    cp_high: float
    missing: DefectRate | None
    bridged: DefectRate | None


@dataclass(frozen=True, slots=True, kw_only=True)
class PartTold:
    """A part with what was found wrong on its pads, of all that were seen."""

    ref: str
    wrong: DefectRate
    states: tuple[tuple[str, int], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class AgeDrift:
    """What volumes change by in an hour of the paste's age [share of the dose], least squares over board means."""

    per_hour: float
    low: float
    high: float
    boards: int


@dataclass(frozen=True, slots=True, kw_only=True)
class ProcessTold:
    """All that was found. Charts are of the boards in their order; there are none for fewer than five boards."""

    boards: tuple[str, ...]
    deposits: int
    classes: tuple[ClassTold, ...]
    charts: tuple[ControlChart, ...]
    parts: tuple[PartTold, ...]
    drift: AgeDrift | None


def process_of(
    rows: Sequence[FoundDeposit], *, lower: float = USUAL_LOW, upper: float = USUAL_HIGH
) -> ProcessTold:
    """Return what rows of one or more boards tell; limits are shares of the planned volume."""
    boards = boards_of(rows)
    kinds = sorted({row.kind for row in rows})
    return ProcessTold(
        boards=boards,
        deposits=len(rows),
        classes=tuple(
            _class(kind, [row for row in rows if row.kind == kind], lower=lower, upper=upper)
            for kind in kinds
        ),
        charts=_charts(rows, boards),
        parts=_parts(rows),
        drift=_drift(rows, boards),
    )


def rate(rows: Sequence[FoundDeposit], wrong: Callable[[FoundDeposit], bool]) -> DefectRate | None:
    """Return how many of the rows that were seen are wrong; None where none was seen."""
    seen = [row for row in rows if row.seen]
    if not seen:
        return None
    found = sum(1 for row in seen if wrong(row))
    low, high = proportion_interval(found, len(seen))
    return DefectRate(found=found, of=len(seen), low=low, high=high)


def _shares(rows: Sequence[FoundDeposit]) -> list[float]:
    return [row.share for row in rows if row.share is not None and row.state in LAID]


def _class(kind: str, rows: Sequence[FoundDeposit], *, lower: float, upper: float) -> ClassTold:
    shares = _shares(rows)
    able = capability(shares, lower=lower, upper=upper) if len(shares) >= LEAST_VALUES else None
    low, high = cp_interval(able.cp, able.count) if able is not None else (0.0, 0.0)
    return ClassTold(
        kind=kind,
        deposits=len(rows),
        not_seen=sum(not row.seen for row in rows),
        able=able,
        cp_low=low,
        cp_high=high,
        missing=rate(rows, lambda row: row.state is DepositVerdict.MISSING),
        bridged=rate(rows, lambda row: row.state is DepositVerdict.BRIDGED),
    )


def _by_board(rows: Sequence[FoundDeposit], boards: Sequence[str]) -> list[tuple[str, list[float]]]:
    """Shares of each board, each over the mean of its own class over all boards, so that classes do not mix."""
    means = {
        kind: float(np.mean(shares))
        for kind in {row.kind for row in rows}
        if (shares := _shares([row for row in rows if row.kind == kind]))
    }
    whole = float(np.mean(_shares(rows))) if _shares(rows) else 1.0
    found: dict[str, list[float]] = {board: [] for board in boards}
    for row in rows:
        if row.share is not None and row.state in LAID:
            found[row.board].append(row.share - means[row.kind] + whole)
    return [(board, shares) for board, shares in found.items() if len(shares) > 1]


def _charts(rows: Sequence[FoundDeposit], boards: Sequence[str]) -> tuple[ControlChart, ...]:
    by_board = _by_board(rows, boards)
    each = [shares for _, shares in by_board]
    if len(each) < LEAST_POINTS:
        return ()
    means = [float(np.mean(shares)) for shares in each]
    charts = (
        individuals(means),
        spreads([float(np.std(shares, ddof=1)) for shares in each], [len(shares) for shares in each]),
        ewma(means, start=float(np.mean(means)), sigma=moving_range_sigma(means)),
    )
    return tuple(replace(chart, points=tuple(board for board, _ in by_board)) for chart in charts)


def _parts(rows: Sequence[FoundDeposit]) -> tuple[PartTold, ...]:
    """The parts with anything wrong, the worst first: by the lower end of their interval."""
    found = []
    for ref in sorted({row.ref for row in rows if row.ref}):
        mine = [row for row in rows if row.ref == ref]
        wrong = rate(mine, lambda row: row.state is not DepositVerdict.GOOD)
        if wrong is None or not wrong.found:
            continue
        states = {str(state): sum(row.state is state for row in mine) for state in DepositVerdict}
        told = tuple(
            (state, count)
            for state, count in sorted(states.items(), key=lambda item: -item[1])
            if count and state not in (DepositVerdict.GOOD, DepositVerdict.NOT_SEEN)
        )
        found.append(PartTold(ref=ref, wrong=wrong, states=told))
    return tuple(sorted(found, key=lambda part: (-part.wrong.low, part.ref))[:MOST_PARTS])


def _drift(rows: Sequence[FoundDeposit], boards: Sequence[str]) -> AgeDrift | None:
    """A straight line through board means over age, b ± t·s_b; e-Handbook 4.4.3.1 (least squares), n − 2 degrees."""
    ages = {row.board: row.age_h for row in rows if row.age_h is not None}
    points = [
        (ages[board], float(np.mean(shares))) for board, shares in _by_board(rows, boards) if board in ages
    ]
    if len(points) < LEAST_POINTS:
        return None
    x, y = (np.array(part) for part in zip(*points, strict=True))
    spread = float(np.sum((x - x.mean()) ** 2))
    if spread <= 0:
        return None
    slope = float(np.sum((x - x.mean()) * (y - y.mean()))) / spread
    left = y - y.mean() - slope * (x - x.mean())
    half = float(stdtrit(len(points) - 2, 0.975)) * sqrt(float(left @ left) / (len(points) - 2) / spread)
    return AgeDrift(per_hour=slope, low=slope - half, high=slope + half, boards=len(points))
