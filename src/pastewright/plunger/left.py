"""Pushes that leave the barrel alike where a bubble has come, for benches that no one push serves.

In a stiff barrel two µL more air store more than a push does: the barrel then stands far above yield between deposits. How
far depends on the push and, at one push, a little on the dwell; where sizes change, what the two leave differs, and comes
out with the dots that follow. On the 1 mL bench 0.05 µL of 1.4 are a whole small dot. So each size gets the push, and beads
the flow, that leave what the others leave:

    left(push, V) = what is stored beyond rest behind many dots alike, with an afternoon's air       left = the same for all

It costs the steps that one push spares: with 10 % of stiffness or consistency off these are few there (1 to 2 %).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pastewright.plunger.bench import PlungerBench
from pastewright.plunger.choice import (
    MOST_SLOWER,
    OF_TOLERANCE,
    Chosen,
    LaidByPush,
    SizeInMind,
    candidates_ul,
    cost_of,
    sizes_of,
)
from pastewright.plunger.common import bead_flow_ul_s
from pastewright.plunger.flow import flow_ul_s
from pastewright.plunger.ways import (
    AFTERNOON,
    HOP_IDLE_S,
    LikeDeposits,
    error_in_mind,
    more_air,
    turns_of_rows,
    ways_of,
)

Floats = NDArray[np.float64]

# After so many alike what is left is steady within a hundredth on the example benches.
MANY = 60

# Of the ladder of pushes every third: what is left is read between them.
EVERY = 3

# So many targets for what is left are looked at, evenly between the least and the most that the commonest size leaves.
TARGETS = 10

# With more sizes of dots and beads than this all keep one push: what each leaves takes 10 ms a size to find; own choice.
MOST_SIZES = 24

# Pushes within this share are one, so that a board of many sizes is solved in few tables. With 1 % what the stiffest example
# bench leaves differed enough to show: 6.2 % of its top with 2 µL more air, 5.6 with half of it.
SAME_PUSH = 0.005


@dataclass(frozen=True, slots=True, kw_only=True)
class Pushes:
    """The push of each volume: `pushes_ul` at rising `volumes_ul` [µL], straight lines over ln V between them; and the most
    that beads flow [µL/s].
    """

    volumes_ul: tuple[float, ...]
    pushes_ul: tuple[float, ...]
    bead_ul_s: float

    def of(self, volumes_ul: ArrayLike) -> Floats:
        """Return the push of each volume [µL]."""
        own = np.interp(np.log(volumes_ul), np.log(self.volumes_ul), np.log(self.pushes_ul))
        found: Floats = (
            np.exp(np.round(own / SAME_PUSH) * SAME_PUSH) if len(self.volumes_ul) > 1 else np.exp(own)
        )
        return found


def pushes_for(
    dots_ul: Sequence[float],
    beads: Sequence[tuple[float, float]],
    bench: PlungerBench,
    chosen: Chosen,
    *,
    tolerance: float,
    hop_s: float,
) -> Pushes:
    """Return the chosen push for all; where it does not hold the tolerance and pushes that leave the barrel alike come
    nearer to it, those. Arguments are those of `choice.chosen_push`.
    """
    one = Pushes(
        volumes_ul=(1.0,), pushes_ul=(chosen.push_ul,), bead_ul_s=bead_flow_ul_s(chosen.push_ul, bench)
    )
    asked = OF_TOLERANCE * tolerance
    if chosen.error <= asked or len(dots_ul) < 2 or chosen.push_ul > AFTERNOON["bubble_ul"]:
        return one
    sizes, bead_sizes = sizes_of((volume, 1.0) for volume in dots_ul), sizes_of(beads)
    if len(sizes) + len(bead_sizes) > MOST_SIZES:
        return one
    sizes.sort(key=lambda size: size.volume_ul)
    surface = LaidByPush(candidates_ul(dots_ul, bench)[::EVERY], bench)
    besides_s = hop_s * (len(dots_ul) + len(beads))
    tries = [
        (pushes, rows, besides_s + sum(row.count * row.seconds for row in rows))
        for pushes, rows in _alike(surface, sizes, bead_sizes)
    ]
    most_s = MOST_SLOWER * min([chosen.seconds, *(seconds for _, _, seconds in tries)])
    tries = [found for found in tries if found[2] <= most_s]
    best, least = one, cost_of(chosen.seconds, chosen.error / asked)
    for way, (pushes, _, seconds) in zip(ways_of([rows for _, rows, _ in tries], bench), tries, strict=True):
        cost = cost_of(seconds, error_in_mind(way, bench) / asked)
        if cost < least:
            best, least = pushes, cost
    return best


def _alike(
    surface: LaidByPush, sizes: Sequence[SizeInMind], beads: Sequence[SizeInMind]
) -> list[tuple[Pushes, list[LikeDeposits]]]:
    """Pushes that leave alike, from little to much, and what they make of the sizes."""
    bench = surface.bench
    steps = range(surface.pushes.size)
    dots = [[surface.rows(step, [size], []) for step in steps] for size in sizes]
    # Of each size: the pushes that lay it as they are, and what they leave.
    known = []
    for per_step in dots:
        as_they_are = [
            rows[0] for step, rows in enumerate(per_step) if rows[0].push_ul == surface.pushes[step]
        ]
        own = as_they_are or per_step[0]
        known.append((np.array([row.push_ul for row in own]), _left_ul(own, bench)))
    common = known[int(np.argmax([size.count for size in sizes]))][1]
    bead_rows = [surface.rows(step, [], beads) for step in steps] if beads else []
    bead_left = np.array([_left_ul(rows, bench).mean() for rows in bead_rows])
    found = []
    for target in np.linspace(common.min(), common.max(), TARGETS).tolist():
        pushes = np.array([np.interp(target, np.maximum.accumulate(left), own) for own, left in known])
        # Of the flows that leave so much the quickest.
        at = (
            int(np.flatnonzero(np.abs(bead_left - target) <= np.abs(bead_left - target).min() + 1e-9)[-1])
            if beads
            else -1
        )
        flow = max(float(flow_ul_s(surface.full_kpa[at], bench.tip)), 1e-9)
        own_surface = LaidByPush(pushes, bench)
        rows = [own_surface.rows(number, [size], [])[0] for number, size in enumerate(sizes)]
        curve = Pushes(
            volumes_ul=tuple(size.volume_ul for size in sizes),
            pushes_ul=tuple(row.push_ul for row in rows),
            bead_ul_s=flow,
        )
        rows += bead_rows[at] if beads else []
        found.append((curve, sorted(rows, key=lambda row: (-row.push_ul, -row.volume_ul))))
    return found


def _left_ul(rows: Sequence[LikeDeposits], bench: PlungerBench) -> Floats:
    """What is stored beyond rest behind many deposits like each, with an afternoon's air [µL]."""
    turns = turns_of_rows(rows, bench)
    found = []
    for number, row in enumerate(rows):
        chain = turns.taken(np.full(MANY, number))
        errors = more_air(chain, np.full(MANY, HOP_IDLE_S), bench)
        found.append(-float(errors.sum()) * row.volume_ul)
    return np.array(found)
