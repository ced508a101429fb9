"""Files and a board to what else is drawn on its side [mm, board]: copper, openings, legend. No paste follows from it."""

from collections.abc import Collection, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import shapely

from pastewright.board.artwork import Drawn, Layer
from pastewright.board.ask import Ask
from pastewright.board.model import Area, Board, LayerRole, Side
from pastewright.board.read import reader_of_files
from pastewright.board.shapes.islands import painted, shape_array
from pastewright.board.source.files import SourceFile, read_source
from pastewright.problems import InputError

FILMS = {
    Side.TOP: (LayerRole.TOP_COPPER, LayerRole.TOP_MASK, LayerRole.TOP_SILK),
    Side.BOTTOM: (LayerRole.BOTTOM_COPPER, LayerRole.BOTTOM_MASK, LayerRole.BOTTOM_SILK),
}
LEGENDS = (LayerRole.TOP_SILK, LayerRole.BOTTOM_SILK)
FINE_MM = 0.004
"""Corners nearer to a straight line than this are left out: a fifth of a pixel at fifty pixels a millimetre."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FilmDrawing:
    """What one layer draws, dark and clear laid over each other: `areas` [mm, board]. Of the mask these are openings."""

    role: LayerRole
    file: str
    areas: tuple[Area, ...]


def read_drawings(
    path: Path, board: Board, ask: Ask, *, roles: Collection[LayerRole] = tuple(LayerRole)
) -> tuple[FilmDrawing, ...]:
    """Return the layers of the board's side that a picture shows beside its pads, as far as they can be read.

    `board` is what `read_board` gave for the same `path` and `ask`; one that cannot be drawn is left out, and of those of
    other `roles` nothing is read.
    """
    wanted = [role for role in FILMS[board.side] if role in roles]
    files = read_source(path)
    reader, own = reader_of_files(files, ask)
    if reader.of_a_set:
        layers = _of_set(files, board, wanted)
    else:
        layers = {}
        with suppress(InputError):
            layers = dict(reader.read(own, replace(ask, side=board.side)).layers)
    return tuple(
        FilmDrawing(role=role, file=layers[role].file, areas=_placed(_laid(layers[role].objects), board))
        for role in wanted
        if role in layers
    )


def _of_set(
    files: Sequence[SourceFile], board: Board, roles: Collection[LayerRole]
) -> dict[LayerRole, Layer]:
    from pastewright.board.gerber.read import read_gerber

    data = {file.name: file.data for file in files}
    layers: dict[LayerRole, Layer] = {}
    for use in board.layers:
        # A legend is never needed for paste, so it is never "used".
        wanted = use.role in roles and (use.used or use.role not in layers)
        if wanted and use.file in data:
            with suppress(InputError):
                layers[use.role] = read_gerber(data[use.file], use.file)
    return layers


def _laid(objects: Sequence[Drawn]) -> list[Area]:
    """Return the areas that are left dark, as drawn where nothing is wiped away."""
    if all(thing.dark for thing in objects):
        return [thing.shape for thing in objects]
    dark = np.array([thing.dark for thing in objects], dtype=bool)
    return list(painted(shape_array([thing.shape for thing in objects]), dark))


def _placed(areas: Sequence[Area], board: Board) -> tuple[Area, ...]:
    """Return areas of the files [mm] in board coordinates, without corners that no picture shows."""
    if not areas:
        return ()
    x0_mm, y0_mm = board.file_origin_mm
    flip = -1.0 if board.mirrored else 1.0
    shapes = shapely.simplify(shape_array(areas), FINE_MM, preserve_topology=True)
    moved = shapely.transform(shapes, lambda points: (points - (x0_mm, y0_mm)) * (flip, 1.0), include_z=False)
    return tuple(moved.tolist())
