"""Aperture macros (`AM`): the text of a macro to a `Macro`, and a macro with its parameters to an area.

Gerber layer format specification, "Aperture macro (AM)". A macro is a row of primitives, each with expressions of
the parameters `$1`, `$2` … Primitives are added to the shape, or, with exposure off, cut out of what is there
already; every primitive is turned about the macro's origin, not about its own centre.
"""

import re
from collections.abc import Callable, Mapping, Sequence
from math import hypot, isfinite

import numpy as np
import shapely
from msgspec import Struct
from shapely.geometry import Polygon
from shapely.geometry.base import BaseGeometry

from pastewright.board.gerber.lexer import shown
from pastewright.board.model import Area
from pastewright.board.shapes.curves import (
    EMPTY,
    area_of,
    circle,
    moved,
    rectangle,
    regular_polygon,
    ring_area,
    turned,
)

MOST_MOIRE_RINGS = 1000
"""Rings of one target mark; real ones have three or four (common practice)."""
MOST_POLYGON_CORNERS = 1000
"""The specification allows 3 to 12 corners of a polygon primitive; more is lenience, and this bounds it."""
LARGEST_NUMBER = 1e9
"""Numbers beyond it are no lengths, and squares of them lose their digits."""

_TOKEN = re.compile(r"\$\d{1,6}|\d{1,15}(?:\.\d{0,15})?|\.\d{1,15}|[-+xX/()]")
_VARIABLE = re.compile(r"\$(\d{1,6})=(.+)", re.DOTALL)
_BINARY = {"+": 1, "-": 1, "x": 2, "/": 2}

Rpn = tuple[str | float, ...]


class MacroError(ValueError):
    """A macro, or a use of it, that cannot be drawn; the text says why."""


class Primitive(Struct, frozen=True, kw_only=True):
    """One line of a macro: a primitive of this `code`, or, with code 0, a value for the variable `sets`."""

    code: int
    modifiers: tuple[Rpn, ...]
    line: int
    sets: int = 0


class Macro(Struct, frozen=True, kw_only=True):
    """A macro as defined in the file."""

    name: str
    primitives: tuple[Primitive, ...]
    line: int


class MacroShape(Struct, frozen=True, kw_only=True):
    """A macro with its parameters filled in: its area [mm], and its diameter when it is one centred disc."""

    shape: Area
    disc_mm: float
    oddities: tuple[str, ...]


def parsed_macro(name: str, blocks: Sequence[tuple[str, int]], line: int) -> Macro:
    """Return the macro of these data blocks, (text, line) each; raises `MacroError` with the line in its text."""
    found = []
    for text, at in blocks:
        if re.match(r"0(?![\d.,])", text):
            continue
        packed = "".join(text.split())
        try:
            found.append(_parsed_line(packed, at))
        except MacroError as error:
            raise MacroError(f"line {at}, {shown(text)}: {error}") from None
    return Macro(name=name, primitives=tuple(found), line=line)


def _parsed_line(text: str, line: int) -> Primitive:
    if text.startswith("$"):
        variable = _VARIABLE.fullmatch(text)
        if not variable:
            raise MacroError("a variable is not set as $n=expression")
        return Primitive(code=0, modifiers=(_rpn(variable[2]),), line=line, sets=int(variable[1]))
    code, *modifiers = text.split(",")
    if not re.fullmatch(r"\d{1,3}", code):
        raise MacroError(f"{shown(code)} is not a primitive code")
    if int(code) == 0:
        return Primitive(code=0, modifiers=(), line=line)
    if int(code) not in _DRAWN and int(code) != 4:
        raise MacroError(f"primitive {int(code)} does not exist; there are 1, 2, 4, 5, 6, 7, 20, 21 and 22")
    if modifiers and not modifiers[-1]:
        modifiers.pop()
    return Primitive(code=int(code), modifiers=tuple(_rpn(modifier) for modifier in modifiers), line=line)


