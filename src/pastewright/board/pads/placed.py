"""From file to board coordinates: pads, holes and outline moved to the board's origin, the bottom mirrored.

Everything before this stands in file coordinates, as drawn and seen from the top.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import shapely
from msgspec import Struct, structs
from numpy.typing import NDArray
from shapely.geometry import Polygon

from pastewright.board.model import (
    Aperture,
    Area,
    Board,
    Check,
    Fiducial,
    Hole,
    LayerUse,
    LeftOut,
    OutlineFrom,
    Pad,
    PadKind,
    PartlyNamed,
    PasteOrigin,
    Point,
    Side,
)
from pastewright.board.pads.ids import pad_ids
from pastewright.board.pads.kinds import Kind
from pastewright.board.pads.paste import Opening
from pastewright.board.pads.rounds import round_diameter_mm
from pastewright.board.pads.site import Site
from pastewright.board.shapes.islands import polygons, shape_array
from pastewright.problems import Problem, Severity

# Pads this far beyond the outline are said to be outside.
OUTSIDE_MM = 0.05
# A pad with its kind and the paste openings on it, in file coordinates.
Found = tuple[Site, Kind, list[Opening]]


class FoundSide(Struct, frozen=True, kw_only=True):
    """What was found on one side [mm, file, seen from the top], before it is a board."""

    origin: PasteOrigin
    outline: Area | None
    pads: tuple[Found, ...]
    holes: tuple[Hole, ...]
    left_out: tuple[LeftOut, ...]
    problems: tuple[Problem, ...]
    outline_from: OutlineFrom
    checks: tuple[Check, ...] = ()
    partly_named: tuple[PartlyNamed, ...] = ()


def placed_board(
    found: FoundSide, *, name: str, side: Side, uses: tuple[LayerUse, ...], sha256: str
) -> Board:
    """Return the board: what was found in board coordinates, with ids, fiducials and problems."""
    x0_mm, y0_mm, x1_mm, y1_mm = _box(found.outline, found.pads)
    mirrored = side is Side.BOTTOM
    corner = (x1_mm if mirrored else x0_mm, y0_mm)
    place = _Place(corner=corner, mirrored=mirrored)
    lands = place.areas([site.land.shape for site, _, _ in found.pads])
    centres = shapely.get_coordinates(shapely.centroid(shape_array(lands))).tolist()
    ids, doubled = pad_ids([(site.ref, site.pin) for site, _, _ in found.pads], centres)
    holes = {id(hole): place.hole(hole) for hole in found.holes}
    return Board(
        name=name,
        side=side,
        outline=place.areas([found.outline])[0] if found.outline is not None else None,
        size_mm=(x1_mm - x0_mm, y1_mm - y0_mm),
        file_origin_mm=corner,
        mirrored=mirrored,
        pads=tuple(_pads(found.pads, ids, lands, holes, place)),
        holes=tuple(holes[id(hole)] for hole in found.holes),
        fiducials=tuple(_fiducials(found.pads, centres)),
        paste_origin=found.origin,
        layers=uses,
        left_out=tuple(
            replace(each, shape=shape)
            for each, shape in zip(
                found.left_out, place.areas([each.shape for each in found.left_out]), strict=True
            )
        ),
        problems=(*found.problems, *_outside(found.outline, found.pads), *_shared_names(doubled)),
        inputs_sha256=sha256,
        outline_from=found.outline_from,
        checks=found.checks,
        partly_named=found.partly_named,
    )


def _shared_names(doubled: int) -> list[Problem]:
    if not doubled:
        return []
    what = (
        f"{doubled} pad(s) share a name with another (a panel of copies, or several lands on one pin); "
        "they are told apart by #2, #3, … from the lower left"
    )
    return [Problem(what=what, severity=Severity.NOTE)]


def _pads(
    found: Sequence[Found],
    ids: Sequence[str],
    lands: Sequence[Polygon],
    holes: Mapping[int, Hole],
    place: "_Place",
) -> Iterator[Pad]:
    apertures = iter(place.areas([each.shape for _, _, openings in found for each in openings]))
    for (site, kind, openings), pad_id, land in zip(found, ids, lands, strict=True):
        yield Pad(
            id=pad_id,
            kind=kind.kind,
            land=land,
            apertures=tuple(Aperture(shape=next(apertures), source=each.source) for each in openings),
            source=site.land.source,
            ref=site.ref,
            pin=site.pin,
            net=site.land.net,
            hole=holes[id(kind.hole)] if kind.hole is not None else None,
            kind_reason=kind.reason,
            path_mm=tuple(place.point(x_mm, y_mm) for x_mm, y_mm in site.land.path_mm),
            path_width_mm=site.land.path_width_mm,
            volume_ul=site.land.volume_ul,
        )


def _fiducials(found: Sequence[Found], centres: Sequence[Sequence[float]]) -> Iterator[Fiducial]:
    for (site, kind, _), (x_mm, y_mm) in zip(found, centres, strict=True):
        if kind.kind is PadKind.FIDUCIAL:
            yield Fiducial(
                x_mm=x_mm,
                y_mm=y_mm,
                diameter_mm=round_diameter_mm(site.land)
                or float(2.0 * np.sqrt(site.land.shape.area / np.pi)),
                reason=kind.reason,
                source=site.land.source,
            )


def _box(outline: Area | None, pads: Sequence[Found]) -> tuple[float, float, float, float]:
    """Return the box of the outline [mm, file], or of all pads when there is none."""
    if outline is None and not pads:
        return 0.0, 0.0, 0.0, 0.0
    shapes: list[Any] = [outline] if outline is not None else []
    if outline is None:
        for site, _, openings in pads:
            shapes.extend([site.land.shape, *(each.shape for each in openings)])
    x0, y0, x1, y1 = shapely.total_bounds(shape_array(shapes)).tolist()
    return x0, y0, x1, y1


def _outside(outline: Area | None, pads: Sequence[Found]) -> list[Problem]:
    pasted = [(site, openings) for site, _, openings in pads if openings]
    if outline is None or not pasted:
        return []
    board = shapely.union_all(
        shape_array([Polygon(part.exterior) for part in polygons(shapely.buffer(outline, OUTSIDE_MM))])
    )
    shapely.prepare(board)
    points = shapely.point_on_surface(shape_array([openings[0].shape for _, openings in pasted]))
    beyond = np.flatnonzero(~shapely.covers(board, points))
    if len(beyond) == 0:
        return []
    source = pasted[int(beyond[0])][1][0].source
    what = f"{len(beyond)} pasted pad(s) lie outside the board's outline"
    mend = "Check that the outline and paste layers were exported with the same origin."
    return [Problem(what=what, mend=mend, severity=Severity.WARNING, file=source.file, line=source.line)]


class _Place(Struct, frozen=True, kw_only=True):
    """From file to board coordinates: `corner` becomes (0, 0); x is turned round for the bottom side."""

    corner: Point
    mirrored: bool

    def coordinates(self, places: NDArray[np.float64]) -> NDArray[np.float64]:
        moved: NDArray[np.float64] = places - np.array(self.corner)
        if self.mirrored:
            moved = moved * np.array((-1.0, 1.0))
        return moved

    def point(self, x_mm: float, y_mm: float) -> Point:
        x, y = self.coordinates(np.array([[x_mm, y_mm]]))[0].tolist()
        return x, y

    def areas(self, shapes: Sequence[Any]) -> list[Any]:
        if not shapes:
            return []
        return list(shapely.transform(shape_array(shapes), self.coordinates))

    def hole(self, hole: Hole) -> Hole:
        x_mm, y_mm = self.point(hole.x_mm, hole.y_mm)
        slot = self.point(*hole.slot_to_mm) if hole.slot_to_mm is not None else None
        return structs.replace(hole, x_mm=x_mm, y_mm=y_mm, slot_to_mm=slot)
