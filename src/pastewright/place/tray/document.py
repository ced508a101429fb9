"""`Placements` as plain data, and back: the content of placement.json and of `placement` in plan.json.

Each board lists its steps with the points they were fitted to, then the matrix and shift that came of them, so
that another program can work them out again and compare.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from math import isfinite
from pathlib import Path
from typing import Any

from pastewright.board.model import Board
from pastewright.json_text import parsed
from pastewright.place.surface import surface_data, surface_of_data
from pastewright.place.transform import (
    Pair,
    Placement,
    Placements,
    Step,
    Wipe,
    affine_data,
    affine_of_data,
)
from pastewright.problems import one_error

FORMAT = 1
MOST_BYTES = 20_000_000
MEND = "Write it anew with: pastewright register"
# A written map and its parts agree within this; rounding of floats is far below.
SAME = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacementFile:
    """What placement.json holds: the placements, and the board they were measured for."""

    placements: Placements
    board: str = ""
    side: str = ""
    inputs_sha256: str = ""


def placements_data(placements: Placements) -> dict[str, Any]:
    """Return placements as JSON-ready data."""
    wipe = placements.wipe
    return {
        "boards": [_board_data(board) for board in placements.boards],
        "settle": placements.settle,
        "strip_step_mm": placements.strip_step_mm,
        "wipe": None
        if wipe is None
        else {
            "from_mm": list(wipe.from_mm),
            "to_mm": list(wipe.to_mm),
            "z_mm": wipe.z_mm,
            "strokes": wipe.strokes,
        },
    }


def _board_data(board: Placement) -> dict[str, Any]:
    where = board.affine
    return {
        "name": board.name,
        "steps": [_step_data(step) for step in board.steps],
        "matrix": where.matrix.tolist(),
        "shift_mm": list(where.shift_mm),
        "surface": surface_data(board.surface),
        "warnings": list(board.warnings),
    }


def _step_data(step: Step) -> dict[str, Any]:
    data: dict[str, Any] = {"what": step.what, **affine_data(step.affine)}
    if step.pairs:
        data["fit"] = step.fit
        data["points"] = [
            {"name": pair.name, "from_mm": list(pair.from_mm), "to_mm": list(pair.to_mm)}
            for pair in step.pairs
        ]
    return data


def placements_of_data(data: Mapping[str, Any]) -> Placements:
    """Return the placements of JSON data; KeyError, TypeError or ValueError where it is malformed."""
    _all_finite(data)
    wipe = data.get("wipe")
    boards = tuple(_board_of(board) for board in data["boards"])
    if not boards:
        raise ValueError("no boards")
    return Placements(
        boards=boards,
        settle=bool(data.get("settle", False)),
        strip_step_mm=float(data.get("strip_step_mm", 0.0)),
        wipe=None
        if wipe is None
        else Wipe(
            from_mm=_pair(wipe["from_mm"]),
            to_mm=_pair(wipe["to_mm"]),
            z_mm=float(wipe["z_mm"]),
            strokes=int(wipe["strokes"]),
        ),
    )


def _all_finite(data: object) -> None:
    if isinstance(data, float) and not isfinite(data):
        raise ValueError(f"{data} is no number")
    values = data.values() if isinstance(data, Mapping) else data if isinstance(data, list) else ()
    for value in values:
        _all_finite(value)


def _pair(value: Any) -> tuple[float, float]:
    x, y = value
    return float(x), float(y)


def _board_of(data: Mapping[str, Any]) -> Placement:
    steps = tuple(
        Step(
            what=str(step["what"]),
            affine=affine_of_data(step),
            fit=str(step.get("fit", "")),
            pairs=tuple(
                Pair(name=str(pair["name"]), from_mm=_pair(pair["from_mm"]), to_mm=_pair(pair["to_mm"]))
                for pair in step.get("points", ())
            ),
        )
        for step in data["steps"]
    )
    if not steps:
        raise ValueError("a board without steps")
    board = Placement(
        name=str(data["name"]),
        steps=steps,
        surface=surface_of_data(data["surface"]),
        warnings=tuple(str(words) for words in data.get("warnings", ())),
    )
    (a, b), (c, d) = data["matrix"]
    x, y = data["shift_mm"]
    where = board.affine
    told = (a, b, c, d, x, y)
    worked_out = (where.xx, where.xy, where.yx, where.yy, where.x_mm, where.y_mm)
    if any(abs(float(t) - w) > SAME * max(1.0, abs(w)) for t, w in zip(told, worked_out, strict=True)):
        raise ValueError(f"the matrix of board {board.name!r} is not what its steps make")
    if abs(where.determinant) < 1e-6:
        raise ValueError(f"the map of board {board.name!r} presses it onto a line")
    return board


def placement_file_data(file: PlacementFile, *, report: Mapping[str, Any] | None = None) -> dict[str, Any]:
    """Return the content of placement.json; `report` is for people and is not read again."""
    return {
        "format": FORMAT,
        "board": file.board,
        "side": file.side,
        "inputs_sha256": file.inputs_sha256,
        **placements_data(file.placements),
        "report": dict(report or {}),
    }


def read_placement(path: Path) -> PlacementFile:
    """Return what a placement.json holds; InputError when it is none."""
    try:
        if path.is_dir() or path.stat().st_size > MOST_BYTES:
            raise one_error("this is not a placement.json", MEND, file=str(path))
        text = path.read_text(encoding="utf-8")
    except OSError as error:
        raise one_error(
            f"the placement cannot be read: {error.strerror or error}", MEND, file=str(path)
        ) from None
    except UnicodeDecodeError:
        raise one_error("this is not a placement.json", MEND, file=str(path)) from None
    data = parsed(text, what="a placement", mend=MEND, file=str(path))
    return placement_file_of(data, file=str(path))


def placement_file_of(data: object, *, file: str) -> PlacementFile:
    """Return what JSON data of a placement.json holds; InputError when it is malformed."""
    if not isinstance(data, Mapping) or data.get("format") != FORMAT:
        raise one_error(f'this is not a placement.json: "format" is not {FORMAT}', MEND, file=file)
    try:
        placements = placements_of_data(data)
    except (KeyError, TypeError, ValueError, AttributeError, RecursionError, OverflowError) as error:
        what = f"{error} is missing" if isinstance(error, KeyError) else str(error)
        raise one_error(f"this placement is malformed: {what}", MEND, file=file) from None
    return PlacementFile(
        placements=placements,
        board=str(data.get("board", "")),
        side=str(data.get("side", "")),
        inputs_sha256=str(data.get("inputs_sha256", "")),
    )


def fits_board(found: PlacementFile, board: Board, *, file: str) -> tuple[str, ...]:
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
