"""What the barrel commands do: enter what happened, and print barrels and their histories."""

from pathlib import Path
from time import time

from rich.markup import escape

from pastewright.link.barrels import (
    BarrelEvent,
    BarrelRow,
    barrel_named,
    barrels,
    enter,
    history,
    new_barrel,
)
from pastewright.link.journal import Journal, open_existing
from pastewright.problems import one_error
from pastewright.work.exits import DONE
from pastewright.work.printing.console import out as console
from pastewright.work.printing.console import table_of
from pastewright.work.printing.runs import local_time
from pastewright.work.running.choice import opened_at_of
from pastewright.work.running.records import default_journal

TOLD_UL = 0.05
"""A doubt below the last figure shown is not told."""


def change(
    what: str,
    name: str,
    journal_file: Path | None,
    *,
    ul: float = 0.0,
    paste: str = "",
    lot: str = "",
    warmed: str = "",
    when: str = "",
    note: str = "",
) -> int:
    """Enter what a person did with a barrel; returns the exit code."""
    journal = Journal(journal_file or default_journal())
    now_s = time()
    try:
        if what == "new":
            row = new_barrel(journal, name, paste=paste, lot=lot, fill_ul=ul, note=note, now_s=now_s)
        else:
            row = barrel_named(journal, name)
            if what == "open":
                if row.opened_at is not None:
                    raise one_error(
                        f"barrel {name!r} was opened before, at {local_time(row.opened_at)}",
                        "The floor life counts from the first opening; a barrel filled anew and clean is a new one.",
                    )
                if warmed:
                    enter(journal, row, BarrelEvent.WARMED, now_s=opened_at_of(warmed) or now_s)
                row = enter(journal, row, BarrelEvent.OPENED, note=note, now_s=opened_at_of(when) or now_s)
            elif what == "refill":
                row = enter(journal, row, BarrelEvent.REFILLED, ul=ul, note=note, now_s=now_s)
            else:
                row = enter(journal, row, BarrelEvent.ENDED, note=note, now_s=now_s)
        console.print(words_of(row))
    finally:
        journal.close()
    return DONE


def words_of(row: BarrelRow) -> str:
    """Return a barrel in a line."""
    age = "not opened" if row.opened_at is None else f"opened {local_time(row.opened_at)}"
    ended = f", ended {local_time(row.ended_at)}" if row.ended_at is not None else ""
    lot = f", lot {escape(row.lot)}" if row.lot else ""
    doubt = f" (± {row.doubt_ul:.1f} µL: runs broken off in a stroke)" if row.doubt_ul >= TOLD_UL else ""
    left = f"{row.left_ul:.0f} of {row.filled_ul:.0f} µL left{doubt}"
    return f"[bold]barrel {escape(row.name)}[/]: {left}{lot}, {age}{ended}"


def show(name: str, journal_file: Path | None) -> int:
    """Print every barrel, or one with its history; returns the exit code."""
    journal = open_existing(journal_file or default_journal())
    try:
        rows = barrels(journal)
        if name:
            rows = [row for row in rows if row.name == name]
            if not rows:
                barrel_named(journal, name)
        texts = ("barrel", "paste", "lot", "opened", "ended")
        table = table_of(
            *texts[:3], "filled µL", "used µL", "left µL", "opened", "runs", "ended", words=texts
        )
        for row in rows:
            table.add_row(
                escape(row.name),
                escape(row.paste),
                escape(row.lot),
                f"{row.filled_ul:.0f}",
                f"{row.used_ul:.2f}",
                f"{row.left_ul:.0f}" + (f" ± {row.doubt_ul:.1f}" if row.doubt_ul >= TOLD_UL else ""),
                local_time(row.opened_at) or "–",
                str(row.runs),
                local_time(row.ended_at),
            )
        console.print(table if rows else "The journal has no barrels yet: pastewright barrel new NAME.")
        if name:
            for at, what, ul, note in (line for row in rows for line in history(journal, row)):
                console.print(f"  {local_time(at)}  {what:<14} {ul:+10.3f} µL  {escape(note)}")
    finally:
        journal.close()
    return DONE
