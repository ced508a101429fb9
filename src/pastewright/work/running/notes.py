"""Notes after reflow at the command line: into the journal, out of it, and as rules into a job file."""

from collections.abc import Mapping, Sequence
from difflib import get_close_matches
from pathlib import Path
from re import compile as pattern
from typing import Any

from rich.markup import escape

from pastewright.learn.notes import (
    Answered,
    JointDefect,
    JointNote,
    ProposedRule,
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

WORD = pattern(r"[^\s.,;:/\\\"']+")
"""A part's name or a pin's, as boards have them: no space, nothing that ends a name."""
TAKEN_BACK = "taken_back"


def kept(
    journal: Journal, part: str, defect: str, *, board: str, design: str, words: str, back: bool = False
) -> None:
    """Enter a note, or take one `back`; raises `InputError` for a defect that is none, or a note that does not stand."""
    if defect not in set(JointDefect):
        raise one_error(
            f"{defect!r} is no defect of a joint" if defect else "what is wrong with it was not said",
            f"One of: {', '.join(JointDefect)}.",
        )
    ref, _, pin = part.partition("-")
    if not WORD.fullmatch(ref) or (pin and not WORD.fullmatch(pin)) or part.endswith("-"):
        raise one_error(f"{part!r} names no part", 'Write for instance "U3", or "U3-4" for one pin.')
    design = design or _design(journal)
    board = board or _last_board(journal)
    record: dict[str, Any] = {
        "design": design,
        "part": ref,
        "pin": pin,
        "defect": defect,
        "board": board,
        "dated": typed_day(""),
        "words": words[:500],
    }
    if back:
        if not any(_same(record, note) for note in standing_notes(journal, design)):
            raise one_error(
                f"{part} {defect} is not noted of board {board} of {design}",
                "See what is: pastewright note. Name the board with --board.",
            )
        record |= {TAKEN_BACK: True}
    teach(journal, TaughtKind.NOTE, record, batch=None, board=None, now_s=unix_s())
    done = "taken back" if back else "noted"
    console.print(f"{done}: {escape(part)} {defect} on board {escape(board)} of {escape(design)}")
    if back:
        return
    doubt = _unknown(journal, design, ref)
    if doubt:
        console.print(f"  {escape(doubt)} Take it back with --take-back, or leave it.")
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
        _notes(journal, design),
        boards=_boards(journal, design),
        was_percent=percents_of(text, file),
        answered=_answered(journal, design),
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
    _remember(journal, design, found)
    console.print(f"wrote {escape(file)}; plan the board again, and look at the doses that changed")
    return DONE


def standing_notes(journal: Journal, design: str) -> list[dict[str, Any]]:
    """Return the notes of a design as records, oldest first, less those that were taken back."""
    found: list[dict[str, Any]] = []
    for row in taught(journal, TaughtKind.NOTE):
        record = dict(row.record)
        if record["design"] != design:
            continue
        if record.get(TAKEN_BACK):
            last = next((at for at in reversed(range(len(found))) if _same(record, found[at])), None)
            if last is not None:
                del found[last]
            continue
        found.append(record)
    return found


def _same(one: Mapping[str, Any], other: Mapping[str, Any]) -> bool:
    return all(one[name] == other[name] for name in ("part", "pin", "defect", "board"))


def _notes(journal: Journal, design: str) -> list[JointNote]:
    return [
        JointNote(
            part=record["part"],
            pin=record["pin"],
            defect=JointDefect(record["defect"]),
            board=record["board"],
            dated=record["dated"],
            words=record["words"],
        )
        for record in standing_notes(journal, design)
    ]


def _boards(journal: Journal, design: str, *, since: float = 0.0) -> int:
    """Return how many boards of a design were laid; of those begun since a time, where it is given [s since 1970]."""
    return len(
        {
            run.board
            for run in journal.runs()
            if run.board_name == design and not run.dry and run.began_at > since
        }
    )


def _remember(journal: Journal, design: str, rules: Sequence[ProposedRule]) -> None:
    """Enter the rules that were accepted, with the boards that were noted of until now."""
    noted = _notes(journal, design)
    for rule in rules:
        if rule.percent:
            boards = {note.board for note in noted if (note.part, note.pin) == (rule.part, rule.pin)}
            record = {"design": design, "part": rule.part, "pin": rule.pin, "percent": rule.percent}
            record |= {"boards": sorted(boards)}
            teach(journal, TaughtKind.RULE, record, batch=None, board=None, now_s=unix_s())


def _answered(journal: Journal, design: str) -> dict[tuple[str, str], Answered]:
    """Return the newest rule that was accepted for each part, with the boards that it answers: those noted of until then,
    and those begun before, whose joints may have been looked at later.
    """
    found: dict[tuple[str, str], Answered] = {}
    for row in taught(journal, TaughtKind.RULE):
        if row.record["design"] == design:
            before = {name for name, began_at in _begun(journal, design) if began_at <= row.at}
            found[row.record["part"], row.record["pin"]] = Answered(
                percent=row.record["percent"],
                boards=frozenset(before | set(row.record["boards"])),
                since=_boards(journal, design, since=row.at),
            )
    return found


def _begun(journal: Journal, design: str) -> list[tuple[str, float]]:
    """Return the boards of a design as notes name them, by serial and by number, with when each was begun [s since 1970]."""
    runs = [run for run in journal.runs() if run.board_name == design and not run.dry]
    begun = {run.id: run.began_at for run in runs}
    serials = [
        (str(row["serial"]), min(begun[run] for run in row["runs"]))
        for row in records(journal)
        if row["serial"] and row["runs"] and all(run in begun for run in row["runs"])
    ]
    return [(str(run.number), run.began_at) for run in runs] + serials


def _unknown(journal: Journal, design: str, ref: str) -> str:
    """Return what to say of a part at which no board of the design got paste, "" where one did or none was laid."""
    boards = {run.board for run in journal.runs() if run.board_name == design and not run.dry}
    parts = {pad.partition("-")[0] for board in boards for row in journal.deposits(board) for pad in row.pads}
    if not parts or ref in parts:
        return ""
    near = get_close_matches(ref, sorted(parts), n=3, cutoff=0.5)
    meant = f"; is it {' or '.join(near)}?" if near else "."
    return f"no board of {design} got paste at {ref} so far{meant}"


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
