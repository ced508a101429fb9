"""The dots of a photo with what was measured drawn on it: green outlines are measured dots, red crosses refused ones.

Grey squares are places where nothing lies. The three odd dots have a second ring. Rows and columns have their numbers.
"""

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from pastewright.counting import counted
from pastewright.tune.photo.laid import LaidDots
from pastewright.tune.photo.measure import PhotoReading
from pastewright.tune.record.measurements import DotReading, DotState
from pastewright.tune.sheet.model import Role, Sheet

WIDEST_PX = 2000  # a file of two megabytes, made in a quarter of a second
MOST_LARGER = 2.0  # a small photo is not blown up further
ROOM_PITCHES = 2.2  # round the outermost dots: numbers of rows and columns, and the legend above
GREEN, RED, GREY, WHITE, BLACK = (0, 200, 70), (235, 40, 40), (150, 150, 150), (255, 255, 255), (0, 0, 0)
BLUE = (40, 110, 255)
CIRCLE = np.stack([np.cos(TURNS := np.linspace(0, 2 * np.pi, 49)), np.sin(TURNS)], axis=-1)
CORNERS = np.array([[-1.0, -1], [1, -1], [1, 1], [-1, 1], [-1, -1]])
LETTER_SHARE = 0.24  # of the pitch: "0.62" fits between two dots
LEAST_LETTER_PX = 11.0  # smaller letters of an outline font cannot be read
LINES_A_SIDE = 65.0  # heights of the legend's letters along the picture's long side
AXIS_PITCHES = 0.85  # rows and columns are named so far from the first dot
# Words of one letter on the picture; the legend spells them out.
LETTERS = {
    "too small in the photo": "s",
    "blurred": "b",
    "overexposed": "o",
    "hardly visible": "v",
    "paled by a reflection": "l",
    "outside the photo": "x",
    "touches its neighbour": "t",
    "not round": "r",
    "no clear outline": "c",
    "not at its place": "p",
}


PNG_LEVEL = 1  # of zlib's nine: a third of the time of the usual one, and a file hardly larger (measured)


def overlay_png(sheet: LaidDots, reading: PhotoReading) -> bytes:
    """Return the overlay picture as a PNG file."""
    picture = overlay(sheet, reading)
    done, file = cv2.imencode(
        ".png", cv2.cvtColor(picture, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_PNG_COMPRESSION, PNG_LEVEL]
    )
    if not done:
        raise RuntimeError("OpenCV could not write the overlay picture")
    return file.tobytes()


@dataclass(frozen=True, slots=True)
class _Words:
    """Words to be written: their place [px], height [px], colour, and which point of them is at the place."""

    text: str
    at: tuple[float, float]
    size: float
    colour: tuple[int, int, int]
    anchor: str = "ls"  # left, on the line (as Pillow names anchors)


