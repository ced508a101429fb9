"""The deprecated commands for a whole image (IP, MI, SF, OF, IR, AS), to factors on coordinates and a last move.

They are applied in the order MI, SF, OF, IR, AS, wherever they stand in the file. MI and SF act on coordinates only
and leave apertures alone, as the RS-274X format describes them; OF, IR and AS move the whole image. Source: Gerber
layer format specification, "Deprecated commands" (order and scope from memory of its editions before 2014).
"""

import re
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import shapely

from pastewright.board.artwork import DrawnKind
from pastewright.board.gerber.apertures import LARGEST_MM, NUMBER
from pastewright.board.gerber.block import PlottedBlock
from pastewright.board.gerber.complaints import Complaints
from pastewright.board.gerber.coordinates import Coordinates
from pastewright.board.gerber.lexer import shown
from pastewright.board.shapes.curves import Points, rectangle, turned

_PAIR = re.compile(r"(?:A(?P<a>[+-]?[\d.]+))?(?:B(?P<b>[+-]?[\d.]+))?")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Setting:
    """What the image commands have set so far."""

    mirror: tuple[bool, bool] = (False, False)
    scale: tuple[float, float] = (1.0, 1.0)
    offset_mm: tuple[float, float] = (0.0, 0.0)
    turn_deg: int = 0
    axes_swapped: bool = False
    negative: bool = False


class ImageCommands:
    """Follows the image commands of one file and applies them at its end."""

    def __init__(self, complaints: Complaints, coordinates: Coordinates) -> None:
        self._complaints = complaints
        self._coordinates = coordinates
        self._set = _Setting()
        self._polarity_line = 0

    def commands(self) -> dict[str, Callable[[str, int], None]]:
        """Return the commands that this follows, by their two letters."""
        return {
            "IP": self._polarity,
            "MI": self._mirror,
            "SF": self._scale,
            "OF": self._offset,
            "AS": self._axes,
            "IR": self._rotation,
        }

    def _polarity(self, text: str, line: int) -> None:
        if text not in ("IPPOS", "IPNEG"):
            self._complaints.error(f"The image polarity {shown(text)} is neither IPPOS nor IPNEG.", line=line)
            return
        self._set = replace(self._set, negative=text == "IPNEG")
        self._polarity_line = line

    def _mirror(self, text: str, line: int) -> None:
        values = self._pair(text, line)
        if values and all(value in (None, 0.0, 1.0) for value in values):
            self._change(replace(self._set, mirror=(values[0] == 1, values[1] == 1)), "MI", line)
        elif values:
            self._complaints.error(f"The image command {shown(text)} takes 0 or 1.", line=line)

    def _scale(self, text: str, line: int) -> None:
        values = self._pair(text, line)
        if not values:
            return
        a, b = (1.0 if value is None else value for value in values)
        if not (0 < a <= 1000 and 0 < b <= 1000):
            self._complaints.error(f"The image command {shown(text)} takes factors above 0.", line=line)
            return
        self._change(replace(self._set, scale=(a, b)), "SF", line)

    def _offset(self, text: str, line: int) -> None:
        values = self._pair(text, line)
        if not values:
            return
        unit_mm = self._coordinates.unit_mm(line) if any(values) else 1.0
        a_mm, b_mm = ((value or 0.0) * unit_mm for value in values)
        if max(abs(a_mm), abs(b_mm)) > LARGEST_MM:
            self._complaints.error(
                f"The image command {shown(text)} leads beyond {LARGEST_MM:g} mm.", line=line
            )
            return
        self._change(replace(self._set, offset_mm=(a_mm, b_mm)), "OF", line)

    def _axes(self, text: str, line: int) -> None:
        if text not in ("ASAXBY", "ASAYBX"):
            self._complaints.error(
                f"The image command {shown(text)} is neither ASAXBY nor ASAYBX.", line=line
            )
            return
        self._change(replace(self._set, axes_swapped=text == "ASAYBX"), "AS", line)

    def _rotation(self, text: str, line: int) -> None:
        if text[2:] not in ("0", "90", "180", "270"):
            self._complaints.error(f"The image command {shown(text)} takes 0, 90, 180 or 270.", line=line)
            return
        self._change(replace(self._set, turn_deg=int(text[2:])), "IR", line)

    def _pair(self, text: str, line: int) -> tuple[float | None, float | None] | None:
        """Return the A and B values of a command; None after telling that they cannot be read."""
        found = _PAIR.fullmatch(text[2:])
        if not found or any(found[axis] and not NUMBER.fullmatch(found[axis]) for axis in "ab"):
            self._complaints.error(f"The image command {shown(text)} cannot be understood.", line=line)
            return None
        a, b = (float(found[axis]) if found[axis] else None for axis in "ab")
        return a, b

    def _change(self, wanted: _Setting, name: str, line: int) -> None:
        if wanted != self._set:
            self._complaints.warn(
                f"The deprecated image command {name} is followed; few programs write or follow it.",
                "Look at the picture of the board: layers must lie on each other.",
                line=line,
            )
        self._set = wanted
        factor_x, factor_y = (
            -scale if mirror else scale for scale, mirror in zip(wanted.scale, wanted.mirror, strict=True)
        )
        self._coordinates.set_factors((factor_x, factor_y))

    def applied(self, block: PlottedBlock) -> PlottedBlock:
        """Return the image moved by OF, IR and AS, and made a negative by IPNEG."""
        wanted = self._set
        if len(block) and (any(wanted.offset_mm) or wanted.turn_deg or wanted.axes_swapped):
            shift = np.array(wanted.offset_mm)

            def move(points: Points) -> Points:
                points = turned(points + shift, wanted.turn_deg)
                return points[:, ::-1] if wanted.axes_swapped else points

            block = block.moved(move)
        if wanted.negative and len(block):
            self._complaints.warn(
                "The image is negative (IPNEG): what is drawn is clear, and all around it dark.",
                "It is taken as dark within the extent of what is drawn. Paste layers are positive; check this one.",
                line=self._polarity_line,
            )
            block = _negative(block, self._polarity_line)
        return block


def _negative(block: PlottedBlock, line: int) -> PlottedBlock:
    """Return a dark rectangle as large as everything drawn, with the objects cut out of it."""
    left, low, right, high = shapely.total_bounds(block.shapes)
    shapes = np.empty(len(block) + 1, dtype=object)
    shapes[0] = rectangle(right - left, high - low, (left + right) / 2, (low + high) / 2)
    shapes[1:] = block.shapes
    return PlottedBlock(
        kinds=[DrawnKind.REGION, *block.kinds],
        shapes=shapes,
        darks=[True, *(not dark for dark in block.darks)],
        attributes=[{}, *block.attributes],
        lines=[line, *block.lines],
        paths=[(), *block.paths],
        widths_mm=[0.0, *block.widths_mm],
    )
