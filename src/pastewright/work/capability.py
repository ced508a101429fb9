"""Inspections and tables as the capability command takes them, and what it leaves as capability.json."""

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TypeVar

from pastewright.learn.advice import advice
from pastewright.learn.findings import FoundDeposit, found_in, found_in_table
from pastewright.learn.process import ProcessTold
from pastewright.link.inspections import inspections_kept
from pastewright.link.journal import Journal
from pastewright.problems import InputError, Problem, one_error
from pastewright.records.inspection import InspectionRecord, inspection_of_text, read_inspection
from pastewright.work.running.records import default_journal

HOUR_S = 3600.0
Found = TypeVar("Found")


def found_in_files(files: Sequence[Path], journal: Path | None) -> tuple[FoundDeposit, ...]:
    """Return the rows of inspections and tables; every file that cannot be read is told at once."""
    rows: list[FoundDeposit] = []
    problems: list[Problem] = []
    no_ages: dict[int, float] = {}
    ages = _with_journal(journal or default_journal(), _ages_h, no_ages)
    read: set[Path] = set()
    for file in files:
        if file.resolve() in read:
            problems.append(
                Problem(
                    what="this file was given twice: its deposits would count twice, and intervals be too narrow",
                    mend="Name each file once.",
                    file=str(file),
                )
            )
            continue
        read.add(file.resolve())
        try:
            if file.suffix.lower() == ".csv":
                rows += found_in_table(file)
                continue
            rows += _found(read_inspection(file), str(file), ages)
        except InputError as error:
            problems.extend(error.problems)
    if problems:
        raise InputError(problems)
    if not rows:
        raise one_error("there are no deposits in these files", "Inspect some boards first.")
    return tuple(rows)


def found_in_journal(journal: Path | None, names: Sequence[str]) -> tuple[FoundDeposit, ...]:
    """Return the rows of the newest inspection of each board that the journal keeps; `names` of boards, or none for all."""
    path = journal or default_journal()
    nothing: tuple[Sequence[str], dict[int, float]] = ([], {})
    texts, ages = _with_journal(
        path, lambda opened: (inspections_kept(opened, names), _ages_h(opened)), nothing
    )
    rows = [row for text in texts for row in _found(inspection_of_text(text, file=str(path)), "", ages)]
    if not rows:
        of_which = f" of {', '.join(names)}" if names else ""
        raise one_error(
            f"the journal keeps no inspection{of_which}",
            "Inspect boards with their names (pastewright inspect PLAN PHOTO --board NAME), or name inspection.json files.",
            file=str(path),
        )
    return tuple(rows)


def _found(record: InspectionRecord, otherwise: str, ages: Mapping[int, float]) -> tuple[FoundDeposit, ...]:
    """Return the rows of an inspection, its board named by its serial, its number in the journal, or `otherwise`."""
    name = record.serial or (f"{record.board} {record.journal_board}" if record.journal_board else "")
    age = None if record.journal_board is None else ages.get(record.journal_board)
    return found_in(record, board=name or otherwise, age_h=age)


def _with_journal(path: Path, read: Callable[[Journal], Found], nothing: Found) -> Found:
    """Return what is read of a journal, or `nothing` where there is none."""
    if not path.is_file():
        return nothing
    journal = Journal(path)
    try:
        return read(journal)
    finally:
        journal.close()


def _ages_h(journal: Journal) -> dict[int, float]:
    """Return how old the paste was when each board was begun, by its number in the journal [h]."""
    return {
        run.board: (run.began_at - run.opened_at) / HOUR_S
        for run in journal.runs()
        if run.opened_at is not None and run.began_at >= run.opened_at
    }


def process_text(told: ProcessTold) -> str:
    """Return the text of capability.json."""
    data = {"format": "pastewright capability", "version": 1, **asdict(told), "advice": list(advice(told))}
    return json.dumps(data, ensure_ascii=False, indent=1, allow_nan=False) + "\n"
