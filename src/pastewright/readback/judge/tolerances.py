"""Whether the tolerance that a plan claims is so: the program itself, simulated on benches that are a little off.

The plan says what it took the spread of the bench's constants to be. Here the barrel is run once a constant, with that
constant a little larger; how far each deposit then differs, times the spread, is what it may be off. None of the
planner's derivatives is used.
"""

from collections.abc import Callable, Mapping
from dataclasses import replace
from math import exp

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from pastewright.profile.model import Profile
from pastewright.readback.judge.evidence import CaseFile, gather, paste_run
from pastewright.readback.machine.barrel import bench_of
from pastewright.readback.model import Expected
from pastewright.readback.text.interpret import interpret
from pastewright.records.plan import PlanRecord, SpreadRecord

Floats = NDArray[np.float64]

STEP = 0.02  # of a logarithm: beyond what steps of the simulation leave (0.05 % of a dose), below what bends
FRICTION_N = 0.2  # the same for the seal
Z95 = 1.96
MOST_PADS = 400  # the first ones; a large board repeats itself, and each constant costs a simulation

# A plan's claim may be so much better than what is simulated: two ways of taking derivatives, and the first deposits only.
MAY_DIFFER = 1.25
MAY_DIFFER_BY = 0.01


class JudgedTolerance(Struct, frozen=True, kw_only=True):
    """What 95 of 100 pads are within, as simulated, as the plan claims, and as the profile asks for [-]; `pads` were
    simulated, `beyond` of them are beyond the limit.
    """

    reached: float
    claimed: float
    limit: float
    pads: int
    beyond: int

    @property
    def honest(self) -> bool:
        """Whether the plan claims no more than what is simulated."""
        return self.reached <= MAY_DIFFER * self.claimed + MAY_DIFFER_BY

    @property
    def holds(self) -> bool:
        """Whether 95 of 100 pads are within what the profile asks for."""
        return self.reached <= self.limit


def judged_tolerance(
    text: str, plan: PlanRecord, expected: Expected, profile: Profile
) -> JudgedTolerance | None:
    """Return what the pads of a program may be off; None where the plan claims nothing, or nothing is laid."""
    spread = plan.spread
    if spread is None or expected.dry:
        return None
    reading = interpret(text, profile.controller, plunger_letter=profile.plunger.letter)
    seen = gather(reading, expected, profile, bench_of(profile))
    pads = [pad for pad in plan.pads if pad.deposits]
    pads = [pad for pad in pads if all(seen.ledger.laid[row.id] for row in pad.deposits)][:MOST_PADS]
    if not pads:
        return None
    slopes = _slopes(seen, profile, spread)
    covariance = _whole(spread)
    bias = np.array(spread.bias)
    reaches = []
    for pad in pads:
        weight = np.array([row.volume_ul for row in pad.deposits])
        weight /= weight.sum()
        row = weight @ slopes[[row.id for row in pad.deposits]]
        variance = row @ covariance @ row + np.sum(weight**2) * spread.scatter**2
        reaches.append(abs(float(row @ bias)) + Z95 * float(np.sqrt(max(variance, 0.0))))
    limit = profile.verify.tolerance
    return JudgedTolerance(
        reached=float(np.percentile(reaches, 95)),
        claimed=spread.reached,
        limit=limit,
        pads=len(pads),
        beyond=sum(reach > limit for reach in reaches),
    )


def _slopes(seen: CaseFile, profile: Profile, spread: SpreadRecord) -> Floats:
    """Derivatives of ln V of every deposit by the spread's constants, deposits × constants; 0 of what is not simulated."""
    was = _volumes(seen, seen.paste.out_ul)
    variances = [row[-1] for row in spread.covariance]
    slopes = np.zeros((was.size, len(spread.names)))
    for at, (name, variance) in enumerate(zip(spread.names, variances, strict=True)):
        if name not in OFF or (variance == 0 and spread.bias[at] == 0):
            continue
        step = FRICTION_N if name == "seal_friction_n" else STEP
        there = bench_of(OFF[name](profile, step))
        now = _volumes(seen, paste_run(there, seen.moves, seen.expected).out_ul)
        slopes[:, at] = np.log(np.maximum(now, 1e-9) / np.maximum(was, 1e-9)) / step
    return slopes


def _volumes(seen: CaseFile, out_ul: Floats) -> Floats:
    """What each expected deposit gets [µL]."""
    sums = np.concatenate([[0.0], np.cumsum(np.where(seen.where.lift, 0.0, out_ul))])
    return np.array(
        [sum(sums[visit.last + 1] - sums[visit.first] for visit in visits) for visits in seen.ledger.laid]
    )


def _whole(spread: SpreadRecord) -> Floats:
    rows = spread.covariance
    count = len(rows)
    return np.array([[rows[max(i, j)][min(i, j)] for j in range(count)] for i in range(count)])


def _drive(name: str) -> Callable[[Profile, float], Profile]:
    def off(profile: Profile, step: float) -> Profile:
        value = getattr(profile.plunger, name) * exp(step)
        return replace(profile, plunger=replace(profile.plunger, **{name: value}))

    return off


def _paste(name: str) -> Callable[[Profile, float], Profile]:
    def off(profile: Profile, step: float) -> Profile:
        value = getattr(profile.paste, name) * exp(step)
        return replace(profile, paste=replace(profile.paste, **{name: value}))

    return off


def _tuning(name: str) -> Callable[[Profile, float], Profile]:
    def off(profile: Profile, step: float) -> Profile:
        value = getattr(profile.tuning, name) * exp(step)
        return replace(profile, tuning=replace(profile.tuning, **{name: value}))

    return off


def _seal(profile: Profile, step: float) -> Profile:
    value = profile.tuning.seal_friction_n + step
    return replace(profile, tuning=replace(profile.tuning, seal_friction_n=value))


# How the profile of a bench is made that is off in one constant; the thickening of standing paste is not simulated.
OFF: Mapping[str, Callable[[Profile, float], Profile]] = {
    "frame_stiffness_n_mm": _drive("frame_stiffness_n_mm"),
    "backlash_mm": _drive("backlash_mm"),
    "gain": _tuning("gain"),
    "bubble_ul": _tuning("bubble_ul"),
    "seal_friction_n": _seal,
    "consistency_kpa_sn": _paste("consistency_kpa_sn"),
    "flow_index": _paste("flow_index"),
    "yield_stress_kpa": _paste("yield_stress_kpa"),
}
