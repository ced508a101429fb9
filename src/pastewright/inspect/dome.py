"""How paste looks in one photo, by where on a dome a pixel lies, learnt from all rows; and what else pixels may show.

Under one light all domes are shaded alike: how light a place is depends on how far out it lies (ρ, 1 at the rim) and
on which side (θ, in the board's plane). That holds for dots and for beads, whose sections are alike. A bare land does
not show this shading, be its metal as light as paste; that is how the two are told apart where colour cannot.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from pastewright.inspect.flat import Flags, FlatBoard, Floats32
from pastewright.inspect.search import NORMAL, RINGS, SECTORS

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]

STEADY = (
    0.2,
    0.07,
    0.07,
)  # spread of lightness and colours that is always granted to paste [ln]: beads beside dots
UNUSUAL = float(np.log(0.15))  # of a pixel of paste to be shaded as no other is
BINS = (48, 32, 32)
LOWS, HIGHS = (
    (-4.0, -2.0, -2.0),
    (4.0, 2.0, 2.0),
)  # natural logarithms: a factor of 50 in light, of 7 in colour
VOLUME = float(np.prod([(h - low) / n for n, low, h in zip(BINS, LOWS, HIGHS, strict=True)]))
SMOOTH = (1.4, 1.0, 1.0)  # bins
FLOOR = 0.03  # density of anything at all, per cubic unit: what was never seen is improbable, not impossible
SHADES = (
    (0.0, 1.0),
    (-0.25, 0.1),
    (-0.5, 0.1),
    (-0.9, 0.1),
    (-1.3, 0.05),
)  # ln of light, and how much counts
LEAST_SPREAD = (0.1, 0.06, 0.06)  # of the mask's colour, always granted to it
IN_SHADE = 0.02  # how usual mask in some other shade is, where shadows beside paste are known
PRINTED = 5.0  # spreads off the mask's colour, beside lands: legend
MIXED_PX, MIXTURES = 3000, 0.5  # pixels drawn for a mixture; how usual edges are against their grounds
ONE_METAL, LEAST_HUE = 4.0, 0.2  # spreads off a metal's usual hue, and ln: what is farther is something else
LEAST_PX = 150  # to say what a ground looks like
UNKNOWN_LAND = 0.15  # density of a metal that was nowhere to be seen: as wide as metals are


def normal_log(colour: Floats32, mean: Floats, spread: Floats, tamed: float = np.inf) -> Floats:
    """Return the ln density of colours (..., 3) under a normal scatter; squares count no more than `tamed`."""
    off = np.minimum((((colour - mean) / spread) ** 2).sum(axis=-1), tamed)
    return np.asarray(-0.5 * off - np.log(spread).sum(axis=-1) - NORMAL)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DomeLook:
    """Mean and spread of the features by ring and sector (RINGS·SECTORS, 3), and over all paste (3)."""

    mean: Floats
    spread: Floats
    any_mean: Floats
    any_spread: Floats

    def any_log_density(self, colour: Floats32) -> Floats:
        """Return the ln density of paste that is not shaded as others are: under another neighbour, leaning, smeared."""
        return normal_log(colour, self.any_mean, self.any_spread) + UNUSUAL


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GroundLook:
    """Logarithms of densities over the colour's bins: of mask, of mask in full light, of legend with it, of bare land.

    `mask_px` and `land_px` are samples of their colours.
    """

    mask: Floats
    lit_mask: Floats
    print_too: Floats
    land: Floats
    land_known: bool
    mask_px: Floats32
    land_px: Floats32


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EdgeLook:
    """Logarithms of densities of pixels on an edge, which show paste and ground mixed: more than half ground (`low`),
    more than half paste (`high`), over mask and over land.

    Without it the edge would be put where a mixture looks more like the class that varies more, not halfway.
    """

    mask_low: Floats
    mask_high: Floats
    land_low: Floats
    land_high: Floats


def ring_and_sector(rho: Floats, theta: Floats) -> Whole:
    """Return the number of ring and sector for places of a dome."""
    ring = np.clip((rho * RINGS).astype(np.int64), 0, RINGS - 1)
    sector = np.floor(theta / (2 * np.pi) * SECTORS).astype(np.int64) % SECTORS
    return ring * SECTORS + sector


def dome_look(colours: Floats32, ring_sector: Whole) -> DomeLook:
    """Learn how domes look from pixels on them; medians, so that a fifth of the domes may be missing."""
    count = RINGS * SECTORS
    mean, spread = np.empty((count, 3)), np.empty((count, 3))
    usual = np.median(colours, axis=0) if len(colours) else np.zeros(3)
    usual_spread = 1.4826 * np.median(np.abs(colours - usual), axis=0) if len(colours) else np.ones(3)
    order = np.argsort(ring_sector, kind="stable")
    ends = np.searchsorted(ring_sector[order], np.arange(count + 1))
    for k in range(count):
        own = colours[order[ends[k] : ends[k + 1]]]
        if len(own) < 12:
            mean[k], spread[k] = usual, usual_spread
            continue
        mean[k] = np.median(own, axis=0)
        spread[k] = 1.4826 * np.median(np.abs(own - mean[k]), axis=0)
    # Neighbouring sectors differ little: smooth around each ring.
    grid = mean.reshape(RINGS, SECTORS, 3)
    grid = gaussian_filter(grid, (0.3, 0.7, 0), mode=("nearest", "wrap", "nearest"))
    return DomeLook(
        mean=grid.reshape(count, 3),
        spread=np.maximum(spread, STEADY),
        any_mean=np.asarray(usual, np.float64),
        any_spread=np.maximum(usual_spread, STEADY),
    )


def edge_look(rim: Floats32, ground: GroundLook) -> EdgeLook:
    """Return how mixtures look of rim pixels with mask and with land; linear light is mixed, as a lens does."""
    random = np.random.default_rng(3)
    nothing = np.full(int(np.prod(BINS)), np.log(FLOOR))

    def mixed(other: Floats32, shares: tuple[float, ...]) -> Floats:
        if len(other) < LEAST_PX or len(rim) < LEAST_PX:
            return nothing
        parts = []
        for share in shares:
            paste = light_of(rim[random.integers(0, len(rim), MIXED_PX)])
            parts.append(
                colour_of(
                    share * paste + (1 - share) * light_of(other[random.integers(0, len(other), MIXED_PX)])
                )
            )
        return np.log(MIXTURES * density(np.concatenate(parts)) + FLOOR)

    low, high = (0.15, 0.3, 0.45), (0.55, 0.7, 0.85)
    return EdgeLook(
        mask_low=mixed(ground.mask_px, low),
        mask_high=mixed(ground.mask_px, high),
        land_low=mixed(ground.land_px, low),
        land_high=mixed(ground.land_px, high),
    )


def light_of(colour: Floats32 | Floats) -> Floats:
    """Return linear light of red, green and blue over the mask's, from features."""
    green = colour[..., 0] - 0.3 * colour[..., 1] - 0.1 * colour[..., 2]
    return np.exp(
        np.stack([colour[..., 1] + green, green, colour[..., 2] + green], axis=-1).astype(np.float64)
    )