def _rpn(text: str) -> Rpn:
    """Return an expression in postfix order ("neg" for a minus sign before a value). No recursion: any depth."""
    output: list[str | float] = []
    stack: list[str] = []
    at, value_next = 0, True
    while at < len(text):
        token = _TOKEN.match(text, at)
        if not token:
            raise MacroError(f"{shown(text[at:])} is not an expression")
        at = token.end()
        word = token[0].replace("X", "x")
        if value_next:
            if word == "-":
                stack.append("neg")
            elif word == "(":
                stack.append(word)
            elif word[0] == "$":
                output.append(word)
                value_next = False
            elif word[0].isdigit() or word[0] == ".":
                output.append(float(word))
                value_next = False
            elif word != "+":
                raise MacroError(f"a value is missing before {word!r} in {shown(text)}")
        elif word == ")":
            while stack and stack[-1] != "(":
                output.append(stack.pop())
            if not stack:
                raise MacroError(f"a ')' has no '(' in {shown(text)}")
            stack.pop()
        elif word in _BINARY:
            while stack and stack[-1] != "(" and _BINARY.get(stack[-1], 3) >= _BINARY[word]:
                output.append(stack.pop())
            stack.append(word)
            value_next = True
        else:
            raise MacroError(f"an operator is missing before {word!r} in {shown(text)}")
    if value_next:
        raise MacroError(f"a value is missing at the end of {shown(text)}")
    while stack:
        if stack[-1] == "(":
            raise MacroError(f"a '(' is not closed in {shown(text)}")
        output.append(stack.pop())
    return tuple(output)


def _value(rpn: Rpn, variables: Mapping[int, float]) -> float:
    """Return the value of an expression; a variable that was never set is 0, as the specification has it."""
    stack: list[float] = []
    for item in rpn:
        if isinstance(item, float):
            stack.append(item)
        elif item[0] == "$":
            stack.append(variables.get(int(item[1:]), 0.0))
        elif item == "neg":
            stack[-1] = -stack[-1]
        else:
            right = stack.pop()
            left = stack.pop()
            if item == "+":
                stack.append(left + right)
            elif item == "-":
                stack.append(left - right)
            elif item == "x":
                stack.append(left * right)
            elif right == 0:
                raise MacroError("an expression divides by zero")
            else:
                stack.append(left / right)
    if not isfinite(stack[0]) or abs(stack[0]) > LARGEST_NUMBER:
        raise MacroError(f"an expression gives {stack[0]:g}, which is no size on a board")
    return stack[0]


def macro_shape(macro: Macro, parameters: Sequence[float], unit_mm: float) -> MacroShape:
    """Return the area [mm] of a macro used with `parameters` ($1 first); raises `MacroError`.

    `unit_mm` is the length of the file's unit: 1 or 25.4.
    """
    variables = dict(enumerate(parameters, 1))
    shape: BaseGeometry = EMPTY
    added: list[BaseGeometry] = []
    oddities: list[str] = []
    disc_mm = 0.0
    drawn = 0
    for primitive in macro.primitives:
        try:
            values = [_value(rpn, variables) for rpn in primitive.modifiers]
            if primitive.sets:
                variables[primitive.sets] = values[0]
                continue
            if primitive.code == 0:
                continue
            exposed, part = _drawn(primitive.code, values, oddities)
        except MacroError as error:
            raise MacroError(f"in the primitive at line {primitive.line}: {error}") from None
        drawn += 1
        on = exposed == 1
        if drawn == 1 and on and primitive.code == 1 and hypot(values[2], values[3]) == 0:
            disc_mm = values[1] * unit_mm
        if on:
            added.append(part)
        elif added or not shape.is_empty:
            shape = shapely.union_all([shape, *added]).difference(part)
            added = []
    if added:
        shape = shapely.union_all([shape, *added]) if len(added) > 1 or not shape.is_empty else added[0]
    if drawn > 1:
        disc_mm = 0.0
    area = area_of(shape)
    if unit_mm != 1:
        area = shapely.transform(area, lambda points: points * unit_mm)
    if disc_mm > 0:
        area = circle(disc_mm / 2)
    return MacroShape(shape=area, disc_mm=disc_mm, oddities=tuple(dict.fromkeys(oddities)))


def _drawn(code: int, values: list[float], oddities: list[str]) -> tuple[int, BaseGeometry]:
    """Return the exposure (1 on, 0 off) and the shape of one primitive, in the file's unit."""
    if code == 4:
        return _outline(values, oddities)
    fewest, most, exposed, draw = _DRAWN[code]
    if not fewest <= len(values) <= most:
        raise MacroError(f"primitive {code} takes {fewest} to {most} modifiers, here are {len(values)}")
    values = values + [0.0] * (most - len(values))
    exposure = _exposure(values[0]) if exposed else 1
    shape = draw(values[1:] if exposed else values)
    turn_deg = values[-1]
    if turn_deg % 360 and not shape.is_empty:
        shape = shapely.transform(shape, lambda points: turned(points, turn_deg))
    return exposure, shape


def _exposure(value: float) -> int:
    if value not in (0.0, 1.0):
        raise MacroError(f"the exposure is {value:g}; it must be 0 (off) or 1 (on)")
    return int(value)


def _size(value: float, name: str) -> float:
    if value < 0:
        raise MacroError(f"the {name} is {value:g}; it must not be negative")
    return value


