"""How far a dot is from the model, and how well it was read, to how much single dots scatter on this bench.

Every bench has its own scatter: a steady one 2 to 3 %, one with lumps in its paste or a seal that sticks 8 % and more.
Dots that scatter less tell more, against the priors as well, so the fit takes this number from the dots themselves.
"""

import numpy as np
from numpy.typing import NDArray

from pastewright.tune.fit.evidence import DOT_SPREAD, MODEL_SPREAD

Floats = NDArray[np.float64]

# What scatters may be, and how sure one may be of the usual one beforehand, in logarithms (from memory: within a factor
# of two, mostly). A sheet of 170 dots tells it to 5 %, so that this counts for short sheets only.
SCATTERS = np.geomspace(0.015, 0.2, 60)
USUAL_LOG_SD = 0.4

# Residuals beyond so many standard deviations are strangers, and count as just there.
STRANGER = 3.0


def scatter_of(off: Floats, read: Floats, *, free: float) -> float:
    """Return the scatter of single dots [-, of ln V], the most likely one of `SCATTERS`.

    `off` is ln(measured/model), `read` the reader's own error of ln V, `free` how many constants the dots have told: so
    many of them are no dots to judge by.
    """
    variance = SCATTERS[:, None] ** 2 + MODEL_SPREAD**2 + read * read
    squares = np.minimum(off * off / variance, STRANGER**2)
    whole = max(off.size - free, 1.0) / max(off.size, 1)
    # −2 ln L of what is left: each dot's ln σ² counts by its share of freedom.
    unlikely = squares.sum(axis=1) + whole * np.log(variance).sum(axis=1)
    unlikely += (np.log(SCATTERS / DOT_SPREAD) / USUAL_LOG_SD) ** 2
    return float(SCATTERS[int(np.argmin(unlikely))])
