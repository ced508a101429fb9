"""Layout and placements to a layout in machine coordinates, with the height of the board at every point."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from msgspec import Struct, structs
from numpy.typing import NDArray

from pastewright.board.model import Point
from pastewright.deposit.model import Deposit, Layout
from pastewright.place.surface import followed
from pastewright.place.transform import Placement, Placements
from pastewright.profile.model import Bed

Floats = NDArray[np.float64]


class Located(Struct, frozen=True, kw_only=True):
    """`layout` with its points in machine coordinates, beads cut where they follow a bow; `drawn` is as it was.

    `ground_mm[index]` has the board's height at each point of that deposit.
    """

    drawn: Layout
    layout: Layout
    ground_mm: tuple[tuple[float, ...], ...]
    placements: Placements

    @property
    def as_drawn(self) -> bool:
        """Whether no length has changed and nothing was cut: the same deposits, only elsewhere."""
        return all(
            board.affine.keeps_lengths and board.surface.mesh is None for board in self.placements.boards
        )

    def travel_z_mm(self, bed: Bed) -> float:
        """Return the height of every travel [mm, machine]: the clearance above bed and highest point pasted.

        Of a board that was probed, its surface counts over all its mesh, pasted or not; of one that is not in this program
        its highest place, since ways may lead over it.
        """
        highest = [bed.board_z_mm, *(max(ground) for ground in self.ground_mm)]
        highest += [other.highest_mm for other in self.placements.neighbours if other.highest_mm is not None]
        for board in self.placements.boards:
            mesh = board.surface.mesh
            if mesh is not None:
                highest.append(
                    board.surface.highest_mm((mesh.x_mm[0], mesh.y_mm[0], mesh.x_mm[-1], mesh.y_mm[-1]))
                )
        return max(highest) + bed.clearance_mm


def located(layout: Layout, placements: Placements) -> Located:
    """Return every deposit where it will lie [mm, machine], each on its board."""
    deposits = list(layout.deposits)
    grounds: list[tuple[float, ...]] = [() for _ in deposits]
    for number, board in enumerate(placements.boards):
        own = [deposit for deposit in layout.deposits if deposit.board == number]
        for deposit, path, ground in zip(own, *_on_board(own, board), strict=True):
            deposits[deposit.index] = structs.replace(deposit, points_mm=path)
            grounds[deposit.index] = ground
    if not all(grounds):
        raise ValueError("a deposit is on a board that is not placed")
    return Located(
        drawn=layout,
        layout=replace(layout, deposits=tuple(deposits)),
        ground_mm=tuple(grounds),
        placements=placements,
    )


def _on_board(
    own: Sequence[Deposit], board: Placement
) -> tuple[list[tuple[Point, ...]], list[tuple[float, ...]]]:
    """Return the path of each deposit of a board [mm, machine], and the height of the board along it."""
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
    grounds: list[tuple[float, ...]] = []
    at = 0
    for path in paths:
        grounds.append(tuple(heights[at : at + len(path)]))
        at += len(path)
    return paths, grounds
