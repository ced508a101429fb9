"""Ports, runs and one run, as `ports`, `runs` and `report` print them."""

import json
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from pathlib import Path

from rich.markup import escape

from pastewright.counting import counted
from pastewright.link.journal_rows import DepositRow, DepositState, RunRow
from pastewright.link.port import KnownPort
from pastewright.records.kinds import ProgramKind
from pastewright.work.printing.console import out as console
from pastewright.work.printing.console import table_of

QUIET_KINDS = ("phase", "controller", "in doubt", "interrupted", "decided")
# What the journal keeps of a tuning: how it is called, and its unit.
TUNING_WORDS = {
    "gain": ("gain", 100.0, " %"),
    "bubble_ul": ("trapped air", 1.0, " µL"),
    "dot_shape_ratio": ("shape of dots", 1.0, ""),
    "bead_shape_ratio": ("of beads", 1.0, ""),
    "dwell_s": ("dwell", 1.0, " s"),
    "push_ul_s": ("push", 1.0, " µL/s"),
    "bead_mm_s": ("beads at", 1.0, " mm/s"),
    "smallest_dot_bores": ("smallest dot", 1.0, " bores"),
    "rest_fraction": ("rest at", 100.0, " % of yield"),
}
MOST_SAID = 12  # lines of the controller's own words; more hide what happened


def local_time(at: float | None) -> str:
    """Return a time as people of this place read it, "" for None."""
    return "" if at is None else datetime.fromtimestamp(at).strftime("%Y-%m-%d %H:%M:%S")


def print_ports(ports: Iterable[KnownPort], simulated: Iterable[str]) -> None:
    """Print the ports of this machine and the simulated ones."""
    headings = ("port", "description", "hardware")
    table = table_of(*headings, words=headings)
    for port in ports:
        table.add_row(escape(port.device), escape(port.description), escape(port.hardware))
    for name in simulated:
        table.add_row(name, "a virtual controller, for rehearsals", "")
    console.print(table)
    console.print(
        "Also: socket://HOST:PORT and rfc2217://HOST:PORT for serial lines over a network, file:NAME for a card or share."
    )


def print_runs(rows: Sequence[RunRow]) -> None:
    """Print the runs of a journal."""
    headings = ("run", "began", "board", "no.", "program", "ended", "laid", "in doubt", "to do", "µL", "lot")
    table = table_of(*headings, words=("began", "board", "program", "ended", "lot"))
    for row in rows:
        table.add_row(
            str(row.id),
            local_time(row.began_at),
            escape(f"{row.board_name} {row.side}"),
            "dry" if row.dry else str(row.number),
            escape(row.program_name) + ("" if row.kind == ProgramKind.BOARD else f" ({row.kind})"),
            escape(_ending(row)),
            str(row.counts[DepositState.DONE]),
            str(row.counts[DepositState.TO_BE_CHECKED] + row.counts[DepositState.STARTED] or ""),
            str(row.counts[DepositState.NOT_STARTED] or ""),
            f"{row.used_ul:.2f}",
            escape(row.lot),
        )
    console.print(table if rows else "The journal has no runs yet.")


def _ending(row: RunRow) -> str:
    if row.ended_at is None:
        return "at work or interrupted"
    return f"{row.phase}: {row.why}" if row.why else row.phase


def in_doubt(deposits: Iterable[DepositRow]) -> list[DepositRow]:
    """Return the deposits of which nobody knows whether they are there."""
    return [one for one in deposits if one.state in (DepositState.TO_BE_CHECKED, DepositState.STARTED)]


def print_run(
    row: RunRow,
    doubted: Iterable[DepositRow],
    events: Iterable[tuple[float, str, str]],
    picture: Path,
    more: Mapping[str, str] | None = None,
) -> None:
    """Print all that the journal knows of a run; `more` are facts besides, by what they are called."""
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
        "tuning": tuning_words(row.tuning),
        "note": row.note,
        "paste used": f"{row.used_ul:.2f} µL in this run, {counted(row.strips, 'settling strip')}",
        "deposits": ", ".join(f"{count} {state}" for state, count in row.counts.items() if count),
        **(more or {}),
    }
    for name, words in facts.items():
        if words:
            console.print(f"  {name:<11} {escape(words)}")
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


def tuning_words(text: str) -> str:
    """Return the tuning of a run, which the journal keeps as JSON, in words."""
    try:
        values = json.loads(text)
    except ValueError:
        return text
    if not isinstance(values, dict):
        return text
    told = [
        f"{words} {values[name] * factor:.3g}{unit}"
        for name, (words, factor, unit) in TUNING_WORDS.items()
        if isinstance(values.get(name), int | float)
    ]
    dated = values.get("dated")
    return ", ".join([f"of {dated}" if dated else "not tuned yet", *told])
