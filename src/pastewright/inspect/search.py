"""The search for a dome, compiled: trial shifts and widths of one row against its pixels (see `fit`)."""

import math

import numpy as np
from numpy.typing import NDArray

from pastewright.compiled import entry, inner

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]
RINGS, SECTORS = (
    6,
    12,
)  # of a dome's look, as in `dome`; here because what is compiled reads its own file only
TAMED = 18.0  # squared spreads: a pixel farther off (dust, a glint) is hardly likelier than that
NORMAL = 2.757  # 3/2·ln 2π
RIM = 0.75  # of a dome's radius, from where on pixels may show its edge


@inner
def from_line(x: float, y: float, line: Floats) -> tuple[float, float, float]:
    """Return the distance of a place from a line of points (n, 2), and the way from its foot to the place."""
    best, best_x, best_y = math.inf, 0.0, 0.0
    for k in range(max(len(line) - 1, 1)):
        end = min(k + 1, len(line) - 1)
        way_x, way_y = line[end, 0] - line[k, 0], line[end, 1] - line[k, 1]
        length = max(way_x * way_x + way_y * way_y, 1e-12)
        t = min(max(((x - line[k, 0]) * way_x + (y - line[k, 1]) * way_y) / length, 0.0), 1.0)
        off_x, off_y = x - line[k, 0] - t * way_x, y - line[k, 1] - t * way_y
        away = math.hypot(off_x, off_y)
        if away < best:
            best, best_x, best_y = away, off_x, off_y
    return best, best_x, best_y


def searched(
    pixels: tuple[Floats, Floats32, Floats, Floats, Floats, Floats],
    line: Floats,
    half_mm: float,
    shifts: Floats,
    widths: Floats,
    look: tuple[Floats, Floats, Floats],
) -> tuple[Floats, Floats, Floats]:
    """Return over trial shifts and widths (m, w): weighted evidence, evidence, and pixels within.

    `pixels` are places (n, 2) [mm], colours (n, 3), ln densities without paste and of an edge that is more than half paste,
    weights, and ln densities of paste shaded as no other is (n); `look` are the dome's mean and spread (RINGS·SECTORS, 3)
    and Σ ln spread (RINGS·SECTORS).
    """
    weighed, plain, within = (np.zeros((len(shifts), len(widths))) for _ in range(3))
    _search(pixels, line, half_mm, shifts, widths, look, (weighed, plain, within))
    return weighed, plain, within


@entry
def _search(
    pixels: tuple[Floats, Floats32, Floats, Floats, Floats, Floats],
    line: Floats,
    half_mm: float,
    shifts: Floats,
    widths: Floats,
    look: tuple[Floats, Floats, Floats],
    found: tuple[Floats, Floats, Floats],
) -> None:
    """Add up what `searched` returns, in `found`."""
    places, colour, other, rim, weight, unusual = pixels
    mean, spread, log_spread = look
    weighed, plain, within = found
    for m in range(len(shifts)):
        for n in range(len(places)):
            away, off_x, off_y = from_line(places[n, 0] - shifts[m, 0], places[n, 1] - shifts[m, 1], line)
            if away >= half_mm * widths[-1]:
                continue
            sector = math.floor(math.atan2(off_y, off_x) / (2 * math.pi) * SECTORS) % SECTORS
            for w in range(len(widths)):
                rho = away / (half_mm * widths[w])
                if rho >= 1:
                    continue
                k = min(int(rho * RINGS), RINGS - 1) * SECTORS + sector
                off = 0.0
                for c in range(3):
                    one = (colour[n, c] - mean[k, c]) / spread[k, c]
                    off += one * one
                if off > TAMED:
                    off = TAMED + math.log1p(off - TAMED)
                paste = max(-0.5 * off - log_spread[k] - NORMAL, unusual[n])
                if rho > RIM:
                    paste = max(paste, rim[n])
                gain = paste - other[n]
                weighed[m, w] += gain * weight[n]
                plain[m, w] += gain
                within[m, w] += 1
