"""A fit to plain sentences: what is wrong with this bench, by how much, and what to change.

Each check looks at one thing and gives a verdict or nothing. A verdict that rests on a fitted constant is given only
where the constant is more than two standard deviations away from harmless.
"""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from math import exp, log

import numpy as np

from pastewright.deposit.shape import dot_volume_ul
from pastewright.materials.rules import smallest_bore_mm
from pastewright.plunger.bench import bench_of
from pastewright.plunger.cycle import dot_end_kpa, solved_dots
from pastewright.plunger.storage import ATMOSPHERE_KPA, stored_ul
from pastewright.profile.model import Profile
from pastewright.profile.off import bench_off
from pastewright.tune.fit.constants import AT, as_seen, with_constants
from pastewright.tune.fit.evidence import Evidence
from pastewright.tune.fit.fitted import Fitted
from pastewright.tune.record.measurements import GOOD_SD
from pastewright.tune.sheet.model import Role

# A bench drifts by so much between trials (a bubble that warms, a barrel refilled; from memory), …
DRIFT = 0.03
# … and a dose should not change by more than this for it.
DOSE_CHANGE = 0.15

# With more than this share of air in what gives way, bleeding helps more than a stiffer mount.
AIRY = 0.33

PAUSE_CHANGE = 0.05
LONG_PAUSE_S = 5.0
GAIN_CHANGE = 0.01
THINNING = 0.03
SCATTER = 0.08
STRANGE = 5.0  # standard errors
MOST_NAMED = 6
NOT_THERE = 0.15  # of the dots
FACTOR = 1.5
SURE = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class TuneVerdict:
    """One sentence. `number` is what it rests on, in the sentence's own unit; `grave` asks for a change."""

    name: str
    words: str
    number: float
    grave: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """What the checks look at: the fit, the profile before it, the sheets, and the smallest dose wanted [µL]."""

    fitted: Fitted
    before: Profile
    evidence: tuple[Evidence, ...]
    smallest_ul: float | None

    @property
    def after(self) -> Profile:
        """The profile with the fitted constants."""
        return with_constants(self.before, self.fitted.constants)


def verdicts(
    fitted: Fitted,
    profile: Profile,
    evidence: Sequence[Evidence],
    *,
    smallest_ul: float | None = None,
) -> tuple[TuneVerdict, ...]:
    """Return what is to be said of a fit, the gravest things first.

    `profile` is the one that the sheet was laid with, `smallest_ul` the smallest dose that is wanted.
    """
    case = Case(fitted=fitted, before=profile, evidence=tuple(evidence), smallest_ul=smallest_ul)
    found = [verdict for check in _CHECKS for verdict in check(case)]
    return tuple(sorted(found, key=lambda verdict: not verdict.grave))


def springy_under_ul(profile: Profile) -> tuple[float, float]:
    """Return the dose [µL] below which a drift of the springs changes a dot too much, and the share of trapped air
    in the barrel's compliance at the pressure of that dot [-]. The dose is 0 where none is too small.
    """
    bench = bench_of(profile)
    least = dot_volume_ul(
        profile.tuning.smallest_dot_bores * profile.tip.bore_mm, profile.tuning.dot_shape_ratio
    )
    doses = np.geomspace(least, 60 * least, 12)
    dots = solved_dots(doses, bench)
    store = bench.store
    drifted = bench_of(bench_off(profile, stiffness=1 + DRIFT))
    end = dot_end_kpa(
        np.full(doses.size, bench.rest_kpa),
        push_ul=dots.push_ul,
        push_ul_s=dots.push_ul_s,
        retract_ul=dots.retract_ul,
        bench=drifted,
    )
    laid = doses - (stored_ul(end, drifted.store) - stored_ul(bench.rest_kpa, drifted.store))
    bad = np.abs(laid / doses - 1) > DOSE_CHANGE
    worst = int(np.flatnonzero(bad)[-1]) if bad.any() else 0
    pressure = float(dots.peak_kpa[worst])
    air = store.bubble_ul * ATMOSPHERE_KPA / (ATMOSPHERE_KPA + pressure) ** 2
    return float(doses[worst]) if bad.any() else 0.0, air / (air + store.linear_ul_kpa)