def _circle(values: list[float]) -> Area:
    diameter, x, y, _ = values
    return circle(_size(diameter, "diameter") / 2, x, y)


def _vector_line(values: list[float]) -> Area:
    width, x0, y0, x1, y1, _ = values
    length = hypot(x1 - x0, y1 - y0)
    if _size(width, "width") == 0 or length == 0:
        return EMPTY
    ax, ay = -(y1 - y0) / length * width / 2, (x1 - x0) / length * width / 2
    return Polygon([(x0 + ax, y0 + ay), (x0 - ax, y0 - ay), (x1 - ax, y1 - ay), (x1 + ax, y1 + ay)])


def _centre_line(values: list[float]) -> Area:
    width, height, x, y, _ = values
    return rectangle(_size(width, "width"), _size(height, "height"), x, y)


def _lower_left_line(values: list[float]) -> Area:
    width, height, x, y, _ = values
    return rectangle(_size(width, "width"), _size(height, "height"), x + width / 2, y + height / 2)


def _polygon(values: list[float]) -> Area:
    corners, x, y, diameter, _ = values
    if corners != int(corners) or not 3 <= corners <= MOST_POLYGON_CORNERS:
        raise MacroError(f"a polygon of {corners:g} corners; the specification allows 3 to 12")
    return moved(regular_polygon(_size(diameter, "diameter"), int(corners), 0.0), x, y)


def _moire(values: list[float]) -> Area:
    x, y, diameter, thickness, gap, most, cross_thickness, cross_length, _ = values
    _size(diameter, "diameter")
    step = _size(thickness, "ring thickness") + _size(gap, "gap")
    if most > MOST_MOIRE_RINGS:
        raise MacroError(f"a moiré of {most:g} rings; at most {MOST_MOIRE_RINGS} are drawn")
    parts: list[BaseGeometry] = []
    for ring in range(max(0, int(most))):
        radius = diameter / 2 - ring * step
        if radius <= 0 or thickness <= 0:
            break
        parts.append(circle(radius, x, y).difference(circle(radius - thickness, x, y)))
    _size(cross_thickness, "crosshair thickness")
    _size(cross_length, "crosshair length")
    parts.append(rectangle(cross_length, cross_thickness, x, y))
    parts.append(rectangle(cross_thickness, cross_length, x, y))
    return area_of(shapely.union_all(parts))


def _thermal(values: list[float]) -> Area:
    x, y, outer, inner, gap, _ = values
    if not _size(outer, "outer diameter") > _size(inner, "inner diameter"):
        raise MacroError(f"a thermal's outer diameter {outer:g} is not larger than its inner one {inner:g}")
    _size(gap, "gap")
    ring = circle(outer / 2, x, y).difference(circle(inner / 2, x, y))
    bars = [rectangle(2 * outer, gap, x, y), rectangle(gap, 2 * outer, x, y)]
    return area_of(ring.difference(shapely.union_all(bars)))


def _outline(values: list[float], oddities: list[str]) -> tuple[int, BaseGeometry]:
    if len(values) < 2 or values[1] != int(values[1]) or values[1] < 1:
        raise MacroError("an outline needs its exposure and the number of its corners")
    numbers = 2 * (int(values[1]) + 1)
    if len(values) not in (2 + numbers, 3 + numbers):
        raise MacroError(
            f"an outline of {values[1]:g} corners needs {3 + numbers} modifiers, here are {len(values)}"
        )
    points = np.array(values[2 : 2 + numbers]).reshape(-1, 2)
    if not np.array_equal(points[0], points[-1]):
        oddities.append("An outline primitive does not end where it began; it is closed by a straight line.")
    if len(values) == 3 + numbers:
        points = turned(points, values[-1])
    exposure = _exposure(values[0])
    shape: Area = ring_area(points)
    if not shape.is_valid:
        repaired = area_of(shapely.make_valid(shape))
        if abs(repaired.area - shape.area) > 1e-6 * max(shape.area, repaired.area):
            oddities.append("An outline primitive crosses itself; it is filled by the even-odd rule.")
        shape = repaired
    return exposure, shape


# code: fewest and most modifiers, whether the first is the exposure, how it is drawn before it is turned.
# The rotation, always last, may be missing in old files, and is 0 then.
_DRAWN: dict[int, tuple[int, int, bool, Callable[[list[float]], Area]]] = {
    1: (4, 5, True, _circle),
    2: (6, 7, True, _vector_line),
    20: (6, 7, True, _vector_line),
    21: (5, 6, True, _centre_line),
    22: (5, 6, True, _lower_left_line),
    5: (5, 6, True, _polygon),
    6: (8, 9, False, _moire),
    7: (5, 6, False, _thermal),
}
