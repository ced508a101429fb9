"""Faces of an outline layer without the sheets they are drawn on: frames, title blocks and their like.

A frame surrounds the board and holds nothing of it. So does the rail of a panel; a rail has tooling holes in it, or
surrounds several boards, or is narrow and bare.

    +---------------------------+      the frame's face holds no copper and no drill; the title
    |   +-------+               |      block's cells hang on it. What is left when both are taken
    |   | board |      +--------|      away is the board.
    |   +-------+      | title  |
    +---------------------------+
"""

from collections.abc import Sequence

import numpy as np
import shapely
from msgspec import Struct
from shapely import STRtree
from shapely.geometry import LineString, Polygon

from pastewright.board.model import Area, Point
from pastewright.board.shapes.islands import one_area, polygons, shape_array
from pastewright.problems import Problem, Severity

RAIL_MM = 20.0
"""Rails of panels are 5 to 12 mm wide and stand 2 mm off the board (common practice); frames of sheets are wider."""
STRAY_PART = 0.05
"""A frame may hold this part of the lands, as legends of a film and letters of a title block, and still be one."""
LEAST_EDGE_MM = 0.5
"""Faces that share less of an edge than this only meet at a corner."""
ON_EDGE_MM = 0.01
"""A line whose middle lies on the edge of a face, to rounding, is part of it."""
SMALL_PART = 0.5
"""Open lines that hold the copper are the board where their box is less than this part of what is closed around them."""


ALL_BUT = 0.9
"""A contour holds the board when it holds this part of its pads and drills: some may lie on rails."""


class Content:
    """What a board holds: pads and drills, to be counted within contours."""

    def __init__(self, pads: Sequence[Polygon], drills: Sequence[Point] = ()) -> None:
        self.pads = len(pads)
        self.count = len(pads) + len(drills)
        self._whole = STRtree(shape_array(pads))
        points = [shapely.Point(place) for place in drills]
        self._points = STRtree(shape_array([*shapely.point_on_surface(shape_array(pads)), *points]))
        self._drills = STRtree(shape_array(points))

    def within(self, area: Polygon) -> int:
        """Return how many pads and drills lie in `area`, castellations at its edge included."""
        return len(self._points.query(area, predicate="intersects"))

    def drills_within(self, area: Polygon) -> int:
        """Return how many drills lie in `area`."""
        return len(self._drills.query(area, predicate="intersects"))

    def wholly_within(self, area: Polygon) -> int:
        """Return how many pads `area` contains. A slot within a pad's ring contains none."""
        return len(self._whole.query(area, predicate="contains"))


class WithoutSheets(Struct, frozen=True, kw_only=True):
    """The `faces` that may be board, and `open_lines` where it is drawn in lines that do not close."""

    faces: list[Polygon]
    open_lines: list[LineString]
    problems: tuple[Problem, ...] = ()


def without_sheets(
    faces: Sequence[Polygon], content: Content, lines: Sequence[LineString], file: str
) -> WithoutSheets:
    """Return the faces less every drawing sheet around the board, and a warning for each."""
    left = list(faces)
    problems: list[Problem] = []
    while (sheet := _sheet(left, content)) is not None:
        inner = _inside(sheet)
        left = [face for face in left if face is not sheet and inner.covers(face.representative_point())]
        problems.append(_told(sheet, file))
    loose = _drawn_open(left, content, lines)
    if loose:
        what = "the lines around the copper do not close, and the closed contour around them is larger"
        mend = "Close the board's edge in the design, or check the size in the picture."
        problems.append(Problem(what=what, mend=mend, severity=Severity.WARNING, file=file))
    return WithoutSheets(faces=left, open_lines=loose, problems=tuple(problems))


def _inside(face: Polygon) -> Area:
    """Return all that a face surrounds, as one area."""
    return one_area(polygons(shapely.union_all(shape_array([Polygon(ring) for ring in face.interiors]))))


def _sheet(faces: Sequence[Polygon], content: Content) -> Polygon | None:
    """Return a face that is a sheet's frame, None where there is none."""
    for face in sorted(faces, key=lambda each: -Polygon(each.exterior).area):
        if not face.interiors:
            continue
        inner = [part for ring in face.interiors if content.within(part := Polygon(ring))]
        held = sum(content.within(part) for part in inner)
        own = content.within(face)
        if not inner or own > STRAY_PART * held or content.drills_within(face):
            continue
        if _is_rail(face, inner, faces):
            continue
        return face
    return None


def _is_rail(face: Polygon, inner: Sequence[Polygon], faces: Sequence[Polygon]) -> bool:
    """Tell whether a face around boards is the rail of their panel."""
    areas = [part.area for part in inner]
    if len(inner) > 1 and min(areas) > SMALL_PART * max(areas):
        return True  # copies of one board: nobody draws these on a sheet
    edge = face.exterior
    cells = [
        other
        for other in faces
        if other is not face
        and shapely.intersection(shapely.boundary(other), edge).length > LEAST_EDGE_MM
        and not Polygon(edge).contains_properly(other)
    ]
    if cells:
        return False
    outer, low = np.array(Polygon(edge).bounds), np.array(one_area(polygons(shapely.union_all(inner))).bounds)
    return bool(np.abs(outer - low).max() <= RAIL_MM)


def _drawn_open(faces: Sequence[Polygon], content: Content, lines: Sequence[LineString]) -> list[LineString]:
    """Return the lines that hold the content within a much larger closed contour, but do not close themselves."""
    if not faces:
        return []
    middles = shapely.line_interpolate_point(shape_array(lines), 0.5, normalized=True)
    edges = STRtree(shapely.boundary(shape_array(faces)))
    on_edge = set(edges.query(middles, predicate="dwithin", distance=ON_EDGE_MM)[0].tolist())
    loose = [line for number, line in enumerate(lines) if number not in on_edge]
    held = [face for face in faces if content.within(Polygon(face.exterior)) >= ALL_BUT * content.count]
    if not loose or not held:
        return []
    whole = min(held, key=lambda face: Polygon(face.exterior).area)
    inner = [line for line in loose if shapely.contains_properly(Polygon(whole.exterior), line)]
    if len(inner) < 2:
        return []
    ring = shapely.box(*shapely.total_bounds(shape_array(inner)))
    if (
        ring.area >= SMALL_PART * Polygon(whole.exterior).area
        or content.within(ring) < ALL_BUT * content.count
    ):
        return []
    return inner


def _told(sheet: Polygon, file: str) -> Problem:
    x0, y0, x1, y1 = sheet.bounds
    return Problem(
        what=f"a closed contour of {x1 - x0:.1f} × {y1 - y0:.1f} mm around the board holds no copper and no drill:"
        " it is taken for the frame of a drawing, and left out",
        mend="If it is the rail of a panel, place by fiducials, or give an outline layer without the board inside it.",
        severity=Severity.WARNING,
        file=file,
    )
