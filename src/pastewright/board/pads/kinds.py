"""Lands with their paste and holes to pad kinds, each with the reason it was taken for that kind.

What a file says (X2 aperture function, reference designator) goes first; geometry decides the rest, and
decides cautiously: what is neither clearly a fiducial nor a test point stays a surface pad.
"""

import re
from collections.abc import Iterable, Mapping, Sequence
from math import hypot
from typing import Any

import numpy as np
import shapely
from msgspec import Struct
from shapely import STRtree
from shapely.geometry import Polygon

from pastewright.board.model import Area, Hole, PadKind, PasteOrigin
from pastewright.board.pads.fiducials import FIDUCIAL_REF, fiducial_by_shape, near_corners
from pastewright.board.pads.holes import hole_centre
from pastewright.board.pads.lands import Lands
from pastewright.board.pads.rounds import round_diameter_mm, sides_mm
from pastewright.board.pads.site import Site
from pastewright.board.shapes.islands import Indices, Shapes, shape_array
from pastewright.near import NearPlaces

# X2 aperture functions (Gerber layer format specification, 5.6.10) that settle the kind.
_BY_FUNCTION = {
    "FiducialPad": PadKind.FIDUCIAL,
    "TestPad": PadKind.TEST_POINT,
    "HeatsinkPad": PadKind.THERMAL,
}
_SURFACE_FUNCTIONS = frozenset({"SMDPad", "BGAPad", "ConnectorPad", "CastellatedPad"})
TEST_POINT_REF = re.compile(r"(TP|TEST ?POINT)[-_]?\d*", re.IGNORECASE)

# A lead's hole: at least 0.5 mm, and large against its land. Vias in a land are small against it.
LEAD_HOLE_MM = 0.5
LEAD_HOLE_PART, LEAD_HOLE_PART_PASTED = 0.25, 0.4
"""Hole / least width of the land. Rings of leads are 0.2 to 0.5 mm wide (common practice); pasted lands with vias are
the ones to tell apart, so the part is larger there."""
HOLE_OFF_CENTRE = 0.3
"""A lead's hole stands in the middle of its land, tear drops and oblong lands off it by less than this part."""
# Test points told by shape: round, without paste, and this far from other lands.
TEST_POINT_TO_MM = 2.6
TEST_POINT_ALONE_MM = 0.5
"""Probes need about this room (common practice); pads of one part are nearer."""
# Thermal lands told by size, against the median of the pads near by.
THERMAL_MM2, THERMAL_TIMES, THERMAL_ASPECT = 4.0, 5.0, 2.5
# A thermal land fills its box (shield frames do not) and has no twin in its part (mounting tabs do).
THERMAL_FILL = 0.7
TWIN_PART = 0.9
"""Equal lands differ by rounding and by rounded corners of one of them."""
# Without names, the leads of the part are the pads that lie point-symmetric about the land: two pairs at least.
SYMMETRY_MM, SYMMETRIC_LEADS = 0.05, 4
NEIGHBOURHOOD_MM = 3.0
"""The leads of a part with a thermal land start within this of it (common practice: 0.2 to 2 mm)."""
PANED_MM2 = 1.0
"""Smaller lands are not divided into panes (common practice: panes are 0.3 mm2 and more)."""


class Kind(Struct, frozen=True, kw_only=True):
    """What a pad is, why, and the hole of its lead; `castellated` where the board's edge cuts its hole."""

    kind: PadKind
    reason: str
    hole: Hole | None = None
    castellated: bool = False


