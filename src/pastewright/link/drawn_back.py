"""A run that begins with the paste drawn back: what a stop or a relief took is given back above the settling strip.

    stop       the plunger goes back to where the deposit began, and `relieve_ul` further
    next run   up ▸ over the strip's beginning ▸ forward by `relieve_ul` ▸ the strip as planned

A strip is planned from paste at rest. Begun from further back, a short one would bring no paste to the tip, and the first
deposits would be empty.
"""

from collections.abc import Iterator, Sequence
from dataclasses import replace

from pastewright.link.actions import BROKEN_OFF
from pastewright.link.bench import Bench
from pastewright.link.job import ProgramBlock, ProgramPart
from pastewright.link.journal import Journal
from pastewright.link.words import Modal, Scan, number

DREW_BACK = ("relief", BROKEN_OFF, "load", "purge")
"""Entries of the account that end with a relief: the first two of a run and of a hand, the others of a hand."""


def is_drawn_back(journal: Journal, *, barrel: int | None, board: int) -> bool:
    """Tell whether the last that the plunger did, by the account of the barrel, else of the board's runs, was a relief."""
    rows = (
        journal.rows("SELECT what FROM swept WHERE barrel = ? ORDER BY id DESC LIMIT 1", (barrel,))
        if barrel is not None
        else journal.rows(
            "SELECT swept.what FROM swept JOIN runs ON runs.id = swept.run WHERE runs.board = ?"
            " ORDER BY swept.id DESC LIMIT 1",
            (board,),
        )
    )
    return bool(rows) and rows[0][0] in DREW_BACK


def given_back(blocks: Sequence[ProgramBlock], letter: str, bench: Bench) -> tuple[ProgramBlock, ...]:
    """Return the blocks of a run with `bench.relief` pushed forward before the first settling strip, in a block of its own;
    as they are where there is no strip.
    """
    at = next((n for n, block in enumerate(blocks) if block.part is ProgramPart.SETTLE), None)
    if at is None or not bench.relief:
        return tuple(blocks)
    return (*blocks[:at], *_parted(blocks[at], letter, bench), *blocks[at + 1 :])


def _parted(block: ProgramBlock, letter: str, bench: Bench) -> Iterator[ProgramBlock]:
    """Yield the way to the strip with the push, and the strip."""
    scan, end = Scan(letter, block.before), 0
    while end < len(block.lines) and not scan.moved & {"X", "Y"}:
        scan.line(block.lines[end])
        end += 1
    if not scan.moved & {"X", "Y"}:
        yield block
        return
    modal = scan.modal()
    lines = (*block.lines[:end], *_pushed(modal, letter, bench))
    for line in lines[end:]:
        scan.line(line)
    between = scan.modal()
    yield replace(block, lines=lines, after=between)
    yield replace(block, lines=block.lines[end:], before=between)


def _pushed(modal: Modal, letter: str, bench: Bench) -> list[str]:
    """Return the lines of the push, after which numbers and modes are what they were."""
    push = f"G1 {letter}{number(bench.relief / (modal.units_mm or 1.0))} F{number(bench.plunger_feed)}"
    if bench.reprap and letter == "E":
        lines = ["M83", push, "M82" if modal.plunger_absolute else "M83"]
    else:
        lines = ["G91", push, "G90"]
    lines.append(f"G92 {letter}{number(modal.place.get(letter, 0.0) / (modal.units_mm or 1.0))}")
    if modal.feed is not None:
        lines.append(f"G1 F{number(modal.feed)}")
    return [*lines, "G0" if modal.motion == 0 else "G1"]
