"""Paste openings that were made from exposed copper, made smaller: what a stencil maker would do without a paste layer.

Where there is a paste layer its openings are the designer's own, and nothing is taken off them.
"""

from dataclasses import replace

import shapely
from msgspec import structs

from pastewright.board.model import Aperture, Board, Pad, PasteOrigin, Source
from pastewright.problems import Problem, Severity

LEAST_AREA_MM2 = 1e-4
"""Smaller remains hold no paste: a square of 0.01 mm."""


def shrunk_openings(board: Board, shrink_mm: float) -> Board:
    """Return the board with `shrink_mm` taken off every edge of openings made from copper; lost ones are told."""
    if board.paste_origin is not PasteOrigin.EXPOSED_COPPER or shrink_mm <= 0.0:
        return board
    lost: list[Source] = []
    pads: list[Pad] = []
    for pad in board.pads:
        apertures = tuple(part for each in pad.apertures for part in _shrunk(each, shrink_mm))
        if pad.apertures and not apertures:
            lost.append(pad.source)
        pads.append(structs.replace(pad, apertures=apertures))
    problems = board.problems
    if lost:
        what = (
            f"{len(lost)} land(s) are narrower than twice the shrinkage of {shrink_mm} mm: they get no paste"
        )
        mend = "Lower dose.shrink_mm in the profile."
        first = lost[0]
        problems += (
            Problem(what=what, mend=mend, severity=Severity.WARNING, file=first.file, line=first.line),
        )
    return replace(board, pads=tuple(pads), problems=problems)


def _shrunk(aperture: Aperture, shrink_mm: float) -> list[Aperture]:
    left = shapely.buffer(aperture.shape, -shrink_mm, join_style="mitre")
    return [
        structs.replace(aperture, shape=part)
        for part in shapely.get_parts(left)
        if part.area > LEAST_AREA_MM2
    ]
