"""What a board with its plan should look like: lands, planned paste and holes, as areas and as drawn masks [mm, board].

A row is one deposit of the plan as far as one pad is concerned: a dot, a bead, or a pad's part of a bead across pads.
"""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from shapely import STRtree, box, unary_union
from shapely.geometry import LineString, Point, Polygon
from shapely.geometry.base import BaseGeometry

from pastewright.problems import one_error
from pastewright.records.plan import DepositRecord, PadRecord, PlanRecord

Floats = NDArray[np.float64]
Bytes = NDArray[np.uint8]
SHIFT = 5  # corners are drawn to a 32nd of a pixel


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class InspectedRow:
    """A deposit on one pad: what is planned there. `paste` is its outline as planned, `at` the middle of that.

    `shared` tells that the bead serves other pads too; `land` is the pad's land.
    """

    pad: PadRecord
    deposit: DepositRecord
    at_mm: tuple[float, float]
    paste: Polygon
    land: BaseGeometry
    shared: bool


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BoardPicture:
    """All that is drawn of a board: rows with paste, lands of all pads, holes, marks' places, the board's edge; and the
    legend near lands, empty where it is not known.
    """

    rows: tuple[InspectedRow, ...]
    pads: tuple[PadRecord, ...]
    lands: tuple[BaseGeometry, ...]
    holes: tuple[BaseGeometry, ...]
    edge: BaseGeometry
    figures: tuple[Polygon, ...]
    tree: STRtree
    legend: BaseGeometry

    def figures_near(self, low: Floats, high: Floats) -> list[Polygon]:
        """Return the figures that touch a box [mm]."""
        return [self.figures[k] for k in self.tree.query(box(*low, *high))]


def board_picture(
    plan: PlanRecord, board: str = "", *, bare: bool = False, legend: BaseGeometry | None = None
) -> BoardPicture:
    """Return the picture of a plan's board; of a tray, of the one named. `bare` leaves the paste out of the figures.

    `legend` is what is printed near lands [mm, board], as far as it is known.

    Raises `InputError` for a plan that holds no lands, and for a name that the tray does not have.
    """
    pads = _pads_of(plan, board)
    if not any(pad.land_mm for pad in pads):
        raise one_error(
            "this plan holds no lands, by which the board is found in a photo",
            "Plan the board anew with this version: pastewright plan.",
        )
    lands = tuple(area_of(pad.land_mm) for pad in pads)
    serves: defaultdict[int, list[int]] = defaultdict(list)
    for number, pad in enumerate(pads):
        for deposit in pad.deposits:
            serves[deposit.id].append(number)
    rows = tuple(
        _row(pad, deposit, lands[number], [pads[k] for k in serves[deposit.id]])
        for number, pad in enumerate(pads)
        for deposit in pad.deposits
    )
    seen = [land for land in lands if not land.is_empty]
    if not bare:
        seen += [row.paste for row in rows]
    whole = unary_union([shape.buffer(0.03) for shape in seen])  # nearer ones run into one in a photo
    figures = tuple(polygons_of(whole))
    return BoardPicture(
        rows=rows,
        pads=pads,
        lands=lands,
        holes=tuple(
            (
                LineString([(hole.x_mm, hole.y_mm), hole.slot_to_mm])
                if hole.slot_to_mm
                else Point(hole.x_mm, hole.y_mm)
            ).buffer(hole.diameter_mm / 2)
            for hole in plan.board.holes
        ),
        edge=area_of(plan.board.outline_mm) if plan.board.outline_mm else whole.envelope.buffer(2.0),
        figures=figures,
        tree=STRtree(figures),
        legend=Polygon() if legend is None else legend,
    )


def _pads_of(plan: PlanRecord, board: str) -> tuple[PadRecord, ...]:
    """Return the pads of one board; a tray's pads bear their board's name."""
    names = list(dict.fromkeys(pad.board for pad in plan.pads))
    if len(names) <= 1:
        return plan.pads
    if board not in names:
        raise one_error(
            f"this plan has {len(names)} boards; " + (f"none is {board!r}" if board else "no one is named"),
            f"Name one with --board: {', '.join(names[:8])}{' …' if len(names) > 8 else ''}.",
        )
    return tuple(pad for pad in plan.pads if pad.board == board)


