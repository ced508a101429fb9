"""A board's deposits and a bench to what each change of the bench would bring: tolerance, machine time, paste wasted.

Every change is planned in mind: the common push is chosen anew, deposits are laid by falling push after their strip, and
the chain of them says what 95 of 100 are within. Changes of what is known (a sheet, a weighing) leave the plan as it is
and make the spread of the constants smaller.
"""

import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import cache
from importlib.resources import files
from math import inf

import numpy as np
from numpy.typing import NDArray

from pastewright.deposit.model import Deposit
from pastewright.materials.tables import find_barrel, find_tip, tip_of
from pastewright.motion.cycles import cycles_of
from pastewright.motion.levels import levels_of
from pastewright.plunger.advise import Advice
from pastewright.plunger.answer import answers_of, turns_of
from pastewright.plunger.bench import bench_of
from pastewright.plunger.chain import NAMES, chained
from pastewright.plunger.structure import hopped
from pastewright.plunger.ways import HOP_IDLE_S
from pastewright.problems import InputError
from pastewright.profile.model import Profile
from pastewright.tolerance.predict import MOST, Z95, along_axes
from pastewright.tune.fit.constants import LEAST_BUBBLE_UL
from pastewright.tune.fit.spread import Spread, spread_of

Floats = NDArray[np.float64]

WEIGHED_GAIN = 0.007  # what the block of dots is made to tell on a kitchen-table scale (`tune.sheet.block`)
BLED_UL = 0.5  # what careful bleeding leaves, and how far that is in doubt (from memory)
NOTHING_TOLD = 1e3  # a standard deviation that tells nothing
STIFFER = 2.0  # a second bracket, a shorter mount: own choice

# Hardware is worth its trouble where it takes this share off what pads may be off; own choice.
WORTH = 0.8

SAME_BORE_MM = 0.01  # bores of the tables are given to this


class Means(StrEnum):
    """What a change changes."""

    NOTHING = "as it is"
    ORDER = "order"
    SHEET = "tuning sheet"
    SECOND_SHEET = "second sheet"
    WEIGHING = "weighing"
    BLEEDING = "bleeding"
    BARREL = "barrel"
    TIP = "tip"
    FRAME = "frame"
    GEAR = "gear"


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchChange:
    """One change: what 95 of 100 deposits are then within [-], the time of pushing and waiting [s], and the paste that
    goes onto the card [µL]; the bench as it would be, and what would be known of it.
    """

    means: Means
    to: str
    within: float
    seconds: float
    wasted_ul: float
    profile: Profile
    spread: Spread


def changes(deposits: Sequence[Deposit], profile: Profile, advice: Advice) -> tuple[BenchChange, ...]:
    """Return the bench as it is, and then what each change would bring, best tolerance first."""
    spread = spread_of(profile)
    here = _Mind(deposits, profile)
    now = here.change(Means.NOTHING, "the bench as it is", spread)
    found = [*_of_knowledge(here, profile, spread), *_of_hardware(deposits, profile, advice, spread)]
    return now, *sorted(found, key=lambda change: change.within)


def recommended_change(found: Sequence[BenchChange], *, limit: float) -> BenchChange:
    """Return the one change to make: none where the limit is held; the one of least trouble that holds it; else the one
    that comes nearest.
    """
    now, *others = [change for change in found if change.means is not Means.ORDER]
    if now.within <= limit:
        return now
    trouble = list(Means)
    enough = [change for change in others if change.within <= limit]
    if enough:
        return min(enough, key=lambda change: (trouble.index(change.means), change.seconds))
    best = min(others, key=lambda change: change.within, default=now)
    return best if best.within < WORTH * now.within else now


class _Mind:
    """Deposits laid in mind on one bench."""

    def __init__(self, deposits: Sequence[Deposit], profile: Profile) -> None:
        self.profile, self.deposits = profile, deposits
        levels = levels_of(deposits, profile)
        order = sorted(deposits, key=lambda deposit: (levels.classes[deposit.index], deposit.index))
        cycles = cycles_of([(deposit, False) for deposit in order], profile, levels)
        self.bench = bench_of(profile)
        self.turns = turns_of([cycles.settling.cycle, *cycles.thrown, *cycles.visits], self.bench)
        self.answers = answers_of(self.turns, self.bench)
        self.wasted_ul = cycles.strip_ul
        self.before = 1 + len(cycles.thrown)
        self.index = [deposit.index for deposit in order]

    def within(self, spread: Spread, *, by_place: bool = False) -> float:
        """Return what 95 of 100 deposits are within [-]; `by_place` lays them as the board lists them."""
        first = np.arange(self.before)
        at = np.arange(len(self.index) + self.before)
        if by_place:
            at = np.concatenate([first, self.before + np.argsort(self.index)])
        turns = self.turns.taken(at)
        structure = hopped(turns.volume_ul, self.profile)
        by_constant = chained(self.answers.taken(at), turns.volume_ul, structure).by_constant
        idle_s = np.full(len(structure), HOP_IDLE_S)
        along = along_axes(turns, self.bench, spread, by_constant, structure, idle_s=idle_s)[self.before :]
        rows: Floats = by_constant[self.before :][:, [NAMES.index(name) for name in spread.names]]
        variance = np.square(along).sum(axis=1) + spread.scatter**2
        reach = np.abs(rows @ spread.bias) + Z95 * np.sqrt(variance)
        return min(float(np.percentile(reach, 95)), MOST)

    def change(self, means: Means, to: str, spread: Spread, *, by_place: bool = False) -> BenchChange:
        """Return what this bench brings with a spread."""
        return BenchChange(
            means=means,
            to=to,
            within=self.within(spread, by_place=by_place),
            seconds=float(self.turns.seconds.sum()),
            wasted_ul=self.wasted_ul,
            profile=self.profile,
            spread=spread,
        )


