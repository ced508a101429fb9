"""A job of which something is left out: only some deposits, or the plunger still and the tip in the air.

Ways that the program never went come about where deposits are left out. They are level at the height that the program
begins with; where something stands higher than that, the tip goes by the places left out, as the program leads it.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from math import hypot

from pastewright.link.job import ProgramBlock, ProgramJob, ProgramPart, raised
from pastewright.link.words import Modal, Scan, number, restated, wire_line, words_of
from pastewright.problems import one_error

SAME_MM = 1e-3
"""Heights of programs have three decimals at least."""


def chosen(job: ProgramJob, deposits: Collection[int]) -> tuple[ProgramBlock, ...]:
    """Return the blocks of a run that lays only `deposits`: setup, settling, those, end, in program order.

    Where a block does not follow its own predecessor, the modes before it are restated first. The tip may stand no
    higher than the hop to that predecessor's own next deposit asked for: it is raised to the height that the program
    begins with. A straight way from there is clear of all that has a top below it; where something stands higher
    (`ProgramJob.walked`), the tip goes by every place that is left out, as the program leads it.
    """
    blocks: list[ProgramBlock] = []
    skipped: list[ProgramBlock] = []
    up, full_mm = raised(job.blocks, job.letter)
    for block in job.blocks:
        if block.part is ProgramPart.DEPOSIT and block.deposit not in deposits:
            skipped.append(block)
            continue
        if skipped:
            again = restated(block.before, job.letter, own_mode=job.own_mode)
            here_mm = blocks[-1].after.place.get("Z", full_mm) if blocks else full_mm
            lifts = bool(up) and block.before.absolute is not False
            by = (
                [line for one in skipped for line in _gone_by(one, job.letter)]
                if job.walked and lifts
                else []
            )
            if lifts and (by or here_mm < full_mm):
                first = restated(skipped[0].before, job.letter, own_mode=job.own_mode) if by else again
                again = [*first, up, *by, *again]
            rest = _from_elsewhere(block, job.letter)
            if lifts:
                rest = let_down(rest, block.before, job.letter, up, full_mm)
            block = replace(block, lines=(*again, *rest))
            skipped = []
        blocks.append(block)
    return tuple(blocks)


def _from_elsewhere(block: ProgramBlock, letter: str) -> list[str]:
    """Return a block's lines for a tip that comes from another place than the program's.

    Feeds were chosen for the program's own ways: the hop goes no faster than one axis did in it, whatever its direction is
    now.
    """
    scan = Scan(letter, block.before)
    lines: list[str] = []
    for at, line in enumerate(block.lines):
        was = dict(scan.place)
        scan.line(line)
        if scan.moved and not scan.moved <= {"X", "Y"}:
            return [*lines, *block.lines[at:]]
        lines.append(_no_faster(line, was, scan.place) if scan.moved else line)
    return lines


def let_down(rows: Sequence[str], before: Modal, letter: str, up: str, from_mm: float) -> list[str]:
    """Return rows for a tip that begins them at another height [mm] than the modes `before` them have it, at a higher one.

    It comes down over the place to the height from which the program lowers it, at the speed of `up`, the line that
    raises it. A lowering told by its time (G93) would else be as much faster as it is longer.
    """
    scan, modal = Scan(letter, before), before
    for at, row in enumerate(rows):
        line = wire_line(row)
        if not line:
            continue
        was_mm = scan.place.get("Z")
        scan.line(line)
        if "Z" in scan.moved:
            down = was_mm is not None and was_mm < from_mm - SAME_MM
            return [*rows[:at], *(_down(up, was_mm or 0.0, modal) if down else []), *rows[at:]]
        modal = scan.modal()
    return list(rows)


def _no_faster(line: str, was: Mapping[str, float], to: Mapping[str, float]) -> str:
    """Return a hop at the speed that its faster axis had on the way that the program has it come."""
    dx, dy = (abs(to[axis] - was.get(axis, to[axis])) for axis in "XY")
    share = max(dx, dy) / hypot(dx, dy) if dx or dy else 1.0
    return " ".join(
        f"{name}{number(value * share if name == 'F' else value)}" for name, value in words_of(line)
    )


def _down(up: str, z_mm: float, modal: Modal) -> list[str]:
    """Return the lines that bring the tip down by the words of the line that raised it, and the modes back."""
    z = number(z_mm / (modal.units_mm or 1.0))
    lines = [" ".join(f"Z{z}" if name == "Z" else f"{name}{number(value)}" for name, value in words_of(up))]
    if modal.inverse_time:
        lines = ["G94", *lines, "G93"]
    elif modal.feed is not None:
        lines.append(f"G1 F{number(modal.feed)}")
    return [*lines, "G0" if modal.motion == 0 else "G1"]


def _gone_by(block: ProgramBlock, letter: str) -> list[str]:
    """Return the way of a block across alone, at the speed of the hop to it: neither height nor plunger move."""
    scan, feed = Scan(letter, block.before), ""
    lines: list[str] = []
    for line in block.lines:
        was = dict(scan.place)
        scan.line(line)
        if not scan.moved & {"X", "Y"}:
            continue
        if not lines:  # the first of them comes from elsewhere, and legs of beads go other ways than the hop
            slower = words_of(_no_faster(line, was, scan.place))
            feed = "".join(f" F{number(value)}" for name, value in slower if name == "F")
        units_mm = block.before.units_mm or 1.0
        lines.append(f"G0 X{number(scan.place['X'] / units_mm)} Y{number(scan.place['Y'] / units_mm)}{feed}")
    return lines


def height_of_ways_mm(job: ProgramJob, travel_z_mm: float) -> float:
    """Return the height that is clear of all that a program knows of [mm]: its own where that is above the bench's.

    A board that was probed may lie higher than the profile says, and a program rises above zones that have a top.
    """
    up, own_mm = raised(job.blocks, job.letter)
    return max(own_mm, travel_z_mm) if up else travel_z_mm


def in_air(job: ProgramJob, travel_z_mm: float) -> ProgramJob:
    """Return the job with the plunger still and the tip never below the height that is clear of all, `travel_z_mm` at
    least, for a first run in the air.
    """
    if job.dry:
        return job
    travel_z_mm = height_of_ways_mm(job, travel_z_mm)
    if any(block.after.absolute is False for block in job.blocks):
        raise one_error(
            "a program in relative positions (G91) cannot be lifted into the air line by line",
            "Plan it with `pastewright plan --dry` instead.",
        )
    codes = {
        word for block in job.blocks for line in block.lines for word in words_of(line) if word[0] == "G"
    }
    if {("G", 20.0), ("G", 21.0)} <= codes:
        raise one_error(
            "a program that changes between inches (G20) and millimetres (G21) cannot be lifted into the air line by line",
            "Plan it with `pastewright plan --dry` instead.",
        )
    units = next((block.after.units_mm for block in job.blocks if block.after.units_mm), 1.0) or 1.0
    floor = travel_z_mm / units
    blocks = tuple(
        replace(
            block,
            lines=tuple(line for line in (_aired(line, job.letter, floor) for line in block.lines) if line),
            before=_aired_modal(block.before, job.letter, travel_z_mm),
            after=_aired_modal(block.after, job.letter, travel_z_mm),
        )
        for block in job.blocks
    )
    return replace(job, dry=True, blocks=blocks)


def _aired(line: str, letter: str, floor: float) -> str:
    words = words_of(line)
    if ("G", 92.0) in words or not any(name in ("Z", letter) for name, _ in words):
        return line
    if any((name == "G" and value in (4.0, 28.0)) or name == "M" for name, value in words):
        return line
    kept = [(name, max(value, floor) if name == "Z" else value) for name, value in words if name != letter]
    if not any(name in "XYZ" for name, _ in kept):
        return ""  # the plunger alone would have moved, at its own feed
    return " ".join(f"{name}{number(value)}" for name, value in kept)


def _aired_modal(modal: Modal, letter: str, travel_z_mm: float) -> Modal:
    place = {name: max(value, travel_z_mm) if name == "Z" else value for name, value in modal.place.items()}
    if letter in place:
        place[letter] = 0.0
    return replace(modal, place=place)
