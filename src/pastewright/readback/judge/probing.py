"""A probing program read back: every touch is one that was asked for, and nothing else goes below travel height.

The interpreter of programs knows no probe word, and a probe may end anywhere on its way. So each probe is read as the
move to where it ends at the lowest, on a copy of the text whose lines keep their numbers; for G30, which names no
height, that is the end of the axis. All rules that a program in the air must keep hold for the rest.
"""

import re
from collections.abc import Iterator
from math import hypot

from pastewright.profile.model import Profile
from pastewright.readback.judge import rules_motion
from pastewright.readback.judge.evidence import CaseFile, gather
from pastewright.readback.machine.barrel import bench_of
from pastewright.readback.machine.visits import HEIGHT_GRAIN_MM
from pastewright.readback.model import Expected, Finding, FindingKind
from pastewright.readback.text.interpret import interpret
from pastewright.records.probing import ProbingRecord

_TOWARDS = re.compile(r"^(\s*(?:N\s*\d+\s*)?)G\s*38\.[23](?!\d)", re.IGNORECASE)
_SINGLE = re.compile(r"^\s*(?:N\s*\d+\s*)?G\s*30(?![.\d])", re.IGNORECASE)
AT_MM = 0.02
"""A touch may be beside its place by the rounding of the program's words, and no more."""
RULES = (
    rules_motion.known_place_first,
    rules_motion.within_limits,
    rules_motion.within_speeds,
    rules_motion.ends_parked,
)


def probing_findings(text: str, record: ProbingRecord, profile: Profile) -> tuple[Finding, ...]:
    """Return what is wrong with a probing program, in the order of its lines; nothing where it may be sent."""
    lines = text.split("\n")
    single = {number for number, line in enumerate(lines, 1) if _SINGLE.match(line)}
    probes = single | {number for number, line in enumerate(lines, 1) if _TOWARDS.match(line)}
    blind = f"G1 Z{profile.machine.z_min_mm:.4f} F{60 * profile.probe.speed_mm_s:g}"
    as_moves = "\n".join(
        blind if number in single else _TOWARDS.sub(lambda found: f"{found[1]}G1", line)
        for number, line in enumerate(lines, 1)
    )
    reading = interpret(as_moves, profile.controller, plunger_letter=profile.plunger.letter)
    seen = gather(reading, Expected(deposits=(), dry=True), profile, bench_of(profile))
    findings = [*reading.findings]
    for rule in RULES:
        findings.extend(rule(seen))
    findings.extend(_still(seen))
    findings.extend(_touches(seen, record, probes, single))
    return tuple(sorted(findings, key=lambda one: one.line))


def _still(seen: CaseFile) -> Iterator[Finding]:
    plunger = seen.moves.plunger_mm
    for row in (plunger[1:] != plunger[:-1]).nonzero()[0].tolist():
        yield Finding(
            kind=FindingKind.STRAY,
            what="the plunger moves in a probing program",
            line=int(seen.moves.line[row]),
        )


def _touches(seen: CaseFile, record: ProbingRecord, probes: set[int], single: set[int]) -> Iterator[Finding]:
    """Every probe is at its place and no deeper than told; below travel height nothing goes but probes and ways up."""
    moves = seen.moves
    touched = []
    for row in range(len(moves)):
        line = int(moves.line[row])
        (x0, y0, z0), (x, y, z) = moves.start_mm[row].tolist(), moves.end_mm[row].tolist()
        sideways = (x0, y0) != (x, y) and x0 == x0
        if line in probes:
            touched.append((x, y, line))
            if line not in single and z < record.low_z_mm - HEIGHT_GRAIN_MM:
                yield Finding(
                    kind=FindingKind.STANDOFF,
                    what=f"it probes down to Z {z:.3f} mm; {record.low_z_mm:.3f} mm is the lowest that was asked for",
                    line=line,
                )
            if sideways:
                yield Finding(kind=FindingKind.LOW_TRAVEL, what="a probe goes sideways", line=line)
        elif z < record.travel_z_mm - HEIGHT_GRAIN_MM:
            yield Finding(
                kind=FindingKind.LOW_TRAVEL,
                what=f"Z {z:.3f} mm without a probe, below the travel height of {record.travel_z_mm:.3f} mm",
                line=line,
            )
        elif sideways and z0 < record.travel_z_mm - HEIGHT_GRAIN_MM:
            yield Finding(
                kind=FindingKind.LOW_TRAVEL,
                what=f"it moves sideways at Z {z0:.3f} mm, below the travel height of {record.travel_z_mm:.3f} mm",
                line=line,
            )
    asked = list(record.places)
    if len(touched) != len(asked):
        yield Finding(
            kind=FindingKind.MISSING, what=f"{len(touched)} places are probed, {len(asked)} were asked for"
        )
    for (x, y, line), place in zip(touched, asked, strict=False):
        off_mm = hypot(x - place.at_mm[0], y - place.at_mm[1])
        if not off_mm <= AT_MM:  # also where a place is not known
            yield Finding(
                kind=FindingKind.PLACE,
                what=f"place {place.number} is probed at X {x:.3f} Y {y:.3f}, {off_mm:.3f} mm beside it",
                line=line,
            )
