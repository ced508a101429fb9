"""How the numbers of a drill file are to be read: unit, digits before and after the point, which zeros are kept.

Drill files often leave this unsaid: the point is left out, and so are leading or trailing zeros. Here what
the file and its reports say is gathered into `Stated`, and what follows from it into `NumberFormat` values:
one when it is certain, several when only plausibility (`excellon`) can choose between them.

    METRIC,TZ,000.000    3.3, trailing zeros kept:  X10416 = 10.416 mm
    INCH,LZ (2.4)        leading zeros kept:        X0215  = 02.1500 in

Longer than 400 lines because what a number may mean and what speaks for each meaning are one decision.
"""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from enum import StrEnum

from msgspec import Struct

MM_PER_INCH = 25.4
"""Exact (international yard and pound agreement, 1959)."""
MAX_NUMBER_CHARACTERS = 16
"""Six and six digits, sign and point leave room for blanks; longer is no coordinate."""


class Zeros(StrEnum):
    """Which zeros a number without a point keeps."""

    LEADING = "leading zeros kept"
    TRAILING = "trailing zeros kept"
    ALL = "all zeros kept"


class NumberFormat(Struct, frozen=True, kw_only=True):
    """One way to read numbers: `whole`.`decimals` digits in a unit of `unit_mm`.

    `literal` reads a number without a point as it stands ("12" is 12), as decimal exports mean it.
    """

    unit_mm: float
    whole: int
    decimals: int
    zeros: Zeros
    literal: bool = False

    def value_mm(self, text: str) -> float:
        """Return the length [mm] that a number's text means; the text must match `NUMBER`."""
        if "." in text or self.literal:
            return float(text) * self.unit_mm
        digits = text.lstrip("+-")
        after = len(digits) - self.whole if self.zeros is Zeros.LEADING else self.decimals
        sign = -1 if text.startswith("-") else 1
        return sign * int(digits) / 10.0**after * self.unit_mm

    def __str__(self) -> str:
        unit = "inch" if self.unit_mm == MM_PER_INCH else "mm"
        return (
            f"{unit} with points"
            if self.literal
            else f"{unit} {self.whole}.{self.decimals}, {self.zeros.value}"
        )


NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)")


@dataclass(slots=True)
class ToolRow:
    """One row of a tool table: the diameter's text and unit (0: the file's), and whether its holes are plated."""

    text: str
    unit_mm: float
    plated: bool | None
    line: int


@dataclass(slots=True)
class Stated:
    """What a drill file or a report says of its numbers; None and "" where it says nothing."""

    unit_mm: float | None = None
    digits: tuple[int, int] | None = None
    zeros: Zeros | None = None
    decimal: bool = False
    incremental: bool = False
    tools: dict[int, ToolRow] = field(default_factory=dict)
    conflicts: list[str] = field(default_factory=list)

    def state_unit(self, unit_mm: float) -> None:
        """Take down a unit; a second, different one is a conflict."""
        if self.unit_mm is not None and self.unit_mm != unit_mm:
            self.conflicts.append("states both inch and metric units")
        self.unit_mm = unit_mm

    def state_digits(self, whole: int, decimals: int) -> None:
        """Take down the digits before and after the point; a second, different pair is a conflict."""
        if whole + decimals == 0 or whole > 7 or decimals > 7:
            return
        if self.digits is not None and self.digits != (whole, decimals):
            self.conflicts.append(
                f"states two number formats, {self.digits[0]}.{self.digits[1]} and {whole}.{decimals}"
            )
        self.digits = (whole, decimals)

    def fill_from(self, other: "Stated") -> list[str]:
        """Take what is missing here from a report; return the words for what was taken."""
        taken: list[str] = []
        if self.unit_mm is None and other.unit_mm is not None:
            self.unit_mm, taken = other.unit_mm, [*taken, "unit"]
        if self.digits is None and other.digits is not None:
            self.digits, taken = other.digits, [*taken, "number format"]
        if self.zeros is None and other.zeros is not None:
            self.zeros, taken = other.zeros, [*taken, "zeros"]
        return taken


def unit_mm_of(word: str) -> float:
    """Return mm per unit that a word names: metric words, or inches."""
    return 1.0 if word.lower().startswith(("m", "µ")) and not word.lower().startswith("mil") else MM_PER_INCH


_HEADER_UNIT = re.compile(r"(INCH|METRIC|M7[12])(?:,(LZ|TZ))?(?:,(0+)\.(0+))?(?:,(LZ|TZ))?", re.I)


def read_unit_line(text: str, stated: Stated) -> bool:
    """Take down a header line such as "METRIC,TZ,000.000" or "M71"; return whether it is one."""
    match = _HEADER_UNIT.fullmatch(re.sub(r"\s", "", text))
    if not match:
        return False
    stated.state_unit(1.0 if match[1].upper() in ("METRIC", "M71") else MM_PER_INCH)
    if zeros := (match[2] or match[5]):
        stated.zeros = Zeros.LEADING if zeros.upper() == "LZ" else Zeros.TRAILING
    if match[3]:
        stated.state_digits(len(match[3]), len(match[4]))
    return True


