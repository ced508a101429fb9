"""One SVG shape element to rings and lines in its own user units, before any transform."""

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from math import pi

import numpy as np
from svgelements import (  # type: ignore[import-untyped]
    Arc,
    Close,
    CubicBezier,
    Move,
    Path,
    QuadraticBezier,
)

from pastewright.board.drawn.svg_style import NotSvgError, numbers
from pastewright.board.shapes.rings import MOST_CHORDS, Points, arc_chords, bezier_points

SHAPES = frozenset({"rect", "circle", "ellipse", "line", "polyline", "polygon", "path"})
_PATH_LETTERS = re.compile(r"[MmZzLlHhVvCcSsQqTtAa0-9eE+\-.,\s]*")


@dataclass(frozen=True, slots=True, kw_only=True)
class PathRun:
    """One subpath in user units (N×2); `closed` where it returns to its start."""

    points: Points
    closed: bool


def runs_of(
    tag: str, attributes: Mapping[str, str], number: Callable[[str], float], flat: float
) -> list[PathRun]:
    """Return the subpaths of a shape; curves stray at most `flat` user units from their chords.

    `number` gives a length attribute of the element in user units, 0 when it is not there. Raises
    `NotSvgError` for data that cannot be read to its end.
    """
    match tag:
        case "rect":
            return _rect(attributes, number, flat)
        case "circle":
            return _ellipse(number("cx"), number("cy"), number("r"), number("r"), flat)
        case "ellipse":
            rx, ry = _auto(attributes, number)
            return _ellipse(number("cx"), number("cy"), rx, ry, flat)
        case "line":
            ends = np.array([[number("x1"), number("y1")], [number("x2"), number("y2")]])
            return [PathRun(points=ends, closed=False)]
        case "polyline" | "polygon":
            values = numbers(attributes.get("points", ""))
            if len(values) % 2:
                raise NotSvgError("points has an odd count of numbers")
            points = np.array(values).reshape(-1, 2)
            return [PathRun(points=points, closed=tag == "polygon")] if len(points) > 1 else []
    return _path(attributes.get("d", ""), flat)


def _auto(attributes: Mapping[str, str], number: Callable[[str], float]) -> tuple[float, float]:
    """Return rx and ry; one that is left out is as the other (SVG 2, and rectangles since SVG 1)."""
    has_x = attributes.get("rx", "auto").strip() != "auto"
    has_y = attributes.get("ry", "auto").strip() != "auto"
    rx = number("rx") if has_x else number("ry") if has_y else 0.0
    return rx, number("ry") if has_y else rx


def _rect(attributes: Mapping[str, str], number: Callable[[str], float], flat: float) -> list[PathRun]:
    x, y, w, h = (number(name) for name in ("x", "y", "width", "height"))
    if w <= 0 or h <= 0:
        return []
    rx, ry = _auto(attributes, number)
    rx, ry = min(max(rx, 0.0), w / 2), min(max(ry, 0.0), h / 2)
    if rx == 0 or ry == 0:
        corners = np.array([[x, y], [x + w, y], [x + w, y + h], [x, y + h]])
        return [PathRun(points=corners, closed=True)]
    chords = arc_chords(max(rx, ry), pi / 2, flat)
    part = np.linspace(0.0, pi / 2, chords + 1)
    turns = []
    centres = ((x + w - rx, y + ry), (x + w - rx, y + h - ry), (x + rx, y + h - ry), (x + rx, y + ry))
    for quarter, (cx, cy) in enumerate(centres):
        angles = part + (quarter - 1) * pi / 2
        turns.append(np.column_stack((cx + rx * np.cos(angles), cy + ry * np.sin(angles))))
    return [PathRun(points=np.vstack(turns), closed=True)]


def _ellipse(cx: float, cy: float, rx: float, ry: float, flat: float) -> list[PathRun]:
    if rx <= 0 or ry <= 0:
        return []
    chords = max(24, arc_chords(max(rx, ry), 2 * pi, flat))
    step = 2 * pi / chords
    angles = np.arange(chords) * step
    # Corners moved outwards until the polygon has the ellipse's own area, as for Gerber circles.
    reach = float(np.sqrt(step / np.sin(step)))
    points = np.column_stack((cx + reach * rx * np.cos(angles), cy + reach * ry * np.sin(angles)))
    return [PathRun(points=points, closed=True)]


def _path(text: str, flat: float) -> list[PathRun]:
    if not text.strip() or text.strip() == "none":
        return []
    if not _PATH_LETTERS.fullmatch(text) or text.lstrip()[0] not in "Mm":
        raise NotSvgError(f"the path data {text.strip()[:40]!r} cannot be read")
    try:
        segments = Path(text)
        return _runs(segments, flat)
    except (ValueError, IndexError, TypeError, ZeroDivisionError, OverflowError, AttributeError):
        raise NotSvgError(f"the path data {text.strip()[:40]!r} cannot be read to its end") from None


def _runs(segments: Path, flat: float) -> list[PathRun]:
    found: list[PathRun] = []
    pieces: list[Points] = []

    def finish(*, closed: bool) -> None:
        if pieces:
            points = np.vstack(pieces)
            if not np.isfinite(points).all() or np.abs(points).max() > 1e9:
                raise ValueError("out of range")
            if closed and len(points) > 1 and np.allclose(points[0], points[-1], rtol=0, atol=1e-12):
                points = points[:-1]
            found.append(PathRun(points=points, closed=closed))
        pieces.clear()

    for segment in segments:
        if isinstance(segment, Move):
            finish(closed=False)
            pieces.append(_point(segment.end))
        elif isinstance(segment, Close):
            finish(closed=True)
            pieces.append(_point(segment.end))
        elif isinstance(segment, QuadraticBezier):
            pieces.append(bezier_points(_control(segment.start, segment.control, segment.end), flat))
        elif isinstance(segment, CubicBezier):
            control = _control(segment.start, segment.control1, segment.control2, segment.end)
            pieces.append(bezier_points(control, flat))
        elif isinstance(segment, Arc):
            pieces.append(_arc(segment, flat))
        else:
            pieces.append(_point(segment.end))
    # After a closing letter a path may go on from its start; alone, that point draws nothing.
    if len(pieces) == 1 and len(pieces[0]) == 1 and found and found[-1].closed:
        pieces.clear()
    finish(closed=False)
    return found


def _point(place: object) -> Points:
    return np.array([[place.x, place.y]], dtype=np.float64)  # type: ignore[attr-defined]


def _control(*places: object) -> Points:
    return np.vstack([_point(place) for place in places])


def _arc(arc: Arc, flat: float) -> Points:
    end = _point(arc.end)
    radius = max(arc.rx, arc.ry)
    if radius == 0 or min(arc.rx, arc.ry) == 0 or arc.start == arc.end:
        return end  # SVG: an arc without a radius is a straight line
    chords = min(MOST_CHORDS, arc_chords(radius, arc.sweep, flat))
    points = np.asarray(arc.npoint(np.arange(1, chords + 1) / chords), dtype=np.float64)
    # The library rounds within an arc; its own ends are exact.
    points[-1] = end[0]
    return points