def overlay(sheet: LaidDots, reading: PhotoReading) -> NDArray[np.uint8]:
    """Return the part of the photo that shows the sheet's dots, with what was measured drawn on it.

    It is made smaller or larger, so that words beside the dots can be read and the file stays small.
    """
    pixels = reading.photo.pixels
    view = reading.view
    left, top, right, bottom = shown_px(sheet, reading)
    factor = min(MOST_LARGER, WIDEST_PX / max(right - left, bottom - top))
    size = max(1, round((right - left) * factor)), max(1, round((bottom - top) * factor))
    smooth = cv2.INTER_AREA if factor < 1 else cv2.INTER_CUBIC
    picture = np.ascontiguousarray(
        cv2.resize(pixels[top:bottom, left:right], size, interpolation=smooth), dtype=np.uint8
    )
    pitch_px = float(reading.facts.px_per_mm * sheet.pitch_mm * factor)
    line = max(1, round(pitch_px / 40))

    def at(points: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray((view.to_px(points) - [left, top] + 0.5) * factor - 0.5)

    def draw(points: NDArray[np.float64], colour: tuple[int, int, int], *, closed: bool = True) -> None:
        fine = np.asarray(
            np.round(at(points) * 16), dtype=np.int32
        )  # sixteenths, which OpenCV draws smoothly
        cv2.polylines(picture, [fine], closed, colour, line, cv2.LINE_AA, 4)

    words = _axes(sheet, at, pitch_px) if isinstance(sheet, Sheet) else []
    used: Counter[str] = Counter()
    for dot, seen in zip(sheet.dots, reading.readings, strict=True):
        place = np.array([dot.x_mm, dot.y_mm])
        if dot.role is Role.ODD:
            draw(place + 0.42 * sheet.pitch_mm * CIRCLE, BLUE)
        text, colour = _drawn_dot(draw, place, seen, sheet.pitch_mm)
        if seen.state is DotState.REFUSED:
            used[seen.why] += 1
        x, y = (at(place[None])[0] + np.array([0.2, 0.4]) * pitch_px).tolist()
        words.append(_Words(text, (x, y), LETTER_SHARE * pitch_px, colour))
    return _written(picture, [*words, *_legend(reading, used, max(size))])


def shown_px(sheet: LaidDots, reading: PhotoReading) -> tuple[int, int, int, int]:
    """Return what is shown of the photo: left, top, right, bottom [px]; all dots with some room, within the photo."""
    height, width = reading.photo.pixels.shape[:2]
    places = reading.view.to_px(np.array([(dot.x_mm, dot.y_mm) for dot in sheet.dots]))
    room = ROOM_PITCHES * reading.facts.px_per_mm * sheet.pitch_mm
    low = np.clip(np.floor(places.min(axis=0) - room), 0, [width - 2, height - 2]).astype(int)
    high = np.clip(np.ceil(places.max(axis=0) + room), low + 1, [width, height]).astype(int)
    return int(low[0]), int(low[1]), int(high[0]), int(high[1])


def _drawn_dot(
    draw: Callable[..., None], place: NDArray[np.float64], seen: DotReading, pitch_mm: float
) -> tuple[str, tuple[int, int, int]]:
    """Draw what was seen of a dot; returns its words and their colour."""
    if (
        seen.state is DotState.MEASURED
        and seen.diameter_mm
        and seen.x_mm is not None
        and seen.y_mm is not None
    ):
        draw(np.array([seen.x_mm, seen.y_mm]) + seen.diameter_mm / 2 * CIRCLE, GREEN)
        return f"{seen.diameter_mm:.2f}", GREEN
    if seen.state is DotState.MISSING:
        draw(place + 0.2 * pitch_mm * CORNERS, GREY)
        return "–", GREY
    for ends in (CORNERS[[0, 2]], CORNERS[[1, 3]]):
        draw(place + 0.2 * pitch_mm * ends, RED, closed=False)
    return LETTERS.get(seen.why, "?"), RED


def _axes(
    sheet: Sheet, at: Callable[[NDArray[np.float64]], NDArray[np.float64]], pitch_px: float
) -> list[_Words]:
    """The numbers of rows and columns, as dots.csv and the fit count them, beside the lattice."""
    x0, y0 = sheet.origin_mm
    pitch = sheet.pitch_mm
    marks = [(f"row {row}", (x0 - AXIS_PITCHES * pitch, y0 + row * pitch)) for row in range(sheet.rows)]
    marks += [
        (f"column {column}" if column == 0 else str(column), (x0 + column * pitch, y0 - AXIS_PITCHES * pitch))
        for column in range(sheet.columns)
    ]
    places = at(np.array([place for _, place in marks])).tolist()
    return [
        _Words(text, (x, y), LETTER_SHARE * pitch_px, WHITE, "mm")
        for (text, _), (x, y) in zip(marks, places, strict=True)
    ]


def _legend(reading: PhotoReading, used: Mapping[str, int], longest_px: int) -> list[_Words]:
    lines = [f"{counted(reading.facts.measured, 'dot')} of {len(reading.readings)} measured, diameters in mm"]
    missing = sum(1 for seen in reading.readings if seen.state is DotState.MISSING)
    if missing:
        lines.append(f"– nothing lies here: {missing}")
    lines += [f"{LETTERS.get(why, '?')} {why}: {count}" for why, count in sorted(used.items())]
    size = longest_px / LINES_A_SIDE
    return [
        _Words(text, (0.6 * size, 1.3 * size * number), size, WHITE)
        for number, text in enumerate(lines, start=1)
    ]


def _written(picture: NDArray[np.uint8], words: Sequence[_Words]) -> NDArray[np.uint8]:
    """Return the picture with words in an outline font, with a dark rim: sharp, and readable on any ground."""
    image = Image.fromarray(picture)
    pen = ImageDraw.Draw(image)
    for one in words:
        size = max(one.size, LEAST_LETTER_PX)
        font = ImageFont.load_default(size)
        rim = max(1, round(size / 9))
        pen.text(
            one.at,
            one.text,
            fill=one.colour,
            font=font,
            anchor=one.anchor,
            stroke_width=rim,
            stroke_fill=BLACK,
        )
    return np.asarray(image, dtype=np.uint8)
