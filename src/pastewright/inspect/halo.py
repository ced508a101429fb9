"""How the ground looks beside a deposit, by distance and direction: its shadow, its mirror image, light it throws back.

Under one light all deposits throw their shadows alike, as far as they are high and to one side. Learnt from all rows of
a photo, as a dome's own look is (see `dome`), a shadow is told from paste where their colours are the same.
"""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pastewright.inspect.dome import Whole, normal_log
from pastewright.inspect.flat import Flags, Floats32
from pastewright.inspect.search import SECTORS, TAMED

Floats = NDArray[np.float64]

RINGS_TO = np.array([0.3, 0.6, 1.0, 1.5, 2.2, 3.0])  # heights from the rim; a sun at 18° throws three
CELLS = len(RINGS_TO) * SECTORS
STEADY = (0.15, 0.06, 0.06)  # spread of lightness and colours that is always granted to a shadow [ln]
USUAL = float(np.log(0.5))  # of a place beside paste to look as such places do
LEAST_PX, LEAST_ROWS = 30, 3  # to say how a cell looks
UNTOLD = -50.0  # ln density of a cell that no row shows


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HaloLook:
    """Mean and spread of the features by cell, mask first, land after: (2·CELLS, 3); and which cells are known."""

    mean: Floats
    spread: Floats
    known: Flags

    def log_density(self, colour: Floats32, cell: Whole) -> Floats:
        """Return the ln density of ground beside paste at pixels of these colours; `cell` −1 is too far to say."""
        told = normal_log(colour, self.mean[cell], self.spread[cell], 2 * TAMED) + USUAL
        return np.where((cell >= 0) & self.known[cell], told, UNTOLD)


def halo_cells(beyond_mm: Floats, theta: Floats, height_mm: float, on_land: Flags) -> Whole:
    """Return the cell of places so far beyond a rim (below 0: within it, as just beside it); −1 beyond the last."""
    ring = np.searchsorted(RINGS_TO, beyond_mm / max(height_mm, 1e-3))
    sector = np.floor(theta / (2 * np.pi) * SECTORS).astype(np.int64) % SECTORS
    cell = ring * SECTORS + sector + np.where(on_land, CELLS, 0)
    return np.where(ring < len(RINGS_TO), cell, -1)


def halo_look(shown: Iterable[tuple[Floats32, Whole]]) -> HaloLook:
    """Learn from each row's pixels beside its paste, colours (n, 3) and cells (n)."""
    colours, cells, owners = [], [], []
    for number, (colour, cell) in enumerate(shown):
        kept = cell >= 0
        colours.append(colour[kept])
        cells.append(cell[kept])
        owners.append(np.full(int(kept.sum()), number))
    colour, cell, owner = (np.concatenate(one) for one in (colours, cells, owners))
    mean, spread = np.zeros((2 * CELLS, 3)), np.ones((2 * CELLS, 3))
    known = np.zeros(2 * CELLS, bool)
    order = np.argsort(cell, kind="stable")
    ends = np.searchsorted(cell[order], np.arange(2 * CELLS + 1))
    for k in range(2 * CELLS):
        part = order[ends[k] : ends[k + 1]]
        if len(part) < LEAST_PX or len(np.unique(owner[part])) < LEAST_ROWS:
            continue
        known[k] = True
        mean[k] = np.median(colour[part], axis=0)
        spread[k] = np.maximum(1.4826 * np.median(np.abs(colour[part] - mean[k]), axis=0), STEADY)
    return HaloLook(mean=mean, spread=spread, known=known)
