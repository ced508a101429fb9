"""The legend near a board's lands, kept beside its plan so that inspection knows what is printed there."""

from pathlib import Path

import shapely
from shapely import STRtree
from shapely.geometry import MultiPolygon, Polygon

from pastewright.board.ask import Ask
from pastewright.board.drawings import LEGENDS, read_drawings
from pastewright.board.model import Board
from pastewright.plan.rings import rings_of
from pastewright.records.legend import (
    FORMAT,
    LEGEND_FILE,
    VERSION,
    LegendRecord,
    legend_text,
    read_legend,
)
from pastewright.records.plan import BoardRecord
from pastewright.writing import writing

NEAR_MM = (
    1.6  # of a land: farther print is never taken for its paste (see `inspect.spill` and `inspect.bridges`)
)


def keep_legend(source: Path, board: Board, ask: Ask, *folders: Path) -> None:
    """Write the legend near the lands of a board's side beside its plans, where its files have one; older ones go.

    `board` is what was read of `source` with `ask`. A legend that cannot be read is none.
    """
    drawings = read_drawings(source, board, ask, roles=LEGENDS)
    areas = _near([area for drawing in drawings for area in drawing.areas], board)
    record = LegendRecord(
        format=FORMAT,
        version=VERSION,
        inputs_sha256=board.inputs_sha256,
        side=board.side,
        areas_mm=tuple(tuple(rings) for rings in rings_of(areas) if rings and min(map(len, rings)) > 2),
    )
    for folder in folders:
        file = folder / LEGEND_FILE
        with writing("the legend", file, "Choose another folder with --out."):
            file.unlink(missing_ok=True)
            if areas:
                file.write_text(legend_text(record), encoding="utf-8")


def kept_legend(plan_file: Path, board: BoardRecord) -> MultiPolygon:
    """Return the legend that was kept beside a plan of a board [mm, board], empty where there is none or another board's.

    Raises `InputError` for a file that cannot be read.
    """
    file = plan_file.parent / LEGEND_FILE
    if not file.is_file():
        return MultiPolygon()
    legend = read_legend(file)
    if (legend.inputs_sha256, legend.side) != (board.inputs_sha256, board.side):
        return MultiPolygon()
    return MultiPolygon([Polygon(rings[0], rings[1:]) for rings in legend.areas_mm])


def _near(areas: list[Polygon | MultiPolygon], board: Board) -> list[Polygon]:
    """Return what of the legend lies near lands, joined."""
    lands = [pad.land for pad in board.pads]
    if not areas or not lands:
        return []
    near, _ = STRtree(lands).query(areas, predicate="dwithin", distance=NEAR_MM)
    joined = shapely.union_all(shapely.make_valid([areas[k] for k in dict.fromkeys(near.tolist())]))
    return [
        part for part in shapely.get_parts(joined).tolist() if isinstance(part, Polygon) and not part.is_empty
    ]
