"""The benches that tuning is measured on: how they are drawn, and with which seeds. Fixed before the fit was changed.

Stiffness and consistency are off by up to 3 either way (evenly in their logarithms), air is 0 to 30 µL, the flow index
0.3 to 0.6, the gain within 5 %, the seal holds 0 to 10 N, paste that stands becomes up to 30 % stiffer. A paste's
consistency is told at 10 1/s, where viscometers of paste turn (common practice), so that the index turns about it.
"""

from math import exp, log

import numpy as np
from foreign_bench import Foreign, as_profiled

from pastewright.profile.model import Profile

SEEDS = tuple(range(1401, 1425))
SHEAR_1_S = 10.0


def drawn(profile: Profile, seed: int) -> Foreign:
    """The bench of one seed."""
    rng = np.random.default_rng(seed)

    def off(by: float) -> float:
        return exp(rng.uniform(-log(by), log(by)))

    plain = as_profiled(profile)
    stiff, thick = off(3.0), off(3.0)
    air, index = rng.uniform(0.0, 30.0), rng.uniform(0.3, 0.6)
    gain, seal = rng.uniform(-0.05, 0.05), rng.uniform(0.0, 10.0)
    return as_profiled(
        profile,
        frame_n_mm=plain.frame_n_mm * stiff,
        consistency=plain.consistency * thick * SHEAR_1_S ** (plain.index - index),
        air_ul=air,
        index=index,
        gain=plain.gain * (1 + gain),
        seal_n=seal,
        thixotropy=float(rng.choice([0.0, 0.1, 0.3])),
        yield_kpa=plain.yield_kpa * off(1.25),
        backlash_mm=plain.backlash_mm * off(1.25),
        dot_shape=plain.dot_shape * off(1.1),
        least_bores=1.0 * off(1.2),
        thinning=rng.uniform(-0.03, 0.03),
        start_share=rng.uniform(0.0, 1.0),
    )