def _too_springy(case: Case) -> Iterator[TuneVerdict]:
    dose, air = springy_under_ul(case.after)
    if dose <= 0:
        return
    cause, other = ("bleed it", "stiffen the mount") if air > AIRY else ("stiffen the mount", "bleed it")
    yield TuneVerdict(
        name="springy",
        words=f"barrel too springy for doses under {dose:.2g} µL: {cause} first, then {other}; trapped air is"
        f" {air:.0%} of what gives way, and a drift of {DRIFT:.0%} changes such a dot by more than {DOSE_CHANGE:.0%}",
        number=dose,
        grave=case.smallest_ul is None or case.smallest_ul < dose,
    )


def _after_pauses(case: Case) -> Iterator[TuneVerdict]:
    changes = []
    sure = False
    for number, one in enumerate(case.evidence):
        estimate = case.fitted.estimate("standing")
        sure |= abs(estimate.value) > SURE * estimate.sd
        seen = as_seen({**case.fitted.constants, **_own(case.fitted, number)})
        fresh = seen.copy()
        fresh[AT["standing"]] = 0.0
        with_it, without = one.drops_ul(seen), one.drops_ul(fresh)
        roles = {dot.index: dot.role for dot in one.sheet.dots}
        for place, turn in enumerate(one.turns[1:]):
            waited = roles.get(turn.index) is Role.PAUSE and turn.idle_s > LONG_PAUSE_S
            if waited and without[place] > one.nothing_ul and with_it[place] > 0:
                changes.append(log(with_it[place] / without[place]))
    if not changes or not sure:
        return
    change = exp(float(np.mean(changes))) - 1
    if abs(change) < PAUSE_CHANGE:
        return
    small = change < 0
    yield TuneVerdict(
        name="pause",
        words=f"first dots after a pause are {abs(change):.0%} {'small' if small else 'large'}: "
        + (
            "longer settle (strip_length_mm), or no long stops; the paste thickens as it stands"
            if small
            else "the tip oozes as it waits; rest at a lower pressure (rest_percent)"
        ),
        number=change,
    )


def _tip_too_wide(case: Case) -> Iterator[TuneVerdict]:
    after, estimate = case.after, case.fitted.estimate("smallest_dot_bores")
    least = dot_volume_ul(estimate.value * after.tip.bore_mm, after.tuning.dot_shape_ratio)
    if case.smallest_ul is None:
        if not estimate.held:
            yield TuneVerdict(
                name="smallest dot",
                words=f"the smallest dot that stays on the board is {estimate.value:.2f} bores wide, {least:.3g} µL",
                number=least,
                grave=False,
            )
        return
    if least <= case.smallest_ul:
        return
    bore = after.tip.bore_mm * (case.smallest_ul / least) ** (1 / 3)
    passes = smallest_bore_mm(after.paste.powder)
    mend = (
        f"a bore of {bore:.2f} mm or less would do"
        if bore >= passes
        else f"a bore of {bore:.2f} mm would do, but the powder needs {passes:.2f} mm: take a finer powder as well"
    )
    guess = "; no dot went missing, so this is a guess" if estimate.held else ""
    yield TuneVerdict(
        name="tip",
        words=f"the tip is too wide for your smallest pad: its smallest dot holds {least:.3g} µL, the pad wants"
        f" {case.smallest_ul:.3g} µL; {mend}{guess}",
        number=least / case.smallest_ul,
    )


def _steps_off(case: Case) -> Iterator[TuneVerdict]:
    estimate = case.fitted.estimate("gain")
    off = estimate.value / case.before.tuning.gain - 1
    if abs(off) > max(GAIN_CHANGE, SURE * estimate.sd) and not estimate.held:
        yield TuneVerdict(
            name="gain",
            words=f"plunger steps are off by {off:+.1%} (± {SURE * estimate.sd:.1%}): check screw, gear, microsteps and the"
            " barrel's bore; the gain makes up for it",
            number=off,
        )


def _got_thinner(case: Case) -> Iterator[TuneVerdict]:
    for number in range(len(case.evidence)):
        estimate = case.fitted.estimate("thinning", number)
        if abs(estimate.value) < THINNING or abs(estimate.value) < SURE * estimate.sd:
            continue
        share = 1 - exp(-estimate.value)
        way = "thinner" if share > 0 else "thicker"
        why = "warming?" if share > 0 else "cooling or drying?"
        yield TuneVerdict(
            name="thinning",
            words=f"material got {way} through the sheet: {abs(share):.0%} ({why})",
            number=share,
        )


