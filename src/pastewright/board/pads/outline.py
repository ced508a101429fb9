"""Outline layer to the board's shape: closed contours of stroke centre lines, with inner cut-outs as holes.

Outline layers are drawn by people: strokes of zero or any width, arcs, regions, contours that miss closing
by a hair, contours drawn twice, legends beside the board, and drawing sheets around it. The board is the contour that
holds the copper, the mask openings and the drills; any other closed contour must explain itself as a cut-out, a rail
or another board of a panel, else it is left out and told. A contour that stays open gives the box of what is there,
with a warning, since a size that may be a little large is safer than none; but lines that hold none of the copper
stand in another frame, and give no outline at all.
"""

from collections.abc import Iterable, Sequence

import shapely
from msgspec import Struct
from shapely.geometry import LineString, Polygon, box

from pastewright.board.artwork import Layer
from pastewright.board.model import Area, OutlineFrom, Point
from pastewright.board.pads.sheets import Content, without_sheets
from pastewright.board.shapes.contours import GAP_MM, centre_lines, faces_of
from pastewright.board.shapes.islands import one_area, polygons, shape_array
from pastewright.problems import Problem, Severity

SILENT_GAP_MM = 0.015
"""Gaps below this come from rounding (2.3 inch format: 0.0254 mm / 2) and are closed without a word."""
RAIL_PART = 0.05
"""Contours beside the board that hold no pads: kept as a rail when at least this part of the largest."""
RAIL_GAP_MM = 5.0
"""Rails stand a router's width off the boards, 1 to 3 mm (common practice)."""
HELD_PART = 0.5
"""An outline that holds less than this part of the copper and drills stands in another frame than they."""


class Outline(Struct, frozen=True, kw_only=True):
    """The board's `area` [mm, file], None when the layer holds no line, and what there is to say about it."""

    area: Area | None
    closed: bool
    problems: tuple[Problem, ...] = ()

    @property
    def known(self) -> OutlineFrom:
        """How the board's size is known by it."""
        if self.area is None:
            return OutlineFrom.NOTHING
        return OutlineFrom.CLOSED if self.closed else OutlineFrom.OPEN


NO_OUTLINE = Outline(area=None, closed=False)


def read_outline(layer: Layer, pads: Sequence[Polygon] = (), drills: Sequence[Point] = ()) -> Outline:
    """Return the outline [mm, file] drawn in `layer`.

    `pads` (lands or apertures, may be empty) and `drills` tell the board from what is drawn around it and in it: a
    closed contour inside another one is a cut-out unless pads lie in it.
    """
    lines = centre_lines(layer)
    if not lines:
        what = "the outline layer holds no line"
        return Outline(
            area=None, closed=False, problems=(_warning(what, "Export the outline layer again.", layer),)
        )
    faces, gaps_mm = faces_of(lines)
    problems = _gap_problems(gaps_mm, layer)
    inside = Content(pads, drills) if len(pads) or len(drills) else None
    if inside is not None:
        sheet = without_sheets(faces, inside, lines, layer.file)
        faces = sheet.faces
        problems.extend(sheet.problems)
        if sheet.open_lines:
            return _box_of(sheet.open_lines, layer, problems, inside, closed_parts=0)
    boards, notes = _boards(faces, inside, layer)
    if boards and (inside is None or _held(boards, inside) >= HELD_PART):
        return Outline(area=one_area(boards), closed=True, problems=(*problems, *notes))
    return _box_of(lines, layer, problems, inside, closed_parts=len(boards))


def _warning(what: str, mend: str, layer: Layer, *, severity: Severity = Severity.WARNING) -> Problem:
    return Problem(what=what, mend=mend, severity=severity, file=layer.file)


def _gap_problems(gaps_mm: Iterable[float], layer: Layer) -> list[Problem]:
    seen = [gap_mm for gap_mm in gaps_mm if gap_mm > SILENT_GAP_MM]
    if not seen:
        return []
    what = f"the outline is not closed: {len(seen)} gap(s) of up to {max(seen):.3f} mm were closed"
    return [
        _warning(what, f"Join the outline's ends in the design; gaps over {GAP_MM} mm are not closed.", layer)
    ]


