"""The number format (`FS`), and the digits of a coordinate to a number in the file's unit.

Gerber layer format specification, "Format specification (FS)"; its deprecated forms included.
"""

import re

from msgspec import Struct

from pastewright.board.gerber.lexer import shown

MM_PER_INCH = 25.4
"""Exact by definition (international yard and pound agreement, 1959)."""

_FORMAT = re.compile(
    r"FS(?P<omitted>[LTD]?)(?P<notation>[AI]?)(?:[NDG]\d+)*"
    r"X(?P<xi>\d)\.?(?P<xd>\d)Y(?P<yi>\d)\.?(?P<yd>\d)(?:[ZDMGN]\d+)*",
)


class NumberError(ValueError):
    """A number or a number format that cannot be understood; the text says why."""


class CoordinateFormat(Struct, frozen=True, kw_only=True):
    """How coordinates are written: digits before and after the point, omitted zeros, absolute or incremental."""

    x_whole: int
    x_decimals: int
    y_whole: int
    y_decimals: int
    trailing_omitted: bool
    incremental: bool

    def in_units(self, text: str, *, along_y: bool) -> float:
        """Return the number that `text` stands for, in the file's unit; raises `NumberError`.

        A number with a decimal point of its own, as some writers give, is taken as it stands.
        """
        if "." in text:
            return float(text)
        whole, decimals = (self.y_whole, self.y_decimals) if along_y else (self.x_whole, self.x_decimals)
        digits = text.lstrip("+-")
        if self.trailing_omitted:
            if len(digits) > whole + decimals:
                raise NumberError(
                    f"the coordinate {shown(text)} has {len(digits)} digits; the format allows {whole + decimals}"
                )
            digits = digits.ljust(whole + decimals, "0")
        value: float = int(digits) / 10**decimals
        return -value if text[0] == "-" else value


PLAIN_FORMAT = CoordinateFormat(
    x_whole=4, x_decimals=6, y_whole=4, y_decimals=6, trailing_omitted=False, incremental=False
)
"""What stands in where every number carries its decimal point."""


def number_format(text: str) -> tuple[CoordinateFormat, tuple[str, ...]]:
    """Return the format of an `FS` command and what was odd about it; raises `NumberError`."""
    found = _FORMAT.fullmatch("".join(text.split()))
    if not found:
        raise NumberError(f"{shown(text)} is not a number format like FSLAX46Y46")
    digits = [int(found[name]) for name in ("xi", "xd", "yi", "yd")]
    if digits[0] + digits[1] == 0 or digits[2] + digits[3] == 0:
        raise NumberError(f"the number format {shown(text)} has no digits")
    oddities = []
    if found["omitted"] not in ("L", "T"):
        oddities.append("The number format does not say which zeros are omitted; leading zeros are taken.")
    if not found["notation"]:
        oddities.append("The number format does not say absolute or incremental; absolute is taken.")
    if digits[:2] != digits[2:]:
        oddities.append("The number formats of X and Y differ.")
    if found["omitted"] == "T":
        oddities.append("The number format omits trailing zeros, which is deprecated.")
    if found["notation"] == "I":
        oddities.append("Coordinates are incremental, which is deprecated.")
    result = CoordinateFormat(
        x_whole=digits[0],
        x_decimals=digits[1],
        y_whole=digits[2],
        y_decimals=digits[3],
        trailing_omitted=found["omitted"] == "T",
        incremental=found["notation"] == "I",
    )
    return result, tuple(oddities)
