"""How much of a retraction may be left for the lift: what comes out then is not laid where it should."""

from dataclasses import replace
from functools import lru_cache

import numpy as np

from pastewright.plunger.bench import PlungerBench
from pastewright.plunger.pressure import after_legs
from pastewright.plunger.ramp import ramp
from pastewright.plunger.storage import pressure_of_stored_kpa, stored_ul

# Of the smallest deposit so much may come out while the tip goes up as fast as the plunger draws; up to 2.3 times that where
# it goes more slowly (`motion.vertical`), still below the hundredth from which the read-back calls it stray. Own choice.
LIFT_SHARE = 0.0035

STEP = 0.95  # by which the pressure is lowered until it fits


@lru_cache(maxsize=32)
def with_gentle_draw(bench: PlungerBench, smallest_ul: float) -> PlungerBench:
    """Return the bench with `draw_yields` lowered until a lift lets out little beside `smallest_ul` [µL]."""
    while bench.draw_ul > 0 and lift_leak_ul(bench) > LIFT_SHARE * smallest_ul:
        bench = replace(bench, draw_yields=STEP * bench.draw_yields)
    return bench


def lift_leak_ul(bench: PlungerBench) -> float:
    """Return what comes out while `draw_ul` is drawn back as fast as the drive can [µL]."""
    start = np.array([bench.rest_ul + bench.draw_ul])
    way = ramp(bench.draw_ul, rate_ul_s=bench.push_ul_s, accel_ul_s2=bench.accel_ul_s2, backlash_ul=0.0)
    ended, _ = after_legs(pressure_of_stored_kpa(start, bench.store), way.back, bench)
    return float(start[0] - bench.draw_ul - stored_ul(ended, bench.store)[0])
