"""Planned cycles on a bench that is not as planned: what each deposit then gets.

The cycles stay as they are; stiffness or flow of the bench is off by a share. Since every cycle sweeps its volume
net, what one deposit lacks stays in the barrel and comes out with later ones: errors show at the first deposits,
and where the size changes, and fade in between.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pastewright.plunger.bench import PlungerBench
from pastewright.plunger.cycle import dot_cycle
from pastewright.plunger.flow import driving_pressure_kpa
from pastewright.plunger.model import BeadCycle, DotCycle
from pastewright.plunger.pressure import Deviation, after_legs, still
from pastewright.plunger.ramp import Leg, ramp
from pastewright.plunger.settle import Settling
from pastewright.plunger.storage import stored_ul
from pastewright.plunger.walk import Walk, walk_legs

Floats = NDArray[np.float64]

# How far off the report looks.
OFF = 0.3


@dataclass(frozen=True, slots=True, kw_only=True)
class WhatIf:
    """One deviation: its name, its factors, and delivered over planned volume [-] for each cycle in turn."""

    name: str
    stiffness: float
    flow: float
    ratios: tuple[float, ...]


def usual_deviations(off: float = OFF) -> tuple[tuple[str, float, float], ...]:
    """Return (name, stiffness factor, flow factor) of the bench as planned and of four that are off."""
    percent = f"{off:.0%}"
    return (
        ("as planned", 1.0, 1.0),
        (f"{percent} softer", 1 - off, 1.0),
        (f"{percent} stiffer", 1 + off, 1.0),
        (f"{percent} less flow", 1.0, 1 - off),
        (f"{percent} more flow", 1.0, 1 + off),
    )


def telling_dots(smallest_ul: float, largest_ul: float, bench: PlungerBench) -> tuple[DotCycle, ...]:
    """Return cycles whose errors tell most: eight small dots, six large ones, eight small ones again."""
    small, large = dot_cycle(smallest_ul, bench), dot_cycle(largest_ul, bench)
    return (small,) * 8 + (large,) * 6 + (small,) * 8


def what_if(
    cycles: Sequence[DotCycle | BeadCycle],
    walks: Sequence[Walk | None],
    bench: PlungerBench,
    strip: Settling,
    *,
    deviations: Sequence[tuple[str, float, float]] | None = None,
) -> tuple[WhatIf, ...]:
    """Return what the cycles deliver on each deviating bench, after the settling strip was laid on that bench."""
    cases = usual_deviations() if deviations is None else deviations
    off = Deviation(np.array([case[1] for case in cases]), np.array([case[2] for case in cases]))
    # The strip is long enough for any bench near this one: it ends at the bench's own steady pressure.
    pressure = driving_pressure_kpa(strip.flow_ul_s / off.flow, bench.tip)
    pressure, _ = after_legs(pressure, _retract_legs(strip.cycle.retract_ul, bench), bench, off)
    ratios = np.empty((len(cycles), len(cases)))
    for row, (cycle, walk) in enumerate(zip(cycles, walks, strict=True)):
        before = stored_ul(pressure, bench.store) / off.stiffness
        pressure, _ = after_legs(pressure, _cycle_legs(cycle, walk, bench), bench, off)
        kept = stored_ul(pressure, bench.store) / off.stiffness - before
        ratios[row] = 1 - kept / cycle.volume_ul
    return tuple(
        WhatIf(name=name, stiffness=stiffness, flow=flow, ratios=tuple(ratios[:, lane].tolist()))
        for lane, (name, stiffness, flow) in enumerate(cases)
    )


def _cycle_legs(cycle: DotCycle | BeadCycle, walk: Walk | None, bench: PlungerBench) -> list[Leg]:
    if isinstance(cycle, DotCycle):
        push = _sweep_legs(cycle.push_ul, cycle.push_ul_s, bench)
        return [*push, still(cycle.dwell_s), *_retract_legs(cycle.retract_ul, bench)]
    if walk is None:
        raise ValueError("a bead's cycle needs its walk")
    prime = _sweep_legs(cycle.prime_ul, cycle.prime_ul_s, bench)
    return [*prime, *walk_legs(walk, cycle.feed_ul), *_retract_legs(cycle.retract_ul, bench)]


def _sweep_legs(volume_ul: ArrayLike, rate_ul_s: float, bench: PlungerBench) -> list[Leg]:
    way = ramp(volume_ul, rate_ul_s=rate_ul_s, accel_ul_s2=bench.accel_ul_s2, backlash_ul=bench.backlash_ul)
    return [still(way.lag_s), *way.legs]


def _retract_legs(volume_ul: float, bench: PlungerBench) -> list[Leg]:
    return [
        Leg(leg.time_s, -leg.start_ul_s, -leg.end_ul_s)
        for leg in _sweep_legs(volume_ul, bench.push_ul_s, bench)
    ]
