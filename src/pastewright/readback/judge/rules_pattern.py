"""Rules about where the paste of pads lies together: level under thermal lands."""

from collections.abc import Callable, Iterator
from math import hypot

from pastewright.readback.judge.evidence import CaseFile
from pastewright.readback.model import Finding, FindingKind

MOST_IMBALANCE = 0.05
"""Of the half width, that the centre of what came out may lie beside the pad's: the same limit that plans are made for."""

ROUNDING = 0.002
"""Plans are written to micrometres, and volumes come out within the tolerance of doses."""


def level_under_parts(seen: CaseFile) -> Iterator[Finding]:
    """What came out on a thermal land has its centre in the land's, so that the part does not lean."""
    for pad in seen.expected.level:
        total = east = north = 0.0
        for index, share in pad.shares:
            came_ul = share * sum(visit.volume_ul for visit in seen.ledger.laid[index])
            points = seen.expected.deposits[index].points_mm
            total += came_ul
            east += came_ul * sum(point[0] for point in points) / len(points)
            north += came_ul * sum(point[1] for point in points) / len(points)
        if total <= 0:
            continue
        off_mm = hypot(east / total - pad.centre_mm[0], north / total - pad.centre_mm[1])
        off = off_mm / pad.half_width_mm
        if off > MOST_IMBALANCE + ROUNDING:
            what = (
                f"{pad.pad_id}: the paste's centre lies {off_mm:.3f} mm beside the pad's, {off:.0%} of its half width;"
                f" {MOST_IMBALANCE:.0%} are allowed, or the part may lean"
            )
            yield Finding(kind=FindingKind.LEVEL, what=what, pad_id=pad.pad_id)


RULES: tuple[Callable[[CaseFile], Iterator[Finding]], ...] = (level_under_parts,)