def _scatter(case: Case) -> Iterator[TuneVerdict]:
    spread = case.fitted.spread
    if spread > SCATTER:
        yield TuneVerdict(
            name="scatter",
            words=f"dots scatter by {spread:.0%} about the model: look for air in the paste, a loose tip or a seal that"
            " sticks, and lay the sheet again",
            number=spread,
        )


def _strangers(case: Case) -> Iterator[TuneVerdict]:
    strange = [dot for dot in case.fitted.dots if abs(dot.pull) > STRANGE]
    if strange:
        names = ", ".join(str(dot.index) for dot in strange[:MOST_NAMED])
        more = f" and {len(strange) - MOST_NAMED} more" if len(strange) > MOST_NAMED else ""
        yield TuneVerdict(
            name="strangers",
            words=f"dots that nothing explains, and that hardly counted: {names}{more}; look at them on the sheet and in the"
            " overlay picture",
            number=float(len(strange)),
            grave=False,
        )


def _was_far_off(case: Case) -> Iterator[TuneVerdict]:
    for name in ("frame_stiffness_n_mm", "bubble_ul", "consistency_kpa_sn"):
        estimate = case.fitted.estimate(name)
        factor = estimate.value / estimate.prior
        if max(factor, 1 / factor) < FACTOR or estimate.held:
            continue
        yield TuneVerdict(
            name=f"far off {name}",
            words=f"{estimate.constant.words} is {factor:.2g} times what the profile says; after such a change lay a"
            " second sheet, it tells much more",
            number=factor,
            grave=False,
        )


def _not_there(case: Case) -> Iterator[TuneVerdict]:
    missing, measured = case.fitted.missing, case.fitted.measured
    if missing > NOT_THERE * (missing + measured):
        yield TuneVerdict(
            name="not there",
            words=f"{missing} of {missing + measured} dots did not come out: the profile was far off; lay a second sheet"
            " with the new one, which will lay them",
            number=float(missing),
        )


def _other_modes(case: Case) -> Iterator[TuneVerdict]:
    modes = case.fitted.modes
    if not modes:
        return
    stiff = sorted(
        constants["frame_stiffness_n_mm"]
        for constants in (case.fitted.constants, *(mode.constants for mode in modes))
    )
    told = ", ".join(f"{value:.3g}" for value in stiff)
    yield TuneVerdict(
        name="modes",
        words=f"{len(stiff)} different benches explain these dots alike (stiffness {told} N/mm); lay a second sheet before"
        " a board, or measure the stiffness (--stiffness)",
        number=float(len(stiff)),
    )


def _what_is_held(case: Case) -> Iterator[TuneVerdict]:
    held = [e.constant.words for e in case.fitted.estimates if e.held and e.sheet is None]
    if held:
        yield TuneVerdict(
            name="held",
            words="the dots cannot tell, so these stay near where they were: " + "; ".join(held),
            number=float(len(held)),
            grave=False,
        )


def _own(fitted: Fitted, sheet: int) -> dict[str, float]:
    return {e.constant.name: e.value for e in fitted.estimates if e.sheet == sheet}


def _rough_photo(case: Case) -> Iterator[TuneVerdict]:
    for number, one in enumerate(case.evidence):
        shared = one.photo_sd
        if shared <= GOOD_SD:
            continue
        which = f"sheet {number + 1} was" if len(case.evidence) > 1 else "the sheet was"
        yield TuneVerdict(
            name="rough photo",
            words=f"{which} read from a rough photo: all its diameters together may be {SURE * shared:.0%} off, so its dots"
            " tell volumes beside each other only, and how wide the photo shows them is fitted; for more, photograph it in"
            " flatter light and read both photos, or weigh its block",
            number=shared,
            grave=False,
        )


_CHECKS: tuple[Callable[[Case], Iterator[TuneVerdict]], ...] = (
    _too_springy,
    _after_pauses,
    _tip_too_wide,
    _steps_off,
    _got_thinner,
    _scatter,
    _strangers,
    _was_far_off,
    _not_there,
    _other_modes,
    _rough_photo,
    _what_is_held,
)