_FORMAT = re.compile(r"FORMAT\s*[=:]?\s*[{(]?\s*([0-9-])\s*[:.]\s*([0-9-])", re.I)
_SUPPRESSED = re.compile(
    r"(?:suppress(?:ed)?|omit(?:ted)?|no)[ _-]*(lead|trail)|(lead|trail)\w*[ _-]*zero\w*\s*[:=]?\s*(?:are\s*)?"
    r"(?:suppress|omit|removed|off)",
    re.I,
)
_KEPT = re.compile(
    r"(?:keep|kept|include\w*)[ _-]*(lead|trail)|(lead|trail)\w*[ _-]*zero\w*\s*[:=]?\s*(?:kept|included)",
    re.I,
)
_HOLE_SIZE = re.compile(
    r"(?:T([0-9]+)\s+)?Holesize\s+([0-9]+)\.?\s*=\s*([0-9.]+)\s*(?:Tolerance\s*=\s*\S+\s*)?"
    r"(PLATED|NON_PLATED|OPTIONAL)?\s*(MILS?|MM|INCH|METRIC)",
    re.I,
)


_TOOL_COMMENT = re.compile(
    r"\bT(?:ool)?\s*0*([0-9]{1,4})\b\D{0,12}?(?<![0-9.])([0-9]*\.[0-9]+|[0-9]+)\s*(mm|mils?|inch(?:es)?|in\b|\")",
    re.I,
)
TOOL_PUT_OUT = re.compile(r"\s*T0*([0-9]{1,4})(?:[FSBHZ][0-9.+-]*)*C([0-9]*\.?[0-9]+)", re.I)


def _tool_in_comment(text: str, line: int) -> tuple[int, ToolRow] | None:
    """Return a tool that a comment defines: "T01 = 0.8 mm", "Tool 1: 31 mil NPTH", or a row put out, "T1C0.8"."""
    if match := TOOL_PUT_OUT.match(text):
        return int(match[1]), ToolRow(text=match[2], unit_mm=0.0, plated=plated_in(text), line=line)
    if match := _TOOL_COMMENT.search(text):
        row = ToolRow(text=match[2], unit_mm=size_unit_mm(match[3]), plated=plated_in(text), line=line)
        return int(match[1]), row
    return None


def size_unit_mm(word: str) -> float:
    """Return mm per unit of a size: mm, mil or inch."""
    low = word.lower()
    return 0.0254 if low.startswith("mil") else 1.0 if low == "mm" else MM_PER_INCH


_PLATED_WORD = re.compile(r"\b(N?PTH|NON[-_ ]?PLATED|UNPLATED|PLATED)\b", re.I)


def plated_in(text: str) -> bool | None:
    """Return whether words say plated, None when they do not say."""
    word = _PLATED_WORD.search(text)
    return None if word is None else word[1][:1].upper() not in "NU"


def read_format_comment(text: str, stated: Stated, line: int) -> None:
    """Take down what a comment says of numbers and tools.

    Seen in real files: "FILE_FORMAT=4:4", "FORMAT={3:3/ absolute / metric / suppress leading zeros}",
    "FORMAT={-:-/ absolute / inch / decimal}", "Format: 3.3 / Absolute / MM / Leading",
    "Holesize 1. = 16.0 Tolerance = +0/-0 PLATED MILS Quantity = 24".
    """
    if match := _HOLE_SIZE.search(text):
        unit = match[5].lower()
        unit_mm = 0.0254 if unit.startswith("mil") else unit_mm_of(unit)
        plated = None if match[4] is None else match[4].upper() != "NON_PLATED"
        stated.tools.setdefault(
            int((match[1] or match[2])[-6:]),
            ToolRow(text=match[3], unit_mm=unit_mm, plated=plated, line=line),
        )
        return
    match = _FORMAT.search(text)
    if not match:
        if tool := _tool_in_comment(text, line):
            stated.tools.setdefault(*tool)
        return
    if match[1] != "-" and match[2] != "-":
        stated.state_digits(int(match[1]), int(match[2]))
    rest = text[match.end() :].lower()
    if word := re.search(r"\b(inch|imperial|english|metric|mm)\b", rest):
        stated.state_unit(1.0 if word[1] in ("metric", "mm") else MM_PER_INCH)
    if "decimal" in rest:
        stated.decimal = True
    if "incremental" in rest:
        stated.incremental = True
    if found := zeros_of(rest):
        stated.zeros = found
    elif word := re.search(r"/\s*(leading|trailing)\s*$", rest):
        # Written bare, the word names the zeros that are left out.
        stated.zeros = Zeros.TRAILING if word[1] == "leading" else Zeros.LEADING


def zeros_of(text: str) -> Zeros | None:
    """Return which zeros words say are kept, None when they do not say."""
    if match := _SUPPRESSED.search(text):
        return Zeros.TRAILING if (match[1] or match[2]).lower() == "lead" else Zeros.LEADING
    if match := _KEPT.search(text):
        return Zeros.LEADING if (match[1] or match[2]).lower() == "lead" else Zeros.TRAILING
    return Zeros.ALL if "keep zeros" in text.lower() else None


