"""Lands to fiducials: by their reference, by a wide mask opening around round copper, by three alike near the corners.

What the X2 function says is looked at by `kinds`, before all of these.
"""

import re
from collections import defaultdict
from collections.abc import Sequence
from math import hypot, pi, sqrt

import numpy as np
import shapely
from numpy.typing import NDArray

from pastewright.board.model import Area
from pastewright.board.pads.lands import Land, Lands
from pastewright.board.pads.rounds import ROUND, round_diameter_mm, roundness
from pastewright.board.pads.site import Site
from pastewright.board.shapes.islands import Shapes, shape_array

FIDUCIAL_REF = re.compile(r"(?:FID|FIDUCIAL|FM|FD)[-_ ]?\d*", re.IGNORECASE)
"""References of fiducials (common practice; IEEE 315 has no class for them)."""
# Fiducials: 1 to 3 mm copper with a clear area of twice that are usual (common practice, IPC-7351 family);
# small boards have them from 0.5 mm. Copper and opening both round, nothing else in the opening.
FIDUCIAL_FROM_MM, FIDUCIAL_TO_MM = 0.5, 3.0
FIDUCIAL_CLEARANCE = 1.3
"""Mask opening / copper diameter: pads are opened by 0.05 to 0.1 mm a side (common practice), a round one of 0.8 mm to
1.25 times at most."""
ROUNDISH = 0.93
"""Openings may be octagons."""
FEWEST_ALIKE, MOST_ALIKE = 3, 4
"""Fiducials of a board: three tell place, turn and which way round; a fourth is a spare (common practice)."""
ALIKE_MM = 0.02
"""Marks are alike when their diameters agree to this; files round to less."""
CORNER_PART = 0.25
"""Marks near the corners lie within this part of the board's diagonal of one (common practice: 5 to 15 mm of the edge)."""


def fiducial_clearance(land: Land, lands: Lands) -> float:
    """Return opening diameter / copper diameter where both are round and of fiducial size, else 0."""
    if land.opening is None or lands.copper is None or land.poured:
        return 0.0
    if not _of_fiducial_size(2.0 * sqrt(land.shape.area / pi)):
        return 0.0  # most lands are told by this alone, at a tenth of the time
    diameter_mm = round_diameter_mm(land)
    if diameter_mm == 0.0:
        return 0.0
    opening = lands.openings[land.opening]
    if roundness(opening) < ROUNDISH or opening.centroid.distance(land.shape.centroid) > 0.1 * diameter_mm:
        return 0.0
    return 2.0 * sqrt(opening.area / pi) / diameter_mm


def of_fiducial_size(shapes: Shapes) -> NDArray[np.bool_]:
    """Tell which shapes are as large as round marks of fiducial size are, and as round."""
    area_mm2 = shapely.area(shapes)
    diameter_mm = 2.0 * np.sqrt(area_mm2 / pi)
    fits = (diameter_mm >= FIDUCIAL_FROM_MM - 1e-2) & (diameter_mm <= FIDUCIAL_TO_MM + 1e-2)
    # A ring's inner edge only makes it less round: it is none of these marks either.
    told: NDArray[np.bool_] = fits & (4.0 * pi * area_mm2 >= ROUND * shapely.length(shapes) ** 2 * (1 - 1e-9))
    return told


def _of_fiducial_size(diameter_mm: float) -> bool:
    return FIDUCIAL_FROM_MM - 1e-2 <= diameter_mm <= FIDUCIAL_TO_MM + 1e-2


def fiducial_by_shape(site: Site, lands: Lands) -> str:
    """Return why a land without paste is a fiducial by its shape and its mask opening, "" if it is none."""
    clearance = fiducial_clearance(site.land, lands)
    if clearance < FIDUCIAL_CLEARANCE or site.holes or site.pin:
        return ""
    return (
        f"round copper of {round_diameter_mm(site.land):.2f} mm without paste in a mask opening "
        f"{clearance:.1f} times as wide"
    )


def near_corners(sites: Sequence[Site], outline: Area | None) -> dict[int, str]:
    """Return why some round lands without paste, name and hole are fiducials: three alike, each near its own corner."""
    if not sites:
        return {}
    around = outline if outline is not None else shape_array([site.land.shape for site in sites])
    x0, y0, x1, y1 = shapely.total_bounds(around).tolist()
    reach_mm = CORNER_PART * hypot(x1 - x0, y1 - y0)
    alike: dict[int, list[int]] = defaultdict(list)
    for number, site in enumerate(sites):
        if site.paste or site.ref or site.pin or site.holes or site.land.poured or site.land.via:
            continue
        diameter_mm = round_diameter_mm(site.land)
        if _of_fiducial_size(diameter_mm):
            alike[round(diameter_mm / ALIKE_MM)].append(number)
    found: dict[int, str] = {}
    for numbers in alike.values():
        corners = set()
        for number in numbers:
            centre = sites[number].land.shape.centroid
            away = {(x, y): hypot(centre.x - x, centre.y - y) for x in (x0, x1) for y in (y0, y1)}
            nearest = min(away, key=away.__getitem__)
            if away[nearest] <= reach_mm:
                corners.add(nearest)
        if FEWEST_ALIKE <= len(numbers) <= MOST_ALIKE and len(corners) == len(numbers):
            words = (
                f"one of {len(numbers)} alike round marks without paste, each near its corner of the board"
            )
            found.update(dict.fromkeys(numbers, words))
    return found
