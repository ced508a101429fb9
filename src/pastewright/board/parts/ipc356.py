"""An IPC-D-356 or 356A netlist to `NetPoint` values: which pin of which part, on which net, stands where.

Written from the public "simplified" description of the record columns; the columns (counted from 1) are

    1-3 record  4-17 net  21-26 part  27 '-'  28-31 pin  32 'M'  33-38 'D' hole, P/U  39-41 'A' side
    42-49 X  50-57 Y  58-62 'X' width  63-67 'Y' height  68-71 'R' rotation  73-74 'S' mask

Conductors, adjacency and outlines (records 378, 379, 389) are passed over: the Gerber files have them.
"""

import math
import re
from collections.abc import Iterator

from msgspec import Struct

from pastewright.board.artwork import NetPoint
from pastewright.board.model import Side
from pastewright.board.source.sniff import text_of
from pastewright.problems import InputError, Problem, Severity, one_error

MAX_POINTS = 500_000
"""Panels have some ten thousand points (common practice)."""
_MAX_SHOWN = 20
"""Records passed over, told one by one: what fits a screen."""
_MIL10_MM = 0.00254  # CUST 0 and 2 count in 0.0001 inch
_MICRON_MM = 0.001  # CUST 1 and SI count in 0.001 mm


class Netlist(Struct, frozen=True, kw_only=True):
    """All points of a netlist, and what was wrong with records that were passed over."""

    points: tuple[NetPoint, ...]
    problems: tuple[Problem, ...]

    def __iter__(self) -> Iterator[NetPoint]:
        return iter(self.points)

    def __len__(self) -> int:
        return len(self.points)


_UNITS = {"CUST": 0, "CUST 0": 0, "CUST 1": 1, "CUST 2": 2, "SI": 1, "CUST0": 0, "CUST1": 1, "CUST2": 2}
_POINT = re.compile(r"3[0-9]7")
_REST = re.compile(
    r"(?P<mid>M?)\s*(?:D(?P<hole>[0-9]{1,4})(?P<plated>[PU]?))?\s*(?:A(?P<access>[0-9]{1,2}))?\s*"
    r"X(?P<x>[+-][0-9]{1,7}| ?[0-9]{6,7})\s*Y(?P<y>[+-][0-9]{1,7}| ?[0-9]{6,7})\s*"
    r"(?:X(?P<width>[0-9]{1,4}))?\s*(?:Y(?P<height>[0-9]{1,4}))?\s*(?:R(?P<turn>[0-9]{1,3}))?\s*(?:S(?P<mask>[0-3]))?"
)
_ALIAS = re.compile(r"[PC]\s+(NNAME\S*)\s+(.*?)\s*$")


def read_ipc356(data: bytes, file: str) -> Netlist:
    """Return the points of an IPC-D-356 netlist, with long net names put in for their NNAME aliases.

    A record that cannot be read is passed over with a warning. Raises `InputError` when the unit is
    missing or unknown, or when no record can be read at all.
    """
    text = text_of(data)
    lines = text.splitlines()
    units, aliases, unit_line = _parameters(lines, file)
    records = [(i, line) for i, line in enumerate(lines, start=1) if _POINT.match(line)]
    if not records:
        what = "is empty" if not text.strip() else "holds no record of an IPC-D-356 netlist"
        raise one_error(what, "Export the netlist again, or leave it out.", file=file)
    if units is None:
        raise one_error(
            "states no units (P  UNITS CUST …)",
            "Export again as IPC-D-356 with units, or leave it out.",
            file=file,
        )
    if len(records) > MAX_POINTS:
        raise one_error(f"has {len(records)} records; {MAX_POINTS} are the limit", "Leave it out.", file=file)
    points: list[NetPoint] = []
    bad: list[Problem] = []
    ended = any(line.startswith("999") for line in lines)
    for number, line in records:
        point = _point(line, number, units, aliases)
        if point is not None:
            points.append(point)
        else:
            what = f"record cannot be read and is passed over: {line[:50]!r}"
            mend = "Export the netlist again; the pad stays without its name."
            bad.append(Problem(what=what, mend=mend, severity=Severity.WARNING, file=file, line=number))
    if not points:
        raise InputError(
            [Problem(what=each.what, mend=each.mend, file=file, line=each.line) for each in bad[:_MAX_SHOWN]]
        )
    if len(bad) > _MAX_SHOWN:
        what = f"{len(bad) - _MAX_SHOWN} more records cannot be read"
        bad = [*bad[:_MAX_SHOWN], Problem(what=what, severity=Severity.WARNING, file=file)]
    if not ended:
        what = "has no end record (999); it may have been cut short"
        mend = "Export it again if pads lack names."
        bad.append(Problem(what=what, mend=mend, severity=Severity.WARNING, file=file))
    if unit_line and unit_line > records[0][0]:
        what = "states its units only after the first record; they are taken for the whole file"
        bad.append(Problem(what=what, severity=Severity.WARNING, file=file, line=unit_line))
    return Netlist(points=tuple(points), problems=tuple(bad))