def pad_kinds(sites: Sequence[Site], lands: Lands, outline: Area | None, origin: PasteOrigin) -> list[Kind]:
    """Return the kind of each site, in order."""
    shapes = shape_array([site.land.shape for site in sites])
    # Only the outer edge castellates: milled slots of through-hole pads are inner contours.
    rings = [part.exterior for part in shapely.get_parts(outline)] if outline is not None else []
    edge = shapely.union_all(rings) if rings else None
    alone = _alone_in_opening(sites)
    corners = near_corners(sites, outline)
    found: list[Kind | None] = []
    for number, site in enumerate(sites):
        kind = _by_word(site) or by_hole(site, edge)
        if kind is None and not site.paste:
            why = (fiducial_by_shape(site, lands) if alone[number] else "") or corners.get(number, "")
            kind = Kind(kind=PadKind.FIDUCIAL, reason=why) if why else None
        found.append(kind)
    if origin is PasteOrigin.PASTE_LAYER:
        found = _test_points(sites, shapes, found)
    return _thermals(sites, shapes, found, origin)


def _by_word(site: Site) -> Kind | None:
    function = site.land.function
    if function in _BY_FUNCTION:
        return Kind(kind=_BY_FUNCTION[function], reason=f"aperture function {function}")
    if FIDUCIAL_REF.fullmatch(site.ref) and round_diameter_mm(site.land) > 0:
        return Kind(kind=PadKind.FIDUCIAL, reason=f"named {site.ref}")
    if TEST_POINT_REF.fullmatch(site.ref):
        return Kind(kind=PadKind.TEST_POINT, reason=f"named {site.ref}")
    return None


def by_hole(site: Site, edge: Any = None) -> Kind | None:
    """Return the kind of a land that a lead goes through, None for others; `edge` is the board's outer edge."""
    if not site.holes or site.surface or site.land.function in _SURFACE_FUNCTIONS:
        return None
    hole = max(site.holes, key=lambda each: each.diameter_mm)
    if site.land.function == "ComponentPad":
        return Kind(kind=PadKind.THROUGH_HOLE, reason="aperture function ComponentPad", hole=hole)
    if hole.diameter_mm < LEAD_HOLE_MM or any(
        each is not hole and each.diameter_mm > hole.diameter_mm / 2 for each in site.holes
    ):
        return None
    width_mm = least_width_mm(site.land.shape)
    least = LEAD_HOLE_PART_PASTED if site.paste else LEAD_HOLE_PART
    if hole.diameter_mm < least * width_mm:
        return None
    x_mm, y_mm = hole_centre(hole)
    centre = site.land.shape.centroid
    if site.paste and hypot(x_mm - centre.x, y_mm - centre.y) > HOLE_OFF_CENTRE * width_mm:
        return None
    if edge is not None and edge.distance(shapely.points(x_mm, y_mm)) < hole.diameter_mm / 2:
        reason = "castellated: its hole is cut by the board's edge"
        return Kind(kind=PadKind.SURFACE, reason=reason, castellated=True)
    reason = f"hole of {hole.diameter_mm:.2f} mm in a land {width_mm:.2f} mm wide"
    return Kind(kind=PadKind.THROUGH_HOLE, reason=reason, hole=hole)


def least_width_mm(shape: Polygon) -> float:
    """Return the shorter side of the smallest box around `shape`, at any angle [mm]."""
    return sides_mm(shape)[0]


def _alone_in_opening(sites: Sequence[Site]) -> list[bool]:
    count: dict[int | None, int] = {}
    for site in sites:
        count[site.land.opening] = count.get(site.land.opening, 0) + 1
    return [site.land.opening is not None and count[site.land.opening] == 1 for site in sites]


def _test_points(sites: Sequence[Site], shapes: Shapes, found: Sequence[Kind | None]) -> list[Kind | None]:
    """Tell unpasted round lands that stand alone from pads that just got no paste."""
    tree = STRtree(shapes)
    result = list(found)
    for number, site in enumerate(sites):
        if result[number] is not None or site.paste or site.holes or site.ref or site.land.poured:
            continue
        if site.land.function not in ("", "SMDPad"):
            continue
        diameter_mm = round_diameter_mm(site.land)
        if not 0.0 < diameter_mm <= TEST_POINT_TO_MM:
            continue
        if len(tree.query(site.land.shape, predicate="dwithin", distance=TEST_POINT_ALONE_MM)) > 1:
            continue
        reason = f"round copper of {diameter_mm:.2f} mm without paste, standing alone"
        result[number] = Kind(kind=PadKind.TEST_POINT, reason=reason)
    return result


