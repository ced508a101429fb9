"""Whether more lies between two pastes than their blurred rims: what unjoined ones would look like is reckoned.

Between rims a few pixels apart the mask never shows as it is, since the blur of both lies over it. How much of it shows
follows from the outlines and from the photo's own edge:

    sharp      lands and pastes in their own light, up to their outlines; mask in its light between them
    unjoined   the same, blurred by the photo's edge
    share      of the way from the mask's light to the paste's, at the weakest place of the best way across the gap

Where the share seen is more than unjoined rims would make it, something leads across. Light is linear, as a lens mixes it.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from pastewright.inspect.dome import colour_of, light_of
from pastewright.inspect.flat import Flags, FlatBoard
from pastewright.inspect.picture import drawn

Floats = NDArray[np.float64]

AROUND_MM = 0.5  # beside the pair, as far as others' rims and lands are drawn
# Light within an outline is that around, clear of the rim: near, and where nothing is near, from farther off.
FILLED_PX = ((1.5, 1.0), (9.0, 1e-3))
PARTS = (
    4  # of a pixel's side, in which outlines are drawn: half a pixel on either side of a narrow gap is much
)
LEAST_CONTRAST = 2.0  # spreads of the mask's colour that paste must differ by, for its share to be told
LOWEST, HIGHEST, HALVINGS = -0.2, 1.2, 7  # shares between which the best way's is looked for


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Gap:
    """What lies between two pastes: a window of the flat photo (rows, columns), its light over the mask's (…, 3), the
    outlines of all lands and pastes near, where each of the two surely is, from where to where a way leads (each one's own
    land is part of it), and where it may go.
    """

    low_mm: Floats
    scale: float
    light: Floats
    lands: tuple[BaseGeometry, ...]
    pastes: tuple[BaseGeometry, ...]
    cores: tuple[Flags, Flags]
    ends: tuple[Flags, Flags]
    within: Flags


def gap_between(
    flat: FlatBoard,
    shapes: tuple[Polygon, Polygon],
    cores: tuple[BaseGeometry, BaseGeometry],
    own: tuple[BaseGeometry, BaseGeometry],
    lands: Sequence[BaseGeometry],
    pastes: Sequence[BaseGeometry],
) -> Gap:
    """Return the gap between two outlines: `cores` are where each one's paste surely is, `own` each one's land, `lands` and
    `pastes` all that are near, the two among them [all mm, board].
    """
    hull = shapes[0].union(shapes[1]).convex_hull
    window = flat.window(hull.bounds, AROUND_MM)
    lines, columns = flat.land[window].shape
    low = flat.low_of(window)

    def mask(area: BaseGeometry) -> Flags:
        return np.asarray(drawn([area], low, flat.scale, (columns, lines)) > 0, bool)

    first, second = (mask(core) for core in cores)
    return Gap(
        low_mm=low,
        scale=flat.scale,
        light=light_of(flat.on_mask[window]),
        lands=tuple(lands),
        pastes=tuple(pastes),
        cores=(first, second),
        ends=(first | mask(own[0]), second | mask(own[1])),
        within=mask(hull.buffer(1 / flat.scale)) & flat.inside[window],
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Shares:
    """The share of paste's light at the weakest place of the best way: as seen, and as unjoined rims would make it."""

    seen: float
    unjoined: float

    @property
    def more(self) -> float:
        """How much more paste is seen than unjoined rims would show; with paste all along what they leave of the mask."""
        return self.seen - self.unjoined


def shares(gap: Gap, spread: Floats, blur_px: float, inward_px: float) -> Shares | None:
    """Return the shares of paste's light in a gap, None where paste looks like mask.

    `spread` (3) is that of the mask's colours, `blur_px` the photo's edge as one standard deviation, `inward_px` by how
    much nearer to their middles than they were read outlines are taken to be.
    """
    if not all(core.any() for core in gap.cores):
        return None
    paste = np.mean([np.median(gap.light[core], axis=0) for core in gap.cores], axis=0)
    if np.linalg.norm(colour_of(paste) / spread) < LEAST_CONTRAST:
        return None
    return Shares(
        seen=_best(_share(gap.light, paste), gap),
        unjoined=_best(_share(_unjoined(gap, blur_px, inward_px), paste), gap),
    )


def _share(light: Floats, paste: Floats) -> Floats:
    """Return how far light (…, 3) over the mask's is from it towards the paste's; each colour counts by what it can tell,
    noise being larger the more light.
    """
    step = paste - 1.0
    weight = step / (paste + 1.0)
    return np.asarray((light - 1.0) @ weight / (step @ weight), np.float64)


def _unjoined(gap: Gap, blur_px: float, inward_px: float) -> Floats:
    """Return the light of a window in which lands and pastes stand up to their outlines, blurred by the photo's edge."""
    lines, columns = gap.within.shape
    inner = [one.buffer(-inward_px / gap.scale) for one in gap.pastes]
    first = gap.low_mm - (1 - 1 / PARTS) / 2 / gap.scale
    fine = drawn([*gap.lands, *inner], first, gap.scale * PARTS, (columns * PARTS, lines * PARTS)) > 0
    stands = fine.reshape(lines, PARTS, columns, PARTS).mean(axis=(1, 3))
    clear = cv2.erode((stands == 1).astype(np.uint8), np.ones((3, 3), np.uint8)).astype(np.float32)
    light, weight = np.zeros(gap.light.shape), np.full((lines, columns), 1e-9)
    for far_px, counts in FILLED_PX:
        weight += counts * gaussian_filter(clear, far_px)
        light += counts * _blurred(gap.light * clear[..., None], far_px)
    return _blurred(1.0 + stands[..., None] * (light / weight[..., None] - 1.0), blur_px)


def _blurred(light: Floats, blur_px: float) -> Floats:
    return np.asarray(gaussian_filter(light, (blur_px, blur_px, 0)), np.float64)


def _best(share: Floats, gap: Gap) -> float:
    """Return the share at the weakest place of the way from one end to the other on which that is greatest."""
    low, high = LOWEST, HIGHEST
    for _ in range(HALVINGS):
        middle = (low + high) / 2
        way = ((share > middle) | gap.ends[0] | gap.ends[1]) & gap.within
        _, labels = cv2.connectedComponents(way.astype(np.uint8), connectivity=4)
        first, second = (
            set(np.unique(np.asarray(labels)[end & gap.within]).tolist()) - {0} for end in gap.ends
        )
        low, high = (middle, high) if first & second else (low, middle)
    return low
