"""The apertures and macros a file has defined so far, the one selected, and how it is placed (LM, LR, LS)."""

import re
from collections.abc import Callable
from dataclasses import dataclass, replace

from pastewright.board.artwork import Attributes
from pastewright.board.gerber.apertures import (
    NUMBER,
    ApertureError,
    DrawnAperture,
    Stance,
    definition,
    is_standard,
    macro_aperture,
    standard_aperture,
)
from pastewright.board.gerber.attributes import AttributeBook
from pastewright.board.gerber.block import PlottedBlock
from pastewright.board.gerber.budget import Budget
from pastewright.board.gerber.complaints import Complaints
from pastewright.board.gerber.coordinates import Coordinates
from pastewright.board.gerber.lexer import shown
from pastewright.board.gerber.macros import Macro, MacroError, parsed_macro

MOST_PRIMITIVES = 50_000
"""Macro primitives drawn for all aperture definitions of one file. Boards have some thousands; these take 5 s."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BlockAperture:
    """An aperture made by `AB`: objects about its origin."""

    block: PlottedBlock
    attributes: Attributes


class Toolbox:
    """Apertures by number. An aperture that could not be drawn is kept as None, so that it is told only once."""

    def __init__(
        self, complaints: Complaints, budget: Budget, coordinates: Coordinates, book: AttributeBook
    ) -> None:
        self._complaints = complaints
        self._budget = budget
        self._coordinates = coordinates
        self._book = book
        self._macros: dict[str, Macro | None] = {}
        self._primitives = 0
        self._apertures: dict[int, DrawnAperture | BlockAperture | None] = {}
        self._placed: dict[tuple[DrawnAperture, Stance], DrawnAperture] = {}
        self._current: DrawnAperture | BlockAperture | None = None
        self.code: int | None = None
        self.stance = Stance()

    def commands(self) -> dict[str, Callable[[str, int], None]]:
        """Return the commands that this follows, by their two letters."""
        return {"AD": self._define, "LM": self._mirror, "LR": self._rotate, "LS": self._scale}

    # The current aperture.

    def select(self, code: int) -> None:
        """Make an aperture the current one. Whether it is defined matters only once it draws."""
        self.code = code
        self._current = None

    def current(self, line: int) -> DrawnAperture | BlockAperture | None:
        """Return the current aperture as it is placed; None after telling why there is none."""
        if self._current is None:
            self._current = self._find(line)
        return self._current

    def _find(self, line: int) -> DrawnAperture | BlockAperture | None:
        if self.code is None:
            self._complaints.error(
                "Something is drawn before a Gerber aperture is selected.", line=line, key="no aperture"
            )
            return None
        if self.code not in self._apertures:
            self._complaints.error(
                f"Gerber aperture D{self.code} is used but not defined before.",
                line=line,
                key=f"D{self.code}",
            )
            return None
        aperture = self._apertures[self.code]
        return self._as_placed(aperture, line) if isinstance(aperture, DrawnAperture) else aperture

    def drawn(self, code: int, line: int) -> DrawnAperture | None:
        """Return an aperture that can be drawn as it is placed now; None, and nothing told, for any other code."""
        aperture = self._apertures.get(code)
        return self._as_placed(aperture, line) if isinstance(aperture, DrawnAperture) else None

    def _as_placed(self, aperture: DrawnAperture, line: int) -> DrawnAperture:
        if self.stance.upright:
            return aperture
        placed = self._placed.get((aperture, self.stance))
        if placed is None:
            self._budget.spend(line, objects=0, corners=aperture.corners)
            placed = self._placed[aperture, self.stance] = aperture.placed(self.stance)
        return placed

    # Definitions.

    def _define(self, text: str, line: int) -> None:
        try:
            parts = definition(text)
        except ApertureError as error:
            self._complaints.error(f"A Gerber aperture cannot be defined: {error}.", line=line)
            code = re.match(r"ADD(\d{1,9})", text)
            if code:
                self._apertures[int(code[1])] = None
            return
        if not self._take_code(parts.code, line):
            return
        self._apertures[parts.code] = None
        unit_mm = self._coordinates.unit_mm(line)
        attributes = self._book.of_aperture
        try:
            if parts.template in self._macros:
                macro = self._macros[parts.template]
                if macro is not None:
                    self._apertures[parts.code] = self._from_macro(macro, parts.parameters, unit_mm, line)
            elif is_standard(parts.template):
                self._apertures[parts.code] = standard_aperture(
                    parts.template, parts.parameters, unit_mm, attributes
                )
            else:
                self._complaints.error(
                    f"Gerber aperture D{parts.code} uses the macro {shown(parts.template)}, not defined before.",
                    line=line,
                )
        except ApertureError as error:
            self._complaints.error(f"Gerber aperture D{parts.code} cannot be drawn: {error}.", line=line)

    def _take_code(self, code: int, line: int) -> bool:
        """Return whether a number may be given to an aperture."""
        if code < 10:
            self._complaints.error(
                f"Gerber aperture D{code} cannot be defined: numbers begin at D10.", line=line
            )
            return False
        if code in self._apertures:
            self._complaints.warn(
                f"Gerber aperture D{code} is defined twice; each definition holds from its line on.",
                line=line,
            )
        self._current = None
        return True

    def define_block(self, code: int, block: PlottedBlock, attributes: Attributes) -> None:
        """Keep an aperture block that is complete."""
        self._apertures[code] = BlockAperture(block=block, attributes=attributes)
        self._current = None

    def announce_block(self, code: int, line: int) -> bool:
        """Return whether a block of this number may begin; within itself it is not defined yet."""
        return self._take_code(code, line)

    def _from_macro(
        self, macro: Macro, parameters: tuple[float, ...], unit_mm: float, line: int
    ) -> DrawnAperture:
        self._primitives += len(macro.primitives)
        if self._primitives > MOST_PRIMITIVES:
            self._complaints.fatal(
                f"The apertures of the file draw more than {MOST_PRIMITIVES} macro primitives.", line=line
            )
        drawn, oddities = macro_aperture(macro, parameters, unit_mm, self._book.of_aperture)
        for oddity in oddities:
            what = f"Macro {shown(macro.name)}: {oddity}"
            self._complaints.warn(
                what, "Look at these pads in the picture of the board.", line=line, key=what
            )
        return drawn

    def define_macro(self, parts: list[tuple[str, int]], line: int) -> None:
        """Keep a macro: its first block is "AM" with the name, the others are its primitives."""
        name = parts[0][0][2:].strip()
        if not name:
            self._complaints.error("A macro (AM) has no name.", line=line)
            return
        if name in self._macros:
            self._complaints.warn(
                f"Macro {shown(name)} is defined twice; each definition holds from its line on.", line=line
            )
        if is_standard(name):
            self._complaints.warn(
                f"A macro is named {name}, like a standard aperture; the macro is drawn.", line=line
            )
        self._macros[name] = None
        try:
            self._macros[name] = parsed_macro(name, parts[1:], line)
        except MacroError as error:
            self._complaints.error(f"Macro {shown(name)} cannot be read: {error}.", line=line)

    # How apertures are placed.

    def _mirror(self, text: str, line: int) -> None:
        axes = text[2:]
        if axes not in ("N", "X", "Y", "XY"):
            self._complaints.error(f"The mirroring {shown(text)} is none of LMN, LMX, LMY, LMXY.", line=line)
            return
        self._stand(replace(self.stance, mirror_x="X" in axes, mirror_y="Y" in axes))

    def _rotate(self, text: str, line: int) -> None:
        if not NUMBER.fullmatch(text[2:]):
            self._complaints.error(f"The rotation {shown(text)} has no angle.", line=line)
            return
        self._stand(replace(self.stance, turn_deg=float(text[2:]) % 360.0))

    def _scale(self, text: str, line: int) -> None:
        if not NUMBER.fullmatch(text[2:]) or not 0 < float(text[2:]) <= 1000:
            self._complaints.error(
                f"The scale {shown(text)} is not a factor above 0 and up to 1000.", line=line
            )
            return
        self._stand(replace(self.stance, scale=float(text[2:])))

    def _stand(self, stance: Stance) -> None:
        self.stance = stance
        self._current = None
