"""Fabrication files to what the page draws of one side, as JSON text. Runs in a worker process.

Places are whole micrometres [board, y up]: half as long as millimetres with their point, and finer than any pixel.
"""

import json
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from shapely.geometry import MultiPolygon

from pastewright.board.ask import Ask
from pastewright.board.drawings import FilmDrawing, read_drawings
from pastewright.board.model import Area, Board, Hole, LayerRole, Pad, Side
from pastewright.board.read import read_board
from pastewright.dose.exposed import shrunk_openings
from pastewright.page.answers import problem_rows
from pastewright.profile.read import read_profile

STAGES = ("files", "drawings", "picture")
DRAWN = {
    LayerRole.TOP_COPPER: "copper",
    LayerRole.BOTTOM_COPPER: "copper",
    LayerRole.TOP_MASK: "mask",
    LayerRole.BOTTOM_MASK: "mask",
    LayerRole.TOP_SILK: "legend",
    LayerRole.BOTTOM_SILK: "legend",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class AskedBoard:
    """Which board is to be read, and what was said of its files."""

    source: Path
    side: Side
    bench: Path | None = None
    roles: Mapping[str, LayerRole] = field(default_factory=dict)
    units: str = ""
    columns: str = ""
    cut_short: bool = False

    def ask(self) -> Ask:
        """Return it as readers take it."""
        return Ask(
            side=self.side, roles=self.roles, units=self.units, columns=self.columns, cut_short=self.cut_short
        )


def board_asked(asked: AskedBoard) -> Board:
    """Return the board; its openings are shrunk as its bench asks. Raises `InputError`."""
    board = read_board(asked.source, asked.ask())
    return board if asked.bench is None else shrunk_openings(board, read_profile(asked.bench).dose.shrink_mm)


def board_view(asked: AskedBoard, tell: Callable[[str, int, int], None]) -> bytes:
    """Return the JSON of a board's side; raises `InputError` where it cannot be read."""
    tell(STAGES[0], 0, len(STAGES))
    board = read_board(asked.source, asked.ask())
    tell(STAGES[1], 1, len(STAGES))
    drawings = read_drawings(asked.source, board, asked.ask())
    tell(STAGES[2], 2, len(STAGES))
    view = {
        "name": board.name,
        "side": str(board.side),
        "size": [round(length, 3) for length in board.size_mm],
        "in_words": board.in_words,
        "sha256": board.inputs_sha256,
        "problems": problem_rows(board.problems),
        "layers": [
            {"file": use.file, "role": str(use.role), "how": use.how, "used": use.used, "note": use.note}
            for use in board.layers
        ],
        "roles": [str(role) for role in LayerRole],
        "outline": [] if board.outline is None else rings_um(board.outline),
        **_drawn(drawings),
        "pads": [_pad(pad) for pad in board.pads],
        "holes": [_hole(hole) for hole in board.holes],
        "fiducials": [
            {"at": [um(mark.x_mm), um(mark.y_mm)], "d": um(mark.diameter_mm), "why": mark.reason}
            for mark in board.fiducials
        ],
        "left_out": [
            {"rings": rings_um(left.shape), "why": left.reason, "from": str(left.source)}
            for left in board.left_out
        ],
    }
    return json.dumps(view, separators=(",", ":")).encode()


def um(length_mm: float) -> int:
    """Return whole micrometres."""
    return round(1000 * length_mm)


def rings_um(area: Area) -> list[list[int]]:
    """Return the rings of an area, outer and inner alike, each as x, y, x, y, … [µm]; filled by the even-odd rule."""
    polygons = area.geoms if isinstance(area, MultiPolygon) else (area,)
    return [
        [um(value) for point in list(ring.coords)[:-1] for value in point[:2]]
        for polygon in polygons
        for ring in (polygon.exterior, *polygon.interiors)
    ]


def _drawn(drawings: Iterable[FilmDrawing]) -> dict[str, list[list[list[int]]]]:
    found: dict[str, list[list[list[int]]]] = {name: [] for name in ("copper", "mask", "legend")}
    for drawing in drawings:
        found[DRAWN[drawing.role]] += [rings_um(area) for area in drawing.areas]
    return found


def _pad(pad: Pad) -> dict[str, Any]:
    centre = pad.land.centroid
    return {
        "id": pad.id,
        "ref": pad.ref,
        "pin": pad.pin,
        "net": pad.net,
        "kind": str(pad.kind),
        "why": pad.kind_reason,
        "at": [um(centre.x), um(centre.y)],
        "area": round(pad.land.area, 4),
        "land": rings_um(pad.land),
        "openings": [ring for aperture in pad.apertures for ring in rings_um(aperture.shape)],
        "from": str(pad.source),
    }


def _hole(hole: Hole) -> list[int | bool | None]:
    """Return x, y, diameter [µm], whether it is plated, and where a slot ends."""
    row: list[int | bool | None] = [um(hole.x_mm), um(hole.y_mm), um(hole.diameter_mm), hole.plated]
    return row if hole.slot_to_mm is None else [*row, um(hole.slot_to_mm[0]), um(hole.slot_to_mm[1])]