def colour_of(light: Floats) -> Floats32:
    """Return features from linear light of red, green and blue over the mask's."""
    red, green, blue = (np.log(light[..., k]) for k in range(3))
    return np.stack([0.3 * red + 0.6 * green + 0.1 * blue, red - green, blue - green], axis=-1).astype(
        np.float32
    )


def codes(colour: Floats32) -> Whole:
    """Return the number of each pixel's bin of colour."""
    code = np.zeros(colour.shape[:-1], np.int64)
    for axis, (count, low, high) in enumerate(zip(BINS, LOWS, HIGHS, strict=True)):
        place = np.clip(((colour[..., axis] - low) / (high - low) * count).astype(np.int64), 0, count - 1)
        code = code * count + place
    return code


def ground_look(flat: FlatBoard, bare: Flags) -> GroundLook:
    """Learn how mask and bare lands look; `bare` are the pixels of lands that surely carry no paste."""
    seen = flat.inside & ~flat.full
    mask, lit, printed = _mask(flat.on_mask[flat.mask & seen])
    land = _of_one_metal(flat.colour[bare & seen])
    known = len(land) >= LEAST_PX
    return GroundLook(
        mask=np.log(mask + FLOOR),
        lit_mask=np.log(np.maximum(lit, IN_SHADE * mask) + FLOOR),
        print_too=np.log(np.maximum(mask, printed) + FLOOR),
        land=np.log(density(land) + FLOOR) if known else np.full(int(np.prod(BINS)), np.log(UNKNOWN_LAND)),
        land_known=known,
        mask_px=flat.colour[flat.mask & seen][::7],
        land_px=land[::3],
    )


def _of_one_metal(land: Floats32) -> Floats32:
    """Return the pixels whose hue is a land's usual one; paste that lies where none is planned has another."""
    if len(land) < LEAST_PX:
        return land
    off = np.abs(land[:, 1:] - np.median(land[:, 1:], axis=0))
    return land[(off < np.maximum(ONE_METAL * 1.4826 * np.median(off, axis=0), LEAST_HUE)).all(axis=1)]


def density(colour: Floats32) -> Floats:
    """Return the smoothed density of colours over the bins."""
    counts = np.bincount(codes(colour).ravel(), minlength=int(np.prod(BINS))).astype(np.float64)
    smooth = gaussian_filter(counts.reshape(BINS), SMOOTH).ravel()
    return np.asarray(smooth / max(smooth.sum(), 1e-9) / VOLUME)


def mask_spread(mask_px: Floats32) -> Floats:
    """Return the spread of the mask's colours (3), from a sample of them."""
    if not len(mask_px):
        return np.array(LEAST_SPREAD)
    return np.maximum(1.4826 * np.median(np.abs(mask_px), axis=0), LEAST_SPREAD)


def _mask(colour: Floats32) -> tuple[Floats, Floats, Floats]:
    """Return densities of the mask in light and in shade, of that in light, and of the legend printed on it."""
    nothing = np.zeros(int(np.prod(BINS)))
    if len(colour) < LEAST_PX:
        return nothing + UNKNOWN_LAND, nothing + UNKNOWN_LAND, nothing
    spread = mask_spread(colour)
    printed = (np.abs(colour) > PRINTED * spread).any(axis=1)
    plain = colour[~printed] if (~printed).sum() >= LEAST_PX else colour
    found = nothing
    for shade, weight in SHADES:
        found = found + weight * density(plain + np.array([shade, 0, 0], np.float32))
    found = found / sum(weight for _, weight in SHADES)
    return found, density(plain), density(colour[printed]) if printed.sum() >= LEAST_PX else nothing
