"""What a file draws, gathered while it is read, to blocks of objects with their shapes [mm].

Shapes are made in bulk at the end: all flashes of one aperture at once, all round strokes at once. An aperture
block or a step-and-repeat is a `Plot` of its own; once finished it is a `PlottedBlock` that can be drawn many times.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import shapely
from numpy.typing import NDArray

from pastewright.board.artwork import Attributes, DrawnKind
from pastewright.board.gerber.apertures import DrawnAperture, Stance
from pastewright.board.gerber.arcs import Arc
from pastewright.board.gerber.block import PlottedBlock, Shapes, tuples
from pastewright.board.gerber.budget import Budget
from pastewright.board.gerber.complaints import Complaints
from pastewright.board.model import Area, Point
from pastewright.board.shapes.curves import (
    EMPTY,
    Points,
    all_moved,
    arc_points,
    area_of,
    corner_count,
    joined,
    ring_area,
    round_arc_stroke,
    round_strokes,
    swept,
)
from pastewright.distinct import distinct

MOST_CROSSINGS = 2_000_000
"""Crossings of one contour with itself that are still repaired."""


@dataclass(slots=True)
class _Flashes:
    indices: list[int] = field(default_factory=list)
    places: list[Point] = field(default_factory=list)


@dataclass(slots=True)
class _Strokes:
    indices: list[int] = field(default_factory=list)
    starts: list[Point] = field(default_factory=list)
    ends: list[Point] = field(default_factory=list)
    radii_mm: list[float] = field(default_factory=list)


class Inking(NamedTuple):
    """Many operations (1, 2, 3 as in D01 to D03) `from_mm` to `to_mm` (N×2): `which` of the `inks` draws each, and
    the line it stands on. An ink is an aperture with the attributes of what it draws."""

    inks: Sequence[tuple[DrawnAperture, Attributes]]
    which: NDArray[np.intp]
    operations: NDArray[np.int64]
    from_mm: Points
    to_mm: Points
    lines: NDArray[np.int64]


class Plot:
    """Objects in the order they are drawn, with shapes still to be made."""

    def __init__(self, complaints: Complaints, budget: Budget) -> None:
        self._complaints = complaints
        self._budget = budget
        self._kinds: list[DrawnKind] = []
        self._darks: list[bool] = []
        self._attributes: list[Attributes] = []
        self._lines: list[int] = []
        self._paths: list[tuple[Point, ...]] = []
        self._widths_mm: list[float] = []
        self._flashes: dict[DrawnAperture, _Flashes] = {}
        self._round: dict[int, _Strokes] = {}
        self._convex: dict[DrawnAperture, _Strokes] = {}
        self._made: list[tuple[int, Area]] = []
        self._copies: list[tuple[int, Shapes]] = []
        self._regions: list[tuple[int, list[Points]]] = []

    def __len__(self) -> int:
        return len(self._kinds)

    def _add(
        self,
        kind: DrawnKind,
        dark: bool,
        attributes: Attributes,
        line: int,
        path: tuple[Point, ...] = (),
        width_mm: float = 0.0,
    ) -> int:
        self._kinds.append(kind)
        self._darks.append(dark)
        self._attributes.append(attributes)
        self._lines.append(line)
        self._paths.append(path)
        self._widths_mm.append(width_mm)
        return len(self._kinds) - 1

    def flash(
        self, aperture: DrawnAperture, place: Point, dark: bool, attributes: Attributes, line: int
    ) -> None:
        """Draw an aperture once."""
        index = self._add(DrawnKind.FLASH, dark, attributes, line, width_mm=aperture.disc_mm)
        self._put(aperture, index, place, line)

    def _put(self, aperture: DrawnAperture, index: int, place: Point, line: int) -> None:
        flashes = self._flashes.get(aperture)
        if flashes is None:
            flashes = self._flashes[aperture] = _Flashes()
        self._budget.spend(line, corners=aperture.corners)
        flashes.indices.append(index)
        flashes.places.append(place)

    def stroke(
        self,
        aperture: DrawnAperture,
        start: Point,
        end: Point,
        dark: bool,
        attributes: Attributes,
        line: int,
    ) -> None:
        """Draw an aperture along a straight line."""
        index = self._add(DrawnKind.STROKE, dark, attributes, line, (start, end), aperture.width_mm)
        if start == end:
            self._put(aperture, index, start, line)
        elif self._bulky(aperture):
            lined_up, radius_mm, corners = self._lines_of(aperture)
            self._budget.spend(line, corners=corners)
            self._line_up(lined_up, index, start, end, radius_mm)
        else:
            self._budget.spend(line, corners=8 * aperture.corners)
            self._made.append((index, swept(aperture.shape, start, end)))

    def run(self, inking: Inking, dark: bool) -> None:
        """Draw many times: along a straight line where the operation is 1, at its place where it is 3."""
        drawn = np.flatnonzero(inking.operations != 2)
        strokes = inking.operations[drawn] == 1
        starts, ends, which = inking.from_mm[drawn], inking.to_mm[drawn], inking.which[drawn]
        still = ~strokes | (starts == ends).all(axis=1)
        if not all(self._bulky(inking.inks[k][0]) for k in distinct(which[~still]).tolist()):
            self._one_by_one(inking, drawn, dark)
            return
        first = len(self._kinds)
        begun, reached = tuples(starts), tuples(ends)
        walked, ink_of, lines = strokes.tolist(), which.tolist(), inking.lines[drawn].tolist()
        self._kinds.extend(DrawnKind.STROKE if along else DrawnKind.FLASH for along in walked)
        self._darks.extend([dark] * len(drawn))
        self._attributes.extend(inking.inks[k][1] for k in ink_of)
        self._lines.extend(lines)
        self._paths.extend(
            (a, b) if along else () for a, b, along in zip(begun, reached, walked, strict=True)
        )
        widths = [(aperture.disc_mm, aperture.width_mm) for aperture, _ in inking.inks]
        self._widths_mm.extend(widths[k][along] for k, along in zip(ink_of, walked, strict=True))
        for k, (aperture, _) in enumerate(inking.inks):
            placed = np.flatnonzero(still & (which == k)).tolist()
            if placed:
                self._budget.spend(lines[0], objects=len(placed), corners=len(placed) * aperture.corners)
                flashes = self._flashes.setdefault(aperture, _Flashes())
                flashes.indices.extend(first + n for n in placed)
                flashes.places.extend(reached[n] for n in placed)
            swept_by = np.flatnonzero(~still & (which == k)).tolist()
            if swept_by:
                lined_up, radius_mm, corners = self._lines_of(aperture)
                self._budget.spend(lines[0], objects=len(swept_by), corners=len(swept_by) * corners)
                lined_up.indices.extend(first + n for n in swept_by)
                lined_up.starts.extend(begun[n] for n in swept_by)
                lined_up.ends.extend(reached[n] for n in swept_by)
                lined_up.radii_mm.extend([radius_mm] * len(swept_by))

    def _one_by_one(self, inking: Inking, drawn: NDArray[np.intp], dark: bool) -> None:
        """Draw what holds strokes that are swept each in a way of its own."""
        begun, reached = tuples(inking.from_mm), tuples(inking.to_mm)
        for n in drawn.tolist():
            aperture, attributes = inking.inks[inking.which[n]]
            line = int(inking.lines[n])
            if inking.operations[n] == 1:
                self.stroke(aperture, begun[n], reached[n], dark, attributes, line)
            else:
                self.flash(aperture, reached[n], dark, attributes, line)

    @staticmethod
    def _bulky(aperture: DrawnAperture) -> bool:
        """Return whether all strokes of an aperture are made at once."""
        return (aperture.disc_mm > 0 and not aperture.holed) or aperture.hull is not None

    def _lines_of(self, aperture: DrawnAperture) -> tuple[_Strokes, float, int]:
        """Return where strokes of a bulky aperture wait, its radius [mm] if it is a disc, and a stroke's corners."""
        if aperture.disc_mm > 0 and not aperture.holed:
            corners = corner_count(aperture.disc_mm / 2)
            return self._round.setdefault(corners, _Strokes()), aperture.disc_mm / 2, corners + 2
        assert aperture.hull is not None
        return self._convex.setdefault(aperture, _Strokes()), 0.0, 2 * len(aperture.hull)

    @staticmethod
    def _line_up(strokes: _Strokes, index: int, start: Point, end: Point, radius_mm: float) -> None:
        strokes.indices.append(index)
        strokes.starts.append(start)
        strokes.ends.append(end)
        strokes.radii_mm.append(radius_mm)

    def arc_stroke(
        self, aperture: DrawnAperture, arc: Arc, dark: bool, attributes: Attributes, line: int
    ) -> None:
        """Draw an aperture along an arc."""
        points = arc_points(arc.centre, arc.start, arc.end, arc.sweep, true_area=False)
        path = tuple((float(x), float(y)) for x, y in points)
        index = self._add(DrawnKind.STROKE, dark, attributes, line, path, aperture.width_mm)
        if aperture.disc_mm > 0 and not aperture.holed:
            self._budget.spend(line, corners=4 * len(path) + 100)
            shape = round_arc_stroke(arc.centre, arc.start, arc.end, arc.sweep, aperture.disc_mm / 2)
        elif aperture.hull is not None:
            self._budget.spend(line, corners=2 * len(path) * len(aperture.hull))
            hulls = _hulls(aperture.hull, points[:-1], points[1:])
            shape = area_of(shapely.union_all(hulls))
        else:
            self._budget.spend(line, corners=8 * len(path) * aperture.corners)
            pieces = [swept(aperture.shape, start, end) for start, end in pairwise(path)]
            shape = area_of(shapely.union_all(pieces))
        self._made.append((index, shape))

    def region(self, contours: list[Points], dark: bool, attributes: Attributes, line: int) -> None:
        """Draw a region: every contour is filled by itself, and they are joined."""
        self._budget.spend(line, corners=sum(len(contour) for contour in contours))
        self._regions.append((self._add(DrawnKind.REGION, dark, attributes, line), contours))

    def copies(
        self,
        block: PlottedBlock,
        places: Sequence[Point],
        line: int,
        *,
        stance: Stance | None = None,
        dark: bool = True,
        attributes: Attributes | None = None,
    ) -> None:
        """Draw a block at each place. A clear block turns dark into clear and clear into dark.

        The objects keep their own attributes; those of the flash are added where the object has none of that name.
        """
        count = len(block)
        if not count:
            return
        corners = block.corners()
        self._budget.spend(line, objects=count * len(places), corners=corners * len(places))
        stance = stance or Stance()
        shapes = block.shapes if stance.upright else shapely.transform(block.shapes, stance.placed)
        paths = block.paths
        if not stance.upright:
            paths = [tuple(tuples(stance.placed(np.array(path)))) if path else () for path in paths]
        widths = block.widths_mm if stance.scale == 1 else [width * stance.scale for width in block.widths_mm]
        darks = block.darks if dark else [not was_dark for was_dark in block.darks]
        merged = _inherited(block.attributes, attributes) if attributes else block.attributes
        for place in places:
            x, y = place
            self._copies.append((len(self._kinds), all_moved(shapes, np.array(place))))
            self._kinds.extend(block.kinds)
            self._darks.extend(darks)
            self._attributes.extend(merged)
            self._lines.extend(block.lines)
            self._paths.extend(tuple((px + x, py + y) for px, py in path) if path else () for path in paths)
            self._widths_mm.extend(widths)

    def finished(self) -> PlottedBlock:
        """Return everything drawn, with its shapes."""
        shapes = np.full(len(self._kinds), EMPTY, dtype=object)
        for aperture, flashes in self._flashes.items():
            if aperture.shape.is_empty:
                continue
            shift = np.repeat(np.array(flashes.places), aperture.corners, axis=0)
            same = np.full(len(flashes.indices), aperture.shape, dtype=object)
            shapes[flashes.indices] = all_moved(same, shift)
        for corners, strokes in self._round.items():
            shapes[strokes.indices] = round_strokes(
                np.array(strokes.starts), np.array(strokes.ends), np.array(strokes.radii_mm), corners
            )
        for aperture, strokes in self._convex.items():
            assert aperture.hull is not None
            shapes[strokes.indices] = _hulls(aperture.hull, np.array(strokes.starts), np.array(strokes.ends))
        for index, shape in self._made:
            shapes[index] = shape
        for begin, copied in self._copies:
            shapes[begin : begin + len(copied)] = copied
        for index, contours in self._regions:
            shapes[index] = self._filled(contours, self._lines[index])
        return PlottedBlock(
            kinds=self._kinds,
            shapes=shapes,
            darks=self._darks,
            attributes=self._attributes,
            lines=self._lines,
            paths=self._paths,
            widths_mm=self._widths_mm,
        )

    def _filled(self, contours: list[Points], line: int) -> Area:
        """Return the area of a region, its contours repaired where they cross themselves."""
        areas: list[Area] = []
        for contour in contours:
            shape: Area = ring_area(contour)
            if not shape.is_valid:
                shape = self._repaired(contour, shape, line)
            areas.append(shape)
        return joined(areas)

    def _repaired(self, contour: Points, shape: Area, line: int) -> Area:
        """Return a contour that touches or crosses itself as proper polygons, by the even-odd rule.

        Cut-ins, where a contour runs to an inner hole and back along the same line, are lawful: their area is the
        contour's own (shoelace), and nothing is said. Any other change of area is a warning.
        """
        if _crossings(contour) > MOST_CROSSINGS:
            self._complaints.error(
                f"A region of {len(contour)} corners crosses itself more than {MOST_CROSSINGS} times.",
                line=line,
            )
            return EMPTY
        own_area = shape.area
        repaired = area_of(shapely.make_valid(shape))
        if abs(repaired.area - own_area) > 1e-6 * max(repaired.area, own_area) + 1e-9:
            self._complaints.warn(
                f"A region crosses itself; it is filled by the even-odd rule to {repaired.area:.4f} mm².",
                "Look at it in the picture of the board, or repair it in the design program.",
                line=line,
                key=f"region {line}",
            )
        return repaired


