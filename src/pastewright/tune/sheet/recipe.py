"""A bench to the dots that its tuning sheet is made of: which doses, pushes, dwells and pauses, and in which order.

On a bench that is badly known a dot says most about the constants when the one before it was different: dots that
follow their like lay just what the plunger swept, whatever the constants are. So the sheet is made of blocks that
climb, fall, repeat, jump, wait and change speed; `design` chooses among the orders of blocks and of what is in them.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import product
from math import exp

import numpy as np
from msgspec import structs
from numpy.typing import NDArray

from pastewright.deposit.shape import dot_volume_ul
from pastewright.plunger.bench import PlungerBench, bench_of
from pastewright.plunger.cycle import dots_pushed_at
from pastewright.plunger.model import DotCycle
from pastewright.plunger.pressure import after_legs, still
from pastewright.plunger.ramp import ramp
from pastewright.profile.model import Profile
from pastewright.profile.off import bench_off
from pastewright.tune.sheet.model import Role

Floats = NDArray[np.float64]

# How far off a bench may be, in stiffness and in flow: as its starting points are guesses, and after a trial.
DOUBT_UNTUNED = 3.0
DOUBT_TUNED = 1.5

# Levels of dose, and the range they are taken from, in bores of the tip.
LEVELS = 8
SMALLEST_BORES = 2.0
LARGEST_BORES = 14.0
LARGEST_MM = 2.6
LEAST_MICROSTEPS = 10.0

# A push as tuned is halved until the worst bench stands it, at most so often; the slow push is so many times slower
# still, and the long dwell so many times longer.
HALVINGS = 7
SLOW = 4.0
LONG = 5.0
LONGEST_PUSH_S = 5.0

# Cycles are solved for the barrel as filled and after about so many dots, and read between the two; but no more than
# this share of the paste is taken for used.
DOTS = 170
MOST_USED = 0.8

# Of a paste that stiffens when it stands, the factor on its consistency (some tenths, from memory).
STIFFENS = 1.25

PAUSES_S = (3.0, 10.0, 30.0)

# How many dots in a row are drawn anew at a time while an order is improved, and whose doses are nobody's business.
STRETCH = (4, 25)
FREE = (Role.JUMP, Role.SPEED)


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """One dot of the recipe: level of dose, whether pushed slowly, whether it dwells long, and the pause before it."""

    level: int
    role: Role
    slow: bool = False
    long: bool = False
    pause_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Recipe:
    """What a sheet may be made of on this bench: `cycles[level][slow][long]`, and `late` when `late_ul` are used.

    `limited`: larger doses were left out, since no push is slow enough for what the bench might be.
    """

    doses_ul: tuple[float, ...]
    cycles: tuple[tuple[tuple[DotCycle, DotCycle], tuple[DotCycle, DotCycle]], ...]
    late: tuple[tuple[tuple[DotCycle, DotCycle], tuple[DotCycle, DotCycle]], ...]
    late_ul: float
    doubt: float
    limited: bool

    def cycle(self, item: Item, used_ul: float) -> DotCycle:
        """Return the plunger's cycle of an item when `used_ul` of the barrel's paste are used: it is stiffer then."""
        early = self.cycles[item.level][item.slow][item.long]
        late = self.late[item.level][item.slow][item.long]
        push = early.push_ul + used_ul / self.late_ul * (late.push_ul - early.push_ul)
        return structs.replace(early, push_ul=push, retract_ul=push - early.volume_ul)


def doubt_of(profile: Profile) -> float:
    """Factor by which stiffness and flow may be off [-]: a bench that was tuned is known better."""
    return max(DOUBT_TUNED, profile.tuning.pressure_doubt) if profile.tuning.dated else DOUBT_UNTUNED


def recipe_of(profile: Profile, *, widest_mm: float = LARGEST_MM) -> Recipe:
    """Return the doses for this tip and barrel, with their cycles; dots up to `widest_mm` on the bench as profiled.

    No dot may break the barrel's rating or stall the motor, should the bench be stiffer and the paste thicker than
    the profile says by the doubt: larger doses are pushed more slowly, and what is still too much is left out.
    """
    bench, doubt = bench_of(profile), doubt_of(profile)
    # Trial dots are planned for paste without structure; after a pause it may have all of it.
    thick = doubt**profile.paste.flow_index * exp(max(profile.tuning.standing, 0.0))
    worst = bench_of(bench_off(profile, stiffness=doubt, consistency=thick))
    bore, shape = profile.tip.bore_mm, profile.tuning.dot_shape_ratio
    least = max(
        dot_volume_ul(max(SMALLEST_BORES, 1.1 * profile.tuning.smallest_dot_bores) * bore, shape),
        LEAST_MICROSTEPS * bench.microstep_ul,
    )
    most = max(dot_volume_ul(min(LARGEST_BORES * bore, widest_mm), shape), 4 * least)
    limit = min(bench.motor_limit_kpa, bench.barrel_limit_kpa)
    rates = bench.push_ul_s / 2.0 ** np.arange(HALVINGS + 1)
    ladder = np.geomspace(least, most, 24)
    stands = _worst_kpa(ladder, rates[-1], bench, worst) <= limit
    # At least a factor of three between the smallest and the largest, or the sheet tells nothing.
    top = max(float(ladder[stands].max(initial=0.0)), 3 * least)
    doses = np.geomspace(least, top, LEVELS)
    fastest = np.full(LEVELS, rates[-1])
    for rate in rates[::-1]:
        fastest = np.where(_worst_kpa(doses, float(rate), bench, worst) <= limit, rate, fastest)
    # So slow that flow near the yield pressure shows, but not slower than patience, and never faster than the fast ones.
    patient = dots_pushed_at(doses, fastest, bench).push_ul / LONGEST_PUSH_S
    slow = np.minimum(np.maximum(fastest / SLOW, patient), fastest)
    used_ul = min(DOTS * float(doses.mean()), MOST_USED * bench.store.paste_ul)
    late = replace(bench, store=replace(bench.store, paste_ul=bench.store.paste_ul - used_ul))
    return Recipe(
        tuple(doses.tolist()),
        _table(doses, fastest, slow, bench),
        _table(doses, fastest, slow, late),
        used_ul,
        doubt,
        not bool(stands.all()),
    )


def _table(
    doses_ul: Floats, fast_ul_s: Floats, slow_ul_s: Floats, bench: PlungerBench
) -> tuple[tuple[tuple[DotCycle, DotCycle], tuple[DotCycle, DotCycle]], ...]:
    long_bench = replace(bench, dwell_s=LONG * bench.dwell_s)
    fast, fast_long = (dot_cycles(doses_ul, fast_ul_s, own) for own in (bench, long_bench))
    slow, slow_long = (dot_cycles(doses_ul, slow_ul_s, own) for own in (bench, long_bench))
    return tuple(((a, b), (c, d)) for a, b, c, d in zip(fast, fast_long, slow, slow_long, strict=True))


def dot_cycles(doses_ul: Sequence[float] | Floats, rates_ul_s: Floats, bench: PlungerBench) -> list[DotCycle]:
    """Return the cycles of doses [µL], each pushed at its own rate [µL/s]."""
    dots = dots_pushed_at(doses_ul, rates_ul_s, bench)
    return [
        DotCycle(
            volume_ul=volume,
            push_ul=push,
            push_ul_s=rate,
            dwell_s=bench.dwell_s,
            retract_ul=push - volume,
            retract_ul_s=bench.push_ul_s,
            peak_kpa=peak,
        )
        for volume, push, rate, peak in zip(
            dots.volume_ul.tolist(),
            dots.push_ul.tolist(),
            rates_ul_s.tolist(),
            dots.peak_kpa.tolist(),
            strict=True,
        )
    ]


def _worst_kpa(doses: Floats, rate_ul_s: float, bench: PlungerBench, worst: PlungerBench) -> Floats:
    """Highest pressure [kPa] on the bench `worst` of pushes at a rate that are planned for `bench`, and not less than what
    the last fit says that the planned one may really be: scaled together, stiffness and consistency go further than that.
    """
    dots = dots_pushed_at(doses, rate_ul_s, bench)
    way = ramp(
        dots.push_ul, rate_ul_s=dots.push_ul_s, accel_ul_s2=bench.accel_ul_s2, backlash_ul=bench.backlash_ul
    )
    rest = np.full(doses.size, bench.rest_kpa)
    there = after_legs(rest, [still(way.lag_s), *way.legs], worst)[1]
    return np.maximum(there, bench.pressure_doubt * dots.peak_kpa)


def orders(recipe: Recipe, count: int, *, tries: int, seed: int) -> list[tuple[Item, ...]]:
    """Return `tries` different orders of `count` items each; the same for the same seed."""
    rng = np.random.default_rng(seed)
    return [_order(recipe, count, rng) for _ in range(tries)]


def altered(items: Sequence[Item], rng: np.random.Generator) -> tuple[Item, ...]:
    """Return the order with two stretches exchanged, or with a stretch's pushes drawn anew, and the doses of its jumps
    as well; the climb stays first and last.
    """
    free = len(items) - LEVELS
    if rng.random() < 0.5:
        a, b, c = sorted(rng.choice(np.arange(LEVELS, free + 1), 3, replace=False).tolist())
        return (*items[:a], *items[b:c], *items[a:b], *items[c:])
    start = int(rng.integers(LEVELS, free))
    end = min(start + int(rng.integers(*STRETCH)), free)
    liked = rng.dirichlet(np.full(LEVELS, 0.5))  # few of the doses, so that stretches differ
    drawn = [
        replace(item, level=int(rng.choice(LEVELS, p=liked))) if item.role in FREE else item
        for item in items[start:end]
    ]
    return (*items[:start], *(_varied(item, rng) for item in drawn), *items[end:])


def _order(recipe: Recipe, count: int, rng: np.random.Generator) -> tuple[Item, ...]:
    levels = len(recipe.doses_ul)
    top, middle = levels - 1, levels // 2
    blocks: list[list[Item]] = []
    while sum(map(len, blocks)) < count:
        blocks += _round(rng, levels, middle, top)
    # The first block climbs, so that a bench that is far off shows itself with small dots, not with floods.
    first = [Item(level=level, role=Role.RISING) for level in range(levels)]
    rest = [blocks[at] for at in rng.permutation(len(blocks)).tolist()]
    middle_ones = [item for block in rest for item in block][: count - 2 * len(first)]
    # The same climb comes last: what has changed between the two is the paste, and not the dots.
    return (*first, *middle_ones, *first)


def _round(rng: np.random.Generator, levels: int, middle: int, top: int) -> list[list[Item]]:
    """One of each kind of block, its details drawn."""
    low = int(rng.integers(0, 2))
    stride = int(rng.integers(1, 3))
    level = int(rng.integers(0, levels))
    jumps = [Item(level=top - int(rng.integers(0, 2)) if at % 2 else low, role=Role.JUMP) for at in range(8)]
    pauses = [
        Item(level=int(rng.integers(0, middle + 1)), role=Role.PAUSE, pause_s=float(pause))
        for pause in rng.permutation(PAUSES_S)
    ]
    repeated = _varied(Item(level=level, role=Role.REPEAT), rng)
    blocks = [
        [Item(level=at, role=Role.RISING) for at in range(low, levels, stride)],
        [Item(level=at, role=Role.FALLING) for at in range(top, -1, -stride)],
        jumps,
        [item for pause in pauses for item in (pause, Item(level=pause.level, role=Role.STEADY))],
        [Item(level=int(at), role=Role.SPEED) for at in rng.integers(0, levels, 8)],
    ]
    return [[repeated] * 4, *([_varied(item, rng) for item in block] for block in blocks)]


def _varied(item: Item, rng: np.random.Generator) -> Item:
    """Return the item with its speed and dwell drawn: what differs in them tells flow from springs."""
    return replace(item, slow=bool(rng.integers(0, 2)), long=bool(rng.integers(0, 2)))


def possible_benches(profile: Profile, doubt: float) -> tuple[dict[str, float], ...]:
    """Return the corners of what the bench may be, as factors on its constants (on e^s of structure's s), the middle first.

    A flow off by φ at any pressure is a consistency off by φ^(−n).
    """
    n = profile.paste.flow_index
    corners = [
        {
            "frame_stiffness_n_mm": stiff,
            "bubble_ul": 1 / stiff,
            "consistency_kpa_sn": flow**-n,
            # Half of them stiffen by a quarter when they stand.
            "standing": STIFFENS if stiff == flow else 1.0,
        }
        for stiff, flow in product((1 / doubt, doubt), repeat=2)
    ]
    return ({}, *corners)
