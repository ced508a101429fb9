"""Layout and placements to a layout in machine coordinates, with the height of the board at every point."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pastewright.board.model import Point
from pastewright.deposit.model import Layout
from pastewright.place.surface import followed
from pastewright.place.transform import Placements
from pastewright.profile.model import Bed

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Located:
    """`layout` with its points in machine coordinates, beads cut where they follow a bow.

    `ground_mm[index]` has the board's height at each point of that deposit. `as_drawn` tells that no length has
    changed and nothing was cut: the deposits are those of the board, only elsewhere.
    """

    layout: Layout
    ground_mm: tuple[tuple[float, ...], ...]
    as_drawn: bool


def located(layout: Layout, placements: Placements) -> Located:
    """Return every deposit where it will lie [mm, machine]; deposit k of n is on board k·boards/n."""
    count = len(layout.deposits)
    boards = placements.boards
    if count % len(boards):
        raise ValueError(f"{count} deposits do not fill {len(boards)} boards alike")
    each = count // len(boards)
    deposits = list(layout.deposits)
    grounds: list[tuple[float, ...]] = []
    for number, board in enumerate(boards):
        own = layout.deposits[number * each : (number + 1) * each]
        flat = np.array([point for deposit in own for point in deposit.points_mm], dtype=np.float64)
        places = list(map(tuple, board.affine.apply(flat.reshape(-1, 2)).tolist()))
        paths: list[tuple[Point, ...]] = []
        at = 0
        for deposit in own:
            path = tuple(places[at : at + len(deposit.points_mm)])
            at += len(deposit.points_mm)
            paths.append(followed(path, board.surface))
        points = np.array([point for path in paths for point in path], dtype=np.float64).reshape(-1, 2)
        heights = board.surface.heights_mm(points).tolist()
        at = 0
        for index, path in enumerate(paths, number * each):
            grounds.append(tuple(heights[at : at + len(path)]))
            at += len(path)
            deposits[index] = replace(deposits[index], points_mm=path)
    return Located(
        layout=replace(layout, deposits=tuple(deposits)),
        ground_mm=tuple(grounds),
        as_drawn=all(board.affine.keeps_lengths and board.surface.mesh is None for board in boards),
    )


def travel_z_mm(bed: Bed, placements: Placements, there: Located) -> float:
    """Return the height of every travel [mm, machine]: the clearance above the bed's height or the highest point pasted.

    Of a board that was probed, its surface counts over all its mesh, pasted or not.
    """
    highest = [bed.board_z_mm, *(max(ground) for ground in there.ground_mm)]
    for board in placements.boards:
        mesh = board.surface.mesh
        if mesh is not None:
            highest.append(
                board.surface.highest_mm((mesh.x_mm[0], mesh.y_mm[0], mesh.x_mm[-1], mesh.y_mm[-1]))
            )
    return max(highest) + bed.clearance_mm
