"""`pastewright ports`, `runs` and `report`: what there is to send to, and what was sent."""

import os
from datetime import datetime
from pathlib import Path

from rich.markup import escape
from rich.table import Table

from pastewright.cli.console import out as console
from pastewright.cli.exits import DONE, FINDINGS
from pastewright.link.job import Job
from pastewright.link.journal import Journal, open_existing
from pastewright.link.journal_rows import RunRow, State
from pastewright.link.picture import run_svg
from pastewright.link.port import SIMULATED, known_ports
from pastewright.problems import one_error

QUIET_KINDS = ("phase", "controller", "in doubt", "interrupted", "decided")
MOST_SAID = 12


def default_journal() -> Path:
    """Return where the journal lies when nobody says: in the user's state folder."""
    base = os.environ.get("XDG_STATE_HOME", "")
    return (Path(base) if base else Path.home() / ".local" / "state") / "pastewright" / "journal.db"


def local_time(at: float | None) -> str:
    """Return a time as people of this place read it, "" for None."""
    return "" if at is None else datetime.fromtimestamp(at).strftime("%Y-%m-%d %H:%M:%S")


def ports_command() -> int:
    """List the ports of this machine and the simulated ones."""
    table = Table(box=None, header_style="bold", pad_edge=False)
    for heading in ("port", "description", "hardware"):
        table.add_column(heading, overflow="fold")
    for port in known_ports():
        table.add_row(escape(port.device), escape(port.description), escape(port.hardware))
    for name in SIMULATED:
        table.add_row(name, "a virtual controller, for rehearsals", "")
    console.print(table)
    console.print(
        "Also: socket://HOST:PORT and rfc2217://HOST:PORT for serial lines over a network, file:NAME for a card or share."
    )
    return DONE


def runs_command(journal_file: Path | None) -> int:
    """List the runs of a journal."""
    journal = open_existing(journal_file or default_journal())
    try:
        rows = journal.runs()
    finally:
        journal.close()
    table = Table(box=None, header_style="bold", pad_edge=False)
    headings = ("run", "began", "board", "no.", "program", "ended", "laid", "in doubt", "to do", "µL", "lot")
    for heading in headings:
        table.add_column(heading, justify="right" if heading in ("run", "no.", "laid", "µL") else "left")
    for row in rows:
        table.add_row(
            str(row.id),
            local_time(row.began_at),
            escape(f"{row.board_name} {row.side}"),
            "dry" if row.dry else str(row.number),
            escape(row.program_name),
            escape(_ending(row)),
            str(row.counts[State.DONE]),
            str(row.counts[State.TO_BE_CHECKED] + row.counts[State.STARTED] or ""),
            str(row.counts[State.NOT_STARTED] or ""),
            f"{row.used_ul:.2f}",
            escape(row.lot),
        )
    console.print(table if rows else "The journal has no runs yet.")
    return DONE


def _ending(row: RunRow) -> str:
    if row.ended_at is None:
        return "at work or interrupted"
    return f"{row.phase}: {row.why}" if row.why else row.phase


def report_command(run_number: int, journal_file: Path | None, out: Path | None) -> int:
    """Print all that the journal knows of a run, and draw the board."""
    journal = open_existing(journal_file or default_journal())
    try:
        row = journal.run(run_number)
        deposits = journal.deposits(row.board)
        events = journal.events(row.id)
        job = journal.job(row.program)
        picture = write_picture(journal, job, row, out)
    finally:
        journal.close()
    console.print(
        f"[bold]run {row.id}[/] of {escape(row.board_name)}, {row.side} side, board {row.number}"
        + (" (dry)" if row.dry else "")
    )
    facts = {
        "program": f"{row.program_name}, sha256 {row.program[:16]}…",
        "began": local_time(row.began_at),
        "ended": f"{local_time(row.ended_at)} {_ending(row)}".strip(),
        "controller": f"{row.controller or '–'} at {row.port}",
        "bench": row.profile,
        "tip": row.tip,
        "paste": ", ".join(
            part
            for part in (
                row.paste,
                f"lot {row.lot}" if row.lot else "",
                f"opened {local_time(row.opened_at)}" if row.opened_at is not None else "",
            )
            if part
        ),
        "tuning": row.tuning,
        "note": row.note,
        "paste used": f"{row.used_ul:.2f} µL in this run, {row.strips} settling strips",
        "deposits": ", ".join(f"{count} {state}" for state, count in row.counts.items() if count),
    }
    for name, words in facts.items():
        if words:
            console.print(f"  {name:<11} {escape(words)}")
    doubted = [one for one in deposits if one.state in (State.TO_BE_CHECKED, State.STARTED)]
    for one in doubted:
        console.print(
            f"[bold red]in doubt[/] {escape(', '.join(one.pads))}: {escape(one.why or 'interrupted')}"
        )
    console.print("  events")
    said = 0
    for at, kind, text in events:
        if kind not in QUIET_KINDS:
            said += 1
            if said > MOST_SAID:
                continue
        console.print(f"    {local_time(at)}  {kind:<11} {escape(text)}")
    if said > MOST_SAID:
        console.print(f"    … and {said - MOST_SAID} more of what the controller said")
    console.print(f"  picture  {escape(str(picture))}")
    return FINDINGS if doubted else DONE


def write_picture(journal: Journal, job: Job, row: RunRow, out: Path | None) -> Path:
    """Draw how the board of a run stands; returns the file, beside the journal where none was named."""
    path = out or journal.path.parent / f"run-{row.id}.svg"
    states = {one.deposit: one.state for one in journal.deposits(row.board)}
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(run_svg(job, states), encoding="utf-8")
    except OSError as error:
        raise one_error(
            f"the picture cannot be written: {error.strerror or error}",
            "Choose another --out.",
            file=str(path),
        ) from None
    return path
