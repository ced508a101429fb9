"""Found points and probed heights, typed or in a file, to plain values with the line each stands on.

Files are told apart by what is in them:

    TOML   [[point]] name = "F1"  found_mm = [103.12, 53.48]     (board_mm = [3.0, 3.5] for a place without a name)
           [[probe]] at_mm = [101.0, 51.0, 1.62]
    CSV    name, x, y              found point        F1, 103.12, 53.48
           name, x, y, bx, by      the same, with its place on the board
           x, y, z                 probed height      101.0, 51.0, 1.62
    logs   [PRB:101.000,51.000,1.620:1]               what CNC controllers answer to G38.2
           Bed X: 101.00 Y: 51.00 Z: 1.62             what printer controllers answer to G30
           101.0 51.0 1.62 0 0 0 0 0 0                probe log of nine-axis interpreters
"""

import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from pastewright.board.model import Board, Point
from pastewright.place.height.heights import Probe
from pastewright.place.transform import Pair
from pastewright.problems import InputError, Problem, one_error
from pastewright.profile.lines import key_lines

MOST_BYTES = 5_000_000  # a hundred thousand probe answers; own choice
MOST_PROBLEMS = 20  # a page of messages; more say nothing new
CORNERS = ("LL", "LR", "UR", "UL")
_NUMBER = r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?"
_PRB = re.compile(rf"\[PRB:({_NUMBER}),({_NUMBER}),({_NUMBER})(?:,[^:\]]*)?:([01])\]")
_BED = re.compile(rf"\bX:\s*({_NUMBER})\s+Y:\s*({_NUMBER})\s+Z:\s*({_NUMBER})")


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundPoint:
    """A point found on the machine. `board_mm` is None where its `name` says which place of the board it is."""

    name: str
    found_mm: Point
    board_mm: Point | None = None
    file: str = ""
    line: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PointFile:
    """What a file of measurements holds."""

    points: tuple[FoundPoint, ...] = ()
    probes: tuple[Probe, ...] = ()


def typed_point(word: str) -> FoundPoint:
    """Return the point of a word like F1=103.12,53.48 or 3.0,3.5=103.12,53.48."""
    left, mark, right = word.partition("=")
    found = _pair_of(right)
    place = _pair_of(left)
    if not mark or found is None or not left.strip():
        raise one_error(
            f"--at {word!r} is not WHAT=X,Y",
            "WHAT is a fiducial (F1), a corner (LL, LR, UR, UL), a pad (U1-3), or X,Y on the board in mm;"
            " for example --at F1=103.12,53.48",
        )
    name = f"({left.strip()})" if place is not None else left.strip()
    return FoundPoint(name=name, found_mm=found, board_mm=place, file="--at")


def typed_probe(word: str) -> Probe:
    """Return the probed height of a word like 101.0,51.0,1.62."""
    numbers = _numbers(word.split(","))
    if numbers is None or len(numbers) != 3:
        raise one_error(f"--probe {word!r} is not X,Y,Z", "For example --probe 101.0,51.0,1.62")
    return numbers[0], numbers[1], numbers[2]


def _pair_of(text: str) -> Point | None:
    numbers = _numbers(text.split(","))
    return (numbers[0], numbers[1]) if numbers is not None and len(numbers) == 2 else None


def _numbers(words: Sequence[str]) -> list[float] | None:
    """Return the words as numbers, nan and inf among them (they are refused with the point's name later)."""
    try:
        return [float(word) for word in words]
    except ValueError:
        return None


def read_points(path: Path) -> PointFile:
    """Return the points and probes of a file; InputError names every line that is neither."""
    try:
        if path.is_dir():
            raise one_error("this is a folder", "Give a file of measured points.", file=str(path))
        if path.stat().st_size > MOST_BYTES:
            raise one_error("this is too large for measured points", "Check the file.", file=str(path))
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        raise one_error("this is not text", "Give a TOML or CSV file of points.", file=str(path)) from None
    except OSError as error:
        raise one_error(
            f"the points cannot be read: {error.strerror or error}", "Check the name.", file=str(path)
        ) from None
    return parse_points(text, str(path))