def _filled(face: Polygon) -> Polygon:
    return Polygon(face.exterior)


def _boards(
    faces: Sequence[Polygon], inside: Content | None, layer: Layer
) -> tuple[list[Polygon], list[Problem]]:
    """Return the boards with their cut-outs, and notes on panels and on contours left out."""
    if not faces:
        return [], []
    outers = polygons(shapely.union_all(shape_array([_filled(face) for face in faces])))
    cut_outs: list[Polygon] = []
    framed = 0
    for face in faces:
        for ring in face.interiors:
            hole = Polygon(ring)
            if inside is not None and inside.wholly_within(hole):
                framed += 1
            else:
                cut_outs.append(hole)
    largest_mm2 = max(outer.area for outer in outers)
    pads_in = [inside.within(outer) if inside is not None else 0 for outer in outers]
    kept = [
        outer
        for outer, count in zip(outers, pads_in, strict=True)
        if count or _is_rail(outer, outers, largest_mm2) or (inside is None and outer.area == largest_mm2)
    ]
    notes: list[Problem] = []
    if len(kept) < len(outers):
        what = f"{len(outers) - len(kept)} closed contour(s) beside the board hold no pads: left out"
        notes.append(_warning(what, "", layer, severity=Severity.NOTE))
    if len(kept) > 1:
        with_pads = sum(1 for count in pads_in if count)
        rails = len(kept) - with_pads if inside is not None else 0
        what = f"the outline has {len(kept)} separate parts ({rails} without pads): taken as one panel"
        notes.append(_warning(what, "", layer, severity=Severity.NOTE))
    if framed:
        what = f"{framed} closed contour(s) with pads lie inside an outer contour: taken as boards of a panel"
        notes.append(_warning(what, "", layer, severity=Severity.NOTE))
    if cut_outs:
        cut = shapely.union_all(shape_array(cut_outs))
        kept = [part for outer in kept for part in polygons(shapely.difference(outer, cut))]
    return sorted(kept, key=lambda part: -part.area), notes


def _is_rail(outer: Polygon, outers: Sequence[Polygon], largest_mm2: float) -> bool:
    """Tell whether a contour without pads is large enough, and near enough to another, to hold a panel together."""
    if outer.area < RAIL_PART * largest_mm2:
        return False
    others = [other for other in outers if other is not outer]
    return not others or min(outer.distance(other) for other in others) <= RAIL_GAP_MM


def _held(boards: Sequence[Polygon], inside: Content) -> float:
    """Return the part 0…1 of the content that lies within the boards' outer contours."""
    return min(1.0, sum(inside.within(_filled(part)) for part in boards) / max(1, inside.count))


def _box_of(
    lines: Sequence[LineString],
    layer: Layer,
    problems: Sequence[Problem],
    inside: Content | None,
    *,
    closed_parts: int,
) -> Outline:
    x0_mm, y0_mm, x1_mm, y1_mm = shapely.total_bounds(shape_array(lines))
    area = box(x0_mm, y0_mm, x1_mm, y1_mm)
    if inside is not None and _held([area], inside) < HELD_PART:
        what = (
            f"the outline holds {inside.within(area)} of {inside.count} pads and drills: it is drawn in another place"
            " than the copper, and is not used"
        )
        mend = "Export all layers with one origin; till then size and origin are those of the pads."
        return Outline(area=None, closed=False, problems=(*problems, _warning(what, mend, layer)))
    found = f"only {closed_parts} small closed part(s)" if closed_parts else "no closed contour"
    what = (
        f"the outline is open: {found} in {len(lines)} line(s); "
        f"their box of {x1_mm - x0_mm:.2f} x {y1_mm - y0_mm:.2f} mm is used instead"
    )
    mend = f"Close the outline in the design (gaps up to {GAP_MM} mm are closed), or check the size."
    return Outline(
        area=area if area.area > 0.0 else None,
        closed=False,
        problems=(*problems, _warning(what, mend, layer)),
    )
