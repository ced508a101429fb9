"""What a sheet will tell of a bench, and what a board makes of it: the two sides that a design weighs.

    information   of a sheet's dots on the constants, Fisher's: Σ (∂ ln V/∂x)·(∂ ln V/∂x)ᵀ/σ²
    stakes        how the logarithms of a board's volumes answer to the constants
    rivals        other benches that explain an earlier trial as well: how far apart the sheet sets them

The board in mind has dots of all the sheet's sizes, planned and ordered as boards are: one push, largest first. Or it is
one that was planned: its own deposits in its own order, planned for the bench that is thought of.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import erfc, sqrt

import numpy as np
from numpy.typing import NDArray

from pastewright.deposit.model import Deposit
from pastewright.deposit.shape import dot_volume_ul
from pastewright.motion.cycles import cycles_of
from pastewright.motion.levels import levels_of
from pastewright.plunger.answer import answers_of
from pastewright.plunger.answer import turns_of as strokes_in_turn
from pastewright.plunger.bench import bench_of
from pastewright.plunger.chain import NAMES, chained
from pastewright.plunger.model import DotCycle
from pastewright.plunger.settle import strip_of
from pastewright.plunger.structure import hopped
from pastewright.profile.model import Profile
from pastewright.profile.tuned import paste_key, tip_key
from pastewright.tune.fit.constants import AT, CONSTANTS, OWN, SHARED, Z95, Floats, as_seen, constants_of
from pastewright.tune.fit.evidence import DOT_SPREAD, MODEL_SPREAD
from pastewright.tune.fit.model import Forward, score_of, setting_of
from pastewright.tune.fit.spread import known_spread
from pastewright.tune.fit.strokes import turns_of
from pastewright.tune.sheet.program import DotToLay, dot_deposit, sheet_motions

Ints = NDArray[np.int64]

# A dot counts in the choice of order with this spread, about that of its volume through a phone's photo [-, of ln V].
SEEN_SPREAD = (DOT_SPREAD**2 + MODEL_SPREAD**2 + 0.03**2) ** 0.5

# Dots of each size on the board in mind, how far apart, and how many a row; nothing hangs on these.
REPEATS = 4
APART_MM = 4.0
A_ROW = 6

# A dot that a rival bench does not lay tells as much as one of a twentieth; and no dot alone settles the matter, since
# single dots have other reasons to be off.
MISSING = 20.0
MOST_APART = 4.0

# Of a large board so many deposits are thought of, spread evenly over the order of laying: it repeats itself.
MOST_DEPOSITS = 96


@dataclass(frozen=True, slots=True)
class BoardInMind:
    """The board's forward model, and the size of each deposit by its number among the doses, in the order of laying."""

    forward: Forward
    doses_ul: tuple[float, ...]
    size: Ints

    def stakes(self, seen: Floats) -> Floats:
        """Return how ln V answers to the constants, dots × constants, at a vector of the fit."""
        flowed, by_out, _ = self.forward.slopes(seen, range(len(CONSTANTS)))
        rows: Floats = by_out[1:] / np.maximum(flowed.out_ul[1:], self.least_ul)
        # A board has its own start and its own warming.
        rows[:, OWN] = 0.0
        return rows

    @property
    def least_ul(self) -> float:
        """Less than this is as good as nothing [µL]; keeps logarithms finite."""
        return 0.02 * min(self.doses_ul)