def _thermals(
    sites: Sequence[Site], shapes: Shapes, found: Sequence[Kind | None], origin: PasteOrigin
) -> list[Kind]:
    exposed = origin is PasteOrigin.EXPOSED_COPPER
    area_mm2 = shapely.area(shapes)
    surface = np.array(
        [kind is None and (exposed or site.paste > 0) for kind, site in zip(found, sites, strict=True)]
    )
    near = STRtree(shapes[surface]) if surface.any() else None
    near_ids = np.flatnonzero(surface)
    by_ref = _by_ref(sites, near_ids)
    kinds: list[Kind] = []
    for number, (site, kind) in enumerate(zip(sites, found, strict=True)):
        if kind is not None:
            kinds.append(kind)
            continue
        if site.paste > 1 and area_mm2[number] >= PANED_MM2:
            kinds.append(Kind(kind=PadKind.THERMAL, reason=f"{site.paste} window panes over one land"))
            continue
        reason = ""
        if surface[number] and near is not None and area_mm2[number] >= THERMAL_MM2:
            if site.ref:
                around = by_ref.get(site.ref, [])
            else:
                hits = near.query(shapes[number], predicate="dwithin", distance=NEIGHBOURHOOD_MM)
                around = _leads(number, near_ids[hits], area_mm2, shapes)
            reason = _large(number, around, area_mm2, shapes)
        if reason:
            kinds.append(Kind(kind=PadKind.THERMAL, reason=reason))
        else:
            kinds.append(Kind(kind=PadKind.SURFACE, reason=_surface_reason(site, exposed=exposed)))
    return kinds


def _by_ref(sites: Sequence[Site], numbers: Iterable[int]) -> Mapping[str, list[int]]:
    found: dict[str, list[int]] = {}
    for number in numbers:
        if sites[number].ref:
            found.setdefault(sites[number].ref, []).append(int(number))
    return found


def _leads(number: int, near: Indices, area_mm2: Shapes, shapes: Shapes) -> list[int]:
    """Return those of the lands near by that have an equal on the other side of the land's centre.

    Packages with a thermal land have leads so; the neighbours of any other large pad hardly ever lie so.
    """
    others = near[near != number]
    if len(others) < SYMMETRIC_LEADS:
        return []
    centre = shapely.get_coordinates(shapes[number].centroid)[0]
    away = shapely.get_coordinates(shapely.centroid(shapes[others])) - centre
    tree = NearPlaces(away)
    leads = [
        int(other)
        for other, opposite in zip(others, tree.within(-away, SYMMETRY_MM), strict=True)
        if any(abs(area_mm2[others[n]] - area_mm2[other]) < 0.05 * area_mm2[other] for n in opposite)
    ]
    return leads if len(leads) >= SYMMETRIC_LEADS else []


def _large(number: int, around: Sequence[int], area_mm2: Shapes, shapes: Shapes) -> str:
    """Return why the land is thermal by its size, "" if it is not: it needs two smaller pads to compare with."""
    others = [float(area_mm2[other]) for other in around if other != number]
    if len(others) < 2 or max(others) > TWIN_PART * area_mm2[number]:
        return ""
    median_mm2 = float(np.median(others))
    if area_mm2[number] < THERMAL_TIMES * median_mm2:
        return ""
    short_mm, long_mm = sides_mm(shapes[number])
    if long_mm > THERMAL_ASPECT * short_mm or area_mm2[number] < THERMAL_FILL * short_mm * long_mm:
        return ""
    return (
        f"{area_mm2[number]:.1f} mm2, {area_mm2[number] / median_mm2:.0f} times the median of the pads around"
    )


def _surface_reason(site: Site, *, exposed: bool) -> str:
    if site.land.function in _SURFACE_FUNCTIONS:
        return f"aperture function {site.land.function}"
    return "exposed copper" if site.paste or exposed else "exposed copper that gets no paste"
