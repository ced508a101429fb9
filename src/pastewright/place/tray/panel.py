"""A tray to the placements of its boards: step and repeat, turned copies, any list of places, bad ones skipped."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Any

from shapely.geometry import Polygon

from pastewright.board.model import Board, Point
from pastewright.place.fiducials.limits import DEFAULT_LIMITS, MapLimits
from pastewright.place.fiducials.points import board_places, pairs_of
from pastewright.place.fiducials.register import Registration, register
from pastewright.place.height.heights import Heights, TipTolerance, box_of, measured_heights
from pastewright.place.surface import Surface, flat
from pastewright.place.transform import (
    Affine,
    Neighbour,
    Placement,
    Placements,
    PlaceStep,
    affine,
    corners_mm,
    turned_into_place,
)
from pastewright.place.tray.file import Tray, TrayBoard
from pastewright.problems import InputError, Problem, one_error
from pastewright.profile.model import Bed

# Boards may overlap by rounding, not by more [mm²].
OVERLAP_MM2 = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacedTray:
    """The boards to paste, the corners of those skipped by name [mm, machine], and how well each was found."""

    placements: Placements
    skipped: Mapping[str, tuple[Point, ...]]
    registrations: Mapping[str, Registration]
    heights: Mapping[str, Heights]
    warnings: tuple[str, ...] = ()


def place_tray(
    tray: Tray, board: Board, *, bed: Bed, tip: TipTolerance, limits: MapLimits = DEFAULT_LIMITS
) -> PlacedTray:
    """Return where every good board of the tray lies.

    A board with fiducials of its own is where they were found; the others are where the tray's fiducials, or its
    corner, put them. Probes of a board count before those of the tray. Raises `InputError` with the reasons.
    """
    registrations: dict[str, Registration] = {}
    heights: dict[str, Heights] = {}
    tray_step = _tray_step(tray, board, bed, limits, registrations)
    good = [one for one in tray.boards if not one.bad]
    if not good:
        raise one_error("every board of this tray is marked bad", "Nothing is to be pasted.", file=tray.file)
    maps = {one.name: _steps(one, tray, tray_step, board, limits, registrations) for one in good}
    corners = {name: corners_mm(board.size_mm, _composed(steps)) for name, steps in maps.items()}
    _apart(corners, tray)
    panel = None
    if tray.probes:
        every = [tuple(corner) for four in corners.values() for corner in four.tolist()]
        panel = measured_heights(tray.probes, box_mm=box_of(every), tip=tip, file=tray.file)
        heights["tray"] = panel
    placed = []
    warnings = [f"{name}: {words}" for name, found in registrations.items() for words in found.warnings]
    warnings += [f"{name}: {words}" for name, probed in heights.items() for words in probed.warnings]
    for one in good:
        surface: Surface = flat(bed.board_z_mm)
        if one.probes:
            own = measured_heights(one.probes, box_mm=box_of(corners[one.name]), tip=tip, file=tray.file)
            heights[one.name], surface = own, own.surface
            warnings.extend(f"board {one.name}: {words}" for words in own.warnings)
        elif panel is not None:
            surface = panel.surface
        placed.append(Placement(name=one.name, steps=maps[one.name], surface=surface))
    skipped = {one.name: _corners(one, tray_step, board) for one in tray.boards if one.bad}
    return PlacedTray(
        placements=Placements(
            boards=tuple(placed),
            settle=tray.settle,
            strip_step_mm=tray.strip_step_mm,
            wipe=tray.wipe,
            neighbours=tuple(
                Neighbour(
                    name=name,
                    corners_mm=four,
                    highest_mm=None if panel is None else panel.surface.highest_mm(box_of(four)),
                )
                for name, four in skipped.items()
            ),
        ),
        skipped=skipped,
        registrations=registrations,
        heights=heights,
        warnings=tuple(warnings),
    )


def _tray_step(
    tray: Tray, board: Board, bed: Bed, limits: MapLimits, registrations: dict[str, Registration]
) -> PlaceStep:
    if not tray.fiducials:
        x, y = tray.at_mm or (bed.board_x_mm, bed.board_y_mm)
        return PlaceStep(what="tray on the bed", affine=affine(turn_deg=tray.turn_deg, shift_mm=(x, y)))
    # The error that counts is that at the far corners of the boards.
    far = [
        (f"corner {k} of board {one.name}", (float(x), float(y)))
        for one in tray.boards
        if not one.bad
        for k, (x, y) in enumerate(
            corners_mm(
                board.size_mm, turned_into_place(board.size_mm, turn_deg=one.turn_deg, at_mm=one.at_mm)
            ),
            1,
        )
    ]
    found = register(
        tray.fiducials, pads=far, limits=replace(limits, turned_deg=tray.turn_deg), file=tray.file
    )
    registrations["tray"] = found
    return found.step("tray's fiducials")


def _steps(
    one: TrayBoard,
    tray: Tray,
    tray_step: PlaceStep,
    board: Board,
    limits: MapLimits,
    registrations: dict[str, Registration],
) -> tuple[PlaceStep, ...]:
    on_tray = PlaceStep(
        what="place in the tray",
        affine=turned_into_place(board.size_mm, turn_deg=one.turn_deg, at_mm=one.at_mm),
    )
    if not one.fiducials:
        return on_tray, tray_step
    expected = on_tray.affine.then(tray_step.affine)
    pads = [
        (pad.id, (float(pad.land.centroid.x), float(pad.land.centroid.y)))
        for pad in board.pads
        if pad.apertures
    ]
    try:
        found = register(
            pairs_of(one.fiducials, board_places(board)),
            pads=pads,
            limits=replace(limits, turned_deg=expected.turn_deg),
            file=tray.file,
        )
    except InputError as error:
        raise InputError(
            replace(problem, what=f"board {one.name}: {problem.what}", line=problem.line or one.line)
            for problem in error.problems
        ) from None
    registrations[f"board {one.name}"] = found
    return (found.step("fiducials of the board"),)


def _corners(one: TrayBoard, tray_step: PlaceStep, board: Board) -> tuple[Point, ...]:
    place = turned_into_place(board.size_mm, turn_deg=one.turn_deg, at_mm=one.at_mm)
    return tuple((float(x), float(y)) for x, y in corners_mm(board.size_mm, place.then(tray_step.affine)))


def _composed(steps: Sequence[PlaceStep]) -> Affine:
    whole = Affine()
    for step in steps:
        whole = whole.then(step.affine)
    return whole


def _apart(corners: Mapping[str, Any], tray: Tray) -> None:
    problems = []
    lines = {one.name: one.line for one in tray.boards}
    shapes = {name: Polygon(four) for name, four in corners.items()}
    for (name, shape), (other, other_shape) in combinations(shapes.items(), 2):
        if shape.intersects(other_shape) and shape.intersection(other_shape).area > OVERLAP_MM2:
            problems.append(
                Problem(
                    what=f"boards {name} and {other} lie on top of each other by"
                    f" {shape.intersection(other_shape).area:.1f} mm²",
                    mend="Mend their places, the pitch, or the points they were found by.",
                    file=tray.file,
                    line=lines[other],
                )
            )
    if problems:
        raise InputError(problems[:20])