def _parameters(lines: list[str], file: str) -> tuple[int | None, dict[str, str], int | None]:
    """Return the CUST number, the net names by alias, and the line that states the units."""
    units, unit_line, aliases = None, None, {}
    for number, line in enumerate(lines, start=1):
        if line[:1] not in "PC" or not line:
            continue
        if match := _ALIAS.match(line):
            # P by the standard; some programs hide the same in comments.
            aliases[match[1]] = match[2]
        elif line[0] == "P" and (words := line[1:].split()) and words[0] == "UNITS":
            stated = " ".join(words[1:]).upper()
            if stated not in _UNITS:
                raise one_error(
                    f"states unknown units: {stated[:30]!r}",
                    "Export again with UNITS CUST 0 (inch) or CUST 1 (mm), or leave it out.",
                    file=file,
                    line=number,
                )
            if units is not None and units != _UNITS[stated]:
                raise one_error(
                    "states two different units",
                    "Export the netlist again, or leave it out.",
                    file=file,
                    line=number,
                )
            units, unit_line = _UNITS[stated], number
    return units, aliases, unit_line


def _point(line: str, number: int, units: int, aliases: dict[str, str]) -> NetPoint | None:
    """Return one record as a point, None when it cannot be read."""
    # Names that overflow their columns push the rest to the right, so it is searched for, not sliced.
    match = _REST.match(line, 31) or _REST.search(line, 31)
    if match is None:
        return None
    scale = _MICRON_MM if units == 1 else _MIL10_MM
    net, ref, pin = line[3:17].strip(), line[20:26].strip(), line[27:31].strip()
    access = int(match["access"]) if match["access"] else 0
    turn = float(match["turn"] or 0)

    def length_mm(name: str) -> float:
        return int((match[name] or "0").replace(" ", "")) * scale

    return NetPoint(
        net="" if net == "N/C" else aliases.get(net, net),
        ref="" if ref == "VIA" else ref,
        pin="" if ref == "VIA" else pin,
        x_mm=length_mm("x"),
        y_mm=length_mm("y"),
        # 00 is both sides, 01 the top, and the bottom bears the number of its layer; none lies between
        # that a tip could reach.
        side={0: None, 1: Side.TOP}.get(access, Side.BOTTOM),
        via=ref == "VIA",
        through=line[1] != "2",
        midpoint=match["mid"] == "M",
        hole_mm=length_mm("hole") if match["hole"] else None,
        plated={"P": True, "U": False}.get(match["plated"] or ""),
        width_mm=length_mm("width"),
        height_mm=length_mm("height"),
        rotation_deg=math.degrees(turn) if units == 2 else turn,
        mask=int(match["mask"]) if match["mask"] else None,
        line=number,
    )