def area_of(rings: Sequence[Sequence[tuple[float, float]]]) -> BaseGeometry:
    """Return the area of closed lines, of which those within another cut a hole."""
    area: BaseGeometry = Polygon()
    for ring in rings:
        area = area.symmetric_difference(Polygon(ring).buffer(0))
    return area


def _row(
    pad: PadRecord, deposit: DepositRecord, land: BaseGeometry, served: Sequence[PadRecord]
) -> InspectedRow:
    points = deposit.points_mm
    line = Point(points[0]) if len(points) == 1 else LineString(points)
    paste = line.buffer(max(deposit.width_mm, 1e-3) / 2)
    shared = len(served) > 1
    if shared:
        assert isinstance(line, LineString)
        paste = _part(paste, line, pad, served)
    middle = paste.centroid
    return InspectedRow(
        pad=pad, deposit=deposit, at_mm=(middle.x, middle.y), paste=paste, land=land, shared=shared
    )


def _part(paste: Polygon, line: LineString, pad: PadRecord, served: Sequence[PadRecord]) -> Polygon:
    """Return the part of a bead that is nearest to one of the pads it serves, cut square to the bead."""
    feet = sorted((line.project(Point(other.x_mm, other.y_mm)), other.id) for other in served)
    place = next(k for k, (_, name) in enumerate(feet) if name == pad.id)
    low = (feet[place - 1][0] + feet[place][0]) / 2 if place else 0.0
    high = (feet[place][0] + feet[place + 1][0]) / 2 if place + 1 < len(feet) else line.length
    if high - low < 1e-6:
        return paste
    part = _between(line, low, high)
    flat: BaseGeometry = part.buffer(np.sqrt(paste.area) + 1.0, cap_style="flat")
    # The bead's round ends belong to the first and the last pad.
    if place == 0:
        flat = _with_end(
            flat, line.coords[0], _between(line, high, line.length) if high < line.length else None
        )
    if place + 1 == len(feet):
        flat = _with_end(flat, line.coords[-1], _between(line, 0.0, low) if low > 0 else None)
    cut = polygons_of(paste.intersection(flat))
    return max(cut, key=lambda one: one.area) if cut else paste


def _with_end(flat: BaseGeometry, end: tuple[float, ...], rest: LineString | None) -> BaseGeometry:
    grown = flat.union(Point(end).buffer(1.0))
    return grown if rest is None else grown.difference(rest.buffer(1.0, cap_style="flat"))


def _between(line: LineString, low: float, high: float) -> LineString:
    """Return the part of a line from one length along it to another."""
    steps = [low, *(line.project(Point(p)) for p in line.coords), high]
    kept = sorted({s for s in steps if low <= s <= high})
    return LineString([line.interpolate(s) for s in (kept if len(kept) > 1 else (low, high))])


def may_touch(a: InspectedRow, b: InspectedRow) -> bool:
    """Tell whether two rows' pastes may run into one: one pad's, one bead's, one net's, or planned to touch."""
    return (
        a.pad.id == b.pad.id
        or a.deposit.id == b.deposit.id
        or (bool(a.pad.net) and a.pad.net == b.pad.net)
        or a.paste.distance(b.paste) < 0.02
    )


def drawn(shapes: Iterable[BaseGeometry], low_mm: Floats, scale: float, size: tuple[int, int]) -> Bytes:
    """Return a mask (rows, columns) of filled shapes, 255 within; `low_mm` is the middle of pixel (0, 0), y goes up.

    `scale` is in px/mm, `size` is (columns, rows). Row 0 is the lowest y.
    """
    mask = np.zeros((size[1], size[0]), np.uint8)
    for shape in shapes:
        for polygon in polygons_of(shape):
            rings = [polygon.exterior, *polygon.interiors]
            corners = [
                np.round((np.asarray(ring.coords)[:, :2] - low_mm) * scale * (1 << SHIFT)).astype(np.int32)
                for ring in rings
            ]
            cv2.fillPoly(mask, corners, 255, cv2.LINE_8, SHIFT)
    return mask


def polygons_of(shape: BaseGeometry) -> list[Polygon]:
    """Return the polygons of an area, none of them empty."""
    if isinstance(shape, Polygon):
        return [] if shape.is_empty else [shape]
    return [part for part in getattr(shape, "geoms", ()) if isinstance(part, Polygon) and not part.is_empty]
