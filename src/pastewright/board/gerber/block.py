"""What a file, an aperture block or a step-and-repeat has drawn: objects with their shapes [mm], in file order."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray

from pastewright.board.artwork import Attributes, DrawnKind
from pastewright.board.model import Point
from pastewright.board.shapes.curves import Points, area_of

Shapes = NDArray[np.object_]


@dataclass(slots=True, kw_only=True)
class PlottedBlock:
    """Finished objects in file order, one entry per object in every list."""

    kinds: list[DrawnKind]
    shapes: Shapes
    darks: list[bool]
    attributes: list[Attributes]
    lines: list[int]
    paths: list[tuple[Point, ...]]
    widths_mm: list[float]

    def __len__(self) -> int:
        return len(self.kinds)

    def moved(self, move: Callable[[Points], Points]) -> "PlottedBlock":
        """Return the block with every place moved by `move`, a function of points (N×2, mm)."""
        return replace(
            self,
            shapes=shapely.transform(self.shapes, move),
            paths=[tuple(tuples(move(np.array(path)))) if path else () for path in self.paths],
        )

    def mended(self) -> "PlottedBlock":
        """Return the block with every shape valid.

        Shapes are valid as they are drawn about their origin, but moving and turning rounds their corners: two that
        all but touched may cross by the last digit. The areas are the same.
        """
        crossed = np.flatnonzero(~shapely.is_valid(self.shapes))
        if not len(crossed):
            return self
        shapes = self.shapes.copy()
        for index in crossed:
            shapes[index] = area_of(shapely.make_valid(shapes[index]))
        return replace(self, shapes=shapes)

    def corners(self) -> int:
        """Return the number of corners of all shapes."""
        return int(shapely.get_num_coordinates(self.shapes).sum()) if len(self) else 0


def tuples(points: Points) -> list[Point]:
    """Return points (N×2) one by one."""
    return list(zip(points[:, 0].tolist(), points[:, 1].tolist(), strict=True))
