"""`Placements` to records and back: the content of placement.json and of `placement` in plan.json."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Protocol

from pastewright.board.model import Point
from pastewright.place.surface import Mesh, Surface
from pastewright.place.transform import Affine, Pair, Placement, Placements, PlaceStep, Wipe, affine
from pastewright.problems import one_error
from pastewright.records.kinds import FitKind, Side
from pastewright.records.placement import (
    FORMAT,
    MEND,
    BoardPlaceRecord,
    MeshRecord,
    PlacementRecord,
    PointRecord,
    StepRecord,
    SurfaceRecord,
    WipeRecord,
    read_placement_record,
)

# A written map and its parts agree within this; rounding of floats is far below.
SAME = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacementFile:
    """What placement.json holds: the placements, and the board they were measured for."""

    placements: Placements
    board: str = ""
    side: str = ""
    inputs_sha256: str = ""


class OfFiles(Protocol):
    """A board as far as its files go: a `Board`, or the record of one in a plan."""

    @property
    def side(self) -> Side:
        """The side that is to be pasted."""

    @property
    def inputs_sha256(self) -> str:
        """Of the files that it was read from."""


def board_places(placements: Placements) -> tuple[BoardPlaceRecord, ...]:
    """Return where each board lies, as a record."""
    return tuple(board_record(board) for board in placements.boards)


def wipe_record(wipe: Wipe | None) -> WipeRecord | None:
    """Return a wiping pad as a record."""
    if wipe is None:
        return None
    return WipeRecord(from_mm=wipe.from_mm, to_mm=wipe.to_mm, z_mm=wipe.z_mm, strokes=wipe.strokes)


def board_record(board: Placement) -> BoardPlaceRecord:
    """Return where a board lies, as a record."""
    where = board.affine
    return BoardPlaceRecord(
        name=board.name,
        steps=tuple(_step_record(step) for step in board.steps),
        matrix=(_pair((where.xx, where.xy)), _pair((where.yx, where.yy))),
        shift_mm=_pair(where.shift_mm),
        surface=_surface_record(board.surface),
        warnings=board.warnings,
    )


def _surface_record(surface: Surface) -> SurfaceRecord:
    mesh = surface.mesh
    return SurfaceRecord(
        z_mm=float(surface.z_mm),
        slope_x=float(surface.slope_x),
        slope_y=float(surface.slope_y),
        at_mm=_pair(surface.at_mm),
        mesh=None
        if mesh is None
        else MeshRecord(
            x_mm=tuple(map(float, mesh.x_mm)),
            y_mm=tuple(map(float, mesh.y_mm)),
            dz_mm=tuple(tuple(map(float, row)) for row in mesh.dz_mm),
        ),
    )


def _surface_of(board: BoardPlaceRecord, file: str) -> Surface:
    told = board.surface
    mesh = None
    if told.mesh is not None:
        try:
            mesh = Mesh(x_mm=told.mesh.x_mm, y_mm=told.mesh.y_mm, dz_mm=told.mesh.dz_mm)
        except ValueError as error:
            raise one_error(f"the surface of board {board.name!r}: {error}", MEND, file=file) from None
    return Surface(z_mm=told.z_mm, slope_x=told.slope_x, slope_y=told.slope_y, at_mm=told.at_mm, mesh=mesh)


def _step_record(step: PlaceStep) -> StepRecord:
    where = step.affine
    return StepRecord(
        what=step.what,
        turn_deg=where.turn_deg,
        mirrored=where.mirrored,
        scale_x=where.scale_x,
        scale_y=where.scale_y,
        skew_deg=where.skew_deg,
        shift_mm=_pair(where.shift_mm),
        fit=FitKind(step.fit) if step.pairs else None,
        points=tuple(
            PointRecord(name=pair.name, from_mm=_pair(pair.from_mm), to_mm=_pair(pair.to_mm))
            for pair in step.pairs
        ),
    )


def _step_of(step: StepRecord) -> PlaceStep:
    return PlaceStep(
        what=step.what,
        affine=affine(
            turn_deg=step.turn_deg,
            mirrored=step.mirrored,
            scale_x=step.scale_x,
            scale_y=step.scale_y,
            skew_deg=step.skew_deg,
            shift_mm=step.shift_mm,
        ),
        fit=str(step.fit or ""),
        pairs=tuple(Pair(name=point.name, from_mm=point.from_mm, to_mm=point.to_mm) for point in step.points),
    )


def affine_of(board: BoardPlaceRecord) -> Affine:
    """Return the map from a board to the machine that its record tells [mm]."""
    (xx, xy), (yx, yy) = board.matrix
    x_mm, y_mm = board.shift_mm
    return Affine(xx=xx, xy=xy, yx=yx, yy=yy, x_mm=x_mm, y_mm=y_mm)


def board_place_of(board: BoardPlaceRecord, file: str) -> Placement:
    """Return where a board lies from its record; raises `InputError` where its parts contradict each other."""
    told = affine_of(board)
    placed = Placement(
        name=board.name,
        steps=tuple(_step_of(step) for step in board.steps),
        surface=_surface_of(board, file),
        warnings=board.warnings,
    )
    if not _alike(told, placed.affine):
        raise one_error(f"the matrix of board {board.name!r} is not what its steps make", MEND, file=file)
    if abs(placed.affine.determinant) < 1e-6:
        raise one_error(f"the map of board {board.name!r} presses it onto a line", MEND, file=file)
    return placed


def _pair(place_mm: Point) -> Point:
    x, y = place_mm
    return float(x), float(y)


def _alike(a: Affine, b: Affine) -> bool:
    return all(
        abs(one - other) <= SAME * max(1.0, abs(other))
        for one, other in (
            (a.xx, b.xx),
            (a.xy, b.xy),
            (a.yx, b.yx),
            (a.yy, b.yy),
            (a.x_mm, b.x_mm),
            (a.y_mm, b.y_mm),
        )
    )


def placement_record(file: PlacementFile, *, report: Mapping[str, Any] | None = None) -> PlacementRecord:
    """Return the content of placement.json; `report` is for people and is not read again."""
    placements = file.placements
    return PlacementRecord(
        format=FORMAT,
        board=file.board,
        side=file.side,
        inputs_sha256=file.inputs_sha256,
        boards=board_places(placements),
        settle=placements.settle,
        strip_step_mm=placements.strip_step_mm,
        wipe=wipe_record(placements.wipe),
        report=report or {},
    )


def read_placement(path: Path) -> PlacementFile:
    """Return what a placement.json holds; InputError when it is none."""
    return placement_file_of(read_placement_record(path), file=str(path))


def placement_file_of(record: PlacementRecord, *, file: str) -> PlacementFile:
    """Return what the record of a placement.json holds; InputError when it contradicts itself."""
    wipe = record.wipe
    return PlacementFile(
        placements=Placements(
            boards=tuple(board_place_of(board, file) for board in record.boards),
            settle=record.settle,
            strip_step_mm=record.strip_step_mm,
            wipe=None
            if wipe is None
            else Wipe(from_mm=wipe.from_mm, to_mm=wipe.to_mm, z_mm=wipe.z_mm, strokes=wipe.strokes),
        ),
        board=record.board,
        side=record.side,
        inputs_sha256=record.inputs_sha256,
    )


def fits_board(found: PlacementFile, board: OfFiles, *, file: str) -> tuple[str, ...]:
    """Return warnings where a placement was measured for other files; InputError for the other side."""
    if found.side and found.side != str(board.side):
        raise one_error(
            f"this placement was measured for the {found.side} side; the {board.side} side is to be pasted",
            "Register this side: the board lies differently when it is turned over.",
            file=file,
        )
    if found.inputs_sha256 and found.inputs_sha256 != board.inputs_sha256:
        return (
            f"the placement was measured for other fabrication files ({found.board}); if the fiducials moved,"
            " register again",
        )
    return ()


def placement_for(path: Path, board: OfFiles) -> Placements:
    """Return where a placement file puts the one board it knows, checked against the board to be planned."""
    found = read_placement(path)
    warnings = fits_board(found, board, file=str(path))
    first, *others = found.placements.boards
    if others:
        raise one_error(
            f"this placement has {1 + len(others)} boards", "For several boards give --tray.", file=str(path)
        )
    return Placements(boards=(replace(first, warnings=(*warnings, *first.warnings)),))
