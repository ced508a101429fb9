"""What the same program would lay on a bench that is not quite the one of the profile.

The program stays as it is; only the simulated barrel changes. What spreads most is what tuning has to find first.
"""

from dataclasses import dataclass

import numpy as np

from pastewright.profile.model import Profile
from pastewright.profile.off import bench_off
from pastewright.readback.judge.evidence import CaseFile, gather, paste_run
from pastewright.readback.machine.barrel import bench_of
from pastewright.readback.model import Expected
from pastewright.readback.text.interpret import interpret

DEPOSITS = 2000  # the first ones tell as much as all of a large board, in a tenth of the time
LINES_PER_DEPOSIT = 12  # a deposit takes about seven
CHANGE = 0.3  # a third more or less: what a change of paste or a bubble does within a day (own choice)


@dataclass(frozen=True, slots=True, kw_only=True)
class WhatIf:
    """Delivered over expected volume [-] on a changed bench: 5th percentile, median, 95th, and the first deposit.

    `deposits` of them were simulated.
    """

    name: str
    low: float
    median: float
    high: float
    first: float
    deposits: int


def what_if(
    text: str, expected: Expected, profile: Profile, *, most_deposits: int = DEPOSITS
) -> tuple[WhatIf, ...]:
    """Return what `text` would lay if stiffness or flow were 30 % off; first of all, on the bench as told.

    Stiffness scales frame and paste alike, and trapped air the other way; consistency is the K of the paste.
    Empty when nothing of what is expected is laid.
    """
    lines = text.split("\n")
    part = "\n".join(lines[: LINES_PER_DEPOSIT * most_deposits + 200])
    reading = interpret(part, profile.controller, plunger_letter=profile.plunger.letter)
    seen = gather(reading, expected, profile, bench_of(profile))
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
    return tuple(
        _case(
            name,
            bench_off(profile, stiffness=stiffness, consistency=consistency),
            seen,
            [index for _, _, index in firsts],
            rows,
        )
        for name, stiffness, consistency in cases
    )


def _case(name: str, profile: Profile, seen: CaseFile, indices: list[int], rows: int) -> WhatIf:
    out = paste_run(bench_of(profile), seen.moves, seen.expected, rows=rows).out_ul
    work = np.where(seen.where.lift[:rows], 0.0, out)
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
