"""Deposits in order to plunger cycles: the settling strip, then a dot's or bead's cycle for every visit.

Doses of a kind are solved together through the tables of `plunger`. Paste gets less on the way and a barrel with
less paste is stiffer; where that matters the cycles are solved for the barrel as it begins and as it ends, and
blended by what has been used.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import exp

import numpy as np
from msgspec import structs
from numpy.typing import NDArray

from pastewright.deposit.model import Deposit, Layout
from pastewright.motion.levels import PushLevels, bench_for, levels_of
from pastewright.motion.paths import is_dot, walk_of
from pastewright.plunger.bead import Beads, solved_beads
from pastewright.plunger.bench import PlungerBench
from pastewright.plunger.choice import OF_TOLERANCE
from pastewright.plunger.common import dots_of
from pastewright.plunger.left import Pushes
from pastewright.plunger.model import BeadCycle, DotCycle
from pastewright.plunger.runs import even_walks
from pastewright.plunger.settle import Settling
from pastewright.plunger.strip import short_strip, strip_wish
from pastewright.plunger.thrown import thrown_away
from pastewright.plunger.walk import Walk, walk_lasting
from pastewright.profile.model import Profile
from pastewright.route.model import Tour

Floats = NDArray[np.float64]

# Below this change of the barrel's compliance over a program one table serves all of it; a dot's volume answers to
# compliance with a power of about 1/n + 1, so that 0.1 % here is about 0.4 % there.
SAME_COMPLIANCE = 0.001

# Above this change, what is pressed on the way down and drawn on the way up changes with the paste that is used: the same
# sweep of a barrel that has become stiffer would take pressure past yield there. Measured where five sixths of a large
# barrel go into one program (39 %): every smallest dot of the second half let 1 % of itself out on the raised tip. At 11 %
# none does.
STIFFER = 0.2

# So much of what a strip may take may be dots that are thrown away at its end, besides; own choice.
OF_STRIP = 0.5

# Beads that agree within a nanolitre's thousandth and a tenth of a micrometre are one bead.
VOLUME_DIGITS = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class Cycles:
    """The plunger's part of a program. `visits` are in the order of the tour; `walks` likewise, None for dots.

    `thrown` are laid at the strip's end, where paste does no harm. `ends_ul` is what a bead lays at its two ends beyond
    what their length is due, 0 for dots. `bench` is what they were solved for; None: as trials are
    laid.
    """

    settling: Settling
    visits: tuple[DotCycle | BeadCycle, ...]
    walks: tuple[Walk | None, ...]
    ends_ul: tuple[float, ...]
    thrown: tuple[DotCycle, ...] = ()
    bench: PlungerBench | None = None

    @property
    def strip_ul(self) -> float:
        """What is laid on one strip [µL], with what is thrown away at its end."""
        return self.settling.cycle.volume_ul + sum(cycle.volume_ul for cycle in self.thrown)

    @property
    def peak_kpa(self) -> float:
        """Highest pressure planned [kPa]."""
        return max([self.settling.cycle.peak_kpa, *(cycle.peak_kpa for cycle in self.visits)])


def plan_cycles(
    layout: Layout,
    tour: Tour,
    profile: Profile,
    levels: PushLevels | None = None,
    thicker: Floats | None = None,
) -> Cycles:
    """Return the cycles of all visits [µL of real sweep], and the strip that comes first.

    `levels` are those that the order was made for; without them they are found here. `thicker` as in `cycles_of`.
    """
    return cycles_of(
        [(layout.deposits[visit.deposit], visit.backwards) for visit in tour.visits], profile, levels, thicker
    )


def cycles_of(
    laid: Sequence[tuple[Deposit, bool]],
    profile: Profile,
    levels: PushLevels | None = None,
    thicker: Floats | None = None,
) -> Cycles:
    """Return the cycles of deposits in the order they are laid, each with whether its path is laid backwards.

    `thicker` is how much thicker than the profile says each meets the paste [-, of ln K] (`plunger.structure`).
    """
    bench = bench_for([deposit.volume_ul for deposit, _ in laid], profile)
    levels = levels or levels_of([deposit for deposit, _ in laid], profile)
    wish = strip_wish(profile)
    deposits = [deposit for deposit, _ in laid]
    volumes = np.array([deposit.volume_ul for deposit in deposits])
    used = wish.most_ul + np.concatenate([[0.0], np.cumsum(volumes)])
    late = late_bench(bench, float(used[-1]))
    share = used[:-1] / used[-1] if late is not None else np.zeros_like(volumes)
    cycles: list[DotCycle | BeadCycle | None] = [None] * len(deposits)
    walks: list[Walk | None] = [None] * len(deposits)
    ends = [0.0] * len(deposits)

    at = np.array([i for i, deposit in enumerate(deposits) if is_dot(deposit)], dtype=int)
    shift = np.zeros_like(volumes) if thicker is None else thicker
    for index, dot in zip(
        at.tolist(), _dots(volumes[at], (share[at], shift[at]), levels.pushes, (bench, late)), strict=True
    ):
        cycles[index] = dot

    at = np.array([i for i, deposit in enumerate(deposits) if not is_dot(deposit)], dtype=int)
    # Lines of beads are long already; with a plunger word in each of them one more might not fit a controller's buffer,
    # and wait for room with the tip down.
    still = bench.held_still()
    paths = [
        # No faster than the common push feeds it.
        walk_lasting(
            walk_of(deposits[index], profile, backwards=laid[index][1]),
            float(volumes[index]) / levels.pushes.bead_ul_s,
        )
        for index in at.tolist()
    ]
    for index, bead, walk, end in zip(
        at.tolist(),
        *bead_cycles(volumes[at], paths, still, _others(share[at], shift[at], still, late)),
        strict=True,
    ):
        cycles[index], walks[index], ends[index] = bead, walk, end
    visits = tuple(cycle for cycle in cycles if cycle is not None)
    settling, away = _before(visits, bench, profile)
    return Cycles(
        settling=settling,
        visits=visits,
        thrown=away,
        walks=tuple(walks),
        ends_ul=tuple(ends),
        bench=bench,
    )


def _before(
    visits: Sequence[DotCycle | BeadCycle], bench: PlungerBench, profile: Profile
) -> tuple[Settling, tuple[DotCycle, ...]]:
    """The strip, and the dots like the first that are thrown away at its end."""
    wish, tolerance = strip_wish(profile), profile.verify.volume_tolerance
    first = visits[0] if visits else None
    # On the strip the tip does not come down for each. A bead forgets by itself, and is laid on no strip.
    like = structs.replace(first, press_ul=0.0, draw_ul=0.0) if isinstance(first, DotCycle) else None

    def strip_before(thrown: int) -> Settling:
        away = () if like is None else (like,) * thrown
        return short_strip((*away, *visits), bench, wish, tolerance=tolerance, thrown=thrown)

    strip = strip_before(0)
    if like is None:
        return strip, ()
    strip, thrown = thrown_away(
        visits,
        strip,
        strip_before,
        bench,
        within=OF_TOLERANCE * profile.verify.tolerance,
        most=int(OF_STRIP * wish.most_ul / like.volume_ul),
    )
    return strip, (like,) * thrown


def _others(
    used: Floats, shift: Floats, bench: PlungerBench, late: PlungerBench | None
) -> list[tuple[Floats, PlungerBench]]:
    """Benches besides `bench` that cycles are solved for, each with its share in every deposit."""
    found: list[tuple[Floats, PlungerBench]] = []
    if late is not None:
        found.append((used, replace(bench, store=late.store)))
    most = float(np.abs(shift).max(initial=0.0))
    if most > 0:
        found.append((shift / most, thicker_bench(bench, most)))
    return found


def thicker_bench(bench: PlungerBench, shift: float) -> PlungerBench:
    """Return the bench with paste that is thicker by `shift` [-, of ln K]."""
    consistency = bench.tip.consistency_kpa_sn * exp(shift)
    return replace(bench, tip=replace(bench.tip, consistency_kpa_sn=consistency))


def late_bench(bench: PlungerBench, used_ul: float) -> PlungerBench | None:
    """Return the bench with `used_ul` less paste, or None where that is no other bench."""
    store = bench.store
    left = max(store.paste_ul - used_ul, 0.0)
    change = (store.paste_ul - left) / store.bulk_modulus_kpa
    if change <= SAME_COMPLIANCE * store.linear_ul_kpa:
        return None
    return replace(bench, store=replace(store, paste_ul=left))


def _dots(
    volumes: Floats,
    shares: tuple[Floats, Floats],
    pushes: Pushes,
    benches: tuple[PlungerBench, PlungerBench | None],
) -> list[DotCycle]:
    """Cycles of dots; `shares` are how much of the paste is used before each, and how much thicker it is then."""
    if not volumes.size:
        return []
    bench, late = benches
    used, shift = shares
    push_ul = pushes.of(volumes)
    dots = dots_of(volumes, push_ul, bench)
    push, rate, peak, dwell = dots.push_ul, dots.push_ul_s, dots.peak_kpa, dots.dwell_s
    for share, other in _others(used, shift, bench, late):
        then = dots_of(volumes, push_ul, other)
        push = push + share * (then.push_ul - dots.push_ul)
        rate = rate + share * (then.push_ul_s - dots.push_ul_s)
        peak = peak + share * (then.peak_kpa - dots.peak_kpa)
        dwell = dwell + share * (then.dwell_s - dots.dwell_s)
    dwell = np.maximum(dwell, 0.0)
    press, draw = _upright(used, bench, late)
    rate_ul_s = bench.push_ul_s
    return [
        DotCycle(
            volume_ul=v,
            push_ul=a,
            push_ul_s=u,
            dwell_s=t,
            retract_ul=a - v,
            retract_ul_s=rate_ul_s,
            peak_kpa=p,
            press_ul=min(down, a),
            draw_ul=min(up, a - v),
        )
        for v, a, u, p, t, down, up in zip(
            *(column.tolist() for column in (volumes, push, rate, peak, dwell, press, draw)), strict=True
        )
    ]


def _upright(used: Floats, bench: PlungerBench, late: PlungerBench | None) -> tuple[Floats, Floats]:
    """Return what is pressed on the way down and drawn on the way up of each dot [µL]."""
    press, draw = np.full_like(used, bench.press_ul), np.full_like(used, bench.draw_ul)
    if late is not None:
        linear = bench.store.linear_ul_kpa
        if linear - late.store.linear_ul_kpa > STIFFER * linear:
            press += used * (late.press_ul - bench.press_ul)
            draw += used * (late.draw_ul - bench.draw_ul)
    return press, draw


def bead_cycles(
    volumes: Floats,
    walks: list[Walk],
    bench: PlungerBench,
    others: Sequence[tuple[Floats, PlungerBench]] = (),
) -> tuple[list[BeadCycle], list[Walk], list[float]]:
    """Return cycles, walks and what is laid standing at the ends [µL] of beads of `volumes` along `walks`.

    They are solved for `bench`, and for `others`, each of which has its share in every bead.
    """
    if not volumes.size:
        return [], [], []
    # Boards repeat themselves: each different bead is solved once.
    keys: dict[tuple[float, tuple[float, ...], float], int] = {}
    which = np.array(
        [
            keys.setdefault((round(volume, VOLUME_DIGITS), walk.legs_mm, walk.row_mm), len(keys))
            for volume, walk in zip(volumes.tolist(), walks, strict=True)
        ]
    )
    _, first = np.unique(which, return_index=True)
    kinds_ul, kind_walks = volumes[first], [walks[index] for index in first.tolist()]
    early, thens = _solved_on(kinds_ul, kind_walks, bench, [other for _, other in others])
    scale = volumes / kinds_ul[which]

    def column(name: str) -> Floats:
        start: Floats = getattr(early, name)[which]
        found = start.copy()
        for (share, _), then in zip(others, thens, strict=True):
            found += share * (getattr(then, name)[which] - start)
        return found

    feed = column("feed_ul") * scale
    prime = column("prime_ul")
    names = ("stand_in_ul", "stand_out_ul", "leak_in_ul", "leak_out_ul")
    parts = [
        dict(zip(names, row, strict=True))
        for row in zip(*((column(name) * scale).tolist() for name in names), strict=True)
    ]
    found = [early.walks[index] for index in which.tolist()]
    rate_ul_s, press_ul, draw_ul = bench.push_ul_s, bench.press_ul, bench.draw_ul
    cycles = [
        BeadCycle(
            volume_ul=v,
            prime_ul=p,
            prime_ul_s=rate_ul_s,
            feed_ul=f,
            travel_s=walk.time_s + walk.standing_s,
            retract_ul=p + f - v,
            retract_ul_s=rate_ul_s,
            peak_kpa=peak,
            press_ul=min(press_ul, p),
            draw_ul=min(draw_ul, p + f - v),
            **part,
        )
        for v, p, f, walk, peak, part in zip(
            volumes.tolist(),
            prime.tolist(),
            feed.tolist(),
            found,
            column("peak_kpa").tolist(),
            parts,
            strict=True,
        )
    ]
    return cycles, found, (column("ends_ul") * scale).tolist()


def _solved_on(
    kinds_ul: Floats, walks: list[Walk], bench: PlungerBench, others: Sequence[PlungerBench]
) -> tuple[Beads, list[Beads]]:
    """Beads solved for the bench and for others along the same walks."""
    early = solved_beads(kinds_ul, even_walks(kinds_ul, walks, bench), bench)
    thens: list[Beads] = []
    for other in others:
        then = solved_beads(kinds_ul, early.walks, other)
        if then.walks != early.walks:  # a stiffer barrel leaks less, so that the walk itself carries more
            early = solved_beads(kinds_ul, then.walks, bench)
        thens.append(then)
    return early, thens