def _of_knowledge(here: _Mind, profile: Profile, spread: Spread) -> Iterator[BenchChange]:
    sheet = sheet_spread(spread.names)
    once = informed(spread, sheet)
    if spread.tuned:
        yield here.change(Means.SECOND_SHEET, "a further tuning sheet", once)
    else:
        yield here.change(Means.SHEET, "a tuning sheet", once)
        yield here.change(Means.SECOND_SHEET, "two tuning sheets", informed(once, sheet))
    weighed = {"gain": WEIGHED_GAIN}
    yield here.change(Means.WEIGHING, "a weighed block", told(spread, weighed))
    yield here.change(Means.WEIGHING, "a tuning sheet and its weighed block", told(once, weighed))
    yield here.change(Means.ORDER, "the board's own order", spread, by_place=True)
    bled = replace(profile, tuning=replace(profile.tuning, bubble_ul=min(profile.tuning.bubble_ul, BLED_UL)))
    sure = told(spread, {"bubble_ul": BLED_UL / max(bled.tuning.bubble_ul, LEAST_BUBBLE_UL)})
    yield _Mind(here.deposits, bled).change(Means.BLEEDING, "a barrel that is bled", sure)


def _of_hardware(
    deposits: Sequence[Deposit], profile: Profile, advice: Advice, spread: Spread
) -> Iterator[BenchChange]:
    """Other hardware, on a bench that was never tuned with a sheet: without one its doubt hides what hardware brings."""
    if not spread.tuned:
        spread, also = informed(spread, sheet_spread(spread.names)), " and a tuning sheet"
    else:
        also = ""
    drive = profile.plunger
    stiffer = replace(drive, frame_stiffness_n_mm=STIFFER * drive.frame_stiffness_n_mm)
    others = [(Means.FRAME, f"a frame {STIFFER:g} times as stiff", replace(profile, plunger=stiffer))]
    fits = [row for row in advice.tips if row.suits and abs(row.bore_mm - profile.tip.bore_mm) > SAME_BORE_MM]
    for fit in sorted(fits, key=lambda row: abs(row.bore_mm - profile.tip.bore_mm))[:1]:
        tip = tip_of(find_tip(fit.gauge), length_mm=profile.tip.length_mm)
        others.append((Means.TIP, f"a {fit.gauge}G tip", replace(profile, tip=tip)))
    gears = [row for row in advice.gears if row.suits and row.gear > drive.gear]
    for gear in gears[:1]:
        times = gear.gear / drive.gear
        slower = replace(
            drive, gear=gear.gear, speed_mm_s=drive.speed_mm_s / times, accel_mm_s2=drive.accel_mm_s2 / times
        )
        others.append((Means.GEAR, f"a gear of {gear.gear:g}:1", replace(profile, plunger=slower)))
    found = (_planned(deposits, means, to + also, bench, spread) for means, to, bench in others)
    yield from (change for change in found if change is not None)
    for wider in (False, True):
        yield from _barrels(deposits, profile, advice, spread, also=also, wider=wider)


def _barrels(
    deposits: Sequence[Deposit], profile: Profile, advice: Advice, spread: Spread, *, also: str, wider: bool
) -> Iterator[BenchChange]:
    """Barrels of the table that are narrower, or wider, from the nearest on, as long as each holds more than the one before:
    what is stored goes with the bore's fourth power, and there is one best.
    """
    barrel = profile.barrel
    rows = [row for row in advice.barrels if row.suits and abs(row.bore_mm - barrel.bore_mm) > SAME_BORE_MM]
    rows = [row for row in rows if (row.bore_mm > barrel.bore_mm) is wider]
    before = inf
    for row in sorted(rows, key=lambda row: abs(row.bore_mm - barrel.bore_mm)):
        capacity = find_barrel(row.name).capacity_ul
        other = replace(barrel, name=row.name, bore_mm=row.bore_mm, capacity_ul=capacity, fill_ul=capacity)
        bench = replace(profile, barrel=other)
        change = _planned(deposits, Means.BARREL, f"the {row.name} barrel{also}", bench, spread)
        if change is None:
            continue
        yield change
        if change.within >= before:
            return
        before = change.within


def _planned(
    deposits: Sequence[Deposit], means: Means, to: str, bench: Profile, spread: Spread
) -> BenchChange | None:
    try:
        return _Mind(deposits, bench).change(means, to, spread)
    except (InputError, ValueError):
        return None  # a bench that cannot lay them at all is no advice


def informed(spread: Spread, other: Floats) -> Spread:
    """Return the spread after something independent told the same constants with a covariance of its own, n × n.

    (Σ⁻¹ + S⁻¹)⁻¹ = Σ − Σ·(Σ + S)⁻¹·Σ, which also takes constants that nobody doubts.
    """
    own = spread.covariance
    return replace(spread, covariance=own - own @ np.linalg.solve(own + other, own))


def told(spread: Spread, sds: Mapping[str, float]) -> Spread:
    """Return the spread after single constants were told with these standard deviations."""
    return informed(spread, np.diag([sds.get(name, NOTHING_TOLD) ** 2 for name in spread.names]))


@cache
def sheet_spread(names: tuple[str, ...]) -> Floats:
    """Return the covariance with which a tuning sheet tells these constants (`sheet.toml`)."""
    table = tomllib.loads(files("pastewright.tolerance").joinpath("sheet.toml").read_text(encoding="utf-8"))
    rows, own = table["covariance"], table["names"]
    whole = np.array([[rows[max(i, j)][min(i, j)] for j in range(len(own))] for i in range(len(own))])
    at = [own.index(name) for name in names]
    found: Floats = whole[np.ix_(at, at)]
    return found
