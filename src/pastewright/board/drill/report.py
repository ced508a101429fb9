"""Files beside a drill file to what they say of it: drill reports, lists of tools, tool tables of their own."""

import re

from pastewright.board.drill.number_format import (
    TOOL_PUT_OUT,
    Stated,
    ToolRow,
    Zeros,
    plated_in,
    read_unit_line,
    size_unit_mm,
    unit_mm_of,
    zeros_of,
)
from pastewright.board.source.sniff import FileKind, kind_of, text_of

_HAS_PLACES = re.compile(r"^(?:G[0-9]+)?[XY][+-]?[0-9.]", re.M)
_REPORT_NAMES = re.compile(
    r"nc[_-]?param\.txt|nc[_-]?(?:drill|route?)\.(?:log|txt)|.*\.(?:dri|drr|tool|fdl)"
    r"|.*(?:drill|tool)[-_ ]?(?:report|list|table).*",
    re.I,
)
_NO_REPORT_NAMES = re.compile(r".*\.(?:json|gbrjob|md|html?|xml|csv)", re.I)
_REPORT_FILE = re.compile(r"\bFile\s*:\s*(\S.*?)\s*$", re.I)
_REPORT_FORMAT = re.compile(r"\bFORMAT\b\s*[=:]?\s*([0-9])\s*[.:]\s*([0-9])", re.I)
_REPORT_PLACES = re.compile(r"^\s*(INTEGER|DECIMAL)-PLACES\s+([0-9])\s*$", re.I | re.M)
_REPORT_UNIT = re.compile(
    r"\b(?:OUTPUT-)?UNITS?\b\s*[=:]?\s*(?:1/(1000+)\s*)?(inch(?:es)?|english|metric|mm|millimet\w+)", re.I
)
_REPORT_ZEROS = re.compile(r"SUPPRESS-(LEAD|TRAIL)\w*-ZERO\w*\s+(YES|NO)", re.I)
_REPORT_TOOL = re.compile(
    r"^\s*(?:T|Tool\s*)?0*([0-9]{1,4})\s+(?:[0-9]+\.\s+)?([0-9]*\.?[0-9]+)\s*(mm|mils?|inch(?:es)?|in|\")",
    re.I,
)


def is_report_of(drill_name: str, name: str, head: bytes) -> bool:
    """Return whether a file beside the drill file is a report of it, by its name, stem or content."""
    same_stem = name.rpartition(".")[0].lower() == drill_name.rpartition(".")[0].lower()
    if kind_of(head) is FileKind.EXCELLON:
        # A tool table in a file of its own, written as a drill file writes it.
        return same_stem and name != drill_name and not _HAS_PLACES.search(text_of(head))
    if _NO_REPORT_NAMES.fullmatch(name) or kind_of(head) is not FileKind.OTHER:
        return False
    told = any(word in head.lower() for word in (b"drill", b"tool", b"rout"))
    if b"\0" in head or (not told and not _REPORT_NAMES.fullmatch(name)):
        return False
    return same_stem or bool(_REPORT_NAMES.fullmatch(name)) or drill_name.lower() in text_of(head).lower()


def read_report(text: str, drill_name: str) -> Stated:
    """Return what a report beside the drill file says of it.

    A report of several drill files ("File : board.TXT") is read only where it speaks of `drill_name`.
    """
    stated = Stated()
    lines = _section(text.splitlines(), drill_name)
    body = "\n".join(lines)
    if match := _REPORT_FORMAT.search(body):
        stated.state_digits(int(match[1]), int(match[2]))
    places = {which.upper(): int(count) for which, count in _REPORT_PLACES.findall(body)}
    if len(places) == 2:
        stated.state_digits(places["INTEGER"], places["DECIMAL"])
    if match := _REPORT_UNIT.search(body):
        stated.state_unit(unit_mm_of(match[2]))
        if match[1]:  # "1/10000 Inch": the last digit, so four decimals
            stated.state_digits(6 - (len(match[1]) - 1), len(match[1]) - 1)
    suppressed = {which.upper() for which, answer in _REPORT_ZEROS.findall(body) if answer.upper() == "YES"}
    if suppressed == {"LEAD"}:
        stated.zeros = Zeros.TRAILING
    elif suppressed == {"TRAIL"}:
        stated.zeros = Zeros.LEADING
    elif found := zeros_of(body):
        stated.zeros = found
    for number, line in enumerate(lines, start=1):
        if match := _REPORT_TOOL.match(line):
            row = ToolRow(text=match[2], unit_mm=size_unit_mm(match[3]), plated=plated_in(line), line=number)
            stated.tools.setdefault(int(match[1]), row)
        elif not read_unit_line(line.strip(), stated) and (match := TOOL_PUT_OUT.match(line.strip())):
            row = ToolRow(text=match[2], unit_mm=stated.unit_mm or 0.0, plated=plated_in(line), line=number)
            stated.tools.setdefault(int(match[1]), row)
    return stated


def _section(lines: list[str], drill_name: str) -> list[str]:
    heads = [(i, match[1].lower()) for i, line in enumerate(lines) if (match := _REPORT_FILE.search(line))]
    mine = [i for i, name in heads if name.replace("\\", "/").rsplit("/", 1)[-1] == drill_name.lower()]
    if not mine:
        return lines if not heads else lines[: heads[0][0]]
    after = [i for i, _name in heads if i > mine[0]]
    return lines[mine[0] : after[0] if after else len(lines)]
