"""What the same program would lay on a bench that is not quite the one of the profile.

The program stays as it is; only the simulated barrel changes. What spreads most is what tuning has to find first.
"""

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from pastewright.profile.off import bench_off
from pastewright.readback.judge.evidence import CaseFile, paste_run
from pastewright.readback.machine.barrel import bench_of

DEPOSITS = 2000  # the first ones tell as much as all of a large board, in a tenth of the time
CHANGE = 0.3  # a third more or less: what a change of paste or a bubble does within a day (own choice)


Floats = NDArray[np.float64]


class WhatIf(Struct, frozen=True, kw_only=True):
    """Delivered over expected volume [-] on a changed bench: 5th percentile, median, 95th, and the first deposit.

    `deposits` of them were simulated.
    """

    name: str
    low: float
    median: float
    high: float
    first: float
    deposits: int


def what_if(seen: CaseFile, *, most_deposits: int = DEPOSITS) -> tuple[WhatIf, ...]:
    """Return what a program would lay if stiffness or flow were 30 % off; first of all, on the bench as told.

    Stiffness scales frame and paste alike, and trapped air the other way; consistency is the K of the paste.
    Empty when nothing of what is expected is laid.
    """
    firsts = sorted(
        (visits[0].first, visits[-1].last, index) for index, visits in enumerate(seen.ledger.laid) if visits
    )[:most_deposits]
    if not firsts:
        return ()
    less, more = f"−{CHANGE:.0%}", f"+{CHANGE:.0%}"
    cases = (
        ("as the profile says", 1.0, 1.0),
        (f"stiffness {less}", 1 - CHANGE, 1.0),
        (f"stiffness {more}", 1 + CHANGE, 1.0),
        (f"consistency {less}", 1.0, 1 - CHANGE),
        (f"consistency {more}", 1.0, 1 + CHANGE),
    )
    rows = max(last for _, last, _ in firsts) + 1
    indices = [index for _, _, index in firsts]

    def out_of(stiffness: float, consistency: float) -> Floats:
        if stiffness == consistency == 1.0:
            return seen.paste.out_ul[:rows]
        off = bench_off(seen.profile, stiffness=stiffness, consistency=consistency)
        return paste_run(bench_of(off), seen.moves, seen.expected, rows=rows).out_ul

    return tuple(_case(name, out_of(*change), seen, indices) for name, *change in cases)


def _case(name: str, out_ul: Floats, seen: CaseFile, indices: list[int]) -> WhatIf:
    work = np.where(seen.where.lift[: len(out_ul)], 0.0, out_ul)
    sums = np.concatenate([[0.0], np.cumsum(work)])
    ratios = np.array(
        [
            sum(sums[visit.last + 1] - sums[visit.first] for visit in seen.ledger.laid[index])
            / seen.expected.deposits[index].volume_ul
            for index in indices
        ]
    )
    low, median, high = np.percentile(ratios, [5, 50, 95]).tolist()
    return WhatIf(name=name, low=low, median=median, high=high, first=float(ratios[0]), deposits=len(indices))
