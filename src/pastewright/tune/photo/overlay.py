"""A photo with what was measured drawn on it: green outlines are dots measured, red crosses and words the refused.

Grey squares are places where nothing lies. The three odd dots have a second ring.
"""

import cv2
import numpy as np
from numpy.typing import NDArray

from pastewright.tune.photo.measure import PhotoReading
from pastewright.tune.record.measurements import DotState
from pastewright.tune.sheet.model import Sheet

WIDEST_PX = 2800
GREEN, RED, GREY, WHITE, BLACK = (0, 200, 70), (235, 40, 40), (150, 150, 150), (255, 255, 255), (0, 0, 0)
BLUE = (40, 110, 255)
# Words of one letter on the picture; the legend spells them out.
LETTERS = {
    "too small in the photo": "s",
    "blurred": "b",
    "overexposed": "o",
    "hardly visible": "v",
    "outside the photo": "x",
    "touches its neighbour": "t",
    "not round": "r",
    "no clear outline": "c",
    "not at its place": "p",
}


def overlay_png(sheet: Sheet, reading: PhotoReading) -> bytes:
    """Return the overlay picture as a PNG file."""
    picture = overlay(sheet, reading)
    done, file = cv2.imencode(".png", cv2.cvtColor(picture, cv2.COLOR_RGB2BGR))
    if not done:
        raise RuntimeError("OpenCV could not write the overlay picture")
    return file.tobytes()


def overlay(sheet: Sheet, reading: PhotoReading) -> NDArray[np.uint8]:
    """Return the photo, made smaller when it is large, with what was measured drawn on it."""
    pixels = reading.photo.pixels
    height, width = pixels.shape[:2]
    factor = min(1.0, WIDEST_PX / max(height, width))
    size = max(1, round(width * factor)), max(1, round(height * factor))
    picture = np.ascontiguousarray(cv2.resize(pixels, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)
    view = reading.view
    pitch_px = float(reading.facts.px_per_mm * sheet.pitch_mm * factor)
    line = max(1, round(pitch_px / 40))
    text = max(0.4, pitch_px / 150)

    def at(points: NDArray[np.float64]) -> NDArray[np.int32]:
        return np.asarray(np.round(((view.to_px(points) + 0.5) * factor - 0.5) * 16), dtype=np.int32)

    around = np.linspace(0, 2 * np.pi, 49)
    circle = np.stack([np.cos(around), np.sin(around)], axis=-1)
    corners = np.array([[-1.0, -1], [1, -1], [1, 1], [-1, 1], [-1, -1]])
    used: dict[str, int] = {}
    for dot, seen in zip(sheet.dots, reading.readings, strict=True):
        place = np.array([dot.x_mm, dot.y_mm])
        if dot.is_odd:
            cv2.polylines(
                picture, [at(place + 0.42 * sheet.pitch_mm * circle)], True, BLUE, line, cv2.LINE_AA, 4
            )
        if (
            seen.state is DotState.MEASURED
            and seen.diameter_mm
            and seen.x_mm is not None
            and seen.y_mm is not None
        ):
            ring = np.array([seen.x_mm, seen.y_mm]) + seen.diameter_mm / 2 * circle
            cv2.polylines(picture, [at(ring)], True, GREEN, line, cv2.LINE_AA, 4)
            words, colour = f"{seen.diameter_mm:.2f}", GREEN
        elif seen.state is DotState.MISSING:
            cv2.polylines(
                picture, [at(place + 0.2 * sheet.pitch_mm * corners)], True, GREY, line, cv2.LINE_AA, 4
            )
            words, colour = "-", GREY
        else:
            for ends in (corners[[0, 2]], corners[[1, 3]]):
                cv2.polylines(
                    picture, [at(place + 0.2 * sheet.pitch_mm * ends)], False, RED, line, cv2.LINE_AA, 4
                )
            words, colour = LETTERS.get(seen.why, "?"), RED
            used[seen.why] = used.get(seen.why, 0) + 1
        spot = at(place)[None] / 16 + np.array([[0.22, 0.42]]) * pitch_px
        _write(picture, words, (int(spot[0, 0]), int(spot[0, 1])), text, colour)
    lines = [f"{reading.facts.measured} of {len(reading.readings)} dots measured, diameters in mm"]
    missing = sum(1 for seen in reading.readings if seen.state is DotState.MISSING)
    if missing:
        lines.append(f"- nothing lies here: {missing}")
    lines += [f"{LETTERS.get(why, '?')} {why}: {count}" for why, count in sorted(used.items())]
    scale = max(0.5, max(size) / 2000)
    for number, words in enumerate(lines):
        _write(picture, words, (12, int(30 * scale * (number + 1))), scale * 0.8, WHITE)
    return picture


def _write(
    picture: NDArray[np.uint8], words: str, place: tuple[int, int], size: float, colour: tuple[int, int, int]
) -> None:
    """Write words with a dark rim, readable on any ground."""
    thick = max(1, round(size * 1.2))
    for stroke, paint in ((thick + 2, BLACK), (thick, colour)):
        cv2.putText(picture, words, place, cv2.FONT_HERSHEY_SIMPLEX, size, paint, stroke, cv2.LINE_AA)
