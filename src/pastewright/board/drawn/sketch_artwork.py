"""A drawing or a table to `Artwork`: `artwork_of_sketch`. What is drawn as paste is paste; nothing is judged here."""

import re
from collections.abc import Sequence
from math import pi, sqrt

import shapely
from shapely.geometry import LineString, Polygon

from pastewright.board.artwork import Artwork, Attributes, Drawn, DrawnKind, Drill, DrillFile, Layer
from pastewright.board.ask import Ask
from pastewright.board.drawn.marks import Mark, Marks, marks_of, nothing_marked, paste_role
from pastewright.board.drawn.things import MOST_THINGS, Sketch, Thing
from pastewright.board.model import Area, LayerRole
from pastewright.board.roles.role_words import spaced
from pastewright.board.shapes.islands import polygons, shape_array
from pastewright.board.shapes.rings import TangledError, check_tangle
from pastewright.problems import one_error

LARGEST_BOARD_MM = 1000.0
"""A board's side; beyond it the unit was misread or the drawing is no board (common practice: the largest usual
panels are 610 mm wide)."""

_BARE = re.compile(r"\b(?:npth|non ?plated|unplated|mounting)\b")


def artwork_of_sketch(sketch: Sketch, ask: Ask) -> Artwork:
    """Return the paste, outline and holes of one side.

    Raises `InputError` when nothing on it is paste, sides are unclear, or it is too large to be a board.
    """
    if len(sketch.things) > MOST_THINGS:
        what = f"holds {len(sketch.things)} shapes; the limit is {MOST_THINGS}"
        raise one_error(what, "Leave out layers that are no paste.", file=sketch.file)
    marks = marks_of(sketch, ask)
    paste = [thing for thing in sketch.things if marks.of(thing) is Mark.PASTE]
    fiducials = [thing for thing in sketch.things if marks.of(thing) is Mark.FIDUCIAL]
    outline = [thing for thing in sketch.things if marks.of(thing) is Mark.OUTLINE]
    _check_outline(outline, sketch.file)
    _check_size([*paste, *outline], sketch.file)
    if not paste:
        raise nothing_marked(sketch, ask, marks.uses)
    layers = {
        paste_role(ask.side): Layer(
            file=sketch.file,
            attributes={},
            objects=(*map(_drawn, paste), *(_drawn(thing, fiducial=True) for thing in fiducials)),
        )
    }
    if outline:
        layers[LayerRole.OUTLINE] = Layer(
            file=sketch.file, attributes={}, objects=tuple(map(_drawn, outline))
        )
    drills = _drills(sketch, marks, paste)
    return Artwork(
        what=sketch.what,
        judging=sketch.judging,
        layers=layers,
        drillings=(DrillFile(file=sketch.file, drills=tuple(drills), plated=None, attributes={}),)
        if drills
        else (),
        uses=marks.uses,
        problems=sketch.problems,
        file=sketch.file,
    )


def _drawn(thing: Thing, *, fiducial: bool = False) -> Drawn:
    attributes: Attributes = {
        **({"P": (thing.ref, thing.pin)} if thing.ref or thing.pin else {}),
        **({"N": (thing.net,)} if thing.net else {}),
        **({"AperFunction": ("FiducialPad",)} if fiducial else {}),
    }
    return Drawn(
        kind=DrawnKind.STROKE if thing.is_line else DrawnKind.REGION,
        shape=thing.area,
        dark=True,
        attributes=attributes,
        line=thing.source.line,
        path_mm=thing.path_mm,
        width_mm=thing.width_mm,
        volume_ul=thing.volume_ul,
    )


def _check_outline(outline: Sequence[Thing], file: str) -> None:
    try:
        check_tangle([LineString(thing.path_mm) for thing in outline if len(thing.path_mm) > 1])
    except TangledError as error:
        raise one_error(f"the outline: {error}", "Draw the board's edge alone on it.", file=file) from None


def _check_size(things: Sequence[Thing], file: str) -> None:
    shapes = [thing.area for thing in things if not thing.area.is_empty]
    lines = [LineString(thing.path_mm) for thing in things if thing.area.is_empty and len(thing.path_mm) > 1]
    if not shapes and not lines:
        return
    x0, y0, x1, y1 = shapely.total_bounds(shape_array([*shapes, *lines])).tolist()
    if max(x1 - x0, y1 - y0) > LARGEST_BOARD_MM:
        raise one_error(
            f"the drawing spans {x1 - x0:.4g} × {y1 - y0:.4g} mm; a board has at most {LARGEST_BOARD_MM:g} mm",
            "Check its unit (--units), and that nothing lies far off the board.",
            file=file,
        )


def _drills(sketch: Sketch, marks: Marks, paste: Sequence[Thing]) -> list[Drill]:
    """Return the holes that layers of holes draw, and those that rows of a table name."""
    found: list[Drill] = []
    for thing in sketch.things:
        if marks.of(thing) is not Mark.HOLES:
            continue
        plated = False if _BARE.search(spaced(thing.layer)) else None
        if thing.is_line and thing.width_mm > 0:
            (x, y), to = thing.path_mm[0], thing.path_mm[-1]
            line = thing.source.line
            found.append(
                Drill(x_mm=x, y_mm=y, diameter_mm=thing.width_mm, line=line, slot_to_mm=to, plated=plated)
            )
            continue
        for part in polygons(thing.area):
            size_mm = 2 * sqrt(Polygon(part.exterior).area / pi)
            found.append(_drill(part, size_mm, thing.source.line, plated=plated))
    found.extend(
        _drill(thing.area, thing.hole_mm, thing.source.line, plated=True) for thing in paste if thing.hole_mm
    )
    return found


def _drill(area: Area, size_mm: float, line: int, *, plated: bool | None) -> Drill:
    centre = area.centroid
    return Drill(x_mm=centre.x, y_mm=centre.y, diameter_mm=size_mm, line=line, plated=plated)
