"""A journey, a bench and the spread of its constants to what each deposit and pad may be off: bias, and ± at 95 %.

    ln V = ln V₀ + G·(θ − θ₀)      bias = G·b      variance = G·Σ·Gᵀ + scatter²

G is of the whole chain (`plunger.chain`). A pad of several deposits has the mean of theirs; the scatter of single
deposits averages out over them, what the bench is off does not.

Straight lines tell too little of what is far off: the first deposits above all answer with curves. So the chain is played on
benches √3 standard deviations off either way along each principal axis of Σ (`plunger.played`), y₊ and y₋ of ln V,

    a = (y₊ − y₋)/2√3      b = (y₊ + y₋)/6      variance along the axis = a² + 2·b²

which is what a Gauss–Hermite rule of three points gives (Abramowitz and Stegun 25.4.46): right where y bends as a parabola.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import sqrt

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from pastewright.deposit.model import Deposit
from pastewright.motion.model import Motions
from pastewright.motion.turns import laid_by
from pastewright.plunger.answer import Turns, answers_of
from pastewright.plunger.bench import PlungerBench, bench_of
from pastewright.plunger.chain import NAMES, chained
from pastewright.plunger.played import played
from pastewright.plunger.structure import structures
from pastewright.profile.model import Profile
from pastewright.tune.fit.spread import Spread

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]

Z95 = 1.959964  # two-sided 95 % of the normal distribution

# Beyond this a straight line says no more than "anything": volumes answer to constants with powers of 2 and more.
MOST = 3.0

# How far along each axis benches are played, in standard deviations: the outer points of the rule.
REACH = sqrt(3)

# Along axes shorter than this, in logarithms, lines are straight: what bends goes with the square.
LEAST_PLAYED = 0.1

# The first ones bend most; each turn and bench takes 10 µs (measured), and those of a large board repeat themselves.
MOST_PLAYED = 600

SCATTER = "scatter"

Share = tuple[int, int, float]
"""What a pad has of a deposit: the pad's number, the deposit's index, the volume [µL]."""
SHARE = np.dtype([("pad", np.int64), ("deposit", np.int64), ("ul", np.float64)])

WORDS: Mapping[str, str] = {
    "frame_stiffness_n_mm": "stiffness of the frame",
    "backlash_mm": "backlash",
    "gain": "gain",
    "bubble_ul": "trapped air",
    "seal_friction_n": "friction of the seal",
    "consistency_kpa_sn": "consistency",
    "flow_index": "flow index",
    "yield_stress_kpa": "yield stress",
    "standing": "thickening when standing",
    SCATTER: "scatter of single dots",
}


class Expectations(Struct, frozen=True, kw_only=True):
    """What N deposits or pads may be off, as shares of their volumes: `bias` (N), and `within` (N) at 95 % about that, the
    scatter of single dots counted; `most` are the constants that do most of it, `share` (N) their parts of the variance.
    """

    bias: Floats
    within: Floats
    most: Sequence[str]
    share: Floats

    @property
    def reach(self) -> Floats:
        """How far off 95 of 100 such may be, the bias counted (N) [-]."""
        return np.abs(self.bias) + self.within


@dataclass(frozen=True)
class Predicted:
    """Derivatives of ln V of each deposit by the spread's constants, deposits × constants, in the order of `deposits`; and
    what it may be off along each axis of the spread, straight and bent, deposits × 2 axes (`along`).
    """

    deposits: tuple[int, ...]
    by_constant: Floats
    along: Floats
    spread: Spread
    bias: Floats

    def of_deposits(self) -> Expectations:
        """Return what each deposit may be off, in the order of `deposits`."""
        rows = np.arange(len(self.deposits))
        return self._of(rows, rows, np.ones(len(rows)))

    def of_pads(self, shares: Iterable[Share]) -> Expectations:
        """Return what pads may be off, numbered from 0, each of which has one share at least."""
        told = np.fromiter(shares, dtype=SHARE)
        pad, ul = told["pad"], told["ul"]
        place = np.zeros(max(self.deposits, default=0) + 1, dtype=np.int64)
        place[list(self.deposits)] = np.arange(len(self.deposits))
        return self._of(pad, place[told["deposit"]], ul / np.bincount(pad, ul)[pad])

    def _of(self, pad: Whole, row: Whole, weight: Floats) -> Expectations:
        """Return what pads may be off; `weight` is how much of pad `pad` comes from deposit `row`."""
        count = int(pad.max(initial=-1)) + 1

        def sums(columns: Floats) -> Floats:
            return np.column_stack([np.bincount(pad, weight * column[row], count) for column in columns.T])

        rows = sums(self.by_constant)
        bias = np.bincount(pad, weight * self.bias[row], count)
        scatter = np.bincount(pad, weight**2, count) * self.spread.scatter**2
        straight = rows * (rows @ self.spread.covariance)
        own, played = straight.sum(axis=1), np.square(sums(self.along)).sum(axis=1)
        # Which constant does it is told by the straight lines.
        parts = np.column_stack([straight * (played / np.maximum(own, 1e-30))[:, None], scatter])
        variance = np.maximum(parts.sum(axis=1), 1e-30)
        most = parts.argmax(axis=1)
        names = (*self.spread.names, SCATTER)
        return Expectations(
            bias=np.clip(bias, -MOST, MOST),
            within=np.minimum(Z95 * np.sqrt(variance), MOST),
            most=[names[number] for number in most.tolist()],
            share=np.minimum(parts.max(axis=1) / variance, 1.0),
        )

    def systematic(self) -> Floats:
        """Return the standard deviation of each deposit without the scatter of single dots [-]."""
        found: Floats = np.sqrt(np.square(self.along).sum(axis=1))
        return found


def predicted(motions: Motions, deposits: Sequence[Deposit], profile: Profile, spread: Spread) -> Predicted:
    """Return how every deposit of a journey answers to the constants, and how far they may be off."""
    laid = laid_by(motions, profile, {deposit.index: deposit.volume_ul for deposit in deposits})
    volumes = laid.turns.volume_ul
    structure = structures(laid.stood_s(profile.paste.flow_index), volumes, profile)
    bench = bench_of(profile)
    chain = chained(answers_of(laid.turns, bench), volumes, structure)
    at = np.array([row for row, deposit in enumerate(laid.deposits) if deposit is not None], dtype=np.int64)
    by_constant = chain.by_constant[at][:, [NAMES.index(name) for name in spread.names]]
    return Predicted(
        deposits=tuple(deposit for deposit in laid.deposits if deposit is not None),
        by_constant=by_constant,
        along=along_axes(laid.turns, bench, spread, chain.by_constant, structure, idle_s=laid.idle_s)[at],
        spread=spread,
        bias=by_constant @ spread.bias,
    )


def along_axes(
    turns: Turns,
    bench: PlungerBench,
    spread: Spread,
    by_constant: Floats,
    structure: Floats,
    *,
    idle_s: Floats,
) -> Floats:
    """Return what each turn's ln V may be off along each axis of the spread, turns × 2 axes: straight, then bent parts.

    `idle_s` is how long the plunger stood before each: benches that are far off ooze meanwhile.
    `by_constant`, turns × `chain.NAMES`, tells it where turns are too many to be played, and wherever it tells more.
    """
    lengths, axes = np.linalg.eigh(spread.covariance)
    lengths = np.sqrt(np.maximum(lengths, 0.0))
    steps = np.zeros((lengths.size, len(NAMES)))
    steps[:, [NAMES.index(name) for name in spread.names]] = (axes * lengths).T
    straight: Floats = by_constant @ steps.T
    bent = np.zeros_like(straight)
    far, few = np.flatnonzero(lengths > LEAST_PLAYED), np.arange(min(len(straight), MOST_PLAYED))
    if far.size:
        reach = REACH * steps[far]
        shifts = np.vstack([reach, -reach])
        up, down = np.split(played(turns.taken(few), bench, shifts, structure[few], idle_s=idle_s[few]), 2)
        own, line, at = ((up - down) / (2 * REACH)).T, straight[few][:, far], np.ix_(few, far)
        straight[at] = np.where(np.abs(own) > np.abs(line), own, line)
        bent[at] = sqrt(2) * ((up + down) / (2 * REACH**2)).T
    return np.hstack([straight, bent])
