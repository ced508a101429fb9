"""Structure of paste: what standing builds up and flowing breaks down, and how much thicker each deposit meets the paste.

    dλ/dt = (1 − λ)/T − λ·Q/V_b        ln K = ln K₀ + s·λ

(Moore, Trans. Br. Ceram. Soc. 58 (1959), from memory; Mewis and Wagner, Adv. Colloid Interface Sci. 147 (2009)). V_b is
the volume whose shear at the tip's wall, 4V/πR³, is the breaking strain. A deposit flows in far less time than T, so that
it begins with what the wait before it has built up, and breaks that down by what it lays.
"""

from math import pi

import numpy as np
from numpy.typing import NDArray

from pastewright.profile.model import Profile

Floats = NDArray[np.float64]

# Paste that no deposit meets more than this much thicker than planned is taken as it is: a volume answers with a power
# of about 1/n + 1 where pushes change, and hardly at all where deposits follow their like.
LEAST_THICKER = 0.004


HOP_S = 1.0  # between deposits, where no journey is planned yet: a short hop (common practice)


def breaking_ul(profile: Profile) -> float:
    """Return the volume that takes two thirds of the structure away [µL]."""
    return profile.tuning.breaking_strain * pi * profile.tip.radius_mm**3 / 4


def structures(idle_s: Floats, volume_ul: Floats, profile: Profile) -> Floats:
    """Return the mean structure [-, 0 to 1] that each deposit flows with, in the order they are laid, the first after a
    strip that has broken it down.

    `idle_s` is how long paste stood before each. The mean is over the deposit's volume: λ₀·(V_b/V)·(1 − exp(−V/V_b)).
    """
    broken = np.exp(-volume_ul / breaking_ul(profile))
    mean = (1 - broken) / np.maximum(volume_ul / breaking_ul(profile), 1e-12)
    stood = np.exp(-idle_s / profile.tuning.building_s)
    found = np.empty_like(volume_ul)
    now = 0.0
    for at, (kept, left) in enumerate(zip(stood.tolist(), broken.tolist(), strict=True)):
        now = 1 - (1 - now) * kept
        found[at] = now
        now *= left
    return found * mean


def hopped(volume_ul: Floats, profile: Profile) -> Floats:
    """Return the mean structure of deposits whose journey is not planned yet: a short hop before each."""
    return structures(np.full(volume_ul.size, HOP_S), volume_ul, profile)


def stood_between(idle_s: Floats, push_s: Floats, back_s: Floats, flow_index: float) -> Floats:
    """Return how long paste stands between two flows [s]: the way there, the push into it and the retraction before.

    In a push the pressure rises about evenly and the flow with its power 1/n, so that half of what comes then comes
    about in the last 1/(1/n + 2) of the time; a retraction mirrors a push.
    """
    still = (1 / flow_index + 1) / (1 / flow_index + 2)
    found: Floats = idle_s + still * (push_s + back_s)
    return found


def thicker(idle_s: Floats, volume_ul: Floats, profile: Profile) -> Floats:
    """Return how much thicker than planned each deposit meets the paste [-, of ln K]."""
    shift: Floats = profile.tuning.standing * structures(idle_s, volume_ul, profile)
    return shift
