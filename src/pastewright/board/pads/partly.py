"""Pads that a part must have and that bear no name: what rules by its name would miss."""

from collections import defaultdict
from collections.abc import Sequence

import numpy as np
import shapely
from shapely import STRtree

from pastewright.board.model import PartlyNamed
from pastewright.board.pads.site import Site
from pastewright.board.shapes.islands import shape_array
from pastewright.problems import Problem, Severity

FEWEST_NAMED = 4
"""Fewer pads span no area that others could lie in."""
ALIKE_PART = 0.1
"""Pads of one part differ by less of their area, those at its corners and its thermal land left aside."""


def partly_named(sites: Sequence[Site], file: str) -> tuple[list[PartlyNamed], list[Problem]]:
    """Return the parts within whose pads lie pads as large without a name, and a warning for each."""
    lands = shape_array([site.land.shape for site in sites])
    bare = np.array(
        [n for n, site in enumerate(sites) if not site.ref and not site.land.via and not site.land.poured],
        dtype=np.intp,
    )
    named: dict[str, list[int]] = defaultdict(list)
    for number, site in enumerate(sites):
        if site.ref:
            named[site.ref].append(number)
    if not len(bare):
        return [], []
    tree = STRtree(shapely.centroid(lands[bare]))
    found: list[PartlyNamed] = []
    for ref, numbers in sorted(named.items()):
        if len(numbers) < FEWEST_NAMED:
            continue
        hull = shapely.convex_hull(shapely.union_all(lands[numbers]))
        inside = bare[tree.query(hull, predicate="contains")]
        median_mm2 = float(np.median(shapely.area(lands[numbers])))
        alike = np.abs(shapely.area(lands[inside]) - median_mm2) <= ALIKE_PART * median_mm2
        if alike.any():
            found.append(PartlyNamed(ref=ref, named=len(numbers), of=len(numbers) + int(alike.sum())))
    problems = [
        Problem(
            what=f"{each.ref} is named on {each.named} of {each.of} pads: a rule for {each.ref} misses the others",
            mend="Name its pads by a netlist or by X2 attributes, or write rules by size.",
            severity=Severity.WARNING,
            file=file,
        )
        for each in found
    ]
    return found, problems