# Formats in use (common practice); the first of each unit is the customary one when nothing is said.
_CUSTOMARY = {
    MM_PER_INCH: ((2, 4), (2, 3), (2, 5), (3, 4), (2, 6), (3, 5), (3, 3)),
    1.0: ((3, 3), (3, 2), (4, 2), (3, 4), (4, 3), (4, 4), (3, 5), (4, 5), (3, 6), (4, 6)),
}


def _bare(texts: Iterable[str]) -> list[str]:
    """Return the digits of the numbers that have no point, without the zeros that say nothing ("000")."""
    stripped = (text.lstrip("+-") for text in texts if "." not in text)
    return [digits for digits in stripped if digits.strip("0")]


def _zeros_by_look(bare: Sequence[str]) -> Zeros | None:
    """Return which zeros are kept, as far as the numbers show: kept zeros stand at that end of some number."""
    leading = any(digits[0] == "0" for digits in bare)
    trailing = any(digits[-1] == "0" for digits in bare)
    if leading == trailing:
        return None
    return Zeros.LEADING if leading else Zeros.TRAILING


def tool_digits(tool_texts: Iterable[str]) -> tuple[int, int] | None:
    """Return the digits of a tool table that is padded with zeros ("000.02500": 3.5), None when it is not."""
    shapes = {tuple(len(part) for part in text.split(".")) for text in tool_texts if "." in text}
    if len(shapes) != 1 or not all(re.match(r"00", text) for text in tool_texts):
        return None
    whole, decimals = shapes.pop()
    return (whole, decimals) if whole <= 4 and 2 <= decimals <= 6 else None


class FormatCandidates(Struct, frozen=True, kw_only=True):
    """The formats that fit; `assumed` is "" when there is just one and it is stated.

    `customary` tells that the first is the usual one, to be taken unless its result is implausible.
    """

    formats: tuple[NumberFormat, ...]
    assumed: str
    customary: bool


def candidates(stated: Stated, texts: Sequence[str], tool_texts: Sequence[str]) -> FormatCandidates:
    """Return the formats that fit what is stated and how the numbers look. `stated.unit_mm` must be known."""
    if stated.unit_mm is None:
        raise ValueError("the unit must be known before the format")
    unit_mm, bare = stated.unit_mm, _bare(texts)
    points = any("." in text for text in texts)
    literal = NumberFormat(unit_mm=unit_mm, whole=3, decimals=3, zeros=Zeros.ALL, literal=True)
    if not bare or (stated.decimal and stated.digits is None):
        return FormatCandidates(formats=(literal,), assumed="", customary=True)
    if points and stated.digits is None:
        assumed = "some numbers have a point and some have none; those without are read as they stand"
        return FormatCandidates(formats=(literal,), assumed=assumed, customary=True)
    longest, same_length = max(map(len, bare)), len({len(digits) for digits in bare}) == 1
    assumptions: list[str] = []
    hinted = tool_digits(tool_texts)
    if stated.digits is not None:
        pairs: tuple[tuple[int, int], ...] = (stated.digits,)
        if longest > sum(stated.digits):
            assumptions.append(
                f"{stated.digits[0]}.{stated.digits[1]} is stated, yet numbers have {longest} digits"
            )
    elif hinted is not None and sum(hinted) >= longest:
        pairs = (hinted,)
        assumptions.append(
            f"no number format is stated; its tools are written with {hinted[0]}.{hinted[1]} digits"
        )
    else:
        pairs = tuple(pair for pair in _CUSTOMARY[unit_mm] if sum(pair) >= longest)
        assumptions.append("no number format is stated")
    looked = _zeros_by_look(bare)
    found: dict[tuple[float, ...], NumberFormat] = {}
    for whole, decimals in pairs:
        full = same_length and longest == whole + decimals
        for zeros in _zeros_choices(stated.zeros, looked, full=full):
            each = NumberFormat(unit_mm=unit_mm, whole=whole, decimals=decimals, zeros=zeros)
            # Formats that give the same lengths are one: 2.4 and 2.5 do, when leading zeros are kept.
            found.setdefault(tuple(each.value_mm(digits) for digits in bare[:500]), each)
    every = tuple(found.values())
    if stated.zeros is None and any(each.zeros is not Zeros.ALL for each in every):
        why = f"the numbers look like {looked.value}" if looked else "the numbers do not show it"
        assumptions.append(f"it is not stated which zeros are kept ({why})")
    elif stated.zeros is not None and looked not in (None, stated.zeros) and not same_length:
        assumptions.append(f"{stated.zeros.value} is stated, yet the numbers look like {looked}")
    customary = len(every) > 0 and (
        stated.zeros is not None or looked is not None or every[0].zeros is Zeros.ALL
    )
    return FormatCandidates(formats=every, assumed="; ".join(assumptions), customary=customary)


def _zeros_choices(stated: Zeros | None, looked: Zeros | None, *, full: bool) -> tuple[Zeros, ...]:
    if stated is not None:
        return (stated,)
    if full:
        return (Zeros.ALL,)
    return (looked,) if looked is not None else (Zeros.LEADING, Zeros.TRAILING)
