"""Deposits to levels: which push they share, and which are laid before which so that pushes change seldom and downwards.

A bench that is not quite as profiled shows where the push changes (`plunger.common`). So the deposits of the largest
pushes come first, and at each level those of the largest volumes, which forget most of what they begin with. Then
classes are moved as long as that brings something by the chain's derivatives (`plunger.arrange`): a bead before a step down
ends what the step leaves. Within a class the order is free for a short way.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from msgspec import Struct, structs

from pastewright.deposit.model import Deposit
from pastewright.kinematics import move_time_s
from pastewright.motion.paths import is_dot, walk_of
from pastewright.plunger.arrange import MOST_GROUPS, arranged
from pastewright.plunger.bench import PlungerBench, board_bench_of
from pastewright.plunger.choice import FED, chosen_push
from pastewright.plunger.common import dots_of
from pastewright.plunger.draw import with_gentle_draw
from pastewright.plunger.flow import driving_pressure_kpa
from pastewright.plunger.left import Pushes, pushes_for
from pastewright.plunger.runs import even_walks
from pastewright.plunger.storage import stored_ul
from pastewright.plunger.ways import BEAD_PARTS, groups_of, kept_ul
from pastewright.profile.model import Profile

# Pushes within this share are one level: a step of 3 % at 10 % of drift is about 1 % of a dose.
SAME_PUSH = 0.03


# Within a level, volumes within this factor are one class: 1.1 leaves 4.7 % and 1.6 leaves 7.4 % where 2 µL of air come into
# the stiff bench of the cnc example, and takes no time where classes are put in order. Where there would be too many to
# do so they are coarser.
SAME_VOLUME = 1.1
COARSE_VOLUME = 1.6


# A hop between neighbours, and what lies on the way [mm]: of the demo board's dots the middle ones.
HOP_MM = 3.0
HOP_RISE_MM = 0.3


@dataclass(frozen=True, slots=True, kw_only=True)
class PushLevels:
    """The push that most dots share, with the flow of beads, and each deposit's class by its index: classes of lower numbers
    are laid first.
    """

    pushes: Pushes
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
    least_s = _least_s(beads, profile, bench)
    dots_ul = [dot.volume_ul for dot in dots]
    beads_ul = [(bead.volume_ul, seconds) for bead, seconds in zip(beads, least_s, strict=True)]
    tolerance, each_hop_s = profile.verify.tolerance, hop_s(profile)
    chosen = chosen_push(dots_ul, beads_ul, bench, tolerance=tolerance, hop_s=each_hop_s)
    pushes = pushes_for(dots_ul, beads_ul, bench, chosen, tolerance=tolerance, hop_s=each_hop_s)
    strokes = _strokes(dots, beads, least_s, pushes=pushes, bench=bench)
    levels = {index: stroke.level_ul for index, stroke in strokes.items()}
    classes = _classes(deposits, levels, SAME_VOLUME)
    groups = _groups(deposits, classes)
    if len(groups) > MOST_GROUPS:
        classes = _classes(deposits, levels, COARSE_VOLUME)
        groups = _groups(deposits, classes)
    return PushLevels(
        pushes=pushes,
        classes=_rearranged(groups, classes, strokes, bench),
    )


def _least_s(beads: Sequence[Deposit], profile: Profile, bench: PlungerBench) -> list[float]:
    """How long a bead takes at least if all of it flowed steadily [s]: walked as fast as its leaks allow (`plunger.runs`),
    which on a large barrel is a third of what the tip would manage.
    """
    walks = [walk_of(bead, profile) for bead in beads]
    even = even_walks([bead.volume_ul for bead in beads], walks, bench.held_still())
    return [
        structs.replace(walk, speed_mm_s=slowed.speed_mm_s).time_s
        + max(walk.row_mm - walk.length_mm, 0.0) / slowed.speed_mm_s
        for walk, slowed in zip(walks, even, strict=True)
    ]


def hop_s(profile: Profile) -> float:
    """Return about what a deposit takes besides its strokes [s]: a short hop, down and up, ramps of push and retraction."""
    machine, drive, bed = profile.machine, profile.plunger, profile.bed
    upright_s = move_time_s(bed.hop_clear_mm + HOP_RISE_MM, machine.speed_z_mm_s, machine.accel_z_mm_s2)
    upright_s += profile.deposit.break_off_mm / profile.deposit.break_off_mm_s / 2
    across_s = move_time_s(HOP_MM, machine.speed_xy_mm_s, machine.accel_xy_mm_s2)
    return 2 * upright_s + across_s + 2 * drive.speed_mm_s / drive.accel_mm_s2


class _Stroke(Struct, frozen=True):
    """What a deposit has pushed into store at its height, as a push of its level (`level_ul`) and as it is [µL]; what is fed
    along its walk [µL]; and how long it dwells or walks [s].
    """

    level_ul: float
    push_ul: float
    fed_ul: float
    middle_s: float


def _strokes(
    dots: Sequence[Deposit],
    beads: Sequence[Deposit],
    least_s: Sequence[float],
    *,
    pushes: Pushes,
    bench: PlungerBench,
) -> dict[int, _Stroke]:
    """The strokes of each deposit, by its index."""
    found: dict[int, _Stroke] = {}
    if dots:
        dots_ul = [dot.volume_ul for dot in dots]
        solved = dots_of(dots_ul, pushes.of(dots_ul), bench)
        for dot, own, dwell_s in zip(dots, solved.push_ul.tolist(), solved.dwell_s.tolist(), strict=True):
            found[dot.index] = _Stroke(own, own, 0.0, dwell_s)
    flow_ul_s, push = pushes.bead_ul_s, max(pushes.pushes_ul)
    if beads:
        volumes = np.array([bead.volume_ul for bead in beads])
        walked_s = np.maximum(np.array(least_s), volumes / flow_ul_s)
        stored = stored_ul(driving_pressure_kpa(volumes / walked_s, bench.tip), bench.store) - bench.rest_ul
        # What flows out while a push is made is no part of what it stores; at the same flow they are one level.
        full = stored_ul(driving_pressure_kpa(np.array([flow_ul_s]), bench.tip), bench.store) - bench.rest_ul
        for bead, own, walk_s in zip(beads, stored.tolist(), walked_s.tolist(), strict=True):
            found[bead.index] = _Stroke(push * own / float(full[0]), own, FED * bead.volume_ul, walk_s)
    return found


def _rearranged(
    groups: Sequence[Sequence[Deposit]],
    classes: Mapping[int, int],
    strokes: Mapping[int, _Stroke],
    bench: PlungerBench,
) -> dict[int, int]:
    """The classes in the order in which a bench that is a little off shows least; beads may leave their class for it."""
    if not 2 < len(groups) <= MOST_GROUPS:
        return dict(classes)
    rows = []
    for group in groups:
        own = [strokes[one.index] for one in group]
        volume = sum(one.volume_ul for one in group) / len(group)
        push, fed, middle_s = (
            sum(part) / len(group)
            for part in zip(*((one.push_ul, one.fed_ul, one.middle_s) for one in own), strict=True)
        )
        rows.append((push, fed, volume - push - fed, middle_s, volume))
    count = [len(group) for group in groups]
    found = groups_of(np.array(rows), count, bench)
    return {
        one.index: number for number, at in enumerate(arranged(found, kept_ul(found))) for one in groups[at]
    }


def _groups(deposits: Sequence[Deposit], classes: Mapping[int, int]) -> list[list[Deposit]]:
    """Deposits that stay together: dots of a class, and beads of a class in a few parts."""
    dots: dict[int, list[Deposit]] = {}
    beads: dict[int, list[Deposit]] = {}
    for deposit in sorted(deposits, key=lambda deposit: (classes[deposit.index], deposit.index)):
        kind = dots if is_dot(deposit) else beads
        kind.setdefault(classes[deposit.index], []).append(deposit)
    found = list(dots.items())
    for number, group in beads.items():
        parts = min(len(group), BEAD_PARTS)
        bounds = [round(len(group) * part / parts) for part in range(parts + 1)]
        found += [(number, group[a:b]) for a, b in pairwise(bounds)]
    return [group for _, group in sorted(found, key=lambda one: one[0])]


def _classes(deposits: Sequence[Deposit], pushes: Mapping[int, float], same_volume: float) -> dict[int, int]:
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
                number, least = number + 1, deposit.volume_ul / same_volume
            found[deposit.index] = number
    return found
