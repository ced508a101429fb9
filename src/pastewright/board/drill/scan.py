"""Text of a drill file to statements, and to what is said of units and tools; no number is read yet."""

import re
from dataclasses import dataclass, field

from pastewright.board.drill.number_format import (
    MAX_NUMBER_CHARACTERS,
    NUMBER,
    Stated,
    ToolRow,
    read_format_comment,
    read_unit_line,
)
from pastewright.board.drill.walk import Statement, ToolChange
from pastewright.problems import Problem, Severity

MOST_SCAN_PROBLEMS = 50
"""Told one by one: what fits a screen; with more it is another kind of file."""

_ATTRIBUTE = re.compile(r"#@!\s*(T[FAD])(?:\.?([A-Za-z_.$][\w.$]*))?(?:,(.*))?\s*$")
_TYPE = re.compile(
    r"[\s*#-]*(?:(?:drill|holes?|layer|type|file|tools?)\b[\s:=]*)*(NON[-_ ]?PLATED|UNPLATED|NPTH|PLATED|PTH)"
    r"(?:\s+(?:through)?[- ]?(?:holes?|drills?|slots?))*[\s*#-]*",
    re.I,
)
"""A comment that says nothing else than whether what follows is plated: "TYPE=PLATED", "NON-PLATED HOLES"."""
_BRACKETED = re.compile(r"\([^)]*\)")
_WORDS = re.compile(r"(?:[A-Z][+-]?[0-9]*\.?[0-9]*)+")
_WORD = re.compile(r"([A-Z])([+-]?[0-9]*\.?[0-9]*)")
_COORDINATE_LINE = re.compile(r"[XY]|[GN][0-9]|.*[XY][+-]?[0-9.]")
_NUMBERED = frozenset("XYIJA")
_HEADER_ONLY = re.compile(r"[A-Z]{2,}[0-9]*(?:,.*)?|R,.*|Z[A-Z0-9.,+-]*|[A-Z]{1,3},[A-Z0-9.,]*")


@dataclass(slots=True)
class DrillScan:
    """What the first pass finds."""

    file: str
    stated: Stated = field(default_factory=Stated)
    tools: dict[int, ToolRow] = field(default_factory=dict)
    statements: list[Statement | ToolChange] = field(default_factory=list)
    numbers: list[str] = field(default_factory=list)
    attributes: dict[str, tuple[str, ...]] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)
    in_header: bool = False
    ended: bool = False
    started: bool = False
    type_plated: bool | None = None
    tool_function: tuple[str, ...] = ()

    def say(self, severity: Severity, line: int | None, what: str, mend: str = "") -> None:
        """Add a problem of this file."""
        self.problems.append(Problem(what=what, mend=mend, severity=severity, file=self.file, line=line))


def scanned(text: str, file: str) -> DrillScan:
    """Take the text apart into statements; nothing is read into numbers yet."""
    scan = DrillScan(file=file)
    for number, raw in enumerate(text.splitlines(), start=1):
        code, semicolon, comment = raw.partition(";")
        if semicolon:
            _scan_comment(comment, number, scan)
        if "(" in code:
            for words in _BRACKETED.findall(code):
                _scan_comment(words[1:-1], number, scan)
            code = _BRACKETED.sub("", code)
        code = "".join(code.upper().split()).lstrip("/")
        if code and not _scan_line(code, number, scan):
            mend = "Export the drills again; is this the right file?"
            if _COORDINATE_LINE.match(code):
                scan.say(Severity.ERROR, number, f"cannot be understood: {raw.strip()[:60]!r}", mend)
            elif scan.started:
                scan.say(
                    Severity.WARNING, number, f"is passed over, not understood: {raw.strip()[:60]!r}", mend
                )
        if len(scan.problems) > MOST_SCAN_PROBLEMS:
            scan.say(Severity.ERROR, number, "has too many problems; reading stops here")
            break
    return scan


def _scan_comment(comment: str, number: int, scan: DrillScan) -> None:
    if match := _TYPE.fullmatch(comment):
        scan.type_plated = match[1][:1].upper() not in "NU"
    elif match := _ATTRIBUTE.search(comment):
        kind, name, values = (
            match[1],
            (match[2] or "").lstrip("."),
            tuple((match[3] or "").strip().split(",")),
        )
        if kind == "TF":
            scan.attributes[name] = values
        elif kind == "TA" and name == "AperFunction":
            scan.tool_function = values
        elif kind == "TD":
            scan.tool_function = ()
    else:
        read_format_comment(comment, scan.stated, number)


def _scan_line(code: str, number: int, scan: DrillScan) -> bool:
    """Take down one line without comments and spaces; return whether it was understood."""
    if code in ("%", "M95"):
        # Some programs put a bare % before M48.
        scan.in_header = False
        return True
    if code == "M48":
        scan.in_header = scan.started = True
        return True
    if read_unit_line(code, scan.stated):
        scan.started = True
        return True
    if code.startswith("ICI"):
        scan.stated.incremental = "ON" in code
        return True
    if scan.in_header and not code.startswith("T") and _HEADER_ONLY.fullmatch(code):
        return True
    if code.startswith(("FMAT", "VER", "DETECT", "ATC", "M47", "M97", "M98")):
        return True
    if not _WORDS.fullmatch(code):
        return False
    words = tuple((match[1], match[2]) for match in _WORD.finditer(code))
    if words[0][0] == "N" and len(words) > 1:
        words = words[1:]
    for letter, text in words:
        if letter in _NUMBERED:
            if not NUMBER.fullmatch(text) or len(text) > MAX_NUMBER_CHARACTERS:
                return False
            if letter in "XY":
                scan.numbers.append(text)
        elif letter not in "GMRTCFSBHZNLDQ":
            return False
    if words[0][0] == "T":
        return _scan_tool(words, number, scan)
    if scan.in_header and words[0][0] not in "XYGMR":
        return True
    # A lone letter in a binary file is no sign of a drill file.
    scan.started = scan.started or any(letter in "XYGM" and text for letter, text in words)
    scan.ended = scan.ended or any(
        letter == "M" and text in ("30", "00", "0", "02") for letter, text in words
    )
    scan.statements.append(Statement(number, words))
    return True


def _scan_tool(words: tuple[tuple[str, str], ...], number: int, scan: DrillScan) -> bool:
    text = words[0][1]
    if not text.isdigit() or len(text) > 8:
        return False
    tool, letters = int(text), dict(words[1:])
    row = None
    if "C" in letters:
        if not NUMBER.fullmatch(letters["C"]) or len(letters["C"]) > MAX_NUMBER_CHARACTERS:
            return False
        plated = scan.type_plated
        if scan.tool_function:
            plated = {"plated": True, "nonplated": False}.get(scan.tool_function[0].lower(), plated)
        row = ToolRow(text=letters["C"], unit_mm=0.0, plated=plated, line=number)
        before = scan.tools.get(tool)
        if before is not None and before.text != row.text:
            scan.say(
                Severity.WARNING,
                number,
                f"tool T{tool} is defined again, {row.text} after {before.text}; the later holds from here",
                "Check hole sizes in the picture.",
            )
        scan.tools[tool] = row
    scan.started = True
    if not scan.in_header:
        # T0203 is tool 2 with compensation 3 on old machines.
        if tool not in scan.tools and len(text) == 4 and tool and int(text[:2]) in scan.tools:
            tool = int(text[:2])
        scan.statements.append(ToolChange(number, tool, row or scan.tools.get(tool)))
        rest = tuple(word for word in words[1:] if word[0] in "XYGMIJA")
        if rest:
            scan.statements.append(Statement(number, rest))
    return True
