"""A job of which something is left out: only some deposits, or the plunger still and the tip in the air.

Ways that the program never went come about where deposits are left out. They are level at the height that the program
begins with; where something stands higher than that, the tip goes by the places left out, as the program leads it.
"""

from collections.abc import Collection
from dataclasses import replace

from pastewright.link.job import ProgramBlock, ProgramJob, ProgramPart, raised
from pastewright.link.words import Modal, Scan, number, restated, words_of
from pastewright.problems import one_error


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
            block = replace(block, lines=(*again, *block.lines))
            skipped = []
        blocks.append(block)
    return tuple(blocks)


def _gone_by(block: ProgramBlock, letter: str) -> list[str]:
    """Return the way of a block across alone, at the speed of the hop to it: neither height nor plunger move."""
    scan, feed = Scan(letter, block.before), ""
    lines: list[str] = []
    for line in block.lines:
        scan.line(line)
        if not scan.moved & {"X", "Y"}:
            continue
        if not lines:
            feed = "".join(f" F{number(value)}" for name, value in words_of(line) if name == "F")
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