def parse_points(text: str, file: str) -> PointFile:
    """Return the points and probes in a text, TOML, CSV or a controller's log."""
    found = _toml(text, file) if re.search(r"^\s*\[\[", text, re.MULTILINE) else _lines(text, file)
    if not found.points and not found.probes:
        raise one_error(
            "there is no point in this file",
            "See docs/placement.md for what such a file looks like.",
            file=file,
        )
    return found


def _toml(text: str, file: str) -> PointFile:
    try:
        document = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        line = re.search(r"line (\d+)", str(error))
        raise one_error(
            f"not valid TOML: {error}", "", file=file, line=int(line.group(1)) if line else None
        ) from None
    lines = key_lines(text)
    problems: list[Problem] = []

    def line_of(*path: str | int) -> int | None:
        return next((lines[path[:k]] for k in range(len(path), 0, -1) if path[:k] in lines), None)

    points, probes = [], []
    problems.extend(
        _problem(
            f"{unknown} is not known here", "Such a file has [[point]] and [[probe]].", file, line_of(unknown)
        )
        for unknown in sorted(set(document) - {"point", "probe"})
    )
    for number, row in enumerate(_rows(document, "point")):
        point = point_of_data(row, file=file, line=line_of("point", number), problems=problems)
        if point is not None:
            points.append(point)
    for number, row in enumerate(_rows(document, "probe")):
        probe = probe_of_data(row.get("at_mm"), file=file, line=line_of("probe", number), problems=problems)
        if probe is not None:
            probes.append(probe)
    _refuse(problems)
    return PointFile(points=tuple(points), probes=tuple(probes))


def _rows(document: Mapping[str, Any], name: str) -> list[Mapping[str, Any]]:
    rows = document.get(name, [])
    return [row if isinstance(row, Mapping) else {} for row in rows] if isinstance(rows, list) else [{}]


def point_of_data(
    row: Mapping[str, Any], *, file: str, line: int | None, problems: list[Problem]
) -> FoundPoint | None:
    """Return a found point of TOML data, or None with the reason in `problems`."""
    name, board, found = (
        row.get("name"),
        numbers_of(row.get("board_mm"), 2),
        numbers_of(row.get("found_mm"), 2),
    )
    wrong = set(row) - {"name", "board_mm", "found_mm"}
    what = ""
    if found is None:
        what = "found_mm must be [x, y]"
    elif "board_mm" in row and board is None:
        what = "board_mm must be [x, y]"
    elif board is None and not (isinstance(name, str) and name):
        what = "a point needs a name or board_mm"
    elif wrong:
        what = f"{', '.join(sorted(wrong))} is not known here"
    if what or found is None:
        problems.append(
            Problem(
                what=what, mend='For example: name = "F1"  found_mm = [103.12, 53.48]', file=file, line=line
            )
        )
        return None
    label = name if isinstance(name, str) and name else f"({board[0]:g},{board[1]:g})" if board else ""
    return FoundPoint(
        name=label,
        found_mm=(found[0], found[1]),
        board_mm=None if board is None else (board[0], board[1]),
        file=file,
        line=line,
    )


def probe_of_data(value: Any, *, file: str, line: int | None, problems: list[Problem]) -> Probe | None:
    """Return a probed height of TOML data, or None with the reason in `problems`."""
    numbers = numbers_of(value, 3)
    if numbers is None:
        problems.append(
            Problem(
                what="a probed height must be [x, y, z]",
                mend="For example: at_mm = [101.0, 51.0, 1.62]",
                file=file,
                line=line,
            )
        )
        return None
    return numbers[0], numbers[1], numbers[2]


def numbers_of(value: Any, count: int) -> tuple[float, ...] | None:
    """Return a list of `count` numbers as floats, or None when it is none."""
    if not isinstance(value, list) or len(value) != count:
        return None
    if any(isinstance(v, bool) or not isinstance(v, int | float) for v in value):
        return None
    return tuple(float(v) for v in value)


