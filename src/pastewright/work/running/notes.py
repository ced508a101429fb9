"""Notes after reflow at the command line: into the journal, out of it, and as rules into a job file."""

from pathlib import Path

from rich.markup import escape

from pastewright.learn.notes import (
    JointDefect,
    JointNote,
    changed_lines,
    percents_of,
    proposals,
    with_rules,
)
from pastewright.link.batch import records
from pastewright.link.conduct import unix_s
from pastewright.link.journal import Journal
from pastewright.link.taught import TaughtKind, taught, teach
from pastewright.problems import one_error
from pastewright.work.exits import DONE
from pastewright.work.printing.console import out as console
from pastewright.work.printing.console import table_of
from pastewright.work.reading import read_text
from pastewright.work.tuning import typed_day
from pastewright.writing import writing


def kept(journal: Journal, part: str, defect: str, *, board: str, design: str, words: str) -> None:
    """Enter a note; raises `InputError` for a defect that is none."""
    if defect not in set(JointDefect):
        raise one_error(
            f"{defect!r} is no defect of a joint" if defect else "what is wrong with it was not said",
            f"One of: {', '.join(JointDefect)}.",
        )
    ref, _, pin = part.partition("-")
    if not ref.strip() or not part.isprintable():
        raise one_error(f"{part!r} names no part", 'Write for instance "U3", or "U3-4" for one pin.')
    design = design or _design(journal)
    board = board or _last_board(journal)
    record = {
        "design": design,
        "part": ref,
        "pin": pin,
        "defect": defect,
        "board": board,
        "dated": typed_day(""),
        "words": words[:500],
    }
    teach(journal, TaughtKind.NOTE, record, batch=None, board=None, now_s=unix_s())
    console.print(f"noted: {escape(part)} {defect} on board {escape(board)} of {escape(design)}")
    console.print("  Rules that the notes ask for: pastewright note --rules job.toml")


def listed(journal: Journal, design: str) -> None:
    """Print the notes of a design."""
    design = design or _design(journal)
    table = table_of(
        "day",
        "board",
        "part",
        "pin",
        "defect",
        "words",
        words=("day", "board", "part", "pin", "defect", "words"),
    )
    for note in _notes(journal, design):
        table.add_row(
            note.dated,
            escape(note.board),
            escape(note.part),
            escape(note.pin),
            note.defect,
            escape(note.words),
        )
    console.print(f"notes of {escape(design)}")
    console.print(table)


def proposed(journal: Journal, design: str, path: Path, *, accept: bool) -> int:
    """Print the rules that the notes ask for as the lines that would change; write them when accepted."""
    design = design or _design(journal)
    text = read_text(path, what="a job file") if path.is_file() else ""
    file = str(path)
    found = proposals(
        _notes(journal, design), boards=_boards(journal, design), was_percent=percents_of(text, file)
    )
    if not found:
        console.print(f"there are no notes of {escape(design)}")
        return DONE
    for one in found:
        name = escape(f"{one.part}-{one.pin}" if one.pin else one.part)
        what = f"{one.percent} % of its dose" if one.percent else "no rule"
        console.print(f"{name}: {what}; {escape(one.why)}")
    after = with_rules(text, found, file=file)
    if after == text:
        console.print("nothing would change")
        return DONE
    console.print(escape(changed_lines(text, after, path.name)), end="")
    if not accept:
        console.print(f"Write these lines: pastewright note --rules {escape(file)} --accept")
        return DONE
    with writing("the rules", path, "Choose a job file that can be written."):
        path.write_text(after, encoding="utf-8")
    console.print(f"wrote {escape(file)}; plan the board again, and look at the doses that changed")
    return DONE


def _notes(journal: Journal, design: str) -> list[JointNote]:
    return [
        JointNote(
            part=row.record["part"],
            pin=row.record["pin"],
            defect=JointDefect(row.record["defect"]),
            board=row.record["board"],
            dated=row.record["dated"],
            words=row.record["words"],
        )
        for row in taught(journal, TaughtKind.NOTE)
        if row.record["design"] == design
    ]


def _boards(journal: Journal, design: str) -> int:
    return len({run.board for run in journal.runs() if run.board_name == design and not run.dry})


def _design(journal: Journal) -> str:
    for run in journal.runs():
        if not run.dry and run.kind == "board":
            return run.board_name
    raise one_error("the journal knows no board yet", "Name the design: --design NAME.")


def _last_board(journal: Journal) -> str:
    for row in reversed(records(journal)):
        if row["runs"]:
            return str(row["serial"])
    for run in journal.runs():
        if not run.dry and run.kind == "board":
            return str(run.number)
    raise one_error("the journal knows no board yet", "Name it: --board SERIAL.")