def board_in_mind(profile: Profile, doses_ul: Sequence[float]) -> BoardInMind:
    """Return a board with dots of these doses [µL], planned for the bench as the profile has it."""
    sizes = [size for size in range(len(doses_ul)) for _ in range(REPEATS)]
    places = [(APART_MM * (1 + at % A_ROW), APART_MM * (1 + at // A_ROW)) for at in range(len(sizes))]
    deposits: list[Deposit] = [
        dot_deposit(at, places[at], doses_ul[size], profile) for at, size in enumerate(sizes)
    ]
    levels = levels_of(deposits, profile)
    # Within a class boards go the shortest way, which is as good as chance.
    chance = np.random.default_rng(0).permutation(len(sizes))
    order = sorted(range(len(sizes)), key=lambda at: (levels.classes[at], int(chance[at])))
    cycles = cycles_of([(deposits[at], False) for at in order], profile, levels).visits
    dots = [
        DotToLay(place_mm=place, cycle=cycle)
        for place, cycle in zip(places, cycles, strict=True)
        if isinstance(cycle, DotCycle)
    ]
    motions, _ = sheet_motions(dots, profile, strip=strip_of(profile))
    return BoardInMind(
        Forward(score_of(turns_of(motions, profile)), setting_of(profile)),
        tuple(doses_ul),
        np.array([sizes[at] for at in order]),
    )


def planned_stakes(profile: Profile, laid: Sequence[Deposit]) -> Floats:
    """Return how ln V of a board's deposits, in the order they are laid, answers to the constants of the fit, by the chain
    that tells plans their tolerance; planned for the bench as the profile has it.
    """
    some = np.unique(np.linspace(0, len(laid) - 1, MOST_DEPOSITS).round().astype(int)).tolist()
    deposits = [laid[at] for at in some]
    cycles = cycles_of([(one, False) for one in deposits], profile, levels_of(deposits, profile))
    bench = bench_of(profile)
    turns = strokes_in_turn([cycles.settling.cycle, *cycles.thrown, *cycles.visits], bench)
    first = 1 + len(cycles.thrown)
    chain = chained(answers_of(turns, bench), turns.volume_ul, hopped(turns.volume_ul, profile)).by_constant[
        first:
    ]
    stakes: Floats = np.zeros((len(deposits), len(CONSTANTS)))
    for at, name in enumerate(NAMES):
        if name in AT:
            stakes[:, AT[name]] = chain[:, at]
    return stakes


def dots_among(forward: Forward) -> NDArray[np.bool_]:
    """Which turns after the strip lay a dot: those that push once and draw back once."""
    strokes = [sum(stroke.delta_mm != 0 for stroke in turn.strokes) for turn in forward.score.turns[1:]]
    return np.asarray(np.array(strokes) == 2)


def information(forward: Forward, seen: Floats, profile: Profile) -> tuple[Floats, float]:
    """Return what the dots of a sheet tell of the constants, constants × constants, and the largest dot [µL]."""
    rows, _, largest_ul = told_rows(forward, seen, profile)
    return rows.T @ rows, largest_ul


def told_rows(forward: Forward, seen: Floats, profile: Profile) -> tuple[Floats, Ints, float]:
    """Return what each dot that is seen tells, dots × constants, its turn after the strip, and the largest dot [µL]."""
    flowed, by_out, _ = forward.slopes(seen, range(len(CONSTANTS)), one_sided=True)
    out = flowed.out_ul[1:]
    shape = profile.tuning.dot_shape_ratio
    least = dot_volume_ul(profile.tuning.smallest_dot_bores * profile.tip.bore_mm, shape)
    dots = dots_among(forward)
    seen_well = dots & (out[:, 0] > least)
    rows = by_out[1:][seen_well] / out[seen_well] / SEEN_SPREAD
    # The volume that a photo tells moves with the shape ratio: ln V = ln(s·(3/4 + s²)) + 3·ln d + …
    rows[:, AT["dot_shape_ratio"]] -= (1 + 2 * shape**2 / (0.75 + shape**2)) / SEEN_SPREAD
    return rows, np.flatnonzero(seen_well), float(out[dots, 0].max())


def known_before(profile: Profile) -> Floats:
    """Return the covariance of the constants before the sheet: the priors of the fit, or what earlier trials left."""
    covariance = np.zeros((len(CONSTANTS), len(CONSTANTS)))
    np.fill_diagonal(covariance, [constant.sd**2 for constant in CONSTANTS])
    if profile.tuning.dated:
        known = known_spread(profile)
        told = [name for name in known.names if name in known.tuned and AT[name] in SHARED]
        at = [AT[name] for name in told]
        covariance[np.ix_(at, at)] = known.over(told).covariance
    return covariance


def after_sheet(before: Floats, told: Floats) -> Floats:
    """Return the covariance of the shared constants, in the order of `SHARED`, when a sheet has told `told` to who
    knew `before` of them; what is the sheet's own is not known of the next one.
    """
    whole = _weights(before) + told
    found: Floats = np.asarray(np.linalg.inv(whole), dtype=np.float64)[np.ix_(SHARED, SHARED)]
    return found


def _weights(before: Floats) -> Floats:
    """The inverse covariance of all constants [constants²] where that of the shared ones is `before`."""
    whole = np.zeros((len(CONSTANTS), len(CONSTANTS)))
    np.fill_diagonal(whole, [constant.sd**-2 for constant in CONSTANTS])
    whole[np.ix_(SHARED, SHARED)] = np.linalg.inv(before + 1e-12 * np.eye(len(SHARED)))
    return whole


def expected_error(stakes: Floats, covariance: Floats) -> float:
    """Error [-, of ln V] of a board's dots, rms over them: √(G·Σ·Gᵀ); `covariance` is of the shared constants."""
    board = stakes[:, SHARED]
    return float(np.sqrt(np.mean(np.einsum("ij,jk,ik->i", board, covariance, board))))


def within_95(stakes: Floats, covariance: Floats) -> float:
    """Return what 95 of 100 deposits of a board are within [-], at 95 %; `covariance` is of the shared constants."""
    board = stakes[:, SHARED]
    variance = np.einsum("ij,jk,ik->i", board, covariance, board)
    return float(Z95 * np.sqrt(np.percentile(np.maximum(variance, 0.0), 95)))


def where_it_matters(stakes: Floats, covariance: Floats, count: int) -> list[Floats]:
    """Return steps of one standard deviation along which a board would be most off, `count` of them: vectors of the
    fit with the sheet's own constants at zero.
    """
    values, axes = np.linalg.eigh(covariance)
    root = axes * np.sqrt(np.maximum(values, 0.0))
    _, _, ways = np.linalg.svd(stakes[:, SHARED] @ root, full_matrices=False)
    steps = []
    for way in ways[:count]:
        step = np.zeros(len(CONSTANTS))
        step[list(SHARED)] = root @ way
        steps.append(step)
    return steps


@dataclass(frozen=True, slots=True)
class Rival:
    """Another bench that explains an earlier trial's dots as well: its vector of the fit, its likelihood over the fitted
    one's, and how wrong a board would be that is planned for the fitted one and laid on this [-, of ln V, rms].
    """

    seen: Floats
    likelihood: float
    loss: float


@dataclass(frozen=True, slots=True)
class Known:
    """What is known of a bench before a sheet: the covariance of the shared constants about the fitted ones alone, and
    the rivals of these.
    """

    covariance: Floats
    rivals: tuple[tuple[Floats, float], ...]


def known_alone(profile: Profile) -> Known:
    """Return what is known before the sheet with other benches kept apart from the covariance that they widened."""
    whole = known_before(profile)[np.ix_(SHARED, SHARED)]
    record = next((one for one in reversed(profile.history) if one.use), None)
    if record is None or record.covariance is None or not record.other_benches:
        return Known(whole, ())
    if (record.paste, record.tip) != (paste_key(profile.paste), tip_key(profile.tip)):
        return Known(whole, ())
    here = as_seen(constants_of(profile))
    names = [name for name in record.covariance.names if name in known_spread(profile).tuned]
    at = [record.covariance.names.index(name) for name in names]
    place = [SHARED.index(AT[name]) for name in names]
    rivals = []
    for other in record.other_benches:
        away = np.zeros(len(SHARED))
        away[place] = np.array(other.away)[at]
        # Thickening's own times are no part of what spreads, and yet a rival's.
        seen = here.copy()
        for name, way in zip(record.covariance.names, other.away, strict=True):
            seen[AT[name]] += way
        whole = whole - other.likelihood * np.outer(away, away)
        rivals.append((seen, other.likelihood))
    lengths, axes = np.linalg.eigh(whole)
    floor = 1e-8  # rounding in the file may leave a little less than nothing
    return Known((axes * np.maximum(lengths, floor)) @ axes.T, tuple(rivals))


def apart(forward: Forward, here: Floats, rival: Floats, before: Floats, profile: Profile) -> float:
    """Return how far apart a sheet sets two benches, in standard errors of its dots together: what is left of the
    differences of ln V when the first bench has come as near as what is known of it (`before`) lets it.
    """
    rows, turns, _ = told_rows(forward, here, profile)
    out = forward.run(np.vstack([here, rival])).out_ul[1:][turns]
    least = out[:, :1] / MISSING
    off = np.log(np.maximum(out[:, 1], least[:, 0]) / out[:, 0]) / SEEN_SPREAD
    off = np.clip(off, -MOST_APART, MOST_APART)
    towards = rows.T @ off
    left = float(off @ off - towards @ np.linalg.solve(_weights(before) + rows.T @ rows, towards))
    return float(np.sqrt(max(left, 0.0)))


def mistaken(sigmas: float) -> float:
    """Return how likely it is that a rival so far apart stays, one as likely as the fitted bench: 2·Φ(−d/2)."""
    return erfc(sigmas / (2 * sqrt(2)))