def _lines(text: str, file: str) -> PointFile:
    points: list[FoundPoint] = []
    probes: list[Probe] = []
    problems: list[Problem] = []
    for number, raw in enumerate(text.splitlines(), start=1):
        line = raw.split("#", 1)[0].strip()
        if not line or line.lower() == "ok":
            continue
        answer = _PRB.search(line)
        if answer:
            if answer.group(4) == "1":
                probes.append((float(answer[1]), float(answer[2]), float(answer[3])))
            else:
                problems.append(
                    _problem("this probe found nothing (:0])", "Probe there again.", file, number)
                )
            continue
        answer = _BED.search(line)
        if answer:
            probes.append((float(answer[1]), float(answer[2]), float(answer[3])))
            continue
        words = [word.strip() for word in re.split(r"[,;\t]", line)]
        if len(words) == 1:
            words = line.split()
        _row(words, file, number, points, probes, problems, header=not points and not probes)
    _refuse(problems)
    return PointFile(points=tuple(points), probes=tuple(probes))


def _row(
    words: Sequence[str],
    file: str,
    number: int,
    points: list[FoundPoint],
    probes: list[Probe],
    problems: list[Problem],
    *,
    header: bool,
) -> None:
    numbers = _numbers(words)
    if numbers is not None and len(numbers) in (3, 9):
        probes.append((numbers[0], numbers[1], numbers[2]))
        return
    rest = _numbers(words[1:])
    if words[0] and rest is not None and len(rest) in (2, 4):
        points.append(
            FoundPoint(
                name=words[0],
                found_mm=(rest[0], rest[1]),
                board_mm=(rest[2], rest[3]) if len(rest) == 4 else None,
                file=file,
                line=number,
            )
        )
        return
    if header and rest is None and len(words) > 2 and not any(_numbers([word]) for word in words):
        return  # names of columns
    problems.append(
        _problem(
            f"{' '.join(words)[:60]!r} is neither a found point nor a probed height",
            "Write NAME, X, Y or X, Y, Z in mm, with points in the numbers.",
            file,
            number,
        )
    )


def _problem(what: str, mend: str, file: str, line: int | None) -> Problem:
    return Problem(what=what, mend=mend, file=file, line=line)


def _refuse(problems: Sequence[Problem]) -> None:
    if problems:
        raise InputError(problems[:MOST_PROBLEMS])


def board_places(board: Board) -> dict[str, Point]:
    """Return the places that have a name: fiducials F1, F2, … in the board's order, corners, and pads by their id."""
    width, height = board.size_mm
    corners = ((0.0, 0.0), (width, 0.0), (width, height), (0.0, height))
    pads = {}
    for pad in board.pads:
        centre = pad.land.centroid
        pads[pad.id] = (float(centre.x), float(centre.y))
    fiducials = {f"F{k}": (mark.x_mm, mark.y_mm) for k, mark in enumerate(board.fiducials, start=1)}
    return {**pads, **dict(zip(CORNERS, corners, strict=True)), **fiducials}


def pairs_of(points: Sequence[FoundPoint], places: Mapping[str, Point]) -> tuple[Pair, ...]:
    """Return the pairs that points and named places make; InputError for every name that is not there."""
    problems: list[Problem] = []
    pairs: list[Pair] = []
    known = {name.upper(): place for name, place in places.items()}
    for point in points:
        place = point.board_mm or known.get(point.name.upper())
        if place is None:
            near = get_close_matches(point.name.upper(), list(known), n=3)
            marks = [name for name in places if re.fullmatch(r"F\d+", name)]
            hint = f"Did you mean {', '.join(near)}? " if near else ""
            problems.append(
                Problem(
                    what=f"{point.name} is no fiducial, corner or pad of this board",
                    mend=f"{hint}Fiducials: {', '.join(marks) or 'none were found'}; corners: {', '.join(CORNERS)}.",
                    file=point.file,
                    line=point.line,
                )
            )
        else:
            pairs.append(Pair(name=point.name, from_mm=place, to_mm=point.found_mm))
    for name in {pair.name for pair in pairs}:
        if sum(1 for pair in pairs if pair.name == name) > 1:
            twice = [point for point in points if point.name == name]
            problems.append(
                Problem(
                    what=f"{name} is given {len(twice)} times",
                    mend="Give each point once.",
                    file=twice[-1].file,
                    line=twice[-1].line,
                )
            )
    _refuse(problems)
    return tuple(pairs)
