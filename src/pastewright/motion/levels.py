"""Deposits to levels: which push they share, and which are laid before which so that pushes change seldom and downwards.

A bench that is not quite as profiled shows where the push changes (`plunger.common`). So the deposits of the largest
pushes come first, and at each level those of the largest volumes, which forget most of what they begin with; within a
class the order is free for a short way.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from pastewright.deposit.model import Deposit
from pastewright.motion.paths import is_dot, walk_of
from pastewright.plunger.bench import PlungerBench, board_bench_of
from pastewright.plunger.choice import chosen_push
from pastewright.plunger.common import bead_flow_ul_s, dots_of
from pastewright.plunger.draw import with_gentle_draw
from pastewright.plunger.flow import driving_pressure_kpa
from pastewright.plunger.settle import strip_of
from pastewright.plunger.storage import stored_ul
from pastewright.profile.model import Profile

# Pushes within this share are one level: a step of 3 % at 10 % of drift is about 1 % of a dose.
SAME_PUSH = 0.03


# Within a level, volumes within this factor are one class; finer ones cost way and bring nothing (measured on the demo
# board: 1.0, 1.3 and 1.6 differ by half a per cent of the error and 1 s of 210).
SAME_VOLUME = 1.6


@dataclass(frozen=True, slots=True, kw_only=True)
class PushLevels:
    """The push [µL] that most dots share, how many dots like the first are thrown away at the strip's end, the flow [µL/s]
    of beads that store as much, and each deposit's class by its index: classes of lower numbers are laid first.
    """

    push_ul: float
    thrown: int = 0
    bead_ul_s: float
    classes: Mapping[int, int]


def bench_for(volumes_ul: Sequence[float], profile: Profile) -> PlungerBench:
    """Return the bench that deposits of these volumes are laid with: little of the smallest comes out in a lift."""
    bench = board_bench_of(profile)
    return with_gentle_draw(bench, min(volumes_ul)) if volumes_ul else bench


def levels_of(deposits: Sequence[Deposit], profile: Profile) -> PushLevels:
    """Return the levels of deposits on a bench; the tolerance that is sought is the profile's."""
    bench = bench_for([deposit.volume_ul for deposit in deposits], profile)
    dots = [deposit for deposit in deposits if is_dot(deposit)]
    beads = [deposit for deposit in deposits if not is_dot(deposit)]
    least_s = [walk_of(bead, profile).time_s for bead in beads]
    chosen = chosen_push(
        [dot.volume_ul for dot in dots],
        [(bead.volume_ul, seconds) for bead, seconds in zip(beads, least_s, strict=True)],
        bench,
        tolerance=profile.verify.tolerance,
        strip=strip_of(profile).cycle,
    )
    push = chosen.push_ul
    flow = bead_flow_ul_s(push, bench)
    pushes = _pushes_ul(dots, beads, least_s, push=push, flow_ul_s=flow, bench=bench)
    return PushLevels(push_ul=push, thrown=chosen.thrown, bead_ul_s=flow, classes=_classes(deposits, pushes))


def _pushes_ul(
    dots: Sequence[Deposit],
    beads: Sequence[Deposit],
    least_s: Sequence[float],
    *,
    push: float,
    flow_ul_s: float,
    bench: PlungerBench,
) -> dict[int, float]:
    """What each deposit has pushed into store at its height [µL], by its index."""
    found: dict[int, float] = {}
    if dots:
        solved = dots_of([dot.volume_ul for dot in dots], push, bench)
        found.update(zip((dot.index for dot in dots), solved.push_ul.tolist(), strict=True))
    if beads:
        volumes = np.array([bead.volume_ul for bead in beads])
        flows = volumes / np.maximum(np.array(least_s), volumes / flow_ul_s)
        stored = stored_ul(driving_pressure_kpa(flows, bench.tip), bench.store) - bench.rest_ul
        # What flows out while a push is made is no part of what it stores; at the same flow they are one level.
        full = stored_ul(driving_pressure_kpa(np.array([flow_ul_s]), bench.tip), bench.store) - bench.rest_ul
        found.update(
            zip((bead.index for bead in beads), (push * stored / float(full[0])).tolist(), strict=True)
        )
    return found


def _classes(deposits: Sequence[Deposit], pushes: Mapping[int, float]) -> dict[int, int]:
    """The class of each deposit by its index: by falling push, within a level by falling volume."""
    found: dict[int, int] = {}
    number = -1
    left = sorted(deposits, key=lambda deposit: -pushes[deposit.index])
    while left:
        bound = pushes[left[0].index] * (1 - SAME_PUSH)
        level = [deposit for deposit in left if pushes[deposit.index] >= bound]
        left = left[len(level) :]
        least = float("inf")
        for deposit in sorted(level, key=lambda deposit: -deposit.volume_ul):
            if deposit.volume_ul < least:
                number, least = number + 1, deposit.volume_ul / SAME_VOLUME
            found[deposit.index] = number
    return found