def _hulls(hull: Points, starts: Points, ends: Points) -> Shapes:
    """Return the areas that a convex aperture sweeps along straight lines: the hulls of both ends."""
    corners = np.concatenate(
        (starts[:, None, :] + hull[None, :, :], ends[:, None, :] + hull[None, :, :]), axis=1
    )
    found = np.asarray(shapely.convex_hull(shapely.multipoints(np.asarray(shapely.points(corners)))))
    found[shapely.get_dimensions(found) < 2] = EMPTY
    return found


def _inherited(own: list[Attributes], added: Attributes) -> list[Attributes]:
    """Return each object's attributes with those of the flashed block beneath; equal ones stay shared."""
    merged: dict[int, Attributes] = {}
    for attributes in own:
        if id(attributes) not in merged:
            merged[id(attributes)] = {**added, **attributes}
    return [merged[id(attributes)] for attributes in own]


def _crossings(contour: Points) -> float:
    """Return about how many pairs of a contour's edges meet, from a sample of 200 edges."""
    count = len(contour)
    low = np.minimum(contour, np.roll(contour, -1, axis=0))
    high = np.maximum(contour, np.roll(contour, -1, axis=0))
    sample = np.linspace(0, count - 1, min(count, 200)).astype(int)
    pairs = 0
    for edge in sample:
        over = (low <= high[edge]).all(axis=1) & (high >= low[edge]).all(axis=1)
        pairs += int(over.sum()) - 1
    return pairs / len(sample) * count / 2
